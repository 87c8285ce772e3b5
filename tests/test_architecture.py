"""Who may import whom, who may print, what is light at start-up, and what stands at the top level.

The checker reads the source of the package under test and the names of the checkout's files. It finds imports
inside functions too. Its rules are the tables below; each is proven both ways on a small made-up tree.
"""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import packetkit
from packetkit.resources import resource

PACKAGE = Path(packetkit.__file__).parent
CHECKOUT = Path(__file__).resolve().parent.parent

# Part -> the parts of ours that it may import; itself is always allowed. Every part has a row.
MAY_IMPORT: dict[str, str] = {
    "errors": "",
    "resources": "",
    "integrity": "errors resources",
    "framing": "errors",
    "coding": "errors",
    "radio": "errors",
    "passes": "radio errors",
    "schema": "errors resources",
    "layout": "schema integrity errors",
    "emit": "layout errors",
    "codec": "emit layout integrity errors",
    "targets": "emit layout integrity errors",
    "conformance": "layout codec errors",
    "mission": "schema layout codec conformance radio passes integrity errors",
    "captures": "mission codec framing integrity layout conformance errors",
    "export": "captures codec emit layout errors",
    "fuzz": "mission schema layout codec conformance integrity errors oracle resources",
    "work": "__version__ errors",
    "lab": "work mission integrity framing radio passes conformance layout codec errors",
    "station": "captures mission export framing codec layout errors files",
    "files": "mission targets conformance errors resources",
    "toolchains": "mission targets conformance layout errors",
    "processors": "toolchains targets conformance errors",
    "footprint": "toolchains errors",
    "check_costs": "footprint processors toolchains targets integrity layout errors",
    "oracle": "schema",
}
# These stand above all parts.
ANYTHING = ("cli", "__main__", "__init__")

# Library -> where it may be imported: parts, or single modules of a part. What is not listed is for nobody.
LIBRARIES: dict[str, str] = {
    "click": "cli",
    "ruamel": "schema",
    "construct": "codec/constructs fuzz/judges",
    "crcmod": "integrity",
    "numpy": "codec/bulk integrity/strength integrity/identify radio passes mission captures export lab",
    "hypothesis": "fuzz/strategies fuzz/campaign",
    "numba": "codec/bulk",
    "zstandard": "captures/unpack",
    "pyarrow": "export codec/bulk",
    "matplotlib": "export",
    "sgp4": "passes",
    "serial": "station",
    "paho": "station",
    "distributed": "work/cluster",
}

# Only cli does any of these; `sys.stdin` is the edge's, which reads `-`.
TALKS = {"print", "input", "exit", "quit", "breakpoint", "sys.exit", "sys.stdout", "sys.stderr", "os._exit"}
# These get bytes and text as arguments and never open a file, by any of these names.
CLOSED_PARTS = frozenset("layout emit codec targets framing coding radio passes captures mission lab".split())
OPENS = {"read_text", "read_bytes", "write_text", "write_bytes"}

HEAVY = (
    "numpy",
    "hypothesis",
    "construct",
    "ruamel.yaml",
    "crcmod",
    "pytest",
    "importlib.metadata",
    "unicodedata",
)

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "packetkit", "schemas", "tests", "vectors"}

# Built from pieces, so that this file does not hold what it looks for.
MACHINE = re.compile(
    "(?<![a-z.~])/(" + "|".join(["wor" + "k", "roo" + "t", "hom" + "e", "User" + "s", "tm" + "p"]) + ")/"
)


@dataclass(frozen=True)
class Module:
    """One module of a package: its dotted place without the package's name, its source's tree."""

    name: str
    path: Path
    tree: ast.Module

    @property
    def part(self) -> str:
        return self.name.partition("/")[0]


def modules(package: Path) -> Iterator[Module]:
    """Yield every module below a package's directory; `data` holds files, not code."""
    for path in sorted(package.rglob("*.py")):
        place = path.relative_to(package).with_suffix("").as_posix()
        if not place.startswith("data/"):
            yield Module(place, path, ast.parse(path.read_text(encoding="utf-8"), str(path)))


def imports(module: Module) -> Iterator[tuple[str, int]]:
    """Yield each imported dotted name with its line, wherever in the module the import stands.

    `from packetkit import radio` counts as `packetkit.radio`; a relative import is resolved.
    """
    package = ["packetkit", *module.name.split("/")][:-1]
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            source = ".".join([*base, *(node.module or "").split(".")]).strip(".")
            for alias in node.names:
                yield (f"{source}.{alias.name}" if source == "packetkit" else source), node.lineno
        elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("import_module"):
            if node.args and isinstance(node.args[0], ast.Constant):
                yield str(node.args[0].value), node.lineno


