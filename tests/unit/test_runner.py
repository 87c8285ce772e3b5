"""The test runner and the campaigns' launcher, tried on small made-up inputs."""

from __future__ import annotations

import io
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest

import packetkit

TESTS = Path(__file__).resolve().parent.parent


def load(path: Path) -> ModuleType:
    """Return the module in this file, whatever its name ends in."""
    import sys

    spec = spec_from_file_location(
        f"tried_{path.stem}", path, loader=SourceFileLoader(f"tried_{path.stem}", str(path))
    )
    assert spec is not None and spec.loader is not None
    module = module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Return tests/run as a module; importing it must not litter the checkout."""
    monkeypatch.setattr("sys.dont_write_bytecode", True)
    return load(TESTS / "run")


@pytest.fixture
def launch(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Return the campaigns' launcher as a module."""
    return load(TESTS / "campaigns" / "launch.py")


REPORT = """<testsuites><testsuite>
<testcase classname="unit.a" name="works"/>
<testcase classname="unit.a" name="breaks"><failure message="no">trace</failure></testcase>
<testcase classname="unit.a" name="waits"><skipped message="no radio here"/></testcase>
</testsuite></testsuites>"""


def test_every_skip_and_failure_is_named_with_its_reason(run: ModuleType, tmp_path: Path) -> None:
    report = tmp_path / "report.xml"
    report.write_text(REPORT, encoding="utf-8")
    (outcome,) = run.read_report("unit", report, 1)
    assert (outcome.passed, outcome.failed, outcome.skipped) == (1, 1, 1)
    assert outcome.notes == ["failed: unit.a::breaks", "skipped: unit.a::waits: no radio here"]


def test_a_run_that_broke_off_or_ran_nothing_has_failed(run: ModuleType, tmp_path: Path) -> None:
    assert run.read_report("unit", tmp_path / "none.xml", 3)[0].failed == 1
    empty = tmp_path / "report.xml"
    empty.write_text("<testsuites/>", encoding="utf-8")
    assert run.read_report("unit", empty, 5)[0].failed == 1


def test_groups_of_one_run_have_their_own_counts_and_seconds(run: ModuleType, tmp_path: Path) -> None:
    report = tmp_path / "report.xml"
    report.write_text(
        '<testsuites><testsuite><testcase classname="tests.unit.test_a" name="works" time="1.5"/>'
        '<testcase classname="tests.test_b" name="works" time="0.5"/>'
        '<testcase classname="tests.laws.test_c" name="breaks" time="2"><error/></testcase></testsuite></testsuites>',
        encoding="utf-8",
    )
    found = run.read_report("together", report, 1, ["tests", "laws", "unit"])
    assert [(one.name, one.seconds, one.passed, one.failed) for one in found] == [
        ("tests", 0.5, 1, 0),
        ("laws", 2, 0, 1),
        ("unit", 1.5, 1, 0),
    ]


def test_every_directory_of_tests_is_in_one_group(run: ModuleType) -> None:
    groups = run.test_groups()
    assert {path for _, paths in groups for path in paths} == {
        TESTS / path.relative_to(TESTS).parts[0] for path in TESTS.rglob("test_*.py")
    }
    assert [names for names, _ in groups if len(names) == 1] == [["browser"]]


