"""Drawing checks: what they compute, and what they cover, of what their place and the packing around it allow."""

from __future__ import annotations

from collections.abc import Sequence

from packetkit.conformance.faults import Chance
from packetkit.fuzz.entries import (
    Entry,
    Place,
    Scope,
    Style,
    certainly_there,
    changes_packing,
    check_bits,
    goes_on,
    holds_check,
    stretches,
)
from packetkit.fuzz.leaves import Leaves

_PLAIN_CRCS = tuple(
    "CRC-16/IBM-3740 CRC-8/SMBUS CRC-5/EPC-C1G2 CRC-24/OPENPGP CRC-32/BZIP2 CRC-12/UMTS".split()
)
_TURNED_CRCS = tuple(
    "CRC-16/KERMIT CRC-32/ISO-HDLC CRC-8/BLUETOOTH CRC-5/USB CRC-16/MODBUS CRC-24/BLE".split()
)
_SUMS = tuple(
    """SUM-8 SUM-16/INTERNET SUM-8/NEGATED SUM-16/WORDS-LOW-FIRST SUM-32/WORDS SUM-8/END-AROUND-INVERTED SUM-16/END-AROUND-LOW-FIRST
    XOR-8 XOR-16/LOW-FIRST PARITY/EVEN PARITY/ODD FLETCHER-16 FLETCHER-16/UBX FLETCHER-8 FLETCHER-32 ADLER-32""".split()
)


def is_crc(made: Entry) -> bool:
    """Whether a check has a register that can start from a field."""
    asked = made["algorithm"]
    return isinstance(asked, dict) or asked.startswith("CRC")


