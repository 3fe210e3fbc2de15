"""Every measurement that a calibrated camera allows, from the lifted shot: a value with its own error, or why not.

A lifted shot comes with random versions of itself that are as likely as its errors are (lifting.LiftedTrack.draws).
Each function here is written once, for all versions together: the first is the solution and gives the value, the spread
of the others gives sigma. Where sigma is too large for the value to help anybody, the view cannot give it and the
result is null with that reason. Directions follow the interface: toward the hoop from the mid-hip at the deepest knee
bend, right is the shooter's.

To add a measurement: one function of `Shot3D` and one row of MEASUREMENTS.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..calibration.record import Calibration
from .angles import internal_deg
from .ball_edge import Outline
from .flight import Flight, fit_flight
from .joints import JointNetwork, learned
from .jump import ON_THE_TOES_M
from .lifting import AT, Body, LiftedTrack, NotLifted, Seen, lift, seen
from .records import Events, FloatArray, Measurement, Observation
from .reps import FACE_M, TREMBLE_DEG, Reading
from .skeleton import INDEX
from .smoothing import tops, zero_lag
from .track import SMOOTH_HZ

_FOLDED_DEG = 5.0
_SET_BEHIND_S = 0.17
"""From behind head and shoulders hide the arm when it is folded most: in 11 captured shots it was said to be 0.12 to
0.21 s later."""
_FRAMES = 0.5
"""Error of an instant that is read off frames, in frames."""


@dataclass(frozen=True, slots=True, eq=False)
class Shot3D:
    """A lifted shot and its instants."""

    t_s: FloatArray
    """(T,)"""
    versions: FloatArray
    """(1 + S, T, 19, 3): the solution and its random versions, hoop frame, metres."""
    lifted: LiftedTrack
    events: Events
    """Deepest knee bend and set in space; the others as read in the picture."""
    set_sigma_s: float
    free_s: float
    """When the ball left the hand, between two samples."""
    free_sigma_s: float
    frame_s: float
    release: int
    set_point: int
    pickup: int
    """Samples of release, set, and where the shot begins: the pick-up, or when the last foot came to stand."""
    gathers: NDArray[np.int_]
    """(1 + S,), the sample of each version's deepest knee bend: who steps before the shot may bend it twice."""
    folds: FloatArray
    """(1 + S, 4): seconds at which the elbow begins and ends to be folded at set, its angle there in degrees, and the
    second at which it is folded most."""
    flight: Flight | None
    stature_m: float
    facing: float
    """1 when the player faces the camera, 0 when across the picture, -1 when away."""

    @property
    def along_view(self) -> float:
        """0 when the player faces across the picture, 1 when toward the camera or away from it."""
        return abs(self.facing)

    @property
    def behind(self) -> float:
        """1 when the player is seen from straight behind, 0 from the side and from in front."""
        return max(0.0, -self.facing)

    @property
    def gather(self) -> int:
        """The solution's sample of the deepest knee bend."""
        return int(self.gathers[0])

    def point(self, joint: str) -> FloatArray:
        """(1 + S, T, 3) of a joint of the shooting side, or of `eyes`, `nose`, `ball`."""
        name = joint if joint in AT else f"{self.lifted.hand}_{joint}"
        return self.versions[:, :, AT[name]]

    def middle(self, joint: str) -> FloatArray:
        """(1 + S, T, 3), half-way between left and right."""
        return (self.versions[:, :, AT[f"left_{joint}"]] + self.versions[:, :, AT[f"right_{joint}"]]) / 2

    def angle_deg(self, a: str, b: str, c: str) -> FloatArray:
        """(1 + S, T), internal angle at b on the shooting side."""
        angle = internal_deg(self.point(a), self.point(b), self.point(c))
        # what trembles makes every smallest angle smaller and every hold shorter
        return zero_lag(self.t_s, angle.T, SMOOTH_HZ).T

    def toward(self) -> FloatArray:
        """(1 + S, 2), horizontal unit vectors toward the hoop."""
        away = -self.middle("hip")[:, self.gather, :2]
        return np.asarray(away / np.linalg.norm(away, axis=-1, keepdims=True))


