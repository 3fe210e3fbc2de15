"""What to draw over the picture of a rep, and where: skeleton, angles, set point, ball path, another rep. Pure.

All places are pixels of the rep's own picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .body import stature_px
from .records import Ball, FloatArray, Pose, Rep
from .skeleton import COUNT, FEET, INDEX, MIRRORED
from .timeline import nearest
from .trace import Trace
from .track import Track

_SEEN = 0.5
_ANGLES = (
    ("elbow", ("shoulder", "elbow", "wrist"), ("elbow_at_set_deg", "elbow_at_release_deg", "elbow_max_deg")),
    ("knee", ("hip", "knee", "ankle"), ("knee_min_deg",)),
    ("hip", ("shoulder", "hip", "knee"), ("hip_min_deg",)),
)
"""Words, joints, and the measurements of which at least one must have a value: where the view gives the measurement
nothing to go by, an angle in the picture means nothing either."""
_AT_SET_M = 0.12
"""A ball's radius: with the ball farther from its place at set, the height drawn there would lie beside it."""


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One rep to look at."""

    rep: Rep
    trace: Trace
    smooth: Track
    """The trace through the filter that the measurements are read from."""
    name: str = ""
    """Words that tell it from others: clip or session, and number."""
    player: str = ""

    @property
    def title(self) -> str:
        """Whose rep, and which."""
        return f"{self.player} \N{MIDDLE DOT} {self.name}" if self.player else self.name

    @property
    def t_s(self) -> FloatArray:
        """(T,) times of its samples."""
        return self.trace.t_s


def take(rep: Rep, trace: Trace, name: str = "", player: str = "") -> Take:
    """Made ready for looking at it."""
    return Take(rep, trace, trace.track().smoothed(), name, player)


@dataclass(frozen=True, slots=True, eq=False)
class Corner:
    """The angle at a joint."""

    words: str
    at: FloatArray
    """(2,), the joint."""
    ends: tuple[FloatArray, FloatArray]
    """(2,) each: the joints that it lies between."""
    degrees: float


@dataclass(frozen=True, slots=True, eq=False)
class SetPoint:
    """How high the ball was at set: its centre's level, the eyes' level, and the value between them."""

    ball: FloatArray
    """(2,), the ball's centre at set."""
    eyes: FloatArray
    """(2,), the middle of the eyes at set."""
    words: str
    """The measured height with its error; empty when it was not measured."""


@dataclass(frozen=True, slots=True, eq=False)
class Figure:
    """Everything to draw at one instant of one rep."""

    pose: Pose | None
    ball: Ball | None
    corners: tuple[Corner, ...] = ()
    set_point: SetPoint | None = None
    path: FloatArray | None = None
    """(N, 2), the ball's way up to now."""
    other: Pose | None = None
    """The body of a second rep, put onto this one."""
    other_ball: Ball | None = None


def figure(taken: Take, k: int, *, measured: bool = True) -> Figure:
    """What there is to see at sample k; without `measured` skeleton and ball alone."""
    pose, ball = _pose(taken, k), taken.trace.ball(k)
    if not measured:
        return Figure(pose, ball)
    return Figure(pose, ball, _corners(taken, k), _set_point(taken, k), _path(taken, k))


def _pixels(taken: Take, points: FloatArray) -> FloatArray:
    down: FloatArray = points * np.array([1.0, -1.0]) * taken.trace.px_per_m
    return down


def _pose(taken: Take, k: int) -> Pose | None:
    points = _pixels(taken, taken.smooth.points[k])
    return Pose(points, taken.trace.trust[k], np.zeros(COUNT)) if np.isfinite(points).all() else None


def _corners(taken: Take, k: int) -> tuple[Corner, ...]:
    found = []
    for words, joints, names in _ANGLES:
        measured = [taken.rep.measurements[name] for name in names if name in taken.rep.measurements]
        if not any(one.value is not None and one.basis in ("image", "lifted") for one in measured):
            continue
        full = [f"{taken.rep.hand}_{joint}" for joint in joints]
        a, b, c = (_pixels(taken, taken.smooth.joint(name)[k]) for name in full)
        degrees = float(taken.smooth.angle_deg(*full)[k])
        if np.isfinite(degrees) and (taken.trace.trust[k, [INDEX[name] for name in full]] >= _SEEN).all():
            found.append(Corner(words, b, (a, c), degrees))
    return tuple(found)


def _set_point(taken: Take, k: int) -> SetPoint | None:
    """From the set on, earlier it would tell of something to come, and while the ball is still there."""
    events = taken.rep.events
    at = nearest(taken.t_s, events.set_s)
    left_m = float(np.linalg.norm(taken.smooth.ball[k] - taken.smooth.ball[at]))
    if taken.t_s[k] < events.set_s - 1e-6 or not left_m <= _AT_SET_M:
        return None
    ball, eyes = _pixels(taken, taken.smooth.ball[at]), _pixels(taken, taken.smooth.middle("eye")[at])
    if not (np.isfinite(ball).all() and np.isfinite(eyes).all()):
        return None
    measured = taken.rep.measurements.get("set_point_above_eyes_m")
    words = ""
    if measured is not None and measured.value is not None and measured.sigma is not None:
        words = f"set {100 * measured.value:+.0f} \N{PLUS-MINUS SIGN} {100 * measured.sigma:.0f} cm"
    return SetPoint(ball, eyes, words)


def _path(taken: Take, k: int) -> FloatArray | None:
    """From the pick-up, or from where the trace begins; unseen stretches are bridged by a straight line."""
    start_s = taken.rep.events.pickup_s
    first = 0 if start_s is None else nearest(taken.t_s, start_s)
    points = _pixels(taken, taken.smooth.ball[first : k + 1])
    seen = points[np.isfinite(points).all(axis=1)]
    return seen if len(seen) > 1 else None


