"""The wheel, installed, seen from outside: what it carries, and that the tests run against it."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
from email import message_from_string
from importlib.metadata import distribution
from pathlib import Path

import pytest

import packetkit

CHECKOUT = Path(__file__).resolve().parent.parent.parent
PACKAGE = Path(packetkit.__file__).resolve().parent

# Set by tests/run to the environment that it installed the wheel in.
INSTALLED = os.environ.get("PACKETKIT_INSTALLED")
# Only an installed wheel can be looked at, and plain pytest in a checkout has none; .ci/run turns this skip into a failure.
pytestmark = pytest.mark.skipif(
    INSTALLED is None, reason="packetkit is not installed from a wheel; tests/run does that"
)

# Where the checkout keeps it, where the wheel carries it.
CARRIED = (("schemas", "data/schemas"), ("vectors/published", "data/vectors/published"))


def test_packetkit_is_the_installed_one_and_not_the_checkout() -> None:
    assert INSTALLED is not None
    assert Path(sysconfig.get_path("purelib")).resolve() / "packetkit" == PACKAGE
    assert PACKAGE.is_relative_to(Path(INSTALLED).resolve())
    assert not PACKAGE.is_relative_to(CHECKOUT)
    assert str(CHECKOUT) not in sys.path


@pytest.mark.parametrize(("source", "carried"), CARRIED)
def test_the_wheel_carries_every_file_that_programs_read(source: str, carried: str) -> None:
    names = [
        path.relative_to(CHECKOUT / source)
        for path in sorted((CHECKOUT / source).rglob("*"))
        if path.is_file()
    ]
    assert names
    for name in names:
        assert (PACKAGE / carried / name).read_bytes() == (CHECKOUT / source / name).read_bytes()


def test_the_wheel_carries_every_module_the_types_the_licence_and_the_oracle() -> None:
    for path in sorted((CHECKOUT / "packetkit").rglob("*.py")):
        name = path.relative_to(CHECKOUT / "packetkit")
        assert (PACKAGE / name).read_bytes() == path.read_bytes()
    assert (PACKAGE / "py.typed").is_file()
    assert (PACKAGE / "oracle.py").read_bytes() == (CHECKOUT / "tests" / "oracle.py").read_bytes()
    licences = [path for path in distribution("packetkit").files or [] if path.name == "LICENSE"]
    assert any("licenses" in path.parts for path in licences)


def test_the_wheel_installs_one_package_and_no_tests() -> None:
    tops = {path.parts[0] for path in distribution("packetkit").files or []}
    assert {top for top in tops if not top.endswith(".dist-info")} <= {
        "packetkit",
        "..",
    }  # .. leads to the script


def test_the_metadata_name_licence_python_and_every_extra() -> None:
    metadata = message_from_string(str(distribution("packetkit").read_text("METADATA")))
    assert metadata["License-Expression"] == "MIT"
    assert metadata["Requires-Python"] == ">=3.10"
    assert set(metadata.get_all("Provides-Extra") or ()) == {
        "cluster",
        "orbit",
        "plots",
        "tables",
        "test",
        "zstd",
    }


@pytest.mark.parametrize(
    "command", [["packetkit"], [sys.executable, "-m", "packetkit"]], ids=["script", "module"]
)
def test_the_program_starts_from_an_empty_directory(command: list[str], tmp_path: Path) -> None:
    program = (
        Path(sysconfig.get_path("scripts")) / command[0] if command[0] == "packetkit" else Path(command[0])
    )
    done = subprocess.run(
        [str(program), *command[1:], "--version"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0
    assert done.stdout.startswith(f"packetkit {distribution('packetkit').version}\n")
    assert done.stderr == ""
