"""One shot in three dimensions: the whole window solved at once for every joint at every instant, with its error.

One camera sees directions, not distances. What it leaves open is closed by what is known of bodies and shots: limb
lengths, feet on the floor, free fall in the air, smooth motion, the ball in the hands and its size, the way knees and
elbows bend, and what was learned of where joints lie against landmarks (joints.py). All of it goes into one
least-squares problem over the window (Gauss and Newton with the damping of Levenberg and Marquardt, robust against bad
landmarks), so a wrong turn at one instant has to pay at its neighbours.

What is wrong in the same way at every instant (the player's own limb lengths, the network's habit of placing landmarks,
the camera's place, how far this player holds the ball in front) is not noise that many frames average out. Each such
thing is an unknown shared by the window, with its own spread. The error of every joint, and through random draws
of every measurement, then comes out of the same equations.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

from ..calibration.geometry import camera_centre, undistorted
from ..calibration.record import Calibration
from .anthropometry import BONES, LANDMARKS, LENGTHS, SLIDES
from .arc import GRAVITY_MPS2
from .ball_edge import Outline
from .blocks import Factor, Normal, NotPositiveError, factor
from .body import BALL_RADIUS_M, stature_px
from .joints import JOINTS, Learned, Together, landmark, toward_hoop
from .records import FloatArray, Observation, require_shape
from .runs import runs
from .sharpen import in_time, sharpened
from .skeleton import COUNT, FEET, INDEX, Side, other
from .track import Track, unswap_arms

BoolArray = NDArray[np.bool_]

POINTS = (
    *(
        f"{side}_{joint}"
        for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "foot_index")
        for side in ("left", "right")
    ),
    "eyes",
    "nose",
    "ball",
)
"""What is solved for; `eyes` is the middle of both."""
AT = {name: i for i, name in enumerate(POINTS)}
_N = 3 * len(POINTS)
_BALL = AT["ball"]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the picture showed in a window: pixels of a lens without distortion; NaN where not seen."""

    t_s: FloatArray
    """(T,), strictly increasing."""
    points_px: FloatArray
    """(T, 33, 2)"""
    trust: FloatArray
    """(T, 33), 0..1"""
    ball_px: FloatArray
    """(T, 2)"""
    ball_radius_px: FloatArray
    """(T,), as on the camera's axis."""
    ball_radius_sigma: FloatArray
    """(T,), one standard deviation of the radius' own error, as a share of it."""
    stature_px: float
    """Upright height of the body in the picture."""

    def __post_init__(self) -> None:
        n = len(self.t_s)
        require_shape("points_px", self.points_px, (n, COUNT, 2))
        require_shape("trust", self.trust, (n, COUNT))
        require_shape("ball_px", self.ball_px, (n, 2))
        require_shape("ball_radius_px", self.ball_radius_px, (n,))
        require_shape("ball_radius_sigma", self.ball_radius_sigma, (n,))

    def part(self, use: BoolArray) -> Seen:
        """The samples for which `use` (T,) is True."""
        return Seen(
            self.t_s[use],
            self.points_px[use],
            self.trust[use],
            self.ball_px[use],
            self.ball_radius_px[use],
            self.ball_radius_sigma[use],
            self.stature_px,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """What is known of the player."""

    stature_m: float
    stature_sigma: float = 0.01
    """Relative, one standard deviation; 0.08 where the stature is a guess."""
    ball_radius_m: float = BALL_RADIUS_M
    lengths_m: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Measured lengths by their names in anthropometry.LENGTHS, between joint centres: (metres, one standard
    deviation). What is not in it goes by the stature."""

    def __post_init__(self) -> None:
        unknown = set(self.lengths_m) - set(LENGTHS)
        if unknown:
            raise ValueError(f"lengths must be among {', '.join(LENGTHS)}; found {', '.join(sorted(unknown))}")


@dataclass(frozen=True, slots=True, eq=False)
class LiftedTrack:
    """The shot in the hoop frame, metres."""

    t_s: FloatArray
    """(T,)"""
    points: FloatArray
    """(T, 19, 3) in the order of POINTS."""
    draws: FloatArray
    """(S, T, 19, 3): random versions of `points` that are as likely as its errors are: a quantity's spread over them
    is the quantity's error."""
    hand: Side
    toward: FloatArray
    """(3,), horizontal unit vector from the feet to the ring's axis."""
    held: BoolArray
    """(T,): the ball is in the hands."""
    trust: FloatArray
    """(T, 33), the network's visibility, 0 outside the picture."""
    cost: float
    """What the solution leaves unexplained, in halves of squared standard deviations."""
    learned: bool = False
    """What was learned of joints and landmarks took part."""

    def sigma_m(self) -> FloatArray:
        """(T, 19, 3), one standard deviation of each coordinate."""
        return np.asarray(np.sqrt(np.mean((self.draws - self.points) ** 2, axis=0)))

    def track(self) -> Track:
        """The window as points in space, for what reads shots; the landmarks that are not solved for stay NaN."""
        points = np.full((len(self.t_s), COUNT, 3), np.nan)
        for name, i in AT.items():
            if name in INDEX:
                points[:, INDEX[name]] = self.points[:, i]
        for side in ("left", "right"):
            points[:, INDEX[f"{side}_eye"]] = self.points[:, AT["eyes"]]
        ball = np.where(self.held[:, None], self.points[:, _BALL], np.nan)
        return Track(self.t_s, points, ball, self.trust)


@dataclass(frozen=True, slots=True)
class NotLifted:
    """Why a window could not be solved."""

    reason: str


def seen(
    observations: Sequence[Observation],
    calibration: Calibration,
    outlines: Sequence[Outline | None] | None = None,
    smoothed_by_network: bool = True,
) -> Seen | None:
    """The window as the solver wants it; None when no body was seen.

    `outlines` are the ball's measured outlines, one for each observation; without them its size is known only roughly.
    `smoothed_by_network` says that the poses come from the network's mode for one person, whose lag is undone.
    """
    n = len(observations)
    points, trust = np.full((n, COUNT, 2), np.nan), np.zeros((n, COUNT))
    ball, radius = np.full((n, 2), np.nan), np.full(n, np.nan)
    sigma = np.full(n, _RADIUS_SHARE)
    heights = []
    for k, seen_now in enumerate(observations):
        if seen_now.pose is not None:
            points[k] = seen_now.pose.landmarks_px
            inside = ((points[k] >= 0) & (points[k] <= np.array(calibration.image_size))).all(-1)
            trust[k] = np.where(inside, seen_now.pose.visibility, 0.0)
            heights.append(stature_px(seen_now.pose))
        found = outlines[k] if outlines is not None else None
        if found is not None:
            ball[k], radius[k] = found.ball.centre_px, found.ball.radius_px
            sigma[k] = _OUTLINE_SHARE / found.seen
        elif seen_now.ball is not None:
            ball[k], radius[k] = seen_now.ball.centre_px, seen_now.ball.radius_px
    known = [height for height in heights if height is not None]
    if not known:
        return None
    height = float(np.quantile(known, 0.7))
    t_s = np.array([one.t_s for one in observations])
    if smoothed_by_network:
        points = sharpened(t_s, points, height)
    points = in_time(t_s, unswap_arms(t_s, points / height) * height)
    ball, radius = _straight_ball(calibration, ball, radius)
    return Seen(t_s, undistorted(calibration, points), trust, ball, radius, sigma, height)


def _straight_ball(
    calibration: Calibration, ball_px: FloatArray, radius_px: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """(T, 2), (T,): centre and radius of the ball as on the axis of a lens without distortion."""
    turns = np.arange(8) * np.pi / 4
    outline = ball_px[:, None] + radius_px[:, None, None] * np.column_stack([np.cos(turns), np.sin(turns)])
    outline = undistorted(calibration, outline)
    centre = outline.mean(1)
    radius = np.linalg.norm(outline - centre[:, None], axis=-1).mean(1)
    return centre, np.asarray(radius / _longer(calibration, centre))


def _longer(calibration: Calibration, ball_px: FloatArray) -> FloatArray:
    """(T,): how many times the radius of a ball off the camera's axis is that on it.

    There its outline is an ellipse, as long as the ray is longer than its depth; a circle fits the mean of both axes.
    """
    k = calibration.camera_matrix
    aside = (ball_px - k[:2, 2]) / [k[0, 0], k[1, 1]]
    return np.asarray((1.0 + np.sqrt(1.0 + (aside**2).sum(-1))) / 2)


def lift(
    seen: Seen,
    calibration: Calibration,
    body: Body,
    hand: Side,
    release_s: float,
    learned: Learned | None = None,
    airborne_s: tuple[float, float] | None = None,
) -> LiftedTrack | NotLifted:
    """Solve a window for the joints and the ball in the hoop frame.

    `release_s` is the release as read in the picture; the ball is taken to be in the hands before it wherever it is
    seen there, and to fly after it. `learned` says where the joints lie against these landmarks (joints.py); without it
    the landmarks are taken to lie as anthropometry.py tells, and the body to be held as bodies usually are.
    `airborne_s` is from when to when both feet are off the floor (jump.py): then the body falls freely.
    """
    use: BoolArray = np.asarray(np.isfinite(seen.points_px).all((1, 2)))
    if use.sum() < _LEAST_SAMPLES:
        return NotLifted("the body was seen for too short a time")
    known = None if learned is None else learned.part(use)
    problem = _Problem(seen.part(use), calibration, body, hand, release_s, known, airborne_s)
    try:
        with _blas().limit(limits=1, user_api="blas"):
            found = _solve(problem, problem.start(), problem.mean, _STIFFENING)
            found, draws = _either_elbow(problem, found)
    except NotPositiveError:
        return NotLifted("the movement does not hang together")
    return LiftedTrack(
        t_s=problem.seen.t_s,
        points=found.points,
        draws=draws,
        hand=hand,
        toward=problem.toward,
        held=problem.held,
        trust=problem.seen.trust,
        cost=found.cost,
        learned=learned is not None,
    )


@functools.cache
def _blas() -> ThreadpoolController:
    """Blocks of 57 rows are too small to share among threads, which then only take the cores from the pose network."""
    return ThreadpoolController()


DRAWS = 48
_LEAST_SAMPLES = 8


# ------------------------------------------------------------------------------------------------------------- solving
@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    points: FloatArray
    """(T, 19, 3)"""
    shared: FloatArray
    """(G,)"""
    cost: float
    last: Factor
    """The last undamped one."""

    def draws(self, count: int) -> FloatArray:
        """(count, T, 19, 3)"""
        return np.asarray(self.points + self.last.draws(count).reshape(count, *self.points.shape))


def _either_elbow(problem: _Problem, found: _Solution) -> tuple[_Solution, FloatArray]:
    """The solution and draws (S, T, 19, 3), with the shooting elbow before and behind the arm's chord tried.

    Seen across the shot an elbow that points out and one that points in look alike. Where both explain the whole motion
    the better one is the solution, and the other one is among the draws as often as it is likely.
    """
    mirrored = problem.elbow_mirrored(found.points)
    if mirrored is None:
        return found, found.draws(DRAWS)
    other = _solve(problem, mirrored, found.shared, _STIFFENING_AGAIN)
    better, worse = (found, other) if found.cost <= other.cost else (other, found)
    share = 1.0 / (1.0 + np.exp(worse.cost - better.cost))
    apart = np.linalg.norm(better.points - worse.points, axis=-1).max()
    count = round(share * DRAWS) if apart > _SAME_M else 0
    return better, np.concatenate([better.draws(DRAWS - count), worse.draws(max(count, 1))[:count]])


_STIFFENING_AGAIN = ((1.0, 5),)
_SAME_M = 0.04


def _solve(
    problem: _Problem, start: FloatArray, shared: FloatArray, stiffening: tuple[tuple[float, int], ...]
) -> _Solution:
    """Levenberg and Marquardt.

    Lengths that are known to millimetres make narrow curved valleys in which every step is short, and at a fork the
    first step decides. So limbs are elastic at first, while habits and motion choose the side, and stiffen then.
    """
    x = start
    for problem.elastic, rounds in stiffening:
        cost, normal = problem.normal(x, shared)
        damping = _DAMPING
        for _ in range(rounds):
            try:
                dx, dshared = factor(normal, damping).step()
            except NotPositiveError:
                damping *= 10
                continue
            tried_x, tried_shared = x + dx.reshape(x.shape), shared + dshared
            tried_cost, tried = problem.normal(tried_x, tried_shared)
            if tried_cost < cost:
                small = cost - tried_cost < _SMALL * cost
                x, shared, cost, normal = tried_x, tried_shared, tried_cost, tried
                damping = max(damping / 10, 1e-7)
                if small:
                    break
            else:
                damping *= 10
    return _Solution(x, shared, cost, factor(normal))


_STIFFENING = ((4.0, 3), (1.0, 7))
"""(how many times softer limbs are, rounds at most)"""
_SMALL, _DAMPING = 1.2e-2, 1e-4


# ------------------------------------------------------------------------------------------------------------- problem
_Term = tuple[str, float | FloatArray, FloatArray]
"""A point, how many times it counts (for each instant, (T,), or throughout) and in which direction."""


@dataclass(frozen=True, slots=True, eq=False)
class _Habit:
    """A linear statement about points: sum of (point . direction) = value, which holds about so at every instant.

    `spread` is how far players differ from it for a whole shot, `give` how far it changes in its course. Either may
    change from instant to instant, (T,).
    """

    terms: tuple[_Term, ...]
    value: float | FloatArray
    spread: float | FloatArray
    give: float | FloatArray
    when: BoolArray | None = None


_LANDMARK_M = 0.013
"""Error of a landmark from one frame to the next, at 1.82 m."""
_HIDDEN, _RAISED, _RAISED_GIVE = 2.5, 6.0, 3.0
_BY_FACE_M, _COVERED = (0.2, 0.35), 4.0
"""On rendered shots the eyes' landmarks were 0.7 cm off, 2 to 5 cm where the ball's centre was nearer than 0.25 m."""
_BALL_M = 0.006
_CORRELATED_S = 0.08
"""For so long the network errs in the same way: more frames in that time tell nothing new."""
_CAUCHY = 2.5
_OUTLINE_SHARE = 0.008
"""Error of the radius of an outline that was seen all round; measured on rendered clips."""
_RADIUS_SHARE = 0.10
"""The same of the search for the ball, which knows three sizes."""
_RADIUS_BIAS = 0.012
"""Error of all radii together: the ball's own size, and where its edge is taken to be."""
_ROUGHNESS = {  # m/s^2, root mean square at 1.82 m
    "wrist": 45.0,
    "elbow": 30.0,
    "shoulder": 18.0,
    "hip": 16.0,
    "knee": 25.0,
    "ankle": 25.0,
    "heel": 30.0,
    "foot_index": 30.0,
    "eyes": 16.0,
    "nose": 16.0,
    "ball": 45.0,
}
_AT_RELEASE = 2.0
"""The arm is that much rougher while it throws."""
_UP = np.array([0.0, 0.0, 1.0])


_Part = tuple[FloatArray, FloatArray, FloatArray, slice, float]
"""Weighted residuals (T, r), their derivatives (T, r, n) and (T, r, c), which c shared unknowns, and their cost."""


def _robust(square: FloatArray) -> tuple[FloatArray, float]:
    """Factors for residuals whose squares these are, and their cost: Cauchy's, which grows with the logarithm."""
    cost = 0.5 * _CAUCHY**2 * float(np.log1p(square / _CAUCHY**2).sum())
    return np.asarray(1.0 / np.sqrt(1.0 + square / _CAUCHY**2)), cost


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """What was learned of one point, metres."""

    shift_m: FloatArray
    """(T, 2)"""
    shift_sigma_m: FloatArray
    """(T, 2)"""
    depth_m: FloatArray
    """(T,)"""
    depth_sigma_m: FloatArray
    """(T,)"""


_SHARED_SHIFT = 0.35
"""How much of the square of what was learned wrong holds for a whole shot; on shots that were left out of learning."""
_LEAST_M = 0.004
"""No landmark is better than this from one frame to the next: a pixel at 4 m."""


def _by_point(learned: Learned, hand: Side, stature_m: float) -> dict[int, _Point]:
    return {
        AT[landmark(side, joint, hand)]: _Point(
            learned.shift[:, j] * stature_m,
            learned.shift_sigma[:, j] * stature_m,
            learned.depth[:, j] * stature_m,
            learned.depth_sigma[:, j] * stature_m,
        )
        for j, (side, joint) in enumerate(JOINTS)
    }


def _middle(joint: str, way: FloatArray, share: float | FloatArray = 1.0) -> tuple[_Term, ...]:
    """Half-way between left and right, for a habit."""
    return (f"left_{joint}", share / 2, way), (f"right_{joint}", share / 2, way)


class _Problem:
    """The residuals of a window and their derivatives.

    Shared unknowns, in order: a factor of the body's size, the logarithms of its lengths, both hands' distance from the
    ball, landmark offsets in the picture (2 each), how far landmarks lie along their limbs, the camera (7, in standard
    deviations), the ball's size, one for each habit, height and speed of the body's centre in the middle of the jump.
    """

    def __init__(
        self,
        seen: Seen,
        calibration: Calibration,
        body: Body,
        hand: Side,
        release_s: float,
        learned: Learned | None = None,
        airborne_s: tuple[float, float] | None = None,
    ) -> None:
        self.seen, self.calibration, self.body, self.hand = seen, calibration, body, hand
        self.together = None if learned is None else learned.together
        self.learned = {} if learned is None else _by_point(learned, hand, body.stature_m)
        self.count = len(seen.t_s)
        self.size = body.stature_m / 1.82
        self.px = np.full((self.count, len(POINTS), 2), np.nan)
        self.trust = np.ones((self.count, len(POINTS)))
        for name, i in AT.items():
            if name in INDEX:
                self.px[:, i], self.trust[:, i] = seen.points_px[:, INDEX[name]], seen.trust[:, INDEX[name]]
        eyes = [INDEX["left_eye"], INDEX["right_eye"]]
        self.px[:, AT["eyes"]], self.trust[:, AT["eyes"]] = seen.points_px[:, eyes].mean(1), seen.trust[:, eyes].mean(1)
        for i, point in self.learned.items():
            self.px[:, i] += point.shift_m * seen.stature_px / body.stature_m
        self.px[:, _BALL] = seen.ball_px
        self.release_s = release_s
        px_per_m = seen.stature_px / body.stature_m
        reach = np.linalg.norm(self.px[:, [_BALL]] - self.px[:, [AT["left_wrist"], AT["right_wrist"]]], axis=-1)
        with np.errstate(invalid="ignore"):
            self.held = (reach.min(1) < _HELD_M * px_per_m) & (seen.t_s < release_s - 1e-6)
            shoulders = (self.px[:, AT["left_shoulder"], 1] + self.px[:, AT["right_shoulder"], 1]) / 2
            self.high = self.held & (self.px[:, _BALL, 1] < shoulders)
        self.planted = _planted(seen.t_s, self.px / px_per_m)
        self.flying = self._flying(airborne_s)
        self.k, self.R, self.t = calibration.camera_matrix, calibration.R, calibration.t
        self.centre = camera_centre(calibration)
        self.depth_m = self.k[0, 0] / px_per_m
        self.toward = toward_hoop(seen, calibration, body.stature_m)
        self.right = np.array([self.toward[1], -self.toward[0], 0.0])
        self._lay_out()

    # ------------------------------------------------------------------------------------------------ what is known
    def _flying(self, airborne_s: tuple[float, float] | None) -> BoolArray:
        """(T,): samples in free fall."""
        takeoff_s, landing_s = (np.inf, np.inf) if airborne_s is None else airborne_s
        t_s = self.seen.t_s
        feet = [AT[name] for name in FEET]
        off = (t_s > takeoff_s - 1e-6) & (t_s < landing_s - 1e-6) & (self.trust[:, feet] > _FEET_SEEN).all(axis=1)
        return _lasting(t_s, off, _FLIES_S)

    def _along(self, px: FloatArray) -> FloatArray:
        """(..., 3): the way in space that a pixel's ray goes while it goes 1 m deep."""
        k = self.k
        at = np.stack([(px[..., 0] - k[0, 2]) / k[0, 0], (px[..., 1] - k[1, 2]) / k[1, 1], np.ones(px.shape[:-1])], -1)
        return np.asarray(at @ self.R)

    def _habits(self) -> list[_Habit]:
        """What holds of a shot in any form, then either what was learned of this one or what is usual."""
        f, r, s = self.toward, self.right, self.size
        mine = self.hand
        out = 1.0 if mine == "right" else -1.0
        ahead_of_shoulders = (("ball", 1.0, f), *_middle("shoulder", f, -1.0))
        beside_shoulders = (("ball", 1.0, r), *_middle("shoulder", r, -1.0))
        habits = [
            _Habit(ahead_of_shoulders, 0.31 * s, 0.06 * s, 0.08 * s, self.high),
            _Habit(ahead_of_shoulders, 0.33 * s, 0.08 * s, 0.08 * s, self.held & ~self.high),
            _Habit(beside_shoulders, 0.05 * out * s, 0.04 * s, 0.03 * s, self.held),
            _Habit((("eyes", 1.0, f), *_middle("shoulder", f, -1.0)), 0.12 * s, 0.03 * s, 0.03 * s),
            _Habit((("eyes", 1.0, r), *_middle("shoulder", r, -1.0)), 0.0, 0.02 * s, 0.02 * s),
            _Habit((("nose", 1.0, f), ("eyes", -1.0, f)), 0.03 * s, 0.02 * s, 0.01 * s),
            _Habit(((f"{mine}_wrist", 1.0, r), ("ball", -1.0, r)), 0.04 * out * s, 0.03 * s, 0.03 * s, self.high),
        ]
        for side in ("left", "right"):
            # a heel leaves the floor in a low gather, the ball of the foot hardly does
            habits += [
                _Habit(((f"{side}_heel", 1.0, _UP),), 0.067 * s, 0.012, 0.02, self.planted[f"{side}_heel"]),
                _Habit(((f"{side}_foot_index", 1.0, _UP),), 0.044 * s, 0.01, 0.01, self.planted[f"{side}_foot_index"]),
            ]
        # a ball that is not held hangs loosely on the hand: nothing else would place it
        for way in (f, r, _UP):
            habits.append(_Habit((("ball", 1.0, way), (f"{mine}_wrist", -1.0, way)), 0.0, 1e-3, 0.5, ~self.held))
        return habits + (self._usual() if self.together is None else self._learned_depths(self.together))

    def _learned_depths(self, together: Together) -> list[_Habit]:
        """How deep each joint lies behind the middle of the hips, as the whole of the picture tells."""
        deep = self.R[2]
        sigma = np.array([point.depth_sigma_m for point in self.learned.values()])
        known = np.array([point.depth_m for point in self.learned.values()]) / sigma
        habits = []
        for way, spread, give in zip(together.ways.T, together.spread, together.give, strict=True):
            terms: list[_Term] = []
            for i, share in zip(self.learned, way[:, None] / sigma, strict=True):
                terms += [(POINTS[i], share, deep), *_middle("hip", deep, -share)]
            habits.append(_Habit(tuple(terms), way @ known, spread, give))
        return habits

    def _usual(self) -> list[_Habit]:
        """How players hold themselves, where nothing was learned."""
        f, r, s = self.toward, self.right, self.size
        mine, guide = self.hand, other(self.hand)
        out = 1.0 if mine == "right" else -1.0
        gone = self.seen.t_s > self.release_s
        shoulder_ahead = ((f"{mine}_shoulder", 1.0, f), (f"{guide}_shoulder", -1.0, f))
        habits = [
            # common practice: the shooting shoulder is a little ahead, and comes forward with the arm
            _Habit(shoulder_ahead, np.where(gone, 0.075, 0.04) * s, 0.08 * s, 0.045 * s),
            _Habit(((f"{mine}_hip", 1.0, f), (f"{guide}_hip", -1.0, f)), 0.03 * s, 0.06 * s, 0.03 * s),
            _Habit((*_middle("shoulder", f), *_middle("hip", f, -1.0)), 0.06 * s, 0.08 * s, 0.06 * s),
            _Habit((*_middle("shoulder", r), *_middle("hip", r, -1.0)), -0.01 * out * s, 0.02 * s, 0.02 * s),
            _Habit(((f"{mine}_elbow", 1.0, r), (f"{mine}_shoulder", -1.0, r)), 0.015 * out * s, 0.05 * s, 0.04 * s),
            _Habit(((f"{guide}_elbow", 1.0, r), (f"{guide}_shoulder", -1.0, r)), -0.01 * out * s, 0.06 * s, 0.05 * s),
            _Habit(((f"{guide}_wrist", 1.0, r), ("ball", -1.0, r)), -0.12 * out * s, 0.04 * s, 0.04 * s, self.held),
            _Habit(
                ((f"{mine}_wrist", 1.0, r), (f"{mine}_shoulder", -1.0, r)), -0.01 * out * s, 0.05 * s, 0.04 * s, gone
            ),
            _Habit(
                ((f"{mine}_elbow", 1.0, r), (f"{mine}_wrist", -0.5, r), (f"{mine}_shoulder", -0.5, r)),
                0.0,
                0.03 * s,
                0.02 * s,
                gone,
            ),
        ]
        stands = self.planted["left_foot_index"] & self.planted["right_foot_index"] & ~gone
        balance = (
            *_middle("shoulder", f, 0.5),
            *_middle("hip", f, 0.5),
            *_middle("heel", f, -0.5),
            *_middle("foot_index", f, -0.5),
        )
        # who stands keeps the weight over the feet: hips that go back are answered by shoulders that come forward
        habits.append(_Habit(balance, -0.03 * s, 0.035 * s, 0.025 * s, stands))
        # common practice: the shooting-side foot a little ahead
        habits.append(
            _Habit(((f"{mine}_heel", 1.0, f), (f"{guide}_heel", -1.0, f)), 0.06 * s, 0.06 * s, 0.02 * s, stands)
        )
        for side, sign in (("left", -1.0), ("right", 1.0)):
            hip, knee, ankle = (f"{side}_{joint}" for joint in ("hip", "knee", "ankle"))
            habits += [
                _Habit(((knee, 1.0, r), (hip, -1.0, r)), 0.02 * sign * s, 0.05 * s, 0.02 * s),
                _Habit(((ankle, 1.0, r), (hip, -1.0, r)), 0.045 * sign * s, 0.04 * s, 0.02 * s),
            ]
        return habits

    def _bends(self) -> tuple[tuple[tuple[tuple[str, float], ...], float], ...]:
        """Sums of points along the direction of the hoop that are not negative, with their give: knees and elbows."""
        s = self.size
        return (
            *(
                (((f"{side}_knee", 1.0), (f"{side}_hip", -0.5), (f"{side}_ankle", -0.5)), 0.03 * s)
                for side in ("left", "right")
            ),
            *((((f"{side}_elbow", 1.0), (f"{side}_shoulder", -1.0)), 0.06 * s) for side in ("left", "right")),
        )

    def _lay_out(self) -> None:
        """Everything that does not change while solving."""
        habits, s = self._habits(), self.size
        lengths = tuple(LENGTHS)
        self.at_hold = 1 + len(lengths)
        self.at_offsets = offsets = self.at_hold + 2
        self.at_slides = offsets + 2 * (len(POINTS) - 1)
        self.slides = [
            (AT[f"{side}_{slide.landmark}"], AT[f"{side}_{slide.toward}"], slide)
            for slide in SLIDES
            for side in ("left", "right")
        ]
        self.at_camera = camera = self.at_slides + len(self.slides)
        self.at_radius, self.at_habits = camera + 7, camera + 8
        self.at_fall = self.at_habits + len(habits)
        self.shared_count = self.at_fall + 2
        mean, spread = np.zeros(self.shared_count), np.ones(self.shared_count)
        spread[0] = self.body.stature_sigma
        spread[1 : self.at_hold] = [self._length_spread(name) for name in lengths]
        for name, i in AT.items():
            if name == "ball":
                continue
            joint = name.removeprefix("left_").removeprefix("right_")
            habit = LANDMARKS[joint]
            here = slice(offsets + 2 * i, offsets + 2 * i + 2)
            mean[here] = self.R[:2] @ (habit.ahead * self.toward + habit.up * _UP) * self.body.stature_m
            # a joint that the network only guesses is off by more, and in the same way throughout
            guessed = float(np.clip(np.median(self.trust[:, i]), 0.3, 1.0)) ** 2
            spread[here] = habit.spread * self.body.stature_m / guessed
        mean[self.at_slides : camera] = [slide.share for _, _, slide in self.slides]
        spread[self.at_slides : camera] = [slide.spread for _, _, slide in self.slides]
        if self.learned:
            # what was learned has put the landmarks on their joints already
            mean[self.at_slides : camera], spread[self.at_slides : camera] = 0.0, 0.01
        for i, point in self.learned.items():
            here = slice(offsets + 2 * i, offsets + 2 * i + 2)
            mean[here] = 0.0
            spread[here] = np.sqrt(_SHARED_SHIFT) * np.median(point.shift_sigma_m, axis=0)
        spread[self.at_radius] = _RADIUS_BIAS
        mean[self.at_hold : offsets], spread[self.at_hold : offsets] = _HOLD_M, _HOLD_SPREAD_M
        spread[self.at_habits : self.at_fall] = [float(np.max(habit.spread)) for habit in habits]
        spread[self.at_fall :] = _FALL_SPREAD
        self.mean, self.precision = mean, 1.0 / spread**2
        values, vectors = np.linalg.eigh(self.calibration.covariance)
        self.camera_ways = vectors * np.sqrt(np.clip(values, 0.0, None))

        interval = float(np.median(np.diff(self.seen.t_s)))
        self.dull = float(np.sqrt(max(1.0, _CORRELATED_S / interval)))
        known = np.isfinite(self.px).all(-1)
        self.weight = known.astype(float)
        sigma = np.full(self.px.shape[:2], _LANDMARK_M * s) / np.clip(self.trust, 0.2, 1.0)
        sigma[:, _BALL] = _BALL_M
        body_m_per_px = self.body.stature_m / self.seen.stature_px
        for name, i in AT.items():
            if name.endswith(("elbow", "wrist")):
                # a ball in front of the belly hides the hands, and the network guesses them too high
                sigma[self.held & ~self.high, i] *= _HIDDEN
        for i in (AT["eyes"], AT["nose"]):
            # a ball before the face, or beside it, draws the landmarks of the face away from it
            apart_m = np.linalg.norm(self.px[:, i] - self.px[:, _BALL], axis=-1) * body_m_per_px
            apart_m = np.where(np.isfinite(apart_m), apart_m, np.inf)
            sigma[:, i] *= np.interp(apart_m, np.multiply(_BY_FACE_M, s), (_COVERED, 1.0))
        # the network draws a raised arm's shoulder where it would hang
        sigma[self.seen.t_s > self.release_s - 0.05, AT[f"{self.hand}_shoulder"]] *= _RAISED
        for i, point in self.learned.items():
            own = np.sqrt((1 - _SHARED_SHIFT) * np.mean(point.shift_sigma_m**2, axis=-1))
            sigma[:, i] = np.maximum(own, _LEAST_M)
        self.sigma_m = sigma * self.dull
        self.px_known = np.where(known[..., None], self.px, 0.0)

        ends = [
            (AT[a], AT[b], self._length_m(n), LENGTHS[n].give, lengths.index(n), float(n not in self.body.lengths_m))
            for a, b, n in BONES
        ]
        self.bones_a, self.bones_b = (np.array([bone[i] for bone in ends]) for i in (0, 1))
        self.bone_m = np.array([bone[2] for bone in ends])
        self.bone_give = np.array([bone[3] for bone in ends]) * self.body.stature_m * self.dull
        self.bone_group = np.array([bone[4] for bone in ends])
        self.bone_follows = np.array([bone[5] for bone in ends])  # 1 where it goes with the stature
        mine = (f"{self.hand}_elbow", f"{self.hand}_wrist")
        self.arm_bones = np.array([i for i, (_, end, _) in enumerate(BONES) if end in mine])
        radius = self.seen.ball_radius_px
        sized = np.isfinite(radius)
        # metres of radius over pixels; undistorted pixels, on the camera's axis
        self.ball_depth_m = self.k[0, 0] * self.body.ball_radius_m / np.where(sized, radius, 1.0)
        self.ball_weight = sized / (self.seen.ball_radius_sigma * self.dull * self.ball_depth_m)
        self.elastic = 1.0
        self._linear(habits)
        self._smoothness()

    def _length_m(self, name: str) -> float:
        measured = self.body.lengths_m.get(name)
        return LENGTHS[name].share * self.body.stature_m if measured is None else measured[0]

    def _length_spread(self, name: str) -> float:
        measured = self.body.lengths_m.get(name)
        return LENGTHS[name].spread if measured is None else measured[1] / measured[0]

    def _linear(self, habits: list[_Habit]) -> None:
        rows = len(habits) + 1
        a = np.zeros((self.count, rows, len(POINTS), 3))
        b, c = np.zeros((self.count, rows, self.shared_count)), np.zeros((self.count, rows))
        for i, habit in enumerate(habits):
            weight = (1.0 if habit.when is None else habit.when.astype(float)) / (habit.give * self.dull)
            for name, share, way in habit.terms:
                a[:, i, AT[name]] += np.multiply.outer(np.broadcast_to(weight * share, self.count), way)
            b[:, i, self.at_habits + i] = -weight * habit.spread / np.max(habit.spread)
            c[:, i] = -habit.value * weight
        # who is in the air falls freely: the height of the body's centre is a parabola
        weight = self.flying / (_FALL_M * self.dull)
        since_s = self.seen.t_s - (self.seen.t_s[self.flying].mean() if self.flying.any() else 0.0)
        for joint, share in _CENTRE.items():
            for side in ("left", "right"):
                a[:, -1, AT[f"{side}_{joint}"]] += np.multiply.outer(weight * share / 2, _UP)
        b[:, -1, self.at_fall], b[:, -1, self.at_fall + 1] = -weight, -weight * since_s
        c[:, -1] = weight * GRAVITY_MPS2 / 2 * since_s**2
        self.lin_a, self.lin_b, self.lin_c = a.reshape(self.count, rows, _N), b, c
        at = self.lin_a.transpose(0, 2, 1)
        self.lin_aa, self.lin_ab = at @ self.lin_a, at @ self.lin_b
        flat = self.lin_b.reshape(-1, self.shared_count)
        self.lin_bb = flat.T @ flat

    def _smoothness(self) -> None:
        """Second differences of positions: changes of velocity from one interval to the next."""
        t = self.seen.t_s
        dt = np.diff(t)
        rough = np.array([_ROUGHNESS[n.removeprefix("left_").removeprefix("right_")] for n in POINTS]) * self.size
        arm = np.array(["wrist" in n or "elbow" in n for n in POINTS])
        throwing = np.abs(t[1:-1] - self.release_s + 0.02) < 0.12
        rms = rough * np.where(throwing[:, None] & arm, _AT_RELEASE, 1.0)
        # white acceleration: the change of velocity grows with the root of the time, and is `rms` at 30 a second
        sigma = rms * np.sqrt((dt[1:] + dt[:-1])[:, None] / 2 / 30.0)
        weight = 1.0 / sigma**2
        weight[:, _BALL] *= self.held[2:] & self.held[:-2]
        before, after = 1.0 / dt[:-1], 1.0 / dt[1:]
        ways = np.stack([before, -(before + after), after])  # coefficients of x(k), x(k+1), x(k+2)
        self.smooth_ways, self.smooth_weight = ways, weight
        diagonal = np.zeros((self.count, len(POINTS)))
        one, two = np.zeros_like(diagonal), np.zeros_like(diagonal)
        m = self.count - 2
        for i in range(3):
            diagonal[i : i + m] += weight * (ways[i] ** 2)[:, None]
        one[:m] += weight * (ways[0] * ways[1])[:, None]
        one[1 : m + 1] += weight * (ways[1] * ways[2])[:, None]
        two[:m] += weight * (ways[0] * ways[2])[:, None]
        self.smooth_diagonal, self.smooth_one, self.smooth_two = (np.repeat(v, 3, axis=1) for v in (diagonal, one, two))

    # ------------------------------------------------------------------------------------------------ normal equations
    def normal(self, x: FloatArray, shared: FloatArray) -> tuple[float, Normal]:
        """Cost and normal equations at points (T, 19, 3) and shared unknowns (G,)."""
        flat = x.reshape(self.count, _N)
        straight = np.einsum("tri,ti->tr", self.lin_a, flat) + self.lin_b @ shared + self.lin_c
        off = shared - self.mean
        w = self.smooth_ways[..., None, None]
        bend = w[0] * x[:-2] + w[1] * x[1:-1] + w[2] * x[2:]
        pull = self.smooth_weight[..., None] * bend
        # whoever stands nearer, or before a longer lens, moves less for the same picture, and would be the likelier one
        # for that: so each point's roughness counts as in the picture of somebody at the depth where the body is seen
        moved, _ = self._moved(shared)
        deep = ((x - self.centre - moved[3:6]) @ self.R[2]).mean(0)
        near = (self.depth_m * np.exp(moved[6]) / deep) ** 2
        rough = near * (pull * bend).sum((0, 2))
        cost = 0.5 * float((straight**2).sum() + (self.precision * off**2).sum() + rough.sum())
        diagonal, border, among = self.lin_aa.copy(), self.lin_ab.copy(), self.lin_bb + np.diag(self.precision)
        at = np.arange(_N)
        diagonal[:, at, at] += self.smooth_diagonal + 1e-6
        gradient = np.einsum("tri,tr->ti", self.lin_a, straight)
        smooth = np.zeros_like(x)
        for i in range(3):
            smooth[i : i + len(pull)] += w[i] * pull * near[:, None]
        smooth -= (rough / deep / self.count)[:, None] * self.R[2]
        gradient += smooth.reshape(self.count, _N)
        shared_gradient = np.einsum("trg,tr->g", self.lin_b, straight) + self.precision * off
        by_pose = np.concatenate([np.zeros(3), (rough / deep).sum() * self.R[2], [rough.sum()]])
        shared_gradient[self.at_camera : self.at_camera + 7] += by_pose @ self.camera_ways
        for residual, ja, jb, columns, part_cost in self._curved(x, shared):
            cost += part_cost
            jt = ja.transpose(0, 2, 1)
            diagonal += jt @ ja
            gradient += (jt @ residual[..., None])[..., 0]
            border[:, :, columns] += jt @ jb
            flat_b = jb.reshape(residual.size, jb.shape[-1])
            among[columns, columns] += flat_b.T @ flat_b
            shared_gradient[columns] += flat_b.T @ residual.reshape(-1)
        return cost, Normal(
            diagonal=diagonal,
            next_one=self.smooth_one,
            next_two=self.smooth_two,
            border=border,
            shared=among,
            gradient=gradient,
            shared_gradient=shared_gradient,
        )

    def _curved(self, x: FloatArray, shared: FloatArray) -> Iterator[_Part]:
        """What is not linear, part by part, each with the shared unknowns that it touches."""
        t = self.count
        projected, pa, pb = self._reprojection(x, shared)
        robust, cost = _robust((projected**2).sum(-1))
        columns = slice(self.at_offsets, self.at_camera + 7)
        weight = robust[..., None]
        yield (
            (projected * weight).reshape(t, -1),
            (pa * weight[..., None]).reshape(t, -1, _N),
            (pb[..., columns] * weight[..., None]).reshape(t, -1, columns.stop - columns.start),
            columns,
            cost,
        )
        lengths, la, lb = self._lengths(x, shared)
        columns = slice(0, self.at_offsets)
        yield lengths, la, lb[..., columns], columns, 0.5 * float((lengths**2).sum())
        bends, ba = self._one_sided(x)
        yield bends, ba, np.zeros((*bends.shape, 0)), slice(0, 0), 0.5 * float((bends**2).sum())
        sized, sa, sb = self._ball_size(x, shared)
        robust, cost = _robust(sized**2)
        columns = slice(self.at_camera, self.at_radius + 1)
        weight = robust[..., None]
        yield sized * robust, sa * weight, sb[..., columns] * weight, columns, cost

    def _reprojection(self, x: FloatArray, shared: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """(T, 19, 2), (T, 19, 2, n), (T, 19, 2, G)."""
        t, p = x.shape[:2]
        moved, turn = self._moved(shared)
        marked = x.copy()
        for (i, j, _), share in zip(self.slides, shared[self.at_slides : self.at_camera], strict=True):
            marked[:, i] += share * (x[:, j] - x[:, i])
        straight = (marked - self.centre - moved[3:6]) @ self.R.T
        at = straight @ turn.T
        focal = np.array([self.k[0, 0], self.k[1, 1]]) * np.exp(moved[6])
        z = np.maximum(at[..., 2], 0.2)
        flat = at[..., :2] / z[..., None] * focal
        offset = np.zeros((p, 2))
        offset[:-1] = shared[self.at_offsets : self.at_slides].reshape(-1, 2)
        px_per_m = self.depth_scale(z)
        weight = self.weight / (self.sigma_m * px_per_m)
        residual = (flat + self.k[:2, 2] + offset * px_per_m[..., None] - self.px_known) * weight[..., None]
        by_camera = np.zeros((t, p, 2, 3))
        by_camera[..., 0, 0], by_camera[..., 1, 1] = focal[0] / z, focal[1] / z
        by_camera[..., 0, 2], by_camera[..., 1, 2] = -flat[..., 0] / z, -flat[..., 1] / z
        by_camera *= weight[..., None, None]
        by_point = by_camera @ (turn @ self.R)
        a = np.zeros((t, p, 2, p, 3))
        every = np.arange(p)
        a[:, every, :, every] = by_point.transpose(1, 0, 2, 3)
        b = np.zeros((t, p, 2, self.shared_count))
        for k, (i, j, _) in enumerate(self.slides):
            share = shared[self.at_slides + k]
            a[:, i, :, i] -= share * by_point[:, i]
            a[:, i, :, j] += share * by_point[:, i]
            b[:, i, :, self.at_slides + k] = (by_point[:, i] @ (x[:, j] - x[:, i])[..., None])[..., 0]
        for axis in range(2):
            for i in range(p - 1):
                b[:, i, axis, self.at_offsets + 2 * i + axis] = (px_per_m * weight)[:, i]
        by_pose = np.zeros((t, p, 2, 7))
        # a small turn w moves a point by w x point
        sx, sy, sz = straight[..., 0], straight[..., 1], straight[..., 2]
        cross = np.zeros((t, p, 3, 3))
        cross[..., 0, 1], cross[..., 0, 2], cross[..., 1, 0] = sz, -sy, -sz
        cross[..., 1, 2], cross[..., 2, 0], cross[..., 2, 1] = sx, sy, -sx
        by_pose[..., :3] = by_camera @ cross
        by_pose[..., 3:6] = -by_point
        by_pose[..., 6] = flat * weight[..., None]
        b[..., self.at_camera : self.at_camera + 7] = by_pose @ self.camera_ways
        return residual, a.reshape(t, p, 2, _N), b

    def _moved(self, shared: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How the camera stands against its record (record.PARAMETERS), and its turn (3, 3), small."""
        moved: FloatArray = self.camera_ways @ shared[self.at_camera : self.at_camera + 7]
        x, y, z = moved[:3].tolist()
        return moved, np.array([[1.0, -z, y], [z, 1.0, -x], [-y, x, 1.0]])

    def depth_scale(self, z: FloatArray) -> FloatArray:
        """(T, 19) pixels a metre, where the body stands: so errors cannot shrink by pulling points from the camera."""
        return np.full_like(z, self.k[0, 0] / self.depth_m)

    def _ball_size(self, x: FloatArray, shared: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The ball's depth before the camera as it truly stands, against its size: (T, 1), (T, 1, n), (T, 1, G)."""
        moved, turn = self._moved(shared)
        straight = (x[:, _BALL] - self.centre - moved[3:6]) @ self.R.T
        depth = straight @ turn[2]
        longer = np.exp(moved[6])
        wanted = self.ball_depth_m * (1.0 + shared[self.at_radius]) * longer
        forward = turn[2] @ self.R
        ja = np.zeros((self.count, 1, len(POINTS), 3))
        ja[:, 0, _BALL] = np.multiply.outer(self.ball_weight, forward)
        by_pose = np.column_stack(
            [straight[:, 1], -straight[:, 0], np.zeros(self.count), np.tile(-forward, (self.count, 1)), -wanted]
        )
        jb = np.zeros((self.count, 1, self.shared_count))
        jb[:, 0, self.at_camera : self.at_camera + 7] = self.ball_weight[:, None] * by_pose @ self.camera_ways
        jb[:, 0, self.at_radius] = -self.ball_weight * self.ball_depth_m * longer
        return ((depth - wanted) * self.ball_weight)[:, None], ja.reshape(self.count, 1, _N), jb

    def _lengths(self, x: FloatArray, shared: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Limbs against their lengths, and hands against the ball: (T, r), (T, r, n), (T, r, G)."""
        a, b, way, distance, weight = self._ways(x)
        wanted = self.bone_m * np.exp(self.bone_follows * shared[0] + shared[1 + self.bone_group])
        m = len(self.bone_m)
        length = np.concatenate([wanted, shared[self.at_hold : self.at_offsets]])
        unit = way / distance[..., None] * weight[..., None]
        ja = np.zeros((self.count, len(a), len(POINTS), 3))
        rows = np.arange(len(a))
        ja[:, rows, a] = unit
        ja[:, rows, b] -= unit
        jb = np.zeros((self.count, len(a), self.shared_count))
        jb[:, :m, 0] = -wanted * self.bone_follows * weight[:, :m]
        jb[:, rows[:m], 1 + self.bone_group] = -wanted * weight[:, :m]
        jb[:, [m, m + 1], [self.at_hold, self.at_hold + 1]] = -weight[:, m:]
        return (distance - length) * weight, ja.reshape(self.count, len(a), _N), jb

    def _ways(self, x: FloatArray) -> tuple[NDArray[np.int_], NDArray[np.int_], FloatArray, FloatArray, FloatArray]:
        a = np.concatenate([self.bones_a, [AT[f"{self.hand}_wrist"], AT[f"{other(self.hand)}_wrist"]]])
        b = np.concatenate([self.bones_b, [_BALL, _BALL]])
        give = np.concatenate([self.bone_give, np.array(_HOLD_GIVE_M) * self.dull]) * self.elastic
        weight = np.broadcast_to(1.0 / give, (self.count, len(give))).copy()
        weight[:, len(self.bone_m) :] *= self.held[:, None]
        weight[np.ix_(self.seen.t_s > self.release_s - 0.02, self.arm_bones)] /= _RAISED_GIVE
        way = x[:, a] - x[:, b]
        return a, b, way, np.maximum(np.linalg.norm(way, axis=-1), 1e-6), weight

    def _one_sided(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Joints that bend one way only: (T, r), (T, r, n); zero while they do."""
        bends = self._bends()
        residual = np.zeros((self.count, len(bends)))
        ja = np.zeros((self.count, len(bends), len(POINTS), 3))
        for i, (terms, give) in enumerate(bends):
            value = sum(share * (x[:, AT[name]] @ self.toward) for name, share in terms) / (give * self.dull)
            wrong = value < 0
            residual[:, i] = np.where(wrong, value, 0.0)
            for name, share in terms:
                ja[:, i, AT[name]] += np.multiply.outer(wrong / (give * self.dull), share * self.toward)
        return residual, ja.reshape(self.count, len(bends), _N)

    # ------------------------------------------------------------------------------------------------------- beginning
    def elbow_mirrored(self, x: FloatArray) -> FloatArray | None:
        """(T, 19, 3) with the shooting elbow as far behind the line from shoulder to wrist as it is before it, at the
        same pixel; None where the view tells the two apart or they hardly differ.
        """
        if abs(float(self.R[2] @ self.toward)) > _ACROSS:
            return None
        shoulder, elbow, wrist = (x[:, AT[f"{self.hand}_{joint}"]] for joint in ("shoulder", "elbow", "wrist"))
        chord = wrist - shoulder
        share = ((elbow - shoulder) * chord).sum(-1) / np.maximum((chord**2).sum(-1), 1e-6)
        before = (elbow - shoulder - np.clip(share, 0.0, 1.0)[:, None] * chord) @ self.R[2]
        folded = self.high & (self.seen.t_s < self.release_s)
        if not folded.any() or abs(float(np.median(before[folded]))) < _BESIDE_M * self.size:
            return None
        depth = (elbow - self.centre) @ self.R[2]
        out = x.copy()
        out[:, AT[f"{self.hand}_elbow"]] = self.centre + (elbow - self.centre) * ((depth - 2 * before) / depth)[:, None]
        return out

    def start(self) -> FloatArray:
        """(T, 19, 3): limbs laid along the rays of their landmarks, each bent the way it usually bends."""
        x = np.zeros((self.count, len(POINTS), 3))
        rays = self._along(self.px)
        f, r = self.toward, self.right
        ahead = np.array([self.R[2] @ f, self.R[2] @ r])  # how deep a metre forward and a metre to the right go
        length = {name: self._length_m(name) for name in LENGTHS}

        def put(name: str, depth: FloatArray) -> None:
            x[:, AT[name]] = self.centre + rays[:, AT[name]] * depth[:, None]

        def hang(name: str, on: str, long: float, prefer: FloatArray) -> None:
            """On its ray at a distance from another point; of two places the one farther along `prefer`."""
            way, from_on = rays[:, AT[name]], self.centre - x[:, AT[on]]
            norm = (way**2).sum(-1)
            half, rest = (from_on * way).sum(-1) / norm, ((from_on**2).sum(-1) - long**2) / norm
            root = np.sqrt(np.maximum(half**2 - rest, 0.0))
            near, far = -half - root, -half + root
            better = ((far - near)[:, None] * way * prefer).sum(-1) > 0
            put(name, np.where(better, far, near))

        base = np.full(self.count, self.depth_m)
        for side, sign in (("left", -0.5), ("right", 0.5)):
            put(f"{side}_hip", base + sign * length["hips"] * ahead[1])
            put(f"{side}_shoulder", base + sign * length["shoulders"] * ahead[1] + 0.05 * self.size * ahead[0])
            hang(f"{side}_knee", f"{side}_hip", length["thigh"], f)
            hang(f"{side}_ankle", f"{side}_knee", length["shank"], -f)
            ankle = (x[:, AT[f"{side}_ankle"]] - self.centre) @ self.R[2]
            put(f"{side}_heel", ankle - 0.03 * ahead[0])
            put(f"{side}_foot_index", ankle + 0.15 * self.size * ahead[0])
            hang(f"{side}_elbow", f"{side}_shoulder", length["upper_arm"], f)
        middle = (x[:, AT["left_shoulder"]] + x[:, AT["right_shoulder"]]) / 2
        deep = (middle - self.centre) @ self.R[2]
        put("eyes", deep + 0.10 * self.size * ahead[0])
        put("nose", deep + 0.13 * self.size * ahead[0])
        before_face = middle + 0.26 * self.size * f + 0.2 * self.size * _UP
        for side in ("left", "right"):
            elbow = x[:, AT[f"{side}_elbow"]]
            hang(f"{side}_wrist", f"{side}_elbow", length["forearm"], before_face - elbow)
        wrist = x[:, AT[f"{self.hand}_wrist"]]
        seen_ball = np.isfinite(self.px[:, _BALL]).all(-1)
        rays[:, _BALL] = np.where(seen_ball[:, None], rays[:, _BALL], rays[:, AT[f"{self.hand}_wrist"]])
        put("ball", np.where(seen_ball, deep + 0.28 * self.size * ahead[0], (wrist - self.centre) @ self.R[2]))
        return x


_HELD_M = 0.27
_HOLD_M = 0.155
"""From the wrist to the ball's centre while the hand holds it: 0.13 to 0.19 on rendered and captured players."""
_HOLD_SPREAD_M = (0.015, 0.02)
_HOLD_GIVE_M = (0.015, 0.03)
"""Shooting and guide hand, between players and in the course of a shot."""
_ACROSS, _BESIDE_M = 0.6, 0.07
"""How much along the line of sight a shot may go for the elbow's two sides to look alike, and how far beside the arm's
chord it then is at least."""
_STILL_MPS, _LOW_M, _STANDS_S = 0.35, 0.07, 0.12


_CENTRE = {"shoulder": 0.424, "hip": 0.367, "knee": 0.140, "ankle": 0.069}
"""Weights of joints in the body's centre: from masses of trunk with head and arms, thighs, shanks and feet, and where
their own centres lie, as printed by Winter (from memory)."""
_FALL_M, _FALL_SPREAD = 0.01, (3.0, 3.0)
"""How far arms and head move the centre from there, metres; metres and m/s that the middle of a jump may have."""
_FLIES_S, _FEET_SEEN = 0.12, 0.5
"""A jump of at least so long is worth it, where the network sees the feet."""


def _lasting(t_s: FloatArray, flags: BoolArray, least_s: float) -> BoolArray:
    """(T,): the stretches of True that last for at least so long."""
    out = flags.copy()
    for first, end in runs(flags):
        if t_s[end - 1] - t_s[first] < least_s:
            out[first:end] = False
    return out


def _planted(t_s: FloatArray, points_m: FloatArray) -> dict[str, BoolArray]:
    """Where heels and toes stand on the floor, (T,) each: still, low, and for longer than at the top of a jump."""
    out: dict[str, BoolArray] = {}
    for name in FEET:
        foot = points_m[:, AT[name]]
        speed = np.linalg.norm(np.gradient(foot, t_s, axis=0), axis=-1)
        around = np.convolve(np.pad(speed, 1, mode="edge"), np.full(3, 1 / 3), mode="valid")
        still = (around < _STILL_MPS) & (foot[:, 1] > np.quantile(foot[:, 1], 0.8) - _LOW_M)
        out[name] = _lasting(t_s, np.asarray(still), _STANDS_S)
    return out
