"""The day plan: hour by hour from loose modules to a decoded downlink, as a table; a document is rendered from it.

Each step says what to do, which commands, and what to see. One frame is made at three levels (the page, interpreted Python, C);
all end in the same bytes, which are printed beside each. Words in braces are facts of the mission. Another language is another row of DAYS.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from packetkit.lab.experiment import LabError
from packetkit.lab.sheets import Item, Sheet
from packetkit.layout.model import Layout, Repeat, Run
from packetkit.layout.slots import Slot
from packetkit.mission.load import Mission


class Command(NamedTuple):
    """One command, what to see in what it prints (empty: nothing special), and its exit status, which may be a fact, too."""

    line: str
    see: str = ""
    status: str = "0"


# What a step, or a paragraph of one, may need of the schema.
RADIO, WIRED, HOST = "a radio", "no radio", "a host with a frame that has a cadence"


class Only(NamedTuple):
    """A paragraph for some missions alone."""

    needs: str
    words: str


class Step(NamedTuple):
    """One step of the day. needs: of RADIO, WIRED and HOST, empty for every mission."""

    time: str
    title: str
    words: tuple[str | Only, ...]
    commands: tuple[Command, ...] = ()
    needs: str = ""


_ENGLISH: tuple[Step, ...] = (
    Step(
        "09:00",
        "Loose modules",
        (
            Only(
                RADIO,
                "Lay out board, sensors, radio, antenna, battery. Screw the antenna on first: a radio that sends without one can break.",
            ),
            Only(WIRED, "Lay out board, sensors, battery, and the cable to whatever takes the frames."),
            "Lithium cells: follow the maker's limits, never charge one unattended, stop with one that is warm or swollen.",
            Only(
                RADIO,
                "Local spectrum rules, licences and licensed operators decide what may be sent, and where; airborne use may be restricted.",
            ),
        ),
    ),
    Step(
        "09:20",
        "One schema for everybody",
        (
            "The class works with {file}. See its frames bit by bit, and what checks notice. Pin the interface document to the wall.",
        ),
        (
            Command("packetkit check {file}", "{frame}"),
            Command("packetkit generate {file} --target document -o wall", "{c_name}"),
        ),
    ),
    Step(
        "09:45",
        "The first frame, level 1: the page",
        (
            (
                "Open page.html in a browser, type the values of first.jsonl, one record of {frame}: {size} bytes. The page shows the "
                "bytes that packetkit prints. Change one value, see which bits and bytes moved; then put it back."
            ),
        ),
        (
            Command("packetkit explore {file} -o page.html", ""),
            Command("packetkit encode {file} first.jsonl --frame {frame}", "{hex}"),
            Command('packetkit decode {file} --frame {frame} --text "{hex}" --format jsonl', "{first_value}"),
            Command('packetkit bytes {file} --frame {frame} "{hex}"', "{first_field}"),
        ),
    ),
    Step(
        "10:15",
        "The first frame, level 2: interpreted Python",
        (
            "The same record with generated code that needs nothing of packetkit. first.py is a few lines: read them.",
        ),
        (
            Command("packetkit generate {file} --target python -o ground", "{python_file}"),
            Command("python3 first.py", "{hex}"),
        ),
    ),
    Step(
        "10:45",
        "The first frame, level 3: C",
        (
            (
                "The same record with the code that flies. first.c puts raw codes into a struct; the header says what each code means. The "
                "bytes must be the same as before: if not, stop and find out why."
            ),
        ),
        (
            Command("packetkit generate {file} --target c -o flight", "{c_name}.h"),
            Command("cc -I flight -o first first.c flight/{c_name}.c", ""),
            Command("./first", "{hex}"),
        ),
    ),
    Step(
        "11:30",
        "Proof",
        (
            "Every value must come back, whatever it is. The vectors are what every codec of this mission is held to.",
        ),
        (
            Command("packetkit fuzz {file} --frame {frame} --examples 100 --seed 1", "all of it holds"),
            Command("packetkit vectors {file} -o vectors.json", ""),
            Command("packetkit vectors {file} --verify vectors.json", "vectors agree"),
        ),
    ),
    Step(
        "12:00",
        "The unit's self-test line",
        (
            (
                "Build the example, start it, and paste the first line that it prints back. On a board it comes over the serial port. A "
                "unit that was built from another schema is found here, not in the air."
            ),
        ),
        (
            Command("cc -D{c_upper}_TURNS=1 -I flight -o unit flight/*.c", ""),
            Command("./unit", "{mission} {fingerprint}"),
            Command('packetkit vectors {file} --self-test "$(./unit | head -n 1)"', "as the schema says"),
        ),
    ),
    Step(
        "13:30",
        "Radio bring-up: the same settings at both ends",
        (
            (
                "Set both radios, line by line, and let two people read them to each other. The ground's own schema is compared with the "
                "first. Then the shortest distance: both antennas on, a few metres apart, least power."
            ),
        ),
        (
            Command("packetkit settings {file}", "spreading factor"),
            Command("packetkit settings {file} {file}", "Both ends agree"),
        ),
        RADIO,
    ),
    Step(
        "14:00",
        "What it costs in the air",
        ("Time on air of this frame, step by step, and what {listening} brings.",),
        (
            Command("packetkit airtime --bytes {on_air} {setting_options}", "time on air"),
            Command("packetkit budget {file}{pass_options}", "{frame}", "{budget_status}"),
        ),
        RADIO,
    ),
    Step(
        "14:15",
        "What the host takes",
        (
            "The host has a quota: so many messages a day, of so many bytes. See whether what is measured fits into it, and what would.",
        ),
        (
            Command("packetkit passes {file}", "messages a day"),
            Command("packetkit plan {file}", "a daily quota", "{quota_status}"),
        ),
        HOST,
    ),
    Step(
        "14:30",
        "Dry run at the desk",
        (
            "A flight that has not happened yet: frames get lost, readings go missing. The table of values is what the real one will fill.",
        ),
        (
            Command(
                "packetkit simulate {file} --minutes 10 --loss 10% --damage 0% --junk 0% --seed 7 -o flight.capture",
                "",
            ),
            Command("packetkit decode {file} flight.capture --format csv -o values.csv", "Good frames"),
        ),
    ),
    Step(
        "15:00",
        "The downlink",
        (
            Only(
                RADIO,
                "Switch the unit on, carry it away, and record at the ground what the receiver prints, one line a frame.",
            ),
            Only(
                WIRED,
                "Connect the unit, switch it on, and record what arrives at the other end, one line a frame.",
            ),
            (
                "Decode the log as above, with its own name. Nothing decodes? Ask why: bytes in the wrong order, text for bytes, four "
                "bytes in front."
            ),
        ),
        (Command("packetkit diagnose {file} flight.capture", ""),),
    ),
    Step(
        "16:00",
        "Go or no-go",
        (
            "[ ] The fingerprint on both ends is {fingerprint}.",
            "[ ] The three levels gave the same bytes, and the self-test line of this very unit was accepted.",
            Only(
                RADIO,
                "[ ] Both ends have the same settings, read aloud; the antenna is on; whoever holds the licence agrees.",
            ),
            Only(
                RADIO,
                "[ ] A frame was received at the distance that matters, and the battery lasts twice the flight.",
            ),
            Only(WIRED, "[ ] A frame of this very unit arrived at the other end and was decoded there."),
            Only(HOST, "[ ] What is measured in a day fits into the host's quota."),
            "[ ] Nobody depends on this link for recovery, range safety or air traffic.",
            "One line without a mark is a no-go. A no-go is a good result: the date can wait, the unit cannot come back by itself.",
        ),
    ),
)

DAYS: dict[str, tuple[Step, ...]] = {"en": _ENGLISH}
TITLES = {"en": ("The day", "from loose modules to a decoded downlink", "You see")}


# ---- the frame that is made three times


def flat_frame(mission: Mission, name: str | None = None) -> str:
    """The frame that is asked for, else the first that C takes as plain numbers: of fixed size. Raises LabError."""
    able = [one for one, layout in mission.layouts.items() if _is_flat(layout)]
    if name is not None and name not in able:
        reason = (
            "is of no fixed size, or holds more than numbers"
            if name in mission.layouts
            else "is no frame of it"
        )
        raise LabError(
            f"{mission.name}: {name} {reason}; the day can be made with {', '.join(able) or 'none of its frames'}"
        )
    if not able:
        raise LabError(
            f"{mission.name} has no frame of fixed size that holds numbers only; the day needs one to begin with"
        )
    return name or able[0]


KINDS = frozenset("number float states flag tag constant sync reserved check".split())


def _is_flat(layout: Layout) -> bool:
    whole = all(
        isinstance(node, Run) or (isinstance(node, Repeat) and node.is_fixed and node.joined is None)
        for node in layout.walk()
    )
    plain = all(
        slot.kind in KINDS and not slot.coding and slot.width <= 32 for slot in layout.slots if slot.is_value
    )
    return whole and plain and layout.is_fixed and not layout.supplied and bool(_value_slots(layout))


def _value_slots(layout: Layout) -> list[Slot]:
    return [slot for slot in layout.slots if slot.is_value]


def codes(layout: Layout, detail: Mapping[str, Any]) -> Iterator[tuple[tuple[str | int, ...], int]]:
    """Each value's place in a record, list indices included, with its raw code, from a detail record."""
    yield from _codes(layout.nodes, detail, ())