# ---- one rep on another


@dataclass(frozen=True, slots=True)
class Placement:
    """How the picture of one rep is laid onto that of another: mirrored if need be, scaled, moved."""

    scale: float
    mirrored: bool
    x_px: float
    y_px: float

    def points(self, points_px: FloatArray) -> FloatArray:
        """(..., 2) where these places come to lie."""
        flip = -1.0 if self.mirrored else 1.0
        moved: FloatArray = points_px * np.array([flip * self.scale, self.scale]) + np.array([self.x_px, self.y_px])
        return moved

    def pose(self, pose: Pose) -> Pose:
        """The body there; mirrored, its left is its right."""
        points, visibility = self.points(pose.landmarks_px), pose.visibility
        if self.mirrored:
            points, visibility = points[list(MIRRORED)], visibility[list(MIRRORED)]
        return Pose(points, visibility, np.zeros(COUNT))

    def ball(self, ball: Ball) -> Ball:
        """The ball there."""
        return Ball(self.points(ball.centre_px), ball.radius_px * self.scale, ball.score)


def placement(mine: Take, other: Take) -> Placement | None:
    """`other` laid onto `mine`: bodies of the same height, the feet of the set point at the same place, both players
    facing the same way. None when one of the bodies was not seen there.
    """
    heights = [_height_px(one) for one in (mine, other)]
    feet = [_standing(one) for one in (mine, other)]
    if heights[0] is None or heights[1] is None or feet[0] is None or feet[1] is None:
        return None
    mirrored = _faces(mine) * _faces(other) < 0
    scale = heights[0] / heights[1]
    there = feet[1] * np.array([-scale if mirrored else scale, scale])
    x, y = feet[0] - there
    return Placement(scale, mirrored, float(x), float(y))


def overlaid(mine: Figure, other: Take, k: int | None, where: Placement) -> Figure:
    """The figure with the body of the other rep at its sample k put onto it."""
    pose = None if k is None else _pose(other, k)
    ball = None if k is None else other.trace.ball(k)
    return Figure(
        mine.pose,
        mine.ball,
        mine.corners,
        mine.set_point,
        mine.path,
        None if pose is None else where.pose(pose),
        None if ball is None else where.ball(ball),
    )


@dataclass(frozen=True, slots=True)
class Region:
    """A part of a picture in whole pixels; it may reach over the picture's edges."""

    x: int
    y: int
    w: int
    h: int


def region(taken: Take, width: float, height: float) -> Region:
    """The part of the picture, of the shape width to height, in which the body stays over the rep and the whole ball
    until it leaves the hand.
    """
    body = taken.trace.landmarks_px[np.isfinite(taken.trace.landmarks_px).all(axis=(1, 2))].reshape(-1, 2)
    held = taken.trace.ball_px[: nearest(taken.t_s, taken.rep.events.release_s) + 1]
    held = held[np.isfinite(held).all(axis=1)]
    # the network's guesses of hidden joints may fly about: the odd one must not shrink the body
    inside = np.quantile(body, (0.002, 0.998), axis=0) if len(body) else np.empty((0, 2))
    points = np.vstack([inside, held[:, :2] - held[:, 2:], held[:, :2] + held[:, 2:]])
    if not len(points):
        points = np.array([[0.0, 0.0], taken.trace.size])
    low, high = points.min(axis=0), points.max(axis=0)
    middle, span = (low + high) / 2, (high - low) * np.array([1.3, 1.25])
    scale = max(span[0] / width, span[1] / height, 1e-6)
    w, h = round(width * scale), round(height * scale)
    return Region(round(float(middle[0]) - w / 2), round(float(middle[1]) - h / 2), max(1, w), max(1, h))


def moved(drawn: Figure, x_px: float, y_px: float) -> Figure:
    """The same figure in a picture whose corner lies elsewhere: every place is so much farther right and down."""
    by = np.array([x_px, y_px])
    where = Placement(1.0, False, x_px, y_px)
    point = drawn.set_point
    return Figure(
        pose=None if drawn.pose is None else where.pose(drawn.pose),
        ball=None if drawn.ball is None else where.ball(drawn.ball),
        corners=tuple(
            Corner(one.words, one.at + by, (one.ends[0] + by, one.ends[1] + by), one.degrees) for one in drawn.corners
        ),
        set_point=None if point is None else SetPoint(point.ball + by, point.eyes + by, point.words),
        path=None if drawn.path is None else drawn.path + by,
        other=None if drawn.other is None else where.pose(drawn.other),
        other_ball=None if drawn.other_ball is None else where.ball(drawn.other_ball),
    )


def _height_px(taken: Take) -> float | None:
    """Of the upright body, over the whole rep: bent and foreshortened limbs only make it smaller."""
    poses = (taken.trace.pose(k) for k in range(len(taken.t_s)))
    heights = [height for pose in poses if pose is not None and (height := stature_px(pose)) is not None]
    return float(np.quantile(heights, 0.8)) if heights else None


def _standing(taken: Take) -> FloatArray | None:
    """(2,) the middle of the feet at set, or what the network guesses of them."""
    feet = np.mean([taken.smooth.joint(name)[nearest(taken.t_s, taken.rep.events.set_s)] for name in FEET], axis=0)
    return _pixels(taken, feet) if np.isfinite(feet).all() else None


def _faces(taken: Take) -> float:
    """Above 0 when the player faces to the right of the picture: toes before heels, nose before ears."""
    feet = taken.smooth.middle("foot_index") - taken.smooth.middle("heel")
    face = taken.smooth.joint("nose") - taken.smooth.middle("ear")
    return float(np.nanmedian((feet + face)[:, 0]))
