"""Vectors: frames whose bytes are known, as plain data that any codec can be held to, and as JSON that stays readable.

A case says what encoding gives, or that it is refused; what decoding gives, or the reason why not. Numbers are kept by value and by
type: JSON has integers and doubles, and what it lacks is written with a capital letter, which no field's name has: {"Fraction": "1/3"},
{"Decimal": "0.15"}, {"Double": "nan"}.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Any

from packetkit.conformance.judge import REFUSED, Judge, agree
from packetkit.errors import InputError

FORMAT = 1  # of the file; a reader refuses a later one

_UNSET = object()


@dataclass(frozen=True, slots=True)
class Case:
    """One frame or one record with all that is known of it.

    name: what it shows. values: a record to encode (UNSET: none). data: the frame, None where encoding is refused. back: the record that
    data decodes to, or the reason why it does not. faults: (path, rule) of what a refused record is refused for, where that is pinned.
    """

    name: str
    values: Any = _UNSET
    data: bytes | None = None
    back: Any = _UNSET
    faults: tuple[tuple[str, str], ...] = ()

    @property
    def has_values(self) -> bool:
        return self.values is not _UNSET

    @property
    def has_back(self) -> bool:
        return self.back is not _UNSET


@dataclass(frozen=True, slots=True)
class FrameVectors:
    """The cases of one frame, and the fingerprint of the layout that they are for."""

    name: str
    fingerprint: str
    cases: tuple[Case, ...] = ()


@dataclass(frozen=True, slots=True)
class Vectors:
    """A mission's vectors. made_by: who worked out the bytes."""

    mission: str
    fingerprint: str
    frames: tuple[FrameVectors, ...] = field(default=())
    made_by: str = "oracle"


def failures(case: Case, judge: Judge) -> Iterator[str]:
    """Yield how a codec's answers differ from a case, each as a sentence."""
    expected: Any = REFUSED if case.data is None else case.data
    if case.has_values:
        found = judge.encode(case.values)
        if not agree(expected, found, reasons=judge.tells_reasons):
            yield f"{case.name}: encoding gives {_shown(found)}, not {_shown(expected)}"
    if case.faults and judge.faults is not None and (told := judge.faults(case.values)) != case.faults:
        yield f"{case.name}: refused for {_listed(told)}, not for {_listed(case.faults)}"
    if case.data is not None and case.has_back:
        back = judge.decode(case.data)
        if not agree(case.back, back, reasons=judge.tells_reasons):
            yield f"{case.name}: {case.data.hex()} decodes to {_shown(back)}, not {_shown(case.back)}"


def _listed(faults: tuple[tuple[str, str], ...]) -> str:
    return ", ".join(f"{path}: {rule}" if path else rule for path, rule in faults) or "nothing"


def _shown(answer: Any) -> str:
    return answer.hex() if isinstance(answer, bytes) else str(answer)


# -- as JSON -----------------------------------------------------------------------------------------------------