def shot3d(
    lifted: LiftedTrack,
    window: Seen,
    calibration: Calibration,
    events: Events,
    free: tuple[float, float],
    stance_s: float | None,
    body: Body,
) -> Shot3D:
    """Find the instants in a lifted shot; release, pick-up and landing stay those of the picture.

    `free` is when the ball left the hand, and the error of that, seconds; `stance_s` when the last foot came to stand.
    """
    t = lifted.t_s
    versions = np.concatenate([lifted.points[None], lifted.draws])
    release = _at(t, events.release_s)
    start_s = events.pickup_s if events.pickup_s is not None else events.release_s - 1.0
    start_s = start_s if stance_s is None else max(start_s, stance_s)
    pickup = min(_at(t, max(start_s, t[0])), release - 1)
    hand = lifted.hand
    knee = internal_deg(*(versions[:, :, AT[f"{hand}_{joint}"]] for joint in ("hip", "knee", "ankle")))
    gathers = pickup + zero_lag(t, knee.T, SMOOTH_HZ)[pickup : release + 1].argmin(axis=0)
    gathers[0] = pickup + knee[0, pickup : release + 1].argmin()  # the solution is smooth as it is
    elbow = internal_deg(*(versions[:, :, AT[f"{hand}_{joint}"]] for joint in ("shoulder", "elbow", "wrist")))
    elbow = zero_lag(t, elbow.T, SMOOTH_HZ).T
    above = versions[0, :, AT["ball"], 2] - versions[0, :, AT["eyes"], 2]
    up = np.flatnonzero((above[pickup:release] > FACE_M) & lifted.held[pickup:release])
    first = min(pickup + (int(up[0]) if len(up) else 0), release - 1)
    folds = np.array([_fold(t, angle, first, release) for angle in elbow])
    # where the least lies in a flat hold is up to the noise: over all versions its instants average out
    set_s = float(folds[:, 3].mean())
    set_point = int(np.clip(np.argmin(np.abs(t - set_s)), first, release - 1))
    facing = -float(calibration.R[2] @ lifted.toward)
    hidden_s = _SET_BEHIND_S * max(0.0, -facing)
    frame_s = float(np.median(np.diff(t)))
    sigma_s = float(np.sqrt(folds[:, 3].std() ** 2 + (_FRAMES * frame_s) ** 2 + hidden_s**2))
    found = Events(
        pickup_s=events.pickup_s,
        dip_s=events.dip_s,
        knee_min_s=float(t[gathers[0]]),
        set_s=min(set_s, events.release_s - 1e-3),
        release_s=events.release_s,
        apex_s=events.apex_s,
        landing_s=events.landing_s,
    )
    return Shot3D(
        t_s=t,
        versions=versions,
        lifted=lifted,
        events=found,
        set_sigma_s=sigma_s,
        free_s=free[0],
        free_sigma_s=free[1],
        frame_s=frame_s,
        release=release,
        set_point=set_point,
        folds=folds,
        gathers=gathers,
        pickup=pickup,
        stature_m=body.stature_m,
        facing=facing,
        flight=fit_flight(window, calibration, lifted, *free, body.ball_radius_m),
    )


def better(image: Mapping[str, Measurement], lifted: Mapping[str, Measurement]) -> dict[str, Measurement]:
    """The lifted shot's measurements, and the picture's of what lifting does not measure; in the order of `image`.

    What space leaves open stays open: on rendered shots the picture's value of it was near one time in five. Of what
    both measure in different ways, so that their errors are independent, it is the weighted mean.
    """
    both = {name: _mean(image[name], lifted[name]) for name in _BOTH if name in image and name in lifted}
    return {**image, **lifted, **both}


_BOTH = ("jump_height_m",)
"""The picture takes it from the stance before the shot, space from the legs' lengths."""
_APART = 3.0
"""So many of their errors apart two values are not of the same thing: who stood in a crouch before the shot."""


def _mean(image: Measurement, lifted: Measurement) -> Measurement:
    """The mean of both, weighted by their errors; where they exclude each other the picture's."""
    if image.value is None or lifted.value is None or image.sigma is None or lifted.sigma is None:
        return image if lifted.value is None else lifted
    total = image.sigma**2 + lifted.sigma**2
    if abs(image.value - lifted.value) > _APART * np.sqrt(total):
        return image
    share = image.sigma**2 / total
    value = share * lifted.value + (1 - share) * image.value
    return Measurement(value, image.sigma * lifted.sigma / float(np.sqrt(total)), "lifted")


BEFORE_S, AFTER_S = 1.4, 0.6
"""The window that is solved, round the release: gather and lift, apex and most landings."""
_RUN_UP_S = 1.5
"""So much longer is looked at, for what must settle: the undone smoothing, which arm is which."""


def measure_rep(
    observations: Sequence[Observation],
    outlines: Sequence[Outline | None] | None,
    reading: Reading,
    calibration: Calibration,
    body: Body,
    smoothed_by_network: bool = True,
    joints: JointNetwork | None = None,
) -> tuple[Shot3D, dict[str, Measurement]] | NotLifted:
    """Lift the shot that was read in the picture and measure it.

    `observations` are those round the release (earlier and later ones are not used), `outlines` the ball's measured
    outlines in the same frames (ball_edge), None without any: then its depth is known less well.
    `smoothed_by_network` is False for poses from the network's mode for two people. `joints` is what was learned of
    the pose network's landmarks (assets.joint_network); without it they are taken to lie as anthropometry.py tells.
    """
    release_s = reading.events.release_s
    first, end = release_s - BEFORE_S - _RUN_UP_S, release_s + 1.0
    use = [k for k, one in enumerate(observations) if first <= one.t_s <= end]
    window = seen(
        [observations[k] for k in use],
        calibration,
        None if outlines is None else [outlines[k] for k in use],
        smoothed_by_network,
    )
    if window is None or len(window.t_s) < 2:
        return NotLifted("no body was seen")
    chosen = _chosen(window.t_s, release_s)
    known = None
    if joints is not None:
        known = learned(window, calibration, body.stature_m, reading.hand, joints).part(chosen)
    lifted = lift(window.part(chosen), calibration, body, reading.hand, release_s, known, reading.airborne_s)
    if isinstance(lifted, NotLifted):
        return lifted
    free = reading.free_s, reading.free_sigma_s
    shot = shot3d(lifted, window, calibration, reading.events, free, reading.stance_s, body)
    return shot, measure(shot)


_FINE_HZ, _COARSE_HZ = 31.0, 13.0
_FINE_S = (-0.65, 0.32)


def _chosen(t_s: FloatArray, release_s: float) -> NDArray[np.bool_]:
    """(T,): which samples to solve. Time goes with their number, and only the lift and the push need every frame."""
    use = np.zeros(len(t_s), bool)
    last_s = -np.inf
    for k, t in enumerate(t_s):
        if not -BEFORE_S <= t - release_s <= AFTER_S:
            continue
        rate = _FINE_HZ if _FINE_S[0] <= t - release_s <= _FINE_S[1] else _COARSE_HZ
        if t - last_s >= 1.0 / rate - 1e-6 or abs(t - release_s) < 1e-6:
            use[k], last_s = True, t
    return use


