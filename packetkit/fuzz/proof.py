"""Proving one mission: every law and every judge on its own frames, until the examples are done or something gives way.

Deterministic from the seed, frame by frame. The first failure of a frame ends it: it is made small, its first wrong bit or value is
named, and it becomes a vector whose expected answers are the oracle's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from random import Random
from typing import Any

from packetkit.codec import constructs
from packetkit.codec.frame import Frame
from packetkit.conformance import draw, faults, generate, spoil
from packetkit.conformance.judge import Judge
from packetkit.conformance.vector import Case, case_document
from packetkit.errors import counted
from packetkit.fuzz import judges, laws, shrink
from packetkit.fuzz.agreement import Difference, about_bytes, about_record, ask, shown
from packetkit.fuzz.campaign import smallest_subject
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission
from packetkit.schema.model import Frame as Declared

# A failure that cannot be made smaller within so many tries is small enough.
_CUTS = 2000


@dataclass(frozen=True, slots=True)
class Failure:
    """What gave way: the law or the judge, the smallest subject that shows it, a sentence, the place of the first difference."""

    what: str
    subject: Any
    sentence: str
    place: str
    case: Case


@dataclass(slots=True)
class FrameProof:
    """One frame's proof. laws, judges, targets: how many examples each has passed. refusals: what construct cannot express."""

    name: str
    fingerprint: str
    laws: Counter[str] = field(default_factory=Counter)
    judges: Counter[str] = field(default_factory=Counter)
    targets: Counter[str] = field(default_factory=Counter)
    refusals: tuple[tuple[str, str], ...] = ()
    failure: Failure | None = None


@dataclass(slots=True)
class Proof:
    """A mission's proof, whole or as far as it came."""

    mission: Mission
    seed: int
    frames: list[FrameProof] = field(default_factory=list)
    interrupted: bool = False

    @property
    def holds(self) -> bool:
        return all(frame.failure is None for frame in self.frames)

    @property
    def examples(self) -> int:
        """Questions asked and answered as they should be."""
        counters = [counter for frame in self.frames for counter in (frame.laws, frame.judges, frame.targets)]
        return sum(sum(counter.values()) for counter in counters)


def prove(
    mission: Mission,
    names: Sequence[str],
    seed: int,
    examples: int,
    tick: Callable[[int], None] = lambda done: None,
    codec_of: Callable[[Layout, Mapping[str, str]], laws.Codec] = Frame,
) -> Proof:
    """Return the proof of these frames of a mission. tick: told of records done. codec_of: the codec that is put to the laws, of a layout
    and the variants that are told from outside."""
    proof = Proof(mission, seed)
    try:
        for declared in mission.declared.frames:
            if declared.name not in names:
                continue
            layout = mission.layouts[declared.name]
            one = FrameProof(layout.name, layout.fingerprint, refusals=constructs.refusals(layout))
            proof.frames.append(one)
            one.laws.update(dict.fromkeys(laws.LAWS, 0))
            asked = Asked(declared, layout, codec_of)
            one.judges.update(dict.fromkeys((name for name in asked.told({})[1] if name != "oracle"), 0))
            _Proving(one, asked, layout, Random(f"{seed} {layout.name}")).run(examples, tick)
    except KeyboardInterrupt:
        proof.interrupted = True
    return proof


class Asked:
    """Who is asked about a frame: the codec that is put to the laws and its judges, once for each set of variants told from outside."""

    def __init__(
        self, declared: Declared, layout: Layout, codec_of: Callable[[Layout, Mapping[str, str]], laws.Codec]
    ) -> None:
        self.declared = declared
        self.layout = layout
        self.codec_of = codec_of
        self.made: dict[tuple[tuple[str, str], ...], tuple[laws.Codec, dict[str, Judge]]] = {}

    def told(self, variants: Mapping[str, str]) -> tuple[laws.Codec, dict[str, Judge]]:
        """Return the codec and the judges that are told these variants, by address."""
        key = tuple(sorted(variants.items()))
        if key not in self.made:
            self.made[key] = (
                self.codec_of(self.layout, variants),
                judges.of(self.declared, self.layout, variants=variants),
            )
        return self.made[key]


