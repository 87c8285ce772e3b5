"""`packetkit check`: what a schema's frames look like, what they cost, and whether they fit.

Every figure comes from packetkit.mission and packetkit.layout; this module words and draws. A fault in a schema is what this command
is for, so it is a finding (exit status 1) here and misuse in every other command.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction

import click

from packetkit import files
from packetkit.cli import output
from packetkit.cli.field_table import table_text
from packetkit.cli.page import Page
from packetkit.cli.strip import picture
from packetkit.errors import SchemaError, counted
from packetkit.layout import printed
from packetkit.layout import size as size_of
from packetkit.layout.fed import sent_text
from packetkit.layout.model import Gain, Layout, Run
from packetkit.layout.slots import Packing
from packetkit.mission import checkup, cost
from packetkit.mission.load import Mission, parse
from packetkit.radio import CAUTION, settings, staircase
from packetkit.schema.words import format_number

FINDINGS = 1
BAR_COLUMNS = 40

# -- the strip ------------------------------------------------------------------------------------------------------------------


def order_sentences(layout: Layout) -> Iterator[str]:
    """Yield which fields lie against the order of their packing, one sentence for each way."""
    ways: dict[str, list[str]] = {}
    for node in layout.walk():
        if not isinstance(node, Run):
            continue
        for slot in node.slots:
            if way := printed.order_text(slot, node.packing):
                ways.setdefault(way, []).append(slot.address)
    for way, names in ways.items():
        yield f"{way[0].upper()}{way[1:]}: {', '.join(names)}."


def strip_text(layout: Layout, page: Page) -> str:
    """Return the strip with its key and the orders in words."""
    sentences = "".join(page.wrapped(sentence) for sentence in order_sentences(layout))
    drawn = picture(layout, page.width)
    key = "".join(page.wrapped(line) for line in drawn.key)
    return f"{key}\n{page.lines(drawn.lines)}" + (f"\n{sentences}" if sentences else "")


# -- sums -----------------------------------------------------------------------------------------------------------------------


def percent(share: Fraction) -> str:
    """Return a share as percent with one decimal."""
    return f"{float(share * 100):.1f} %"


def tally_text(layout: Layout, page: Page) -> str:
    """Return the bits by kind as a table with bars."""
    told = checkup.tally(layout)
    rows: list[tuple[object, ...]] = [
        (
            kind,
            bits,
            percent(Fraction(bits, told.total_bits)),
            "█" * round(BAR_COLUMNS * bits / told.total_bits),
        )
        for kind, bits in sorted(told.by_kind.items(), key=lambda item: -item[1])
        if bits
    ]
    columns = (
        output.Column("kind"),
        output.Column("bits", ">"),
        output.Column("share", ">"),
        output.Column(""),
    )
    own = "These count the envelope's own fields too; useful above are those of the frames that it carries alone."
    return page.table(columns, rows) + (page.wrapped(own) if layout.carried else "")


def gain_words(mission: Mission, name: str, gain: Gain) -> str:
    """Return instead of what a compact form is, and how long the slowest of what takes turns keeps one waiting."""
    if gain.frames == 1:
        return gain.says
    wait_s = checkup.heard_within(mission, name, gain)
    within = "" if wait_s is None else f", {output.duration_text(float(wait_s))} at most"
    return f"{gain.says}; all are heard in {counted(gain.frames, 'frame')}{within}, if none is lost"


def gains_text(mission: Mission, name: str, page: Page) -> str:
    """Return what compact forms save at their worst; empty where there are none."""
    columns = (
        output.Column("field", fit="wrap"),
        output.Column("form"),
        output.Column("bits", ">"),
        output.Column("instead of", ">"),
        output.Column("saved", ">"),
        output.Column("which are", fit="wrap"),
    )
    rows: list[tuple[object, ...]] = [
        (
            gain.address,
            gain.form.replace("_", " "),
            gain.bits,
            gain.plain_bits,
            percent(Fraction(gain.plain_bits - gain.bits, gain.plain_bits)),
            gain_words(mission, name, gain),
        )
        for gain in mission.layouts[name].gains
    ]
    return page.table(columns, rows) if rows else ""


def carried_text(layout: Layout, page: Page) -> str:
    """Return the frames that this one carries, and how much of it they are; empty where there are none."""
    columns = (
        output.Column("field", fit="wrap"),
        output.Column("frame", fit="wrap"),
        output.Column("bytes", ">"),
        output.Column("zeros behind it", ">"),
        output.Column("of this frame", ">"),
    )
    rows: list[tuple[object, ...]] = []
    for one in layout.carried:
        low, high = -(-one.minimum_bits // 8), None if one.maximum_bits is None else -(-one.maximum_bits // 8)
        size = f"{low:,} or more" if high is None else f"{low:,}" if low == high else f"{low:,} to {high:,}"
        share = (
            "" if high is None or not layout.maximum_bytes else percent(Fraction(high, layout.maximum_bytes))
        )
        rows.append((one.address, one.frame, size, one.fill_bits // 8, share))
    return page.table(columns, rows) if rows else ""


def kinds_title(layout: Layout) -> str:
    """Return the title of the sums, which says where they are counted."""
    return "Bits by kind" + ("" if layout.is_fixed else f", at its {checkup.tally(layout).counted_at}")


def size_line(layout: Layout) -> str:
    """Return the frame's sizes in one sentence."""
    told = checkup.tally(layout)
    size = f"{printed.size_text(layout)} ({printed.bits_text(layout.minimum_bits, layout.maximum_bits)})"
    if layout.maximum_bits is None:
        open_ended = next(size_of.unbounded(layout))
        each = printed.bits_text(open_ended.minimum_bits, open_ended.maximum_bits)
        return f"{size}; {each} for each of {open_ended.address}."
    at = "" if layout.is_fixed else " at its longest"
    useful = f"{counted(told.useful_bits, 'bit')} useful ({percent(told.useful_share)})"
    return f"{size};{at} {useful}, {told.spare_bits:,} spare."