def measure(shot: Shot3D) -> dict[str, Measurement]:
    """All measurements that lifting can give, by name."""
    return {name: function(shot) for name, function in MEASUREMENTS.items()}


# ---------------------------------------------------------------------------------------------------------- helpers
def _at(t_s: FloatArray, instant_s: float) -> int:
    """The first sample at or after an instant."""
    return min(int(np.searchsorted(t_s, instant_s - 1e-6)), len(t_s) - 1)


def _fold(t: FloatArray, angle: FloatArray, first: int, release: int) -> tuple[float, float, float, float]:
    """When the elbow (T,) begins to be folded, when it ends to be, its angle in between, and when it is folded most.

    Folded is within 5 degrees of the least angle. Of stretches within the tremble of the least the last counts: the
    earlier ones are the same fold on its way up. An end that was not seen lies at the edge of what was.
    """
    part = angle[first:release]
    close = np.flatnonzero(part <= part.min() + TREMBLE_DEG)
    apart = np.flatnonzero(np.diff(close) > 1)
    start = close[apart[-1] + 1] if len(apart) else close[0]
    k = first + int(start) + int(part[start : close[-1] + 1].argmin())
    # the least of several trembling samples is too small: its neighbours have a say
    level = float(angle[max(first, k - 1) : min(release, k + 1) + 1].mean())
    seen, off = t[first : release + 1], angle[first : release + 1] - level
    begin_s, end_s = (_leaves(seen, off, k - first, step, _FOLDED_DEG) for step in (-1, +1))
    return begin_s, end_s, level, float(t[k])


def _leaves(t: FloatArray, off: FloatArray, k: int, step: int, give: float) -> float:
    """When `off` (T,) goes beyond `give`, forward or back from sample k, between samples; else the last instant."""
    i = k
    while 0 <= i + step < len(t):
        if off[i + step] > give:
            return float(t[i] + (give - off[i]) / (off[i + step] - off[i]) * (t[i + step] - t[i]))
        i += step
    return float(t[i])


def _given(values: FloatArray, useful: float, what: str, own: float = 0.0) -> Measurement:
    """The first of `values` with the spread of the rest and a further error of its own; null above `useful`."""
    if not np.isfinite(values).all():
        return Measurement.missing(f"{what} was not seen")
    spread = float(np.sqrt(np.mean((values[1:] - values[0]) ** 2)))
    sigma = float(np.hypot(spread, own))
    if sigma > useful:
        return Measurement.missing(f"{what} is not observable well enough from this side")
    return Measurement(float(values[0]), max(sigma, 1e-6), "lifted")


def _sway(values: FloatArray, k: int, t: FloatArray, sigma_s: float) -> float:
    """What an error of the instant does to a value that changes: (1 + S, T) at sample k."""
    lo, hi = max(0, k - 1), min(len(t) - 1, k + 1)
    return abs(float((values[0, hi] - values[0, lo]) / (t[hi] - t[lo]))) * sigma_s


def _hidden(shot: Shot3D, k: int) -> Measurement | None:
    """Missing where the network itself does not believe in the shooting arm round sample k."""
    arm = [INDEX[f"{shot.lifted.hand}_{joint}"] for joint in _HIDDEN_TRUST]
    trust = np.median(shot.lifted.trust[max(0, k - 2) : k + 3][:, arm], axis=0)
    hidden = (trust < list(_HIDDEN_TRUST.values())).any()
    return Measurement.missing("the shooting arm was hidden") if hidden else None


_HIDDEN_TRUST = {"elbow": 0.35, "wrist": 0.1}
"""The network guesses a hand behind the head well enough where it sees the elbow."""


def _between(shot: Shot3D, across: float, along: float, late: float = 1.0) -> float:
    """An own error that grows from a view across the shot to one along it; `late` above 1 keeps it low until then.

    What the network gets wrong in the same way throughout a shot shows in no spread; measured on rendered clips.
    """
    return float(across + (along - across) * shot.along_view**late)


def _stretched(shot: Shot3D, values: FloatArray, usual: float, across: float, along: float) -> FloatArray:
    """Values whose distance from the usual grows by a factor that goes from one view to the other.

    What was learned leans to what it saw most, so unusual forms come out too usual: by these factors on rendered shots,
    half of which gave them and the other half confirmed them, and the other way round.
    """
    if not shot.lifted.learned:
        return values
    return np.asarray(usual + _between(shot, across, along) * (values - usual))


def _at_set(shot: Shot3D, values: FloatArray, useful: float, what: str, own: float = 0.0) -> Measurement:
    most_s = _SWAY_S + _SWAY_BEHIND_S * shot.behind
    sway = _sway(values, shot.set_point, shot.t_s, min(shot.set_sigma_s, most_s))
    found = _given(values[:, shot.set_point], useful, what, float(np.hypot(own, sway)))
    if found.value is None and _given(values[:, shot.set_point], useful, what, own).value is not None:
        return Measurement.missing(f"{what} is not known well enough: it changes too fast at the set point")
    return found


_SWAY_S, _SWAY_BEHIND_S = 0.05, 0.06
"""A longer error of the set point does not count: no value goes on changing as it does at one instant. From behind it
may be longer by the second."""


def _arm_at_set(shot: Shot3D, values: FloatArray, useful: float, what: str, own: float) -> Measurement:
    """What the shooting arm tells at set; missing where the arm is hidden."""
    return _hidden(shot, shot.set_point) or _at_set(shot, values, useful, what, own)


