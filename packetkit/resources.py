"""Where shipped data lives: schemas, published vectors, tables.

In the checkout these sit beside the package, where people read and edit them; a wheel carries them in
packetkit/data. Whatever reads shipped data asks here, so both are found by one name and nothing else knows
the difference. Plain paths, because importing importlib.resources costs more than reading most of the
files.
"""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def resource(name: str) -> Path:
    """Return where a shipped file or directory is, such as `schemas` or `vectors/published/checks.json`.

    name: with forward slashes, from the top of the checkout; or from the package, for data that lives inside.
    Raises FileNotFoundError when nothing of that name is shipped: a broken installation or a wrong name.
    """
    roots = [_PACKAGE / "data", _PACKAGE]
    if (_PACKAGE.parent / "pyproject.toml").is_file():
        roots.append(_PACKAGE.parent)  # a checkout; beside an installed package lie other people's files
    for root in roots:
        path = root / name
        if path.exists():
            return path
    raise FileNotFoundError(f"packetkit does not carry {name!r}; looked in {', '.join(map(str, roots))}")
