"""JavaScript for the ground and the browser, and a payload codec for LoRaWAN servers, from one table a frame.

The file is the frame's table beside the same short reader for every mission, so what a team looks up stands in rows, not in code.
Everything is ECMAScript 5.1 and exact without BigInt; the module around it is ES2017 and hands out typed arrays. The payload codec is
the same text with the entry points of the LoRa Alliance's TS013-1.0.0 (from memory), without comments, as servers bound its size.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve
from packetkit.layout.model import Choice, Layout, Measured, Optional, Repeat
from packetkit.layout.slots import Bundle, Digits
from packetkit.targets import javascript_runtime as runtime
from packetkit.targets import rows, table
from packetkit.targets.examples import example
from packetkit.targets.rows import WIDEST
from packetkit.targets.squeeze import squeeze
from packetkit.targets.table import SAFE
from packetkit.targets.target import Dossier, Target

# LoRaWAN servers take payload codecs of 40 kB and less: common practice.
MAXIMUM_CODEC_BYTES = 40_000

# The rows of the language (targets/rows.py) that the reader knows beyond the common ones.
ROWS = (*rows.TAUGHT, "wide_checks")


def literal(value: Any, indent: int = 0) -> str:
    """Return plain data as a JavaScript expression, on as few lines as fit."""
    return table.literal(value, _flat, str, indent)


def _flat(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_flat(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_flat, value)) + "]"
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > SAFE:
        return f"whole('{value}')"
    return json.dumps(value).replace("</", "<\\/")


# -- the module ------------------------------------------------------------------------------------

_HEAD = """\
{title}
//
// Written by `packetkit generate SCHEMA --target javascript`; do not edit, generate it again. Mission fingerprint {fingerprint}.
//
//   const {variable} = require('./{file}');            // node; in a page: a script element with src="{file}"
//   const frame = {variable}.frames.{frame};
//   const bytes = frame.encode(record);              // a Uint8Array; throws an EncodeError, whose faults are {{path, rule, message}}
//   const record = frame.decode(bytes);              // throws a DecodeError with reason, path and bit
//   const found = {variable}.decode(bytes);            // {{frame, record}}: constants, tags and lengths decide
//
// A value that is missing is null. decode(bytes, {{detail: true}}) gives each field as {{raw, value, unit, reason, note, limit}};
// {{salvage: true}} gives that also where the check failed, marked trusted: false.
// A field whose codes or values pass 2^53 - 1 is always a decimal string. Octets are hexadecimal text; a Uint8Array is taken, too.
// A check notices damage, not intent: anyone can send a frame with a right check.
"""

_OPEN = """
(function (root, make) {{
  'use strict';
  if (typeof module === 'object' && module.exports) {{ module.exports = make(); }} else {{ root.{variable} = make(); }}
}}(typeof self === 'undefined' ? this : self, function () {{
'use strict';
"""

_CLOSE = """
// -- what this file gives --

function octetsOf(bytes) {
  const octets = bytes instanceof ArrayBuffer ? new Uint8Array(bytes) : bytes;
  if (octets instanceof Uint8Array) { return octets; }
  if (!Array.isArray(octets) || octets.some((one) => one !== (one & 255))) {
    throw new TypeError('bytes are a Uint8Array, an ArrayBuffer or an array of numbers from 0 to 255');
  }
  return Uint8Array.from(octets);
}

class Frame {
  constructor(table) {
    this.name = table.name;
    this.fingerprint = table.fingerprint;
    this.sizeBytes = table.size === undefined ? null : table.size;
    Object.defineProperty(this, 'table', {value: table});
  }

  // The frame of a record. Throws an EncodeError with every fault, in wire order.
  encode(record) { return Uint8Array.from(encodeFrame(this.table, record)); }

  // The record of exactly one frame. Throws a DecodeError for anything else.
  decode(bytes, options) { return decodeFrame(this.table, octetsOf(bytes), options).record; }

  // {record, used}: the frame that starts at an octet of a buffer, and how many octets it has.
  decodeFrom(bytes, at = 0, options = {}) {
    const octets = octetsOf(bytes);
    if (!(at >= 0 && at <= octets.length)) { throw new RangeError(`at is ${at}, but there are ${octets.length} bytes`); }
    return decodeFrame(this.table, octets.subarray(at), Object.assign({}, options, {part: true}));
  }
}

const frames = {};
FRAMES.forEach((table) => { frames[table.name] = new Frame(table); });

return {
  mission: MISSION,
  fingerprint: FINGERPRINT,
  frames,
  EncodeError,
  DecodeError,
  // The name of the frame that bytes claim to be. Throws a DecodeError whose reason is 'unknown'.
  identify(bytes) { return identify(octetsOf(bytes)).name; },
  decode(bytes, options) {
    const frame = identify(octetsOf(bytes)).name;
    return {frame, record: frames[frame].decode(bytes, options)};
  },
};
}));
"""


def variable_name(mission: str) -> str:
    """Return a mission's name as JavaScript writes one: `first-light` is `firstLight`."""
    first, *others = [part for part in re.split("[-_]+", mission) if part]
    return first + "".join(part.capitalize() for part in others)


def comment(text: str) -> str:
    """Return text as comment lines that nothing in it can end."""
    plain = text.encode("ascii", "backslashreplace").decode("ascii")
    return "\n".join(f"// {line}".rstrip() for line in plain.splitlines())


def tables(layouts: Mapping[str, Layout], outside: frozenset[str]) -> str:
    """Return the declaration of the frames' tables, each below its drawing."""
    parts = []
    for name, layout in layouts.items():
        row = literal(table.frame(layout, is_outside=name in outside), 2)
        parts.append(f"{comment(str(layout))}\nFRAMES.push({row});")
    return "var FRAMES = [];\n\n" + "\n\n".join(parts)


def module(layouts: Mapping[str, Layout], dossier: Dossier, note: str = "") -> str:
    """Return the module: a head that says how to use it, the reader, the tables, what it gives. note: one more line of the head."""
    outside = dossier.outside
    variable, file = variable_name(dossier.mission), f"{dossier.mission}.js"
    title = comment(f"{dossier.mission}: frames {', '.join(layouts)}")
    head = _HEAD.format(
        title=title, fingerprint=dossier.fingerprint, variable=variable, file=file, frame=next(iter(layouts))
    )
    parts = [
        head + note,
        _OPEN.format(variable=variable),
        *_needed_sections(layouts),
        _constants(dossier),
        tables(layouts, outside),
        _CLOSE,
    ]
    return "".join(f"{part.rstrip()}\n" for part in parts)


def _constants(dossier: Dossier) -> str:
    return f"\n// -- the frames --\n\nvar MISSION = {json.dumps(dossier.mission)};\nvar FINGERPRINT = {json.dumps(dossier.fingerprint)};\n"


# -- the payload codec -----------------------------------------------------------------------------

_CODEC_HEAD = """\
{title}
// Payload codec with the entry points of TS013-1.0.0, in ECMAScript 5.1. Written by `packetkit generate SCHEMA --target javascript`;
// do not edit, generate it again. Mission fingerprint {fingerprint}. Reader and tables are those of {file}.
//
// decodeUplink gives data {{frame, values}}; encodeDownlink takes the same, the frame's name only where there are several.
"""

_ENTRY_POINTS = r"""
function frameNamed(name) {
  var found = FRAMES.filter(function (frame) { return frame.name === name; });
  if (name === undefined && FRAMES.length === 1) { return FRAMES[0]; }
  if (!found.length) {
    throw new Error('say which frame: ' + FRAMES.map(function (frame) { return frame.name; }).join(', '));
  }
  return found[0];
}

// Every field without a value, or with a note on it, as 'path: words'.
function warningsOf(detail, path) {
  var made = [];
  if (Array.isArray(detail)) {
    detail.forEach(function (one, i) { made = made.concat(warningsOf(one, path + '[' + i + ']')); });
  } else if (detail && detail.value !== undefined && (detail.raw !== undefined || detail.derived === true)) {
    if (detail.reason || detail.note) { made.push(path + ': ' + (detail.reason || detail.note)); }
    if (detail.limit) { made.push(path + ': beyond ' + detail.limit); }
  } else if (detail) {
    Object.keys(detail).forEach(function (key) { made = made.concat(warningsOf(detail[key], joined(path, key))); });
  }
  return made;
}

function decodeUplink(input) {
  var frame, reading;
  try {
    frame = PORTS[input.fPort] ? frameNamed(PORTS[input.fPort]) : identify(input.bytes);
    reading = decodeFrame(frame, input.bytes);
    return {
      data: {frame: frame.name, values: reading.record},
      warnings: warningsOf(decodeFrame(frame, input.bytes, {detail: true}).record, ''), errors: []
    };
  } catch (error) {
    return {errors: [(error.reason ? error.reason + ': ' : '') + error.message], warnings: []};
  }
}

function encodeDownlink(input) {
  var frame, port;
  try {
    frame = frameNamed(input.data.frame);
    for (port in PORTS) {
      if (PORTS[port] === frame.name) { break; }
      port = undefined;
    }
    return {bytes: encodeFrame(frame, input.data.values), fPort: Number(port || 1), warnings: [], errors: []};
  } catch (error) {
    return {errors: String(error.message).split('\n'), warnings: []};
  }
}

function decodeDownlink(input) { return decodeUplink(input); }
"""


# What others see: entry points; keys of their input and output, of errors and options, and those that are the language's own.
_CALLED = frozenset(("decodeUplink", "encodeDownlink", "decodeDownlink", "PORTS", "FRAMES"))
_SEEN = frozenset(
    """bytes fPort data errors warnings frame values raw value unit reason note
    trusted limit minimum maximum derived detail salvage variants known name message path rule length""".split()
)


def payload_codec(layouts: Mapping[str, Layout], dossier: Dossier) -> str:
    """Return the payload codec, whatever its size."""
    outside = dossier.outside
    head = _CODEC_HEAD.format(
        title=comment(f"{dossier.mission}: frames {', '.join(layouts)}"),
        fingerprint=dossier.fingerprint,
        file=f"{dossier.mission}.js",
    )
    rows = [table.frame(layout, is_outside=name in outside) for name, layout in layouts.items()]
    frames = "".join(f"FRAMES.push({_flat(row)});\n" for row in rows)
    ports = json.dumps(dict(enumerate(sorted(outside, key=list(layouts).index), 1)))
    note = "// The frame that a port says, where the bytes do not: ports are counted in the order of the schema.\n"
    program = squeeze(
        "".join((*_needed_sections(layouts), "var FRAMES = [];\n", frames, _ENTRY_POINTS)), _CALLED, _SEEN
    )
    return f"{head}{note}var PORTS = {ports};\n\n{program}"


def _needed_sections(layouts: Mapping[str, Layout]) -> Iterator[str]:
    slots = [slot for layout in layouts.values() for slot in layout.slots]
    nodes = [node for layout in layouts.values() for node in layout.walk()]
    has_texts = any(isinstance(node, Repeat) and node.joined is not None for node in nodes)
    has_digits = any(isinstance(slot.transform, Digits) for slot in slots)
    needed = {
        runtime.CHECKS: any(slot.check is not None for slot in slots),
        runtime.IEEE: any(slot.kind == "float" for slot in slots),
        runtime.CURVES: any(isinstance(slot.transform, Curve) for slot in slots),
        runtime.DERIVED: any(layout.derived for layout in layouts.values()),
        runtime.WIDE: any(slot.width > WIDEST for slot in slots),
        runtime.BUNDLES: any(isinstance(slot.transform, Bundle) for slot in slots),
        runtime.TIMES: any(slot.kind == "time" for slot in slots),
        runtime.CALENDARS: any(slot.calendar is not None for slot in slots),
        runtime.FIRST_BITS: any(slot.coding and CODINGS[slot.coding].first is not None for slot in slots),
        runtime.SUPPLIED: any(layout.supplied for layout in layouts.values()),
        runtime.VALID: any(slot.tellers for slot in slots),
        runtime.CONTINUED: any(slot.is_continued for slot in slots),
        runtime.FRONT: any(slot.check is not None and slot.check.front for slot in slots),
        runtime.ENDS: any(isinstance(node, Repeat) and node.own_end is not None for node in nodes),
        runtime.CODINGS: any(slot.coding for slot in slots)
        or any(count.coding for slot in slots if slot.calendar is not None for count in slot.calendar.counts),
        runtime.CHARACTERS: has_texts or has_digits,
        runtime.TEXTS: has_texts,
        runtime.DIGITS: has_digits,
        runtime.LENGTHS: any(isinstance(node, Measured) for node in nodes),
        runtime.REMAINING: any(isinstance(node, Optional) and node.by is None for node in nodes),
        runtime.COMPUTED: any(isinstance(node, Repeat) and node.factors for node in nodes),
        runtime.VARIANTS: any(isinstance(node, Choice) for node in nodes),
    }
    return (section for section in runtime.SECTIONS if needed.get(section, True))


# -- the main loop ---------------------------------------------------------------------------------

_MAIN = """\
{title}
// A sender, ready to run: read, pack, send, log. `node {main}` sends until it is stopped, `node {main} 3` three frames.
// It ends, too, when whoever reads its output is gone.
// Two places are yours; they are marked. Generated once: keep your copy under another name.
'use strict';
const {variable} = require('./{file}');

const FRAME = {variable}.frames.{frame};
const CADENCE_MS = {cadence};

// ---- YOURS, 1 of 2: read your sensors -----------------------------------------------------------
// Return a record; a value that could not be read is null where the schema declares missing.
function read(number) {{
  const record = {record};{counting}
  return record;
}}
// -------------------------------------------------------------------------------------------------

// ---- YOURS, 2 of 2: hand the bytes to your radio ------------------------------------------------
function send(bytes) {{
  process.stdout.write(`${{Buffer.from(bytes).toString('hex')}}\\n`);
}}
// -------------------------------------------------------------------------------------------------

function log(words) {{ process.stderr.write(`${{new Date().toISOString()}} ${{words}}\\n`); }}

function once(number) {{
  try {{
    const bytes = FRAME.encode(read(number));
    send(bytes);
    log(`frame ${{number}}: ${{bytes.length}} bytes`);
  }} catch (error) {{
    log(`frame ${{number}} was not sent: ${{error.message}}`); // the next one is a new chance
  }}
}}

function stop(words, status) {{
  log(words);
  process.exit(status);
}}

process.stdout.on('error', () => {{ stop('stopped: the output is closed', 0); }});
process.stderr.on('error', () => {{}}); // nobody reads the log: that is no reason to stop sending
process.on('SIGINT', () => {{ stop('stopped', 0); }});

const asked = process.argv.slice(2);
if (asked.length > 1 || asked.some((word) => !/^[0-9]+$/.test(word))) {{ stop('say how many frames to send, or nothing', 1); }}
const most = asked.length ? Number(asked[0]) : Infinity;
function loop(number) {{
  if (number >= most) {{ return; }}
  once(number);
  if (number + 1 < most) {{ setTimeout(loop, CADENCE_MS, number + 1); }}
}}
loop(0);
"""


def main_loop(layouts: Mapping[str, Layout], dossier: Dossier) -> str:
    """Return a sender of the mission's first frame, with two places for a team's own code."""
    name, layout = next(iter(layouts.items()))
    counting = "".join(
        f"\n  record.{'.'.join(slot.path)} = number % {modulus};" for slot, modulus in table.counters(layout)
    )
    return _MAIN.format(
        title=comment(f"{dossier.mission}: {name}"),
        main=f"{dossier.mission}_main.js",
        variable=variable_name(dossier.mission),
        file=f"{dossier.mission}.js",
        frame=name,
        cadence=_cadence_ms(layout),
        record=literal(as_values(layout, example(layout)), 2),
        counting=counting,
    )


def _cadence_ms(layout: Layout) -> int:
    return round((layout.cadence_s or 1) * 1000)


def as_values(layout: Layout, record: Any) -> Any:
    """Return a record as JavaScript takes it: whole numbers of wide fields as decimal strings, octets as hexadecimal text."""
    wide = {slot.path for slot in layout.slots if table.is_wide(slot)}
    return _spelled(record, (), {path[-1] for path in wide if path})


def _spelled(value: Any, path: tuple[str, ...], wide: set[str]) -> Any:
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, dict):
        return {key: _spelled(one, (*path, key), wide) for key, one in value.items()}
    if isinstance(value, list):
        return [_spelled(one, path, wide) for one in value]
    is_text = (
        isinstance(value, int)
        and not isinstance(value, bool)
        and (abs(value) > SAFE or (path != () and path[-1] in wide))
    )
    return str(value) if is_text else value


