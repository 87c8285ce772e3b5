"""A schema is untrusted: whatever stands in the file, reading it ends soon, in a mission or in messages.

Everything here is made, not kept. Each text goes through `packetkit check`, which is listened to while it reads, says
what was found and leaves with 1; `packetkit.load` says the same, which the smaller ones show. Sizes are those at which
work that grows faster than the text would take minutes, not the fraction of a second by which machines differ.
"""

from __future__ import annotations

import re
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.errors import InputError, SchemaError
from packetkit.mission.load import Mission, parse
from packetkit.schema.rules import RULES
from packetkit.schema.text import MAXIMUM_BYTES, MAXIMUM_NODES, MAXIMUM_PROBLEMS

# Two seconds of a quiet machine of our own for the largest text there can be, nearly all of them the YAML
# scanner's; a shared runner may be five times slower.
SECONDS = 10.0
HEAD = "mission: godwit\nframes:\n  drift:\n    fields:\n"


def fields(*lines: str) -> str:
    return HEAD + "".join(f"      - {line}\n" for line in lines)


def one(line: str) -> bytes:
    return fields(line).encode()


def many(number: int, line: str) -> bytes:
    """So many fields, `@` in the line being their number."""
    return fields(*(line.replace("@", str(index)) for index in range(number))).encode()


def bomb(letters: str = "bcdefghijkl") -> bytes:
    """Each group holds ten of the one before it: 10^11 nodes, if they were written out."""
    lines, before = ["&a {name: a, bits: 8}"], "a"
    for letter in letters:
        lines.append(f"&{letter} {{name: {letter}, group: [{', '.join([f'*{before}'] * 10)}]}}")
        before = letter
    return fields(*lines).encode()


def nested(depth: int, leaf: str = "{name: leaf, bits: 12}", how: str = "") -> bytes:
    text = leaf
    for level in range(depth):
        text = f"{{name: level_{level}, {how}group: [{text}]}}"
    return one(text)


def listed(number: int, entry: str) -> str:
    return ", ".join(entry.replace("@", str(index)) for index in range(number))


