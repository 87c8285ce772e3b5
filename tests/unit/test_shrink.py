"""Shrinking: what is left is as small as it can be, still fails, and is found in a bounded number of tries."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from packetkit.fuzz import shrink
from packetkit.fuzz.entries import Entry, text_of
from packetkit.mission.load import parse


def test_a_record_shrinks_to_what_the_failure_needs() -> None:
    record = {"a": 77, "group": {"b": 12, "c": [1, 2, {"d": 900}, 4]}, "e": None}

    def fails(candidate: Any) -> bool:
        group = candidate.get("group", {})
        return any(isinstance(one, dict) and (one.get("d") or 0) >= 100 for one in group.get("c", []))

    small = shrink.smaller(record, fails)
    assert list(small) == ["group"] and list(small["group"]) == ["c"]
    assert len(small["group"]["c"]) == 1 and 100 <= small["group"]["c"][0]["d"] < 200


def test_bytes_shrink_to_the_bits_that_matter() -> None:
    found = shrink.smaller(bytes(range(50)), lambda data: len(data) > 2 and bool(data[2] & 2))
    assert found == b"\x00\x00\x02"


def test_fractions_become_whole_where_that_fails_too() -> None:
    assert shrink.smaller({"a": Fraction(8)}, lambda record: record.get("a", 0) == 8) == {"a": 8}


def test_a_failure_that_needs_everything_is_left_as_it_is() -> None:
    record = {"a": 1, "b": [0]}
    assert shrink.smaller(record, lambda candidate: candidate == record) == record


def test_tries_are_bounded() -> None:
    tried = []

    def never(candidate: Any) -> bool:
        tried.append(candidate)
        return False

    shrink.smaller({str(n): list(range(20)) for n in range(40)}, never, cuts=50)
    assert len(tried) == 50


def test_a_schema_shrinks_to_the_field_that_fails_and_still_loads() -> None:
    tree = {
        "sheet": {
            "strict": True,
            "fields": [
                {"name": "a", "bits": 7, "unit": "V"},
                {
                    "name": "g",
                    "group": [{"name": "b", "kind": "flag"}, {"name": "c", "bits": 12, "signed": True}],
                },
                {"kind": "reserved", "up_to": "byte"},
            ],
        }
    }

    def fails(frames: dict[str, Entry]) -> bool:
        text = text_of(frames)
        try:
            layout = parse(text).layouts["sheet"]
        except Exception:  # noqa: BLE001  # a cut that does not load shows nothing
            return False
        return any(slot.signed for slot in layout.slots)

    small = shrink.smaller_schema(tree, fails)
    assert [one.get("name") for one in small["sheet"]["fields"]] == ["c"] or len(
        small["sheet"]["fields"]
    ) == 2
    assert "strict" not in small["sheet"] and fails(small)
