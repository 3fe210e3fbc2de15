"""The order in which a shot's joints open fastest: legs pass their speed on to the arm, joint by joint.

The peak of each joint's speed of extension is found between the crouch and just after the release; a parabola through
the samples round it gives the instant finer than the frames. Knee, hip, elbow, wrist is the order that coaches ask for
(common practice, no source). The wrist's snap is left to whoever has a hand's own landmarks: on rendered shots those of
the body's network put it 30 to 250 ms off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .records import FloatArray, Measurement
from .smoothing import tops

_BEFORE_S, _AFTER_S = {"knee": 0.8, "hip": 0.8}, 0.1
_ARM_BEFORE_S = 0.35
"""The arm throws in the last third of a second; what opens in the picture earlier is the arm that comes up."""
_FRAMES, _NETWORK_S = 0.5, 0.02
"""Error of an instant between samples, in samples, and what the network adds: measured on rendered shots from the side
(knee 9, hip 11, elbow 13 ms in the median)."""
_LEAST_DEG_S = 100.0
"""A joint that opens slower than this passes nothing on: its peak is the network's tremble."""


@dataclass(frozen=True, slots=True)
class Peak:
    """When a joint opened fastest."""

    t_s: float
    sigma_s: float
    speed_deg_s: float


@dataclass(frozen=True, slots=True)
class Energy:
    """The peaks that were seen, by joint."""

    peaks: Mapping[str, Peak]

    def lag_s(self, first: str, then: str) -> tuple[float, float] | None:
        """(by how much `then` peaks after `first`, error); None where one of them was not seen."""
        if first not in self.peaks or then not in self.peaks:
            return None
        a, b = self.peaks[first], self.peaks[then]
        return b.t_s - a.t_s, float(np.hypot(a.sigma_s, b.sigma_s))


def read(
    t_s: FloatArray, angles_deg: Mapping[str, FloatArray], release_s: float, crouch_s: float | None = None
) -> Energy:
    """Peaks of the speeds at which these joints open.

    Legs open after the deepest knee bend `crouch_s`: a hop into the shot may be the quicker push, and is none of it.
    `angles_deg` holds (V, T) per joint, smooth internal angles at the times t_s (T,): the first version gives the
    instant, the others are as likely as their errors are and give its error (one version alone: the frames' error).
    """
    found = {}
    for joint, angles in angles_deg.items():
        from_s = release_s - _BEFORE_S.get(joint, _ARM_BEFORE_S)
        if joint in _BEFORE_S and crouch_s is not None:
            from_s = max(from_s, crouch_s)
        peak = _peak(t_s, np.atleast_2d(angles), from_s, release_s + _AFTER_S)
        if peak is not None:
            found[joint] = peak
    return Energy(found)


def _peak(t_s: FloatArray, angles: FloatArray, from_s: float, to_s: float) -> Peak | None:
    looked = np.flatnonzero((t_s >= from_s) & (t_s <= to_s))
    if len(looked) < 5 or not np.isfinite(angles[:, looked]).all():
        return None
    speeds = np.gradient(angles[:, looked], t_s[looked], axis=1)
    instants, _ = tops(t_s[looked], speeds)
    k = int(speeds[0].argmax())
    fastest = float(speeds[0, k])
    # a greatest speed at the edge was greater yet beyond it
    if fastest < _LEAST_DEG_S or k in (0, len(looked) - 1):
        return None
    spread = float(np.sqrt(np.mean((instants[1:] - instants[0]) ** 2))) if len(instants) > 1 else 0.0
    frame_s = float(np.median(np.diff(t_s[looked])))
    return Peak(float(instants[0]), float(np.hypot(np.hypot(spread, _NETWORK_S), _FRAMES * frame_s)), fastest)


def lag(found: Energy, first: str, then: str) -> Measurement:
    """How much later `then` opens fastest than `first`.

    Also where the two cannot be told apart: a player's median would lie away from zero if small ones were left out.
    """
    both = found.lag_s(first, then)
    if both is None:
        return Measurement.missing(f"the {first} and the {then} were not both seen opening")
    return Measurement(both[0], both[1], "timing")