def _flat_angle(vectors: FloatArray, toward: FloatArray) -> FloatArray:
    """Degrees from `toward` (1 + S, 2) to the horizontal part of vectors (1 + S, ..., 3), positive to the left."""
    f = toward.reshape(len(toward), *(1,) * (vectors.ndim - 2), 2)
    x, y = vectors[..., 0], vectors[..., 1]
    return np.asarray(np.degrees(np.arctan2(f[..., 0] * y - f[..., 1] * x, f[..., 0] * x + f[..., 1] * y)))


def _right_of(d: FloatArray, way: FloatArray) -> FloatArray:
    """How far d (..., 2) goes to the right of a horizontal direction (..., 2)."""
    return np.asarray(d[..., 0] * way[..., 1] - d[..., 1] * way[..., 0])


def _square_to(left: FloatArray, right: FloatArray) -> FloatArray:
    """The horizontal direction forward of a left-right line."""
    d = right - left
    return np.stack([-d[..., 1], d[..., 0], np.zeros_like(d[..., 0])], axis=-1)


_ELBOW = ("shoulder", "elbow", "wrist")
_KNEE = ("hip", "knee", "ankle")
_USEFUL_DEG, _USEFUL_LEAN_DEG, _USEFUL_TURN_DEG, _USEFUL_HEADING_DEG = 13.0, 8.0, 11.5, 11.0
_USEFUL_M, _USEFUL_OFFSET_M = 0.06, 0.07


# ----------------------------------------------------------------------------------------------------- measurements
def elbow_at_set_deg(shot: Shot3D) -> Measurement:
    """Shoulder-elbow-wrist of the shooting arm at set."""
    what = "the shooting elbow at the set point"
    angle = _stretched(shot, shot.folds[:, 2], 84.0, 1.2, 1.0)
    return _hidden(shot, shot.set_point) or _given(angle, _USEFUL_DEG, what, _between(shot, *_ARM_DEG))


def elbow_at_release_deg(shot: Shot3D) -> Measurement:
    """The elbow at release; it opens by 10 to 30 degrees a frame there."""
    angle = shot.angle_deg(*_ELBOW)
    own = _sway(angle, shot.release, shot.t_s, shot.free_sigma_s)
    then = np.array([np.interp(shot.free_s, shot.t_s, one) for one in angle])
    what = "the shooting elbow at the release"
    return _hidden(shot, shot.release) or _given(then, 15.0, what, own)


def elbow_max_deg(shot: Shot3D) -> Measurement:
    """The straightest elbow within 0.3 s after release."""
    end = _at(shot.t_s, shot.events.release_s + 0.3)
    if shot.t_s[-1] < shot.events.release_s + 0.2:
        return Measurement.missing("the shooting arm was not seen after the release")
    angle = shot.angle_deg(*_ELBOW)[:, shot.release : end + 1].max(axis=1)
    # an arm cannot be straighter than straight, so errors bend it: the versions average them out but for this
    angle[0] = min(angle[1:].mean() + (_BENT_DEG if shot.lifted.learned else 0.0), 180.0)
    return _given(angle, 12.0, "the straight elbow", _STRAIGHT_DEG)


_BENT_DEG, _STRAIGHT_DEG = 2.5, 8.0
"""Measured on rendered clips. The network hardly sees how straight an arm is after the release: over 71 shots that stay
at 140 to 178 degrees the correlation with the truth is 0.3, in the picture as in space."""
_ARM_DEG = (5.0, 12.0, 2.5)
"""What the network's habits change in the course of a lift, which no solution sees: measured on rendered clips."""


def upper_arm_at_set_deg(shot: Shot3D) -> Measurement:
    """Hip-shoulder-elbow of the shooting side at set."""
    return _arm_at_set(
        shot,
        shot.angle_deg("hip", "shoulder", "elbow"),
        _USEFUL_DEG,
        "the upper arm at the set point",
        _between(shot, 3.0, 8.5),
    )


def knee_min_deg(shot: Shot3D) -> Measurement:
    """Deepest knee bend from pick-up, or from when the last foot came to stand, to release."""
    angle = shot.angle_deg(*_KNEE)[:, shot.pickup : shot.release + 1]
    return _given(angle.min(axis=1), _USEFUL_DEG, "the knee", _between(shot, 0.5, 1.5))


def hip_min_deg(shot: Shot3D) -> Measurement:
    """Deepest hip bend (shoulder-hip-knee) in the same time."""
    angle = shot.angle_deg("shoulder", "hip", "knee")[:, shot.pickup : shot.release + 1]
    return _given(angle.min(axis=1), 11.0, "the hip", _between(shot, 1.5, 4.0))


def _lean(shot: Shot3D) -> FloatArray:
    trunk = shot.middle("shoulder") - shot.middle("hip")
    ahead = np.einsum("stk,sk->st", trunk[..., :2], shot.toward())
    return np.asarray(np.degrees(np.arctan2(ahead, trunk[..., 2])))


def trunk_lean_at_set_deg(shot: Shot3D) -> Measurement:
    """Mid-hip to mid-shoulder against the vertical at set, positive toward the hoop."""
    return _at_set(
        shot, _lean(shot), _USEFUL_LEAN_DEG, "the lean of the trunk at the set point", _between(shot, 3.5, 6.0)
    )


def trunk_lean_at_release_deg(shot: Shot3D) -> Measurement:
    """The same at release."""
    lean = _lean(shot)
    own = float(np.hypot(_sway(lean, shot.release, shot.t_s, _FRAMES * shot.frame_s), _between(shot, 1.0, 3.5)))
    return _given(lean[:, shot.release], _USEFUL_LEAN_DEG, "the lean of the trunk at the release", own)


