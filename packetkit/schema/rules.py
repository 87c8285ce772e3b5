"""The rules of the schema language: one row each, with the sentence that a reader of the reference sees.

Every `Problem` names a row of RULES, and every row has at least one broken schema in schemas/bad/ beside its
exact message; tests hold both directions. stage says which part finds it: text (the YAML itself), words (keys
and values), wire (what they mean), mission (frames, radio and passes together).
"""

from __future__ import annotations

from dataclasses import dataclass

from packetkit.schema.text import RULES as _TEXT


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: its name in problems and file names, the stage that checks it, and what must hold."""

    name: str
    stage: str
    sentence: str


# Ten times what any mission needs; each pair of frames is compared, so the work grows with the square.
MAXIMUM_FRAMES = 256

_WORDS = {
    "unknown-key": "Every key is a word of the language.",
    "key-not-for-kind": "A key belongs to the kind of field that it is written in.",
    "missing-key": "What a field, a frame or a mission needs is there.",
    "no-value": "Every key has a value.",
    "wrong-type": "A value has the shape its key asks for: one value, a list, or keys with values.",
    "bad-number": "A number is an integer, a decimal, 0x hex or a fraction a/b, and not in quotes.",
    "not-whole": "A count of bits, codes or elements is a whole number.",
    "not-positive": "A step, a period or a duration is above zero, and a gap is not below it.",
    "number-limit": "A number stays within what it counts.",
    "bad-boolean": "A yes or no is written true or false.",
    "bad-word": "A word is one of those its key allows.",
    "bad-name": "A name is 1 to 40 lower-case letters, digits and underscores, a letter first.",
    "reserved-name": "A name is not a word that a target language keeps for itself.",
    "duplicate-name": "Names are unique within their group.",
    "bad-text": "A unit, a label or a reason is one line of 1 to 80 characters.",
    "bad-bits": "A field has 1 to 64 bits; an IEEE number 16, 32 or 64; a check as many as its algorithm.",
    "bad-instant": "An instant is UTC, as 2030-01-31T00:00:00Z.",
    "unknown-preset": "A preset is a row of the table of quantities.",
    "code-shape": "Codes are a number, {from: a, to: b}, or a list of these; a missing code may have a reason.",
    "code-order": "A range of codes runs upwards.",
    "duplicate-state": "Each state has one code and each code one state.",
    "nothing-in-it": "A list has an entry: a frame has a field, a set of states a state, a mission a frame.",
    "characters-unfit": "Each code has one character and each character one code; fill and end are one of them.",
    "two-kinds": "A field is one thing: it has only one of group, flags, states, variants, derived, summary, bundle and carried.",
    "summary-range": "A summary has a range and a resolution, which the mean's own step divides.",
    "calibration-shape": "A calibration is a polynomial of 2 to 10 coefficients, or 2 to 1,000 points, for each serial.",
    "repeat-shape": "A repeat is a number, is counted by a field, or runs to the end.",
    "too-many-frames": f"A mission has at most {MAXIMUM_FRAMES} frames.",
}

_WIRE = {
    "step-unknown": "A field says its bits, or a range by meaning says its resolution.",
    "both-ways": "A field is declared by meaning or by wire, not half each.",
    "half-a-range": "A range by meaning has both its ends.",
    "range-order": "The maximum is above the minimum.",
    "range-not-whole": "By meaning, maximum - minimum is a whole number of resolutions.",
    "range-does-not-fit": "The bits hold every step of the range and every reserved code.",
    "range-too-wide": "A range by meaning needs at most 64 bits.",
    "bound-unreachable": "A wire field can reach the bounds that it declares.",
    "bound-astray": "A code for this or more has the greatest value, or the next above; one for this or less of the least, or next below.",
    "time-unfit": "A time counts units that fall, in bits that hold them, from an epoch that its leap seconds allow.",
    "curve-shape": "A curve is square, or one of {square: ...}, {polynomial: ...}, {points: ...} and {table: ...}, in its form.",
    "curve-unfit": "A curve has codes that its bits hold, values that doubles tell apart, and beside it only what it leaves open.",
    "coding-shape": "A coding by first bits says how many, and its forms; each has codes of them and so many bits more.",
    "runs-shape": "Runs are a list of [bit, width].",
    "runs-unfit": "The runs of a split value and the single fields between them fill their group, each bit once.",
    "coding-unfit": "A coding has its bits and nothing beside it that cannot be; what goes on octet by octet starts on a byte.",
    "scale-unfit": "A scale that another field chooses has nothing beside it that says the scale too, and one choice for each code.",
    "scale-zero": "A scale is not zero.",
    "not-exact": "A scaled value comes back from the nearest double as the same raw code.",
    "code-too-large": "A code fits the field's bits.",
    "codes-overlap": "A code has one meaning.",
    "one-code": "A constant and a sync marker have one code.",
    "code-in-range": "A missing code of a range by meaning lies above its steps.",
    "no-legal-code": "A field has at least one code for a value.",
    "missing-undeclared": "out_of_range: missing needs a missing code.",
    "default-unfit": "A default is a value that the field can send.",
    "flag-unknown": "The flag that clamping raises is a flag before the field, in its group or one around it.",
    "flag-without-clamp": "Only a field that clamps raises a flag.",
    "order-width": "Octets can be reversed in whole octets only.",
    "order-words": "word_bits goes with order: little, most significant bit first, and rules its whole group.",
    "words-not-whole": "A group with word_bits is a whole number of words and of fixed size.",
    "packing-boundary": "Packing changes only at a byte boundary.",
    "not-whole-bytes": "A frame that does not end on a whole byte says how it is completed.",
    "reserved-size": "Reserved bits say bits or up_to, one of them.",
    "count-unknown": "A repeat is counted by a count field before it, in its group or one around it.",
    "count-unused": "A count counts a repeat.",
    "length-unknown": "A length measures a field or group behind it or around it, or the whole frame, and nothing measures it twice.",
    "length-astray": "A length stands before or inside what it measures, wherever that is.",
    "length-unfit": "A length can say the size of what it measures, which is whole units or is filled.",
    "variant-codes": "Each variant has codes of its own, of the fields that tell them apart.",
    "carried-unfit": "What is carried is another frame of the mission, starts on a byte boundary and fits the bytes it is given.",
    "turn-unfit": "Two or more variants in turn, each of one size, are told by one sequence whose modulus is a multiple of their number.",
    "count-too-large": "A repeat has 1 to 65,535 elements, and a count's maximum fits its bits.",
    "repeat-empty": "A repeated element has at least one bit.",
    "to-end-last": "One repeat of a frame may run to the end, and what follows it has a fixed size.",
    "to-end-ambiguous": "Where a repeat runs to the end, the frame's length decides how many elements there are.",
    "condition-unknown": "present_when, valid_when and scale_by name a field before it, in its group or one around it.",
    "condition-codes": "present_when, valid_when and scale_by name codes that the field can have.",
    "valid-unfit": "What says whether a value counts, or chooses its scale, is a field whose code the record gives; the value has no role.",
    "not-repeatable": "Constants, tags, counts, reserved bits and checks neither repeat nor are optional.",
    "algorithm-unknown": "A check's algorithm is a row of the catalogue.",
    "algorithm-parameters": "A CRC's six parameters fit its width.",
    "stored-width": "The octets of a check can be ordered only when they are whole.",
    "span-unknown": "A check covers fields of its group or of one around it.",
    "span-empty": "A check covers at least one bit.",
    "span-octets": "Octet-wise checks cover whole octets, or say fill: zero.",
    "too-many-checks": "A frame has at most 64 checks.",
    "span-cycle": "Checks do not cover each other in a circle.",
    "mixed-unfit": "A check is mixed with the whole code of a field before it, in its group or one around it, no wider than itself.",
    "parity-unfit": "A check by listed bits covers always as many bits, and those that it lists.",
    "fed-unfit": "A check is fed with whole codes of fields before it; what zero means is said of a check that is mixed with nothing.",
    "supplied-unfit": "A supplied field stands among the frame's own fields and goes into a check that stands there too.",
    "self-unused": "self belongs to a check that covers its own bits.",
    "expression-shape": "A derived value is school arithmetic over names of fields: + - * / and parentheses, min, max, abs, sqrt.",
    "expression-limit": "The arithmetic of a derived value has at most 200 characters and is nested at most 16 deep.",
    "operand-unknown": "A derived value is worked out from numbers before it, in its group or one around it.",
    "summary-unfit": "A summary has fewer bits than the samples that it stands for.",
    "bundle-unfit": "A bundle's samples have one range of codes, its step is a number of codes, and it has fewer bits than plain samples.",
    "calibration-order": "The points of a calibration go upwards.",
    "limit-order": "The minimum of a limit is below its maximum, and the hard limit is outside the soft one.",
    "limit-unfit": "A limit is one that a value of the field can be beyond.",
    "role-unfit": "A role suits its field, its details belong to it, and a frame has one field of each role.",
    "modulus-unfit": "A counter's modulus is at least 2 and fits its bits.",
    "frame-too-long": "A frame has at most 65,535 bytes.",
}

_MISSION = {
    "frames-alike": "Two frames differ in a constant or a tag at the same bits, or in every length, unless one is told from outside.",
    "radio-setting": "The radio setting is one that the modem has.",
    "link-end": "The ends of the link, and what is between them, have figures that radios and antennas have.",
    "battery-impossible": "A battery has figures that batteries have.",
    "pass-unknown": "Passes are one thing: an orbit, elements over a site, a balloon, a rocket, a distance, a duration or a host.",
    "pass-impossible": "The orbit exists and rises above the minimum elevation; a flight is one that can be flown.",
    "pass-elements": "Two-line elements are two whole lines of one object, with right check digits.",
}

_STAGES = {"text": _TEXT, "words": _WORDS, "wire": _WIRE, "mission": _MISSION}

RULES: dict[str, Rule] = {
    name: Rule(name, stage, sentence) for stage, rows in _STAGES.items() for name, sentence in rows.items()
}
