"""Standalone Python: one file with the mission's tables and the reader, for a ground station without packetkit, Python 3.8 and later.

The reader is the modules of python_reader as they stand, so what is tested and typed there is what a team gets.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from math import isinf
from typing import Any

from packetkit.layout.model import Layout
from packetkit.targets import python_reader, rows, table
from packetkit.targets.examples import example
from packetkit.targets.target import Dossier, Target

_HEAD = '''\
"""Frames of the mission {mission}: {frames}.

Written by `packetkit generate SCHEMA --target python`; do not edit, generate it again. Mission fingerprint {fingerprint}.
Python 3.8 and later, its standard library, nothing else.

    from {module} import MISSION

    frame = MISSION.frames["{frame}"]
    data = frame.encode(record)            # bytes; raises EncodeError, whose faults are (path, rule, message)
    record = frame.decode(data)            # a dict, None where a value is missing; raises DecodeError with reason, path and bit
    name, record = MISSION.decode(data)    # constants, tags and lengths decide

A check notices damage, not intent: anyone can send a frame with a right check.
"""
'''

_MAIN = '''\
"""A sender, ready to run: read, pack, send, log. `python {main}` sends until it is stopped, `python {main} 3` three frames.

It ends, too, when whoever reads its output is gone. Two places are yours; they are marked. Keep your copy under another name: this file
is written anew each time.
"""

import os
import sys
import time

from {module} import MISSION, EncodeError

FRAME = MISSION.frames[{frame}]
CADENCE_S = {cadence}


# ---- YOURS, 1 of 2: read your sensors -----------------------------------------------------------
# Return a record; a value that could not be read is None where the schema declares missing.
def read(number):
    record = {record}{counting}
    return record


# ---- YOURS, 2 of 2: hand the bytes to your radio ------------------------------------------------
def send(data):
    print(data.hex(), flush=True)


# -------------------------------------------------------------------------------------------------
def log(words):
    try:
        sys.stderr.write(time.strftime("%Y-%m-%dT%H:%M:%SZ ", time.gmtime()) + words + "\\n")
    except (OSError, AttributeError):
        pass  # nobody reads the log: that is no reason to stop sending


def once(number):
    try:
        data = FRAME.encode(read(number))
        send(data)
        log("frame {{}}: {{}} bytes".format(number, len(data)))
    except BrokenPipeError:
        raise  # nobody takes the frames any more
    except (EncodeError, OSError) as error:
        log("frame {{}} was not sent: {{}}".format(number, error))  # the next one is a new chance


def main(most):
    number = 0
    while most is None or number < most:
        if number:
            time.sleep(CADENCE_S)
        once(number)
        number += 1


def many(words):
    """How many frames the command line asks for, None where it does not say."""
    if len(words) > 1 or not all(word.isdecimal() for word in words):
        sys.exit("say how many frames to send, or nothing")
    return int(words[0]) if words else None


if __name__ == "__main__":
    try:
        main(many(sys.argv[1:]))
    except KeyboardInterrupt:
        log("stopped")
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # what is left has nowhere to go
        log("stopped: the output is closed")
'''


def module_name(mission: str) -> str:
    """Return the name of a mission's file: one that no library has."""
    return f"{mission.replace('-', '_')}_frames"


def literal(value: Any, indent: int = 0) -> str:
    """Return plain data as a Python expression, on as few lines as fit."""
    return table.literal(value, _flat, _text, indent)


def _text(text: str) -> str:
    return json.dumps(text)


def _flat(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_text(key)}: {_flat(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_flat, value)) + "]"
    if isinstance(value, float) and isinf(value):
        return f'float("{value}")'
    return _text(value) if isinstance(value, str) else repr(value)


def module(layouts: Mapping[str, Layout], dossier: Dossier) -> str:
    """Return the file: a head that says how to use it, the reader, the tables."""
    head = _HEAD.format(
        mission=dossier.mission,
        frames=", ".join(layouts),
        fingerprint=dossier.fingerprint,
        module=module_name(dossier.mission),
        frame=next(iter(layouts)),
    )
    parts = [head, "\n", python_reader.text(), "\n\n# -- the frames ", "-" * 82, "\n\nTABLES = []\n"]
    for name, layout in layouts.items():
        row = literal(table.frame(layout, is_outside=name in dossier.outside))
        drawing = "\n".join(f"# {line}".rstrip() for line in table.drawn(layout))
        parts.append(f"\n{drawing}\nTABLES.append({row})\n")
    parts.append(f"\nMISSION = Mission({_text(dossier.mission)}, {_text(dossier.fingerprint)}, TABLES)\n")
    return "".join(parts)


def main_loop(layouts: Mapping[str, Layout], dossier: Dossier) -> str:
    """Return a sender of the mission's first frame, with two places for a team's own code."""
    name, layout = next(iter(layouts.items()))
    counting = "".join(
        f"\n    record{''.join(f'[{_text(key)}]' for key in slot.path)} = number % {modulus}"
        for slot, modulus in table.counters(layout)
    )
    return _MAIN.format(
        main=f"{dossier.mission.replace('-', '_')}_main.py",
        module=module_name(dossier.mission),
        frame=_text(name),
        cadence=_flat(float(layout.cadence_s or 1)),
        record=literal(example(layout), 4),
        counting=counting,
    )


def write(layouts: Mapping[str, Layout], dossier: Dossier) -> dict[str, str]:
    """Return the module and the main loop, by file name. Raises Unsupported, naming fields."""
    table.refuse("python", layouts, None, rows.TAUGHT)
    return {
        f"{module_name(dossier.mission)}.py": module(layouts, dossier),
        f"{dossier.mission.replace('-', '_')}_main.py": main_loop(layouts, dossier),
    }


TARGET = Target("python", "One file for Python 3.8 and later without packetkit, a main loop.", write)

# What Python runs for differential tests (packetkit/conformance/spoken.py): each line of standard input is a batch, answered by one line.
DRIVER = r"""
import importlib.util, json, sys, traceback

SAFE = 2**53 - 1

def load(path, known={}):
    if path not in known:
        spec = importlib.util.spec_from_file_location("generated_%d" % len(known), path)
        known[path] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(known[path])
    return known[path]

def heard(value):
    if isinstance(value, dict):
        if set(value) == {"Double"}:
            return float(value["Double"])
        if set(value) == {"Octets"}:
            return bytes.fromhex(value["Octets"])
        return {key: heard(one) for key, one in value.items()}
    if isinstance(value, list):
        return [heard(one) for one in value]
    return int(value) if isinstance(value, str) and value.lstrip("-").isdigit() else value

def said(value):
    if isinstance(value, dict):
        return {key: said(one) for key, one in value.items()}
    if isinstance(value, list):
        return [said(one) for one in value]
    if isinstance(value, bytes):
        return value.hex()
    return str(value) if isinstance(value, int) and abs(value) > SAFE else value

def answer(module, word, name, subject, how={}):
    frame = module.MISSION.frames[name]
    try:
        if word == "encode":
            return {"bytes": frame.encode(heard(subject)).hex()}
        return {"record": said(frame.decode(bytes.fromhex(subject), detail=word == "detail", **heard(how)))}
    except module.EncodeError as no:
        return {"refused": [[path, rule] for path, rule, _ in no.faults]}
    except module.DecodeError as no:
        return {"reason": no.reason}
    except Exception:
        return {"crash": traceback.format_exc()}

for line in sys.stdin:
    asked = json.loads(line)
    module = load(asked["module"])
    sys.stdout.write(json.dumps([answer(module, *one) for one in asked["questions"]]) + "\n")
    sys.stdout.flush()
"""