def set_point_above_eyes_m(shot: Shot3D) -> Measurement:
    """Height of the ball's centre above the eyes at set."""
    height = shot.point("ball")[..., 2] - shot.point("eyes")[..., 2]
    return _arm_at_set(shot, height, _USEFUL_M, "the height of the set point", 0.015)


def elbow_above_eyes_m(shot: Shot3D) -> Measurement:
    """Height of the shooting elbow above the eyes at set."""
    height = shot.point("elbow")[..., 2] - shot.point("eyes")[..., 2]
    return _arm_at_set(shot, height, _USEFUL_M, "the height of the elbow", _between(shot, 0.015, 0.035))


def hold_s(shot: Shot3D) -> Measurement:
    """Time round set during which the elbow stays within 5 degrees of its smallest angle; ends are interpolated.

    While the wrist keeps its height against the shoulder the elbow does not open: a wrong depth that changes slowly
    bends the elbow's curve, seen from the front most of all, but hardly moves that height.
    """
    if (hidden := _hidden(shot, shot.set_point)) is not None:
        return hidden
    height = shot.point("wrist")[..., 2] - shot.point("shoulder")[..., 2]
    before, after = (share * shot.stature_m for share in _WRIST_STAYS)
    held = np.empty(len(height))
    for version, ((begin_s, end_s, *_), one) in enumerate(zip(shot.folds, height, strict=True)):
        k = int(np.argmin(np.abs(shot.t_s - (end_s - _BEFORE_PUSH_S))))
        off = np.abs(one - one[k])
        begin_s = min(begin_s, _leaves(shot.t_s, off, k, -1, before))
        held[version] = max(end_s, _leaves(shot.t_s, off, k, +1, after)) - begin_s
    # the random versions tremble more than the solution, and a tremble ends a hold: only how much they differ counts
    spread = _between(shot, *_HOLD_SPREAD) * held[1:].std()
    sigma = float(np.sqrt(spread**2 + _HOLD_S**2 + (_FRAMES * shot.frame_s) ** 2))
    if sigma > _USEFUL_HOLD_S or shot.facing < _AWAY:
        return Measurement.missing("the hold at the set point is not observable well enough from this side")
    return Measurement(float(held[0]), sigma, "timing")


_WRIST_STAYS = (0.025, 0.0165)
"""Of the stature: so far a wrist moves against the shoulder while the elbow opens by 5 degrees, before and after."""
_BEFORE_PUSH_S = 0.05
_HOLD_S, _USEFUL_HOLD_S = 0.02, 0.13
_HOLD_SPREAD = (0.7, 1.3, 5.0)
"""So many times the versions' spread the error is, measured on rendered clips."""
_AWAY = -0.8
"""From behind head and shoulders hide what the arm does."""


def set_to_release_s(shot: Shot3D) -> Measurement:
    """From set to release."""
    if (hidden := _hidden(shot, shot.set_point)) is not None:
        return hidden
    sigma = float(np.sqrt(shot.set_sigma_s**2 + shot.free_sigma_s**2 + _SET_S**2))
    if sigma > 0.12:
        return Measurement.missing("the instant of the set point is not observable well enough from this side")
    return Measurement(shot.free_s - shot.events.set_s, sigma, "timing")


_SET_S = 0.03
"""What the network's habits do to the instant of the least angle; measured on rendered clips."""


def _hips_top(shot: Shot3D) -> tuple[FloatArray, FloatArray]:
    """When the mid-hip of each version is highest after its deepest knee bend, and how high: (1 + S,) each.

    Of who stays on the toes, as high for a while, it is the instant next to the release.
    """
    later = np.arange(len(shot.t_s)) >= shot.gathers[:, None]
    lower_m = _NEXT_TO_RELEASE_MPS2 * (shot.t_s - shot.free_s) ** 2
    top_s, height_m = tops(shot.t_s, np.where(later, shot.middle("hip")[..., 2] - lower_m, -np.inf))
    return top_s, height_m + _NEXT_TO_RELEASE_MPS2 * (top_s - shot.free_s) ** 2


_NEXT_TO_RELEASE_MPS2 = 0.08
"""Heights that differ by less than 1 mm at 0.1 s from the release, 3 mm at 0.2, are the same to the landmarks. Beside
gravity it is nothing: it moves the top of a jump by less than 2 ms."""


def release_before_apex_s(shot: Shot3D) -> Measurement:
    """Highest mid-hip minus release: positive when released on the way up."""
    top_s, _ = _hips_top(shot)
    if top_s[0] >= shot.t_s[-1]:
        return Measurement.missing("the highest point of the hips was not seen")
    sigma = float(np.sqrt(np.mean((top_s[1:] - top_s[0]) ** 2) + shot.free_sigma_s**2 + _APEX_S**2))
    if sigma > _USEFUL_APEX_S:
        return Measurement.missing("the hips had no clear highest point")
    return Measurement(float(top_s[0]) - shot.free_s, sigma, "timing")


_APEX_S, _USEFUL_APEX_S = 0.01, 0.10


