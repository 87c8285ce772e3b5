"""The campaign `mutants`: one small change of packetkit's source at a time, and whether any test notices.

Which tests run a line is worked out under coverage, once for each state of source and tests; a mutant of the line is then put to the
quickest of those, to the rest of them, those that name its package first, and to others of its module, in a private copy of the installed
package. A mutant is killed when a test fails or takes far too long. A test that fails of a source without a change is left out and
named. Survivors are printed with their line, what it became and, where somebody has looked at it, why no test can tell (EXPLAINED).
"""

from __future__ import annotations

import ast
import gzip
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path
from random import Random
from typing import Any, TextIO

import packetkit

PACKAGES = ("layout", "codec", "integrity", "mission", "radio")
MUTANTS = 300
WORKERS = 2
MOST_TESTS = 40  # for one mutant, the quickest that run its line
OTHERS_S = 30.0  # what the tests took that are asked after these, and again after those
SLOWEST_S = 30.0  # one that takes longer is not asked
PATIENCE = (
    30.0,
    5.0,
)  # seconds of a processor, and times what the tests took before: then a mutant has run away
WAITING = (
    4  # so many times of that by the clock: other work may have the processor, and a mutant may wait for ever
)
CONTROLS = 1  # of each package: sources without a change, which no test may call changed
WANTED = 0.9
TESTS = Path(__file__).resolve().parent.parent
GROUPS = ("unit", "published", "laws", "messages", "agreement")

# Survivors that somebody has looked at: where, the line, what it became, why no test can tell.
EXPLAINED: Mapping[tuple[str, str, str], str] = {
    (row["path"], row["line"], row["change"]): row["why"]
    for row in json.loads((TESTS / "campaigns" / "explained.json").read_text(encoding="utf-8"))
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the line of a file that it starts at, the line's text before and after."""

    path: str
    line: int
    kind: str
    before: str
    after: str
    source: str

    @property
    def package(self) -> str:
        return self.path.split("/")[0]


# -- changes -------------------------------------------------------------------------------------------------------

_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_WORKED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.Div: ast.Mult, ast.Mod: ast.FloorDiv,
    ast.LShift: ast.RShift, ast.RShift: ast.LShift, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitOr,
}  # fmt: skip


