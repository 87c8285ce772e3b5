"""The public names: each can be had from the package itself, and none is loaded before it is asked for."""

from __future__ import annotations

import subprocess
import sys

import pytest

import packetkit


@pytest.mark.parametrize("name", packetkit.__all__)
def test_every_public_name_is_there(name: str) -> None:
    assert getattr(packetkit, name) is not None


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        packetkit.nothing  # noqa: B018  # the access is the test


def test_the_strategies_are_at_hand_and_nothing_heavy_comes_before_they_are_asked_for() -> None:
    text = (
        "import sys, packetkit; heavy = {'hypothesis', 'numpy', 'construct', 'ruamel.yaml', 'click'}; "
        "assert not heavy & set(sys.modules); packetkit.fuzz.records; assert 'hypothesis' in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