class _Proving:
    """One frame under proof."""

    def __init__(self, proof: FrameProof, asked: Asked, layout: Layout, chance: Random) -> None:
        self.proof = proof
        self.asked = asked
        self.codec, self.held = asked.told({})
        self.layout = layout
        self.chance = chance

    def run(self, examples: int, tick: Callable[[int], None]) -> None:
        for at in range(examples):
            record = draw.record(self.layout, self.chance)
            if at % 16 == 15:
                record = spoil.spoilt(record, self.chance)
            self.codec, self.held = self.asked.told(dict(laws.told_in(self.layout.nodes, record)))
            self.proof.failure = self.record(record) or self.bytes_of(record)
            if self.proof.failure is not None:
                return
            tick(1)

    def record(self, record: Any) -> Failure | None:
        """Put a record to the judges and to the laws about records."""
        difference = next(about_record(self.held, record), None)
        if difference is not None:
            return self.differs(difference)
        self.proof.judges.update(self.proof.judges.keys())
        for law in (laws.comes_back, laws.half_a_step):
            check = partial(law, self.codec)
            if check(record):
                return self.broken(law.__name__, record, check)
            self.proof.laws[law.__name__] += 1
        return None

    def bytes_of(self, record: Any) -> Failure | None:
        """Put a frame, the same damaged, and bytes at random to the judges and to the laws about bytes."""
        data = ask(self.held["oracle"].encode, record)
        junk = self.junk(data if isinstance(data, bytes) else b"")
        subjects: list[tuple[str, Any, Callable[[Any], str]]] = [
            ("only_records_or_errors", junk, lambda subject: laws.only_records_or_errors(self.codec, subject))
        ]
        if isinstance(data, bytes) and data:
            damage = faults.inject(data, self.chance)
            before, after = self.octets(3), self.octets(3)
            subjects += [
                (
                    "leaves_the_rest",
                    data,
                    lambda subject: laws.leaves_the_rest(self.codec, subject, before, after),
                ),
                ("damage_is_told", damage, lambda subject: laws.damage_is_told(self.codec, data, subject)),
            ]
            difference = next(about_bytes(self.held, damage.data, detail=False), None)
            if difference is not None:
                return self.differs(difference)
        difference = next(about_bytes(self.held, junk, detail=False), None)
        if difference is not None:
            return self.differs(difference)
        for law, subject, check in subjects:
            if check(subject):
                return self.broken(law, subject, check)
            self.proof.laws[law] += 1
        return None

    def octets(self, most: int) -> bytes:
        return bytes(self.chance.randint(0, 255) for _ in range(self.chance.randint(0, most)))

    def junk(self, data: bytes) -> bytes:
        """Bytes of any length, or a frame's beginning with anything after it."""
        size = (
            len(data) + self.chance.randint(-2, 4)
            if self.chance.randint(0, 3)
            else self.chance.randint(0, 40)
        )
        kept = data[: self.chance.randint(0, len(data))]
        rest = bytes(self.chance.randint(0, 255) for _ in range(max(size - len(kept), 0)))
        return (kept + rest)[: max(size, 0)]

    # -- failures --------------------------------------------------------------------------------------

    def differs(self, difference: Difference) -> Failure:
        small = smallest_subject(self.held, difference)
        return Failure(
            f"{small.judge} = oracle",
            small.subject,
            str(small),
            first_difference(self.layout, small.expected, small.found),
            self.case(small.subject),
        )

    def broken(self, law: str, subject: Any, check: Callable[[Any], str]) -> Failure:
        if not isinstance(subject, faults.Damage):
            subject = shrink.smaller(subject, lambda less: bool(ask(check, less)), _CUTS)
        sentence = str(ask(check, subject))
        data = subject.data if isinstance(subject, faults.Damage) else subject
        place = ""
        if not isinstance(data, bytes):
            ours, theirs = ask(self.codec.encode, data), ask(self.held["oracle"].encode, data)
            place = first_difference(self.layout, theirs, ours) or first_difference(
                self.layout, ask(self.held["oracle"].decode, theirs), ask(self.codec.decode, ours)
            )
        return Failure(laws.LAWS[law].sentence, data, sentence, place, self.case(data))

    def case(self, subject: Any) -> Case:
        """A counterexample as a vector: what the oracle makes of it, told nothing, as whoever holds a codec to the file tells nothing."""
        oracle = self.asked.told({})[1]["oracle"]
        if isinstance(subject, bytes):
            return Case("found", data=subject, back=_answer(ask(oracle.decode, subject)))
        data = ask(oracle.encode, subject)
        if not isinstance(data, bytes):
            return Case("found", subject)
        return Case("found", subject, data, _answer(ask(oracle.decode, data)))