def changed(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Yield what a node may become, with a word for each change."""
    if isinstance(node, ast.Compare) and type(node.ops[0]) in _COMPARED:
        yield (
            "comparison",
            ast.Compare(node.left, [_COMPARED[type(node.ops[0])](), *node.ops[1:]], node.comparators),
        )
    elif (
        isinstance(node, ast.BinOp) and type(node.op) in _WORKED and not isinstance(node.left, ast.JoinedStr)
    ):
        yield "arithmetic", ast.BinOp(node.left, _WORKED[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield "and, or", ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not", node.operand
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield "truth", ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int):
        yield "number", ast.Constant(node.value + 1)
    elif isinstance(node, ast.IfExp):
        yield "choice", ast.IfExp(node.test, node.orelse, node.body)
    elif isinstance(node, ast.Return) and node.value is not None and not _is_none(node.value):
        yield "return", ast.Return(ast.Constant(None))
    elif isinstance(node, (ast.Expr, ast.AugAssign)) and not _is_text(node):
        yield "dropped", ast.Pass()


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, (ast.Constant, ast.Yield, ast.YieldFrom))


class _Sites(ast.NodeVisitor):
    """Nodes that may be changed: not annotations, assertions, messages, names of types, or what runs for type checkers only.

    Nor what strict types refuse, which every run of the tests looks at first: nothing returned where a value is promised.
    """

    def __init__(self) -> None:
        self.found: list[ast.AST] = []
        self.may_give_none: list[bool] = []  # of the functions around, the innermost last

    def generic_visit(self, node: ast.AST) -> None:
        if hasattr(node, "lineno"):
            self.found.append(node)
        super().generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_arg(self, node: ast.arg) -> None:
        """An argument has an annotation and nothing to change."""

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        promised = "None" if node.returns is None else ast.unparse(node.returns)
        self.may_give_none.append(any(word in promised for word in ("None", "Any", "object")))
        for part in (*node.args.defaults, *filter(None, node.args.kw_defaults), *node.body):
            self.visit(part)
        self.may_give_none.pop()

    def visit_Return(self, node: ast.Return) -> None:
        if self.may_give_none[-1]:
            self.found.append(node)
        if node.value is not None:
            self.visit(node.value)

    def visit_If(self, node: ast.If) -> None:
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            self.generic_visit(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for part in node.body:
            self.visit(part)

    def visit_Assert(self, node: ast.Assert) -> None:
        """What we guarantee ourselves is no behaviour."""

    def visit_keyword(self, node: ast.keyword) -> None:
        if node.arg != "strict":  # of zip: as an assertion
            self.visit(node.value)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Words for people: tests/messages holds those that matter."""

    def visit_Raise(self, node: ast.Raise) -> None:
        """An error's words."""


def mutants_of(path: str, text: str) -> Iterator[Mutant]:
    """Yield every mutant of a module."""
    sites = _Sites()
    sites.visit(ast.parse(text))
    lines = text.splitlines()
    for node in sites.found:
        for kind, new in changed(node):
            assert isinstance(node, (ast.expr, ast.stmt)) and node.end_lineno is not None
            made = ast.unparse(ast.fix_missing_locations(new))
            made = f"({made})" if isinstance(node, ast.expr) else made
            start, end = (
                _offset(lines, node.lineno, node.col_offset),
                _offset(lines, node.end_lineno, node.end_col_offset or 0),
            )
            data = text.encode()
            whole = (data[:start] + made.encode() + data[end:]).decode()
            yield Mutant(path, node.lineno, kind, lines[node.lineno - 1].strip(), made, whole)


def _offset(lines: Sequence[str], line: int, column: int) -> int:
    """The octet of a place: ast counts columns in octets."""
    return sum(len(one.encode()) + 1 for one in lines[: line - 1]) + column


# -- which tests run a line ----------------------------------------------------------------------------------------

# A plugin of pytest that every process of the run loads: each writes what it saw into a file of its own.
_WATCH = """
import json, os
import coverage, pytest

seconds = {}
cover = coverage.Coverage(data_file=None, include=json.loads(os.environ["WATCHED"]), config_file=False)
cover.start()

@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item):
    cover.switch_context(item.nodeid)
    return (yield)

def pytest_runtest_logreport(report):
    seconds[report.nodeid] = seconds.get(report.nodeid, 0.0) + report.duration
    if report.failed:
        seconds[report.nodeid] = 1e9  # it fails by itself, so it proves nothing

def pytest_sessionfinish():
    cover.stop()
    data = cover.get_data()
    lines = {name: data.contexts_by_lineno(name) for name in data.measured_files()}
    worker = os.environ.get("PYTEST_XDIST_WORKER")
    if worker:
        with open(f"watched-{worker}.json", "w") as file:
            json.dump({"seconds": seconds, "lines": lines}, file)
"""

# Puts tests to what is there, and says at the end which failed first.
_RUN = """
import json, resource, sys
import pytest

class First:
    failed = ""
    def pytest_runtest_logreport(self, report):
        self.failed = self.failed or (report.nodeid if report.failed else "")

asked, seconds = json.load(open(sys.argv[1]))
resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
first = First()
status = pytest.main([*sys.argv[2:], "-x", *asked], plugins=[first])
print(f"\\nfirst failed: {first.failed}")
sys.exit(status)
"""


def arguments() -> list[str]:
    return [
        "-q", "--no-header", "-p", "no:cacheprovider", "--rootdir", str(TESTS.parent), "-c", str(TESTS.parent / "pyproject.toml"),
    ]  # fmt: skip


def environ(place: str) -> dict[str, str]:
    return {
        **os.environ,
        "PYTHONPATH": place,
        "PYTHONDONTWRITEBYTECODE": "1",
        "PYTHONHASHSEED": "0",
        "COLUMNS": "80",
    }


def _state() -> str:
    """A name for the source and the tests as they are."""
    home, made = Path(packetkit.__file__).parent, hashlib.sha256()
    for root, suffix in ((home, ".py"), (TESTS, ".py"), (TESTS.parent / "schemas", ".yaml")):
        for path in sorted(root.rglob(f"*{suffix}")):
            made.update(f"{path.relative_to(root)}\n".encode() + path.read_bytes())
    return made.hexdigest()[:16]


def watched(place: str, out: TextIO) -> tuple[dict[str, dict[int, list[str]]], dict[str, float]]:
    """Return what `tests_by_line` says, kept in the environment of the tests until source or tests change."""
    kept = Path(sys.prefix, "caches", f"watched-{_state()}.json.gz")
    if not kept.is_file():
        lines, seconds = tests_by_line(place, out)
        numbers = {
            test: number for number, test in enumerate(seconds)
        }  # names are long, and every line has many
        short = {
            path: {line: [numbers[test] for test in tests if test in numbers] for line, tests in held.items()}
            for path, held in lines.items()
        }
        kept.parent.mkdir(exist_ok=True)
        for old in kept.parent.glob("watched-*"):
            old.unlink()
        kept.write_bytes(gzip.compress(json.dumps([list(seconds.items()), short]).encode(), 3))
    pairs, short = json.loads(gzip.decompress(kept.read_bytes()))
    names = [name for name, _ in pairs]
    lines = {
        path: {int(line): [names[number] for number in tests] for line, tests in held.items()}
        for path, held in short.items()
    }
    return lines, dict(pairs)


def tests_by_line(place: str, out: TextIO) -> tuple[dict[str, dict[int, list[str]]], dict[str, float]]:
    """Return the tests that run each line of each module, and how long each test takes."""
    Path(place, "watch_lines.py").write_text(_WATCH, encoding="utf-8")
    root = os.path.join(place, "packetkit") + os.sep
    groups = [str(TESTS / group) for group in GROUPS]
    watch = ["-p", "watch_lines", "-n", str(WORKERS), "-m", "not slow"]
    out.write("which tests run which line: some minutes\n")
    out.flush()
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *arguments(), *watch, *groups],
        cwd=place,
        env={**environ(place), "WATCHED": json.dumps([f"{root}{package}/*" for package in PACKAGES])},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
        text=True,
    )
    if done.returncode > 1:  # 1: some tests fail, which are left out
        raise RuntimeError(f"the tests could not be watched:\n{done.stdout[-3000:]}")
    lines: dict[str, dict[int, list[str]]] = {}
    seconds: dict[str, float] = {}
    for report in sorted(Path(place).glob("watched-*.json")):
        found: dict[str, Any] = json.loads(report.read_text(encoding="utf-8"))
        seconds.update(found["seconds"])
        for name, held in found["lines"].items():
            known = lines.setdefault(name.removeprefix(root).replace(os.sep, "/"), {})
            for line, tests in held.items():
                known.setdefault(int(line), []).extend(tests)
    return lines, seconds