def jump_height_m(shot: Shot3D) -> Measurement:
    """Highest mid-hip above where it is in standing, which the legs' lengths tell."""
    feet = shot.lifted.trust[:, [INDEX[f"{side}_ankle"] for side in ("left", "right")]]
    if np.median(feet.max(axis=1)) < _FEET_TRUST:
        return Measurement.missing("the feet were not seen")
    legs = np.zeros(len(shot.versions))
    for side in ("left", "right"):
        hip, knee, ankle = (shot.versions[:, :, AT[f"{side}_{joint}"]] for joint in _KNEE)
        legs += np.median(np.linalg.norm(hip - knee, axis=-1) + np.linalg.norm(knee - ankle, axis=-1), axis=1) / 2
    stood = slice(_at(shot.t_s, shot.t_s[shot.gather] - _STOOD_S), shot.gather + 1)
    ankles = np.minimum(*(shot.versions[:, stood, AT[f"{side}_ankle"], 2] for side in ("left", "right")))
    stands = legs + np.median(ankles, axis=1) - _STANDS_LOWER * shot.stature_m
    return _given(_hips_top(shot)[1] - stands, _USEFUL_M, "the height of the jump", _JUMP_M)


_FEET_TRUST, _STOOD_S = 0.5, 0.15
"""So long up to the deepest knee bend both feet stand flat; after it heels rise, and may stay up to the end."""
_STANDS_LOWER, _JUMP_M = 0.002, 0.02
"""Of the stature: knees are not quite straight in standing, on rendered shots. A captured player stands 2 cm higher."""


def _offset(shot: Shot3D, joint: str) -> FloatArray:
    """(1 + S, T): distance to the right of the vertical plane through shooting shoulder and ring."""
    shoulder = shot.point("shoulder")[..., :2]
    along = -shoulder / np.linalg.norm(shoulder, axis=-1, keepdims=True)
    d = shot.point(joint)[..., :2] - shoulder
    return _right_of(d, along)


def arm_offset_at_set_m(shot: Shot3D) -> Measurement:
    """Shooting elbow to the right of the vertical plane through shooting shoulder and ring."""
    offset = _stretched(shot, _offset(shot, "elbow"), 0.0, 1.0, 1.17)
    outward_m = offset[0, shot.set_point] * (1.0 if shot.lifted.hand == "right" else -1.0)
    clear = outward_m > _CLEAR_M and shot.along_view > _CLEAR_VIEW and shot.lifted.learned
    # a hidden elbow's line is told by the rest of the body nearly as well as one that points in
    clear = clear and _hidden(shot, shot.set_point) is None
    if clear:
        offset = offset[0] + _CLEAR_SPREAD * (offset - offset[0])
    own = _CLEAR_OFFSET_M if clear else _between(shot, *_OFFSET_M)
    return _at_set(shot, offset, _USEFUL_OFFSET_M, "how far the elbow points out", own)


_OFFSET_M = (0.14, 0.03)
_CLEAR_M, _CLEAR_VIEW, _CLEAR_SPREAD, _CLEAR_OFFSET_M = 0.04, 0.85, 0.6, 0.012
"""Seen from the front or from behind, an elbow that points out stands clear of trunk and face, and the network draws it
where it is; one that points in it draws beside that. On 106 rendered shots the former were off by 1.5 cm, the latter by
4 to 6 (root mean squares)."""


def wrist_offset_at_set_m(shot: Shot3D) -> Measurement:
    """Shooting wrist to the right of that plane."""
    own = _between(shot, 0.04, 0.0)
    return _at_set(shot, _offset(shot, "wrist"), _USEFUL_OFFSET_M, "how far the wrist lies to the side", own)


def ball_offset_at_set_m(shot: Shot3D) -> Measurement:
    """The ball's centre to the right of that plane: 0 is over the shooting shoulder."""
    own = _between(shot, 0.025, 0.01)
    return _arm_at_set(shot, _offset(shot, "ball"), _USEFUL_OFFSET_M, "how far the ball lies to the side", own)


def wrist_from_ball_m(shot: Shot3D) -> Measurement:
    """Shooting wrist to the right of the ball's centre at set: 0 is a hand under the middle of the ball."""
    offset = _offset(shot, "wrist") - _offset(shot, "ball")
    return _arm_at_set(shot, offset, _USEFUL_M, "where the hand is under the ball", 0.01)


def shoulder_turn_deg(shot: Shot3D) -> Measurement:
    """Turn of the shoulder line from the deepest knee bend to 0.2 s after release, positive to the left."""
    end = _at(shot.t_s, shot.events.release_s + 0.2)
    if shot.t_s[-1] < shot.events.release_s + 0.15:
        return Measurement.missing("the shoulders were not seen after the release")
    if shot.along_view < _TURN_VIEW:
        return Measurement.missing("the turn of the shoulders is not observable from the side")
    heading = _shoulders(shot)
    turn = (heading[:, end] - heading[:, shot.gather] + 180.0) % 360.0 - 180.0
    return _given(turn, _USEFUL_TURN_DEG, "the turn of the shoulders", _between(shot, 6.7, 4.0))


_TURN_VIEW = 0.4
"""Nearer to the side than this one shoulder hides the other, and raised arms look like a turn: 20 degrees on captured
shots, though not on planned ones."""


def _shoulders(shot: Shot3D) -> FloatArray:
    versions = shot.versions
    line = _square_to(versions[:, :, AT["left_shoulder"]], versions[:, :, AT["right_shoulder"]])
    return _flat_angle(line, shot.toward())


def shoulders_heading_deg(shot: Shot3D) -> Measurement:
    """Where the shoulders face at the deepest knee bend, positive to the left of the hoop."""
    return _given(
        _shoulders(shot)[:, shot.gather], _USEFUL_HEADING_DEG, "where the shoulders face", _between(shot, 4.7, 2.0)
    )


def hips_heading_deg(shot: Shot3D) -> Measurement:
    """Where the hips face at the deepest knee bend."""
    v = shot.versions[:, shot.gather]
    line = _square_to(v[:, AT["left_hip"]], v[:, AT["right_hip"]])
    heading = _stretched(shot, _flat_angle(line, shot.toward()), 0.0, 1.08, 1.2)
    return _given(heading, _USEFUL_HEADING_DEG, "where the hips face", 3.0)