def _answer(answer: Any) -> Any:
    return answer if isinstance(answer, (dict, str)) else "refused"


# -- where two answers part --------------------------------------------------------------------------------------


def first_difference(layout: Layout, expected: Any, found: Any) -> str:
    """Return where two frames, or two records, first differ: the bit and the field it belongs to, or the value's path; empty where that is
    no question of a place.

    Bits are numbered as they are sent: 8 * byte, most significant first.
    """
    if isinstance(expected, bytes) and isinstance(found, bytes):
        for bit in range(min(len(expected), len(found)) * 8):
            if (expected[bit >> 3] ^ found[bit >> 3]) >> (7 - bit % 8) & 1:
                address = generate.address_of(layout, expected, bit)
                inside = f", in {address}" if address else ""
                return f"bit {bit} (byte {bit // 8}, bit {bit % 8} from its left){inside}"
        return (
            f"the length: {counted(len(found), 'byte')}, not {len(expected)}"
            if len(expected) != len(found)
            else ""
        )
    if isinstance(expected, (dict, list)) and isinstance(found, (dict, list)):
        return next(_paths(expected, found, ""), "")
    return ""


def _paths(expected: Any, found: Any, path: str) -> Iterator[str]:
    """Yield the paths at which two records differ."""
    if isinstance(expected, dict) and isinstance(found, dict):
        for key in [*expected, *(key for key in found if key not in expected)]:
            yield from _paths(
                expected.get(key, _NONE), found.get(key, _NONE), f"{path}.{key}" if path else str(key)
            )
    elif isinstance(expected, list) and isinstance(found, list) and len(expected) == len(found):
        for at, (ours, theirs) in enumerate(zip(expected, found, strict=True)):
            yield from _paths(ours, theirs, f"{path}[{at}]")
    elif repr(expected) != repr(found):
        yield f"{path}: {found!r}, not {expected!r}"


class _None:
    def __repr__(self) -> str:
        return "nothing"


_NONE = _None()


# -- a counterexample as a file ----------------------------------------------------------------------------------


def found_document(title: str, schema: str, frame: str, case: Case, worked: str) -> dict[str, Any]:
    """Return a counterexample as a vector file: title, the schema's lines, the frame, one case with the oracle's answers."""
    made = case_document(case)
    del made["name"]
    return {
        "title": title,
        "schema": schema.rstrip("\n").split("\n"),
        "frame": frame,
        "cases": [{**made, "worked": worked}],
    }


def told(failure: Failure) -> str:
    """Return a failure as lines for people."""
    lines = [f"Not so: {failure.what}", failure.sentence]
    if failure.place:
        lines.append(f"first difference: {failure.place}")
    if shown(failure.subject) not in failure.sentence:
        lines.append(f"smallest counterexample: {shown(failure.subject)}")
    return "\n".join(lines)