class Covers(Leaves):
    """Draws the checks of one frame. least: the frame's packing; mixed: a group of it has the other."""

    def __init__(self, chance: Chance) -> None:
        super().__init__(chance)
        self.least = self.mixed = False

    def check(self, fields: list[Entry], scope: Scope, place: Place, style: Style) -> None:
        """A check over everything before it, where that is something; `cover` may give it another span once its group is whole."""
        if not any(certainly_there(one) for one in fields):
            return
        changed = style.least is not self.least or any(changes_packing(one) for one in fields)
        if changed and not place.starts_octet:
            return  # octets of its span would be made of bits of both packings
        made: Entry = {"name": self.name(scope), "kind": "check"}
        if self.odds(12) and not style.words and not style.turned and self.listed(made, fields):
            self.add(fields, scope, place, made, len(made["algorithm"]["parity"]))
            return
        bits = self.algorithm(made, style, whole=place.inner == 0)
        if style.words:
            pass  # their order is fixed
        elif self.odds(4) and bits % 8 == 0:
            made["stored"] = self.one("high_octet_first", "low_octet_first")
        elif self.odds(8):
            made["stored"] = "bits_reversed"
        if self.odds(6):
            made["bits"] = bits
        if self.odds(8):
            made["also"] = [self.chance.randint(0, 255) for _ in range(self.chance.randint(1, 4))]
        if scope.outer is None and not style.words and self.odds(3):
            self.supply(made, fields, scope, bits)
        else:
            self.mix(made, fields, bits)
        if self.odds(4):
            self.feed(made, fields, bits)
        made["_at"] = len(fields)
        self.add(fields, scope, place, made, bits)

    def listed(self, made: Entry, fields: list[Entry]) -> bool:
        """Parities of listed bits, over whole numbers before it; whether there are any."""
        fit = self.whole_numbers(fields, 64)
        if not fit:
            return False
        covered = {one["name"]: one["bits"] for one in (self.chance.choice(fit) for _ in range(3))}
        total = sum(covered.values())
        if self.odds(3):
            made["also"] = [self.chance.randint(0, 255)]
            total += 8
        width = self.chance.randint(1, 7)
        rows = [
            sorted({self.chance.randint(1, total) for _ in range(self.one(1, 3, 9))}) for _ in range(width)
        ]
        made["algorithm"] = {"parity": rows}
        if self.odds(2):
            made["algorithm"]["final_xor"] = self.chance.randint(0, (1 << width) - 1)
        made["covers"] = list(covered)
        if self.odds(4):
            made["not_computed"] = self.chance.randint(0, (1 << width) - 1)
        return True

    def supply(self, made: Entry, fields: list[Entry], scope: Scope, bits: int) -> None:
        """Mix a check of the frame's own with a field that is not sent."""
        taken = Scope(None, {**scope.entries, made["name"]: made})
        entry: Entry = {"name": self.name(taken), "kind": "supplied"}
        entry["bits"] = self.chance.randint(1, min(bits, 64))
        self.add(fields, scope, Place(), entry, 0)
        fields.insert(0, fields.pop())  # so that values stand behind it
        if self.odds(3):
            entry["bits"] = 8 * self.chance.randint(
                1, 8
            )  # whole octets keep those of the span where they are
            made.setdefault("also", []).append(entry["name"])
        elif self.odds(3) and is_crc(made):
            made["starts_from"] = entry["name"]
        else:
            made["mixed_with"] = entry["name"]

    def feed(self, made: Entry, fields: list[Entry], bits: int) -> None:
        """Feed a check with fields before it and the frame's size, and give codes of its own a meaning."""
        fit = self.whole_numbers(fields, 64)
        whole = [one["name"] for one in fit if one["bits"] % 8 == 0]
        if whole and self.odds(2):
            made.setdefault("also", []).append(self.chance.choice(whole))
        if self.odds(3):
            made.setdefault("also", []).append({"size_of": "whole_frame", "bits": self.one(16, 32)})
        narrow = [one["name"] for one in fit if one["bits"] <= bits]
        if narrow and is_crc(made) and "starts_from" not in made and self.odds(2):
            made["starts_from"] = self.chance.choice(narrow)
        if "mixed_with" not in made and (bits <= 8 or self.odds(2)):  # narrow ones come to zero at times
            made["zero_is_sent_as"] = "all_ones"
        if "mixed_with" not in made and self.odds(3):
            made["not_computed"] = self.one(0, (1 << bits) - 1, self.chance.randint(0, (1 << bits) - 1))

    def mix(self, made: Entry, fields: list[Entry], bits: int) -> None:
        """Mix a check with a whole number before it, now and then."""
        fit = self.whole_numbers(fields, bits)
        if fit and self.odds(8):
            made["mixed_with"] = self.chance.choice(fit)["name"]

    def whole_numbers(self, fields: list[Entry], bits: int) -> list[Entry]:
        """Fields of fixed size, at most so many bits, whose code is one whole number."""
        return [
            one
            for one in fields
            if one.get("kind", "number") in ("number", "tag", "constant", "count")
            and "name" in one
            and 0 < one.get("bits", 0) <= bits
            and not goes_on(one)
            and not {"group", "flags", "states", "summary", "bundle", "repeat", "present_when"} & one.keys()
        ]

    def algorithm(self, made: Entry, style: Style, *, whole: bool) -> int:
        """Choose what a check computes, of what its span allows; return its bits. whole: the span is certainly whole octets."""
        fitting = _TURNED_CRCS if style.least else _PLAIN_CRCS
        anything: Sequence[str] = (*_PLAIN_CRCS, *_TURNED_CRCS, *_SUMS)
        form = self.chance.randint(0, 3)
        if not whole and form == 3:
            made["fill"] = "zero"
        names = anything if whole or "fill" in made else fitting
        if style.turned:
            names = [name for name in names if check_bits(name) % 8 == 0 or check_bits(name) < 8]
        if form == 2 and ("fill" not in made):
            return self.custom(made, style, whole)
        made["algorithm"] = self.chance.choice(names)
        return check_bits(made["algorithm"])

    def custom(self, made: Entry, style: Style, whole: bool) -> int:
        """A CRC by its parameters, of any width that its group can turn."""
        width = int(self.one(8, 16, 32) if style.turned else self.chance.randint(3, self.one(16, 32, 64, 82)))
        top = (1 << width) - 1
        reflect_in = self.one(True, False) if whole else style.least
        made["algorithm"] = {
            "width": width,
            "polynomial": self.chance.randint(0, top) | 1,
            "initial": self.one(0, top, self.chance.randint(0, top)),
            "reflect_in": reflect_in,
            "reflect_out": self.one(False, True),
            "final_xor": self.one(0, top),
        }
        return width

    def cover(self, fields: list[Entry], scope: Scope, style: Style, *, whole: bool = False) -> None:
        """Give some of a group's checks other spans: names, a range, the whole frame. whole: this is the frame itself."""
        fields = [  # the others have no bits
            entry for entry in fields if "derived" not in entry and entry.get("kind") != "supplied"
        ]
        checks = [entry for entry in fields if entry.get("kind") == "check" and "_at" in entry]
        for entry in checks:
            del entry["_at"]
            at = fields.index(entry)
            last = entry is checks[-1]
            form = self.chance.randint(0, 7)
            if form < 2:
                if self.odds(4):
                    entry["covers"] = "everything_before"
                if not any(certainly_there(before) for before in fields[:at]):
                    self.by_names(entry, fields, style)
            elif form == 2:
                self.by_names(entry, fields, style)
            elif form < 6:
                self.by_range(entry, fields, style)
            elif whole and last and not any(holds_check(other) for other in fields[at + 1 :]):
                entry["covers"] = "whole_frame"
                self.own_bits(entry, style)

    def own_bits(self, entry: Entry, style: Style) -> None:
        """How a check counts inside its span."""
        if self.odds(2):
            whole = self.check_width(entry) % 8 == 0
            entry["self"] = self.one("zero", "ones", *(["skip"] if whole or not self.mixed else []))
        if entry.get("self") == "skip" and self.check_width(entry) % 8:
            self.partial(entry, style)

    def check_width(self, entry: Entry) -> int:
        asked = entry["algorithm"]
        return int(asked["width"]) if isinstance(asked, dict) else check_bits(asked)

    def partial(self, entry: Entry, style: Style) -> None:
        """Make a check fit for a span that may end inside an octet: its algorithm stays, if it can."""
        asked = entry["algorithm"]
        plain = isinstance(asked, dict) or asked.startswith("CRC")
        turned = asked["reflect_in"] if isinstance(asked, dict) else asked in _TURNED_CRCS
        if "fill" in entry or (plain and turned is style.least):
            return
        entry["fill"] = "zero"

    def by_names(self, entry: Entry, fields: list[Entry], style: Style) -> None:
        """Cover one to three fields of the same group, before or after the check."""
        named = [
            one
            for one in fields
            if "name" in one and certainly_there(one) and not holds_check(one) and not changes_packing(one)
        ]
        if not named:
            entry["covers"] = "everything_before"
            return
        chosen: dict[str, Entry] = {}
        for _ in range(self.chance.randint(1, 3)):
            one = self.chance.choice(named)
            chosen[one["name"]] = one
        names = list(chosen)
        entry["covers"] = names[0] if len(names) == 1 and self.odds(2) else names
        whole = [
            one["name"]
            for one in fields
            if "packing" in one and certainly_there(one) and not holds_check(one)
        ]
        if whole and self.odds(2):  # all of a group that lies on whole octets
            entry["covers"] = self.chance.choice(whole)
        self.partial(entry, style)

    def by_range(self, entry: Entry, fields: list[Entry], style: Style) -> None:
        """Cover a stretch of the same group, with a field left out where it has three; the check may lie inside."""
        stretch = self.chance.choice(stretches(fields, entry))
        named = [one for one in stretch if "name" in one and certainly_there(one)]
        if not named or named == [entry]:
            return
        at = self.chance.randint(0, len(named) // 2)
        covered = named[at : at + self.chance.randint(max(len(named) - at - 2, 1), len(named) - at)]
        if covered == [entry]:
            return
        entry["covers"] = {"from": covered[0]["name"], "to": covered[-1]["name"]}
        left = [one for one in covered[1:-1] if one is not entry]
        if left:
            entry["covers"]["except"] = [self.chance.choice(left)["name"]]
        first, last = (stretch.index(one) for one in (covered[0], covered[-1]))
        if any(one is entry for one in stretch[first : last + 1]):
            self.own_bits(entry, style)
        self.partial(entry, style)
