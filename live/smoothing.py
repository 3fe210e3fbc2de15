"""Two filters: one with little lag for the screen, one with none for the measurements.

The screen must follow at once, so it uses the One Euro filter (Casiez, Roussel and Vogel, CHI 2012), whose cutoff rises
with speed. A rep is measured after it is over, so its signals run through a Butterworth filter forward and backward,
which cancels the lag.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.signal import butter, sosfiltfilt

from .records import FloatArray

_TWO_PASSES = (np.sqrt(2.0) - 1.0) ** 0.25
"""0.802: two passes of a second-order filter pull its -3 dB point down by this much (Winter, Biomechanics and Motor
Control of Human Movement; from memory), so it is designed that much higher."""
_LEAST_SAMPLES = 8


@dataclass(slots=True)
class OneEuro:
    """Low-lag smoothing of an array that comes sample by sample.

    The defaults are tuned for landmarks in units of body height: still joints do not tremble and an elbow that opens at
    400 degrees a second lags about half a frame. The published defaults (1 Hz, beta 0) would lag 59 degrees there.
    """

    min_cutoff_hz: float = 2.5
    beta: float = 6.0
    """Hz of cutoff gained for each unit a second of speed."""
    speed_cutoff_hz: float = 2.0
    _t_s: float | None = None
    _value: FloatArray | None = None
    _speed: FloatArray | None = None

    def __call__(self, t_s: float, value: FloatArray) -> FloatArray:
        """The smoothed sample. A time that does not increase raises ValueError."""
        if self._t_s is None or self._value is None or self._speed is None:
            self._t_s, self._value, self._speed = t_s, np.array(value, float), np.zeros_like(value, dtype=float)
            return self._value
        dt = t_s - self._t_s
        if dt <= 0:
            raise ValueError(f"time must increase, got {t_s} after {self._t_s}")
        speed = (value - self._value) / dt
        self._speed = self._speed + _alpha(self.speed_cutoff_hz, dt) * (speed - self._speed)
        cutoff = self.min_cutoff_hz + self.beta * np.abs(self._speed)
        self._value = self._value + _alpha(cutoff, dt) * (value - self._value)
        self._t_s = t_s
        return self._value

    def reset(self) -> None:
        """Forget the past: the next sample is taken as it is."""
        self._t_s = self._value = self._speed = None


def _alpha(cutoff_hz: float | FloatArray, dt_s: float) -> float | FloatArray:
    """Weight of the newest sample of a first-order low-pass."""
    return 1.0 / (1.0 + 1.0 / (2.0 * np.pi * cutoff_hz * dt_s))


def zero_lag(t_s: FloatArray, values: FloatArray, cutoff_hz: float) -> FloatArray:
    """Values (T, ...) at times t_s (T,), low-passed at cutoff_hz (net of both passes) without lag.

    Uneven times are brought onto an even grid and back, so variable frame rates do not distort; gaps (NaN) are bridged
    for the filter and stay NaN in the result. A cutoff at or above the grid's Nyquist limit, or fewer than
    eight samples, leaves the values as they are: there is nothing to take away.
    """
    t_s = np.asarray(t_s, float)
    if len(t_s) < _LEAST_SAMPLES:
        return np.array(values, float)
    flat = np.asarray(values, float).reshape(len(t_s), -1)
    rate_hz = 1.0 / float(np.median(np.diff(t_s)))
    design_hz = cutoff_hz / _TWO_PASSES
    if design_hz >= 0.5 * rate_hz:
        return np.array(values, float)
    sos = _low_pass(design_hz, rate_hz)
    grid = np.linspace(t_s[0], t_s[-1], max(_LEAST_SAMPLES, round((t_s[-1] - t_s[0]) * rate_hz) + 1))
    out = np.full_like(flat, np.nan)
    # columns that were seen at the same instants (all landmarks of a body) go through together
    patterns, pattern_of = np.unique(np.isfinite(flat), axis=1, return_inverse=True)
    for i, known in enumerate(patterns.T):
        columns = np.flatnonzero(pattern_of.ravel() == i)
        seen = flat[np.ix_(known, columns)]
        if known.sum() < _LEAST_SAMPLES:
            out[np.ix_(known, columns)] = seen
            continue
        even = _at_times(grid, t_s[known], seen)
        smooth = sosfiltfilt(sos, even, axis=0, padlen=min(len(even) - 1, 3 * _LEAST_SAMPLES))
        out[np.ix_(known, columns)] = _at_times(t_s[known], grid, smooth)
    return out.reshape(np.shape(values))


@lru_cache(maxsize=64)
def _low_pass(cutoff_hz: float, rate_hz: float) -> FloatArray:
    """Second-order sections; a rep filters dozens of signals of the same rate."""
    return np.asarray(butter(2, cutoff_hz, fs=rate_hz, output="sos"))


def _at_times(wanted_s: FloatArray, t_s: FloatArray, values: FloatArray) -> FloatArray:
    """Values (T, n) at times t_s, linearly interpolated to other times; held beyond the ends."""
    after = np.clip(np.searchsorted(t_s, wanted_s), 1, len(t_s) - 1)
    before = after - 1
    part = np.clip((wanted_s - t_s[before]) / (t_s[after] - t_s[before]), 0.0, 1.0)[:, None]
    between: FloatArray = values[before] * (1 - part) + values[after] * part
    return between


def tops(t_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """When each of values (V, T) at times t_s (T,) is greatest, and how great: (V,) each.

    Between samples, on the parabola through the greatest and its neighbours; at the window's ends the sample itself, as
    beside a value that is not finite.
    """
    each, k = np.arange(len(values)), values.argmax(axis=1)
    inside = np.clip(k, 1, len(t_s) - 2)
    before, after = t_s[inside - 1] - t_s[inside], t_s[inside + 1] - t_s[inside]
    here = values[each, inside]
    with np.errstate(invalid="ignore"):
        rise, fall = (values[each, inside - 1] - here) / before, (values[each, inside + 1] - here) / after
        bend = (fall - rise) / (after - before)
        slope = rise - bend * before
        round_top = (k == inside) & (bend < 0) & np.isfinite(bend)
    bend, slope = np.where(round_top, bend, -1.0), np.where(round_top, slope, 0.0)
    at_s = np.where(round_top, t_s[inside] - slope / (2 * bend), t_s[k])
    return at_s, np.where(round_top, here - slope**2 / (4 * bend), values[each, k])
