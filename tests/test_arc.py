"""Paths to the ring against worked examples of drag-free projectile physics (exact formulas, g = 9.80665)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.arc import clean_entry_deg, entry_deg, gentle_deg, launch_deg, least_speed_angle_deg, way

FOOT = 0.3048
RIM_FT = 10.0
distances = st.floats(1.0, 9.0)
rises = st.floats(-0.5, 2.0)


@pytest.mark.parametrize(
    ("distance_m", "release_ft", "theta", "speed", "entry"),
    [
        (13.75 * FOOT, 6.0, 53.11, 7.404, 34.92),
        (13.75 * FOOT, 7.0, 51.15, 7.146, 40.15),
        (13.75 * FOOT, 8.0, 49.14, 6.913, 44.68),
        (6.75, 7.0, 48.86, 8.735, 45.26),
        (19.75 * FOOT, 7.0, 49.32, 8.309, 44.31),
        (23.75 * FOOT, 7.0, 48.60, 9.010, 45.77),
        (10.0 * FOOT, 7.0, 53.35, 6.343, 34.21),
    ],
)
def test_worked_examples_at_52_degrees(distance_m, release_ft, theta, speed, entry):
    rise_m = (RIM_FT - release_ft) * FOOT
    assert least_speed_angle_deg(distance_m, rise_m) == pytest.approx(theta, abs=0.006)
    assert entry_deg(52.0, distance_m, rise_m) == pytest.approx(entry, abs=0.006)
    assert way(speed, 52.0, entry) == pytest.approx((distance_m, rise_m), abs=0.005)


@given(distances, rises)
def test_launch_and_entry_of_the_least_speed_make_a_right_angle(distance_m, rise_m):
    theta = least_speed_angle_deg(distance_m, rise_m)
    assert theta + entry_deg(theta, distance_m, rise_m) == pytest.approx(90.0)


@given(distances, rises, st.floats(-20, 80))
def test_launch_is_the_inverse_of_entry(distance_m, rise_m, entry):
    assert entry_deg(launch_deg(entry, distance_m, rise_m), distance_m, rise_m) == pytest.approx(entry, abs=1e-6)


@pytest.mark.parametrize(
    ("ball_m", "ring_m", "expected"),
    [(9.4 * 0.0254, 18 * 0.0254, 31.48), (0.750 / math.pi, 0.450, 32.04), (0.780 / math.pi, 0.450, 33.49)],
)
def test_the_flattest_clean_entry(ball_m, ring_m, expected):
    """Asin of ball over ring; balls and rings of the rule books."""
    assert clean_entry_deg(ball_m, ring_m) == pytest.approx(expected, abs=0.01)


@given(st.floats(0.5, 9.0), st.floats(0.0, 1.8))
def test_the_gentle_launch_goes_in_clean_also_from_close_by(distance_m, rise_m):
    assert entry_deg(gentle_deg(distance_m, rise_m), distance_m, rise_m) > clean_entry_deg()
