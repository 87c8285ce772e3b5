"""A pytest file for a team's own schema: its fingerprint, its vectors, and the laws on records that hypothesis draws.

What the file tests is what the schema means on the day it is loaded; what it tests against was written down when the file was made.
So an edit that changes the wire fails, with the frame and the fingerprint in the message, until somebody means it and generates anew.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from packetkit.layout.model import Layout
from packetkit.targets.target import Dossier, Target

_FILE = '''\
"""Tests of the frames of {mission}, written by `packetkit generate SCHEMA --target tests`. Run them with pytest.

They hold the schema to what it meant when this file was made: its fingerprints, its vectors, whose bytes were worked out by a
second implementation of the wire rules, and the laws that every frame keeps, on records that hypothesis draws. Where a change
of the wire is meant, generate this file again; do not edit it.
"""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings, strategies

import packetkit
from packetkit import fuzz
from packetkit.conformance import judge, vector

HERE = Path(__file__).resolve().parent
SCHEMA = HERE / {schema_path}
VECTORS = vector.read((HERE / {vectors_name}).read_text(encoding="utf-8"))
FINGERPRINTS = {{
{fingerprints}
}}

MISSION = packetkit.load(str(SCHEMA))
CASES = [(frame.name, case) for frame in VECTORS.frames for case in frame.cases]
PATIENT = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


def test_the_schema_has_the_frames_of_these_tests_and_no_others():
    assert sorted(MISSION.layouts) == sorted(FINGERPRINTS)


@pytest.mark.parametrize("name", FINGERPRINTS)
def test_the_frame_is_on_the_wire_as_it_was(name):
    found = MISSION.frame(name).layout.fingerprint
    assert found == FINGERPRINTS[name], "the schema's meaning has changed; if that is meant, generate these tests again"


@pytest.mark.parametrize(("name", "case"), CASES, ids=[f"{{name}}: {{case.name}}" for name, case in CASES])
def test_the_codec_agrees_with_the_vector(name, case):
    assert not list(vector.failures(case, judge.codec(MISSION.frame(name).layout)))


@pytest.mark.parametrize("name", FINGERPRINTS)
@PATIENT
@given(data=strategies.data())
def test_a_record_comes_back_rounded_to_the_steps_of_its_fields(name, data):
    frame = MISSION.frame(name)
    assert not fuzz.laws.comes_back(frame, data.draw(fuzz.records(frame)))


@pytest.mark.parametrize("name", FINGERPRINTS)
@PATIENT
@given(data=strategies.data())
def test_no_value_comes_back_more_than_half_a_step_away(name, data):
    frame = MISSION.frame(name)
    assert not fuzz.laws.half_a_step(frame, data.draw(fuzz.records(frame)))


@pytest.mark.parametrize("name", FINGERPRINTS)
@PATIENT
@given(junk=strategies.binary(max_size=300))
def test_any_bytes_give_a_record_or_a_decode_error(name, junk):
    assert not fuzz.laws.only_records_or_errors(MISSION.frame(name), junk)


@pytest.mark.parametrize("name", FINGERPRINTS)
@PATIENT
@given(data=strategies.data())
def test_damage_is_refused_or_no_check_can_see_it(name, data):
    frame = MISSION.frame(name)
    good, damage = data.draw(fuzz.damaged(frame))
    assert not fuzz.laws.damage_is_told(frame, good, damage)


@pytest.mark.parametrize("name", FINGERPRINTS)
@PATIENT
@given(data=strategies.data(), before=strategies.binary(max_size=4), after=strategies.binary(max_size=4))
def test_bytes_around_a_frame_have_no_say(name, data, before, after):
    frame = MISSION.frame(name)
    good = frame.encode(data.draw(fuzz.records(frame)))
    assert not fuzz.laws.leaves_the_rest(frame, good, before, after)
'''


def write(layouts: Mapping[str, Layout], dossier: Dossier) -> dict[str, str]:
    """Return the test file, and the vectors that it reads, by file name."""
    module = dossier.mission.replace("-", "_")
    vectors_name = f"{module}_vectors.json"
    fingerprints = "\n".join(
        f"    {json.dumps(name)}: {json.dumps(layout.fingerprint)}," for name, layout in layouts.items()
    )
    text = _FILE.format(
        mission=dossier.mission,
        schema_path=json.dumps(dossier.schema_path),
        vectors_name=json.dumps(vectors_name),
        fingerprints=fingerprints,
    )
    return {f"test_{module}.py": text, vectors_name: dossier.vectors}


TARGET = Target("tests", "A pytest file for the schema: fingerprints, vectors, laws.", write, is_proof=True)
