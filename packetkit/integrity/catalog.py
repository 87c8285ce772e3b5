"""Every named check, and custom CRCs by their six parameters.

The CRC rows are data, vectors/published/crc_catalogue.json, read when a name is first asked for; the other
checks are rows in sums.py. A name is found in any case, by itself or by an alias. An alias that commonly
means something else carries a caution there; one that means several things is refused and both are offered.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

from packetkit.errors import AlgorithmError, UnknownAlgorithm
from packetkit.integrity import crc, sums
from packetkit.integrity.algorithm import Algorithm as Algorithm  # also asked for here
from packetkit.resources import resource

# The catalogue's own range: CRC-3/GSM to CRC-82/DARC.
NARROWEST, WIDEST = 3, 82

_CATALOGUE = "vectors/published/crc_catalogue.json"
_MESSAGE = b"123456789"


class _Rows(Mapping[str, Algorithm]):
    """The catalogue by name, read when it is first used."""

    def __getitem__(self, name: str) -> Algorithm:
        return _by_name()[name]

    def __iter__(self) -> Iterator[str]:
        return iter(_by_name())

    def __len__(self) -> int:
        return len(_by_name())


ALGORITHMS: Mapping[str, Algorithm] = _Rows()


@lru_cache(1)
def _document() -> Any:
    return json.loads(resource(_CATALOGUE).read_text(encoding="utf-8"))


@lru_cache(1)
def _by_name() -> dict[str, Algorithm]:
    document = _document()
    notes = {row["name"]: row["note"] for row in document["notes"]}
    crcs = (_from_row(row, document["source"], notes) for row in document["algorithms"])
    return {algorithm.name: algorithm for algorithm in (*crcs, *sums.rows())}


@lru_cache(1)
def _by_spelling() -> dict[str, Algorithm]:
    """Return the catalogue by every name and alias, in one case."""
    return {
        spelling.casefold(): algorithm
        for algorithm in _by_name().values()
        for spelling in (algorithm.name, *algorithm.aliases)
    }


def _from_row(row: dict[str, Any], source: str, notes: dict[str, str]) -> Algorithm:
    return Algorithm(
        name=row["name"],
        width=row["width"],
        family="crc",
        aliases=tuple(row["aliases"]),
        check=int(row["check"], 16),
        source=f"{source}; {row['anchor']}",
        note=notes.get(row["name"], ""),
        poly=int(row["poly"], 16),
        init=int(row["init"], 16),
        reflect_in=row["refin"],
        reflect_out=row["refout"],
        final_xor=int(row["xorout"], 16),
        residue=int(row["residue"], 16),
    )


def find(name: str) -> Algorithm:
    """Return the check of this name or alias, in any case.

    Raises UnknownAlgorithm, a KeyError that carries the closest names.
    """
    found = _by_spelling().get(name.strip().casefold())
    if found is None:
        raise UnknownAlgorithm(name, closest(name))
    return found


def closest(name: str) -> tuple[str, ...]:
    """Return up to three names that were perhaps meant, best first; empty when nothing is like it."""
    from difflib import get_close_matches

    wanted = name.strip().casefold()
    meant = {row["spelling"].casefold(): tuple(row["meant"]) for row in _document()["ambiguous"]}
    meant |= {spelling.casefold(): names for spelling, names in sums.AMBIGUOUS.items()}
    if wanted in meant:
        return meant[wanted]
    spellings = _by_spelling()
    alike = get_close_matches(wanted, [*spellings, *meant], n=6, cutoff=0.6)
    names = (meant.get(spelling) or (spellings[spelling].name,) for spelling in alike)
    return tuple(dict.fromkeys(name for group in names for name in group))[:3]


def caution(spelling: str) -> str:
    """Return what to know about a check called by this spelling; empty when the name misleads nobody."""
    wanted = spelling.strip().casefold()
    for row in _document()["cautions"]:
        if row["spelling"].casefold() == wanted:
            return str(row["caution"])
    return ""


def named(algorithm: Algorithm) -> Algorithm | None:
    """Return the catalogue's row that computes the same values, for a CRC given by its parameters."""
    wanted = algorithm.identity()
    return next((row for row in ALGORITHMS.values() if row.identity() == wanted), None)


def custom_crc(
    width: int,
    polynomial: int,
    initial: int,
    reflect_in: bool,
    reflect_out: bool,
    final_xor: int,
) -> Algorithm:
    """Return a CRC by its six parameters, unreflected as in the catalogue, with its check value and residue.

    Raises AlgorithmError, with all that is wrong, for a width outside 3 to 82 or a number that does not fit
    in it.
    """
    if not NARROWEST <= width <= WIDEST:
        remedy = ". One bit is PARITY/EVEN or PARITY/ODD" if width == 1 else ""
        raise AlgorithmError(f"width {width} is outside {NARROWEST} to {WIDEST}{remedy}")
    limit = (1 << width) - 1
    problems = [
        f"{what} {number:#x} is outside {lowest:#x} to {limit:#x}, what {width} bits can hold"
        for what, number, lowest in (
            ("polynomial", polynomial, 1),
            ("initial", initial, 0),
            ("final_xor", final_xor, 0),
        )
        if not lowest <= number <= limit
    ]
    if polynomial >> width == 1:
        problems[0] += f". Leave its highest term out: {polynomial & limit:#x}"
    if problems:
        raise AlgorithmError("\n".join(problems))
    digits = (width + 3) // 4
    bare = Algorithm(
        name=f"CRC-{width} 0x{polynomial:0{digits}X}",
        width=width,
        family="crc",
        check=0,
        source="given by its parameters",
        note=_polynomial_note(width, polynomial),
        poly=polynomial,
        init=initial,
        reflect_in=reflect_in,
        reflect_out=reflect_out,
        final_xor=final_xor,
    )
    return replace(bare, check=crc.compute(bare, _MESSAGE), residue=crc.residue(bare))


def listed_parity(lists: tuple[tuple[int, ...], ...], final_xor: int) -> Algorithm:
    """Return a check of which each bit is the parity of listed bits; its check value takes the nine characters and zeros behind them."""
    bare = Algorithm(
        name=f"PARITY-{len(lists)}/LISTED",
        width=len(lists),
        family="linear",
        check=0,
        source="given by its bits",
        final_xor=final_xor,
        listed=lists,
    )
    length = max(len(_MESSAGE) * 8, *(max(one) for one in lists))
    bits = int.from_bytes(_MESSAGE, "big") << length - len(_MESSAGE) * 8
    return replace(bare, check=crc.compute_bits(bare, bits, length))


def _polynomial_note(width: int, polynomial: int) -> str:
    """Return a warning for a polynomial without the term 1, which is nearly always another notation."""
    if polynomial & 1:
        return ""
    digits = (width + 3) // 4
    mirrored = crc.reflect(polynomial, width)
    return (
        f"the polynomial 0x{polynomial:0{digits}X} lacks the term 1; perhaps it is written reversed "
        f"(then it is 0x{mirrored:0{digits}X}) or with its highest term in place of the 1 "
        f"(then it is 0x{(polynomial << 1 | 1) & (1 << width) - 1:0{digits}X})"
    )
