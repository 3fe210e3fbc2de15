"""Both filters against published ones: SciPy's Butterworth run forward and backward, PyPI's OneEuroFilter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from OneEuroFilter import OneEuroFilter
from scipy.signal import butter, sosfiltfilt

from rimward.live.smoothing import OneEuro, zero_lag

WINTER = (np.sqrt(2) - 1) ** 0.25
"""0.802, correction for two passes of a second-order filter (Winter / Robertson, from memory)."""


def wave(t: np.ndarray, hz: float) -> np.ndarray:
    return np.sin(2 * np.pi * hz * t)


# ------------------------------------------------------------------------------------------------------------ zero lag
@pytest.mark.parametrize(("rate_hz", "cutoff_hz"), [(30.0, 6.0), (60.0, 8.0), (120.0, 10.0)])
def test_equals_scipy_forward_and_backward(rate_hz, cutoff_hz):
    t = np.arange(200) / rate_hz
    x = np.random.default_rng(1).normal(size=(200, 3)).cumsum(0)
    sos = butter(2, cutoff_hz / WINTER, fs=rate_hz, output="sos")
    expected = sosfiltfilt(sos, x, axis=0)
    ours = zero_lag(t, x, cutoff_hz)
    # the ends depend on how the signal is padded, which no source fixes
    assert ours[30:-30] == pytest.approx(expected[30:-30], abs=1e-6 * np.abs(expected).max())


def test_net_cutoff_is_3_db_after_both_passes():
    """Winter's correction is what makes this hold: 1/sqrt(2) of the wave is left at the cutoff asked for."""
    t = np.arange(0, 20, 1 / 200)
    out = zero_lag(t, wave(t, 6.0), 6.0)
    assert np.abs(out[1000:-1000]).max() == pytest.approx(1 / np.sqrt(2), abs=0.005)


def test_design_frequency_of_winters_example():
    # reference value computed from the formula: design at 7.48 Hz for a net 6 Hz
    assert pytest.approx(7.48, abs=0.005) == 6.0 / WINTER


def test_there_is_no_lag():
    t = np.arange(0, 4, 1 / 30)
    bump = np.exp(-0.5 * ((t - 2.0) / 0.2) ** 2)
    smooth = zero_lag(t, bump, 6.0)
    assert t[smooth.argmax()] == pytest.approx(t[bump.argmax()])
    assert (smooth * t).sum() / smooth.sum() == pytest.approx(2.0, abs=1e-3)


def test_uneven_time_stamps_give_what_even_ones_give():
    even = np.arange(0, 4, 1 / 60)
    uneven = np.sort(even + np.random.default_rng(2).uniform(-0.004, 0.004, even.size))
    a, b = zero_lag(even, wave(even, 1.5), 6.0), zero_lag(uneven, wave(uneven, 1.5), 6.0)
    assert np.interp(even[20:-20], uneven, b) == pytest.approx(a[20:-20], abs=0.01)


def test_gaps_stay_gaps_and_are_bridged_for_the_rest():
    t = np.arange(120) / 30
    x = wave(t, 0.5)[:, None] * np.array([1.0, 2.0])
    x[50:56, 0] = np.nan
    out = zero_lag(t, x, 6.0)
    assert np.isnan(out[50:56, 0]).all()
    assert np.isfinite(np.delete(out[:, 0], range(50, 56))).all()
    assert out[:, 1] == pytest.approx(zero_lag(t, x[:, 1], 6.0))  # the other column does not notice
    assert out[[45, 60], 0] == pytest.approx(wave(t, 0.5)[[45, 60]], abs=0.03)


@pytest.mark.parametrize("n", [0, 1, 7])
def test_too_few_samples_stay_as_they_are(n):
    t, x = np.arange(n) / 30.0, np.arange(float(n))
    assert zero_lag(t, x, 6.0) == pytest.approx(x)


def test_a_column_that_is_hardly_ever_seen_stays_as_it_is():
    t = np.arange(60) / 30
    x = np.full(60, np.nan)
    x[10:13] = [1.0, 5.0, 1.0]
    out = zero_lag(t, x, 6.0)
    assert out[10:13] == pytest.approx([1.0, 5.0, 1.0])
    assert np.isnan(np.delete(out, [10, 11, 12])).all()


def test_a_slow_camera_leaves_nothing_to_take_away():
    """At 15 frames a second the design frequency for 8 Hz (9.98) lies above Nyquist's 7.5."""
    t = np.arange(60) / 15
    x = np.random.default_rng(3).normal(size=60)
    assert (zero_lag(t, x, 8.0) == x).all()