# -- checks ---------------------------------------------------------------------------------------------------------------------


def checks_text(layout: Layout, page: Page) -> str:
    """Return every check of the frame: what it is, what it covers, how it lies, what it is guaranteed to notice."""
    packings = {
        slot.number: node.packing for node in layout.walk() if isinstance(node, Run) for slot in node.slots
    }
    return "\n".join(
        check_text(layout, told, packings[told.slot.number], page) for told in checkup.protections(layout)
    )


def check_text(layout: Layout, told: checkup.Protection, packing: Packing, page: Page) -> str:
    """Return one check as lines of name and fact."""
    check = told.slot.check
    assert check is not None
    rows = [
        ("covers", covered_text(told)),
        ("parameters", ", ".join(f"{key} {value}" for key, value in check.algorithm.parameters())),
        (
            "check value",
            f"{check.algorithm.hexadecimal(check.algorithm.check)} over the nine characters 123456789",
        ),
        ("stored", printed.stored_text(told.slot, packing)),
        ("sent", sent_text(check)),
        ("fed", "bit by bit as sent" if check.in_wire_order else ""),
        ("last octet", "completed with zero bits" if check.zero_filled else ""),
        ("notices", strength_text(told)),
        ("note", check.algorithm.note),
    ]
    text = page.wrapped(
        f"{told.slot.address}: {check.algorithm.name}, {counted(check.algorithm.width, 'bit')}"
    )
    return text + "".join(page.wrapped(fact, " " * 14, f"  {name:<12}") for name, fact in rows if fact)


def covered_text(told: checkup.Protection) -> str:
    """Return what a check covers with its bits."""
    if told.least_bits is None and told.most_bits is None:
        return f"{told.covers}: as many bits as there are"
    return f"{told.covers}: {printed.bits_text(told.least_bits or 0, told.most_bits)}"