# Name, text, and the rule by which it is refused (None: it is a mission, or refused by any rules).
HOSTILE: dict[str, tuple[Callable[[], bytes], str | None]] = {
    "alias bomb": (bomb, "too-many-nodes"),
    "alias of itself": (lambda: one("&a {name: a, group: [*a]}"), "recursive-alias"),
    "10,000 fields": (lambda: many(10_000, "{name: a@, bits: 8}"), "too-many-nodes"),
    "5,000 fields": (lambda: many(5_000, "{name: a@, bits: 8}"), None),
    "10,000 flags": (lambda: one(f"{{name: all, flags: [{listed(10_000, 'a@')}]}}"), None),
    "5,000 flags of one name": (
        lambda: one(f"{{name: all, flags: [{listed(5_000, 'a')}]}}"),
        "duplicate-name",
    ),
    "10,000 missing codes": (lambda: one(f"{{name: a, bits: 64, missing: [{listed(10_000, '1@3')}]}}"), None),
    "10,000 states": (
        lambda: one(f"{{name: a, bits: 16, missing: true, states: {{{listed(10_000, '@: s@')}}}}}"),
        None,
    ),
    "10,000 tag codes": (
        lambda: one(f"{{name: a, kind: tag, bits: 32, code: [{listed(10_000, '@7')}]}}"),
        None,
    ),
    "3,000 faulty words": (lambda: many(3_000, "{name: a@, bitts: 8}"), "too-many-problems"),
    "3,000 faulty ranges": (lambda: many(3_000, "{name: a@, minimum: 8}"), "too-many-problems"),
    "3,000 faults in one line": (
        f"{{mission: a, frames: {{b: {{fields: [{listed(3_000, '{name: a@, bitts: 8}')}]}}}}}}".encode,
        "too-many-problems",
    ),
    "2,000 unknown checks": (
        lambda: many(2_000, "{name: a@, kind: check, algorithm: CRC-16/NONE-@}"),
        "algorithm-unknown",
    ),
    "2,000 checks": (lambda: many(2_000, "{name: a@, kind: check, algorithm: SUM-8}"), "too-many-checks"),
    "2,000 unknown flags": (
        lambda: many(2_000, "{name: a@, bits: 8, present_when: b@}"),
        "too-many-problems",
    ),
    "3,001 repeats": (lambda: many(3_001, "{name: a@, bits: 7, repeat: 3}"), "not-whole-bytes"),
    "1,999 options": (
        lambda: fields(
            "{name: f, kind: flag}", *(f"{{name: a{n}, bits: 3, present_when: f}}" for n in range(1_999))
        ).encode(),
        "not-whole-bytes",
    ),
    "2,000 frames": (
        (
            "mission: a\nframes:\n"
            + "".join(f"  b{n}: {{fields: [{{name: a, bits: 8}}]}}\n" for n in range(2_000))
        ).encode,
        "too-many-problems",
    ),
    "300 repeats of 60 variable elements": (
        lambda: many(
            300, "{name: a@, repeat: 60, group: [{name: g, kind: flag}, {name: h, bits: 7, present_when: g}]}"
        ),
        "not-whole-bytes",
    ),
    "brackets 1,000 deep": ((HEAD + "      - " + "[" * 1_000 + "]" * 1_000).encode, "too-deep"),
    "brackets without end": (lambda: b"[" * MAXIMUM_BYTES, "too-deep"),
    "groups 1,000 deep": (lambda: nested(1_000), "too-deep"),
    "groups 29 deep": (lambda: nested(29), "not-whole-bytes"),
    "repeats 28 deep": (lambda: nested(28, how="repeat: 2, "), "frame-too-long"),
    "repeats 28 deep, of many sizes": (
        lambda: nested(
            28, "{name: leaf, bits: 3}, {kind: reserved, up_to: byte}, {name: more, bits: 5}", "repeat: 2, "
        ),
        None,
    ),
    "indented 1,000 deep": (
        lambda: "".join(f"{' ' * level}a:\n" for level in range(1_000)).encode(),
        "too-deep",
    ),
    "empty": (lambda: b"", "empty-file"),
    "blank": (lambda: b" \n\n\n", "empty-file"),
    "a byte-order mark alone": (lambda: b"\xef\xbb\xbf", "empty-file"),
    "a byte-order mark inside": (lambda: one("{name: a\ufeff, bits: 8}"), "unusable-character"),
    "UTF-16": (lambda: fields("{name: a, bits: 8}").encode("utf-16"), "text-encoding"),
    "UTF-32": (lambda: fields("{name: a, bits: 8}").encode("utf-32"), "text-encoding"),
    "Latin-1": (lambda: "description: Río\n".encode("latin-1") + one("{name: a, bits: 8}"), "text-encoding"),
    "binary junk": (lambda: bytes((17 * n * n + n) % 256 for n in range(4_096)), None),
    "a program": (lambda: b"\x7fELF\x02\x01\x01" + bytes(57), "unusable-character"),
    "NUL octets": (lambda: bytes(1_000), None),
    "a NUL inside": (lambda: one("{name: a\0b, bits: 8}"), "unusable-character"),
    "tabs": (lambda: one("{name: a, bits: 8}").replace(b"      ", b"\t"), "tab"),
    "1 MiB and one": (lambda: b"#" * (MAXIMUM_BYTES + 1), "file-too-large"),
    "1 MiB of comment": (lambda: b"#" * MAXIMUM_BYTES, "empty-file"),
    "1 MiB of line breaks": (lambda: b"\n" * MAXIMUM_BYTES, "empty-file"),
    "1 MiB of name": ((HEAD + "      - {name: " + "a" * 1_000_000 + "}").encode, None),
    "1 MiB of key": (lambda: one("{name: a, " + "b" * 1_000_000 + ": 1}"), None),
    "1 MiB of digits": (lambda: one("{name: a, bits: " + "9" * 1_000_000 + "}"), "bad-number"),
    "1 MiB of quotes": (lambda: one('{name: "' + "'" * 1_000_000 + '"}'), "bad-name"),
    "1 MiB of tags": (lambda: b"!" * 1_000_000, None),
    "1 MiB of words": (lambda: b"a: [" + b"x," * 520_000 + b"]", "too-many-nodes"),
    "1 MiB of description": (
        lambda: one("{name: a, bits: 8, description: '" + "word " * 200_000 + "'}"),
        None,
    ),
}


