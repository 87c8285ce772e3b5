"""The table of experiments: `packetkit lab` lists and runs what stands here."""

from __future__ import annotations

from typing import NamedTuple

from packetkit.lab import channel, distances, misses, pipe, polynomials, reach, resolution, resync
from packetkit.lab.experiment import LONGEST_BYTES, Experiment


class Knob(NamedTuple):
    """Something to turn: what it is called on the command line, the least and the most, and what it means. base: 16 for polynomials."""

    flag: str
    low: int
    high: int
    words: str
    kind: str = "whole"


# Where an experiment has a knob, its default stands in its row; None there: the frame or the mission gives it.
KNOBS: dict[str, Knob] = {
    "bytes": Knob(
        "--bytes", misses.LEAST_OCTETS, LONGEST_BYTES, "Octets under the check.  [default: as the frame has]"
    ),
    "samples": Knob("--samples", 100, 1_000_000_000, "How many are drawn where not all are counted."),
    "width": Knob("--width", 3, 32, "Bits of the CRC.  [default: as the frame has, else 16]"),
    "polynomial": Knob(
        "--polynomial",
        1,
        (1 << 32) - 1,
        "Also this generator, its highest term left out: 0x1021.",
        "polynomial",
    ),
    "field": Knob("--field", 0, 0, "The field, by its full name.  [default: the first with a step]", "text"),
    "minutes": Knob("--minutes", 1, 1440, "How long is sent."),
    "teams": Knob("--teams", 2, 500, "The most teams on the channel."),
    "interval_s": Knob(
        "--interval-s", 1, 86_400, "Seconds from frame to frame.  [default: the frame's cadence, else 10]"
    ),
    "lessons": Knob("--lessons", 2, 1_000_000, "How often it is drawn."),
    "frames": Knob("--frames", 100, 1_000_000_000, "How many frames go through the pipe at each rate."),
}

EXPERIMENTS: dict[str, Experiment] = {
    one.name: one
    for one in (
        Experiment(
            "misses",
            "Which damage does each check miss at this frame's length?",
            1,
            {"bytes": None, "samples": 200_000},
            (
                "Any check notices one flipped bit. Look for the first column in which it does not say none.",
                "A CRC of w bits never misses a burst of w bits or fewer; noise gets through all checks of w bits about once in 2^w.",
                "Sums are fooled by two flips in one column, one up and one down, and by bytes that change places.",
                "~ was drawn, < says less than (95 %); without either every pattern was counted.",
            ),
            "W. W. Peterson and D. T. Brown, Cyclic Codes for Error Detection, Proc. IRE 49 (1961), 228-235 (from memory).",
            misses.run,
        ),
        Experiment(
            "distance",
            "How many bits must flip before a check can miss it, the longer the data?",
            1,
            {"bytes": None, "polynomial": None, "width": 16},
            (
                "A check is as good as its distance at your length; longer data may lose it.",
                "Two generators of one width differ: compare how long each keeps 4, 5 and 6.",
                "No CRC of 16 bits keeps distance 6 beyond 16 bytes; some of 32 bits keep it to 255 and further.",
            ),
            "P. Koopman and T. Chakravarty, Cyclic Redundancy Code Polynomial Selection for Embedded Networks, DSN 2004 (from memory).",
            distances.run,
        ),
        Experiment(
            "polynomial",
            "Which generator guards this length best?",
            1,
            {"bytes": None, "width": None},
            (
                "Many generators reach the best distance; far fewer of them miss little beyond it.",
                "The best one for this length is rarely the best for another: change --bytes.",
                "A generator and its mirror image notice the same; a famous name is no proof.",
            ),
            "As `distance`; all generators of up to 16 bits are judged by MacWilliams' identity, wider ones are the catalogue's.",
            polynomials.run,
        ),
        Experiment(
            "resync",
            "One byte is lost: how many frames go with it?",
            1,
            {},
            (
                "Counting bytes never finds back: everything behind a lost or added byte is lost.",
                "Delimiters on both sides, which stand nowhere else, cost two bytes and lose no frame but the one that is hit.",
                "A length field that is hit swallows its neighbours, unless the search steps back where the check fails (marker, checked).",
                "Framing alone hands wrong frames on; what the check then believes is the last column.",
            ),
            "RFC 1055 (SLIP), S. Cheshire and M. Baker, IEEE/ACM Trans. Networking 7 (1999) (COBS), RFC 1662 (flags and escapes).",
            resync.run,
        ),
        Experiment(
            "resolution",
            "What does a finer step cost, and what does it bring?",
            1,
            {"field": None, "samples": 100_000},
            (
                "Half the step is the largest error; a step over the root of 12 is the typical one.",
                "Each bit more halves the error. Bits cost nothing until they need one more byte.",
                "Time on air moves in stairs: some finer steps are free, some cost a whole block of symbols.",
            ),
            "W. R. Bennett, Spectra of Quantized Signals, Bell Syst. Tech. J. 27 (1948), 446-472 (from memory): uniform error.",
            resolution.run,
        ),
        Experiment(
            "reach",
            "What does a slower setting give in distance, and take in bytes?",
            1,
            {"minutes": 10},
            (
                "A spreading factor more doubles the chips of a symbol: some 2.5 dB, a third more distance, about half the bytes.",
                "Free space is the best case: terrain, trees and the horizon end real links first.",
            ),
            "SX1276 data sheet, airtime and sensitivity; free-space loss: Recommendation ITU-R P.525.",
            reach.run,
        ),
        Experiment(
            "channel",
            "How many teams can send on one channel before they lose each other's frames?",
            1,
            {"teams": 30, "interval_s": None, "lessons": 200},
            (
                "Losses grow with teams and with time on air: the formula is 1 - (1 - 2 airtime / interval)^(teams - 1).",
                "More teams bring more frames home only up to a point; then every further team costs more than it brings.",
            ),
            "Unslotted random access: N. Abramson, The ALOHA System, AFIPS Conf. Proc. 37 (1970), 281-285 (from memory).",
            channel.run,
        ),
        Experiment(
            "pipe",
            "What arrives through a noisy pipe, and what is wrong but believed?",
            1,
            {"frames": 20_000},
            (
                "A frame of n bits arrives whole with (1 - rate)^n: halve the frame and far more arrive.",
                "Noticed damage costs a frame; unnoticed damage costs trust. Compare the columns.",
                "No check makes the pipe better; it only says which frames to throw away.",
            ),
            "Independent bit errors: (1 - p)^n (any textbook of probability).",
            pipe.run,
        ),
    )
}