def _codes(
    nodes: tuple[Any, ...], detail: Any, before: tuple[str | int, ...]
) -> Iterator[tuple[tuple[str | int, ...], int]]:
    for node in nodes:
        if isinstance(node, Run):
            for slot in node.slots:
                if slot.is_value:
                    leaf = _reached(detail, slot.path)
                    yield (*before, *slot.path), leaf["raw"]
        else:
            for index, element in enumerate(_reached(detail, node.path)):
                yield from _codes(node.element, element, (*before, *node.path, index))


def _reached(detail: Any, path: tuple[str, ...]) -> Any:
    for key in path:
        detail = detail[key]
    return detail


# ---- the document


def plan(
    mission: Mission, facts: Mapping[str, str], language: str = "en"
) -> list[tuple[Step, tuple[Command, ...]]]:
    """The steps that this mission's schema says enough for, each with its commands, facts filled in."""
    has = {"", WIRED if mission.link.setting is None else RADIO, *([HOST] if has_quota(mission) else [])}
    return [
        (
            step._replace(words=tuple(_paragraphs(step, has, facts))),
            tuple(Command(*(text.format_map(facts) for text in one)) for one in step.commands),
        )
        for step in DAYS[language]
        if step.needs in has
    ]


def has_quota(mission: Mission) -> bool:
    """True where a host takes messages and a cadence tells what a day measures."""
    timed = any(layout.cadence_s is not None for layout in mission.layouts.values())
    return timed and mission.passes is not None and mission.passes.host is not None


def _paragraphs(step: Step, has: set[str], facts: Mapping[str, str]) -> Iterator[str]:
    for one in step.words:
        words, needs = (one, "") if isinstance(one, str) else (one.words, one.needs)
        if needs in has:
            yield words.format_map(facts)


def sheet(mission: Mission, facts: Mapping[str, str], language: str = "en") -> Sheet:
    """The plan as one page or two, in the structure of worksheets."""
    title, beside, see = TITLES[language]
    items = []
    for step, commands in plan(mission, facts, language):
        texts = [str(words) for words in step.words]
        for command in commands:
            status = f"  # exit status {command.status}" if command.status != "0" else ""
            texts.append(f"sh:{command.line}{status}")
            if command.see:
                texts.append(f"{see}: {command.see}")
        items.append(Item(f"{step.time} {step.title}", tuple(texts), ""))
    return Sheet(f"{title}: {mission.name}", f"{mission.fingerprint}", f"{beside}.", tuple(items))
