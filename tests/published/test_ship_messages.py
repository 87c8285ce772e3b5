"""Messages of shipping, ITU-R M.1371-5 annex 8, told by their number: 4, 5, 8, 18, 21, 24 (parts A and B) and 27.

The sentences are those that texts on the recommendation print (E. S. Raymond, "AIVDM/AIVDO protocol decoding", and its test data; from
memory). pyais 3.3, a general decoder of the recommendation, judges every value; each message encodes back to its own bits.
Message 8 with application 1/31: IMO SN.1/Circ.289, meteorological and hydrographic data.
"""

from __future__ import annotations

from typing import Any

import pyais
import pytest

import packetkit

ALPHABET = '{0: "@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\\\]^_", 32: " !\\"#$%&\'()*+,-./0123456789:;<=>?"}'
SIX_BITS = f'alphabet: {{bits: 6, characters: {ALPHABET}}}, fill: "@"'
STATION = "{name: repeats, bits: 2}\n      - {name: station, bits: 30}"
PLACE = """{name: accurate, kind: flag}
      - {name: longitude, bits: 28, signed: true, scale: 1/600000, unit: deg, missing: 108600000}
      - {name: latitude, bits: 27, signed: true, scale: 1/600000, unit: deg, missing: 54600000}"""
HULL = """{name: to_bow, bits: 9, unit: m}
      - {name: to_stern, bits: 9, unit: m}
      - {name: to_port, bits: 6, unit: m}
      - {name: to_starboard, bits: 6, unit: m}"""
SECOND = """name: second
        bits: 6
        missing:
          - {code: 60, reason: not available}
          - {code: 61, reason: manual}
          - {code: 62, reason: dead reckoning}
          - {code: 63, reason: inoperative}"""
FIXED_BY = (
    "{name: fixed_by, bits: 4, states: {0: undefined, 1: GPS, 2: GLONASS, 3: GPS and GLONASS, 7: surveyed}}"
)

