"""Interface documents and frame maps: whole, escaped, without a network, and true to the bits that they show."""

from __future__ import annotations

import json
import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import pytest

import packetkit
from packetkit.cli.main import main
from packetkit.emit.frame_map import BIT, BOX_HIGH, LETTER, WIDTH, WORDS, Box, Words, figure
from packetkit.fuzz.campaign import loaded, schema_seed
from packetkit.layout.model import Choice, Fill, Layout, Node, Repeat, Run, bodies
from packetkit.resources import resource
from packetkit.targets import TARGETS, frame_map

SHIPPED = sorted(entry.name for entry in resource("schemas").iterdir() if entry.name.endswith(".yaml"))
DOCUMENTS = Path(__file__).parents[1] / "documents" / "json"
VOID = {"meta", "br", "hr", "img", "input", "link"}


class Page(HTMLParser):
    """Reads a page strictly: what opens closes; collects its words, its tables, and what would go elsewhere."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.words: list[str] = []
        self.tables: list[list[list[str]]] = []
        self.tags: Counter[str] = Counter()
        self.links: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.links += [value or "" for name, value in attrs if name in ("src", "href", "action", "data")]
        assert not any(name.startswith("on") for name, _ in attrs)
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] in ("style", "title"):
            return
        self.words.append(data)
        if "td" in self.open or "th" in self.open:
            self.tables[-1][-1][-1] += data


def written(schema: str, place: Path) -> Path:
    assert main(["generate", schema, "--target", "document", "-o", str(place)]) == 0
    return place


@pytest.mark.parametrize("name", SHIPPED)
def test_the_document_of_every_example_is_whole_and_true(name: str, tmp_path: Path) -> None:
    """One test, because making the vectors is what takes time."""
    mission = packetkit.parse(resource(f"schemas/{name}").read_bytes())
    place = written(str(resource(f"schemas/{name}")), tmp_path)
    needs_nothing_else(mission, place)
    page = Page((place / f"{mission.name}.html").read_text(encoding="utf-8"))
    shows_the_example_bit_by_bit(mission, page)
    # Cook's catalogue of parametrised CRC algorithms: CRC-16/IBM-3740 has the check value 0x29B1.
    (check, *_) = [
        {row[0]: row[1] for row in table}
        for table in page.tables
        if ["algorithm", "CRC-16/IBM-3740"] in table
    ]
    assert (
        check["check value"] == "0x29B1" and check["polynomial"] == "0x1021" and check["initial"] == "0xFFFF"
    )


def needs_nothing_else(mission: packetkit.Mission, place: Path) -> None:
    text = (place / f"{mission.name}.html").read_text(encoding="utf-8")
    page = Page(text)
    assert (
        page.links == []
        and not page.tags["script"]
        and "http" not in text.replace("http://www.w3.org/2000/svg", "")
    )
    said = " ".join(" ".join(page.words).split())
    assert mission.fingerprint in said
    markdown = (place / f"{mission.name}.md").read_text(encoding="utf-8")
    for frame, layout in mission.layouts.items():
        assert f"Frame {frame}" in said and layout.fingerprint in said
        cells = {cell.strip() for table in page.tables for row in table for cell in row}
        for slot in layout.slots:
            assert slot.address in cells
            assert slot.address.replace("_", "\\_").replace("[", "\\[").replace("]", "\\]") in markdown
        assert (place / f"{mission.name}_{frame}.svg").is_file()
    if mission.link.setting is not None:
        assert "spreading factor" in said


def shows_the_example_bit_by_bit(mission: packetkit.Mission, page: Page) -> None:
    """The table's own bits, put where it says that they are, give its bytes; the codec's values of these bytes are the table's."""
    said = "".join(page.words)
    shown = [bytes.fromhex(found) for found in re.findall(r"These \d+ bytes: ([0-9a-f ]+)", said)]
    examples = [table for table in page.tables if table[0][0] == "byte.bit"]
    assert len(examples) == len(shown) == len(mission.layouts)
    for (frame, layout), data, (_, *rows) in zip(mission.layouts.items(), shown, examples, strict=True):
        made = bytearray(len(data))
        detail = json.dumps(mission.frames[frame].decode(data))
        for where, bits, _, address, value in rows:
            octet, bit = map(int, where.split(" to ")[0].split("."))
            if any(
                slot.octets_reversed
                for slot in layout.slots
                if slot.address == re.sub(r"\[\d+\]", "[]", address)
            ):
                bits = "".join(bits[at : at + 8] for at in range(len(bits) - 8, -1, -8))
                octet -= len(bits) // 8 - 1
            for one in bits:
                made[octet] |= int(one) << bit
                octet, bit = (octet, bit - 1) if bit else (octet + 1, 7)
            first = value.split(" ")[0]
            if first not in ("none", "none:") and not address.startswith(
                ("check", "sync", "tag", "spare", "fill", "reserved")
            ):
                assert first in detail or address in ("frame_code", "held")
        assert made == data


