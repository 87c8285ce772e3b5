"""The editor's schema and the reference: rendered from the tables, so every good schema passes and every word has its help."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from packetkit.cli.main import main
from packetkit.resources import resource
from packetkit.schema import field_keys, kinds, mission_keys
from packetkit.schema.editor import READS, json_schema, reference
from packetkit.schema.field_keys import CRC_KEYS, FIELD_KEYS
from packetkit.schema.keys import Key
from packetkit.schema.load import load
from packetkit.schema.mission_keys import (
    CHIRP_KEYS,
    END_KEYS,
    FRAME_KEYS,
    LINK_KEYS,
    MISSION_KEYS,
    PART_KEYS,
    PASSES_KEYS,
)

TABLES = (
    MISSION_KEYS,
    FRAME_KEYS,
    FIELD_KEYS,
    LINK_KEYS,
    END_KEYS,
    CHIRP_KEYS,
    PASSES_KEYS,
    *PART_KEYS.values(),
    CRC_KEYS,
)
SCHEMAS = sorted(resource("schemas").glob("*.yaml"))
WORDS_RULES = ("unknown-key", "key-not-for-kind", "bad-word")


def as_editors_read(text: str) -> Any:
    """The text as an editor's YAML parser sees it, keys as JSON has them."""
    return json.loads(json.dumps(YAML(typ="safe", pure=True).load(io.StringIO(text)), default=str))


def test_it_is_a_valid_json_schema() -> None:
    jsonschema.Draft7Validator.check_schema(json_schema())


@pytest.mark.parametrize("path", SCHEMAS, ids=lambda path: path.stem)
def test_every_shipped_schema_passes(path: Path) -> None:
    jsonschema.Draft7Validator(json_schema()).validate(as_editors_read(path.read_text(encoding="utf-8")))


def _bad_words() -> list[Path]:
    """Broken schemas whose only fault is a word: the editor should see them too."""
    found = []
    for path in sorted(resource("schemas/bad").glob("*.yaml")):
        problems = load(path.read_bytes()).problems
        if problems and all(problem.rule in WORDS_RULES for problem in problems):
            found.append(path)
    return found


@pytest.mark.parametrize("path", _bad_words(), ids=lambda path: path.stem)
def test_a_wrong_word_is_seen_while_typing(path: Path) -> None:
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft7Validator(json_schema()).validate(as_editors_read(path.read_text(encoding="utf-8")))


def test_every_reader_of_the_tables_has_a_row() -> None:
    assert {key.reads for table in TABLES for key in table.values()} <= set(READS)


def test_every_word_has_its_help_in_the_schema_and_the_reference() -> None:
    text = json.dumps(json_schema())
    told = {word for _, rows in reference() for word, _ in rows}
    for table in TABLES:
        for name, key in table.items():
            assert key.help.strip() and json.dumps(key.help) in text
            assert name in told
    assert set(kinds.KINDS) <= told


def test_every_table_of_keys_is_a_chapter_of_the_reference() -> None:
    chapters = [dict(rows).keys() for _, rows in reference()]
    of_modules = (vars(field_keys), vars(mission_keys))
    tables = [(name, one) for module in of_modules for name, one in module.items() if name.endswith("_KEYS")]
    tables = [(name, one) for name, one in tables if all(isinstance(key, Key) for key in one.values())]
    assert len(tables) > 20
    assert [name for name, one in tables if one.keys() not in chapters] == []


@pytest.mark.parametrize(
    "field",
    [
        "{name: n, kind: count, coding: {first_bits: 1, forms: [{code: 0, bits: 7}, {code: 1, bits: 15}]}}",
        "{name: g, group: [{name: a, kind: states, states: {0: off}, runs: [[0, 2], [4, 2]]}, {name: b, bits: 4}]}",
    ],
)
def test_forms_and_runs_are_the_bits_of_a_field_for_an_editor_too(field: str) -> None:
    text = f"mission: a\nframes:\n  main:\n    fields:\n      - {field}\n"
    assert not load(text).problems
    jsonschema.Draft7Validator(json_schema()).validate(as_editors_read(text))


def test_start_lists_the_words_in_80_columns_and_writes_the_schema(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["start", "--words"]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 80
    assert main(["start", "--editor"]) == 0
    assert json.loads(capsys.readouterr().out) == json_schema()
