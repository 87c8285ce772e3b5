"""Files out of the order of their time are told by what their counters read first and last; expected verdicts are worked by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

import packetkit
from packetkit.captures.account import Account
from packetkit.captures.stream import events
from packetkit.cli.main import main

FIELDS = {
    "sequence": "      - {name: sequence, bits: 12, role: sequence}\n      - {kind: reserved, bits: 4}\n",
    "boot": "      - {name: boots, bits: 8, role: boot}\n",
    "clock": "      - {name: uptime, bits: 24, role: clock, tick_s: 1}\n",
}


def mission(*roles: str) -> packetkit.Mission:
    fields = "".join(FIELDS[role] for role in roles)
    return packetkit.parse(
        f"mission: m\nframes:\n  f:\n    cadence_s: 10\n    fields:\n      - {{name: sync, kind: sync, bits: 16, code: 0xD391}}\n{fields}"
        "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
    )


def part(made: packetkit.Mission, numbers: range, boot: int = 0, clock: int = 0) -> bytes:
    """Frames with these numbers; the clock goes on by ten seconds each, from `clock` at number 0."""
    names = {slot.address for slot in made.layouts["f"].slots if slot.is_value}
    values = ({"sequence": n % 4096, "boots": boot, "uptime": clock + 10 * n} for n in numbers)
    return b"".join(
        made.frames["f"].encode({name: value for name, value in one.items() if name in names})
        for one in values
    )


ALL = ("sequence", "boot", "clock")
FIRST, SECOND, THIRD = range(50), range(50, 100), range(100, 150)


@pytest.mark.parametrize(
    ("roles", "parts", "told"),
    [
        (ALL, [(FIRST, 0), (SECOND, 0), (THIRD, 0)], []),
        (ALL, [(FIRST, 0), (THIRD, 0), (SECOND, 0)], [2]),
        (ALL, [(SECOND, 0), (FIRST, 0)], [1]),
        (ALL, [(SECOND, 0), (FIRST, 1)], []),  # a restart, and a boot counter that says so
        (ALL, [(FIRST, 1), (SECOND, 0)], [1]),  # the boot before comes after
        (("sequence", "clock"), [(SECOND, 0), (range(10), 0)], []),  # may be a restart
        (("sequence", "clock"), [(FIRST, 0), (THIRD, 0), (SECOND, 0)], [2]),
        (("sequence",), [(FIRST, 0), (THIRD, 0), (SECOND, 0)], [2]),
        (("sequence",), [(SECOND, 0), (FIRST, 0)], [1]),  # 49 leads to 50
        (("sequence",), [(range(4000, 4090), 0), (range(4096, 4200), 0)], []),  # a wrap
        (("sequence",), [(FIRST, 0), (range(45, 90), 0)], []),  # late ones
        ((), [(FIRST, 0), (SECOND, 0)], []),
    ],
)
def test_a_file_before_which_counters_run_backwards_is_told(
    roles: tuple[str, ...], parts: list[tuple[range, int]], told: list[int]
) -> None:
    made = mission(*roles)
    account = Account.of(made.layouts)
    for name, (numbers, boot) in enumerate(parts):
        account.begin(str(name), "binary")
        for event in events(made.frames, [part(made, numbers, boot)]):
            account.add(event)
    account.finish()
    assert account.backwards == [(str(one - 1), str(one)) for one in told]


def test_decode_asks_whether_files_are_in_the_order_of_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = mission(*ALL)
    monkeypatch.chdir(tmp_path)
    schema = Path("m.yaml")
    schema.write_text(
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: sync, kind: sync, bits: 16, code: 0xD391}\n"
        + "".join(FIELDS.values())
        + "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
    )
    for name, numbers in (("part1", FIRST), ("part10", THIRD), ("part2", SECOND)):
        Path(name).write_bytes(part(made, numbers))
    for extra in ((), ("--workers", "2")):
        main(["decode", str(schema), "part1", "part10", "part2", "--format", "jsonl", *extra])
        said = capsys.readouterr().err
        assert "The counters run backwards from part10 to part2. Are the files in the order of\ntime?" in said
    main(["decode", str(schema), "part1", "part2", "part10", "--format", "jsonl"])
    assert "backwards" not in capsys.readouterr().err


def test_an_input_that_is_given_twice_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = mission(*ALL)
    monkeypatch.chdir(tmp_path)
    for name, numbers in (("a", FIRST), ("b", SECOND), ("c", FIRST)):
        Path(name).write_bytes(part(made, numbers))
    Path("l").symlink_to("b")
    Path("empty").write_bytes(b"")
    Path("empty2").write_bytes(b"")
    from packetkit.files import twins

    assert twins(["a", "b", "-", "empty", "c", "l", "./a", "empty2"]) == [
        ("a", "c", False), ("b", "l", True), ("a", "./a", True),
    ]  # fmt: skip
    schema = tmp_path / "m.yaml"
    schema.write_text(
        "mission: m\nframes:\n  f:\n    fields:\n      - {name: sync, kind: sync, bits: 16, code: 0xD391}\n"
        + "".join(FIELDS.values())
        + "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}\n"
    )
    for command, files, told in (
        ("decode", ("a", "b", "c"), "packetkit decode: c: it has the same bytes as a, and its frames are counted twice"),
        ("merge", ("b", "l"), "packetkit merge: l: it is the same file as b, and it counts as two of them"),
        ("reconcile", ("a", "a"), "packetkit reconcile: a: it is named twice, and it counts as two of them"),
    ):  # fmt: skip
        main([command, str(schema), *files])
        assert told in capsys.readouterr().err