@given(st.floats(-5, 5), st.floats(-5, 5), st.sampled_from([25.0, 30.0, 60.0]))
def test_straight_lines_pass(offset, slope, rate_hz):
    t = np.arange(60) / rate_hz
    assert zero_lag(t, offset + slope * t, 6.0) == pytest.approx(offset + slope * t, abs=1e-6)


# ------------------------------------------------------------------------------------------------------------ One Euro
@pytest.mark.parametrize("parameters", [(1.0, 0.0, 1.0), (2.5, 6.0, 2.0), (1.7, 0.3, 1.0)])
def test_equals_the_published_filter(parameters):
    """Casiez, Roussel, Vogel, CHI 2012; OneEuroFilter 0.2.1 on PyPI is an author's own code.

    That code takes a time stamp of 0 for "none", so the comparison starts its clock at 1.
    """
    min_cutoff, beta, speed_cutoff = parameters
    theirs = OneEuroFilter(freq=30, mincutoff=min_cutoff, beta=beta, dcutoff=speed_cutoff)
    ours = OneEuro(min_cutoff, beta, speed_cutoff)
    rng = np.random.default_rng(4)
    t = 1.0 + np.cumsum(rng.uniform(0.02, 0.05, 200))
    x = rng.normal(size=200).cumsum()
    expected = [theirs(float(v), float(s)) for v, s in zip(x, t, strict=True)]
    got = [float(ours(s, np.array([v]))[0]) for v, s in zip(x, t, strict=True)]
    assert got == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("rate_hz", "alpha"), [(30, 0.17317), (60, 0.09479), (120, 0.04975)])
def test_weight_of_the_newest_sample_at_1_hz(rate_hz, alpha):
    """alpha = 1 / (1 + 1 / (2 pi fc Te)): after a step of 1 the first value is alpha itself."""
    published = OneEuro(min_cutoff_hz=1.0, beta=0.0, speed_cutoff_hz=1.0)
    published(0.0, np.zeros(1))
    assert published(1 / rate_hz, np.ones(1))[0] == pytest.approx(alpha, abs=5e-6)


def settled_lag_deg(filtered: OneEuro, speed: float, rate_hz: float = 120.0) -> float:
    t = np.arange(0, 4, 1 / rate_hz)
    out = [float(filtered(s, np.array([speed * s]))[0]) for s in t]
    return float(speed * t[-1] - out[-1])


def test_published_defaults_lag_59_degrees_at_elbow_speed():
    """A ramp lags by speed / (2 pi fc), 159 ms at 1 Hz: 59 degrees at the 372 degrees a second of a real elbow.

    The sampled filter is one sample ahead of the formula.
    """
    lag = settled_lag_deg(OneEuro(1.0, 0.0, 1.0), 372.0, 1000.0)
    assert lag == pytest.approx(372.0 / (2 * np.pi), rel=0.02)
    assert lag == pytest.approx(59.0, abs=1.5)


def test_the_screen_follows_a_hand_at_elbow_speed_within_a_frame():
    """An elbow that opens at 400 degrees a second moves the hand by about 1.0 body height a second."""
    speed = np.radians(400.0) * 0.146
    assert settled_lag_deg(OneEuro(), speed, 30.0) < speed / 30


@given(st.floats(0.2, 8), st.floats(0.1, 5), st.sampled_from([30.0, 60.0, 120.0]))
def test_a_ramp_lags_by_its_speed_over_the_cutoff(cutoff_hz, speed, rate_hz):
    """First-order low-pass, exact for samples: lag = speed * (1 / alpha - 1) * dt."""
    t = np.arange(0, 12 / cutoff_hz, 1 / rate_hz)
    plain = OneEuro(min_cutoff_hz=cutoff_hz, beta=0.0)
    out = [float(plain(s, np.array([speed * s]))[0]) for s in t]
    assert speed * t[-1] - out[-1] == pytest.approx(speed / (2 * np.pi * cutoff_hz), rel=1e-3)


def test_a_still_landmark_trembles_less():
    rng = np.random.default_rng(5)
    smooth = OneEuro()
    noise = 0.002 * rng.normal(size=300)
    out = [float(smooth(k / 30, np.array([v]))[0]) for k, v in enumerate(noise)]
    assert np.std(out[30:]) < 0.7 * np.std(noise[30:])


def test_time_must_increase():
    smooth = OneEuro()
    smooth(1.0, np.zeros(1))
    with pytest.raises(ValueError, match=r"time must increase, got 1\.0 after 1\.0"):
        smooth(1.0, np.zeros(1))


def test_reset_forgets():
    smooth = OneEuro()
    smooth(1.0, np.zeros(1))
    smooth.reset()
    assert smooth(0.5, np.array([7.0]))[0] == 7.0