MESSAGES = f"""
mission: shipping
frames:
  base_station:
    fields:
      - {{name: message, kind: tag, bits: 6, code: 4}}
      - {STATION}
      - {{name: year, bits: 14, missing: 0}}
      - {{name: month, bits: 4, missing: 0}}
      - {{name: day, bits: 5, missing: 0}}
      - {{name: hour, bits: 5, missing: 24}}
      - {{name: minute, bits: 6, missing: 60}}
      - {{name: second, bits: 6, missing: 60}}
      - {PLACE}
      - {FIXED_BY}
      - {{name: long_range, kind: flag}}
      - {{kind: reserved, bits: 9}}
      - {{name: integrity_monitored, kind: flag}}
      - {{name: communication, bits: 19}}
  voyage:
    fields:
      - {{name: message, kind: tag, bits: 6, code: 5}}
      - {STATION}
      - {{name: version, bits: 2}}
      - {{name: ship_number, bits: 30, missing: 0}}
      - {{name: call_sign, kind: text, length: 7, {SIX_BITS}}}
      - {{name: ship_name, kind: text, length: 20, {SIX_BITS}}}
      - {{name: ship_type, bits: 8}}
      - {HULL}
      - {FIXED_BY}
      - {{name: month, bits: 4, missing: 0}}
      - {{name: day, bits: 5, missing: 0}}
      - {{name: hour, bits: 5, missing: 24}}
      - {{name: minute, bits: 6, missing: 60}}
      - {{name: draught, bits: 8, scale: 0.1, unit: m, missing: 0, at_least: 255}}
      - {{name: destination, kind: text, length: 20, {SIX_BITS}}}
      - {{name: terminal, bits: 1, states: {{0: available, 1: not available}}}}
      - {{kind: reserved, bits: 1}}
  application:
    fields:
      - {{name: message, kind: tag, bits: 6, code: 8}}
      - {STATION}
      - {{kind: reserved, bits: 2}}
      - {{name: area, bits: 10}}
      - {{name: purpose, bits: 6}}
      - name: content
        told_by: [area, purpose]
        variants:
          - name: weather
            when: {{area: 1, purpose: 31}}
            group:
              - {{name: longitude, bits: 25, signed: true, scale: 1/60000, unit: deg, missing: 10860000}}
              - {{name: latitude, bits: 24, signed: true, scale: 1/60000, unit: deg, missing: 5460000}}
              - {{name: accurate, kind: flag}}
              - {{name: day, bits: 5, missing: 0}}
              - {{name: hour, bits: 5, missing: 24}}
              - {{name: minute, bits: 6, missing: 60}}
              - {{name: wind, bits: 7, unit: kn, missing: 127}}
              - {{name: gust, bits: 7, unit: kn, missing: 127}}
              - {{name: wind_from, bits: 9, unit: deg, missing: 360}}
              - {{name: gust_from, bits: 9, unit: deg, missing: 360}}
              - {{name: air_temperature, bits: 11, signed: true, scale: 0.1, unit: Cel, missing: -1024}}
              - {{name: humidity, bits: 7, unit: "%", missing: 101}}
              - {{name: dew_point, bits: 10, signed: true, scale: 0.1, unit: Cel, missing: 501}}
              - {{name: pressure, bits: 9, offset: 799, scale: 1, unit: hPa, missing: [511, 0]}}
              - {{name: pressure_tendency, bits: 2, states: {{0: steady, 1: falling, 2: rising, 3: unknown}}}}
              - {{name: visibility_is_more, kind: flag}}
              - {{name: visibility, bits: 7, scale: 0.1, unit: nmi, missing: 127}}
              - {{name: water_level, bits: 12, scale: 0.01, offset: -10, unit: m, missing: 4001}}
              - {{name: level_trend, bits: 2, states: {{0: steady, 1: falling, 2: rising, 3: unknown}}}}
              - {{name: current, bits: 8, scale: 0.1, unit: kn, missing: 255}}
              - {{name: current_towards, bits: 9, unit: deg, missing: 360}}
              - name: currents_below
                repeat: 2
                group:
                  - {{name: speed, bits: 8, scale: 0.1, unit: kn, missing: 255}}
                  - {{name: towards, bits: 9, unit: deg, missing: 360}}
                  - {{name: depth, bits: 5, unit: m, missing: 31}}
              - name: waves
                repeat: 2
                description: The wind's, then swell
                group:
                  - {{name: height, bits: 8, scale: 0.1, unit: m, missing: 255}}
                  - {{name: period, bits: 6, unit: s, missing: 63}}
                  - {{name: from_direction, bits: 9, unit: deg, missing: 360}}
              - {{name: sea_state, bits: 4, missing: 13}}
              - {{name: water_temperature, bits: 10, signed: true, scale: 0.1, unit: Cel, missing: 501}}
              - {{name: precipitation, bits: 3, missing: 7}}
              - {{name: salinity, bits: 9, scale: 0.1, unit: g/kg, missing: [510, 511]}}
              - {{name: ice, bits: 2, states: {{0: none, 1: present, 3: unknown}}}}
              - {{kind: reserved, bits: 10}}
  position_b:
    fields:
      - {{name: message, kind: tag, bits: 6, code: 18}}
      - {STATION}
      - {{kind: reserved, bits: 8}}
      - {{name: speed, bits: 10, scale: 0.1, unit: kn, missing: 1023, at_least: 1022}}
      - {PLACE}
      - {{name: course, bits: 12, scale: 0.1, unit: deg, missing: 3600}}
      - {{name: heading, bits: 9, unit: deg, missing: 511}}
      - {SECOND}
      - {{kind: reserved, bits: 2}}
      - {{name: equipment, flags: [carrier_sense, display, selective_calling, whole_band, takes_message_22, assigned, integrity_monitored]}}
      - {{name: incremental, kind: flag}}
      - {{name: communication, bits: 19}}
  aid_to_navigation:
    fields:
      - {{name: message, kind: tag, bits: 6, code: 21}}
      - {STATION}
      - {{name: type_of_aid, bits: 5}}
      - {{name: aid_name, kind: text, length: 20, {SIX_BITS}}}
      - {PLACE}
      - {HULL}
      - {FIXED_BY}
      - {SECOND}
      - {{name: off_position, kind: flag}}
      - {{name: status, bits: 8}}
      - {{name: integrity_monitored, kind: flag}}
      - {{name: is_virtual, kind: flag}}
      - {{name: assigned, kind: flag}}
      - {{kind: reserved, bits: 1}}
      - {{name: name_extension, kind: text, length: rest, {SIX_BITS}}}
      - {{kind: reserved, up_to: byte}}
  static_a:
    fields:
      - {{name: message, kind: tag, bits: 6, code: 24}}
      - {STATION}
      - {{name: part, kind: tag, bits: 2, code: 0}}
      - {{name: ship_name, kind: text, length: 20, {SIX_BITS}}}
  static_b:
    fields:
      - {{name: message, kind: tag, bits: 6, code: 24}}
      - {STATION}
      - {{name: part, kind: tag, bits: 2, code: 1}}
      - {{name: ship_type, bits: 8}}
      - {{name: vendor, kind: text, length: 3, {SIX_BITS}}}
      - {{name: model, bits: 4}}
      - {{name: serial, bits: 20}}
      - {{name: call_sign, kind: text, length: 7, {SIX_BITS}}}
      - {HULL}
      - {FIXED_BY}
      - {{kind: reserved, bits: 2}}
  long_range:
    fields:
      - {{name: message, kind: tag, bits: 6, code: 27}}
      - {STATION}
      - {{name: accurate, kind: flag}}
      - {{name: integrity_monitored, kind: flag}}
      - {{name: status, bits: 4}}
      - {{name: longitude, bits: 18, signed: true, scale: 1/600, unit: deg, missing: 108600}}
      - {{name: latitude, bits: 17, signed: true, scale: 1/600, unit: deg, missing: 54600}}
      - {{name: speed, bits: 6, unit: kn, missing: 63}}
      - {{name: course, bits: 9, unit: deg, missing: 511}}
      - {{name: latency, bits: 1, states: {{0: below 5 s, 1: above 5 s}}}}
      - {{kind: reserved, bits: 1}}
"""
MISSION = packetkit.parse(MESSAGES)
SENTENCES = {
    "base_station": ["!AIVDM,1,1,,A,403OviQuMGCqWrRO9>E6fE700@GO,0*4D"],
    "voyage": [
        "!AIVDM,2,1,1,A,55?MbV02;H;s<HtKR20EHE:0@T4@Dn2222222216L961O5Gf0NSQEp6ClRp8,0*1C",
        "!AIVDM,2,2,1,A,88888888880,2*25",
    ],
    "application": ["!AIVDM,1,1,4,B,8>h8nkP0Glr=<hFI0D6??wvlFR06EuOwgwl?wnSwe7wvlOw?sAwwnSGmwvwt,0*4E"],
    "position_b": ["!AIVDM,1,1,,A,B52K>;h00Fc>jpUlNV@ikwpUoP06,0*4C"],
    "aid_to_navigation": ["!AIVDM,1,1,,B,E>jCfrv2`0c2h0W:0a2ah@@@@@@004WD>;2<H50hppN000,4*0A"],
    "static_a": ["!AIVDM,1,1,,A,H42O55i18tMET00000000000000,2*6D"],
    "static_b": ["!AIVDM,1,1,,A,H42O55lt0000000D3nink000?050,0*40"],
    "long_range": ["!AIVDM,1,1,,A,KCQ9r=hrFUnH7P00,0*41"],
}
# The judge's names of what it says, and ours; values that it has no None for are left to our reasons.
NAMES = {
    "mmsi": "station", "lon": "longitude", "lat": "latitude", "epfd": "fixed_by", "imo": "ship_number",
    "callsign": "call_sign", "shipname": "ship_name", "ship_type": "ship_type", "to_bow": "to_bow",
    "to_stern": "to_stern", "to_port": "to_port", "to_starboard": "to_starboard", "draught": "draught",
    "destination": "destination", "speed": "speed", "course": "course", "year": "year", "month": "month", "day": "day",
    "hour": "hour", "minute": "minute", "aid_type": "type_of_aid", "name": "aid_name", "off_position": "off_position",
    "virtual_aid": "is_virtual", "assigned": "assigned", "vendorid": "vendor", "model": "model", "serial": "serial",
    "radio": "communication", "accuracy": "accurate", "dac": "area", "fid": "purpose", "heading": "heading",
    "second": "second",
}  # fmt: skip


