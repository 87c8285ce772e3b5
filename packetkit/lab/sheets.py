"""Worksheets and their key as pages: one structure, written as HTML that prints clean on A4 and Letter, and as Markdown."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from html import escape
from typing import NamedTuple

from packetkit.lab.tasks import Class, Task, decimal_text
from packetkit.lab.words import ENGLISH, Words
from packetkit.layout.model import Layout, Run

# What a paragraph in a fixed width begins with: plain text, or commands.
FIXED = {"pre:": "text", "sh:": "sh"}

COLUMNS = ("sheet", "student", "task", "answer")

# Sizes in points and millimetres: what a printer knows. A task is never torn apart, a student begins a page. Greys only.
STYLE = """
@page { margin: 12mm 14mm }
body { font: 10pt/1.35 "Liberation Sans", Arial, Helvetica, sans-serif; color: #000; max-width: 182mm; margin: 0 auto }
section { break-after: page }
section:last-child { break-after: auto }
h1 { font-size: 15pt; margin: 0; border-bottom: 1.5pt solid #000 }
h1 small { font-weight: normal; font-size: 10pt; float: right; padding-top: 4pt }
h2 { font-size: 11pt; margin: 0 0 0.8mm; display: flex; justify-content: space-between; align-items: baseline }
h2 span { font-weight: normal; font-size: 9pt }
h2 i { display: inline-block; width: 45mm; border-bottom: 0.75pt solid #000 }
.how { margin: 1.2mm 0 2mm; font-size: 9pt }
article { break-inside: avoid; border-top: 0.5pt solid #777; padding: 1.6mm 0 1.4mm }
.work { padding-bottom: 4mm }
p { margin: 0 0 0.8mm }
pre { font: 8.5pt/1.3 "Liberation Mono", "Courier New", monospace; margin: 0.8mm 0; white-space: pre-wrap; overflow-wrap: anywhere }
table { border-collapse: collapse; font-size: 8.5pt; width: 100% }
th, td { border: 0.5pt solid #777; padding: 0.6mm 1.2mm; text-align: right }
thead { display: table-header-group }
tr { break-inside: avoid }
@media screen { section { padding: 8mm 4mm } }
""".strip()


class Item(NamedTuple):
    """One task on a page: its title, its paragraphs (FIXED), and the answer's form, or the answer; empty: none is asked."""

    title: str
    paragraphs: tuple[str, ...]
    answer: str


class Sheet(NamedTuple):
    """One student's page."""

    title: str
    beside: str
    how: str
    items: tuple[Item, ...]


# ---- words filled with facts


def item(task: Task, number: int, layout: Layout, words: Words = ENGLISH, *, solved: bool = False) -> Item:
    """A task in words; solved: its steps and its answer in place of the line to write on."""
    asked = words.kinds[task.kind]
    facts = told(task, layout, words)
    texts = asked.steps if solved else asked.ask
    form = asked.form.format_map(facts)
    return Item(
        f"{number}. {asked.title}",
        tuple(text.format_map(facts) for text in texts),
        task.answer if solved else form,
    )


def told(task: Task, layout: Layout, words: Words) -> dict[str, object]:
    """All that a task's words may name: its facts, and what follows from them."""
    facts: dict[str, object] = {**task.facts, "answer": task.answer}
    return facts | _TOLD[task.kind](task, layout, words)


def _of_field(task: Task, _: Layout, words: Words) -> dict[str, object]:
    unit = f" {task.text('unit')}" if task.text("unit") else ""
    scale, offset, value = task.exact("scale"), task.exact("offset"), task.exact("value")
    bits, raw = task.whole("bits"), task.whole("raw")
    unsigned = raw & (1 << bits) - 1
    negative = words.negative.format(unsigned=unsigned, modulus=1 << bits, raw=raw) if raw < 0 else ""
    return {
        "signed_words": words.signed if task.whole("signed") else "",
        "offset_text": f"{decimal_text(offset)}{unit}",
        "taken_text": _taken(f"{decimal_text(offset)}{unit}"),
        "scale_text": f"{decimal_text(scale)}{unit}",
        "value_text": f"{decimal_text(value)}{unit}",
        "exact_text": decimal_text((value - offset) / scale),
        "unit_words": words.in_unit.format(unit=task.text("unit")) if unit else "",
        "unsigned": unsigned,
        "two_words": negative,
    }


def _taken(text: str) -> str:
    """What is taken away: in parentheses where it is below zero."""
    return f"({text})" if text.startswith("-") else text


def _of_bytes(task: Task, _: Layout, __: Words) -> dict[str, object]:
    high, low = divmod(task.whole("number"), 256)
    return {"high": high, "low": low, "high_hex": f"{high:02X}", "low_hex": f"{low:02X}"}


def _of_flip(task: Task, layout: Layout, words: Words) -> dict[str, object]:
    byte, within = divmod(task.whole("bit"), 8)
    before, after = (bytes.fromhex(task.text(name))[byte] for name in ("sent", "received"))
    hit = field_at(layout, task.whole("bit"))
    return {
        "byte": byte,
        "within": within,
        "before": f"{before:02X}",
        "after": f"{after:02X}",
        "before_bits": f"{before:08b}",
        "after_bits": f"{after:08b}",
        "field_words": words.in_field.format(hit=hit) if hit else "",
    }


def field_at(layout: Layout, bit: int) -> str:
    """The field that a bit of the frame belongs to, where it stands in a fixed place, sent most significant bit first; else empty."""
    for node in layout.nodes:
        if isinstance(node, Run) and node.at is not None and node.packing.name == "MOST":
            for slot in node.slots:
                start = node.at + slot.offset_bits
                if start <= bit < start + slot.width and not (slot.pieces or slot.octets_reversed):
                    return slot.address
    return ""


def _of_sum(task: Task, _: Layout, __: Words) -> dict[str, object]:
    return {"carried": task.whole("total") // 256, "rest": task.whole("total") % 256}


def _of_division(task: Task, _: Layout, __: Words) -> dict[str, object]:
    return {"division": "\n".join(division(task.text("bits"), task.text("generator")))}


def division(bits: str, generator: str) -> Iterator[str]:
    """The lines of a long division: the dividend, and under it the generator wherever the leading bit is set."""
    degree = len(generator) - 1
    rest, shown = int(bits + "0" * degree, 2), len(bits) + degree
    yield f"{rest:0{shown}b}"
    divisor = int(generator, 2)
    for place in range(shown - 1, degree - 1, -1):
        if rest >> place & 1:
            left = shown - 1 - place
            rest ^= divisor << place - degree
            yield " " * left + generator
            yield " " * left + f"{rest:0{shown}b}"[left:]


def _of_size(task: Task, _: Layout, words: Words) -> dict[str, object]:
    missing, bits = task.whole("missing"), int(task.answer)
    return {
        "maximum_text": decimal_text(task.exact("maximum")),
        "taken_text": _taken(str(task.whole("minimum"))),
        "step_text": decimal_text(task.exact("step")),
        "missing_words": words.or_missing if missing else "",
        "missing_step": words.one_for_missing if missing else "",
        "steps": task.whole("codes") - 1 - missing,
        "less": bits - 1,
        "less_power": 1 << bits - 1,
        "power": 1 << bits,
    }


def _example(task: Task, words: Words) -> str:
    return words.example if task.whole("is_example") else ""


def _of_airtime(task: Task, _: Layout, words: Words) -> dict[str, object]:
    left = max(task.whole("size") * 8 + task.whole("crc_bits") - task.whole("first_bits"), 0)
    return {
        "symbol_text": decimal_text(task.exact("symbol_ms")),
        "preamble_text": decimal_text(task.exact("preamble")),
        "left": left,
        "blocks": -(-left // task.whole("block_bits")),
        "example_words": _example(task, words),
    }


def _of_pass(task: Task, _: Layout, words: Words) -> dict[str, object]:
    example = _example(task, words)
    return {
        "setting_words": f", {task.text('setting')}{example}" if example else "",
        "airtime_text": decimal_text(task.exact("airtime_ms")),
        "gap_text": decimal_text(Fraction(task.exact("gap_ms"))),
    }


_TOLD: dict[str, Callable[[Task, Layout, Words], dict[str, object]]] = {
    "encode": _of_field,
    "decode": _of_field,
    "bytes": _of_bytes,
    "flip": _of_flip,
    "sum": _of_sum,
    "divide": _of_division,
    "size": _of_size,
    "airtime": _of_airtime,
    "pass": _of_pass,
}


# ---- pages

Tasks = Mapping[int, Mapping[str, Task]]


def sheets(of: Class, tasks: Tasks, words: Words = ENGLISH, *, solved: bool = False) -> list[Sheet]:
    """A page for each student's number; solved: the key."""
    kind = words.key if solved else words.worksheet
    return [
        Sheet(
            f"{kind}: {of.mission.name}, {of.frame}",
            f"{words.number} {student}, {words.sheet} {of.sheet}",
            words.key_how if solved else f"{words.how} {words.caution}",
            tuple(
                item(task, number, of.layout, words, solved=solved)
                for number, task in enumerate(mine.values(), 1)
            ),
        )
        for student, mine in tasks.items()
    ]


def html(made: Sequence[Sheet], words: Words = ENGLISH, grid: str = "", *, solved: bool = False) -> str:
    """The pages as one HTML file that needs nothing else."""
    title = escape(made[0].title if made else words.worksheet)
    body = "".join(_section(sheet, words, solved) for sheet in made)
    head = f'<meta charset="utf-8"><title>{title}</title>\n<style>\n{STYLE}\n</style>'
    return f'<!DOCTYPE html>\n<html lang="{words.language}">\n<head>{head}</head>\n<body>\n{grid}{body}</body>\n</html>\n'


def _section(sheet: Sheet, words: Words, solved: bool) -> str:
    items = []
    for one in sheet.items:
        texts = "".join(_html_block(text) for text in one.paragraphs)
        line = f"<b>{escape(one.answer)}</b>" if solved else f"<i></i> ({escape(one.answer)})"
        answer = f"<span>{words.answer}: {line}</span>" if one.answer else ""
        title = f"<h2>{escape(one.title)} {answer}</h2>"
        room = "" if solved or not one.answer else ' class="work"'
        items.append(f"<article{room}>{title}{texts}</article>\n")
    head = f"<h1>{escape(sheet.title)} <small>{escape(sheet.beside)}</small></h1>"
    return f'<section>{head}\n<p class="how">{escape(sheet.how)}</p>\n{"".join(items)}</section>\n'


def answers_grid(of: Class, tasks: Tasks, words: Words = ENGLISH) -> str:
    """All answers on a page or two, a row for each number."""
    kinds = next(iter(tasks.values()), {})
    head = "".join(f"<th>{escape(words.kinds[kind].title)}</th>" for kind in kinds)
    rows = "".join(
        f"<tr><th>{student}</th>{''.join(f'<td>{escape(task.answer)}</td>' for task in mine.values())}</tr>\n"
        for student, mine in tasks.items()
    )
    title = f"<h1>{escape(words.all_answers)}: {escape(of.mission.name)}, {escape(of.frame)} <small>{escape(of.sheet)}</small></h1>"
    return f"<section>{title}\n<table><thead><tr><th>{words.number}</th>{head}</tr></thead>\n<tbody>{rows}</tbody></table></section>\n"


def markdown(made: Sequence[Sheet], words: Words = ENGLISH, *, solved: bool = False) -> str:
    """The pages as Markdown, which reads as plain text too."""
    parts = []
    for sheet in made:
        parts.append(f"# {sheet.title}\n\n{sheet.beside}\n\n{sheet.how}\n")
        for one in sheet.items:
            parts.append(f"\n## {one.title}\n")
            parts += [_block(text) for text in one.paragraphs]
            if one.answer:
                line = f"**{one.answer}**" if solved else "\\_" * 12 + f" ({one.answer})"
                parts.append(f"\n{words.answer}: {line}\n")
        parts.append("\n")
    return "".join(parts)


def _block(text: str) -> str:
    """A paragraph as Markdown."""
    for mark, language in FIXED.items():
        if text.startswith(mark):
            return f"\n```{language}\n{text.removeprefix(mark)}\n```\n"
    return f"\n{_plain(text)}\n"


def _html_block(text: str) -> str:
    """A paragraph as HTML."""
    for mark in FIXED:
        if text.startswith(mark):
            return f"<pre>{escape(text.removeprefix(mark))}</pre>"
    return f"<p>{escape(text)}</p>"


def _plain(text: str) -> str:
    """A sentence in Markdown: what would be marked up is not."""
    for mark in "\\`*_[]<>#|":
        text = text.replace(mark, "\\" + mark)
    return text


def answers_csv(of: Class, tasks: Tasks) -> str:
    """The form for answers: a row for each student's task, its answer empty."""
    target = io.StringIO(newline="")
    writer = csv.writer(target)
    writer.writerow(COLUMNS)
    writer.writerows((of.sheet, student, kind, "") for student, mine in tasks.items() for kind in mine)
    return target.getvalue()