def ours_broken(module: Module) -> Iterator[str]:
    """Yield each import of ours that the table does not allow."""
    if module.part in ANYTHING:
        return
    if module.part not in MAY_IMPORT:
        yield f"{module.name}: the part {module.part} is in no row of MAY_IMPORT"
        return
    allowed = {module.part, *MAY_IMPORT[module.part].split()}
    for name, line in imports(module):
        top, _, rest = name.partition(".")
        if top == "packetkit" and rest.partition(".")[0] not in allowed:
            yield f"{module.name}:{line}: {module.part} may not import {name}"


def library_broken(module: Module) -> Iterator[str]:
    """Yield each third-party import outside the places that the table names."""
    for name, line in imports(module):
        top = name.partition(".")[0]
        if top == "packetkit" or top in sys.stdlib_module_names:
            continue
        places = LIBRARIES.get(top, "").split()
        if not any(module.name == place or module.name.startswith(place + "/") for place in places):
            yield f"{module.name}:{line}: {name} may be imported in: {', '.join(places) or 'no part'}"


def edge_broken(module: Module) -> Iterator[str]:
    """Yield what outside cli that prints, exits or takes an output stream, and each open in a core."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            name = node.func.id
        elif isinstance(node, ast.Attribute):
            name = ast.unparse(node)
        else:
            continue
        if name in TALKS and module.part not in ("cli", "__main__"):
            yield f"{module.name}:{node.lineno}: {name}: only cli prints or exits"
        opens = name in ("open", "io.open", "os.open") or name.rpartition(".")[2] in OPENS
        if opens and module.part in CLOSED_PARTS:
            yield f"{module.name}:{node.lineno}: {name}: {module.part} opens nothing"


def documented(module: Module) -> Iterator[str]:
    """Yield the module if it does not say what it owns."""
    if not (ast.get_docstring(module.tree) or "").strip():
        yield f"{module.name}: no docstring"


CHECKS: tuple[Callable[[Module], Iterator[str]], ...] = (ours_broken, library_broken, edge_broken, documented)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_every_module_keeps_the_rule(check: Callable[[Module], Iterator[str]]) -> None:
    broken = [message for module in modules(PACKAGE) for message in check(module)]
    assert not broken, "\n".join(broken)


# ---- the checker itself, both ways

DOC = '"""It owns something."""\n'

# name of the check, file, source that keeps the rule, source that breaks it
BOTH_WAYS = (
    (ours_broken, "radio/chirp.py", "from packetkit.errors import X", "from packetkit.layout import y"),
    (ours_broken, "passes/orbit.py", "from packetkit.radio import chirp", "from packetkit import mission"),
    (ours_broken, "codec/frame.py", "from packetkit.layout.model import X", "import packetkit.schema.load"),
    (ours_broken, "codec/frame.py", "from .bulk import decode", "from ..targets import c"),
    (
        ours_broken,
        "layout/resolve.py",
        "def late():\n    from packetkit.schema import model",
        "def late():\n    from packetkit.codec import frame",
    ),
    (
        ours_broken,
        "files.py",
        "import packetkit.errors",
        "from importlib import import_module\nimport_module('packetkit.cli.main')",
    ),
    (ours_broken, "errors.py", "import enum", "import packetkit.files"),
    (ours_broken, "cli/check.py", "from packetkit.schema import load", ""),
    (ours_broken, "helpers.py", "", "x = 1"),
    (library_broken, "codec/bulk.py", "import numpy as np", "import hypothesis"),
    (library_broken, "codec/frame.py", "import struct", "def late():\n    import numpy"),
    (library_broken, "codec/constructs/maker.py", "from construct import Struct", "from crcmod import mkCrcFun"),
    (library_broken, "schema/load.py", "from ruamel.yaml import YAML", "import yaml"),
    (library_broken, "fuzz/strategies.py", "from hypothesis import strategies", "import pytest"),
    (edge_broken, "mission/load.py", "x = 'print'", "print('loaded')"),
    (edge_broken, "lab/marking.py", "import sys\nx = sys.version", "import sys\nsys.stdout.write('marks')"),
    (edge_broken, "fuzz/campaign.py", "raise ValueError", "import sys\nsys.exit(1)"),
    (edge_broken, "captures/lines.py", "x = stream.read()", "x = open('capture')"),
    (edge_broken, "layout/resolve.py", "self.open(run)", "import io\nio.open('notes')"),
    (edge_broken, "targets/c.py", "def write(text): pass", "path.write_text('code')"),
    (edge_broken, "cli/check.py", "print('ok')", ""),
    (documented, "schema/kinds.py", DOC, "x = 1"),
)  # fmt: skip


@pytest.mark.parametrize(("check", "place", "good", "bad"), BOTH_WAYS)
def test_the_checker_passes_what_keeps_the_rule_and_names_what_breaks_it(
    check: Callable[[Module], Iterator[str]], place: str, good: str, bad: str, tmp_path: Path
) -> None:
    path = tmp_path / place
    path.parent.mkdir(parents=True, exist_ok=True)
    if good:
        path.write_text(good, encoding="utf-8")
        assert [message for module in modules(tmp_path) for message in check(module)] == []
    if bad:
        path.write_text(bad, encoding="utf-8")
        found = [message for module in modules(tmp_path) for message in check(module)]
        assert len(found) == 1
        assert found[0].startswith(place.removesuffix(".py") + ":")


def test_code_carried_as_data_is_not_judged(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "example.py").write_text("print('hello')", encoding="utf-8")
    assert list(modules(tmp_path)) == []


# ---- start-up


def loaded_by(statement: str) -> set[str]:
    """Return the modules that a fresh interpreter has after the statement."""
    program = f"import sys; {statement}; sys.stdout.write(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    "statement", ["import packetkit", "import packetkit.cli.main", "import packetkit.cli.output"]
)
def test_start_up_loads_nothing_heavy(statement: str) -> None:
    assert not loaded_by(statement) & set(HEAVY)


def test_the_start_up_check_sees_a_heavy_library() -> None:
    assert {"numpy"} <= loaded_by("import numpy") & set(HEAVY)


def test_a_small_capture_becomes_csv_without_columns(tmp_path: Path) -> None:
    schema, capture = (str(resource(f"schemas/plover.{suffix}")) for suffix in ("yaml", "capture"))
    arguments = ["decode", schema, capture, "-o", str(tmp_path / "x.csv")]
    loaded = loaded_by(f"from packetkit.cli.main import main; main({arguments!r})")
    assert "packetkit.export.csv" in loaded and not loaded & {"numpy", "pyarrow"}


def test_the_help_page_imports_no_command() -> None:
    statement = "import click, packetkit.cli.main as main; main.program.get_help(click.Context(main.program))"
    ours = {name for name in loaded_by(statement) if name.startswith("packetkit")}
    assert ours <= {
        "packetkit",
        "packetkit.errors",
        "packetkit.cli",
        "packetkit.cli.main",
        "packetkit.cli.output",
        "packetkit.cli.spelling",
    }


# ---- the checkout


def tracked_files() -> list[str]:
    """Return the files of the checkout: those that git holds, or all where this is no git checkout."""
    try:
        done = subprocess.run(
            ["git", "-c", "safe.directory=*", "ls-files", "-z"], cwd=CHECKOUT, capture_output=True, check=True
        )
    except (OSError, subprocess.CalledProcessError):
        return [path.relative_to(CHECKOUT).as_posix() for path in CHECKOUT.rglob("*") if path.is_file()]
    return [os.fsdecode(name) for name in done.stdout.split(b"\0") if name]


def strangers(files: Iterable[str]) -> set[str]:
    """Return what stands at the top level and is neither on the list nor hidden."""
    return {
        top
        for top in (name.partition("/")[0] for name in files)
        if top not in TOP_LEVEL and not top.startswith(".")
    }


def test_the_top_level_holds_only_what_is_on_the_list() -> None:
    assert not strangers(tracked_files())
    assert strangers(["README.md", ".ci/run", "schemas/one.yaml", "setup.py", "docs/index.md"]) == {
        "setup.py",
        "docs",
    }


def machine_paths(text: str) -> list[str]:
    """Return the lines that hold a path of somebody's machine."""
    return [line for line in text.splitlines() if MACHINE.search(line)]


def test_no_file_holds_a_path_of_somebodys_machine() -> None:
    found = []
    for name in tracked_files():
        path = CHECKOUT / name
        if path.is_file() and path.stat().st_size < 1 << 20:
            text = path.read_bytes().decode("utf-8", "replace")
            found += [f"{name}: {line.strip()[:80]}" for line in machine_paths(text)]
    assert not found, "\n".join(found)


def test_the_path_check_sees_a_path_and_leaves_an_address_alone() -> None:
    assert machine_paths("a = '/" + "home/someone/x.py'") and machine_paths("see /" + "work/file")
    assert not machine_paths("packetkit/cli/main.py https://example.org/framework/x ~/.cache /dev/null")