def octets(sentences: list[str]) -> bytes:
    """Return the octets of armoured payloads: each character is six bits, less the fill (IEC 61162-1, from memory)."""
    bits = ""
    for one in sentences:
        payload, fill = one.split("*")[0].split(",")[5:7]
        codes = [ord(character) - 48 - (8 if ord(character) > 88 else 0) for character in payload]
        bits += "".join(f"{code:06b}" for code in codes)[: 6 * len(codes) - int(fill)]
    return int(bits, 2).to_bytes(len(bits) // 8, "big") if len(bits) % 8 == 0 else b""


@pytest.mark.parametrize("name", SENTENCES)
def test_a_message_of_a_ship_is_read_as_the_judge_reads_it_and_encodes_back(name: str) -> None:
    data = octets(SENTENCES[name])
    found, _ = MISSION.decode(data)
    assert found == name
    detail = MISSION.frame(name).decode(data, detail=True)
    assert MISSION.frame(name).encode(detail) == data
    detail |= detail.get("content", {}).get("weather", {})
    judged: dict[str, Any] = pyais.decode(*SENTENCES[name]).asdict()
    judged["radio"] = (
        judged.get("radio", 0) & 0x7FFFF
    )  # the judge takes the flag in front of it for a part of it
    both = {theirs: ours for theirs, ours in NAMES.items() if theirs in judged and ours in detail}
    assert len(both) >= 2
    for theirs, ours in both.items():
        leaf = detail[ours]
        if leaf.get("reason"):
            continue  # the judge has no None: it tells the code
        value = leaf["value"]
        if isinstance(value, str) and ours == "fixed_by":
            value = leaf["raw"]
        elif isinstance(value, str):
            value = value.rstrip()  # some senders fill with blanks, which the judge strips
        elif isinstance(value, float):
            value = round(value, 6)  # as the judge does
        assert judged[theirs] == value, theirs
