"""Generated C as a unit runs it: compiled strictly for a small and a large processor, its boot line judged, its frames read."""

from __future__ import annotations

import subprocess
from pathlib import Path

from packetkit import toolchains
from packetkit.conformance import boot
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission
from packetkit.targets import c


def frames_of_unit(mission: Mission, told: Dossier, place: Path) -> list[str]:
    """Return what one round of the example's main loop sends, in hexadecimal. Raises where a compiler has something to say."""
    for file, text in c.write(mission.layouts, told).items():
        (place / file).write_text(text, encoding="utf-8")
    name = told.mission
    small = "avr-gcc -mmcu=atmega328p -Os -std=c99".split()
    toolchains.run([*small, *toolchains.STRICT, "-c", "-o", f"{name}.o", f"{name}.c"], cwd=str(place))
    turns = f"-D{name.upper()}_TURNS=1"
    large = ["gcc", "-std=c99", *toolchains.STRICT, *toolchains.SANITIZED, turns, "-o", "unit"]
    toolchains.run([*large, f"{name}.c", f"{name}_self_test.c", f"{name}_example.c"], cwd=str(place))
    done = subprocess.run([place / "unit"], capture_output=True, text=True, check=True)
    line, *sent = done.stdout.splitlines()
    assert boot.judged(mission.layouts, name, mission.fingerprint, line).agrees, line
    return sent
