"""Heads of well-known files, against the standard library that writes them: PNG, WAVE, ZIP and gzip.

Sources: PNG (ISO/IEC 15948) section 11.2.2; RIFF WAVE as module wave writes it; the local file header as zipfile writes it; RFC 1952.
"""

from __future__ import annotations

import gzip
import io
import struct
import wave
import zipfile
import zlib

import pytest

import packetkit

FILES = """
mission: files
frames:
  picture:
    fields:
      - {name: signature, kind: sync, bits: 64, code: 0x89504E470D0A1A0A}
      - {name: size, kind: length, bits: 32, measures: body}
      - {name: type, kind: constant, bits: 32, code: 0x49484452}
      - name: body
        group:
          - {name: width, bits: 32}
          - {name: height, bits: 32}
          - {name: depth, bits: 8}
          - {name: colour, bits: 8, states: {0: grey, 2: colours, 3: palette, 4: grey with alpha, 6: colours with alpha}}
          - {name: compression, kind: constant, bits: 8, code: 0}
          - {name: filter, kind: constant, bits: 8, code: 0}
          - {name: interlaced, bits: 8}
      - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC, covers: [type, body]}
  sound:
    order: little
    fields:
      - {name: riff, kind: sync, bits: 32, order: big, code: 0x52494646}
      - {name: size, kind: length, bits: 32, measures: whole_frame, less: 8}
      - {name: wave, kind: constant, bits: 64, order: big, code: 0x57415645666D7420}
      - {name: format_size, kind: length, bits: 32, measures: format}
      - name: format
        group:
          - {name: coding, bits: 16, states: {1: linear}}
          - {name: channels, bits: 16}
          - {name: rate, bits: 32, unit: Hz}
          - {name: octets_per_second, bits: 32}
          - {name: block, bits: 16}
          - {name: depth, bits: 16}
      - {name: data, kind: constant, bits: 32, order: big, code: 0x64617461}
      - {name: data_size, kind: length, bits: 32, measures: samples}
      - {name: samples, bits: 16, signed: true, repeat: {to_end: true, maximum: 1000}}
  member:
    order: little
    fields:
      - {name: signature, kind: sync, bits: 32, code: 0x04034B50}
      - {name: version, bits: 16}
      - {name: general, bits: 16}
      - {name: method, bits: 16, states: {0: stored, 8: deflated}}
      - name: changed
        word_bits: 16
        order: little
        group:
          - {name: hour, bits: 5}
          - {name: minute, bits: 6}
          - {name: second, bits: 5, scale: 2}
          - {name: year, bits: 7, offset: 1980}
          - {name: month, bits: 4}
          - {name: day, bits: 5}
      - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC, covers: data}
      - {name: stored_size, kind: length, bits: 32, measures: data}
      - {name: size, bits: 32}
      - {name: name_size, kind: length, bits: 16, measures: file_name}
      - {name: extra_size, kind: length, bits: 16, measures: extra}
      - {name: file_name, kind: text, length: rest}
      - {name: extra, kind: bytes, length: rest}
      - {name: data, kind: bytes, length: rest}
  compressed:
    order: little
    fields:
      - {name: magic, kind: sync, bits: 16, order: big, code: 0x1F8B}
      - {name: method, kind: constant, bits: 8, code: 8}
      - {kind: reserved, bits: 3}
      - {name: has_comment, kind: flag}
      - {name: has_name, kind: flag}
      - {name: has_extra, kind: flag}
      - {name: has_check, kind: flag}
      - {name: plain, kind: flag}
      - {name: changed, kind: time, epoch: "1970-01-01T00:00:00Z", counts: {seconds: 32}, leap_seconds: not_counted}
      - {name: strength, bits: 8, states: {0: usual, 2: slowest, 4: fastest}}
      - {name: system, bits: 8, states: {3: unix, 255: unknown}}
      - {name: data, kind: bytes, length: rest}
      - {name: check, bits: 32}
      - {name: size, bits: 32}
"""
MISSION = packetkit.parse(FILES)


def test_the_head_of_a_picture_has_a_check_over_its_type_and_body() -> None:
    body = b"IHDR" + struct.pack(">IIBBBBB", 640, 480, 8, 2, 0, 0, 0)
    data = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body))
    frame = MISSION.frame("picture")
    record = frame.decode(data)
    assert record["body"] == {"width": 640, "height": 480, "depth": 8, "colour": "colours", "interlaced": 0}
    assert frame.encode(record) == data


@pytest.mark.parametrize("channels", [1, 2])
def test_a_sound_file_says_three_lengths(channels: int) -> None:
    samples = [0, 1, -1, 32767, -32768, 12]
    file = io.BytesIO()
    with wave.open(file, "wb") as writer:
        writer.setparams((channels, 2, 44100, 0, "NONE", ""))
        writer.writeframes(struct.pack("<6h", *samples))
    frame = MISSION.frame("sound")
    record = frame.decode(file.getvalue())
    assert record["samples"] == samples
    assert (record["format"]["channels"], record["format"]["rate"], record["format"]["depth"]) == (
        channels,
        44100,
        16,
    )
    assert frame.encode(record) == file.getvalue()


def test_a_member_of_an_archive_has_its_time_in_two_words() -> None:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(zipfile.ZipInfo("log/a.txt", (2024, 2, 29, 23, 59, 58)), b"-12.5 Cel\n")
        end = archive.start_dir
    data = file.getvalue()[:end]
    frame = MISSION.frame("member")
    record = frame.decode(data)
    assert (record["file_name"], record["method"], record["size"]) == ("log/a.txt", "stored", 10)
    changed = record["changed"]
    assert changed == {"hour": 23, "minute": 59, "second": 58, "year": 2024, "month": 2, "day": 29}
    assert frame.encode(record) == data


def test_what_is_compressed_ends_with_check_and_size_of_what_it_was() -> None:
    words = b"packets " * 40
    data = gzip.compress(words, mtime=86400)
    frame = MISSION.frame("compressed")
    record = frame.decode(data)
    assert (record["changed"], record["has_name"]) == ("1970-01-02T00:00:00Z", False)
    assert (record["check"], record["size"]) == (zlib.crc32(words), len(words))
    assert zlib.decompress(record["data"], wbits=-15) == words
    assert frame.encode(record) == data
