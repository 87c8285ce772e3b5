"""Times as the calendar says them: years, months and days, hours and their parts, in bits of their own or in BCD.

ETSI EN 300 468 clause 5.2.5 and annex C: 93/10/13 12:45:00 is coded as C079124500 (from memory). ITU-R M.1371-5 message 4: the sentence
of a base station in E. S. Raymond's text (from memory), judged by pyais 3.3. CCSDS 301.0-B-4 section 3.4 (calendar segmented, both
variations), from memory, judged by Python's calendar. Times of files: the directory entry of the FAT file system as archives have it,
judged by Python's zipfile. IEC 60870-5-4 section 6.8 (seven octets of binary time), put together by struct here, from memory.
"""

from __future__ import annotations

import struct
import zipfile
from datetime import datetime, timedelta, timezone
from io import BytesIO

import pyais
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.errors import EncodeError

BCD = "bits: 8, coding: binary_coded_decimal"
DATES = packetkit.parse(f"""
mission: dates
frames:
  broadcast:
    told_by: outside
    fields:
      - name: at
        kind: time
        epoch: 1858-11-17T00:00:00Z
        counts: {{days: 16, hours: {{{BCD}}}, minutes: {{{BCD}}}, seconds: {{{BCD}}}}}
  station:
    told_by: outside
    fields:
      - {{name: message, kind: constant, bits: 6, code: 4}}
      - {{name: repeats, bits: 2}}
      - {{name: station, bits: 30}}
      - name: at
        kind: time
        counts: {{years: 14, months: 4, days: 5, hours: 5, minutes: 6, seconds: 6}}
        missing: [{{code: 0x18F3C, reason: not available}}]
      - {{name: place, bits: 64}}
      - {{name: state, bits: 26}}
  by_month:
    told_by: outside
    fields:
      - name: at
        kind: time
        coding: binary_coded_decimal
        counts: {{years: 16, months: 8, days: 8, hours: 8, minutes: 8, seconds: 8}}
  by_day:
    told_by: outside
    fields:
      - name: at
        kind: time
        coding: binary_coded_decimal
        counts: {{years: 16, days: 16, hours: 8, minutes: 8, seconds: 8, fraction: 8}}
  file:
    told_by: outside
    packing: least_significant_first
    fields:
      - name: at
        kind: time
        counts: {{seconds: {{bits: 5, scale: 2}}, minutes: 6, hours: 5, days: 5, months: 4, years: {{bits: 7, offset: 1980}}}}
  telecontrol:
    told_by: outside
    packing: least_significant_first
    fields:
      - name: at
        kind: time
        counts: {{years: {{bits: 7, offset: 2000}}, months: 4, days: 5, hours: 5, minutes: 6, milliseconds: 16}}
        runs: [[48, 7], [40, 4], [32, 5], [24, 5], [0, 22]]
      - {{kind: reserved, bits: 1}}
      - {{name: invalid, kind: flag}}
      - {{kind: reserved, bits: 2}}
      - {{name: summer, kind: flag}}
      - {{name: weekday, bits: 3, missing: 0}}
      - {{kind: reserved, bits: 4}}
      - {{kind: reserved, bits: 1}}
""")
MOMENTS = st.datetimes(datetime(1980, 1, 1), datetime(2099, 12, 31)).map(
    lambda one: one.replace(microsecond=0)
)


