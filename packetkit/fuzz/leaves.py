"""Drawing fields that have bits of their own: numbers by wire and by meaning, floats, states, flags, constants, tags, reserved bits."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from packetkit.conformance.faults import Chance
from packetkit.fuzz.entries import Entry, Place, Scope, Style, has_number, is_single, least_width, members
from packetkit.layout.coding import CODINGS
from packetkit.schema.field_keys import ROLES
from packetkit.schema.presets import PRESETS

# Names are few, so that they collide across groups; a number is added where a group has one already.
_NAMES = ("a", "b", "c", "d", "e", "state", "speed")
_LABELS = ("safe", "survey", "on", "off", "null", "true", "a b", "1", "it's", "#7", "x: y", "safe mode")
_REASONS = ("sensor off", "no fix", "saturated", "0", "n/a")
_UNITS = ("V", "Cel", "%", "m/s", "uT", "")

SCALES = tuple(
    map(Fraction, "1 2 10 -1 -3 1/10 1/16 0.02 -0.25 1/3 360/1024 1/600000 0.03125 -1/7 1e3".split())
)
_WHOLE_SCALES = tuple(scale for scale in SCALES if scale.denominator == 1)
_OFFSETS = tuple(Fraction(text) for text in ("-40", "-273.15", "1000", "1/3", "0.5", "-1", "0"))
_COUNTS_OF_OCTETS: tuple[Entry, ...] = (
    {"counts": {"seconds": 32, "fraction": 56}},
    {"bits": 32, "tick_s": 1},
    {"bits": 40, "tick_s": Fraction(1, 256)},
    {"bits": 48, "tick_s": Fraction(1, 65536)},
    {"bits": 16, "tick_s": 86400},
    {"counts": {"days": 16, "milliseconds": 32}},
    {"counts": {"days": 16, "milliseconds": 32, "microseconds": 16}},
    {"counts": {"seconds": 32, "fraction": 24}, "fraction_base": 1_000_000},
    {"counts": {"weeks": 16, "milliseconds": 32}},
)
_COUNTS: tuple[Entry, ...] = (
    {"counts": {"weeks": 10, "seconds": 20}},
    {"counts": {"weeks": 10, "days": 3, "hours": 5, "minutes": 6}},
    {"counts": {"days": 14, "fraction": 12}},
    {"counts": {"seconds": 27, "fraction": 5}},
    {"counts": {"seconds": 30, "fraction": 7}, "fraction_base": 3},
)
_CURVED_BITS = 10  # of a number on a curve: so few that the oracle tries every code
_STEPS = tuple(Fraction(text) for text in ("1", "0.1", "0.02", "2", "5", "1/3", "0.25", "100"))
_CERTAIN_DOUBLES = 40  # up to so many bits any scale above is told apart by doubles

ROLE_WORDS = ("role", "modulus", "tick_s", "epoch")
_ORDERED = (8, 16, 24, 32, 40, 48, 56, 64)  # octets can be turned in whole octets only


class Leaves:
    """Draws the leaves of one frame. Choices come in the order of the wire."""

    def __init__(self, chance: Chance) -> None:
        self.chance = chance
        self.roles = set(ROLES)
        self.judges: set[int] = (
            set()
        )  # entries, by identity, that say what others mean: nothing may raise them
        self.raised: set[int] = set()  # flags that clamping raises
        self.budget = 28  # fields in all, so that a frame stays readable

    def odds(self, one_in: int) -> bool:
        return self.chance.randint(1, one_in) == one_in

    def one(self, *options: Any) -> Any:
        return self.chance.choice(options)

    def add(self, fields: list[Entry], scope: Scope, place: Place, made: Entry, bits: int | None) -> None:
        """Put a field where the next bit is. bits: its size where that is certain."""
        fields.append(made)
        if "name" in made:
            scope.entries[made["name"]] = made
        place.plus(bits)
        self.budget -= 1

    def name(self, scope: Scope) -> str:
        base = self.chance.choice(_NAMES)
        return next(
            name for name in (base, *(f"{base}{n}" for n in range(2, 99))) if name not in scope.entries
        )

    def visible(self, scope: Scope, *, into_options: bool = False) -> Iterator[tuple[str, Entry]]:
        """Names that mean something here, inner ones hiding outer ones, with the members of plain groups by dotted names.

        into_options: and with those of groups that are not always there.
        """
        hidden: set[str] = set()
        here: Scope | None = scope
        while here is not None:
            for name, entry in here.entries.items():
                if name in hidden:
                    continue
                hidden.add(name)
                yield name, entry
                yield from members(name, entry, into_options=into_options)
            here = here.outer

    # -- numbers -----------------------------------------------------------------------------------

    def width(self, style: Style) -> int:
        """Bits of a number: few mostly, any at times; whole octets where its group turns them."""
        if style.turned:
            return int(self.one(self.chance.randint(1, 8), 16, 16, 24, 32, 64))
        return self.chance.randint(1, self.one(12, 12, 24, 64))

    def number(self, scope: Scope, style: Style, bits: int = 0) -> tuple[Entry, int]:
        """A number by wire. bits: how many it has, 0: as it comes."""
        bits = bits or self.width(style)
        made: Entry = {"name": self.name(scope), "bits": bits}
        if self.odds(3):
            made["signed"] = True
        elif self.odds(3) and bits > 1:
            made["coding"] = self.one(*(name for name, one in CODINGS.items() if not one.continued))
        if self.odds(3) and bits <= _CURVED_BITS:
            return self.on_curve(made, bits, scope, style)
        scale, offset = Fraction(1), Fraction(0)
        if self.odds(2):
            scale = made["scale"] = self.chance.choice(SCALES if bits <= _CERTAIN_DOUBLES else _WHOLE_SCALES)
        if self.odds(4):
            offset = self.chance.choice(_OFFSETS)
            if bits > _CERTAIN_DOUBLES:
                offset = Fraction(round(offset))
            made["offset"] = offset
        low, high = _code_limits(made, bits)
        if self.odds(4) and high - low > 4:
            low, high = self.bounds(made, low, high, scale, offset)
        self.turn(made, bits, style)
        self.specials(made, bits, low, high, signed=bool(made.get("signed")), rising=scale > 0)
        self.policy(made, scope)
        if self.odds(8):
            raw = self.chance.randint(low, high)
            made["default"] = offset + scale * raw
            if "coding" in made:
                raw = CODINGS[made["coding"]].code_of(bits, raw)
            if self.is_special(made, raw):
                del made["default"]
        if high - low > 64:
            self.limits(made, *sorted((offset + scale * low, offset + scale * high)))
        self.calibration(made)
        self.dress(made)
        return made, bits

    def derived(self, fields: list[Entry], scope: Scope) -> None:
        """Now and then a value that the ground works out from numbers that are visible here."""
        if not self.odds(8):
            return
        names = [name for name, entry in self.visible(scope) if has_number(entry)]
        if names:
            made: Entry = {"name": self.name(scope), "derived": self.arithmetic(names, 3)}
            self.add(fields, scope, Place(), made, 0)
            self.limits(made, Fraction(-50), Fraction(50))
            self.dress(made)

    def arithmetic(self, names: list[str], depth: int) -> str:
        """Arithmetic over these names, of any shape, with at least one of them."""
        form = self.chance.randint(0, 7) if depth else 0
        first = self.arithmetic(names, depth - 1) if form else self.chance.choice(names)
        second = self.one(first, self.chance.choice(names), "2", "0.1", "1e300", "0")
        if form in (1, 2):
            return f"{first} {self.one(*'+-*/')} {second}"
        if form == 3:
            return f"{second} {self.one(*'+-*/')} ({first})"
        if form == 4:
            return f"-{first}" if self.odds(2) else f"-({first})"
        if form == 5:
            return f"{self.one('min', 'max')}({second}, {first})"
        return f"{self.one('abs', 'sqrt')}({first})" if form > 5 else first

    def summary(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        """A summary of samples, where its members need not be whole octets."""
        if style.turned or style.words:
            return self.by_meaning(scope, style)
        samples = int(self.one(20, 60, 255, 3600))
        what: Entry = {"samples": samples}
        n, step, low = self.chance.randint(1, 500), self.chance.choice(_STEPS), self.chance.choice(_OFFSETS)
        keep = self.one(
            ("minimum", "mean", "maximum", "count"), ("minimum", "maximum"), ("mean",), ("mean", "count")
        )
        widths = dict.fromkeys(("minimum", "mean", "maximum"), least_width(n, True))
        if len(keep) < 4:
            what["keep"] = list(keep)
        if "mean" in keep and self.odds(2):
            what["mean_resolution"] = step / self.one(2, 5)
            widths["mean"] = least_width(int(n * step / what["mean_resolution"]), True)
        widths["count"] = samples.bit_length()
        made: Entry = {
            "name": self.name(scope),
            "minimum": low,
            "maximum": low + n * step,
            "resolution": step,
        }
        made["summary"] = what
        self.policy(made, scope)
        self.dress(made)
        return made, sum(widths[word] for word in keep)

    def bundle(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        """Samples of a number, by range or as the wire has them, that are shorter than plain ones."""
        bits = self.one(16, 24, 32) if style.turned or self.odds(3) else self.chance.randint(5, 20)
        made: Entry = {"name": self.name(scope)}
        scale, samples = self.chance.choice(SCALES), self.chance.randint(2, 9)
        has_missing = self.odds(2)
        samples += 4 if has_missing else 0
        if self.odds(2):
            made |= {"bits": bits, "scale": scale, "offset": self.chance.choice(_OFFSETS)}
            made |= {"signed": True} if self.odds(3) else {}
        else:
            scale, low = self.chance.choice(_STEPS), self.chance.choice(_OFFSETS)
            n = (1 << bits) - 1 - has_missing - self.one(0, 0, self.chance.randint(0, (1 << bits - 1) - 2))
            made |= {"minimum": low, "maximum": low + n * scale, "resolution": scale}
            made |= {"bits": bits} if style.turned or self.odds(3) else {}
            bits = made.get("bits") or least_width(n, has_missing)
        if has_missing:
            usual = 1 << bits - 1 if "signed" in made else (1 << bits) - 1
            made["missing"] = self.one(True, True, [{"code": usual, "reason": "not sampled"}])
        self.turn(made, bits, style)
        largest = self.one(1, 2, self.chance.randint(1, (1 << bits // 2 - 1) - 1))
        if style.turned or "order" in made:
            largest = min(
                largest, 127
            )  # differences of one octet at most: others would have to be whole octets
        width, differences = largest.bit_length() + 1, samples if has_missing else samples - 1
        made["bundle"] = {"samples": samples, "maximum_step": abs(scale) * largest}
        self.policy(made, scope)
        if made.get("out_of_range") == "missing":
            made["out_of_range"] = "error"
        self.dress(made)
        if bits + differences * width >= samples * bits:
            return self.by_meaning(scope, style)
        return made, bits + differences * width

    def calibration(self, made: Entry) -> None:
        """Now and then the curves of a unit or two."""
        if not self.odds(12):
            return
        line = {"polynomial": [self.chance.choice(_OFFSETS), self.chance.choice(SCALES)]}
        points = {"points": [[Fraction(at), self.chance.choice(_OFFSETS)] for at in (0, 10, 40)]}
        made["calibration"] = self.one({"u1": line}, {"u1": points, "u2": line})

    def limits(self, made: Entry, low: Fraction, high: Fraction) -> None:
        """Now and then limits of the ground's, well within a range."""
        if not self.odds(8):
            return
        at = sorted(self.chance.randint(1, 31) for _ in range(4))
        at = [at[0], at[1], max(at[2], at[1] + 1), max(at[3], at[1] + 1)]
        ends = [low + (high - low) * part / 40 for part in at]
        soft, hard = {"minimum": ends[1], "maximum": ends[2]}, {"minimum": ends[0], "maximum": ends[3]}
        for limit in (soft, hard):
            if self.odds(4):
                del limit[self.one("minimum", "maximum")]
        made["limits"] = self.one({"soft": soft, "hard": hard}, {"soft": soft}, {"hard": hard})

    def on_curve(self, made: Entry, bits: int, scope: Scope, style: Style) -> tuple[Entry, int]:
        """A number on a curve."""
        low, high = _code_limits(made, bits)
        form = self.chance.choice((0, 0, 1, 2, 2, 3))
        if form == 0:
            made["curve"] = self.one(
                "square", {"square": {"keeps_sign": True}}, {"square": {"keeps_sign": True}}
            )
            if self.odds(2):
                made["scale"] = self.chance.choice(SCALES)
            if self.odds(3):
                made["offset"] = self.chance.choice(_OFFSETS)
        elif form == 1:
            terms = [
                self.chance.choice(_OFFSETS),
                *(self.chance.choice(SCALES) for _ in range(self.chance.randint(1, 3))),
            ]
            made["curve"] = {"polynomial": terms}
        else:
            made["curve"] = self.points(low, high, table=form == 3)
        self.turn(made, bits, style)
        self.specials(made, bits, low, high, signed=bool(made.get("signed")), rising=_rises(made, low, high))
        self.dress(made)
        return made, bits

    def points(self, low: int, high: int, *, table: bool) -> Entry:
        """Points of a curve, or entries of a table: rising or falling, or neither."""
        most = min(self.chance.randint(2, 6), high - low + 1)
        raws = sorted({low, high, *(self.chance.randint(low, high) for _ in range(most))})
        raws = raws[: self.one(None, None, 2)]
        value, step = self.chance.choice(_OFFSETS), self.one(1, -1)
        pairs = []
        for raw in raws:
            pairs.append((raw, value))
            value += step * self.chance.choice(_STEPS) * self.chance.randint(1, 9)
            step = -step if self.odds(12) else step
        return {"table": dict(pairs)} if table else {"points": [list(pair) for pair in pairs]}

    def time(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        """A moment, in one number or in counts."""
        made: Entry = {"name": self.name(scope), "kind": "time"}
        if self.odds(3):
            return self.dated(made, style)
        if style.turned or self.odds(2):
            form = dict(self.chance.choice(_COUNTS_OF_OCTETS))
        else:
            form = dict(self.chance.choice(_COUNTS))
        bits = form.get("bits") or sum(form["counts"].values())
        made |= form
        counts = form.get(
            "counts", {}
        )  # days within weeks are those of a clock, which may count leap seconds
        by_days = ("days" in counts and "weeks" not in counts) or form.get("tick_s") == 86400
        if not by_days:
            made["leap_seconds"] = self.one("counted", "not_counted")
        epochs = ("1980-01-06T00:00:00Z", "2000-01-01T00:00:00Z", "1958-01-01T00:00:00Z")
        made["epoch"] = self.chance.choice(epochs if by_days else (*epochs, "2016-12-31T23:59:50.5Z"))
        if self.odds(3):
            made["reference_date"] = self.one("2016-12-31T23:59:59Z", "2019-04-07T00:00:00Z")
        if self.odds(3):
            made["missing"] = self.one(True, [{"code": 0, "reason": "not set"}], [{"from": 3, "to": 9}])
        if all(width % 8 == 0 for width in form.get("counts", {}).values()):
            self.turn(made, bits, style)
        return made, bits

    def dated(self, made: Entry, style: Style) -> tuple[Entry, int]:
        """A time of the calendar: by month or by day of the year, or days and digits of the time of day; down to some unit."""
        in_octets = style.turned or self.odds(3)
        form = self.one("month", "month", "year", "epoch")
        counts: Entry = {"days": 16 if form == "epoch" or in_octets else 9 if form == "year" else 5}
        if form == "epoch":
            made["epoch"] = "1858-11-17T00:00:00Z"
        else:
            counts["years"] = self.one(16 if in_octets else 14, *[{"bits": 8, "offset": 1980}] * 2)
        if form == "month":
            counts["months"] = (
                8 if in_octets else self.one(4, *({"bits": bits, "offset": 1} for bits in (4, 5)))
            )
            counts["days"] = 8 if in_octets else 5
        depth = self.chance.randint(form == "epoch", 3)
        for unit, bits in list({"hours": 5, "minutes": 6, "seconds": 6}.items())[:depth]:
            counts[unit] = 8 if in_octets else bits
        if depth == 3 and self.odds(2):
            counts["fraction"] = self.one(8, 8, 48)
        elif depth == 3 and self.odds(2):
            counts["seconds"] = {"bits": 8 if in_octets else 5, "scale": 2}
        elif depth == 2 and self.odds(2):
            counts["milliseconds"] = 16
        if in_octets and self.odds(2):
            made["coding"] = "binary_coded_decimal"
            counts["years"] = 16 if "years" in counts else None
            counts.pop("milliseconds", None)
        elif form == "epoch":
            counts["hours"] = {"bits": 8 if in_octets else 6, "coding": "binary_coded_decimal"}
        names = list(filter(counts.get, counts))
        names = names if self.odds(2) else names[::-1]
        made["counts"] = {name: counts[name] for name in names}
        widths = [one["bits"] if isinstance(one, dict) else one for one in made["counts"].values()]
        if self.odds(3):
            made["missing"] = self.one(True, [{"code": 0, "reason": "not set"}])
        if all(width % 8 == 0 for width in widths):
            self.turn(made, sum(widths), style)
        return made, sum(widths)

    def counter(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        """A plain number with a role, while a role is left."""
        if not self.roles:
            return self.number(scope, style)
        bits = self.width(style)
        made: Entry = {"name": self.name(scope), "bits": bits}
        self.turn(made, bits, style)
        self.role(made, bits)
        return made, bits

    def bounds(self, made: Entry, low: int, high: int, scale: Fraction, offset: Fraction) -> tuple[int, int]:
        """Add a least and a greatest value, or one of them; return the codes that are left."""
        first = self.chance.randint(low, high - 3)
        last = self.chance.randint(first + 3, high)
        ends = {"minimum": first, "maximum": last} if scale > 0 else {"minimum": last, "maximum": first}
        nudge = Fraction(self.one(0, 0, 1, -1), 3)  # bounds are compared after rounding
        kept = self.one(("minimum", "maximum"), ("minimum", "maximum"), ("minimum",), ("maximum",))
        made.setdefault("scale", scale)
        for key in kept:
            made[key] = offset + scale * (ends[key] + nudge)
        raws = [ends[key] for key in kept]
        return (first if first in raws else low), (last if last in raws else high)

    def by_meaning(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        """A number by its range, or by a preset."""
        made: Entry = {"name": self.name(scope)}
        if self.odds(4):
            return self.preset(made, scope, style)
        step, low = self.chance.choice(_STEPS), self.chance.choice(_OFFSETS)
        missing = self.one(None, None, True)
        bits = self.width(style) if style.turned or self.odds(3) else 0
        if bits:
            bits = max(bits if bits <= _CERTAIN_DOUBLES else 32, 2)
        if bits and self.odds(2):
            n = (1 << bits) - 1 - (missing is True)
            high = low + self.chance.choice(_STEPS) * self.chance.randint(1, 500)
            step = (high - low) / n
        else:
            most = (1 << bits) - 1 - (missing is True) if bits else 1 << self.chance.randint(1, 16)
            n = self.chance.randint(1, max(most, 1))
            high = low + n * step
            made["resolution"] = step
        made |= {"minimum": low, "maximum": high}
        if missing is True:
            made["missing"] = True
        if bits:
            made["bits"] = bits
        width = bits or least_width(n, missing is True)
        top = (1 << width) - 1
        if missing is None and self.odds(4) and top > n and "resolution" in made:
            made["missing"] = self.codes_above(n, top)
        if self.odds(5) and n > 2:
            self.bound_codes(made, (0, n), (0, top - (missing is True)))
        self.turn(made, width, style)
        self.policy(made, scope)
        if self.odds(8):
            made["default"] = low + step * self.chance.randint(0, n)
            if self.is_special(made, (made["default"] - low) / step):
                del made["default"]
        if n > 64:
            self.limits(made, low, low + n * step)
        self.calibration(made)
        self.dress(made)
        return made, width

    def preset(self, made: Entry, scope: Scope, style: Style) -> tuple[Entry, int]:
        row = PRESETS[self.chance.choice(tuple(PRESETS))]
        made["preset"] = row.name
        n = (row.maximum - row.minimum) / row.resolution
        missing = row.missing
        if self.odds(4):
            missing = made["missing"] = not row.missing
        if self.odds(4):
            made["unit"] = "V"
        if style.turned or self.odds(4):
            made["bits"] = self.one(8, 16, 24)
            return made, made["bits"]
        if self.odds(4):
            made["resolution"] = row.resolution * 2 if n % 2 == 0 else row.resolution / 2
            n = n / 2 if n % 2 == 0 else n * 2
        self.policy(made, scope)
        return made, least_width(int(n), missing)

    def codes_above(self, n: int, top: int) -> Any:
        """Missing codes above the last step: one, or several with reasons."""
        first = self.chance.randint(n + 1, top)
        if first == top or self.odds(2):
            return first
        last = self.chance.randint(first + 1, top)
        return [
            {"code": first, "reason": "n/a"},
            {"from": first + 1, "to": last, "reason": self.one(*_REASONS)},
        ]

    def specials(
        self, made: Entry, bits: int, low: int, high: int, *, signed: bool, rising: bool | None = True
    ) -> None:
        """Add codes with a meaning of their own to a wire number, leaving enough others.

        rising: whether its values rise with its codes; None where that is not known, or they neither rise nor fall throughout.
        """
        if high - low < 8 or self.odds(2):
            return
        form = self.chance.randint(0, 5)
        if form in (0, 4):
            made["missing"] = True
        elif form < 4:
            least = -(1 << bits - 1) if signed else 0
            start = self.chance.randint(least, least + (1 << bits) - 4)
            made["missing"] = self.one(
                start,
                [{"code": start, "reason": "sensor off"}, {"code": start + 2, "reason": self.one(*_REASONS)}],
                [{"from": start, "to": start + 1, "reason": self.one(*_REASONS)}, {"code": start + 3}],
                [{"from": start, "to": start + 2, "reason": self.one(*_REASONS)}],
                [start, {"code": start + 2, "reason": "saturated"}],
            )
            if signed and form == 2:
                made["missing"] = (1 << bits) - 1  # written as its bits: minus one
        if self.odds(3) and "coding" not in made and rising is not None:
            self.bound_codes(made, self.with_values(made, low, high), _code_limits(made, bits), rising=rising)

    def with_values(self, made: Entry, low: int, high: int) -> tuple[int, int]:
        """The ends of a wire number's codes, less those at either end that mean something else."""
        while self.is_special(made, low):
            low += 1
        while self.is_special(made, high):
            high -= 1
        return low, high

    def bound_anew(self, made: Entry, scales: list[Fraction]) -> None:
        """Move at_least and at_most to the ends of all codes, as each scale has another; leave them out where scales differ in sign."""
        had = [made.pop(key) for key in ("at_least", "at_most") if key in made]
        if had and all(scale > 0 for scale in scales):
            limits = _code_limits(made, made["bits"])
            self.bound_codes(made, self.with_values(made, *limits), limits)

    def bound_codes(
        self, made: Entry, ends: tuple[int, int], limits: tuple[int, int], *, rising: bool = True
    ) -> None:
        """Add at_least or at_most, or both: at the end of the codes with a value, or right beyond."""
        for key in self.one(("at_least",), ("at_most",), ("at_least", "at_most")):
            upper = (key == "at_least") is rising
            beyond = ends[upper] + (1 if upper else -1)
            free = limits[0] <= beyond <= limits[1] and not self.is_special(made, beyond)
            made[key] = self.one(ends[upper], beyond) if free else ends[upper]

    def is_special(self, made: Entry, raw: Any) -> bool:
        """Whether a code of a field means something else than its number; says yes where it is not certain."""
        if raw in (made.get("at_least"), made.get("at_most")):
            return True
        missing = made.get("missing")
        bits = made.get("bits") or 0
        if missing is True:
            return raw in ((1 << bits) - 1, -(1 << bits - 1) if bits else 0)
        listed = missing if isinstance(missing, list) else [] if missing is None else [missing]
        for one in listed:
            first, last = (
                (one.get("from", one.get("code")), one.get("to", one.get("code")))
                if isinstance(one, dict)
                else (one, one)
            )
            if first <= raw <= last or first <= raw + (1 << bits) <= last:
                return True
        return False

    def policy(self, made: Entry, scope: Scope) -> None:
        """What happens out of range, and the flag that clamping raises."""
        has_missing = made.get("missing") not in (None, False) or ("preset" in made and "missing" not in made)
        options = ["error", "clamp", "clamp", "missing"] if has_missing else ["error", "clamp", "clamp"]
        if self.odds(2):
            made["out_of_range"] = self.chance.choice(options)
        if made.get("out_of_range") == "clamp" and self.odds(2):
            flags = [
                name
                for name, entry in self.visible(scope)
                if entry.get("kind") == "flag"
                and is_single(entry)
                and id(entry) not in self.judges
                and "valid_when" not in entry
            ]
            if flags:
                made["flag"] = self.chance.choice(flags)
                self.raised.add(id(dict(self.visible(scope))[made["flag"]]))

    def turn(self, made: Entry, bits: int, style: Style) -> None:
        """Give a number an octet order of its own."""
        if not style.words and (bits in _ORDERED) and self.odds(4):
            made["order"] = self.one("little", "big")

    def dress(self, made: Entry) -> None:
        if self.odds(3):
            made["unit"] = self.chance.choice(_UNITS[:-1])
        if self.odds(12):
            made["description"] = "a field's text: with 'quotes', # and <tags>"

    def role(self, made: Entry, bits: int) -> None:
        """A role, once in a frame, with the details that belong to it."""
        role = self.chance.choice(sorted(self.roles))
        self.roles.discard(role)
        made["role"] = role
        if role in ("sequence", "boot") and bits > 2 and self.odds(2):
            made["modulus"] = self.chance.randint(2, 1 << min(bits, 30))
        if role == "clock":
            made["tick_s"] = self.one(Fraction(1), Fraction(1, 1000))
            if self.odds(2):
                made["epoch"] = "2030-01-31T00:00:00Z"

    def float(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        bits = int(self.one(32, 16, 64))
        made: Entry = {"name": self.name(scope), "kind": "float", "bits": bits}
        if self.odds(3):
            first = Fraction(self.chance.randint(-500, 400))
            last = first + self.chance.randint(1, 100) + self.one(Fraction(0), Fraction(1, 10))
            made |= self.one(
                {"minimum": first, "maximum": last},
                {"minimum": first, "maximum": last},
                {"minimum": first},
                {"maximum": last},
            )
        form = self.chance.randint(0, 3)
        if form == 1:
            made["missing"] = True
        elif form == 2:
            pattern = {16: 0xE3C0, 32: 0xC479C000, 64: 0xC08F380000000000}[
                bits
            ]  # -992 or -999, as instruments say it
            quiet = {16: 0x7E01, 32: 0x7FC00001, 64: 0x7FF8000000000001}[bits]
            made["missing"] = self.one(pattern, [{"code": quiet, "reason": self.one(*_REASONS)}, pattern])
        self.turn(made, bits, style)
        self.policy(made, scope)
        if self.odds(8):
            made["default"] = made.get("minimum", made.get("maximum", Fraction(1, 4)))
        self.calibration(made)
        self.dress(made)
        return made, bits

    # -- the other leaves --------------------------------------------------------------------------

    def states(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        bits = self.chance.randint(1, 8)
        count = self.chance.randint(1, min(4, (1 << bits)))
        labels = list(_LABELS)
        chosen: dict[int, str] = {}
        for _ in range(count):
            chosen[self.chance.randint(0, (1 << bits) - 1)] = labels.pop(
                self.chance.randint(0, len(labels) - 1)
            )
        made: Entry = {"name": self.name(scope), "bits": bits, "states": dict(sorted(chosen.items()))}
        top = (1 << bits) - 1
        if top not in chosen and len(chosen) < top and self.odds(3):
            made["missing"] = self.one(True, top, [{"code": top, "reason": "not read"}])
        if self.odds(5):
            made["default"] = self.chance.choice(tuple(chosen.values()))
        return made, bits

    def flag(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        made: Entry = {"name": self.name(scope), "kind": "flag"}
        if self.odds(5):
            made["default"] = self.one(False, True)
        return made, 1

    def constant(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        bits = self.width(style)
        kind = self.one("constant", "sync")
        made: Entry = {
            "name": self.name(scope),
            "kind": kind,
            "bits": bits,
            "code": self.chance.randint(0, (1 << bits) - 1),
        }
        self.turn(made, bits, style)
        return made, bits

    def tag(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        bits = min(self.width(style), 16)
        code = self.chance.randint(0, (1 << bits) - 1)
        made: Entry = {"name": self.name(scope), "kind": "tag", "bits": bits, "code": code}
        if bits > 2 and not self.odds(3):
            low = self.chance.randint(0, (1 << bits) - 4)
            made["code"] = self.one(
                [low, low + 2], {"from": low, "to": low + 3}, [{"from": low, "to": low + 1}, low + 3]
            )
        self.turn(made, bits, style)
        if "frame_id" in self.roles and self.odds(3):
            made["role"] = "frame_id"
            self.roles.discard("frame_id")
        return made, bits

    def reserved(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        bits = self.chance.randint(1, 9)
        made: Entry = {"kind": "reserved", "bits": bits}
        if self.odds(2):
            made["name"] = self.name(scope)
        if self.odds(4):
            made["strict"] = self.one(True, False)
        return made, bits


def _rises(made: Entry, low: int, high: int) -> bool | None:
    """Whether the values of a curve rise with its codes; None where that is not known, or they neither rise nor fall throughout."""
    curve = made["curve"]
    if isinstance(curve, dict) and "polynomial" in curve:
        signs = {term > 0 for term in curve["polynomial"][1:]}
        return signs.pop() if len(signs) == 1 and low >= 0 else None
    if isinstance(curve, dict) and "square" not in curve:
        return None
    scale, offset = made.get("scale", Fraction(1)), made.get("offset", Fraction(0))
    roots = sorted((offset + scale * low, offset + scale * high))
    if isinstance(curve, dict) or roots[0] >= 0:
        return bool(scale > 0)
    return bool(scale < 0) if roots[1] <= 0 else None


def _code_limits(made: Entry, bits: int) -> tuple[int, int]:
    """The least and the greatest number that a field's bits hold."""
    if "coding" in made:
        return CODINGS[made["coding"]].limits(bits)
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if made.get("signed") else (0, (1 << bits) - 1)
