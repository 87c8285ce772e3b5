"""`packetkit stick`: packetkit and what it needs as one file, for machines without network, administrator's rights or a package manager.

The file is an archive that the operating system's own Python runs (PEP 441). It is made of the files that are installed here, their
licences with them, without anything compiled, so it runs on any system; the same installation gives the same bytes. Nothing is written
when it runs: no cache, no unpacking. What surprises: libraries that only bulk work and tests need stay out, and commands that need them
say so.
"""

from __future__ import annotations

import io
import os
import re
import zipfile
from collections.abc import Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import PurePosixPath

import click

from packetkit.cli import output
from packetkit.errors import InputError

# What stays out, and what does without it.
LEFT_OUT = {
    "numpy": "loss along a pass, sweeps, bulk, demodulated bits",
    "hypothesis": "strategies for tests of your own",
}
STAMP = (1980, 1, 1, 0, 0, 0)  # the earliest that an archive can say: the same files give the same bytes
_DROPPED = ("__pycache__", "tests", "py.typed")
_COMPILED = (".so", ".pyd", ".dylib", ".pyc")

MAIN = """\
import sys

if sys.version_info < (3, 10):
    sys.exit("packetkit needs Python 3.10 or later; this is " + sys.version.split()[0])
sys.dont_write_bytecode = True

from packetkit.__main__ import main

sys.exit(main())
"""


def carried() -> list[Distribution]:
    """Return packetkit and the installed libraries that ride with it. Raises InputError where packetkit is not installed whole."""
    try:
        mine = distribution("packetkit")
    except PackageNotFoundError:
        raise InputError(
            "packetkit runs from its source here; install it (pip install .) and ask that one"
        ) from None
    names = [
        re.split(r"[^A-Za-z0-9._-]", one, maxsplit=1)[0]
        for one in mine.requires or ()
        if "extra ==" not in one
    ]
    kept = [name for name in names if name.lower() not in LEFT_OUT]
    try:
        return [mine, *(distribution(name) for name in sorted(kept))]
    except PackageNotFoundError as absent:
        raise InputError(f"{absent.name} is not installed here; reinstall packetkit") from None


def files_of(found: Distribution) -> Iterator[tuple[str, bytes]]:
    """Yield a distribution's files by their name in the archive: modules, data, metadata, licences."""
    for name, place in places_of(found):
        if ".." in name.parts or any(part in _DROPPED for part in name.parts) or name.suffix in _COMPILED:
            continue
        if name.name in ("RECORD", "INSTALLER", "REQUESTED", "direct_url.json"):
            continue  # of this installation, not of the library
        if os.path.isfile(place):
            with open(place, "rb") as file:
                yield str(name), file.read()
    if found.read_text("RECORD") is None and (metadata := found.read_text("PKG-INFO")):
        yield f"{found.metadata['Name']}-{found.version}.egg-info/PKG-INFO", metadata.encode()


def places_of(found: Distribution) -> Iterator[tuple[PurePosixPath, str]]:
    """Yield each file's name in the archive and its place here."""
    if found.read_text("RECORD") is not None:
        for path in found.files or ():
            yield PurePosixPath(path.as_posix()), str(found.locate_file(path))
        return
    # Installed the old way, by setup.py: what is listed then differs with Python's release, the packages do not.
    for top in (found.read_text("top_level.txt") or "").split():
        root = str(found.locate_file(top))
        for folder, _, files in os.walk(root):
            within = PurePosixPath(top, os.path.relpath(folder, root).replace(os.sep, "/"))
            yield from ((within / file, os.path.join(folder, file)) for file in files)


def archive() -> tuple[bytes, list[tuple[str, str]]]:
    """Return the file's bytes, and name and version of what is in it. Raises InputError where it cannot be made from what is here."""
    held: dict[str, bytes] = {"__main__.py": MAIN.encode()}
    rode = []
    for found in carried():
        files = dict(files_of(found))
        if not files:
            raise InputError(f"the files of {found.name} are not recorded here; install it with pip")
        held |= files
        rode.append((found.name, found.version))
    if "packetkit/__main__.py" not in held:
        raise InputError(
            "packetkit is installed as a link to its source here; install it whole (pip install .)"
        )
    made = io.BytesIO()
    made.write(b"#!/usr/bin/env python3\n")
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as whole:
        # Directories have entries of their own: Python finds a package without a file of its own by nothing else.
        directories = {
            f"{parent}/" for name in held for parent in PurePosixPath(name).parents if str(parent) != "."
        }
        for name in sorted({*held, *directories}):
            entry = zipfile.ZipInfo(name, STAMP)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = (0o40755 << 16 | 0x10) if name.endswith("/") else 0o644 << 16
            whole.writestr(entry, held.get(name, b""))
    return made.getvalue(), rode


@click.command("stick")
@click.option(
    "-o",
    "--output",
    "destination",
    metavar="FILE",
    default="packetkit.pyz",
    callback=output.checked_output,
    show_default=True,
    help="Where the file goes.",
)
def command(destination: str) -> None:
    """Write packetkit as one file that runs from a memory stick.

    It runs with the operating system's Python, 3.10 or later: no network, no installation, no rights, nothing written. numpy and hypothesis
    stay out: `budget` then counts no loss, and commands that need them say so.

    \b
    packetkit stick -o packetkit.pyz
    python3 packetkit.pyz check heron.yaml
    """
    if destination == "-":
        raise click.UsageError("-o names a file: the archive is not for a terminal")
    data, rode = archive()
    with output.open_bytes(destination) as file:
        file.write(data)
    if os.name == "posix":
        os.chmod(destination, 0o755)
    size = f"{len(data) / 1e6:.1f} MB"
    inside = ", ".join(f"{name} {version}" for name, version in rode)
    without = "; ".join(f"{name} ({what})" for name, what in LEFT_OUT.items())
    lines = (
        f"{destination}: {size}. Run it with python3 {destination} COMMAND.",
        f"In it: {inside}.",
        f"Left out: {without}.",
    )
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    output.write("\n".join("\n".join(output.wrapped(line, width)) for line in lines) + "\n")
