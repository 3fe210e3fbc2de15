"""Undo the pose network's own smoothing.

In its video mode for one person the network's runtime passes every coordinate through a One Euro filter (Casiez,
Roussel and Vogel, CHI 2012) with a least cutoff of 0.05 Hz, a slope of 80 and 1 Hz for the speed, which measures speed
in sizes of the tracked square a second (constants: the runtime's public source). On rendered shots that lags 0.5 to 0.9
of a frame at the elbow and knee. The filter mixes each new value with its last output by a share that depends on the
new value alone, so the new values can be had back from the outputs.
"""

from __future__ import annotations

import numpy as np

from .records import FloatArray
from .skeleton import INDEX

_LEAST_HZ, _SLOPE, _SPEED_HZ = 0.05, 80.0, 1.0
_SQUARE_OF_STATURE = 1.2
"""Side of the tracked square over the player's stature in the picture: the value that takes the knees' lag to zero."""
_ROUNDS = 14
"""Not to the end on purpose. The exact inverse (speed is the root of a quadratic) reproduces what came out to the last
bit, but on rendered shots it doubles the tremble, since the square's size is known only roughly."""


def sharpened(t_s: FloatArray, points_px: FloatArray, stature_px: float) -> FloatArray:
    """What went into the filter, from what came out: points (T, ..., 2) in pixels at times t_s (T,); NaN stays NaN.

    The window's first sample is taken as it is; the filter forgets in about 0.3 s.
    """
    out = points_px.copy()
    speed = np.zeros_like(points_px[0]) if len(points_px) else np.zeros(0)
    for k in range(1, len(points_px)):
        came_out, before = points_px[k], points_px[k - 1]
        rate = 1.0 / (t_s[k] - t_s[k - 1])
        per_s = rate / (_SQUARE_OF_STATURE * stature_px)
        share_of_speed = _share(np.asarray(_SPEED_HZ), rate)
        moved = came_out - before
        new = moved.copy()
        # moved = share(new) * new; halving each correction keeps the iteration from swinging
        for _ in range(_ROUNDS):
            now = speed + share_of_speed * ((before + new - out[k - 1]) * per_s - speed)
            share = _share(_LEAST_HZ + _SLOPE * np.abs(now), rate)
            new = 0.5 * new + 0.5 * moved / share
        known = np.isfinite(new)
        out[k] = np.where(known, before + new, came_out)
        speed = np.where(known, speed + share_of_speed * ((out[k] - out[k - 1]) * per_s - speed), 0.0)
    return out


LAG_FRAMES = {"elbow": 0.2, "shoulder": 0.5, "knee": 0.3, "hip": 0.3}
"""How late the network itself still is, in frames, measured on rendered shots of five kinds from three sides: shoulders
0.3 to 0.8, knees 0.0 to 0.6, wrists none; elbows 0.0 to 1.2 by view, of which the least is taken off."""


def in_time(t_s: FloatArray, points_px: FloatArray) -> FloatArray:
    """Landmarks (T, 33, 2) at the times t_s (T,) at which the joints were there; NaN stays NaN."""
    out = points_px.copy()
    if len(t_s) < 2:
        return out
    frame_s = float(np.median(np.diff(t_s)))
    for joint, frames in LAG_FRAMES.items():
        for side in ("left", "right"):
            i = INDEX[f"{side}_{joint}"]
            for axis in range(2):
                values = points_px[:, i, axis]
                known = np.isfinite(values)
                if known.sum() >= 2:
                    out[known, i, axis] = np.interp(t_s[known] + frames * frame_s, t_s[known], values[known])
    return out


def _share(cutoff_hz: FloatArray, rate_hz: float) -> FloatArray:
    """Weight of the newest sample of a first-order low-pass."""
    return np.asarray(1.0 / (1.0 + rate_hz / (2.0 * np.pi * cutoff_hz)))
