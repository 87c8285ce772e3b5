"""Which codes a unit is asked for at its start: all that decide what a frame is made of."""

from __future__ import annotations

from packetkit.layout.asked import asked_codes
from packetkit.mission.load import parse

# Invented.
SCHEMA = """
mission: asked
frames:
  sheet:
    fields:
      - {name: port, kind: tag, bits: 4, code: [2, {from: 5, to: 9}]}
      - {name: type, bits: 4}
      - {name: rows, bits: 4}
      - {name: columns, bits: 4}
      - {name: free, bits: 8}
      - {name: cells, bits: 8, repeat: {count: {product_of: [rows, columns]}, maximum: 4}}
      - name: body
        told_by: type
        variants:
          - {name: ping, when: {type: 0}}
          - {name: report, when: {type: 1}, group: [{name: level, bits: 8}]}
          - {name: letter, when: {type: {from: 8, to: 11}}, group: [{name: words, bits: 16}]}
"""


ENDED = """
mission: asked
frames:
  sheet:
    fields:
      - name: hops
        repeat: {ends_when: {kind: 4}, maximum: 3}
        group: [{name: kind, kind: tag, bits: 4, code: [2, {from: 4, to: 9}]}, {name: more, bits: 4}]
      - {name: groups, bits: 8, repeat: {goes_on_when: {groups: {from: 128, to: 255}}, maximum: 3}}
"""


def test_what_ends_a_list_is_asked_for_first_and_then_what_does_not() -> None:
    (layout,) = parse(ENDED).layouts.values()
    address = {slot.number: slot.address for slot in layout.slots}
    asked = {address[number]: codes for number, codes in asked_codes(layout).items()}
    assert asked == {"hops[].kind": [4, 2], "groups[]": [0, 128]}


def test_every_variant_every_range_of_a_tag_and_no_element_too_are_asked_for() -> None:
    (layout,) = parse(SCHEMA).layouts.values()
    address = {slot.number: slot.address for slot in layout.slots}
    asked = {address[number]: codes for number, codes in asked_codes(layout).items()}
    assert asked == {"port": [2, 5], "type": [0, 1, 8], "rows": [1, 0], "columns": [1, 0]}
