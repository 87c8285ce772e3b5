"""Where shipped data lives: schemas, published vectors, tables.

In the checkout these sit beside the package, where people read and edit them; a wheel carries them in
packetkit/data. Whatever reads shipped data asks here, so both are found by one name and nothing else knows
the difference. Plain paths, because importing importlib.resources costs more than reading most of the
files. In one file on a memory stick (packetkit/cli/stick.py) they lie in the archive that the package is in.
"""

from __future__ import annotations

from pathlib import Path
from typing import cast

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
    archive = next((one for one in _PACKAGE.parents if one.is_file()), None)
    if archive is not None:
        from zipfile import (
            Path as Inside,  # it reads and lists as pathlib's does, which is all that anybody asks of it
        )

        inside = Inside(archive, f"{_PACKAGE.relative_to(archive).as_posix()}/data/{name}")
        for place in (inside, Inside(archive, f"{_PACKAGE.relative_to(archive).as_posix()}/{name}")):
            if place.exists():
                return cast(Path, place)
            if Inside(archive, f"{place.at}/").exists():
                return cast(Path, Inside(archive, f"{place.at}/"))
    raise FileNotFoundError(f"packetkit does not carry {name!r}; looked in {', '.join(map(str, roots))}")
