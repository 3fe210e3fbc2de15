"""The shooter's size in the picture and the low-lag signals of one instant: pure functions of a pose and a ball.

Lengths in the picture become metres through one number, pixels a metre at the shooter. It comes from limb lengths,
which foreshortening can only shorten, so a high quantile over the last seconds is the honest estimate.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import ceil, floor, sqrt
from statistics import median

import numpy as np

from .records import FloatArray, Pose
from .skeleton import INDEX, Side

BALL_RADIUS_M = 0.1202
"""Size 7: 0.749 m round in one rule book, 0.750 to 0.770 m in another (both read second-hand); between the two."""

DEFAULT_STATURE_M = 1.80
"""Assumed where nobody says; the error that follows (measure.Shot.scale_sigma) is in every metric sigma."""

_SEGMENTS = (
    # (one end, other end, fraction of stature): segment table of Drillis and Contini as printed by Winter, from memory
    ("shoulder", "hip", 0.288),
    ("hip", "knee", 0.245),
    ("knee", "ankle", 0.246),
)
_SHOULDERS_OF_STATURE = 0.193
"""Distance of the network's shoulder joints over stature: 0.35 m on rendered players of 1.82 m, seen square."""
_UPPER_ARM_OF_STATURE = 0.186
"""The same table as the segments."""
_SEEN = 0.5
"""The network's visibility above which a landmark counts as seen."""


def point(pose: Pose, name: str) -> FloatArray:
    """(2,) pixels of a landmark by name."""
    here: FloatArray = pose.landmarks_px[INDEX[name]]
    return here


def middle(pose: Pose, joint: str) -> FloatArray:
    """(2,) pixels half-way between the left and the right joint."""
    return (point(pose, f"left_{joint}") + point(pose, f"right_{joint}")) / 2


def seen(pose: Pose, *names: str) -> bool:
    """Whether the network claims to see all of these landmarks."""
    return all(pose.visibility[INDEX[name]] >= _SEEN for name in names)


def in_picture(pose: Pose, size: tuple[int, int], *names: str) -> bool:
    """Whether all of these landmarks lie inside a picture of (width, height)."""
    points = pose.landmarks_px[[INDEX[name] for name in names]]
    return bool(((points >= 0) & (points < np.array(size))).all())


def stature_px(pose: Pose) -> float | None:
    """Height of the upright body in pixels as the longest of its well-seen segments suggests; None when none is seen.

    Shoulder to hip, thigh and shank are each scaled to the whole body. The median of the side-wise longest of each is
    taken: one badly placed joint cannot stretch the body, and a limb that points at the camera cannot shrink it.
    """
    guesses = []
    for a, b, fraction in _SEGMENTS:
        lengths = [
            _apart_px(pose, f"{side}_{a}", f"{side}_{b}")
            for side in ("left", "right")
            if seen(pose, f"{side}_{a}", f"{side}_{b}")
        ]
        if lengths:
            guesses.append(max(lengths) / fraction)
    return median(guesses) if guesses else None


def upper_stature_px(pose: Pose) -> float | None:
    """As `stature_px` where a close view cuts the body off below the chest: from the shoulders and the upper arms.

    The network goes on guessing hips below the picture and claims to see them, at half the body's true length. Of width
    and arms the longest is taken, since from the front the arms point at the camera and from the side the shoulders do.
    """
    guesses = [
        _apart_px(pose, a, b) / fraction
        for a, b, fraction in (
            ("left_shoulder", "right_shoulder", _SHOULDERS_OF_STATURE),
            ("left_shoulder", "left_elbow", _UPPER_ARM_OF_STATURE),
            ("right_shoulder", "right_elbow", _UPPER_ARM_OF_STATURE),
        )
        if seen(pose, a, b)
    ]
    return max(guesses, default=None)


def _apart_px(pose: Pose, a: str, b: str) -> float:
    x, y = (point(pose, a) - point(pose, b)).tolist()
    return sqrt(x * x + y * y)


def turned_deg(across_of_stature: float) -> float:
    """How far a body faces toward or away from the camera, by the width of its shoulders in the picture over the
    stature: 0 from the side, 90 from the front or behind.
    """
    return float(np.degrees(np.arcsin(np.clip(across_of_stature / _SHOULDERS_OF_STATURE, 0.0, 1.0))))


@dataclass(slots=True)
class ScaleTracker:
    """Pixels a metre at the shooter, from the poses of the last seconds."""

    stature_m: float
    close: bool = False
    """Only the upper body is in the picture."""
    span_s: float = 3.0
    quantile: float = 0.8
    _seen: deque[tuple[float, float]] = field(default_factory=deque)

    def update(self, t_s: float, pose: Pose | None) -> float | None:
        """Take in one instant and return pixels a metre, or None before the first body."""
        while self._seen and self._seen[0][0] < t_s - self.span_s and len(self._seen) > 1:
            self._seen.popleft()
        size_px = upper_stature_px if self.close else stature_px
        if pose is not None and (height := size_px(pose)) is not None:
            self._seen.append((t_s, height))
        if not self._seen:
            return None
        return _quantile([h for _, h in self._seen], self.quantile) / self.stature_m


def _quantile(values: list[float], share: float) -> float:
    """np.quantile to the last bit; that one takes 0.02 ms more, on each frame."""
    ordered, at = sorted(values), share * (len(values) - 1)
    below, above = ordered[floor(at)], ordered[ceil(at)]
    part = at - floor(at)
    return above - (above - below) * (1 - part) if part >= 0.5 else below + (above - below) * part


def hand_centre(pose: Pose, side: Side) -> FloatArray:
    """(2,) pixels of the palm: a little beyond the wrist toward the knuckles."""
    knuckles = (point(pose, f"{side}_index") + point(pose, f"{side}_pinky")) / 2
    return 0.4 * point(pose, f"{side}_wrist") + 0.6 * knuckles
