"""How text survives a terminal that cannot show it: ASCII spellings, and escapes for what is unprintable.

Registered as a codec error handler, so that help pages, messages and results are all covered and only the
characters that a stream's encoding lacks are replaced. Box-drawing characters keep their width of one.
"""

from __future__ import annotations

import codecs

# The rows hold characters on the left, what each of them becomes on the right.
_LINES = {
    "─━╌╍┄┅┈┉╴╶╸╺╼╾": "-",
    "═": "=",
    "│┃╎╏┆┇┊┋╵╷╹╻║╽╿": "|",
    "┌┐└┘├┤┬┴┼┏┓┗┛┣┫┳┻╋╭╮╰╯┍┑┕┙┝┥┯┷┿╔╗╚╝╠╣╦╩╬╒╕╘╛╞╡╤╧╪╟╢╫": "+",
    "╀╁╂╇╈┞┟┠┡┢┦┧┨┩┪┭┮┰┱┲┵┶┸┹┺┽┾╃╄╅╆╉╊╓╖╙╜╥╨┎┒┖┚": "+",
    "█▓▀▄▌▐▁▂▃▅▆▇▉▊▋▍▎▏▔▕▖▗▘▙▚▛▜▝▞▟": "#",
    "╱": "/",
    "╲": "\\",
    "╳": "x",
    "▒░": ":",
    "■▪●•◆◇": "*",
    "□▫○": "o",
}
_ARROWS = {"▲△▴↑": "^", "▼▽▾↓": "v", "▶►▸": ">", "◀◄◂": "<", "→": "->", "←": "<-", "↔": "<->", "↦": "->"}
_SIGNS = {
    **{
        "×": "x",
        "·⋅": ".",
        "÷": "/",
        "−": "-",
        "±": "+/-",
        "≤": "<=",
        "≥": ">=",
        "≠": "!=",
        "≈": "~",
        "≡": "==",
    },
    **{"√": "sqrt", "∞": "inf", "°": "deg", "′": "'", "″": '"', "‰": "per mille", "⊕": "(+)", "∑": "sum"},
    **{"∈": "in", "∧": "and", "∨": "or", "¬": "not", "¹": "^1", "²": "^2", "³": "^3"},
    **{"½": "1/2", "¼": "1/4", "¾": "3/4"},
}
# The micro sign is `u`, its ASCII form in UCUM; the ohm and the angstrom are words.
_GREEK = {
    **{"α": "alpha", "β": "beta", "γ": "gamma", "δ": "delta", "Δ": "Delta", "ε": "epsilon", "η": "eta"},
    **{
        "θ": "theta",
        "λ": "lambda",
        "π": "pi",
        "ρ": "rho",
        "σ": "sigma",
        "Σ": "Sigma",
        "τ": "tau",
        "φ": "phi",
    },
    **{
        "χ": "chi",
        "ψ": "psi",
        "ω": "omega",
        "\u03a9\u2126": "Ohm",
        "\u03bc\u00b5": "u",
        "\u212b": "Angstrom",
    },
}
_PUNCTUATION = {
    **{"…": "...", "–—‐‑": "-", "‘’‚": "'", "“”„": '"', "«": "<<", "»": ">>", "✓✔": "ok", "✗✘": "no"},
    **{"€": "EUR", "£": "GBP", "§": "section ", "\u00a0\u2007\u2009\u202f": " "},
}

ASCII: dict[str, str] = {
    character: spelling
    for table in (_LINES, _ARROWS, _SIGNS, _GREEK, _PUNCTUATION)
    for characters, spelling in table.items()
    for character in characters
}

# The name of the codec error handler.
SPELL_OUT = "packetkit-ascii"


def ascii_spelling(character: str) -> str:
    """Return one character in ASCII: its spelling, its base letter, or an escape."""
    if character in ASCII:
        return ASCII[character]
    from unicodedata import normalize

    base = normalize("NFKD", character).encode("ascii", "ignore").decode("ascii")
    return base if base and base.isprintable() else escape(character)


def escape(character: str) -> str:
    """Return `\\xNN`, `\\uNNNN` or `\\UNNNNNNNN`; a file name's odd byte becomes its own `\\xNN`."""
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        code -= 0xDC00
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _spell_out(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(ascii_spelling, error.object[error.start : error.end])), error.end


codecs.register_error(SPELL_OUT, _spell_out)


def portable(text: str, encoding: str | None) -> str:
    """Return the text as a stream of this encoding will show it; tables measure their cells after this."""
    if text.isascii():
        return text
    name = encoding or "ascii"
    return text.encode(name, SPELL_OUT).decode(name)


# Unprintable to Python, harmless on a terminal. A tab becomes one space: a mark under it stays in its column.
_KEPT = {"\n": "\n", "\t": " ", "\u00a0": "\u00a0", "\u2009": "\u2009", "\u202f": "\u202f"}


def visible(text: str) -> str:
    """Return the text with terminal escapes and other unprintable characters written out; line ends stay."""
    if text.isprintable():
        return text
    lines = text.split("\r\n")
    return "\r\n".join(
        "".join(c if c.isprintable() else _KEPT.get(c) or escape(c) for c in line) for line in lines
    )
