"""A few seconds of one player and one ball as arrays: what a rep is read from.

The same record holds points in the picture (two dimensions, metres at the shooter) and points in space (three
dimensions, hoop frame), so the logic that finds a shot can be checked against motion capture. The last axis of a point
points up in both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .angles import internal_deg
from .records import FloatArray, Observation, require_shape
from .skeleton import COUNT, INDEX, MIRRORED
from .smoothing import zero_lag

SMOOTH_HZ = 8.0
"""Net cutoff for landmarks. 6 Hz is usual for walking; the elbow opens in a tenth of a second and needs more."""
BALL_SMOOTH_HZ = 10.0

_ARM = ("elbow", "wrist", "pinky", "index", "thumb")
_SEEN = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Points of a window of time; NaN where not seen."""

    t_s: FloatArray
    """(T,), strictly increasing."""
    points: FloatArray
    """(T, 33, d), metres; d is 2 for a picture (x to the right) and 3 for space. The last axis points up."""
    ball: FloatArray
    """(T, d), the ball's centre."""
    trust: FloatArray | None = None
    """(T, 33), 0..1: the network's visibility, 0 outside the picture; None means that all is known (motion capture)."""

    def __post_init__(self) -> None:
        require_shape("points", self.points, (len(self.t_s), COUNT, None))
        require_shape("ball", self.ball, (len(self.t_s), self.points.shape[2]))
        if len(self.t_s) > 1 and not (np.diff(self.t_s) > 0).all():
            raise ValueError("t_s must strictly increase")

    def joint(self, name: str) -> FloatArray:
        """(T, d) of a landmark by name."""
        return self.points[:, INDEX[name]]

    def middle(self, joint: str) -> FloatArray:
        """(T, d), half-way between the left and the right joint."""
        return (self.joint(f"left_{joint}") + self.joint(f"right_{joint}")) / 2

    def angle_deg(self, a: str, b: str, c: str) -> FloatArray:
        """(T,) internal angle at b."""
        return internal_deg(self.joint(a), self.joint(b), self.joint(c))

    def ball_to(self, name: str) -> FloatArray:
        """(T,) distance from the ball's centre to a landmark."""
        return np.asarray(np.linalg.norm(self.ball - self.joint(name), axis=-1))

    def above_eyes_m(self, points: FloatArray) -> FloatArray:
        """(T,) height of points (T, d) above the eyes."""
        return np.asarray(points[:, -1] - self.middle("eye")[:, -1])

    def at(self, t_s: float) -> int:
        """Index of the first sample at or after t_s (the last one when all are earlier)."""
        return min(int(np.searchsorted(self.t_s, t_s - 1e-6)), len(self.t_s) - 1)

    def seen(self, span: slice, *names: str) -> bool:
        """Whether these landmarks were really seen for most of a stretch of samples, not only guessed."""
        if self.trust is None:
            return True
        part = self.trust[span][:, [INDEX[name] for name in names]]
        return bool(len(part)) and bool((np.median(part, axis=0) >= _SEEN).all())

    def smoothed(self) -> Track:
        """The same window through the zero-lag filter."""
        return Track(
            self.t_s,
            zero_lag(self.t_s, self.points, SMOOTH_HZ),
            zero_lag(self.t_s, self.ball, BALL_SMOOTH_HZ),
            self.trust,
        )


def from_observations(observations: Sequence[Observation], px_per_m: float, size: tuple[int, int]) -> Track:
    """The picture's track in metres at the shooter, arms that the network swapped put back; (0, 0) stays top-left.

    Landmarks that are hidden or outside a picture of size (width, height) keep the network's guess, which is good
    enough to follow a movement; `trust` says which may be measured.
    """
    n = len(observations)
    points, trust, ball = np.full((n, COUNT, 2), np.nan), np.zeros((n, COUNT)), np.full((n, 2), np.nan)
    for k, seen in enumerate(observations):
        if seen.pose is not None:
            points[k] = seen.pose.landmarks_px
            inside = ((points[k] >= 0) & (points[k] <= np.array(size))).all(-1)
            trust[k] = np.where(inside, seen.pose.visibility, 0.0)
        if seen.ball is not None:
            ball[k] = seen.ball.centre_px
    flip_up = np.array([1.0, -1.0]) / px_per_m
    t_s = np.array([seen.t_s for seen in observations])
    return Track(t_s, unswap_arms(t_s, points * flip_up), ball * flip_up, trust)


def unswap_arms(t_s: FloatArray, points: FloatArray) -> FloatArray:
    """Points (T, 33, d) at times t_s (T,) with exchanges of the left and the right arm undone.

    Seen from the side the network takes one raised arm for the other for half a second and stays sure of itself. Arms
    do not jump: of the two labellings at each instant, the sequence with the least total travel of elbows and hands is
    taken (dynamic programming over two states). Time spent exchanged costs, so in the long run the network is right.
    """
    arms = [INDEX[f"{side}_{joint}"] for side in ("left", "right") for joint in _ARM]
    partners = [MIRRORED[i] for i in arms]
    straight, crossed = points[:, arms], points[:, partners]
    n = len(points)
    keep = np.zeros((n, 2))
    back = np.zeros((n, 2), int)
    stay = _travel(straight[1:], straight[:-1])  # both as they are, or both exchanged: the same travel
    change = _travel(crossed[1:], straight[:-1])
    for k in range(1, n):
        for state in (0, 1):
            costs = (keep[k - 1, state] + stay[k - 1], keep[k - 1, 1 - state] + change[k - 1] + _EXCHANGE_M)
            back[k, state] = state if costs[0] <= costs[1] else 1 - state
            keep[k, state] = min(costs) + state * _CROSSED_MPS * (t_s[k] - t_s[k - 1])
    states = np.zeros(n, int)
    if n:
        states[-1] = int(keep[-1].argmin())
        for k in range(n - 1, 0, -1):
            states[k - 1] = back[k, states[k]]
    out = points.copy()
    out[np.ix_(states == 1, arms)] = points[np.ix_(states == 1, partners)]
    return out


_EXCHANGE_M = 0.03
"""What an exchange costs: the landmarks' own tremble. Where both arms lie on each other it is all that it costs."""
_CROSSED_MPS = 0.8


def _travel(now: FloatArray, before: FloatArray) -> FloatArray:
    """(T,): mean distance that the known of both arms' points (T, n, d) moved, metres; 0 where none is known."""
    distance = np.linalg.norm(now - before, axis=-1)
    known = np.isfinite(distance)
    return np.asarray(np.where(known, distance, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1))