def feet_heading_deg(shot: Shot3D) -> Measurement:
    """Mean direction of both feet, heel to toe, at the deepest knee bend."""
    v = shot.versions[:, shot.gather]
    way = sum(v[:, AT[f"{side}_foot_index"]] - v[:, AT[f"{side}_heel"]] for side in ("left", "right"))
    return _given(
        _flat_angle(np.asarray(way), shot.toward()),
        _USEFUL_HEADING_DEG,
        "where the feet point",
        _between(shot, 2.0, 1.0),
    )


def _heels(shot: Shot3D) -> tuple[FloatArray, FloatArray]:
    """Right heel minus left heel at the deepest knee bend: (to the right, toward the hoop), (1 + S,) each."""
    v, f = shot.versions[:, shot.gather], shot.toward()
    d = (v[:, AT["right_heel"]] - v[:, AT["left_heel"]])[:, :2]
    return _right_of(d, f), (d * f).sum(-1)


def stance_width_m(shot: Shot3D) -> Measurement:
    """Between the heels across the direction of the hoop at the deepest knee bend."""
    return _given(np.abs(_heels(shot)[0]), _USEFUL_M, "the width of the stance", _between(shot, 0.03, 0.0))


def foot_stagger_m(shot: Shot3D) -> Measurement:
    """Between the heels along the direction of the hoop, positive with the shooting-side foot in front."""
    sign = 1.0 if shot.lifted.hand == "right" else -1.0
    return _given(sign * _heels(shot)[1], _USEFUL_M, "which foot is in front", 0.022)


def knee_over_foot_m(shot: Shot3D) -> Measurement:
    """Shooting-side knee at the deepest knee bend to the right of the vertical plane of its foot, heel to toe."""
    v, side = shot.versions[:, shot.gather], shot.lifted.hand
    knee, ankle, heel, toe = (v[:, AT[f"{side}_{part}"], :2] for part in ("knee", "ankle", "heel", "foot_index"))
    way = (toe - heel) / np.linalg.norm(toe - heel, axis=-1, keepdims=True)
    return _given(_right_of(knee - ankle, way), _USEFUL_M, "the knee against its foot", 0.005)


def _ahead_m(shot: Shot3D, joint: str, of: str, k: int) -> FloatArray:
    """(1 + S,): by how much one pair of joints is ahead of another, toward the hoop, at sample k."""
    return np.asarray(((shot.middle(joint) - shot.middle(of))[:, k, :2] * shot.toward()).sum(-1))


def shoulders_over_toes_m(shot: Shot3D) -> Measurement:
    """Mid-shoulder ahead of the toes at the deepest knee bend, toward the hoop."""
    ahead = _ahead_m(shot, "shoulder", "foot_index", shot.gather)
    return _given(ahead, _USEFUL_M, "the shoulders over the toes", _between(shot, 0.018, 0.04, 2.0))


def hips_over_feet_m(shot: Shot3D) -> Measurement:
    """Mid-hip ahead of the ankles at the release, toward the hoop: the sway of hips and legs."""
    ahead = _ahead_m(shot, "hip", "ankle", shot.release)
    return _given(ahead, _USEFUL_M, "the hips over the feet", _between(shot, 0.005, 0.03, 2.0))


def shoulders_over_feet_m(shot: Shot3D) -> Measurement:
    """Mid-shoulder ahead of the ankles at the release: small where shoulders go back as the hips go forward."""
    ahead = _ahead_m(shot, "shoulder", "ankle", shot.release)
    return _given(ahead, _USEFUL_DRIFT_M, "the shoulders over the feet", _between(shot, 0.005, 0.035, 2.0))


def _drift(shot: Shot3D) -> tuple[FloatArray, FloatArray] | Measurement:
    """(1 + S,) toward the hoop and to the right; missing where the end of the drift was not seen."""
    landing_s = shot.events.landing_s
    if landing_s is None and not _stayed_down(shot):
        return Measurement.missing("whether and when the player landed was not seen")
    end_s = landing_s if landing_s is not None else shot.events.release_s + 0.17
    if shot.t_s[-1] < end_s - shot.frame_s:
        return Measurement.missing("the hips were not seen until the landing")
    hip, f = shot.middle("hip"), shot.toward()
    d = (hip[:, _at(shot.t_s, end_s)] - hip[np.arange(len(hip)), shot.gathers])[:, :2]
    return (d * f).sum(-1), _right_of(d, f)


def _stayed_down(shot: Shot3D) -> bool:
    """Whether there may have been no jump; where no feet are seen nothing tells."""
    jump = jump_height_m(shot)
    return jump.value is not None and jump.sigma is not None and jump.value - 2 * jump.sigma <= ON_THE_TOES_M


def drift_forward_m(shot: Shot3D) -> Measurement:
    """Mid-hip from the deepest knee bend to landing (no jump: 0.17 s after release), toward the hoop."""
    drift = _drift(shot)
    if isinstance(drift, Measurement):
        return drift
    return _given(drift[0], _USEFUL_DRIFT_M, "the drift toward the hoop", _between(shot, 0.02, 0.048))


_USEFUL_DRIFT_M = 0.08
"""Who lands half a metre ahead may be told so with this error."""


def drift_side_m(shot: Shot3D) -> Measurement:
    """The same to the shooter's right."""
    drift = _drift(shot)
    if isinstance(drift, Measurement):
        return drift
    return _given(drift[1], _USEFUL_M, "the drift to the side", _between(shot, 0.036, 0.01))


