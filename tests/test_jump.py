"""When the feet leave the floor and are back, on made heights. Source: physics, a jump of h takes 2 sqrt(2 h / g)."""

from __future__ import annotations

import numpy as np
import pytest

from rimward.live.jump import airborne

G_MPS2 = 9.81
RATE_HZ = 60.0
T = np.arange(0.0, 3.0, 1 / RATE_HZ)
TAKEOFF_S, RELEASE_S = 1.0, 1.15
STOOD = slice(round(0.8 * RATE_HZ), round(0.95 * RATE_HZ))
RELEASE = round(RELEASE_S * RATE_HZ)


def feet(height_m: float, farther_m: float = 0.0, walks_s: float | None = None) -> np.ndarray:
    """(T, 4) heights in the picture: a jump, after it by so much higher, and a step with both feet at `walks_s`."""
    air_s = 2 * np.sqrt(2 * height_m / G_MPS2)
    since = np.clip(T - TAKEOFF_S, 0.0, air_s)
    up = G_MPS2 / 2 * since * (air_s - since) + farther_m * (since / air_s if air_s else 0.0)
    both = np.column_stack([up] * 4)
    if walks_s is not None:
        for part, late_s in enumerate((0.0, 0.02, 0.12, 0.14)):
            step = np.clip((T - walks_s - late_s) / 0.3, 0.0, 1.0)
            both[:, part] += 0.12 * np.sin(np.pi * step)
    return both + 0.002 * np.random.default_rng(1).standard_normal(both.shape)


@pytest.mark.parametrize(
    ("height_m", "farther_m"),
    [(low, far) for low in (0.08, 0.2, 0.4, 1.0) for far in (-0.12, -0.04, 0.0, 0.04, 0.12) if abs(far) < low],
)
def test_a_foot_is_down_where_it_stops_falling(height_m, farther_m):
    """Whoever lands farther from the camera stands higher in the picture from then on, whoever lands nearer lower."""
    jump = airborne(T, feet(height_m, farther_m), STOOD, RELEASE)
    landing_s = TAKEOFF_S + 2 * np.sqrt(2 * height_m / G_MPS2)
    assert T[jump.landing] == pytest.approx(landing_s, abs=2.5 / RATE_HZ)
    assert T[jump.takeoff] == pytest.approx(TAKEOFF_S, abs=2.5 / RATE_HZ)


def test_walking_away_after_a_shot_without_a_jump_is_no_landing():
    assert airborne(T, feet(0.0, walks_s=RELEASE_S + 0.4), STOOD, RELEASE) is None


@pytest.mark.parametrize(("before_s", "its_own"), [(0.2, True), (0.3, False)])
def test_a_jump_that_begins_well_after_the_release_is_one_for_the_rebound(before_s, its_own):
    jump = airborne(T, feet(0.3), STOOD, round((TAKEOFF_S - before_s) * RATE_HZ))
    assert (jump is not None) is its_own


def test_a_hop_that_ended_before_the_release_is_not_its_jump():
    """Onto a place farther from the camera, so that the feet stay higher in the picture than where they stood."""
    hop = feet(0.2, 0.08)
    landing = round((TAKEOFF_S + 2 * np.sqrt(2 * 0.2 / G_MPS2)) * RATE_HZ)
    assert airborne(T, hop, STOOD, landing - 6) is not None
    assert airborne(T, hop, STOOD, landing + 6) is None


@pytest.mark.parametrize(("off", "jumped"), [(4, False), (8, True)])
def test_feet_that_are_off_the_floor_for_less_than_a_tenth_of_a_second_tremble(off, jumped):
    takeoff = round(TAKEOFF_S * RATE_HZ)
    lifted = feet(0.0)
    lifted[takeoff : takeoff + off] += 0.08
    assert (airborne(T, lifted, STOOD, takeoff + 1) is not None) is jumped


def test_walking_away_after_a_jump_changes_nothing():
    still, walked = feet(0.3, 0.1), feet(0.3, 0.1, walks_s=2.0)
    assert airborne(T, walked, STOOD, RELEASE) == airborne(T, still, STOOD, RELEASE)


def test_a_jump_that_is_not_seen_to_its_end_is_none():
    end = round((TAKEOFF_S + 0.35) * RATE_HZ)
    assert airborne(T[:end], feet(0.3)[:end], STOOD, RELEASE) is None


def test_a_foot_that_was_not_seen_before_leaves_the_jump_open():
    hidden = feet(0.3)
    hidden[: round(TAKEOFF_S * RATE_HZ), 2] = np.nan
    assert airborne(T, hidden, STOOD, RELEASE) is None


def test_a_foot_that_is_lost_in_the_air_leaves_it_to_the_others():
    jump = feet(0.3)
    whole = airborne(T, jump, STOOD, RELEASE)
    jump[RELEASE + 6 :, 0] = np.nan
    assert airborne(T, jump, STOOD, RELEASE) == whole
