"""Pass geometry: refusals, edges, and the mean against a plain sum."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from packetkit.errors import RadioError
from packetkit.passes import geometry


@pytest.mark.parametrize("altitude", [99, 2001, -400, math.nan, math.inf, True, "400"])
def test_an_altitude_that_no_low_orbit_has_is_refused_with_limits_and_remedy(altitude: int) -> None:
    with pytest.raises(RadioError) as caught:
        geometry.period(altitude)
    assert "is outside 100 to 2000 km" in str(caught.value)
    assert "give the duration of a pass instead" in str(caught.value)


@pytest.mark.parametrize("elevation", [-1, 90, 91, math.nan])
def test_a_mask_that_no_pass_stays_above_is_refused(elevation: float) -> None:
    with pytest.raises(RadioError) as caught:
        geometry.mean_pass_s(500, elevation)
    assert f"minimum_elevation_deg: {elevation} is outside 0 up to, but not including, 90 deg" in str(
        caught.value
    )


def test_a_number_too_long_to_print_is_refused_all_the_same() -> None:
    with pytest.raises(RadioError, match="altitude_km: a number beyond 1e15 is outside 100 to 2000 km"):
        geometry.period(10**5000)


def test_all_wrong_numbers_of_a_pass_are_told_at_once() -> None:
    with pytest.raises(RadioError) as caught:
        geometry.pass_duration_s(36000, 95, -3)
    assert [line.split(":")[0] for line in str(caught.value).splitlines()] == [
        "altitude_km",
        "minimum_elevation_deg",
        "offset_deg",
    ]
    faults = geometry.pass_faults(36000, 95)
    assert [fault.path for fault in faults] == ["altitude_km", "minimum_elevation_deg"]
    assert geometry.pass_faults(100, 0) == geometry.pass_faults(2000, Fraction(899, 10)) == ()


def test_straight_up_the_slant_range_is_the_altitude() -> None:
    assert geometry.slant_range_km(500, 90) == pytest.approx(500, rel=1e-12)
    assert geometry.slant_range_km(Fraction(30), 90) == pytest.approx(30, rel=1e-10)  # a balloon
    assert geometry.slant_range_km(0, 45) == pytest.approx(0, abs=1e-9)


def test_a_track_beyond_the_mask_brings_no_pass() -> None:
    edge = geometry.central_angle_deg(500, 10)
    assert geometry.pass_duration_s(500, 10, edge) == 0.0
    assert geometry.pass_duration_s(500, 10, 180) == 0.0
    assert 0 < geometry.pass_duration_s(500, 10, edge - 1e-9) < 1


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_a_pass_is_the_arc_that_the_textbook_formula_gives(share: float) -> None:
    # T = P/180 acos(cos(lambda_max) / cos(lambda_min)), SMAD section 5.3.1 (from memory).
    largest = geometry.central_angle_deg(600, 5)
    smallest = share * largest
    ratio = math.cos(math.radians(largest)) / math.cos(math.radians(smallest))
    expected = geometry.period(600) / 180 * math.degrees(math.acos(ratio))
    assert geometry.pass_duration_s(600, 5, smallest) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("altitude", "elevation"), [(400, 10), (2000, 0), (100, 89), (550, 25)])
def test_the_mean_pass_is_the_mean_of_many_evenly_spread_passes(altitude: int, elevation: int) -> None:
    edge, count = geometry.central_angle_deg(altitude, elevation), 4000
    total = sum(
        geometry.pass_duration_s(altitude, elevation, edge * (index + 0.5) / count) for index in range(count)
    )
    # A midpoint sum over a square-root edge errs by about count**-1.5.
    assert geometry.mean_pass_s(altitude, elevation) == pytest.approx(total / count, rel=1e-5)


@pytest.mark.parametrize(("altitude", "elevation"), [(100, 0), (100, 89.9), (500, 10), (2000, 0), (2000, 89)])
def test_the_mean_has_converged_with_a_quarter_of_its_intervals(altitude: int, elevation: float) -> None:
    whole = geometry.mean_pass_s(altitude, elevation)
    assert geometry._mean(altitude, elevation, geometry.INTERVALS // 4) == pytest.approx(whole, rel=1e-13)
    assert geometry._mean(altitude, elevation, 10 * geometry.INTERVALS) == pytest.approx(whole, rel=1e-13)


def test_the_higher_the_orbit_and_the_lower_the_mask_the_longer_the_pass() -> None:
    means = [geometry.mean_pass_s(altitude, 10) for altitude in range(100, 2001, 100)]
    assert means == sorted(means)
    masks = [geometry.mean_pass_s(500, elevation) for elevation in range(90)]
    assert masks == sorted(masks, reverse=True)
