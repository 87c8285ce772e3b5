"""Experiment: how many bits must flip before a check can miss it, against the length of the data."""

from __future__ import annotations

from collections.abc import Sequence

from packetkit.integrity import strength
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS, custom_crc
from packetkit.integrity.strength import Survey
from packetkit.lab.experiment import Cell, Chart, Heading, Line, Outcome, Request
from packetkit.lab.misses import data_bytes, own_check

BESIDE = (
    "SUM-8",
    "FLETCHER-16",
    "CRC-8/SMBUS",
    "CRC-8/AUTOSAR",
    "CRC-16/IBM-3740",
    "CRC-16/DNP",
    "CRC-24/OPENPGP",
    "CRC-32/ISO-HDLC",
    "CRC-32/ISCSI",
)
SHOWN = (3, 4, 5, 6)
LIMIT_BITS = 255 * 8


def survey_of(poly: int, width: int) -> Survey:
    """One piece of work: what is known of a generator up to the longest frame of a chirp radio."""
    return strength.survey(poly, width, LIMIT_BITS)


def studied(request: Request) -> list[tuple[Algorithm, bool]]:
    """The checks to look at, and whether each is the frame's own: a generator that was asked for, the own one, the usual ones."""
    found: list[tuple[Algorithm, bool]] = []
    asked = request.knobs["polynomial"]
    if isinstance(asked, int):
        found.append((custom_crc(request.whole("width"), asked, 0, False, False, 0), False))
    own = own_check(request.layout.slots)
    if own is not None and own.check is not None:
        found.append((own.check.algorithm, True))
    names = {algorithm.name for algorithm, _ in found}
    return found + [(ALGORITHMS[name], False) for name in BESIDE if name not in names]


def run(request: Request) -> Outcome:
    """Look every generator up to 255 bytes of data."""
    octets, checks = data_bytes(request), studied(request)
    crcs = [algorithm for algorithm, _ in checks if algorithm.family == "crc"]
    answers = request.crew.map(survey_of, [(one.poly, one.width) for one in crcs])
    known = {one.name: answer for one, answer in zip(crcs, answers, strict=True)}
    done = [(one, own) for one, own in checks if one.family != "crc" or known[one.name] is not None]
    return Outcome(
        f"{request.named}: {octets} bytes of data",
        tuple(record for one, own in done for record in _records(one, own, known.get(one.name))),
        (
            Heading("check", "<"),
            Heading(f"distance\nat {octets}"),
            *(Heading(f"{d} up to\nbytes") for d in SHOWN),
        ),
        tuple(_row(one, own, known.get(one.name), octets) for one, own in done),
        _chart(done, known, octets),
        tuple(_seen(done, known, octets)),
    )


def _pairs(algorithm: Algorithm, known: Survey | None) -> list[tuple[int, int, bool]]:
    """Distance, longest data word in bits, and whether that is the whole truth or only as far as was looked."""
    if known is not None:
        return [(distance, longest, longest < LIMIT_BITS) for distance, longest in known.profile]
    at_limit = strength.distance(algorithm, LIMIT_BITS).value
    return [(distance, LIMIT_BITS, False) for distance in range(3, at_limit + 1)]


def _at(algorithm: Algorithm, known: Survey | None, octets: int) -> strength.Distance:
    return known.at(octets * 8) if known is not None else strength.distance(algorithm, octets * 8)


def _records(algorithm: Algorithm, own: bool, known: Survey | None) -> list[dict[str, Cell]]:
    base: dict[str, Cell] = {"check": algorithm.name, "own": own, "width_bits": algorithm.width}
    exact = known is None or known.exact_to_bits is None or known.exact_to_bits >= LIMIT_BITS
    return [
        {**base, "distance": distance, "longest_data_bits": longest, "ends_there": ends, "exact": exact}
        for distance, longest, ends in [(2, LIMIT_BITS, False), *_pairs(algorithm, known)]
    ]


def _row(algorithm: Algorithm, own: bool, known: Survey | None, octets: int) -> tuple[str, ...]:
    longest = {distance: (bits, ends) for distance, bits, ends in _pairs(algorithm, known)}
    cells = []
    for distance in SHOWN:
        bits, ends = longest.get(distance, (0, True))
        cells.append("-" if bits < 8 else f"{bits // 8}" if ends else "255 +")
    return (algorithm.name + (" *" if own else ""), str(_at(algorithm, known, octets)), *cells)


def _chart(done: Sequence[tuple[Algorithm, bool]], known: dict[str, Survey | None], octets: int) -> Chart:
    lines = []
    for algorithm, own in done:
        if algorithm.family != "crc" or (algorithm.width < 16 and not own):
            continue  # what stays at 2 and 3 would lie on one line
        steps = [(1.0, float(_at(algorithm, known.get(algorithm.name), 1).value))]
        for size in range(2, LIMIT_BITS // 8 + 1):
            value = float(_at(algorithm, known.get(algorithm.name), size).value)
            if value != steps[-1][1] or size == LIMIT_BITS // 8:
                steps.append((float(size), value))
        lines.append(Line(algorithm.name, tuple(steps)))
    title = f"Hamming distance against length (this frame: {octets} bytes)"
    return Chart(title, "data, bytes", "distance", tuple(lines), "step", log_across=True)


def _seen(done: Sequence[tuple[Algorithm, bool]], known: dict[str, Survey | None], octets: int) -> list[str]:
    found = []
    for algorithm, own in done:
        distance = _at(algorithm, known.get(algorithm.name), octets)
        if own:
            noticed = f"up to {distance.value - 1} flipped bits are always noticed"
            found.append(
                f"{algorithm.name} (*) guarantees distance {distance} over {octets} bytes: {noticed}."
            )
    return found