def text(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def test_the_date_that_the_broadcast_standard_codes() -> None:
    frame, data = DATES.frame("broadcast"), bytes.fromhex("C079124500")
    assert frame.decode(data) == {"at": "1993-10-13T12:45:00Z"}
    assert frame.encode({"at": "1993-10-13T12:45:00Z"}) == data
    assert frame.decode(bytes.fromhex("C0791245A0"), detail=True)["at"]["reason"] == "bad digit"
    assert frame.decode(bytes.fromhex("C079124560"), detail=True)["at"]["reason"] == "bad time"


def test_a_base_station_says_what_time_it_is() -> None:
    sentence = "!AIVDM,1,1,,A,403OviQuMGCqWrRO9>E6fE700@GO,0*4D"
    judged = pyais.decode(sentence).asdict()
    bits = "".join(f"{(c := ord(one) - 48) - 8 * (c > 40):06b}" for one in sentence.split(",")[5])
    data = int(bits, 2).to_bytes(21, "big")
    record = DATES.frame("station").decode(data)
    year, month, day, hour, minute, second = (
        int(str(judged[name])) for name in ("year", "month", "day", "hour", "minute", "second")
    )
    moment = datetime(year, month, day, hour, minute, second)
    assert (
        (record["station"], record["at"])
        == (judged["mmsi"], text(moment))
        == (3669702, "2007-05-14T19:57:39Z")
    )
    assert DATES.frame("station").encode(record) == data


def test_a_station_without_a_clock_sends_codes_that_are_no_time() -> None:
    frame = DATES.frame("station")
    record = {"repeats": 0, "station": 0, "at": None, "place": 0, "state": 0}
    bits = f"000100{0:032b}" + f"{0:014b}{0:04b}{0:05b}{24:05b}{60:06b}{60:06b}"
    assert frame.encode(record) == int(f"{bits}{0:090b}", 2).to_bytes(21, "big")
    assert frame.decode(frame.encode(record), detail=True)["at"]["reason"] == "not available"


@given(MOMENTS, st.integers(0, 99))
def test_calendar_segments_are_the_digits_of_pythons_calendar(moment: datetime, hundredths: int) -> None:
    by_month, by_day = DATES.frame("by_month"), DATES.frame("by_day")
    data = bytes.fromhex(moment.strftime("%Y%m%d%H%M%S"))
    assert by_month.encode({"at": text(moment)}) == data
    assert by_month.decode(data) == {"at": text(moment)}
    data = bytes.fromhex(moment.strftime("%Y0%j%H%M%S") + f"{hundredths:02}")
    more = f"{text(moment)[:-1]}.{hundredths:02}Z"
    assert by_day.encode({"at": more}) == data
    assert by_day.decode(data) == {"at": more}


@given(MOMENTS)
def test_a_files_time_is_the_one_that_an_archive_has(moment: datetime) -> None:
    archive = BytesIO()
    with zipfile.ZipFile(archive, "w") as made:
        made.writestr(zipfile.ZipInfo("a", moment.timetuple()[:6]), b"")
    data = archive.getvalue()[10:14]
    with zipfile.ZipFile(archive) as read:
        even = datetime(*read.infolist()[0].date_time)
    frame = DATES.frame("file")
    assert frame.decode(data) == {"at": text(even)}
    assert frame.encode({"at": text(even)}) == data
    later = even + timedelta(seconds=1)  # half way: the later one
    if later.second < 59:  # a minute with a leap second goes on to 60
        rounded = even + timedelta(seconds=2)
        assert frame.decode(frame.encode({"at": text(later)})) == {"at": text(rounded)}


@given(MOMENTS.filter(lambda one: one.year >= 2000), st.integers(0, 999), st.booleans())
def test_a_telecontrol_time_is_what_its_octets_say(moment: datetime, milliseconds: int, summer: bool) -> None:
    data = struct.pack(
        "<HBBBBB",
        moment.second * 1000 + milliseconds,
        moment.minute,
        moment.hour | summer << 7,
        moment.day | moment.isoweekday() << 5,
        moment.month,
        moment.year - 2000,
    )
    frame = DATES.frame("telecontrol")
    record = frame.decode(data)
    assert record == {
        "at": f"{text(moment)[:-1]}.{milliseconds:03}Z",
        "invalid": False,
        "summer": summer,
        "weekday": moment.isoweekday(),
    }
    assert frame.encode(record) == data
    aware = moment.replace(microsecond=1000 * milliseconds, tzinfo=timezone.utc)
    assert frame.encode({**record, "at": aware}) == data


@pytest.mark.parametrize(
    ("digits", "value", "reason"),
    [
        ("20240229120000", "2024-02-29T12:00:00Z", None),
        ("20230229120000", None, "no such day"),
        ("20230431120000", None, "no such day"),
        ("20231301120000", None, "no such day"),
        ("20230100120000", None, "no such day"),
        ("00000101000000", None, "no such day"),
        ("20230101240000", None, "bad time"),
        ("20230101236000", None, "bad time"),
        ("20230101235960", None, "bad time"),
        ("20161231235960", "2016-12-31T23:59:60Z", None),
        ("20161231225960", None, "bad time"),
        ("2023010112000F", None, "bad digit"),
    ],
)
def test_a_date_that_is_none_has_no_value_and_its_reason(
    digits: str, value: str | None, reason: str | None
) -> None:
    frame = DATES.frame("by_month")
    leaf = frame.decode(bytes.fromhex(digits), detail=True)
    assert (leaf["at"]["value"], leaf["at"].get("reason")) == (value, reason)
    assert frame.encode(leaf) == bytes.fromhex(digits)


@pytest.mark.parametrize(
    ("frame", "value", "says"),
    [
        ("by_month", "2023-02-29T00:00:00Z", "there is no such day"),
        (
            "file",
            "1979-12-31T23:59:58Z",
            "has no code: they run from 1980-01-01T00:00:00Z to 2107-12-31T23:59:58Z",
        ),
        ("file", "2107-12-31T23:59:59Z", "has no code"),
        ("telecontrol", "1999-12-31T23:59:59Z", "they run from 2000-01-01T00:00:00.000Z"),
        ("broadcast", "1858-11-16T00:00:00Z", "they run from 1858-11-17T00:00:00Z to 2038-04-22T23:59:59Z"),
    ],
)
def test_a_moment_without_a_code_is_refused(frame: str, value: str, says: str) -> None:
    record = (
        {"at": value, "invalid": False, "summer": False, "weekday": 1}
        if frame == "telecontrol"
        else {"at": value}
    )
    with pytest.raises(EncodeError, match=says):
        DATES.frame(frame).encode(record)
