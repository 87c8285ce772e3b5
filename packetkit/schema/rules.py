"""The rules of the schema language: one row each, with the sentence that a reader of the reference sees.

Every `Problem` names a row of RULES, and every row has at least one broken schema in schemas/bad/ beside its exact message; tests hold
both directions. stage says which part finds it: text (the YAML itself), words (keys and values), wire (what it means), mission.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: its name in problems and file names, the stage that checks it, and what must hold."""

    name: str
    stage: str
    sentence: str


def _rows(stage: str, rows: dict[str, str]) -> tuple[Rule, ...]:
    return tuple(Rule(name, stage, sentence) for name, sentence in rows.items())


RULES: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        *_rows(
            "words",
            {
                "unknown-key": "Every key is a word of the language.",
                "key-not-for-kind": "A key belongs to the kind of field that it is written in.",
                "missing-key": "What a field, a frame or a mission needs is there.",
                "wrong-type": "A value has the shape its key asks for: text, a list or a mapping.",
                "bad-number": "A number is an integer, a decimal, 0x hex or a fraction a/b.",
                "not-whole": "A count of bits, codes or elements is a whole number.",
                "not-positive": "A size, a step or a time is above zero.",
                "number-limit": "A whole number stays within what it counts.",
                "bad-boolean": "A yes or no is written true or false.",
                "bad-word": "A word is one of those its key allows.",
                "bad-name": "A name starts with a lower-case letter and holds lower-case letters, digits and underscores, 40 at most.",
                "reserved-name": "A name is not a word that a target language keeps for itself.",
                "duplicate-name": "Names are unique within their group.",
                "bad-text": "A unit, a label or a reason is one line of at most 80 characters.",
                "bad-bits": "A field has 1 to 64 bits; an IEEE number 16, 32 or 64; a check as many as its algorithm.",
                "bad-instant": "An instant is UTC, as 2030-01-31T00:00:00Z.",
                "unknown-preset": "A preset is a row of the table of quantities.",
                "code-order": "A range of codes runs upwards.",
                "duplicate-state": "Each state has one code and each code one state.",
                "nothing-in-it": "A mission has a frame, a frame and a group have a field, states have a name.",
                "frame-fields": "A group, a set of flags and a plain field are told apart by one key: group or flags.",
            },
        ),
        *_rows(
            "wire",
            {
                "step-unknown": "A range by meaning says its resolution or its bits.",
                "both-ways": "A field is declared by meaning or by wire, not half each.",
                "half-a-range": "A range has both its ends.",
                "range-order": "The maximum is above the minimum.",
                "range-not-whole": "By meaning, maximum - minimum is a whole number of resolutions.",
                "range-does-not-fit": "The bits hold every step of the range and every reserved code.",
                "range-too-wide": "A range by meaning needs at most 64 bits.",
                "bound-unreachable": "A wire field can reach the bounds that it declares.",
                "scale-zero": "A scale is not zero.",
                "not-exact": "A scaled value comes back from the nearest double as the same raw code.",
                "code-too-large": "A code fits the field's bits.",
                "codes-overlap": "A code has one meaning.",
                "code-in-range": "A reserved code of a range by meaning lies above its steps.",
                "no-legal-code": "A field has at least one code for a value.",
                "missing-undeclared": "out_of_range: missing needs a missing code.",
                "default-unfit": "A default is a value that the field can send.",
                "flag-unknown": "The flag that clamping raises is a flag of the same or an enclosing group.",
                "flag-without-clamp": "Only a field that clamps raises a flag.",
                "order-width": "Octets can be reversed in whole octets only.",
                "order-words": "word_bits goes with order: little, most significant bit first.",
                "words-not-whole": "A group with word_bits is a whole number of words and of fixed size.",
                "packing-boundary": "Packing changes only at a byte boundary.",
                "not-whole-bytes": "A frame that does not end on a whole byte says how it is completed.",
                "reserved-size": "Reserved bits say bits or up_to.",
                "boundary-unknown": "Fill up to a word needs to start somewhere in the frame that is known to be reachable.",
                "count-unknown": "A repeat is counted by a count field before it.",
                "count-unused": "A count counts a repeat.",
                "count-too-large": "A fixed repeat fits what its count can say, and has at most 65,535 elements.",
                "repeat-shape": "A repeat has a count, or runs to the end.",
                "repeat-empty": "A repeated element has at least one bit.",
                "to-end-last": "Nothing of varying size follows a repeat that runs to the end.",
                "to-end-ambiguous": "The fill after a repeat that runs to the end is smaller than one element.",
                "condition-unknown": "present_when names a field before it, in the same or an enclosing group.",
                "condition-codes": "present_when names codes that the field can have.",
                "not-repeatable": "Checks, counts, reserved bits and constants stand alone: they neither repeat nor are optional.",
                "algorithm-unknown": "A check's algorithm is a row of the catalogue.",
                "algorithm-parameters": "A CRC's six parameters fit its width.",
                "stored-width": "The octets of a check can be ordered only when they are whole.",
                "span-unknown": "A check covers fields that exist in the same or an enclosing group.",
                "span-empty": "A check covers at least one bit besides its own.",
                "span-octets": "Octet-wise checks cover whole octets, or say fill: zero.",
                "span-cycle": "Checks do not cover each other in a circle.",
                "self-unused": "self belongs to a check that covers its own bits.",
                "role-unfit": "A role's details belong to it, and one frame has one field of a role.",
                "modulus-unfit": "A counter's modulus is at least 2 and fits its bits.",
                "frame-too-long": "A frame has at most 65,535 bytes.",
            },
        ),
        *_rows(
            "mission",
            {
                "frames-alike": "Each pair of frames differs in a constant or a tag at the same bits, or in every length.",
                "radio-setting": "The radio setting is one that the modem has.",
                "pass-unknown": "Passes are an orbit (altitude_km and minimum_elevation_deg) or a duration_s.",
                "pass-impossible": "The orbit exists and rises above the minimum elevation.",
            },
        ),
    )
}
