"""Passes of two-line elements against published events and a general astronomy library; flights against textbooks."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skyfield.api import EarthSatellite, load, wgs84

from packetkit.errors import RadioError
from packetkit.passes import flight, orbit
from packetkit.passes.elements import Elements, Site, element_faults

# Object 25544, epoch 2014-01-20, as published in the documentation of the Skyfield library (chapter on satellites), with its events.
STATION = Elements(
    "1 25544U 98067A   14020.93268519  .00009878  00000-0  18200-3 0  5082",
    "2 25544  51.6498 109.4756 0003572  55.9686 274.8005 15.49815350868473",
)
BLUFFTON = Site(40.8939, -83.8917)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=timezone.utc)  # type: ignore[arg-type, misc]  # year, month, day and on


def test_published_events_of_object_25544_are_met_within_a_second() -> None:
    # Skyfield's documentation, satellite chapter: Bluffton, 30 degrees, 2014-01-23 UTC.
    published = [
        (utc(2014, 1, 23, 6, 25, 37), utc(2014, 1, 23, 6, 26, 58), utc(2014, 1, 23, 6, 28, 19)),
        (utc(2014, 1, 23, 12, 54, 56), utc(2014, 1, 23, 12, 56, 27), utc(2014, 1, 23, 12, 57, 58)),
    ]
    found = orbit.events(orbit.Orbit(STATION), BLUFFTON, 30, utc(2014, 1, 23), 1)
    assert len(found) == 2
    for event, times in zip(found, published, strict=True):
        for ours, theirs in zip((event.rise, event.culmination, event.set), times, strict=True):
            assert abs((ours - theirs).total_seconds()) <= 1


def test_the_published_direction_and_distance_are_met() -> None:
    # The same chapter: 2014-01-23 11:18:07 UTC, altitude 16 deg 16' 32.6", azimuth 350 deg 15' 20.4", 1168.7 km.
    elevation, azimuth, distance, _ = orbit.Orbit(STATION).look(
        BLUFFTON, utc(2014, 1, 23, 11, 18, 7), np.zeros(1)
    )
    assert elevation[0] == pytest.approx(16 + 16 / 60 + 32.6 / 3600, abs=0.05)
    assert azimuth[0] == pytest.approx(350 + 15 / 60 + 20.4 / 3600, abs=0.05)
    assert distance[0] == pytest.approx(1168.7, abs=0.2)


@pytest.mark.parametrize("site", [BLUFFTON, Site(-33.9, 18.4, 100.0), Site(64.1, -21.9)])
def test_a_month_of_passes_agrees_with_an_astronomy_library(site: Site) -> None:
    # Judge: Skyfield with its built-in time scale; one second and 0.05 degrees.
    scale = load.timescale(builtin=True)
    satellite = EarthSatellite(STATION.line_1, STATION.line_2, "station", scale)
    place = wgs84.latlon(site.latitude_deg, site.longitude_deg, site.height_m)
    times, kinds = satellite.find_events(place, scale.utc(2014, 1, 20), scale.utc(2014, 2, 19), 5.0)
    theirs = [(int(kind), time.utc_datetime()) for time, kind in zip(times, kinds, strict=True)]
    ours = orbit.events(orbit.Orbit(STATION), site, 5.0, utc(2014, 1, 20), 30)
    assert len(ours) == sum(kind == 1 for kind, _ in theirs) > 80
    mine = [(event.rise, event.culmination, event.set) for event in ours]
    for kind, time in theirs:
        assert min(abs((one[kind] - time).total_seconds()) for one in mine) < 1
    relative = satellite - place
    for event in ours[::5]:
        height, azimuth, distance = relative.at(scale.from_datetime(event.culmination)).altaz()
        assert event.highest_deg == pytest.approx(height.degrees, abs=0.05)
        assert event.nearest_km == pytest.approx(distance.km, abs=1.0)
        rise = relative.at(scale.from_datetime(event.rise)).altaz()
        turn = abs(event.rise_azimuth_deg - rise[1].degrees) % 360
        assert min(turn, 360 - turn) < 0.1
        assert azimuth is not None


def test_the_track_of_a_pass_is_its_own_derivative() -> None:
    made = orbit.Orbit(STATION)
    event = orbit.events(made, BLUFFTON, 10, utc(2014, 1, 23), 1)[0]
    samples = orbit.track(made, BLUFFTON, event, 200)
    for before, after in pairwise(samples):
        step = after.time_s - before.time_s
        mean = (before.range_rate_km_s + after.range_rate_km_s) / 2
        assert (after.distance_km - before.distance_km) / step == pytest.approx(mean, abs=0.002)
    assert min(sample.elevation_deg or 0 for sample in samples) > 10


def test_a_pass_at_the_end_of_the_time_is_cut_there() -> None:
    made = orbit.Orbit(STATION)
    whole = orbit.events(made, BLUFFTON, 10, utc(2014, 1, 23), 1)[0]
    middle = whole.rise + timedelta(seconds=whole.duration_s / 2)
    late = orbit.events(made, BLUFFTON, 10, middle, 0.5)[0]
    assert late.rise == middle
    assert abs((late.set - whole.set).total_seconds()) < 0.01


def test_elements_that_cannot_be_propagated_say_so() -> None:
    with pytest.raises(RadioError, match="take newer elements"):
        orbit.events(orbit.Orbit(STATION), BLUFFTON, 10, utc(2034, 1, 1), 1)
    with pytest.raises(RadioError, match="outside 0 to 366"):
        orbit.events(orbit.Orbit(STATION), BLUFFTON, 10, utc(2014, 1, 1), 500)


def test_lines_copied_badly_are_told() -> None:
    assert element_faults(STATION.line_1, STATION.line_2) == ()
    assert element_faults(STATION.line_2, STATION.line_1)[0][1].startswith("does not begin with 1")
    assert "check digit is 2" in element_faults(STATION.line_1[:-1] + "3", STATION.line_2)[0][1]
    other = "2 25545  51.6498 109.4756 0003572  55.9686 274.8005 15.49815350868474"
    assert "of object 25545" in element_faults(STATION.line_1, other)[0][1]


# ---- flights


@pytest.mark.parametrize(
    ("height", "density"), [(0, 1.2250), (11, 0.36391), (20, 0.08803), (32, 0.01322), (47, 0.00143)]
)
def test_air_is_the_standard_atmosphere(height: float, density: float) -> None:
    # ICAO Standard Atmosphere (ISO 2533), kg/m3 at the layers' ends (from memory).
    assert 1.225 * flight.relative_density(height) == pytest.approx(density, rel=0.002)


def test_a_balloons_horizon_is_bent() -> None:
    # At 30 km: straight rays 617 km; four thirds of the Earth 713 km, as the rule 2.23 sqrt(h/m) nautical miles = 715 km says;
    # traced through the exponential reference atmosphere 680 km (worked independently).
    assert flight.radio_horizon_km(30) == pytest.approx(680, abs=1.5)
    assert 617 < flight.radio_horizon_km(30) < 713
    # Up to 10 km the rule of four thirds, sqrt(2 * 4/3 * R * h), is within 2 %.
    for height in (0.01, 0.1, 1.0, 5.0, 10.0):
        assert flight.radio_horizon_km(height) == pytest.approx((8 / 3 * 6378.137 * height) ** 0.5, rel=0.02)
    assert flight.radio_horizon_km(30) == pytest.approx(flight.radio_horizon_km(30, 512), abs=1e-3)
    assert flight.radio_horizon_km(0) == 0


def test_a_rocket_without_a_parachute_is_seen_to_the_end_and_lies_where_it_fell() -> None:
    # 2 * sqrt(2 * 3000 m / 9.8 m/s^2) = 49.5 s. Speeds are measured over a second, which goes on behind the landing.
    rocket = flight.Rocket(3.0, 1.5)
    assert rocket.duration_s == pytest.approx(49.5, abs=0.1)
    assert rocket.place(rocket.duration_s + 5) == pytest.approx((0.0, 1.5), abs=1e-6)
    seen = flight.track(rocket, 3.0, 240)
    assert seen[-1].time_s > rocket.duration_s - 0.2 and seen[-1].distance_km == pytest.approx(1.5, abs=0.1)


def test_a_rocket_falls_as_in_a_textbook() -> None:
    # sqrt(2 h / g): 14.28 s from 1 km (g = 9.80 at these heights); from 100 km gravity is 1.5 % weaker in the mean.
    assert flight.Rocket(1.0).ascent_s == pytest.approx((2 * 1000 / 9.798) ** 0.5, rel=1e-3)
    assert flight.Rocket(100.0).ascent_s == pytest.approx(144.7, abs=0.3)
    height, ground = flight.Rocket(100.0, 60.0).place(144.735)
    assert height == pytest.approx(100, abs=0.01) and ground == pytest.approx(30, abs=0.01)


def test_a_parachute_is_faster_in_thin_air_and_lands_at_its_speed() -> None:
    balloon = flight.Balloon(30, 5, 6)
    assert balloon.ascent_s == 6000
    high = balloon.place(balloon.ascent_s + 1)[0]
    # Density at 30 km is 1/67.6 of that at the ground (ICAO Standard Atmosphere): 8.2 times as fast.
    assert (30 - high) * 1000 == pytest.approx(6 * 67.6**0.5, rel=0.02)
    last = balloon.place(balloon.duration_s - 10)[0]
    assert last * 1000 == pytest.approx(60, rel=0.01)
    assert balloon.place(balloon.duration_s)[0] == pytest.approx(0, abs=1e-9)


@settings(max_examples=40)
@given(st.floats(1, 50), st.floats(1, 10), st.floats(2, 20), st.floats(0, 100))
def test_a_flight_is_whole_and_its_samples_are_above_the_bent_horizon(
    burst: float, up: float, down: float, drift: float
) -> None:
    balloon = flight.Balloon(burst, up, down, drift)
    samples = flight.track(balloon, 3.0, 40)
    mast = flight.radio_horizon_km(0.003)
    for sample in samples:
        height, ground = balloon.place(sample.time_s)
        assert 0 <= height <= burst + 1e-9
        assert ground <= flight.radio_horizon_km(height) + mast
        assert sample.distance_km >= height * 0.999
    assert balloon.place(0.0) == (0.0, 0.0)