def to_json(value: Any) -> Any:
    """Return a record in what JSON has words for, exactly."""
    if isinstance(value, Mapping):
        return {str(key): to_json(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_json(one) for one in value]
    if isinstance(value, (bytes, bytearray)):
        return {"Bytes": bytes(value).hex()}
    if isinstance(value, Fraction):
        return {"Fraction": str(value)}
    if isinstance(value, Decimal):
        return {"Decimal": str(value)}
    if isinstance(value, float) and value - value != 0:
        return {"Double": repr(value)}
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    return {"Text": repr(value)}  # no value of any field; a codec refuses the text as well


_READERS: dict[str, Callable[[str], Any]] = {
    "Fraction": Fraction,
    "Decimal": Decimal,
    "Double": float,
    "Bytes": bytes.fromhex,
    "Text": str,
}


def from_json(value: Any) -> Any:
    """Return a record that `to_json` wrote. Raises InputError for a number that is none."""
    if isinstance(value, list):
        return [from_json(one) for one in value]
    if not isinstance(value, dict):
        return value
    if len(value) == 1 and next(iter(value)) in _READERS:
        ((word, text),) = value.items()
        try:
            return _READERS[word](text)
        except (ValueError, TypeError, ZeroDivisionError, InvalidOperation) as error:
            raise InputError(f"{text!r} is no {word}") from error
    return {key: from_json(one) for key, one in value.items()}


def case_document(case: Case) -> dict[str, Any]:
    """Return a case as a JSON object: name, values, bytes, back, reason, faults, as far as it has them."""
    made: dict[str, Any] = {"name": case.name}
    if case.has_values:
        made["values"] = to_json(case.values)
    if case.data is None:
        made["reason"] = REFUSED
        if case.faults:
            made["faults"] = [{"path": path, "rule": rule} for path, rule in case.faults]
        return made
    made["bytes"] = case.data.hex()
    if isinstance(case.back, str):
        made["reason"] = case.back
    elif case.has_back and not (case.has_values and repr(case.back) == repr(case.values)):
        made["back"] = to_json(case.back)
    return made


def document(vectors: Vectors) -> dict[str, Any]:
    """Return a mission's vectors as one JSON document, in a stable order."""
    return {
        "vectors": FORMAT,
        "mission": vectors.mission,
        "fingerprint": vectors.fingerprint,
        "expected_by": vectors.made_by,
        "frames": {
            frame.name: {
                "fingerprint": frame.fingerprint,
                "cases": [case_document(case) for case in frame.cases],
            }
            for frame in vectors.frames
        },
    }


def text(vectors: Vectors) -> str:
    """Return a mission's vectors as JSON text, a case a line, so that a change shows as the line that changed."""
    made = document(vectors)
    frames = made.pop("frames")
    lines = ["{"]
    lines += [f" {json.dumps(key)}: {json.dumps(value)}," for key, value in made.items()]
    lines.append(' "frames": {')
    for number, (name, frame) in enumerate(frames.items()):
        lines.append(f'  {json.dumps(name)}: {{"fingerprint": {json.dumps(frame["fingerprint"])}, "cases": [')
        cases = [f"   {json.dumps(case, allow_nan=False)}" for case in frame["cases"]]
        lines.append(",\n".join(cases))
        lines.append("  ]}" + ("," if number + 1 < len(frames) else ""))
    return "\n".join([*lines, " }", "}"]) + "\n"


def read(text: str, name: str = "vectors") -> Vectors:
    """Return the vectors that a JSON text holds. Raises InputError, with the place, for anything else."""
    try:
        made = json.loads(text)
    except ValueError as error:
        raise InputError(
            f"{name}: this is not JSON ({error}), so these are no vectors: write them with packetkit vectors SCHEMA -o FILE"
        ) from error
    if not isinstance(made, dict) or "vectors" not in made or not isinstance(made.get("frames"), dict):
        raise InputError(f"{name}: these are no vectors: write them with packetkit vectors SCHEMA -o {name}")
    if made["vectors"] != FORMAT:
        raise InputError(f"{name}: vectors of format {made['vectors']}, and this packetkit reads {FORMAT}")
    try:
        frames = tuple(
            FrameVectors(frame, str(body["fingerprint"]), tuple(_case(one) for one in body["cases"]))
            for frame, body in made["frames"].items()
        )
        return Vectors(
            str(made["mission"]), str(made["fingerprint"]), frames, str(made.get("expected_by", ""))
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"{name}: a case is not whole: {error!r}") from error


def _case(made: Any) -> Case:
    values = from_json(made["values"]) if "values" in made else _UNSET
    if "bytes" not in made:
        found = tuple((str(fault["path"]), str(fault["rule"])) for fault in made.get("faults", ()))
        return Case(str(made["name"]), values, None, _UNSET, found)
    back = made["reason"] if "reason" in made else from_json(made["back"]) if "back" in made else values
    return Case(str(made["name"]), values, bytes.fromhex(made["bytes"]), back)
