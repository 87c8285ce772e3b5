"""What flight and ground must share for a frame to arrive and to mean the same: every parameter, and what each mismatch looks like.

One table, PARAMETERS: how a parameter reads from a link, and the symptom when the two ends differ. Symptoms are how chirp receivers
behave (common practice, and the data sheets' sections on the packet format); a mismatch that does no harm says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from packetkit.errors import RadioError, counted
from packetkit.mission.load import Link, Mission
from packetkit.radio import doppler
from packetkit.radio.modems import MODEMS
from packetkit.radio.settings import Setting


@dataclass(frozen=True, slots=True)
class Parameter:
    """One thing both ends set. value: how it reads; symptom: what a receiver with the second link does of the first one's frames."""

    name: str
    value: Callable[[Link, Setting], str]
    symptom: Callable[[Link, Link], str]
    harmless: Callable[[Link, Link], bool] = lambda first, second: False


@dataclass(frozen=True, slots=True)
class Mismatch:
    """A parameter that differs: how either end has it, what happens, and whether it matters."""

    name: str
    first: str
    second: str
    symptom: str
    matters: bool


def _setting(link: Link) -> Setting:
    if link.setting is None:
        raise RadioError(
            "the schema names no radio; add link: {chirp: {spreading_factor: 10, bandwidth_khz: 125}}"
        )
    return link.setting


def _frequency(link: Link, _: Setting) -> str:
    return "not said" if link.frequency_mhz is None else f"{float(link.frequency_mhz):g} MHz"


def _offset_hz(first: Link, second: Link) -> float | None:
    if first.frequency_mhz is None or second.frequency_mhz is None:
        return None
    return abs(float(first.frequency_mhz - second.frequency_mhz)) * 1e6


def _frequency_near(first: Link, second: Link) -> bool:
    offset = _offset_hz(first, second)
    return offset is not None and offset <= doppler.offset_design_hz(_setting(second))


def _frequency_symptom(first: Link, second: Link) -> str:
    offset = _offset_hz(first, second)
    if offset is None:
        return "one end does not say it: nothing is received unless both have the same"
    design, limit = doppler.offset_design_hz(_setting(second)), doppler.offset_limit_hz(_setting(second))
    tolerance = f"receivers bear {design:,.0f} Hz (20 % of the bandwidth) to {limit:,.0f} Hz (25 %)"
    if offset <= design:
        return f"{offset:,.0f} Hz apart; {tolerance}: received, with less left for Doppler and oscillators"
    return f"{offset:,.0f} Hz apart; {tolerance}: nothing is received, or only some"


def _header_symptom(first: Link, _: Link) -> str:
    if _setting(first).explicit_header:
        return "the receiver takes the header for data: wrong length, every radio CRC fails, or it reads the header's bytes as the frame"
    return "the receiver waits for a header that is not sent: nothing is received, or rarely a packet of random length"


def _coding_symptom(first: Link, _: Link) -> str:
    if _setting(first).explicit_header:
        return "the header tells the receiver: frames arrive all the same; airtime and budgets are those of the sender"
    return "without a header nobody tells the receiver: packets come in, and every radio CRC or frame check fails"


def _preamble_symptom(first: Link, second: Link) -> str:
    if _setting(second).preamble_symbols > _setting(first).preamble_symbols:
        return "the receiver looks for a longer preamble than is sent: some or all frames are missed"
    return "the sender's is longer: received; only airtime grows"


def _crc_symptom(first: Link, _: Link) -> str:
    if _setting(first).explicit_header:
        return "the header says whether there is one: received, but without it the radio passes on damaged frames"
    return "without a header: the receiver drops every frame, or two bytes more come at the end"


# The new family's default 0x1424 is the old one's 0x12: each digit followed by a 4 (SX1261/2 data sheet, from memory).
SYNC_SECOND_NIBBLE = 4


def new_family_sync(word: int) -> int:
    """Return a sync word of the old family as the new one writes it.

    >>> hex(new_family_sync(0x12))
    '0x1424'
    """
    return ((word >> 4) << 12) | (SYNC_SECOND_NIBBLE << 8) | ((word & 15) << 4) | SYNC_SECOND_NIBBLE


def _low_data_rate(_: Link, setting: Setting) -> str:
    how = "by the rule" if setting.low_data_rate == "auto" else "forced"
    return f"{'on' if setting.low_data_rate_on else 'off'} ({how})"


def _low_data_rate_symptom(first: Link, second: Link) -> str:
    if _setting(first).low_data_rate_on == _setting(second).low_data_rate_on:
        return "both come to the same at this setting; another spreading factor or bandwidth may part them"
    return "packets are noticed and headers read, then every radio CRC fails: the rest is unpacked wrongly"


def _family(_: Link, setting: Setting) -> str:
    others = [one for one in MODEMS.values() if one is not setting.modem]
    if all(setting.modem.sends_as(one, setting.spreading_factor) for one in others):
        return "any: all send this spreading factor alike"
    return f"{setting.modem}, which sends SF{setting.spreading_factor} in a way of its own"