def write(layouts: Mapping[str, Layout], dossier: Dossier) -> dict[str, str]:
    """Return the module, the payload codec and the main loop, by file name. Raises Unsupported, naming fields."""
    table.refuse("javascript", layouts, rows=ROWS)
    codec, note = payload_codec(layouts, dossier), ""
    size = len(codec.encode())
    if size > MAXIMUM_CODEC_BYTES:
        note = f"// There is no payload codec beside it: it would have {size} bytes, and servers take {MAXIMUM_CODEC_BYTES}.\n"
    files = {f"{dossier.mission}.js": module(layouts, dossier, note)}
    if not note:
        files[f"{dossier.mission}_payload_codec.js"] = codec
    return {**files, f"{dossier.mission}_main.js": main_loop(layouts, dossier)}


TARGET = Target("javascript", "A module for node and browsers, a LoRaWAN payload codec, a main loop.", write)


# What node runs for differential tests (packetkit/conformance/spoken.py): each line of standard input is a batch, answered by one line.
DRIVER = r"""
const DOUBLES = {nan: NaN, inf: Infinity, '-inf': -Infinity};
function heard(key, value) {
  if (value && typeof value.Octets === 'string') { return Uint8Array.from(Buffer.from(value.Octets, 'hex')); }
  return value && typeof value.Double === 'string' ? DOUBLES[value.Double] : value;
}
function said(key, value) { return Object.is(value, -0) ? {Double: '-0.0'} : value; }

function answer(mission, [word, name, subject, how]) {
  const frame = mission.frames[name];
  try {
    if (word === 'encode') { return {bytes: Buffer.from(frame.encode(subject)).toString('hex')}; }
    return {record: frame.decode(Uint8Array.from(Buffer.from(subject, 'hex')), Object.assign({detail: word === 'detail'}, how))};
  } catch (error) {
    if (error instanceof mission.EncodeError) { return {refused: error.faults.map((one) => [one.path, one.rule])}; }
    if (error instanceof mission.DecodeError) { return {reason: error.reason}; }
    return {crash: String(error.stack)};
  }
}

require('readline').createInterface({input: process.stdin}).on('line', (line) => {
  const {module, questions} = JSON.parse(line, heard);
  const mission = require(module);
  process.stdout.write(JSON.stringify(questions.map((one) => answer(mission, one)), said) + '\n');
});
"""