def test_the_summary_ends_with_the_counts_and_fails_when_one_failed(
    run: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad = (
        run.Outcome("unit", 1.0, passed=3),
        run.Outcome("laws", 2.0, failed=1, notes=["failed: laws::x"]),
    )
    assert run.summary([good]) == 0
    assert capsys.readouterr().out.endswith("\n3 passed, 0 failed, 0 skipped\n")
    assert run.summary([good, bad]) == 1
    assert "failed: laws::x\n" in capsys.readouterr().out


def test_what_is_left_out_fails_where_no_skip_is_allowed(
    run: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "NO_SKIP", False)
    assert run.left_out("old", "absent").skipped == 1
    monkeypatch.setattr(run, "NO_SKIP", True)
    assert run.left_out("old", "absent").failed == 1


@pytest.mark.parametrize("home", ["", "nonsense", "absent"])
def test_the_environment_finds_a_place_whatever_home_is(
    run: ModuleType, home: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name in ("PACKETKIT_TEST_HOME", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name in ("HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / home) if home == "absent" else home)
    monkeypatch.setattr(run.tempfile, "gettempdir", lambda: str(tmp_path))
    assert run.home() == tmp_path / "packetkit-tests"
    assert not (tmp_path / "absent").exists()
    monkeypatch.setenv("PACKETKIT_TEST_HOME", str(tmp_path / "chosen"))
    assert run.home() == tmp_path / "chosen" / "packetkit-tests"


CAMPAIGN = """
def count(seed, out):
    out.write(f"tried with {seed}\\n")
    return seed % 2

CAMPAIGNS = {"parity": count}
"""


def test_a_campaign_prints_its_seed_and_fails_with_its_failures(launch: ModuleType, tmp_path: Path) -> None:
    (tmp_path / "parity.py").write_text(CAMPAIGN, encoding="utf-8")
    for seed, status in ((4, 0), (5, 1)):
        out = io.StringIO()
        assert launch.main(["parity", "--seed", str(seed)], out, tmp_path) == status
        first, second, _ = out.getvalue().splitlines()
        assert first == f"campaign parity, seed {seed} (repeat it with --seed {seed})"
        assert second == f"tried with {seed}"


def test_a_campaign_without_a_seed_gets_a_fresh_one(launch: ModuleType, tmp_path: Path) -> None:
    (tmp_path / "parity.py").write_text(CAMPAIGN, encoding="utf-8")
    seeds = set()
    for _ in range(3):
        out = io.StringIO()
        launch.main(["parity"], out, tmp_path)
        seeds.add(out.getvalue().splitlines()[0])
    assert len(seeds) == 3


def test_campaigns_are_listed_and_a_wrong_or_double_name_is_refused(
    launch: ModuleType, tmp_path: Path
) -> None:
    (tmp_path / "parity.py").write_text(CAMPAIGN, encoding="utf-8")
    out = io.StringIO()
    assert launch.main([], out, tmp_path) == 0
    assert out.getvalue() == "parity\n"
    assert launch.main(["luck"], out, tmp_path) == 2
    assert "there is no campaign luck; there are: parity" in out.getvalue()
    (tmp_path / "again.py").write_text(CAMPAIGN, encoding="utf-8")
    with pytest.raises(ValueError, match="the campaign parity is already taken"):
        launch.main([], out, tmp_path)


@pytest.mark.parametrize("reason", ["skip", "expected failure"])
def test_a_skip_fails_where_no_skip_is_allowed(reason: str, monkeypatch: pytest.MonkeyPatch) -> None:
    conftest = load(TESTS / "conftest.py")
    for no_skip, outcome in ((False, "skipped"), (True, "failed")):
        monkeypatch.setattr(conftest, "NO_SKIP", no_skip)
        report = SimpleNamespace(skipped=True, outcome="skipped", longrepr=("test_x.py", 3, "no compiler"))
        if reason == "expected failure":
            report.wasxfail = "no compiler"  # as pytest marks a report; nothing is silenced here
        conftest.fail_instead(report)
        assert report.outcome == outcome
        assert "no compiler" in str(report.longrepr)


def test_a_survivor_that_was_explained_is_still_a_mutant_of_its_line() -> None:
    mutants = load(TESTS / "campaigns" / "mutants.py")
    home = Path(packetkit.__file__).parent
    for path in {path for path, _, _ in mutants.EXPLAINED}:
        made = {
            mutants._key(one) for one in mutants.mutants_of(path, (home / path).read_text(encoding="utf-8"))
        }
        assert not [key for key in mutants.EXPLAINED if key[0] == path and key not in made]


def test_a_mutant_is_one_change_of_what_runs_and_not_of_words_or_types() -> None:
    source = 'def near(a: int, b: int = 2) -> int:\n    """3."""\n    if a < b:\n        raise ValueError(f"{a} + 1")\n    return a\n'
    mutants = load(TESTS / "campaigns" / "mutants.py")
    made = {one.kind: one.source for one in mutants.mutants_of("near.py", source)}
    assert made == {
        "number": source.replace("= 2", "= (3)"),
        "comparison": source.replace("a < b", "(a <= b)"),
    }


def test_the_real_campaigns_load(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "sys.path", [*sys.path]
    )  # they add the checkout, which other tests of this process must not see
    assert all(map(callable, load(TESTS / "campaigns" / "launch.py").discover().values()))