HOSTILE = """
mission: hostile
description: "<script>alert(1)</script> & \\"quotes\\" ' `ticks` | pipes [x](http://e) \\u202e right to left"
frames:
  one:
    description: "</table><img src=x onerror=alert(2)> *stars* _lines_ \\u05d0\\u05d1 # heading"
    fields:
      - {name: level, bits: 12, unit: "<b>&m</b>", description: "-->]]><svg onload=alert(3)>"}
      - {name: mode, bits: 4, states: {0: off, 1: on}}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


def test_text_of_a_schema_means_itself_wherever_it_goes(tmp_path: Path) -> None:
    schema = tmp_path / "hostile.yaml"
    schema.write_text(HOSTILE, encoding="utf-8")
    mission = packetkit.load(str(schema))
    place = written(str(schema), tmp_path / "out")
    page = Page((place / "hostile.html").read_text(encoding="utf-8"))
    assert not page.tags["script"] and not page.tags["img"] and not page.tags["b"] and page.links == []
    assert page.tags["svg"] == 1
    assert mission.description in "".join(page.words)
    markdown = (place / "hostile.md").read_text(encoding="utf-8")
    assert (
        "<script" not in markdown and "<img" not in markdown and not re.search(r"(?<!\\)\]\(http", markdown)
    )
    for path in place.glob("*.svg"):
        ElementTree.fromstring(path.read_text(encoding="utf-8"))


# -- the map ---------------------------------------------------------------------------------------------------------------


def layouts() -> list[Layout]:
    """Those of the examples, and of random schemas."""
    found = [packetkit.parse(resource(f"schemas/{name}").read_bytes()).layouts for name in SHIPPED]
    found += [loaded(schema_seed(4093, at), Counter())[1].layouts for at in range(40)]
    return [layout for mission in found for layout in mission.values()]


def test_a_map_shows_every_bit_once_and_no_words_touch() -> None:
    for layout in layouts():
        made = figure(layout)
        bits = drawn_bits(layout.nodes)
        marks = [one for one in made.items if isinstance(one, Words) and one.anchor == "middle" and one.mono]
        assert len(marks) == bits
        boxes = [one for one in made.items if isinstance(one, Box) and one.height == BOX_HIGH]
        assert sum(box.width for box in boxes) >= bits * BIT - 1e-6  # gaps between octets lie inside boxes
        for box in boxes:
            assert box.x >= 0 and box.x + box.width <= WIDTH + 1e-6 and box.y + box.height <= made.height
        spans = [span(one) for one in made.items if isinstance(one, Words) and one.size == WORDS]
        for at, (left, right, y) in enumerate(spans):
            assert left >= -1 and y <= made.height
            for other_left, other_right, other_y in spans[at + 1 :]:
                assert abs(other_y - y) >= 10 or other_right <= left or right <= other_left, layout.name


def drawn_bits(nodes: tuple[Node, ...]) -> int:
    """Bits of all runs that are drawn: texts and codes of no variant are told in words."""
    total = 0
    for node in nodes:
        if isinstance(node, Run):
            total += node.size_bits
        elif isinstance(node, Choice):
            total += sum(drawn_bits(branch.body) for branch in node.all if branch is not node.unknown)
        elif not isinstance(node, Fill) and not (isinstance(node, Repeat) and node.joined is not None):
            total += sum(drawn_bits(body) for body in bodies(node))
    return total


def span(one: Words) -> tuple[float, float, float]:
    """Where words begin and end, and their baseline: as wide as the map itself reckons."""
    size = len(one.text) * LETTER * one.size / WORDS
    left = {"start": one.x, "middle": one.x - size / 2, "end": one.x - size}[one.anchor]
    return left, left + size, one.y


def test_a_map_is_an_svg_of_its_own() -> None:
    for layout in layouts()[:20]:
        root = ElementTree.fromstring(frame_map.svg(figure(layout), layout.name))
        assert root.tag.endswith("}svg") and root.get("role") == "img"
        title = root.find("{http://www.w3.org/2000/svg}title")
        assert title is not None and title.text is not None and layout.name in title.text
        greys = {rect.get("fill", "") for rect in root.iter("{http://www.w3.org/2000/svg}rect")}
        assert all(len(set(re.findall(r"\d+", grey))) == 1 for grey in greys)


def test_png_is_drawn_where_it_is_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    heron = str(resource("schemas/first-light.yaml"))
    assert main(["generate", heron, "--target", "frame_map", "--png", "-o", str(tmp_path)]) == 0
    picture = tmp_path / "first-light_beacon.png"
    assert str(picture) in capsys.readouterr().out
    data = picture.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n" and int.from_bytes(data[16:20], "big") > 2500
    assert main(["generate", heron, "--target", "python", "--png", "-o", str(tmp_path)]) == 2
    assert "--png does nothing" in capsys.readouterr().err


@pytest.mark.parametrize("target", TARGETS)
def test_every_target_tells_its_files_as_json(
    target: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = str(resource("schemas/first-light.yaml"))
    assert main(["generate", first, "--target", target, "-o", str(tmp_path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    schema = json.loads((DOCUMENTS / "generate.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(told, schema)
    assert set(schema["properties"]["target"]["enum"]) == set(TARGETS)
    assert all(Path(name).is_file() for name in told["files"])
