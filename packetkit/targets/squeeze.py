"""Making our own JavaScript small: no comments, no spaces that separate nothing, short names for what only this text names.

For text in the style of javascript_runtime, not for any: a key of an object literal has its colon at once and a conditional's colon
stands apart, every statement ends in a semicolon, regular expressions follow an opening parenthesis or an operator, and keys are never
made from strings. A name is replaced everywhere by one and the same new name, and two names have the same one only where no statement
of the program's outermost level has both, and one of them at most is declared there: so what a name is bound to stays as it was.
Names and keys are two realms. `undefined` is a name that anything may be bound to, and `void 0` is shorter.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator
from itertools import count

_TOKEN = re.compile(
    r"(?P<comment>//[^\n]*)"
    r"|(?P<space>\s+)"
    r"""|(?P<text>'(?:\\.|[^'\\\n])*'|"(?:\\.|[^"\\\n])*")"""
    r"|(?P<pattern>(?<=[(!|&]\ |.[(!])/(?:\\.|[^/\\\n])+/g?)"
    r"|(?P<word>[A-Za-z_$][A-Za-z0-9_$]*)"
    r"|(?P<number>[0-9][0-9a-z.]*(?:e-?[0-9]+)?)"
    r"|(?P<sign>.)"
)
_DECLARED = re.compile(r"\bfunction\s*(\w*)\s*\(([^)]*)\)|\bvar\s+([^;]*)")
_LETTERS = "abcdefghijklmnopqrstuvwxyz"
# Two-letter words of ECMAScript 5.1 7.6.1; longer ones are not reached.
_TAKEN = frozenset(("do", "if", "in"))


def squeeze(text: str, keep_names: Collection[str], keep_keys: Collection[str]) -> str:
    """Return the same program, smaller. keep_names, keep_keys: those that others use, too."""
    tokens = [(match.lastgroup or "", match.group()) for match in _TOKEN.finditer(text)]
    roles = _roles(tokens)
    statements, outer = _statements(roles)
    names = _short(statements, _declared(text) - set(keep_names), outer)
    keys = _short([[token for token, role in roles if role == "key"]], _keys(text) - set(keep_keys))
    names["undefined"] = "void 0"
    made: list[str] = []
    last, gap = "", False
    for token, role in roles:
        if role in ("comment", "space"):
            gap = True
            continue
        token = (names if role == "name" else keys if role == "key" else {}).get(token, token)
        if gap and _must_part(last, token):
            made.append(" ")
        made.append(token)
        last, gap = token, False
    return "".join(made).replace("}function ", "}\nfunction ").replace(";FRAMES", ";\nFRAMES") + "\n"


def _roles(tokens: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Each token with what it is: name or key for a word, else its kind."""
    made = []
    before = ""
    for at, (kind, token) in enumerate(tokens):
        role = kind
        if kind == "word":
            is_key = before == "." or (at + 1 < len(tokens) and tokens[at + 1][1] == ":")
            role = "key" if is_key else "name"
        made.append((token, role))
        if kind not in ("comment", "space"):
            before = token
    return made


def _must_part(last: str, token: str) -> bool:
    words = re.match(r"[\w$]", last[-1:]) and re.match(r"[\w$]", token)
    return bool(words) or (last[-1:] in ("+", "-") and token[:1] == last[-1:])


def _declared(text: str) -> set[str]:
    """Names of functions, parameters and variables."""
    found: set[str] = set()
    for function, parameters, variables in _DECLARED.findall(re.sub(r"//[^\n]*", "", text)):
        found |= {function, *re.findall(r"\w+", parameters)}
        found |= set(re.findall(r"(?:^|,)\s*([A-Za-z_]\w*)\s*(?=[,=]|$)", variables))
    return found - {""}


def _keys(text: str) -> set[str]:
    """Keys that this text gives to its own objects."""
    found = re.findall(r"(?:\bthis|\bprototype)\.(\w+) =|\b([A-Za-z_]\w*):", text)
    return {key for pair in found for key in pair if key}


def _statements(roles: list[tuple[str, str]]) -> tuple[list[list[str]], set[str]]:
    """The names of each statement of the outermost level, and those declared on that level."""
    made: list[list[str]] = [[]]
    outer: set[str] = set()
    depth, before = 0, ""
    for token, role in roles:
        if role == "name":
            made[-1].append(token)
            if not depth and before in ("function", "var"):
                outer.add(token)
        depth += (role == "sign") * ((token in "({[") - (token in ")}]"))
        if not depth and token in ("}", ";"):
            made.append([])
        if role not in ("comment", "space"):
            before = token
    return made, outer


def _short(statements: list[list[str]], wanted: set[str], outer: Collection[str] = ()) -> dict[str, str]:
    """A short word for each that is wanted, the shortest for the most frequent; none that is found otherwise.

    Those of `outer` keep apart from each other, and any from those of the same statement.
    """
    used = Counter(word for one in statements for word in one)
    near: dict[str, set[str]] = {word: set(outer) if word in outer else set() for word in used}
    for one in map(set, statements):
        for word in one:
            near[word] |= one
    made: dict[str, str] = {}
    others = (set(used) - wanted) | _TAKEN
    for word in sorted(wanted & set(used), key=lambda word: (-used[word], word)):
        taken = {made[other] for other in near[word] if other in made}
        made[word] = next(short for short in _candidates() if short not in others and short not in taken)
    return made


def _candidates() -> Iterator[str]:
    for length in count(1):
        yield from _words(length)


def _words(length: int) -> Iterator[str]:
    if length == 1:
        yield from _LETTERS
        return
    for first in _words(length - 1):
        for letter in _LETTERS:
            yield first + letter
