"""Bundles: samples in a row as one code, the oldest as it is and then differences of codes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from typing import Any

from packetkit.targets.python_reader.bits import Row, _limits, _octets_reversed, _shown
from packetkit.targets.python_reader.texts import _Unfit

# -- bundles of samples ----------------------------------------------------------------------------


def _missing_sample(bundle: Row) -> int | None:
    return next((one[0] for one in bundle["sample"].get("specials", ()) if one[2] == "missing"), None)


def _differences(bundle: Row) -> int:
    return int(bundle["samples"]) - (_missing_sample(bundle) is None)


def _bundle_codes(bundle: Row, raw: int) -> list[int]:
    """The first sample's code and the differences, in wire order."""
    base, width, count = bundle["sample"]["bits"], bundle["width"], _differences(bundle)
    if bundle.get("first_low"):
        first, places = raw & ((1 << base) - 1), range(base, base + count * width, width)
    else:
        first, places = raw >> count * width, range((count - 1) * width, -1, -width)
    found = [raw >> at & ((1 << width) - 1) for at in places]
    if bundle.get("octets_reversed"):
        first, found = _turned(first, base), [_turned(one, width) for one in found]
    if bundle["sample"].get("signed"):
        first = (first ^ 1 << (base - 1)) - (1 << (base - 1))
    half = 1 << (width - 1)
    return [first, *((one ^ half) - half for one in found)]


def _bundle_raw(bundle: Row, codes: Sequence[int]) -> int:
    """The one code that holds the first sample's code and the differences."""
    widths = [bundle["sample"]["bits"], *[bundle["width"]] * _differences(bundle)]
    sent = [code & ((1 << width) - 1) for code, width in zip(codes, widths)]
    if bundle.get("octets_reversed"):
        sent = [_turned(code, width) for code, width in zip(sent, widths)]
    text = [f"{code:0{width}b}" for code, width in zip(sent, widths)]
    return int("".join(reversed(text) if bundle.get("first_low") else text), 2)


def _turned(code: int, width: int) -> int:
    return _octets_reversed(code, width) if width > 8 else code


def _samples(bundle: Row, raw: int, meaning: Callable[[Row, int], Any]) -> tuple[Any, str, str]:
    """The samples, why some are None, and what is to be noted: `missing at 2, 5 to 7`. meaning: of a code of one sample."""
    found = [_sample(bundle, code, beyond, meaning) for code, beyond in _sample_codes(bundle, raw)]
    values = [value for value, _, _ in found]
    return values, _told([reason for _, reason, _ in found]), _told([note for _, _, note in found])


def _sample_codes(bundle: Row, raw: int) -> Iterator[tuple[int | None, bool]]:
    """Each sample's code, None where it is missing, and whether its step is larger than declared."""
    first, *steps = _bundle_codes(bundle, raw)
    missing = _missing_sample(bundle)
    if missing is None:
        yield first, False
    elif first == missing:
        yield from [(None, False)] * bundle["samples"]
        return
    for step in steps:
        if missing is not None and step == -(1 << (bundle["width"] - 1)):
            yield None, False
        else:
            first += step
            yield first, abs(step) > bundle["largest"]


def _sample(
    bundle: Row, code: int | None, beyond: bool, meaning: Callable[[Row, int], Any]
) -> tuple[Any, str, str]:
    sample = bundle["sample"]
    if code is None:
        return None, sample["specials"][0][3] or "missing", ""
    low, high = _limits(sample, sample["bits"])
    if low <= code <= high:
        value, reason, note = meaning(sample, code)
    elif bundle.get("meant"):
        return None, "unassigned", ""
    else:
        numerator, base, denominator = sample.get("scale", (1, 0, 1))
        exact = code * numerator + base
        value, reason, note = (exact if denominator == 1 else exact / denominator + 0.0), "", "out_of_range"
    return value, reason, "" if reason else "out_of_range" if beyond else note


def _told(words: list[str]) -> str:
    """Words by their samples; of all samples, the word alone."""
    if len(set(words)) == 1:
        return words[0]
    texts = []
    for word in dict.fromkeys(filter(None, words)):
        at = [number for number, one in enumerate(words) if one == word]
        runs = [[n for _, n in same] for _, same in groupby(enumerate(at), lambda pair: pair[1] - pair[0])]
        places = ", ".join(str(one[0]) if len(one) == 1 else f"{one[0]} to {one[-1]}" for one in runs)
        texts.append(f"{word} at {places}")
    return "; ".join(texts)


def _bundled(slot: Row, value: Any, code: Callable[[Row, Any, int], Any]) -> tuple[int, bool]:
    """The code that sends a list of samples, and whether anything was clamped. Raises _Unfit. code: of a value as one sample."""
    bundle = slot["bundle"]
    if not isinstance(value, (list, tuple)):
        raise _Unfit("wrong-type", f"{_shown(value)} is not a list of {bundle['samples']} samples")
    if len(value) != bundle["samples"]:
        raise _Unfit("wrong-length", f"has {len(value)} samples, not {bundle['samples']}")
    outcomes = [code(bundle["sample"], one, bundle["sample"]["bits"]) for one in value]
    faults = [(at, *fault) for at, (_, _, fault) in enumerate(outcomes) if fault is not None]
    clamped = any(one[1] for one in outcomes)
    codes, missing = [one[0] for one in outcomes], _missing_sample(bundle)
    reference = next((one for one in codes if one != missing), None)
    if faults or reference is None:
        _refuse_samples(faults)
        return bundle["nothing"], clamped
    sent, first, largest = [reference], reference, bundle["largest"]
    for at, one in list(enumerate(codes))[1 if missing is None else 0 :]:
        if one == missing:
            sent.append(-(1 << (bundle["width"] - 1)))
            continue
        step = one - first
        if abs(step) > largest and slot.get("policy") == "clamp":
            step, clamped = largest if step > 0 else -largest, True
        elif abs(step) > largest:
            faults.append((at, "out-of-range", f"a step of {step} codes, and {largest} is the largest"))
        sent.append(step)
        first += step
    _refuse_samples(faults)
    return _bundle_raw(bundle, sent), clamped


def _refuse_samples(faults: list[Any]) -> None:
    if faults:
        raise _Unfit(faults[0][1], "; ".join(f"sample {at}: {message}" for at, _, message in faults))
