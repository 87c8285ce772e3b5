"""Invented missions that several tests ask about."""

# Checks whose bits lie in parts; PACKING and COVERED are filled in.
SPLIT_CHECKS = """
mission: godwit
frames:
  drift:
    packing: PACKING
    fields:
      - {name: sequence, bits: 8}
      - name: body
        group:
          - {name: crc, kind: check, algorithm: CRC-16/IBM-3740, runs: [[4, 5], [28, 11]], covers: COVERED}
          - {name: level, bits: 4}
          - {name: water, bits: 19}
          - {name: spare, kind: reserved, bits: 9}
  swarm:
    fields:
      - {name: held, kind: count, bits: 3}
      - name: readings
        repeat: {count: held}
        group:
          - name: part
            group:
              - {name: crc, kind: check, algorithm: CRC-8/SMBUS, runs: [[1, 3], [9, 5]], covers: [level, water]}
              - {name: level, bits: 1}
              - {name: water, bits: 5}
      - {kind: reserved, up_to: byte}
"""

# Numbers of as many octets as they need, lists whose elements say which is the last, presence told in an option, ones in a list, elements
# of several sizes, an end before what is not always there.
PARTS_THAT_GO_ON = """
mission: goes-on
frames:
  all:
    packing: least_significant_first
    fields:
      - {name: size, kind: length, bits: 14, coding: continued_low_first, in: bits, measures: body}
      - name: body
        group:
          - {name: many, kind: count, bits: 8, coding: continued_high_first, maximum: 200}
          - {name: drift, bits: 40, coding: continued_low_first_signed, repeat: {count: many}}
          - {name: depth, bits: 32, coding: continued_high_first}
      - name: items
        group:
          - {name: more, kind: flag}
          - {name: far, kind: flag}
          - {name: level, bits: 6}
        repeat: {goes_on_when: more, maximum: 5}
      - {name: marks, flags: [again, {name: spare, bits: 7}]}
      - {name: more_marks, present_when: marks.again, flags: [course_there, {name: spare, bits: 7}]}
      - {name: course, bits: 8, present_when: more_marks.course_there}
      - {name: cells, kind: flag, repeat: 8}
      - {name: held, bits: 8, repeat: {count: {ones_in: cells}}}
      - name: notes
        group:
          - {name: few, kind: count, bits: 8, maximum: 3}
          - {name: words, bits: 16, repeat: {count: few}}
        repeat: {to_end: true, maximum: 4}
      - {name: tail, bits: 8, present_when: marks.again}
      - {name: nibble, bits: 5}
      - {name: check, kind: check, algorithm: {width: 3, polynomial: 3, initial: 0, reflect_in: true, reflect_out: true, final_xor: 0}}
"""

# What goes into a check besides bits of its frame, blocks of octets with a check behind each.
FED_CHECKS = """
mission: fed
frames:
  all:
    fields:
      - {name: source, kind: supplied, bits: 16}
      - {name: opened_with, bits: 16}
      - name: sum
        kind: check
        algorithm: SUM-16/INTERNET
        also: [source, 0, 17, {size_of: whole_frame, bits: 16}]
        covers: [opened_with]
        zero_is_sent_as: all_ones
        not_computed: 0
      - {name: size, kind: length, bits: 8, measures: body, not_counted: {every: 4, octets: 2}}
      - name: body
        group:
          - name: blocks
            repeat: {to_end: true}
            group:
              - {name: data, kind: bytes, length: {at_most: 4}}
              - {name: crc, kind: check, algorithm: CRC-16/IBM-3740}
      - {name: crc, kind: check, algorithm: CRC-24/BLE, starts_from: opened_with}
"""

# Numbers whose first bits say their size, times in years and months.
SIZED_AND_DATED = """
mission: sized
frames:
  all:
    fields:
      - {name: kind, bits: 3}
      - {name: argument, coding: {first_bits: 5, forms: [{from: 0, to: 23}, {code: 24, bits: 8}, {code: 25, bits: 16}]}}
      - {name: part_of_it, coding: {first_bits: 8, order: little, forms: [{from: 0, to: 252}, {code: 253, bits: 16}]}}
      - {name: day, kind: time, counts: {years: {bits: 7, offset: 1980}, months: 4, days: 5}, missing: [{code: 0, reason: not set}]}
      - {name: at, kind: time, coding: binary_coded_decimal, counts: {years: 16, days: 16, hours: 8, minutes: 8, seconds: 8, fraction: 8}}
"""

# Most of the language's words in one frame.
SURVEY = """\
mission: tern
description: pocket satellite with a magnetometer
frames:
  survey:
    cadence_s: 30
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xD391}
      - {name: tag, kind: tag, bits: 4, code: 1}
      - {name: sequence, bits: 12, role: sequence}
      - {name: uptime, bits: 24, role: clock, tick_s: 1, unit: s}
      - {name: mode, bits: 3, states: {0: safe, 1: survey, 2: downlink}}
      - {name: has_fix, kind: flag}
      - name: power
        group:
          - {name: cell_voltage, minimum: 2.5, maximum: 4.3, resolution: 0.02, unit: V, out_of_range: clamp}
          - {name: panel_current, minimum: 0, maximum: 510, resolution: 2, unit: mA, missing: true}
      - name: fix
        present_when: has_fix
        group:
          - {name: latitude, preset: latitude}
          - {name: longitude, preset: longitude}
      - {name: held, kind: count, bits: 4}
      - name: readings
        repeat: {count: held}
        group:
          - {name: field_x, bits: 12, signed: true, scale: 1/16, unit: uT, missing: true}
          - {name: field_y, bits: 12, signed: true, scale: 1/16, unit: uT, missing: true}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740, covers: everything_before}
link:
  chirp: {spreading_factor: 10, bandwidth_khz: 125, coding_rate: 4/5, frequency_mhz: 437.2}
  maximum_frame_bytes: 222
passes: {altitude_km: 510, minimum_elevation_deg: 10, per_day: 4}
"""
