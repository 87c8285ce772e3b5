"""Every word of the classroom's pages, in one table for each language. A second language is one more row of WORDS.

A text may name facts of its task in braces. What starts with `pre:` is set in a fixed width, line by line.
"""

from __future__ import annotations

from typing import NamedTuple


class Asked(NamedTuple):
    """One kind of task in words: its title, what is asked, what the answer looks like, and the steps of the key."""

    title: str
    ask: tuple[str, ...]
    form: str
    steps: tuple[str, ...]


class Words(NamedTuple):
    """One language's words."""

    language: str
    worksheet: str
    number: str
    sheet: str
    how: str
    answer: str
    key: str
    key_how: str
    all_answers: str
    caution: str
    signed: str
    or_missing: str
    one_for_missing: str
    negative: str
    in_unit: str
    in_field: str
    example: str
    kinds: dict[str, Asked]


_FIELD = "Field {field}: {bits} bits{signed_words}. Raw code 0 means {offset_text}; one step is {scale_text}."

ENGLISH = Words(
    language="en",
    worksheet="Worksheet",
    number="number",
    sheet="sheet",
    how=(
        "Work with your number, not your name. Bits are counted from 0 at the left, the most significant first. Write answers into the "
        "column answer of answers.csv, beside your number; a unit may follow."
    ),
    answer="Answer",
    key="Key",
    key_how="Every answer was worked out a second time by another way before this was written.",
    all_answers="All answers",
    caution="Radio figures are estimates. Local spectrum rules, licences and licensed operators decide.",
    signed=", signed (two's complement)",
    or_missing=", and one code must say that there is no reading",
    one_for_missing=", and one more for a missing reading",
    negative="; its first bit is set, so it means {unsigned} - {modulus} = {raw}",
    in_unit=", in {unit}",
    in_field=" It belongs to {hit}.",
    example=" (an example: the schema has no radio)",
    kinds={
        "encode": Asked(
            "Encode a reading",
            (_FIELD, "The sensor reads {value_text}. Which raw code is sent?"),
            "decimal",
            (
                "({value_text} - {taken_text}) / {scale_text} = {exact_text}",
                "Round to the nearest whole code: {answer}",
            ),
        ),
        "decode": Asked(
            "Decode a code",
            (_FIELD, "The frame carries the code {code}. Which value is that?"),
            "decimal{unit_words}",
            (
                "{code} is {unsigned} in decimal{two_words}.",
                "{offset_text} + {raw} x {scale_text} = {value_text}",
            ),
        ),
        "bytes": Asked(
            "A number as two bytes",
            (
                "The number {number} is sent in 16 bits, the most significant byte first. Which two bytes are sent?",
            ),
            "hexadecimal, like 0A 1B",
            ("{number} = {high} x 256 + {low}", "{high} is {high_hex} and {low} is {low_hex}: {answer}"),
        ),
        "flip": Asked(
            "Find the flipped bit",
            (
                "One bit turned over on the way. Which one? Count from 0.",
                "pre:sent      {sent}\nreceived  {received}",
            ),
            "decimal",
            (
                "Byte {byte} differs: {before} was sent, {after} arrived.",
                "pre:{before_bits}\n{after_bits}",
                "In that byte it is bit {within} from the left: {byte} x 8 + {within} = {answer}.{field_words}",
            ),
        ),
        "sum": Asked(
            "Add up a check",
            ("An 8-bit sum over these bytes, the carry dropped:", "pre:{octets}"),
            "two hexadecimal digits",
            ("The bytes add up to {total}; {total} - {carried} x 256 = {rest}, which is {answer}.",),
        ),
        "divide": Asked(
            "Divide for a check",
            (
                (
                    "The check of these bits by long division with the generator {generator} (x^4 + x + 1): append four zeros, subtract by "
                    "exclusive or, keep the remainder."
                ),
                "pre:{bits} 0000 : {generator}",
            ),
            "four bits",
            ("pre:{division}", "The remainder is {answer}."),
        ),
        "size": Asked(
            "Size a field",
            (
                "A new field goes from {minimum} to {maximum_text} in steps of {step_text}{missing_words}. How many bits does it take?",
            ),
            "decimal",
            (
                "({maximum_text} - {taken_text}) / {step_text} = {steps} steps, so {steps} + 1 codes{missing_step}.",
                "2^{less} = {less_power} is too few, 2^{answer} = {power} is enough: {answer} bits.",
            ),
        ),
        "airtime": Asked(
            "Time on air",
            (
                (
                    "A packet of {size} bytes at {setting}{example_words}. One symbol lasts {symbol_text} ms; preamble and sync take "
                    "{preamble_text} symbols, the first block 8 symbols for {first_bits} bits. Each further block takes {block_symbols} "
                    "symbols for {block_bits} bits. The packet's own check adds {crc_bits} bits. How long is it on the air?"
                ),
            ),
            "milliseconds, one digit behind the point",
            (
                "{size} x 8 + {crc_bits} - {first_bits} = {left} bits are left for blocks.",
                "{left} / {block_bits}, rounded up: {blocks} blocks.",
                "({preamble_text} + 8 + {blocks} x {block_symbols}) x {symbol_text} ms = {answer} ms",
            ),
        ),
        "pass": Asked(
            "Bytes in a pass",
            (
                (
                    "A pass lasts {duration_s} s. A frame of {size} bytes is {airtime_text} ms on the air{setting_words}, and between "
                    "frames there are {gap_text} ms of silence. How many bytes can be sent, in whole frames?"
                ),
            ),
            "decimal, bytes",
            (
                "{duration_s} s / ({airtime_text} ms + {gap_text} ms), rounded down: {frames} frames.",
                "{frames} x {size} = {answer} bytes",
            ),
        ),
    },
)

WORDS: dict[str, Words] = {one.language: one for one in (ENGLISH,)}