class Listener:
    """Stands where `check` reads a schema: lets it be read, once, and keeps what came of it.

    A mission is not drawn, as this is about reading: `check` ends with 2.
    """

    def __init__(self) -> None:
        self.calls = 0
        self.found: SchemaError | None = None

    def __call__(self, data: bytes, name: str) -> Mission:
        self.calls += 1
        try:
            parse(data, name)
        except SchemaError as error:
            self.found = error
            raise
        raise InputError("a mission")


def read(data: bytes) -> Mission | SchemaError:
    try:
        return parse(data, "hostile.yaml")
    except SchemaError as error:
        return error


def assert_is_fit_to_print(error: SchemaError) -> None:
    """Known rules, places, short messages, and nothing that could steer a terminal."""
    assert 1 <= len(error.problems) <= MAXIMUM_PROBLEMS + 1
    for problem in error.problems:
        assert problem.rule in RULES
        assert problem.position.line >= 1 and problem.position.column >= 1
        assert problem.summary and len(problem.summary) < 400
        assert len(str(problem)) < 2_000
    assert all(line.isprintable() for line in str(error).splitlines())


# Up to here a text is read by `packetkit.load`, too; what that does alike needs no second reading of the largest.
TWICE_BYTES = 50_000

# Seconds, most of them the YAML scanner's.
LARGE = re.compile(r"[0-9]{2},[0-9]{3} |[2-9],[0-9]{3} |1 MiB of (words|line)|1,999")


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.slow if LARGE.search(name) else ()) for name in HOSTILE]
)
def test_a_hostile_file_ends_soon_in_a_mission_or_in_the_same_messages_from_load_and_check(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    make, rule = HOSTILE[name]
    path, data, listener = tmp_path / "hostile.yaml", make(), Listener()
    path.write_bytes(data)
    monkeypatch.setattr("packetkit.cli.check.parse", listener)
    start = time.process_time()
    status = main(["check", str(path)])
    printed = capsys.readouterr()
    assert time.process_time() - start < SECONDS and listener.calls == 1
    assert "Traceback" not in printed.out
    if listener.found is None:
        assert (status, rule, printed.err) == (2, None, "packetkit check: a mission\n")
        return
    told = str(listener.found)
    assert (status, printed.err) == (1, f"{told}\n")
    assert len(told) < 100_000
    assert_is_fit_to_print(listener.found)
    assert rule is None or rule in {problem.rule for problem in listener.found.problems}
    if len(data) <= TWICE_BYTES:
        with pytest.raises(SchemaError) as caught:
            packetkit.load(str(path))
        assert str(caught.value) == told


def test_an_alias_bomb_takes_no_more_memory_than_its_text_could() -> None:
    tracemalloc.start()
    try:
        read(bomb())
        read(nested(1_000))
        read(b"a: &a [" + b"1," * 20_000 + b"]\n" + b"".join(b"b%d: *a\n" % n for n in range(1_000)))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < MAXIMUM_NODES * 2_000


def test_a_directory_and_a_file_that_is_not_there_are_refused_by_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path, reason in (
        (tmp_path, "this is a directory"),
        (tmp_path / "none.yaml", "there is no such file"),
    ):
        with pytest.raises(InputError, match=reason):
            packetkit.load(str(path))
        assert main(["check", str(path)]) == 2
        assert reason in capsys.readouterr().err


def test_a_byte_order_mark_in_front_and_windows_line_ends_change_nothing(tmp_path: Path) -> None:
    plain = fields("{name: a, bits: 8}", "{name: b, bits: 16, order: little}").encode()
    for data in (b"\xef\xbb\xbf" + plain, plain.replace(b"\n", b"\r\n"), plain.replace(b"\n", b"\r")):
        path = tmp_path / "good.yaml"
        path.write_bytes(data)
        assert packetkit.load(str(path)).fingerprint == parse(plain).fingerprint


# -- names and texts

NAMES = {
    "int": "reserved-name",
    "class": "reserved-name",
    "while": "reserved-name",
    '"a\\"b"': "bad-name",
    "'it''s'": "bad-name",
    "<script>alert(1)</script>": "bad-name",
    "../../etc/passwd": "bad-name",
    '"a\\nb"': "bad-name",
    '"\\e[31mred"': "bad-name",
    "a b": "bad-name",
    "1st": "bad-name",
    "_x": "bad-name",
    "Änderung": "bad-name",
    "а": "bad-name",  # a Cyrillic letter that looks like an a
    "a" * 41: "bad-name",
    '""': "bad-name",
    "%s%n": "yaml-syntax",
    "!a": "explicit-tag",
}
PLACES = {
    "frame": "mission: godwit\nframes:\n  @: {fields: [{name: a, bits: 8}]}\n",
    "field": fields("{name: @, bits: 8}"),
    "group": fields("{name: @, group: [{name: a, bits: 8}]}"),
    "flag": fields("{name: all, flags: [@]}", "{kind: reserved, bits: 7}"),
    "check": fields("{name: a, bits: 8}", "{name: @, kind: check, algorithm: SUM-8}"),
}


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("place", PLACES)
def test_a_name_that_a_target_could_not_carry_is_refused(place: str, name: str) -> None:
    found = read(PLACES[place].replace("@", name).encode())
    assert isinstance(found, SchemaError)
    assert_is_fit_to_print(found)
    assert NAMES[name] in {problem.rule for problem in found.problems} or (place, name) == ("frame", '""')


@pytest.mark.parametrize("place", PLACES)
def test_the_longest_plain_name_is_taken(place: str) -> None:
    assert isinstance(read(PLACES[place].replace("@", "a" * 40).encode()), Mission)


TEXTS = {
    "unit": "{name: a, bits: 8, unit: @}",
    "state": "{name: a, bits: 8, states: {0: @}}",
    "reason": "{name: a, bits: 8, missing: {code: 255, reason: @}}",
}


@pytest.mark.parametrize("place", TEXTS)
def test_a_text_for_people_is_one_line_that_prints(place: str) -> None:
    for text in ('"<b>\'\\"&%s\\\\"', "µT", '"x"', '"' + "y" * 80 + '"'):
        assert isinstance(read(one(TEXTS[place].replace("@", text))), Mission)
    for text in ('"a\\nb"', '"\\e[31m"', '"\\u202eabc"', '"a\\0"', '" "', '"' + "y" * 81 + '"'):
        found = read(one(TEXTS[place].replace("@", text)))
        assert isinstance(found, SchemaError)
        assert {problem.rule for problem in found.problems} == {"bad-text"}
        assert_is_fit_to_print(found)


# -- numbers, in every key that takes one

NUMBERS = (
    "1e60",
    "-1e60",
    "1e-60",
    "9" * 40,
    "-" + "9" * 40,
    "0x" + "f" * 40,
    "1/" + "9" * 40,
    "9" * 40 + "/7",
    "0",
    "-1",
    "0.1",
    ".nan",
    "0o17",
    "~",
)
# No numbers of the language, whatever takes them.
BEYOND = ("1e61", "1e999999999", "9" * 41, "9" * 100_000, "1/0", ".inf", "08", "1_000")
NUMERIC_KEYS = {
    "bits": "{name: a, bits: @}",
    "bits of a float": "{name: a, kind: float, bits: @}",
    "bits of a flag": "{name: a, kind: flag, bits: @}",
    "bits of a count": "{name: a, kind: count, bits: @}",
    "bits of reserved": "{kind: reserved, bits: @}",
    "bits of a check": "{name: a, kind: check, algorithm: SUM-8, bits: @}",
    "bits by meaning": "{name: a, minimum: 0, maximum: 9, bits: @}",
    "scale": "{name: a, bits: 8, scale: @}",
    "offset": "{name: a, bits: 64, offset: @}",
    "minimum": "{name: a, minimum: @, maximum: 9, resolution: 1}",
    "maximum": "{name: a, minimum: 0, maximum: @, resolution: 1}",
    "resolution": "{name: a, minimum: 0, maximum: 9, resolution: @}",
    "minimum by wire": "{name: a, bits: 8, scale: 1, minimum: @}",
    "maximum of a float": "{name: a, kind: float, bits: 16, maximum: @}",
    "code": "{name: a, kind: tag, bits: 8, code: @}",
    "codes": "{name: a, kind: tag, bits: 8, code: [1, {from: 0, to: @}]}",
    "missing": "{name: a, bits: 8, missing: @}",
    "missing by meaning": "{name: a, minimum: 0, maximum: 9, resolution: 1, missing: [@]}",
    "missing of a range": "{name: a, bits: 8, missing: {from: @, to: 255}}",
    "at_least": "{name: a, minimum: 0, maximum: 9, resolution: 1, at_least: @}",
    "at_most": "{name: a, bits: 8, at_most: @}",
    "default": "{name: a, bits: 8, default: @}",
    "default of a float": "{name: a, kind: float, bits: 64, default: @}",
    "states": "{name: a, bits: 8, states: {@: safe}}",
    "modulus": "{name: a, bits: 8, role: sequence, modulus: @}",
    "tick_s": "{name: a, bits: 8, role: clock, tick_s: @}",
    "repeat": "{name: a, bits: 8, repeat: @}",
    "repeat count": "{name: a, bits: 8, repeat: {count: @}}",
    "repeat maximum": "{name: a, bits: 8, repeat: {to_end: true, maximum: @}}",
    "maximum of a count": "{name: a, kind: count, bits: 8, maximum: @}",
    "present_when": "{name: f, bits: 8, present_when: {f: @}}",
    "word_bits": "{name: a, word_bits: @, order: little, group: [{name: b, bits: 16}]}",
    "CRC width": "{name: a, kind: check, algorithm: {width: @, polynomial: 7}}",
    "CRC polynomial": "{name: a, kind: check, algorithm: {width: 8, polynomial: @}}",
    "CRC initial": "{name: a, kind: check, algorithm: {width: 8, polynomial: 7, initial: @}}",
    "CRC final_xor": "{name: a, kind: check, algorithm: {width: 8, polynomial: 7, final_xor: @}}",
}
NUMERIC_TAILS = {
    "cadence_s": "frames: {drift: {cadence_s: @, fields: [{name: a, bits: 8}]}}",
    "maximum_frame_bytes": "link: {maximum_frame_bytes: @}",
    "driver_bytes": "link: {driver_bytes: @}",
    "gap_s": "link: {gap_s: @}",
    "share_of_hour_percent": "link: {share_of_hour_percent: @}",
    "spreading_factor": "link: {chirp: {spreading_factor: @, bandwidth_khz: 125}}",
    "bandwidth_khz": "link: {chirp: {spreading_factor: 10, bandwidth_khz: @}}",
    "preamble_symbols": "link: {chirp: {spreading_factor: 10, bandwidth_khz: 125, preamble_symbols: @}}",
    "frequency_mhz": "link: {chirp: {spreading_factor: 10, bandwidth_khz: 125, frequency_mhz: @}}",
    "altitude_km": "passes: {altitude_km: @, minimum_elevation_deg: 10}",
    "minimum_elevation_deg": "passes: {altitude_km: 510, minimum_elevation_deg: @}",
    "duration_s": "passes: {duration_s: @}",
    "per_day": "passes: {duration_s: 600, per_day: @}",
}


def with_number(key: str, number: str) -> bytes:
    if key in NUMERIC_KEYS:
        return one(NUMERIC_KEYS[key].replace("@", number))
    tail = NUMERIC_TAILS[key].replace("@", number)
    frames = "" if tail.startswith("frames") else "frames: {drift: {fields: [{name: a, bits: 8}]}}\n"
    return f"mission: godwit\n{frames}{tail}\n".encode()


# What is no number in a default, a condition or a counter may be a word. And a key has at most 1,024 characters.
NO_NUMBER = {"bad-number", "default-unfit", "condition-unknown", "condition-codes", "yaml-syntax"}


@pytest.mark.parametrize("key", [*NUMERIC_KEYS, *NUMERIC_TAILS])
def test_every_number_is_taken_or_refused_whatever_its_size_and_none_has_more_than_forty_digits_and_an_exponent_of_sixty(
    key: str,
) -> None:
    start = time.process_time()
    for number in (*NUMBERS, *BEYOND):
        found = read(with_number(key, number))
        if isinstance(found, SchemaError):
            assert_is_fit_to_print(found)
        else:
            assert found.fingerprint
        if number in BEYOND:
            assert isinstance(found, SchemaError)
            rules = {problem.rule for problem in found.problems}
            assert rules & NO_NUMBER, (number[:60], rules)
    assert time.process_time() - start < SECONDS
