"""Time codes, held to moments that are known by their number, to Python's calendar, and both ways.

Sources: ETSI EN 300 468, annex C: Modified Julian Date 45218 is 1982 September 6, and 93/10/13 is coded as C079 hexadecimal; from memory.
POSIX seconds since the epoch: 1,000,000,000 at 2001-09-09T01:46:40Z, 1,234,567,890 at 2009-02-13T23:31:30Z, 2**31 - 1 at
2038-01-19T03:14:07Z, common knowledge. GPS, IS-GPS-200: weeks from 1980-01-06, not interrupted by leap seconds; its ten-bit week began
anew at 1999-08-21T23:59:47Z and 2019-04-06T23:59:42Z, when it was 13 and 18 seconds ahead of UTC; from memory. CCSDS 301.0-B: epoch
1958-01-01, which is Modified Julian Date 36204; from memory. Leap seconds: IERS Bulletin C; TAI - UTC was 10 s at the start of 1972, 19 s
at the GPS epoch, 32 s in 2000, and is 37 s since 2017.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta, timezone
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from skyfield.api import load

from packetkit.codec.frame import Frame
from packetkit.errors import EncodeError
from packetkit.layout.leap_seconds import LEAP_SECONDS
from packetkit.mission.load import parse


def codec(field: str) -> Frame:
    text = f"mission: paper\nframes:\n  sheet:\n    fields:\n      - {{name: a, kind: time, {field}}}\n    last_byte: zero_filled\n"
    return parse(text).frames["sheet"]


POSIX = codec("bits: 32, tick_s: 1, epoch: 1970-01-01T00:00:00Z, leap_seconds: not_counted")
JULIAN = codec("bits: 16, tick_s: 86400, epoch: 1858-11-17T00:00:00Z")
GPS = codec("counts: {weeks: 16, seconds: 24}, epoch: 1980-01-06T00:00:00Z, leap_seconds: counted")
ATOMIC = codec("bits: 48, tick_s: 1/1000, epoch: 1958-01-01T00:00:00Z, leap_seconds: counted")
UNSEGMENTED = codec("counts: {seconds: 32, fraction: 56}, epoch: 2017-01-01T00:00:00Z, leap_seconds: counted")
DAYS = codec("counts: {days: 16, milliseconds: 32, microseconds: 16}, epoch: 1958-01-01T00:00:00Z")


@pytest.mark.parametrize(
    ("seconds", "moment"),
    [
        (1_000_000_000, "2001-09-09T01:46:40Z"),
        (1_234_567_890, "2009-02-13T23:31:30Z"),
        ((1 << 31) - 1, "2038-01-19T03:14:07Z"),
    ],
)
def test_seconds_since_1970_are_the_known_moments(seconds: int, moment: str) -> None:
    assert POSIX.decode(seconds.to_bytes(4, "big")) == {"a": moment}
    assert POSIX.encode({"a": moment}) == seconds.to_bytes(4, "big")


@given(st.integers(0, (1 << 88) - 1))
def test_seven_octets_of_fractions_are_told_apart_by_their_text(code: int) -> None:
    data = code.to_bytes(11, "big")
    text = UNSEGMENTED.decode(data)["a"]
    assert UNSEGMENTED.encode({"a": text}) == data
    seconds = Fraction(code, 1 << 56)
    moment = datetime(2017, 1, 1, tzinfo=timezone.utc) + timedelta(seconds=seconds // 1)
    assert text[:19] == (moment + timedelta(seconds=round(seconds % 1))).strftime("%Y-%m-%dT%H:%M:%S") or (
        text[:19] == moment.strftime("%Y-%m-%dT%H:%M:%S")
        and abs(Fraction(text[19:-1]) - seconds % 1) <= Fraction(1, 2 * 10**17)
    )


@pytest.mark.parametrize(
    ("number", "moment"),
    [(45218, "1982-09-06"), (0xC079, "1993-10-13"), (36204, "1958-01-01"), (40587, "1970-01-01")],
)
def test_a_modified_julian_date_is_the_known_day(number: int, moment: str) -> None:
    assert JULIAN.decode(number.to_bytes(2, "big")) == {"a": f"{moment}T00:00:00Z"}


@pytest.mark.parametrize(
    ("week", "moment"),
    [(0, "1980-01-06T00:00:00Z"), (1024, "1999-08-21T23:59:47Z"), (2048, "2019-04-06T23:59:42Z")],
)
def test_the_weeks_of_gps_begin_when_they_did(week: int, moment: str) -> None:
    data = week.to_bytes(2, "big") + bytes(3)
    assert GPS.decode(data) == {"a": moment}
    assert GPS.encode({"a": moment}) == data


def test_a_week_that_began_anew_is_told_by_the_reference_date() -> None:
    for reference, moment in (("1980-01-06", "1980-01-13T00:00:00Z"), ("2019-01-01", "2019-04-13T23:59:42Z")):
        frame = codec(
            "counts: {weeks: 10, seconds: 22}, epoch: 1980-01-06T00:00:00Z, leap_seconds: counted, "
            f"reference_date: {reference}T00:00:00Z"
        )
        data = (1 << 22).to_bytes(4, "big")
        assert frame.decode(data) == {"a": moment}
        assert frame.encode({"a": moment}) == data


@pytest.mark.parametrize(
    ("day", "ahead"), [("1972-01-01", 10), ("1980-01-06", 19), ("2000-01-01", 32), ("2017-01-01", 37)]
)
def test_atomic_time_is_ahead_by_what_the_bulletins_say(day: str, ahead: int) -> None:
    seconds = (date.fromisoformat(day) - date(1958, 1, 1)).days * 86_400 + ahead
    assert ATOMIC.decode((seconds * 1000).to_bytes(6, "big")) == {"a": f"{day}T00:00:00.000Z"}
    assert max(ahead for _, ahead in LEAP_SECONDS) == 37 and len(LEAP_SECONDS) == 28


def test_every_leap_second_is_where_a_general_library_of_astronomy_has_it() -> None:
    known = load.timescale(builtin=True)  # skyfield's own table, which leaves the start of 1972 out
    days = [date(1858, 11, 17) + timedelta(int(day - 2_400_000.5)) for day in known.leap_dates]
    theirs = zip(days, map(int, known.leap_offsets), strict=True)
    assert ((date(1972, 1, 1), 10), *theirs) == LEAP_SECONDS


def test_each_leap_second_is_the_one_before_its_row_and_is_written_60() -> None:
    for (day, ahead), _ in zip(LEAP_SECONDS[1:], LEAP_SECONDS, strict=False):
        seconds = (day - date(1958, 1, 1)).days * 86_400 + ahead
        before = (day - timedelta(1)).isoformat()
        texts = [ATOMIC.decode((1000 * (seconds + step)).to_bytes(6, "big"))["a"] for step in (-2, -1, 0)]
        assert texts == [
            f"{before}T23:59:59.000Z",
            f"{before}T23:59:60.000Z",
            f"{day.isoformat()}T00:00:00.000Z",
        ]
        assert ATOMIC.encode({"a": texts[1]}) == (1000 * (seconds - 1)).to_bytes(6, "big")


@given(st.integers(0, (1 << 32) - 1))
def test_without_leap_seconds_the_calendar_is_that_of_python(seconds: int) -> None:
    moment = datetime(1970, 1, 1, tzinfo=timezone.utc) + timedelta(seconds=seconds)
    data = seconds.to_bytes(4, "big")
    assert POSIX.decode(data) == {"a": moment.strftime("%Y-%m-%dT%H:%M:%SZ")}
    assert POSIX.encode({"a": moment}) == data
    assert POSIX.encode({"a": moment.astimezone(timezone(timedelta(hours=-7)))}) == data


@given(st.datetimes(datetime(1958, 1, 1), datetime(2100, 1, 1)))
def test_days_and_their_parts_are_those_of_the_calendar(moment: datetime) -> None:
    days, rest = divmod(moment - datetime(1958, 1, 1), timedelta(1))
    millis, micros = divmod(rest // timedelta(microseconds=1), 1000)
    data = days.to_bytes(2, "big") + millis.to_bytes(4, "big") + micros.to_bytes(2, "big")
    assert DAYS.encode({"a": moment.replace(tzinfo=timezone.utc)}) == data
    assert DAYS.decode(data) == {"a": moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")}


# 4,096 parts of a day of 86,400 s use all of their bits: a leap second has no code.
PARTS = codec("counts: {days: 14, fraction: 12}, epoch: 2000-01-01T00:00:00Z")


@given(
    st.sampled_from([date(2005, 12, 31), date(2008, 12, 31), date(2016, 12, 31), date(2016, 12, 30)]),
    st.integers(86_340_000, 86_400_999),
)
def test_near_the_end_of_a_day_the_nearest_code_is_sent_though_its_leap_second_has_none(
    day: date, millis: int
) -> None:
    number, has_leap = (day - date(2000, 1, 1)).days, day.day == 31
    seconds, part = divmod(millis, 1000)
    if seconds == 86_400 and not has_leap:
        return
    inside = min(seconds, 86_399)
    text = f"{day.isoformat()}T{inside // 3600:02}:{inside // 60 % 60:02}:{seconds - inside + inside % 60:02}.{part:03}Z"
    codes = {number << 12 | count: Fraction(count * 86_400, 4096) for count in range(4090, 4096)}
    codes[number + 1 << 12] = Fraction(86_400 + has_leap)
    nearest = min(codes, key=lambda code: (abs(codes[code] - Fraction(millis, 1000)), -code))
    assert PARTS.encode({"a": text}) == (nearest << 6).to_bytes(4, "big")


@given(
    st.integers(0, (1 << 40) - 1),
    st.sampled_from(["counted", "not_counted"]),
    st.sampled_from([256, 1000, 65536, 60]),
)
def test_every_time_that_is_decoded_encodes_back(raw: int, leaps: str, base: int) -> None:
    frame = codec(f"bits: 40, tick_s: 1/{base}, epoch: 1980-01-06T00:00:00Z, leap_seconds: {leaps}")
    data = raw.to_bytes(5, "big")
    assert frame.encode(frame.decode(data)) == data


@pytest.mark.parametrize(
    ("value", "why"),
    [
        ("2023-02-29T00:00:00Z", "no such day"),
        ("2024-02-29T24:00:00Z", "no such time of day"),
        ("2024-02-29T23:59:60Z", "no leap second"),
        ("2024-02-29 12:00:00Z", "not a time in UTC"),
        (datetime(2024, 2, 29), "without a zone"),
        ("2150-01-01T00:00:00Z", "has no code: they run from 1970-01-01T00:00:00Z to 2106-02-07T06:28:15Z"),
        (1_234_567_890, "not a time in UTC"),
    ],
)
def test_what_is_no_time_is_refused_with_the_reason(value: object, why: str) -> None:
    with pytest.raises(EncodeError, match=why):
        POSIX.encode({"a": value})


@pytest.mark.parametrize(
    ("time", "later"), [("11:59:59.999", 0), ("12:00:00", 1), ("14:00:00", 1), ("23:59:59", 1)]
)
def test_a_count_of_days_is_sent_as_the_nearest_and_the_later_one_half_way(time: str, later: int) -> None:
    # 45218 is 1982-09-06, as above.
    for day in (JULIAN, codec("counts: {days: 16}, epoch: 1858-11-17T00:00:00Z")):
        assert day.encode({"a": f"1982-09-06T{time}Z"}) == (45218 + later).to_bytes(2, "big")


def test_the_last_second_of_a_clock_is_sent_and_read() -> None:
    # Where 32 bits of POSIX time end: common practice. 2^32 - 1 s are 49,710 days of 86,400 s and 23,295 s: by hand.
    assert POSIX.encode({"a": "2106-02-07T06:28:15Z"}).hex() == "ffffffff"
    assert POSIX.decode(bytes.fromhex("ffffffff")) == {"a": "2106-02-07T06:28:15Z"}
    with pytest.raises(EncodeError):
        POSIX.encode({"a": "2106-02-07T06:28:16Z"})
