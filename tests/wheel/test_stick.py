"""One file on a memory stick: it runs with Python's standard library alone, writes nothing, and answers as the installation does."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from packetkit.cli import stick
from packetkit.resources import resource

# Only an installed wheel knows all its files, and plain pytest in a checkout has none; .ci/run turns this skip into a failure.
pytestmark = pytest.mark.skipif(
    "PACKETKIT_INSTALLED" not in os.environ,
    reason="packetkit is not installed from a wheel; tests/run does that",
)

SCHEMAS = resource("schemas")
LARGEST_BYTES = 6 << 20


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("stick") / "packetkit.pyz"
    done = subprocess.run(
        [sys.executable, "-m", "packetkit", "stick", "-o", str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "numpy" in done.stdout and max(map(len, done.stdout.splitlines())) <= 80 + len(str(path))
    return path


def run(command: list[str], place: Path) -> subprocess.CompletedProcess[bytes]:
    """Run a command in an empty directory, with no home and no settings."""
    environ = {
        "PATH": os.environ["PATH"],
        "HOME": str(place / "no-such-home"),
        "PYTHONUTF8": "1",
        "COLUMNS": "80",
    }
    return subprocess.run(command, cwd=place, env=environ, capture_output=True, check=False)


def test_the_file_is_small_and_made_of_plain_python_with_every_licence(file: Path) -> None:
    assert file.stat().st_size < LARGEST_BYTES
    with zipfile.ZipFile(file) as held:
        names = held.namelist()
    assert not [name for name in names if name.endswith((".so", ".pyd", ".pyc"))]
    for library in ("packetkit", "click", "ruamel", "construct", "crcmod"):
        # What was installed from source the old way has no licence of its own, only metadata that name it.
        assert any(
            library in name and ("licen" in name.lower() or name.endswith("PKG-INFO")) for name in names
        ), library
    assert not any(name.startswith(("numpy/", "hypothesis/")) for name in names)


def test_the_same_installation_gives_the_same_bytes(file: Path) -> None:
    assert stick.archive()[0] == file.read_bytes()


HERON, CAPTURE = str(SCHEMAS / "heron.yaml"), str(SCHEMAS / "heron.capture")
FIRST = str(SCHEMAS / "first-light.yaml")
SET = ["--set", "counter=1", "--set", "temperature=-12.3", "--set", "cell_voltage=3.72"]
ASKED: dict[str, list[str]] = {
    "start": ["start", "pole", "--measures", "temperature=-60..85/0.1 Cel,cell_voltage", "--bytes", "6"],
    "check": ["check", HERON],
    "encode": ["encode", FIRST, *SET],
    "decode": ["decode", HERON, CAPTURE, "--format", "csv"],
    "airtime": ["airtime", "--bytes", "24", "--spreading-factor", "10", "--bandwidth-khz", "125"],
    "settings": ["settings", HERON],
    "explore": ["explore", HERON],
    "bytes": ["bytes", FIRST, "013baf4082a4"],
    "identify": ["identify", "013baf4082a4", "023baf40b1f7"],
}


@pytest.mark.parametrize("verb", ASKED)
def test_it_answers_as_the_installation_does_with_nothing_but_the_standard_library(
    verb: str, file: Path, tmp_path: Path
) -> None:
    # -I: no settings, no user's packages; -S: none of this environment's either; -B is not given, it writes nothing by itself.
    alone = run([sys.executable, "-I", "-S", str(file), *ASKED[verb]], tmp_path)
    whole = run([sys.executable, "-m", "packetkit", *ASKED[verb]], tmp_path)
    assert (alone.returncode, alone.stdout, alone.stderr) == (whole.returncode, whole.stdout, whole.stderr)
    assert alone.stdout
    assert list(tmp_path.iterdir()) == [] and not list(file.parent.glob("__pycache__"))


def test_the_budget_counts_frames_and_says_that_it_counts_no_loss(file: Path, tmp_path: Path) -> None:
    alone = run([sys.executable, "-I", "-S", str(file), "budget", HERON], tmp_path)
    said = " ".join(alone.stdout.decode().split())
    assert alone.returncode == 0 and "No loss is counted: that needs numpy, which is not here." in said
    assert "spectrum 42 534.528 ms fills 539 22,638" in said


def test_a_command_that_needs_what_is_left_out_says_so(file: Path, tmp_path: Path) -> None:
    alone = run([sys.executable, "-I", "-S", str(file), "plan", HERON], tmp_path)
    assert alone.returncode == 2
    assert "packetkit plan: this needs numpy, which is not here" in alone.stderr.decode()


def test_simulate_and_demo_run_from_it(file: Path, tmp_path: Path) -> None:
    made = run([sys.executable, "-I", "-S", str(file), "simulate", HERON, "-o", "c"], tmp_path)
    assert made.returncode == 0 and (tmp_path / "c").stat().st_size > 0
    shown = run([sys.executable, "-I", "-S", str(file), "demo", "-o", "kept"], tmp_path)
    assert shown.returncode == 0, shown.stderr.decode()[-400:]


def test_standard_output_is_no_place_for_it() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "packetkit", "stick", "-o", "-"], capture_output=True, check=False
    )
    assert done.returncode == 2 and not done.stdout