class Map:
    """Which tests may notice a change: those that run its line, then others that run anything of its module or import its package.

    The others are there for lines that run once, when a module is imported or a table is first asked for, and whose result is kept:
    only the first test to come by runs those, and tests of a table's rows may run nothing of its module.
    """

    def __init__(
        self, lines: Mapping[str, Mapping[int, Sequence[str]]], seconds: Mapping[str, float]
    ) -> None:
        self.lines = lines
        self.seconds = dict(seconds)
        self.known: dict[str, set[str]] = {}

    def first(self, mutant: Mutant) -> list[str]:
        """The quickest of the tests that run the line and pass by themselves; ahead of them those named after a row of a table."""
        rows = re.findall(r'"([\w/-]{4,})"', mutant.before)
        named = {one for one in self.seconds if any(f"[{row}]" in one for row in rows)}
        near, far = self._near(mutant, set(self.lines[mutant.path][mutant.line]) - named)
        return [one for tests in (named, near, far) for one in self._quickest(tests)[:MOST_TESTS]]

    def rest(self, mutant: Mutant) -> list[str]:
        """More of the tests that run the line, a file after the other, within OTHERS_S: properties are among the slower ones."""
        running = set(self.lines[mutant.path][mutant.line]) - set(self.first(mutant))
        return [one for tests in self._near(mutant, running) for one in self._in_turn(tests)]

    def others(self, mutant: Mutant) -> list[str]:
        """Tests that run something else of the module or import its package, a file after the other, within OTHERS_S."""
        touching = {one for tests in self.lines[mutant.path].values() for one in tests}
        touching |= {one for one in self.seconds if self._is_near(mutant, one)}
        return self._in_turn(touching - set(self.lines[mutant.path][mutant.line]))

    def _is_near(self, mutant: Mutant, test: str) -> bool:
        """Whether a test's file names the package that the mutant is in: it was written for that."""
        return mutant.package in self.imported(test.partition("::")[0])

    def _near(self, mutant: Mutant, tests: set[str]) -> tuple[set[str], set[str]]:
        """The near ones of these tests, and the far ones."""
        near = {one for one in tests if one and self._is_near(mutant, one)}
        return near, tests - near

    def leave_out(self, tests: set[str]) -> None:
        """Ask these no more."""
        self.seconds.update(dict.fromkeys(tests, 1e9))

    def patience_s(self, tests: Sequence[str]) -> float:
        """How long these tests may take of a processor, by what they took when they were watched."""
        least, times = PATIENCE
        return least + times * sum(self.seconds[one] for one in tests)

    def _in_turn(self, tests: set[str]) -> list[str]:
        files: dict[str, list[str]] = {}
        for one in self._quickest(tests):
            files.setdefault(one.partition("::")[0], []).append(one)
        asked, taken = [], 0.0
        for one in (test for round_ in zip_longest(*files.values()) for test in round_ if test):
            if taken + self.seconds[one] < OTHERS_S:
                taken += self.seconds[one]
                asked.append(one)
        return asked

    def imported(self, file: str) -> set[str]:
        """The packages that a file of tests names."""
        if file not in self.known:
            text = (TESTS.parent / file).read_text(encoding="utf-8")
            self.known[file] = set(re.findall(r"\bpacketkit[. ](?:import )?(\w+)", text))
        return self.known[file]

    def _quickest(self, tests: set[str]) -> list[str]:
        able = [one for one in sorted(tests) if one and self.seconds.get(one, 1e9) < SLOWEST_S]
        return sorted(able, key=lambda one: self.seconds[one])


