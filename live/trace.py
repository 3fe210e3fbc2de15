"""What is kept of one rep for a later look: the skeleton and the ball over time, no picture. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .lifting import POINTS, LiftedTrack
from .records import Ball, FloatArray, Observation, Pose, require_shape
from .reps import Reading
from .skeleton import COUNT
from .track import Track

LEAD_S = 0.5
"""Kept before the gather: what the player stood like, and room for the filter."""
_GATHER_S = 1.5
"""The shot is taken to begin this long before the release when no pick-up was seen."""


@dataclass(frozen=True, slots=True, eq=False)
class Space:
    """The lifted skeleton in the hoop frame, metres."""

    t_s: FloatArray
    """(S,), strictly increasing, on the source's clock; not every frame is lifted."""
    points_m: FloatArray
    """(S, P, 3), in the order of `names`."""
    sigma_m: FloatArray
    """(S, P, 3), one standard deviation of each coordinate."""
    names: tuple[str, ...] = POINTS

    def __post_init__(self) -> None:
        require_shape("points_m", self.points_m, (len(self.t_s), len(self.names), 3))
        require_shape("sigma_m", self.sigma_m, self.points_m.shape)


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One rep from before its gather to the end of its follow-through, as the picture showed it."""

    size: tuple[int, int]
    """(width, height) of the picture in pixels."""
    px_per_m: float
    """Pixels a metre at the shooter."""
    frames: NDArray[np.int64]
    """(T,), which frames of the source these are, counted from 0."""
    t_s: FloatArray
    """(T,), strictly increasing, seconds on the source's clock: the clock of the rep's events."""
    landmarks_px: FloatArray
    """(T, 33, 2), with exchanged arms put back; NaN where nobody was seen."""
    trust: FloatArray
    """(T, 33), the network's visibility, 0 outside the picture."""
    ball_px: FloatArray
    """(T, 3), centre and radius; NaN where it was not seen."""
    space: Space | None = None
    """The shot in space; with a calibration only."""
    film: str = ""
    """Name of the recording that it was read from, once looked up (reels.py) its path here; empty for a camera."""
    counted: bool = False
    """The recording's time stamps are no guide: its frames are found again only by counting from the first."""

    def __post_init__(self) -> None:
        count = len(self.t_s)
        require_shape("frames", self.frames, (count,))
        require_shape("landmarks_px", self.landmarks_px, (count, COUNT, 2))
        require_shape("trust", self.trust, (count, COUNT))
        require_shape("ball_px", self.ball_px, (count, 3))
        if count == 0 or not (np.diff(self.t_s) > 0).all():
            raise ValueError("a trace needs at least one instant, and t_s must strictly increase")

    def pose(self, k: int) -> Pose | None:
        """The body at sample k."""
        points = self.landmarks_px[k]
        return Pose(points, self.trust[k], np.zeros(COUNT)) if np.isfinite(points).all() else None

    def ball(self, k: int) -> Ball | None:
        """The ball at sample k."""
        x, y, radius = self.ball_px[k]
        return Ball(np.array([x, y]), float(radius), 1.0) if np.isfinite(radius) and radius > 0 else None

    def track(self) -> Track:
        """In metres at the shooter, as what reads and measures a shot takes it."""
        flip_up = np.array([1.0, -1.0]) / self.px_per_m
        return Track(self.t_s, self.landmarks_px * flip_up, self.ball_px[:, :2] * flip_up, self.trust)


def trace_of(
    reading: Reading, seen: Sequence[Observation], px_per_m: float, size: tuple[int, int], lifted: LiftedTrack | None
) -> Trace:
    """The part of a window that belongs to the shot.

    `seen` are the observations that the reading's tracks were made of, `lifted` its solution in space.
    """
    track, events = reading.raw, reading.events
    starts = (events.pickup_s, events.dip_s, events.knee_min_s, events.release_s - _GATHER_S)
    first_s = min(start for start in starts if start is not None) - LEAD_S
    part = slice(track.at(first_s), None)
    flip_down = np.array([1.0, -1.0]) * px_per_m
    balls = [
        (np.nan, np.nan, np.nan) if one.ball is None else (*one.ball.centre_px, one.ball.radius_px) for one in seen
    ]
    return Trace(
        size=size,
        px_per_m=px_per_m,
        frames=np.array([one.index for one in seen], np.int64)[part],
        t_s=track.t_s[part],
        landmarks_px=track.points[part] * flip_down,
        trust=np.zeros_like(track.points[part, :, 0]) if track.trust is None else track.trust[part],
        ball_px=np.array(balls, float)[part],
        space=None if lifted is None else Space(lifted.t_s, lifted.points, lifted.sigma_m()),
    )
