"""`decode --follow` on a serial device: a pseudo-terminal, which a system sets up and asks about as it does a serial port."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.resources import resource

FIRST = str(resource("schemas/first-light.yaml"))
PLACE = Path(packetkit.__file__).parent.parent

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals of this kind")

# Octets that a terminal acts on unless it is raw: interrupt, end, newline and return, stop and go, quit, suspend.
ACTED_ON = (3, 4, 10, 13, 17, 19, 28, 26, 127, 255)


def frames() -> list[bytes]:
    frame = packetkit.load(FIRST).frame("beacon")
    return [
        frame.encode({"counter": counter, "temperature": 21.3, "cell_voltage": 3.9}) for counter in ACTED_ON
    ]


def wait_until_raw(number: int) -> None:
    """Until the program has set the device: before that, its line discipline would take bytes for keys."""
    import termios

    for _ in range(3000):
        if not termios.tcgetattr(number)[3] & termios.ICANON:
            return
        time.sleep(0.01)
    raise AssertionError("the device was never set up")


def following(name: str, *more: str) -> subprocess.Popen[bytes]:
    """The program, following a device."""
    command = [sys.executable, "-m", "packetkit", "decode", FIRST, name, "--format", "jsonl", "--follow"]
    return subprocess.Popen([*command, *more], cwd=PLACE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def test_a_device_is_set_raw_and_to_its_speed_and_given_back() -> None:
    import termios

    ours, theirs = os.openpty()
    before = termios.tcgetattr(theirs)
    process = following(os.ttyname(theirs), "--from", "binary", "--baud", "57600")
    assert process.stdout and process.stderr
    wait_until_raw(theirs)
    for counter, data in zip(ACTED_ON, frames(), strict=True):
        for octet in data:
            os.write(ours, bytes((octet,)))
        assert json.loads(process.stdout.readline())["values"]["counter"] == counter
    assert termios.tcgetattr(theirs)[4:6] == [termios.B57600, termios.B57600]
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 130 and f"Stopped at byte {6 * len(ACTED_ON)}".encode() in said
    assert termios.tcgetattr(theirs)[:6] == before[:6]
    os.close(ours)
    os.close(theirs)


def test_a_device_that_is_gone_ends_the_input() -> None:
    ours, theirs = os.openpty()
    name = os.ttyname(theirs)
    process = following(name, "--from", "slip")
    assert process.stdout
    wait_until_raw(theirs)
    os.write(ours, b"\xc0" + frames()[0] + b"\xc0")
    assert json.loads(process.stdout.readline())["offset"] == 1
    os.close(theirs)
    os.close(ours)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 0
    assert f"{name}: the device is gone; what came before counts".encode() in said


def test_what_is_wrong_with_a_device_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ours, theirs = os.openpty()
    name, file = os.ttyname(theirs), tmp_path / "file"
    file.write_bytes(b"x")
    for more, said in (
        ([name], "which has no end: say --follow"),
        (
            [name, "--follow", "--baud", "12345"],
            "--baud 12345 is no speed that this system sets; there are 1200, ",
        ),
        ([str(file), "--follow", "--baud", "9600"], "--baud sets a serial device, and"),
        ([str(tmp_path / "tty9"), "--follow", "--baud", "9600"], "tty9: there is no such file"),
        (["-", "--follow", "--baud", "9600"], "--baud sets a serial device, and - is none"),
        (["--text", "00", "--baud", "9600"], "--baud sets a serial device, and --text is none"),
    ):
        form = [] if more[0] == "--text" else ["--from", "binary"]
        assert main(["decode", FIRST, *more, *form]) == 2
        assert said in " ".join(capsys.readouterr().err.split())
    os.close(ours)
    os.close(theirs)