def killer(mutant: Mutant, tests: Sequence[str], copy: str, patience_s: float) -> str | None:
    """Return the test that notices a mutant, in a private copy of the package: "" where all fall with it, None where none does."""
    if not tests:
        return None
    target = Path(copy, "packetkit", mutant.path)
    whole = target.read_text(encoding="utf-8")
    asked = os.path.join(copy, "asked.json")
    with open(asked, "w", encoding="utf-8") as file:
        # Joined as text, for a name may hold //.
        json.dump([[os.path.join(TESTS.parent, one) for one in tests], round(patience_s)], file)
    target.write_text(mutant.source, encoding="utf-8")
    try:
        done = subprocess.run(
            [sys.executable, "-c", _RUN, asked, *arguments()],
            cwd=copy,
            env=environ(copy),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=WAITING * patience_s,
            check=False,
            text=True,
        )
    except subprocess.TimeoutExpired:
        return ""
    finally:
        target.write_text(whole, encoding="utf-8")
    return done.stdout.partition("\nfirst failed: ")[2].strip() if done.returncode else None


# -- the campaign --------------------------------------------------------------------------------------------------


def drawn(seed: int, lines: Mapping[str, Mapping[int, Sequence[str]]]) -> list[Mutant]:
    """Return the mutants to try: as many of each package, of lines that any test runs."""
    home = Path(packetkit.__file__).parent
    chance, made = Random(seed), []
    for package in PACKAGES:
        every = [
            mutant
            for path in sorted((home / package).rglob("*.py"))
            for name in [path.relative_to(home).as_posix()]
            for mutant in mutants_of(name, path.read_text(encoding="utf-8"))
            if lines.get(name, {}).get(mutant.line)
        ]
        made += chance.sample(every, min(MUTANTS // len(PACKAGES), len(every)))
    return made


def controls(tried: Sequence[Mutant]) -> list[Mutant]:
    """Return some of the mutants with their source as it is: a test that fails of these tells nothing of mutants."""
    home = Path(packetkit.__file__).parent
    chosen = [one for name in PACKAGES for one in [each for each in tried if each.package == name][:CONTROLS]]
    return [replace(one, source=(home / one.path).read_text(encoding="utf-8")) for one in chosen]


class Bench:
    """Private copies of the package, and what may be put to them at one time: as many mutants as there are copies."""

    def __init__(self, copies: Sequence[str], map_: Map) -> None:
        self.free = list(copies)
        self.map = map_

    def killer(self, mutant: Mutant) -> str | None:
        """As `killer`, of all the tests that may notice it."""
        copy = self.free.pop()
        try:
            for ask in (self.map.first, self.map.rest, self.map.others):
                tests = ask(mutant)
                found = killer(mutant, tests, copy, self.map.patience_s(tests))
                if found is not None:
                    return found
        finally:
            self.free.append(copy)
        return None

    def blamed(self, pool: ThreadPoolExecutor, tried: Sequence[Mutant]) -> Iterator[str]:
        """Yield tests that fail of sources without a change, and leave them out from there on.

        Raises RuntimeError where tests fall and none is to blame: what they say of mutants would be worth nothing.
        """
        held = controls(tried)
        while held:
            answers = list(zip(held, pool.map(self.killer, held), strict=True))
            unnamed = [f"{one.path}:{one.line}" for one, test in answers if test == ""]
            if unnamed:
                raise RuntimeError(f"tests of these do not end well without a change: {', '.join(unnamed)}")
            failed = {test for _, test in answers if test}
            yield from sorted(failed)
            self.map.leave_out(failed)
            held = [one for one, test in answers if test]


def mutants(seed: int, out: TextIO) -> int:
    """Return how many unexplained mutants survive, 0 where at least nine in ten are killed."""
    with tempfile.TemporaryDirectory(prefix="packetkit-mutants-") as place:
        copies = [os.path.join(place, str(number)) for number in range(WORKERS)]
        for copy in copies:
            shutil.copytree(Path(packetkit.__file__).parent, os.path.join(copy, "packetkit"))
        lines, seconds = watched(copies[0], out)
        tried, bench = drawn(seed, lines), Bench(copies, Map(lines, seconds))
        out.write(f"{len(tried)} mutants, {len(seconds)} tests\n")
        survivors = []
        with ThreadPoolExecutor(WORKERS) as pool:
            for test in bench.blamed(pool, tried):
                out.write(f"left out, for it fails without a change: {test}\n")
            answers = pool.map(bench.killer, tried)
            for number, (mutant, answer) in enumerate(zip(tried, answers, strict=True), 1):
                if answer is None:
                    survivors.append(mutant)
                    out.write(_told(mutant))
                if number % 20 == 0:
                    out.write(f"{number} of {len(tried)}, {number - len(survivors)} killed\n")
                out.flush()
    for package in PACKAGES:
        count, lived = (sum(one.package == package for one in among) for among in (tried, survivors))
        out.write(f"{package}: {count - lived} of {count} killed\n")
    open_ones = [one for one in survivors if _key(one) not in EXPLAINED]
    share = 1 - len(open_ones) / len(tried)
    out.write(f"{share:.1%} killed or explained\n")
    return 0 if share >= WANTED else len(open_ones)


def _key(mutant: Mutant) -> tuple[str, str, str]:
    return mutant.path, mutant.before, mutant.after


def _told(mutant: Mutant) -> str:
    why = EXPLAINED.get(_key(mutant))
    explained = f"  explained: {why}\n" if why else ""
    return f"{mutant.path}:{mutant.line}: {mutant.kind}\n  {mutant.before}\n  {mutant.after}\n{explained}"


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"mutants": mutants}
