"""Curves over a fixed time grid: minimum-jerk moves, quintics, blends. Seconds and SI units."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

RATE_HZ = 240
"""Samples a second of every curve; a multiple of 30 and 60, so that frames and sub-frames fall on samples."""


def smooth(s: np.ndarray) -> np.ndarray:
    """Minimum-jerk progress 0..1 for s in 0..1 (T. Flash and N. Hogan, J. Neuroscience 5, 1985)."""
    s = np.clip(s, 0.0, 1.0)
    return s**3 * (10 - 15 * s + 6 * s * s)


def quintic(
    t: np.ndarray, duration_s: float, start: tuple[float, float, float], end: tuple[float, float, float]
) -> np.ndarray:
    """Quintic through (value, rate, acceleration) at 0 and at duration_s; t (T,) -> (T,)."""
    d = duration_s
    a = np.array(
        [
            [1, 0, 0, 0, 0, 0],
            [0, 1, 0, 0, 0, 0],
            [0, 0, 2, 0, 0, 0],
            [1, d, d**2, d**3, d**4, d**5],
            [0, 1, 2 * d, 3 * d**2, 4 * d**3, 5 * d**4],
            [0, 0, 2, 6 * d, 12 * d**2, 20 * d**3],
        ],
        float,
    )
    c = np.linalg.solve(a, np.array([*start, *end], float))
    return np.polyval(c[::-1], np.clip(t, 0, d))


def settle(t: np.ndarray, duration_s: float, value: float, rate: float, goal: float) -> np.ndarray:
    """From (value, rate) to rest at goal without overshoot when the rate points at the goal."""
    gap = goal - value
    if abs(gap) < 1e-6 or rate * gap <= 0:
        return value + gap * smooth(t / duration_s)
    power = max(2.0, rate * duration_s / gap)
    return goal - gap * (1 - np.clip(t / duration_s, 0, 1)) ** power


class Track:
    """A curve of K numbers on the grid; holds its last value. `value` is (N, K)."""

    def __init__(self, t_s: np.ndarray, start: float | np.ndarray) -> None:
        """A constant curve over the grid t_s (N,)."""
        self.t_s = t_s
        self.value = np.tile(np.atleast_1d(np.asarray(start, float)), (len(t_s), 1))

    def at(self, t_s: float) -> np.ndarray:
        """Value (K,) at the sample nearest to t_s."""
        return self.value[self.index(t_s)].copy()

    def index(self, t_s: float) -> int:
        """Sample nearest to t_s."""
        return int(np.clip(round(t_s * RATE_HZ), 0, len(self.t_s) - 1))

    def move(self, t0_s: float, t1_s: float, goal: float | np.ndarray) -> None:
        """Minimum-jerk move from wherever the curve is to goal."""
        w = smooth((self.t_s - t0_s) / max(t1_s - t0_s, 1e-6))[:, None]
        self.value = (1 - w) * self.value + w * np.atleast_1d(np.asarray(goal, float))

    def bump(self, t0_s: float, t1_s: float, t2_s: float, size: float | np.ndarray) -> None:
        """Add a bump that rises from t0 to t1 and is gone at t2."""
        w = smooth((self.t_s - t0_s) / (t1_s - t0_s)) * (1 - smooth((self.t_s - t1_s) / (t2_s - t1_s)))
        self.value = self.value + w[:, None] * np.atleast_1d(np.asarray(size, float))

    def put(self, t0_s: float, t1_s: float, curve: Callable[[np.ndarray], np.ndarray]) -> None:
        """Overwrite [t0, t1] with curve(t - t0), (T,) -> (T,) or (T, K); hold its end afterwards."""
        k = self.index(t0_s)
        inside = np.clip(self.t_s[k:] - t0_s, 0, t1_s - t0_s)
        v = curve(inside)
        self.value[k:] = v[:, None] if v.ndim == 1 else v

    def follow(self, t0_s: float, t1_s: float, t2_s: float, other: np.ndarray) -> None:
        """Blend over [t0, t1] to `other` (N, K), copy it until t2, then hold."""
        w = smooth((self.t_s - t0_s) / max(t1_s - t0_s, 1e-6))[:, None]
        end = self.index(t2_s)
        v = (1 - w) * self.value + w * other
        v[end:] = v[end]
        k = self.index(t0_s)
        self.value[k:] = v[k:]