def strength_text(told: checkup.Protection) -> str:
    """Return what the check is guaranteed to notice at the longest span."""
    if told.slot.check is not None and told.slot.check.mixed is not None:
        return "not known: an error in the field that it is mixed with can hide one in the check"
    if told.slot.check is not None and told.slot.check.not_computed is not None:
        return "not known: an error may make its code that of one that was not computed"
    if told.slot.check is not None and any(number >= 0 for number in told.slot.check.fed):
        return "not known: an error in a field that is fed to it can hide one in the check"
    own = told.slot.check is not None and told.slot.check.own
    if own and told.slot.check is not None and told.slot.check.algorithm.family == "linear":
        return "not known: its own bits are among those that its span counts"
    if told.distance is None:
        return "not known: the span has no longest form"
    fewer = told.distance.value - 1
    if not fewer:
        return "not every single wrong bit: some that it covers are in none of its lists"
    sure = f"every error of up to {counted(fewer, 'bit')}" if fewer > 1 else "every single wrong bit"
    value = f"{told.distance.value}" if told.distance.exact else f"at least {told.distance.value}"
    return f"{sure} (Hamming distance {value} up to this length)"


# -- resolution -----------------------------------------------------------------------------------------------------------------


def signed(number: int) -> str:
    """Return a change: `+3`, `-2`, `0`."""
    return f"{number:+,}" if number else "0"


def signed_ms(seconds: Fraction | None) -> str:
    """Return a change of time in milliseconds, exact to the microsecond, which every setting's times are."""
    if seconds is None:
        return "?"
    return f"{float(seconds * 1000):+.3f}".rstrip("0").rstrip(".") if seconds else "0"


def steps_text(mission: Mission, name: str, page: Page) -> str:
    """Return what one step of resolution changes, where it changes anything; empty where no field has a step."""
    picture = cost.picture(mission, name)
    most = mission.layouts[name].maximum_bytes
    bounded = most is not None
    timed = most is not None and mission.link.time_on_air(most) is not None
    if not picture.costs:
        return ""

    def cells(step: cost.Step | None) -> tuple[str, str, str]:
        if step is None or step.step is None:
            return "", "", ""
        last = (
            signed_ms(step.seconds) if timed else "" if step.frame_bytes is None else signed(step.frame_bytes)
        )
        return format_number(step.step), signed(step.frame_bits if bounded else step.bits), last

    unit = "ms" if timed else "bytes"
    columns = (
        output.Column("field", fit="wrap"),
        output.Column("step now", ">", fit="wrap"),
        *(output.Column(title, ">") for side in ("finer", "coarser") for title in (side, "bits", unit)),
    )
    rows: list[tuple[object, ...]] = [
        (
            one.slot.address,
            f"{format_number(one.step)} {one.slot.unit}".rstrip(),
            *cells(one.finer),
            *cells(one.coarser),
        )
        for one in picture.costs
        if one.matters
    ]
    text = page.table(columns, rows) if rows else ""
    if not bounded:
        return text + page.wrapped("Bits of one value: the frame has no longest form.")
    closing = [
        free_text(picture),
        together_text("finer", picture.all_finer),
        together_text("coarser", picture.all_coarser),
    ]
    return text + "".join(page.wrapped(sentence) for sentence in closing if sentence)


def together_text(side: str, step: cost.Step) -> str:
    """Return what moving every field by one step at once does to the longest frame."""
    changes = [f"{signed(bits)} {noun}{'' if abs(bits) == 1 else 's'}" for bits, noun in _sizes(step)]
    if step.seconds is not None:
        changes.append(f"{signed_ms(step.seconds)} ms")
    return f"All one step {side}: {', '.join(changes)} in the longest frame."


def _sizes(step: cost.Step) -> tuple[tuple[int, str], ...]:
    return (step.frame_bits, "bit"), (step.frame_bytes or 0, "byte")


def free_text(picture: cost.Picture) -> str:
    """Return which fields have a finer step for nothing; empty where none has."""
    free = [
        f"{one.slot.address} at {format_number(one.finer.step)} {one.slot.unit}".rstrip()
        for one in picture.costs
        if one.finer is not None and one.finer.step is not None and not one.finer.bits
    ]
    return f"Finer for nothing: {', '.join(free)}." if free else ""


# -- the link ---------------------------------------------------------------------------------------------------------------------