def head_travel_m(shot: Shot3D) -> Measurement:
    """Largest distance between two positions of the nose relative to the mid-hip, dip to release."""
    if shot.events.dip_s is None:
        return Measurement.missing("the dip was not seen")
    if shot.events.dip_s < shot.t_s[0] - shot.frame_s:
        return Measurement.missing("the dip came long before the release: the head was not followed from it")
    nose = (shot.point("nose") - shot.middle("hip"))[:, _at(shot.t_s, shot.events.dip_s) : shot.release + 1]
    farthest = np.array([np.linalg.norm(n[:, None] - n[None], axis=-1).max() for n in nose])
    return _given(farthest, _USEFUL_M, "the way of the head", _between(shot, 0.005, 0.05))


def _of_flight(name: str, what: str, useful: float) -> Callable[[Shot3D], Measurement]:
    def given(shot: Shot3D) -> Measurement:
        if shot.flight is None:
            return Measurement.missing("the ball was not seen flying for long enough")
        if shot.flight.refused is not None:
            return Measurement.missing(shot.flight.refused)
        value, sigma = shot.flight.values[name]
        if value is None or sigma > useful:
            return Measurement.missing(f"{what} is not observable well enough from this side")
        return Measurement(value, sigma, "ball")

    given.__doc__ = f"{what.capitalize()}, from the ball's path."
    return given


def release_height_m(shot: Shot3D) -> Measurement:
    """Height of the ball's centre at release, from its path and from the wrist that it leaves.

    The ball rises by 6 m/s then and the wrist by 1.5, so an error of the instant counts less in the wrist's height.
    """
    path = _of_flight("release_height_m", "the release's height", useful=np.inf)(shot)
    if path.value is None or path.sigma is None:
        return path
    height = shot.point("wrist")[..., 2]
    then = np.array([np.interp(shot.free_s, shot.t_s, one) for one in height])
    own = _ABOVE_WRIST_SIGMA_M + _HIDDEN_RELEASE_M * shot.behind
    wrist = _given(
        then + _ABOVE_WRIST_M + _ABOVE_WRIST * shot.stature_m,
        np.inf,
        "the shooting wrist at the release",
        float(np.hypot(own, _sway(height, shot.release, shot.t_s, shot.free_sigma_s))),
    )
    if wrist.value is None or wrist.sigma is None:
        return wrist
    share = wrist.sigma**2 / (wrist.sigma**2 + path.sigma**2)
    # both err with the instant, so their errors are added up
    sigma = share * path.sigma + (1 - share) * wrist.sigma
    if sigma > _USEFUL_RELEASE_M:
        return Measurement.missing("the release's height is not observable well enough from this side")
    return Measurement(share * path.value + (1 - share) * wrist.value, sigma, "ball")


_USEFUL_RELEASE_M = 0.08
_ABOVE_WRIST_M, _ABOVE_WRIST, _ABOVE_WRIST_SIGMA_M = 0.12, 0.08, 0.03
"""The ball's centre above the wrist when it leaves the fingers: its radius and most of a hand, of the stature. Measured
on rendered shots, where it is 0.25 to 0.26 m; 0.28 to 0.34 m on six captured ones."""
_HIDDEN_RELEASE_M = 0.035
"""From behind the head hides the hand that the ball leaves."""


MEASUREMENTS: dict[str, Callable[[Shot3D], Measurement]] = {
    "elbow_at_set_deg": elbow_at_set_deg,
    "elbow_at_release_deg": elbow_at_release_deg,
    "elbow_max_deg": elbow_max_deg,
    "upper_arm_at_set_deg": upper_arm_at_set_deg,
    "knee_min_deg": knee_min_deg,
    "hip_min_deg": hip_min_deg,
    "trunk_lean_at_set_deg": trunk_lean_at_set_deg,
    "trunk_lean_at_release_deg": trunk_lean_at_release_deg,
    "set_point_above_eyes_m": set_point_above_eyes_m,
    "elbow_above_eyes_m": elbow_above_eyes_m,
    "hold_s": hold_s,
    "set_to_release_s": set_to_release_s,
    "release_before_apex_s": release_before_apex_s,
    "arm_offset_at_set_m": arm_offset_at_set_m,
    "wrist_offset_at_set_m": wrist_offset_at_set_m,
    "ball_offset_at_set_m": ball_offset_at_set_m,
    "wrist_from_ball_m": wrist_from_ball_m,
    "release_height_m": release_height_m,
    "release_speed_mps": _of_flight("release_speed_mps", "the release's speed", 0.6),
    "release_angle_deg": _of_flight("release_angle_deg", "the release's angle", 7.5),
    "entry_angle_deg": _of_flight("entry_angle_deg", "the entry angle", 13.0),
    "shoulder_turn_deg": shoulder_turn_deg,
    "feet_heading_deg": feet_heading_deg,
    "hips_heading_deg": hips_heading_deg,
    "shoulders_heading_deg": shoulders_heading_deg,
    "stance_width_m": stance_width_m,
    "foot_stagger_m": foot_stagger_m,
    "knee_over_foot_m": knee_over_foot_m,
    "shoulders_over_toes_m": shoulders_over_toes_m,
    "hips_over_feet_m": hips_over_feet_m,
    "shoulders_over_feet_m": shoulders_over_feet_m,
    "drift_forward_m": drift_forward_m,
    "drift_side_m": drift_side_m,
    "jump_height_m": jump_height_m,
    "head_travel_m": head_travel_m,
}
"""What is best read in the picture stays there: follow-through and dip are heights and instants."""
