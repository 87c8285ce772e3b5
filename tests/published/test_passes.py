"""Pass geometry against textbooks and other people's published figures; each names where it was read."""

from __future__ import annotations

import math

import pytest

from packetkit.passes import geometry

EARTH_KM = 6378.137  # equatorial radius, WGS 84


def test_smad_table_for_1000_km_and_5_degrees() -> None:
    # Wertz and Larson, Space Mission Analysis and Design, section 5.3.1, worked example at 1000 km (from
    # memory).
    assert geometry.period(1000) / 60 == pytest.approx(105, abs=0.5)
    horizon = geometry.central_angle_deg(1000, 0)
    assert round(horizon, 1) == 30.2
    assert round(90 - horizon, 1) == 59.8
    assert round(geometry.slant_range_km(1000, 0)) == 3709
    # 25.5 and 3194 as printed there; 25.55 and 3194.5 lie half a digit beside.
    assert geometry.central_angle_deg(1000, 5) == pytest.approx(25.5, abs=0.06)
    assert geometry.slant_range_km(1000, 5) == pytest.approx(3194, abs=0.6)
    # 12.36 minutes there, worked on from rounded angles (25.5 and 14.7 degrees).
    assert geometry.pass_duration_s(1000, 5, 14.7) / 60 == pytest.approx(12.36, abs=0.03)


def test_roddys_semi_major_axis_has_the_published_mean_motion() -> None:
    # Roddy, Satellite Communications, examples 2.1 and 2.3: 14.23304826 revolutions a day at a = 7192.335 km.
    turns_a_day = 86400 / geometry.period(7192.335 - EARTH_KM)
    assert turns_a_day == pytest.approx(14.23304826, rel=2e-7)  # the axis is printed to 7 digits


@pytest.mark.parametrize(("elevation", "kilometres"), [(0, 1576), (5, 1113), (10, 810), (85, 17)])
def test_ground_range_at_200_km_is_the_one_posted_by_satellite_observers(
    elevation: int, kilometres: int
) -> None:
    # SeeSat-L mailing list, 2001: ground distance of a satellite 200 km high, by elevation. The figures fit
    # a sphere of the mean radius, 6371 km; the angle depends on the ratio of height and radius alone.
    mean_radius = 6371.0
    angle = geometry.central_angle_deg(200 * EARTH_KM / mean_radius, elevation)
    assert round(math.radians(angle) * mean_radius) == kilometres


# Altitude km, elevation degrees: slant range km, overhead and mean pass in minutes. Computed facts, worked
# out with another program before packetkit existed, on a sphere of 6378.137 km that does not turn.
COMPUTED = {
    (400, 0): (2294.0, 10.17, 8.03),
    (400, 5): (1804.5, 7.91, 6.23),
    (400, 10): (1439.8, 6.21, 4.89),
    (400, 30): (739.4, 2.79, 2.19),
    (500, 0): (2574.5, 11.55, 9.13),
    (500, 5): (2078.0, 9.21, 7.26),
    (500, 10): (1695.1, 7.38, 5.81),
    (500, 30): (909.5, 3.46, 2.72),
    (600, 0): (2830.9, 12.86, 10.17),
    (600, 5): (2329.0, 10.43, 8.23),
    (600, 10): (1932.3, 8.50, 6.70),
    (600, 30): (1075.2, 4.12, 3.24),
}


@pytest.mark.parametrize(("altitude", "elevation"), COMPUTED)
def test_slant_range_and_pass_times_are_the_computed_ones(altitude: int, elevation: int) -> None:
    slant, overhead, mean = COMPUTED[altitude, elevation]
    assert round(geometry.slant_range_km(altitude, elevation), 1) == slant
    assert round(geometry.overhead_pass_s(altitude, elevation) / 60, 2) == overhead
    assert round(geometry.mean_pass_s(altitude, elevation) / 60, 2) == mean


def test_most_passes_last_longer_than_half_the_longest() -> None:
    # SMAD section 5.3.1 (from memory): a mean of about 80 %, and about 86 % of passes over half the longest.
    longest = geometry.overhead_pass_s(500, 10)
    radius = geometry.central_angle_deg(500, 10)
    passes = [geometry.pass_duration_s(500, 10, radius * (index + 0.5) / 2000) for index in range(2000)]
    assert sum(passes) / len(passes) / longest == pytest.approx(0.80, abs=0.02)
    assert sum(duration > longest / 2 for duration in passes) / len(passes) == pytest.approx(0.86, abs=0.01)
