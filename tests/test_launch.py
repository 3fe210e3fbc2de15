"""When the ball is let go, from its path alone.

Source: physics. A pushed ball is accelerated, a free one falls with 9.81 m/s2 (projectile motion without drag; at the
speed of a shot drag is a tenth of that, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimward.live.launch import launch

GRAVITY_MPS2 = 9.81
NOISE_M = 0.004
SPEEDS = st.floats(5.5, 9.0)
ANGLES = st.floats(45, 70)


def path(t_s, released_s: float, speed_mps: float = 7.0, angle_deg: float = 52.0, push_s: float = 0.12):
    """(T, 2): at rest, pushed evenly for `push_s`, then free; with the noise of a sharp picture."""
    way = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    since = t_s - released_s
    pushed = np.clip(since + push_s, 0.0, push_s)
    along = speed_mps * pushed**2 / (2 * push_s) + speed_mps * np.maximum(since, 0.0)
    fallen = np.outer(GRAVITY_MPS2 / 2 * np.maximum(since, 0.0) ** 2, [0.0, -1.0])
    return np.outer(along, way) + fallen + np.random.default_rng(0).normal(0, NOISE_M, (len(t_s), 2))


def uneven(t_s, released_s: float, grows: float, speed_mps: float = 7.0, push_s: float = 0.12):
    """(T, 2): `path`, but the push grows (1) or fades (-1) evenly between nothing and twice its mean."""
    share = np.clip((t_s - released_s) / push_s + 1.0, 0.0, 1.0)
    along = -grows * speed_mps * push_s * (share**2 / 2 - share**3 / 3)
    return path(t_s, released_s, speed_mps, push_s=push_s) + np.outer(along, np.cos(np.radians([52.0, 38.0])))


def times(fps: float = 30.0, start_s: float = 0.0, end_s: float = 1.25):
    return np.arange(start_s, end_s, 1 / fps)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.9, 1.0), SPEEDS, ANGLES, st.sampled_from([30.0, 60.0]), st.floats(-0.05, 0.05))
def test_found_where_the_push_ends_wherever_it_was_looked_for(released_s, speed_mps, angle_deg, fps, wrong_s):
    t = times(fps)
    found = launch(t, path(t, released_s, speed_mps, angle_deg), released_s + wrong_s, 0.03)
    assert found is not None
    assert found.t_s == pytest.approx(released_s, abs=0.05)
    assert abs(found.t_s - released_s) < 4 * found.sigma_s


@pytest.mark.parametrize("fps", [30.0, 60.0])
@pytest.mark.parametrize("grows", [1.0, -1.0])
def test_a_push_need_not_be_even(fps, grows):
    """How hard a hand pushes changes while it does: taken for even, the launch would be 0.02 s off or more."""
    t = times(fps)
    found = launch(t, uneven(t, 1.0, grows), 0.97, 0.03)
    assert found is not None
    assert found.t_s == pytest.approx(1.0, abs=0.015)


def test_a_ball_seen_for_two_pictures_of_its_flight_is_enough():
    t = times()
    ball = path(t, 1.0)
    ball[t > 1.0 + 2 / 30 + 1e-6] = np.nan
    found = launch(t, ball, 0.95, 0.02)
    assert found is not None
    assert found.t_s == pytest.approx(1.0, abs=0.03)


@settings(max_examples=20, deadline=None)
@given(st.floats(-50, 50), st.sampled_from([-1.0, 1.0]))
def test_the_clock_and_the_side_change_nothing(shift_s, mirror):
    t = times()
    ball = path(t, 0.98)
    one, other = launch(t, ball, 0.95, 0.02), launch(t + shift_s, ball * [mirror, 1.0], 0.95 + shift_s, 0.02)
    assert one is not None
    assert other is not None
    assert other.t_s - shift_s == pytest.approx(one.t_s, abs=1e-6)
    assert other.sigma_s == pytest.approx(one.sigma_s, abs=1e-6)


def test_unknown_where_the_ball_was_seen_too_few_times():
    t = times()
    ball = path(t, 1.0)
    ball[np.arange(len(t)) % 3 > 0] = np.nan
    assert launch(t, ball, 1.0, 0.02) is None


@pytest.mark.parametrize(("seen", "told"), [(4, False), (5, True)])
def test_five_pictures_of_the_ball_are_needed(seen, told):
    t = times()
    ball = path(t, 1.0)
    ball[t > 1.0 + 2 / 30 + 1e-6] = np.nan
    ball[: np.flatnonzero(np.isfinite(ball[:, 0]))[-seen]] = np.nan
    assert (launch(t, ball, 0.98, 0.02) is not None) is told


def test_unknown_where_it_was_not_seen_to_fly():
    """Seen often enough, but once at most after the earliest instant at which it can have left."""
    t = times(fps=120.0)
    ball = path(t, 1.0)
    ball[t > 1.01] = np.nan
    assert launch(t, ball, 1.1, 0.02) is None
    assert launch(t, ball, 1.09, 0.02) is not None


def test_unknown_where_something_else_passes_for_the_ball_afterwards():
    t = times()
    ball = path(t, 1.0)
    ball[t > 1.05] = [3.0, -1.0]
    assert launch(t, ball, 1.0, 0.02) is None


def test_without_a_push_in_sight_it_stays_where_it_was_looked_for():
    """A ball that only flies tells nothing of when it was let go: what was known before is all, error and all."""
    t = times()
    for known_s in (0.01, 0.02):
        found = launch(t, path(t, 0.6), 1.0, known_s)
        assert found is not None
        assert found.t_s == pytest.approx(1.0, abs=0.1 * known_s)
        assert found.sigma_s == pytest.approx(known_s, rel=0.1)