PARAMETERS: tuple[Parameter, ...] = (
    Parameter("frequency", _frequency, _frequency_symptom, _frequency_near),
    Parameter(
        "spreading factor",
        lambda link, setting: f"{setting.spreading_factor}",
        lambda first, second: "nothing is received: another spreading factor sounds like noise",
    ),
    Parameter(
        "modem family",
        _family,
        lambda first, second: (
            "nothing is received: the families build packets otherwise below SF7; use SF7 or more, or radios of one family"
        ),
    ),
    Parameter(
        "bandwidth",
        lambda link, setting: f"{setting.bandwidth} ({float(setting.bandwidth.hertz):,.10g} Hz)",
        lambda first, second: "nothing is received: the chirps have another slope",
    ),
    Parameter(
        "coding rate",
        lambda link, setting: setting.coding_rate,
        _coding_symptom,
        lambda first, second: _setting(first).explicit_header and _setting(second).explicit_header,
    ),
    Parameter(
        "preamble",
        lambda link, setting: f"{setting.preamble_symbols} symbols",
        _preamble_symptom,
        lambda first, second: _setting(second).preamble_symbols <= _setting(first).preamble_symbols,
    ),
    Parameter(
        "header",
        lambda link, setting: (
            "explicit" if setting.explicit_header else "implicit: both fix length and coding rate"
        ),
        _header_symptom,
    ),
    Parameter(
        "radio CRC",
        lambda link, setting: "on" if setting.crc else "off",
        _crc_symptom,
        lambda first, second: _setting(first).explicit_header and _setting(second).explicit_header,
    ),
    Parameter(
        "low data rate",
        _low_data_rate,
        _low_data_rate_symptom,
        lambda first, second: _setting(first).low_data_rate_on == _setting(second).low_data_rate_on,
    ),
    Parameter(
        "sync word",
        lambda link, setting: f"0x{link.sync_word:02X}; new family 0x{new_family_sync(link.sync_word):04X}",
        lambda first, second: "preambles are noticed and no packet follows; with a near word rarely one",
    ),
    Parameter(
        "I and Q",
        lambda link, setting: "inverted" if link.inverted_iq else "normal",
        lambda first, second: "nothing is received: the chirps run the other way",
    ),
    Parameter(
        "driver's own bytes",
        lambda link, setting: f"{link.driver_bytes}" if link.driver_bytes else "none",
        lambda first, second: (
            f"frames arrive shifted by {counted(abs(first.driver_bytes - second.driver_bytes), 'byte')}: unknown frames, failed "
            "checks, or a driver that drops what is not addressed to it"
        ),
    ),
)


def rows(mission: Mission) -> tuple[tuple[str, str], ...]:
    """Every parameter and its value, then each frame's length and fingerprint. Raises RadioError where the schema names no radio."""
    link, setting = mission.link, _setting(mission.link)
    radio = tuple((one.name, one.value(link, setting)) for one in PARAMETERS)
    return (*radio, *((f"frame {name}", value) for name, value in frames(mission)))


def frames(mission: Mission) -> Iterator[tuple[str, str]]:
    """Each frame's length and fingerprint: what both ends' software must have been made from."""
    for name, layout in mission.layouts.items():
        size = layout.size_bytes
        if size is None:
            most = layout.maximum_bytes
            length = (
                f"{layout.minimum_bits // 8} to {counted(most, 'byte')}"
                if most is not None
                else f"from {layout.minimum_bits // 8} bytes"
            )
        else:
            length = counted(size, "byte")
        yield name, f"{length}, fingerprint {layout.fingerprint}"


def mismatches(first: Mission, second: Mission) -> tuple[Mismatch, ...]:
    """What differs between a sender with the first mission and a receiver with the second. Raises RadioError as `rows` does."""
    mine, theirs = _setting(first.link), _setting(second.link)
    found = []
    for one in PARAMETERS:
        a, b = one.value(first.link, mine), one.value(second.link, theirs)
        if a != b:
            harmless = one.harmless(first.link, second.link)
            found.append(Mismatch(one.name, a, b, one.symptom(first.link, second.link), not harmless))
    return (*found, *_frame_mismatches(first, second))


def _frame_mismatches(first: Mission, second: Mission) -> Iterator[Mismatch]:
    mine, theirs = dict(frames(first)), dict(frames(second))
    for name in dict.fromkeys((*mine, *theirs)):
        a, b = mine.get(name, "not there"), theirs.get(name, "not there")
        if a == b:
            continue
        if name not in theirs:
            symptom = "arrives as an unknown frame, or is taken for another with the same constants"
        elif name not in mine:
            symptom = "never comes"
        else:
            symptom = (
                "decodes to wrong values, or fails its check: both ends need software made from one schema"
            )
        yield Mismatch(f"frame {name}", a, b, symptom, name in mine)
