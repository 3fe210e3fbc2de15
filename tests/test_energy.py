"""Order of the joints, on angles whose fastest instants are known because they are drawn here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimward.live import energy

RELEASE_S = 2.0


def opening(t: np.ndarray, fastest_s: float, by_deg: float = 70.0, lasts_s: float = 0.3) -> np.ndarray:
    """A joint that opens by so much round an instant: minimum jerk, fastest in its middle (Flash and Hogan 1985)."""
    u = np.clip((t - fastest_s) / lasts_s + 0.5, 0.0, 1.0)
    return 95.0 + by_deg * u**3 * (10 - 15 * u + 6 * u**2)


def shot(rate_hz: float = 30.0, **fastest_s: float) -> energy.Energy:
    t = np.arange(0.0, 3.0, 1 / rate_hz) + 0.007
    return energy.read(t, {joint: opening(t, at)[None] for joint, at in fastest_s.items()}, RELEASE_S)


@given(at=st.floats(1.4, 1.98), rate_hz=st.sampled_from([15.0, 30.0, 60.0, 120.0]))
@settings(max_examples=60, deadline=None)
def test_the_instant_is_found_between_the_frames(at, rate_hz):
    peak = shot(rate_hz, knee=at).peaks["knee"]
    assert peak.t_s == pytest.approx(at, abs=2 * peak.sigma_s)
    # 15/8 of the mean speed (minimum jerk, closed form)
    assert peak.speed_deg_s == pytest.approx(70 / 0.3 * 15 / 8, rel=0.15 if rate_hz >= 30 else 0.4)


def test_legs_open_before_the_arm():
    found = shot(knee=1.6, hip=1.75, elbow=1.95)
    assert energy.lag(found, "knee", "hip").value == pytest.approx(0.15, abs=0.02)
    lag = energy.lag(found, "knee", "elbow")
    assert lag.value == pytest.approx(0.35, abs=0.02)
    assert lag.basis == "timing"


def test_the_arm_before_the_legs_shows_as_a_negative_lag():
    assert energy.lag(shot(knee=1.95, elbow=1.8), "knee", "elbow").value == pytest.approx(-0.15, abs=0.02)


def test_joints_that_open_close_together_are_told_with_their_error():
    found = shot(knee=1.60, hip=1.62, elbow=1.95)
    lag = energy.lag(found, "knee", "hip")
    assert lag.value == pytest.approx(0.02, abs=2 * lag.sigma)


def test_small_lags_are_not_left_out():
    """Over many shots that scatter round 20 ms the median is 20 ms: it was 90 when only clear ones had a value."""
    lags = [energy.lag(shot(knee=1.6 + 0.003 * k, hip=1.62 + 0.0031 * k), "knee", "hip").value for k in range(20)]
    assert np.median(lags) == pytest.approx(0.02, abs=0.01)


def test_the_push_of_a_hop_is_not_that_of_the_shot():
    """The hop's push opens the knee faster, but before it bends for the shot."""
    t = np.arange(0.0, 3.0, 1 / 30)
    hop = opening(t, 1.3, 70.0, 0.2) - opening(t, 1.45, 60.0, 0.2)
    angles = {"knee": (hop + opening(t, 1.75, 50.0))[None], "elbow": opening(t, 1.95)[None]}
    found = energy.read(t, angles, RELEASE_S, crouch_s=1.57)
    assert found.peaks["knee"].t_s == pytest.approx(1.75, abs=0.03)


@pytest.mark.parametrize("at", [1.15, 2.2])
def test_a_joint_that_is_fastest_beyond_what_is_looked_at_has_no_peak(at):
    assert "knee" not in shot(knee=at).peaks


def test_a_joint_that_hardly_opens_has_no_peak():
    t = np.arange(0.0, 3.0, 1 / 30)
    found = energy.read(t, {"knee": opening(t, 1.6, 5.0)[None], "elbow": opening(t, 1.9)[None]}, RELEASE_S)
    assert set(found.peaks) == {"elbow"}
    assert "not both seen" in energy.lag(found, "knee", "elbow").reason


def test_a_joint_that_was_hidden_has_no_peak():
    t = np.arange(0.0, 3.0, 1 / 30)
    angles = opening(t, 1.6)
    angles[50] = np.nan
    assert not energy.read(t, {"knee": angles[None]}, RELEASE_S).peaks


def test_the_spread_of_equally_likely_versions_is_the_error():
    """Versions whose instants scatter by 50 ms: sigma is that, within the sampling error of 200 of them."""
    t = np.arange(0.0, 3.0, 1 / 120)
    rng = np.random.default_rng(5)
    versions = np.stack([opening(t, 1.6), *(opening(t, 1.6 + rng.normal(0, 0.05)) for _ in range(200))])
    assert energy.read(t, {"knee": versions}, RELEASE_S).peaks["knee"].sigma_s == pytest.approx(0.054, rel=0.15)