def air_text(mission: Mission, name: str, page: Page) -> str:
    """Return the frame's time on the air and its share of the link's limit; empty where the schema has neither."""
    layout, link = mission.layouts[name], mission.link
    parts = [str(link.setting)] if link.setting is not None else []
    sizes = sorted({layout.minimum_bits // 8, layout.maximum_bytes or layout.minimum_bits // 8})
    if link.setting is not None:
        extra = f" and {link.driver_bytes} of the driver" if link.driver_bytes else ""
        for size in sizes:
            time_s = link.time_on_air(size)
            took = "more than one packet carries" if time_s is None else settings.milliseconds(time_s)
            parts.append(f"{counted(size, 'byte')}{extra}: {took}")
        if link.time_on_air(sizes[-1]) is not None:
            stair = str(staircase.staircase(link.setting, sizes[-1] + link.driver_bytes))
            parts.append(f"At {counted(sizes[-1], 'byte')}{extra}: {stair}")
    if link.maximum_frame_bytes is not None and sizes[-1] <= link.maximum_frame_bytes:
        share = percent(Fraction(sizes[-1], link.maximum_frame_bytes))
        of = f"{sizes[-1]:,} of {counted(link.maximum_frame_bytes, 'byte')}"
        parts.append(f"{of} that the link takes ({share}).")
    return "".join(page.wrapped(part) for part in parts)


def findings_text(found: tuple[checkup.Finding, ...], page: Page) -> str:
    """Return the broken limits, then the largest fields with what each would save."""
    if not found:
        return ""
    text = "".join(page.wrapped(f"Too long: {one.frame} has {one.summary}.") for one in found)
    text += page.wrapped("The largest fields:", "  ")
    for fat in found[0].fattest:
        said = "; ".join(part for part in (counted(fat.bits, "bit"), saving_text(fat)) if part)
        text += page.wrapped(f"{fat.slot.address}: {said}", "    ", "  - ")
    most = max(found, key=lambda one: one.over_bits)
    if 0 < most.saved_bits < most.over_bits:
        enough = f"Together that saves {counted(most.saved_bits, 'bit')} of the {most.over_bits:,} that are too many: "
        text += page.wrapped(
            f"{enough}take larger steps or smaller ranges, or leave a field out.", "  ", "  "
        )
    return text


def saving_text(fat: checkup.Fat) -> str:
    """Return what the next narrower form of a large field costs and saves."""
    step, slot = fat.saving, fat.slot
    if step is None:
        return (
            "a range and a resolution instead of an IEEE number would need fewer"
            if slot.kind == "float"
            else ""
        )
    saved = counted(-step.frame_bits or -step.bits, "bit")
    if step.frame_bytes:
        saved += f", {counted(-step.frame_bytes, 'byte')}"
    if step.step is None:
        return f"one bit less halves its codes and saves {saved}"
    was = printed.step(slot)
    unit = f" {slot.unit}" if slot.unit else ""
    return f"a step of {format_number(step.step)}{unit} instead of {format_number(was or Fraction(1))} saves {saved}"


# -- the whole --------------------------------------------------------------------------------------------------------------------


def frame_text(mission: Mission, name: str, page: Page, brief: bool) -> str:
    """Return everything about one frame, or with brief its size, findings and notes."""
    layout = mission.layouts[name]
    declared = cost.declared_fields(next(one for one in mission.declared.frames if one.name == name))
    every = "" if layout.cadence_s is None else f" Sent every {format_number(layout.cadence_s)} s."
    parts = [
        page.title(f"{mission.name} / {name}, fingerprint {layout.fingerprint}", "═")
        + (page.wrapped(layout.description) if layout.description else "")
        + page.wrapped(size_line(layout) + every)
    ]
    sections: tuple[tuple[str, Callable[[], str]], ...] = (
        ("Strip", lambda: strip_text(layout, page)),
        ("Fields", lambda: table_text(layout, declared, page)),
        ("Carried in it", lambda: carried_text(layout, page)),
        ("Saved by compact forms", lambda: gains_text(mission, name, page)),
        (kinds_title(layout), lambda: tally_text(layout, page)),
        ("Checks", lambda: checks_text(layout, page)),
        ("One step of resolution", lambda: steps_text(mission, name, page)),
        ("On the air", lambda: air_text(mission, name, page)),
    )
    for title, section in () if brief else sections:
        text = section()
        if text:
            parts.append(page.title(title) + text)
    closing = findings_text(checkup.findings(mission, name), page)
    closing += "".join(page.wrapped(f"Note: {note}") for note in checkup.notes(mission, name))
    return "\n".join([*parts, closing] if closing else parts)


def mission_text(mission: Mission, names: tuple[str, ...], page: Page, brief: bool) -> str:
    """Return the text of one schema."""
    count = counted(len(mission.layouts), "frame")
    head = page.wrapped(f"{mission.file}: mission {mission.name}, {count}, fingerprint {mission.fingerprint}")
    if mission.description:
        head += page.wrapped(" ".join(mission.description.split()))
    return "\n".join([head, *(frame_text(mission, name, page, brief) for name in names)])


def chosen(mission: Mission, frame: str | None) -> tuple[str, ...]:
    """Return the names of the frames to show. Raises UsageError where the one asked for is not there."""
    if frame is None:
        return tuple(mission.layouts)
    if frame not in mission.layouts:
        names = ", ".join(mission.layouts)
        raise click.UsageError(f"--frame: {mission.file} has no frame {frame!r}; it has {names}")
    return (frame,)


def read(schemas: tuple[str, ...]) -> list[Mission | tuple[str, SchemaError]]:
    """Return each schema's mission, or its name with what is wrong with it."""
    files.only_one_standard_input(*schemas)
    read: list[Mission | tuple[str, SchemaError]] = []
    for path in schemas:
        text, name = files.read_schema(path), files.shown_name(path)
        try:
            read.append(parse(text, name))
        except SchemaError as error:
            read.append((name, error))
    return read


@click.command("check")
@click.argument("schemas", nargs=-1, metavar="SCHEMA...")
@click.option("--frame", metavar="NAME", help="Show this frame only.")
@click.option("--brief", is_flag=True, help="Only sizes, findings and notes.")
@click.option("--algorithms", is_flag=True, help="List the checks that a schema can name; takes no SCHEMA.")
@output.json_option
@output.output_option
def command(
    schemas: tuple[str, ...],
    frame: str | None,
    brief: bool,
    algorithms: bool,
    as_json: bool,
    destination: str,
) -> int:
    """Validate schemas, draw their frames and say what they cost.

    For each frame: a strip of its bits in wire order, its fields, its checks and what they are guaranteed to notice, what one step of
    resolution costs or saves, its time on the air, and whether it fits the limits that the schema declares. Exit status 1: a schema is
    faulty, or a frame is over a limit.

    \b
    packetkit check first-light.yaml
    packetkit check --brief *.yaml
    packetkit check --algorithms
    """
    if algorithms == bool(schemas):
        raise click.UsageError("name a schema, or ask for --algorithms alone")
    files.not_onto_an_input(destination, *schemas)
    page = Page.at(destination)
    if algorithms:
        from packetkit.cli import check_document, check_list

        if as_json:
            output.write_json(check_document.algorithms(), destination)
        else:
            output.write(check_list.text(page), destination)
        return 0
    outcomes = read(schemas)
    missions = [(one, chosen(one, frame)) for one in outcomes if isinstance(one, Mission)]
    for one in outcomes:
        if isinstance(one, tuple):
            output.say(str(one[1]))
    if as_json:
        from packetkit.cli import check_document

        output.write_json(check_document.document(outcomes, frame), destination)
    elif missions:
        text = "\n".join(mission_text(mission, names, page, brief) for mission, names in missions)
        shown = any(mission.link.setting is not None for mission, _ in missions) and not brief
        output.write(text + ("\n" + page.wrapped(CAUTION) if shown else ""), destination)
    good = len(missions) == len(outcomes) and not any(
        checkup.findings(mission, name) for mission, names in missions for name in names
    )
    return 0 if good else FINDINGS
