"""An output never replaces the schema that it was made from, in any command that reads one and writes a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from packetkit.cli.main import main
from packetkit.resources import resource


@pytest.mark.parametrize("verb", ["check", "budget", "vectors", "fuzz", "simulate"])
def test_the_schema_is_still_there_afterwards(
    verb: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = tmp_path / "plover.yaml"
    before = resource("schemas/plover.yaml").read_bytes()
    schema.write_bytes(before)
    assert main([verb, str(schema), "-o", str(schema)]) == 2
    assert "would be lost" in capsys.readouterr().err
    assert schema.read_bytes() == before
