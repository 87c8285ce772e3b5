"""The demo: every step runs, ends as it says, fits a terminal, and leaves nothing behind unless asked."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest

from packetkit.cli.demo import STEPS, place
from packetkit.cli.demo import command as demo
from packetkit.cli.main import main
from packetkit.errors import InputError


def test_the_demo_runs_the_main_job_and_leaves_nothing_behind(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    here = Path.cwd()
    assert main(["demo"]) == 0
    text = capsys.readouterr().out
    assert text.count("$ packetkit ") == len(STEPS)
    assert "all of it holds" in text
    assert max(map(len, text.splitlines())) <= 80
    assert Path.cwd() == here and os.listdir(tmp_path) == []


@pytest.mark.slow
def test_the_files_stay_where_they_are_asked_for(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    assert main(["demo", "-o", str(kept)]) == 0
    assert {"plover.yaml", "frame.bin", "capture.bin", "capture.csv"} <= set(os.listdir(kept))
    assert main(["demo", "-o", str(kept)]) == 2
    assert "name a new one" in capsys.readouterr().err


def test_every_shipped_example_is_kept_beside_the_demo_s_own(tmp_path: Path) -> None:
    with place(str(tmp_path / "kept")) as kept:
        names = set(os.listdir(kept))
    assert {"first-light.yaml", "heron.yaml", "heron.capture", "plover.truth.jsonl"} <= names
    assert "bad" not in names and "README.md" not in names


def test_a_step_that_was_interrupted_interrupts_the_demo(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("packetkit.cli.main.run", lambda _: 130)
    assert demo.callback is not None
    with pytest.raises(KeyboardInterrupt):
        demo.callback(directory=None)
    monkeypatch.setattr("packetkit.cli.main.run", lambda _: 2)
    with pytest.raises(InputError, match="this installation is broken"):
        demo.callback(directory=None)
