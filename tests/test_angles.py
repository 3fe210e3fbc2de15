"""Joint angles: internal convention, foreshortening by the book, and what a camera's place may not change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rimward.live.angles import internal_deg

POINTS = arrays(float, (3, 3), elements=st.floats(-2, 2))


def bent(flexion_deg: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A limb along x whose far part is turned by the flexion angle out of the straight line."""
    turn = np.radians(flexion_deg)
    return np.array([-0.3, 0.0]), np.zeros(2), 0.25 * np.array([np.cos(turn), np.sin(turn)])


def legs_apart(points: np.ndarray) -> bool:
    return min(np.linalg.norm(points[0] - points[1]), np.linalg.norm(points[2] - points[1])) > 0.05


@pytest.mark.parametrize("flexion_deg", [0, 10, 30, 90, 145])
def test_internal_angle_is_180_minus_flexion(flexion_deg):
    # Wu et al. 2005, J. Biomech. 38:981 (ISB): elbow flexion is 0 when fully extended
    assert internal_deg(*bent(flexion_deg)) == pytest.approx(180 - flexion_deg, abs=1e-5)


@pytest.mark.parametrize(
    ("turn_deg", "lying", "standing"), [(10, 89.1, 90.9), (20, 86.4, 93.6), (30, 81.8, 98.2), (45, 70.5, 109.5)]
)
def test_a_right_angle_turned_about_the_vertical_looks_different(turn_deg, lying, standing):
    """Geometry: only the horizontal part shrinks, by cos(turn); tan of each half angle changes with it."""
    squeeze = np.array([np.cos(np.radians(turn_deg)), 1.0])
    a, b, c = (np.array(p, float) for p in ([1, 1], [0, 0], [-1, 1]))  # symmetric about the vertical
    assert internal_deg(a * squeeze, b, c * squeeze) == pytest.approx(lying, abs=0.05)
    a, b, c = (np.array(p, float) for p in ([1, 1], [0, 0], [1, -1]))  # symmetric about the horizontal
    assert internal_deg(a * squeeze, b, c * squeeze) == pytest.approx(standing, abs=0.05)


def test_points_that_coincide_have_no_angle():
    here, there = np.zeros(2), np.ones(2)
    assert np.isnan(internal_deg(here, here, there))
    assert np.isnan(internal_deg(there, here, here))


def test_unknown_points_have_no_angle_and_do_not_spoil_their_neighbours():
    a, b, c = (np.tile(p, (3, 1)) for p in bent(90))
    a[1] = np.nan
    angles = internal_deg(a, b, c)
    assert angles[[0, 2]] == pytest.approx(90)
    assert np.isnan(angles[1])


@given(POINTS, st.floats(0.1, 10), st.floats(-180, 180), arrays(float, 3, elements=st.floats(-5, 5)))
def test_an_angle_does_not_change_with_place_size_turn_or_mirror(points, scale, turn_deg, shift):
    assume(legs_apart(points))
    t = np.radians(turn_deg)
    turn = np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]])
    moved = scale * points @ turn.T * np.array([-1.0, 1.0, 1.0]) + shift
    # the angle's cosine is what is computed; arccos magnifies rounding near 0 and 180
    assert np.cos(np.radians(internal_deg(*moved))) == pytest.approx(
        np.cos(np.radians(internal_deg(*points))), abs=1e-9
    )


@given(POINTS)
def test_an_angle_lies_between_0_and_180_whichever_end_comes_first(points):
    assume(legs_apart(points))
    angle = float(internal_deg(*points))
    assert 0 <= angle <= 180
    assert angle == pytest.approx(float(internal_deg(*points[::-1])), abs=1e-6)
