"""Invented players made of sticks: short stories of shots and non-shots as truth, as what is seen, and as pictures.

A story is a chain of acts (`shot`, `dribble`, `pump_fake`...). `play` turns it into joints and ball in metres
(x to the player's right, y forward, z up, origin between the feet), `film` into what a camera far away would see
(`Observation`s, no pixels needed), `draw` into pictures for the parts that look at them. The kinematics are our own and
simple on purpose: planar arm and legs, joint angles that run smoothly through scripted values. Segment lengths are the
table of Drillis and Contini as printed by Winter, from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from rimward.live.angles import internal_deg
from rimward.live.phases import PhaseState, advance, finish, signals
from rimward.live.records import Ball, Frame, Observation, Phase, Pose
from rimward.live.reps import NotAShot, Reading, read
from rimward.live.settings import Phases
from rimward.live.skeleton import BONES, COUNT, INDEX, MIRRORED, Side
from rimward.live.track import Track, from_observations

Array = np.ndarray
GRAVITY_MPS2 = 9.81
SHANK, THIGH, TRUNK, UPPER_ARM, FOREARM, ANKLE, EYES = 0.246, 0.245, 0.288, 0.186, 0.146, 0.039, 0.118
SHOULDERS, HIPS = 0.193, 0.11
BALL_FROM_WRIST_M = 0.17
BALL_RADIUS_M = 0.1195
HELD_M = 0.27
"""A ball whose centre is within this of a wrist is in the hand (the program's definition)."""


# ------------------------------------------------------------------------------------------------------------- script
@dataclass(frozen=True, slots=True)
class Form:
    """How an invented player shoots."""

    hand: Side = "right"
    stature_m: float = 1.80
    knee_deg: float = 118.0
    elbow_at_set_deg: float = 80.0
    set_above_eyes_m: float = 0.10
    hold_s: float = 0.06
    """How long the arm rests at the set point."""
    push_s: float = 0.20
    """From the end of the rest to the release."""
    elbow_at_end_deg: float = 168.0
    lean_deg: float = 1.0
    """Trunk at release, positive forward."""
    follow_through_s: float = 0.9
    """From the release until the arm begins to come down."""
    jump_m: float = 0.0
    launch_mps: float = 7.1
    launch_deg: float = 52.0


@dataclass(frozen=True, slots=True)
class Act:
    """A stretch of a story. Times count from its start."""

    duration_s: float
    keys: Mapping[str, Sequence[tuple[float, float]]]
    """Channel -> (time, value); a channel that is not named rests."""
    ball: Sequence[tuple[float, str, tuple[float, ...]]] = ((0.0, "hand", ()),)
    """(from when, how it moves, parameters): hand; absent; flight (forward and up, m/s); dribble (period); arrive
    (until when, speed of coming, upward speed at the catch)."""
    instants: Mapping[str, float] = field(default_factory=dict)
    """Scripted instants of a shot."""


_REST = {
    "knee": 172.0,
    "lean": 3.0,
    "arm": 20.0,
    "elbow": 95.0,
    "guide_arm": 10.0,
    "guide_elbow": 150.0,
    "both": 1.0,
    "rise": 0.0,
    "turn": 0.0,
    "walk": 0.0,
    "aside": 0.0,
}
_HANGING = {"arm": 10.0, "elbow": 160.0, "both": 0.0}


def _set_arm_deg(form: Form, above_eyes_m: float | None = None) -> float:
    """Upper arm (from hanging down, forward) that brings the ball to the height asked for at the set elbow angle."""
    h, e = form.stature_m, form.elbow_at_set_deg
    target = EYES * h + (form.set_above_eyes_m if above_eyes_m is None else above_eyes_m)

    def too_high(arm: float) -> float:
        forearm = np.radians(arm + 90.0 - e)
        return float(
            -UPPER_ARM * h * np.cos(np.radians(arm)) + (FOREARM * h + BALL_FROM_WRIST_M) * np.sin(forearm) - target
        )

    return float(brentq(too_high, 0.0, e + 40.0))


def stand(seconds: float, ball: bool = True) -> Act:
    """Standing with the ball at the belly, or with empty hanging arms."""
    if ball:
        return Act(seconds, {})
    return Act(seconds, {name: [(0.0, v), (seconds, v)] for name, v in _HANGING.items()}, ((0.0, "absent", ()),))


def shot(form: Form = Form()) -> Act:
    """Dip, lift, set, push, follow-through, arms down; the ball is gone afterwards."""
    arm, e, half = _set_arm_deg(form), form.elbow_at_set_deg, form.hold_s / 2
    t_set = 0.95 + half
    t_release = t_set + half + form.push_s
    down = t_release + max(0.12, form.follow_through_s)
    end = down + 0.4
    keys = {
        "knee": [(0.0, 172.0), (0.3, 168.0), (t_set - half, form.knee_deg + 0.5), (t_set, form.knee_deg)]
        + [(t_set + half, form.knee_deg + 0.5), (t_release + 0.1, 176.0), (end, 171.0)],
        "lean": [(0.0, 3.0), (t_set - half, 10.0), (t_set + half, 10.0), (t_release, form.lean_deg), (end, 3.0)],
        "arm": [(0.0, 20.0), (0.4, 8.0), (t_set - half, arm), (t_set + half, arm), (t_release, 120.0)]
        + [(t_release + 0.12, 138.0), (down, 138.0), (end, 12.0)],
        "elbow": [(0.0, 95.0), (0.4, 108.0), (t_set - half, e + 1.0), (t_set, e), (t_set + half, e + 1.0)]
        + [(t_release, 140.0), (t_release + 0.12, form.elbow_at_end_deg), (down, form.elbow_at_end_deg), (end, 160.0)],
        "both": [(0.0, 1.0), (t_release - 0.02, 1.0), (t_release + 0.3, 0.0), (end, 0.0)],
        "guide_arm": [(0.0, 70.0), (t_release + 0.3, 60.0), (end, 10.0)],
        "guide_elbow": [(0.0, 100.0), (t_release + 0.3, 100.0), (end, 150.0)],
    }
    instants = {"set_s": t_set, "release_s": t_release, "down_s": down}
    if form.jump_m > 0:
        flight = 2 * np.sqrt(2 * form.jump_m / GRAVITY_MPS2)
        off = t_release + 0.03 - flight / 2
        on = np.linspace(0.0, 1.0, 9)
        keys["rise"] = [(0.0, 0.0), (off - 0.01, 0.0)]
        keys["rise"] += [(off + u * flight, 4 * form.jump_m * u * (1 - u)) for u in on] + [(off + flight + 0.01, 0.0)]
        keys["rise"].append((end, 0.0))
        instants |= {"landing_s": off + flight, "takeoff_s": off}
    launch = np.radians(form.launch_deg)
    velocity = (form.launch_mps * float(np.cos(launch)), form.launch_mps * float(np.sin(launch)))
    return Act(end, keys, ((0.0, "hand", ()), (t_release, "flight", velocity)), instants)


def pump_fake(form: Form = Form()) -> Act:
    """Up to the set point and down again with the ball in both hands."""
    arm, e = _set_arm_deg(form), form.elbow_at_set_deg
    return Act(
        1.8,
        {
            "knee": [(0.0, 172.0), (0.6, 125.0), (0.9, 160.0), (1.8, 172.0)],
            "arm": [(0.0, 20.0), (0.4, 8.0), (0.8, arm), (0.95, arm + 3.0), (1.4, 20.0), (1.8, 20.0)],
            "elbow": [(0.0, 95.0), (0.4, 108.0), (0.8, e), (0.95, e + 8.0), (1.4, 95.0), (1.8, 95.0)],
        },
    )


def chest_pass() -> Act:
    """The ball leaves flat from the chest."""
    return Act(
        1.4,
        {
            "arm": [(0.0, 20.0), (0.4, 15.0), (0.6, 70.0), (0.9, 70.0), (1.4, 10.0)],
            "elbow": [(0.0, 95.0), (0.4, 60.0), (0.6, 165.0), (0.9, 165.0), (1.4, 160.0)],
            "both": [(0.0, 1.0), (0.6, 1.0), (1.0, 0.0), (1.4, 0.0)],
        },
        ((0.0, "hand", ()), (0.6, "flight", (9.0, 1.0))),
    )


def overhead_pass() -> Act:
    """The ball leaves flat from above the head."""
    return Act(
        1.6,
        {
            "arm": [(0.0, 20.0), (0.5, 110.0), (0.7, 125.0), (1.1, 110.0), (1.6, 10.0)],
            "elbow": [(0.0, 95.0), (0.5, 95.0), (0.7, 160.0), (1.1, 165.0), (1.6, 160.0)],
            "both": [(0.0, 1.0), (0.7, 1.0), (1.1, 0.0), (1.6, 0.0)],
        },
        ((0.0, "hand", ()), (0.7, "flight", (9.0, 1.8))),
    )


def stretch() -> Act:
    """Both empty arms straight up and down again."""
    up = [(0.0, 10.0), (0.8, 170.0), (1.6, 170.0), (2.4, 10.0)]
    straight = [(0.0, 160.0), (0.8, 175.0), (1.6, 175.0), (2.4, 160.0)]
    return Act(
        2.4,
        {"arm": up, "guide_arm": up, "elbow": straight, "guide_elbow": straight, "both": [(0.0, 0.0), (2.4, 0.0)]},
        ((0.0, "absent", ()),),
    )


def dribble(bounces: int = 4, period_s: float = 0.6) -> Act:
    """The ball bounces beside the foot."""
    end = bounces * period_s
    beat = np.arange(2 * bounces + 1) * period_s / 2
    return Act(
        end,
        {
            "arm": [(float(t), 15.0 if k % 2 == 0 else 5.0) for k, t in enumerate(beat)],
            "elbow": [(float(t), 110.0 if k % 2 == 0 else 140.0) for k, t in enumerate(beat)],
            "both": [(0.0, 1.0), (0.15, 0.0), (end - 0.15, 0.0), (end, 1.0)],
            "knee": [(0.0, 172.0), (0.4, 150.0), (end - 0.2, 150.0), (end, 172.0)],
        },
        ((0.0, "dribble", (period_s,)), (end, "hand", ())),
    )


def rebound() -> Act:
    """A falling ball is caught with both arms up and brought down."""
    return Act(
        2.0,
        {
            "arm": [(0.0, 10.0), (0.6, 140.0), (0.9, 140.0), (1.5, 20.0), (2.0, 20.0)],
            "elbow": [(0.0, 160.0), (0.6, 150.0), (0.9, 140.0), (1.5, 95.0), (2.0, 95.0)],
            "guide_arm": [(0.0, 10.0), (0.6, 140.0), (0.9, 140.0), (2.0, 10.0)],
            "both": [(0.0, 0.0), (0.75, 0.8), (0.85, 1.0), (2.0, 1.0)],
        },
        ((0.0, "absent", ()), (0.45, "arrive", (0.85, 1.5, -3.0)), (0.85, "hand", ())),
    )


def spin() -> Act:
    """A full turn with the ball held over the head."""
    return Act(
        3.0,
        {
            "arm": [(0.0, 20.0), (0.6, 150.0), (2.4, 150.0), (3.0, 20.0)],
            "elbow": [(0.0, 95.0), (0.6, 150.0), (2.4, 150.0), (3.0, 95.0)],
            "turn": [(0.0, 0.0), (0.6, 0.0), (1.5, 180.0), (2.4, 360.0), (3.0, 360.0)],
        },
    )


def fetch(seconds: float = 1.0) -> Act:
    """A ball comes to the hands from in front."""
    return Act(
        seconds,
        {
            "arm": [(0.0, 10.0), (seconds * 0.6, 45.0), (seconds, 20.0)],
            "elbow": [(0.0, 160.0), (seconds * 0.6, 120.0), (seconds, 95.0)],
            "both": [(0.0, 0.0), (seconds * 0.6, 1.0), (seconds, 1.0)],
        },
        ((0.0, "absent", ()), (seconds * 0.2, "arrive", (seconds * 0.6, 4.0, 0.0)), (seconds * 0.6, "hand", ())),
    )


def walk_by(seconds: float = 4.0, aside_m: float = 1.0, reach_m: float = 3.0) -> Act:
    """Somebody without a ball walks through, from behind the shooter to the front."""
    return Act(
        seconds,
        {name: [(0.0, v), (seconds, v)] for name, v in _HANGING.items()}
        | {"walk": [(0.0, -reach_m), (seconds, reach_m)], "aside": [(0.0, aside_m), (seconds, aside_m)]},
        ((0.0, "absent", ()),),
    )


def reps_of(forms: Iterable[Form]) -> list[Act]:
    """Shot after shot, each with a ball that comes back."""
    acts: list[Act] = [stand(1.0)]
    for form in forms:
        acts += [shot(form), stand(0.4, ball=False), fetch(), stand(0.5)]
    return acts


# -------------------------------------------------------------------------------------------------------------- truth
@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """A story as it happened."""

    t_s: Array
    points: Array
    """(T, 33, 3) metres."""
    ball: Array
    """(T, 3), NaN while there is none."""
    hand: Side
    stature_m: float
    instants: tuple[dict[str, float], ...]
    """Of every shot, as scripted, in order."""

    def joint(self, name: str) -> Array:
        return self.points[:, INDEX[name]]

    def mine(self, joint: str) -> Array:
        return self.joint(f"{self.hand}_{joint}")

    def angle(self, *joints: str) -> Array:
        """(T,) internal angle of the shooting side."""
        return internal_deg(*(self.mine(joint) for joint in joints))

    def eyes(self) -> Array:
        return (self.joint("left_eye") + self.joint("right_eye"))[:, 2] / 2

    def release(self, shot: int = 0) -> int:
        """First frame at which the ball has left the shooting hand."""
        reach = np.linalg.norm(self.ball - self.mine("wrist"), axis=1)
        after = np.flatnonzero((self.t_s > self.instants[shot]["release_s"]) & (reach > HELD_M))
        return int(after[0])

    def set_point(self, shot: int = 0) -> int:
        """The frame nearest to the smallest elbow angle."""
        return int(np.abs(self.t_s - self.instants[shot]["set_s"]).argmin())


def play(acts: Sequence[Act], form: Form = Form(), fps: float = 30.0, times: Array | None = None) -> Take:
    """Joints and ball of a story at `fps` frames a second, or at the `times` given."""
    starts = np.cumsum([0.0, *(act.duration_s for act in acts)])
    t = np.arange(0.0, starts[-1] + 1e-9, 1.0 / fps) if times is None else np.asarray(times, float)
    dense = np.unique(np.concatenate([t, np.arange(0.0, starts[-1] + 0.005, 0.005)]))
    channels = {name: _channel(name, rest, acts, starts, dense) for name, rest in _REST.items()}
    points, held = _body(channels, form.stature_m)
    ball = _ball(acts, starts, dense, held)
    if form.hand == "left":
        mirror = np.array([-1.0, 1.0, 1.0])
        points, ball = points[:, list(MIRRORED)] * mirror, ball * mirror
    at = np.searchsorted(dense, t)
    instants = tuple(
        {name: float(start + s) for name, s in act.instants.items()}
        for act, start in zip(acts, starts, strict=False)
        if act.instants
    )
    return Take(t, points[at], ball[at], form.hand, form.stature_m, instants)


def _channel(name: str, rest: float, acts: Sequence[Act], starts: Array, t: Array) -> Array:
    keys: dict[float, float] = {}
    for act, start in zip(acts, starts, strict=False):
        given = act.keys.get(name) or [(0.0, rest), (act.duration_s, rest)]
        for k, (when, value) in enumerate(given):
            # acts that do not join get 50 ms to do so
            shift = 0.05 if k == 0 and start > 0 and abs(keys.get(start + when, value) - value) > 1e-9 else 0.0
            keys[round(float(start + when + shift), 6)] = value
    at = sorted(keys)
    return np.asarray(PchipInterpolator(at, [keys[k] for k in at])(np.clip(t, at[0], at[-1])))


def _arm(shoulder: Array, arm_deg: Array, elbow_deg: Array, h: float) -> tuple[Array, Array, Array]:
    """Elbow, wrist and direction of the forearm of an arm that moves forward and up."""
    u, f = np.radians(arm_deg - 90.0), np.radians(arm_deg + 90.0 - elbow_deg)
    zero = np.zeros_like(u)
    upper = np.stack([zero, np.cos(u), np.sin(u)], -1)
    fore = np.stack([zero, np.cos(f), np.sin(f)], -1)
    elbow = shoulder + UPPER_ARM * h * upper
    return elbow, elbow + FOREARM * h * fore, fore


def _reach(shoulder: Array, wrist: Array, h: float, pole: Array) -> tuple[Array, Array]:
    """Elbow and wrist of an arm that reaches for a place, its elbow pointing along `pole`; too far is cut short."""
    a, b = UPPER_ARM * h, FOREARM * h
    along = wrist - shoulder
    d = np.linalg.norm(along, axis=-1, keepdims=True)
    unit = along / d
    d = np.clip(d, abs(a - b) + 0.01, a + b - 0.005)
    x = (a * a - b * b + d * d) / (2 * d)
    side = pole - (pole * unit).sum(-1, keepdims=True) * unit
    side /= np.linalg.norm(side, axis=-1, keepdims=True)
    return shoulder + x * unit + np.sqrt(a * a - x * x) * side, shoulder + d * unit


def _body(c: Mapping[str, Array], h: float) -> tuple[Array, Array]:
    """Points (T, 33, 3) of a right-hander, and where a held ball is (T, 3)."""
    n = len(c["knee"])
    p = np.zeros((n, COUNT, 3))

    def put(name: str, x: float | Array, y: float | Array, z: float | Array) -> Array:
        at = INDEX[name]
        p[:, at, 0], p[:, at, 1], p[:, at, 2] = x, y, z
        return p[:, at]

    knee = np.radians(c["knee"])
    span = np.sqrt(SHANK**2 + THIGH**2 - 2 * SHANK * THIGH * np.cos(knee))
    lift = np.arccos(np.clip((SHANK**2 + span**2 - THIGH**2) / (2 * SHANK * span), -1, 1))
    ground, lean = c["rise"], np.radians(c["lean"])
    for side, x in (("left", -1.0), ("right", 1.0)):
        leg = x * HIPS / 2 * h
        put(f"{side}_ankle", leg, 0.0, ANKLE * h + ground)
        put(f"{side}_heel", leg, -0.05, 0.02 + ground)
        put(f"{side}_foot_index", leg, 0.17, 0.02 + ground)
        put(f"{side}_knee", leg, SHANK * np.sin(lift) * h, (ANKLE + SHANK * np.cos(lift)) * h + ground)
        put(f"{side}_hip", leg, 0.0, (ANKLE + span) * h + ground)
        put(
            f"{side}_shoulder",
            x * SHOULDERS / 2 * h,
            TRUNK * np.sin(lean) * h,
            (ANKLE + span + TRUNK * np.cos(lean)) * h + ground,
        )
    neck = (p[:, INDEX["left_shoulder"]] + p[:, INDEX["right_shoulder"]]) / 2
    y, z = neck[:, 1], neck[:, 2] + EYES * h
    put("nose", 0.0, y + 0.11, z - 0.03)
    for x, side in ((-1.0, "left"), (1.0, "right")):
        for part, out in (("eye_inner", 0.015), ("eye", 0.032), ("eye_outer", 0.045)):
            put(f"{side}_{part}", x * out, y + 0.08, z)
        put(f"{side}_ear", x * 0.075, y - 0.01, z - 0.01)
        put(f"mouth_{side}", x * 0.025, y + 0.09, z - 0.07)
    elbow, wrist, fore = _arm(p[:, INDEX["right_shoulder"]], c["arm"], c["elbow"], h)
    held = wrist + BALL_FROM_WRIST_M * fore
    p[:, INDEX["right_elbow"]], p[:, INDEX["right_wrist"]] = elbow, wrist
    _hand(p, "right", wrist, fore)
    shoulder = p[:, INDEX["left_shoulder"]]
    _, free, _ = _arm(shoulder, c["guide_arm"], c["guide_elbow"], h)
    both = c["both"][:, None]
    target = both * (held + np.array([-0.13, -0.02, -0.10])) + (1 - both) * free
    elbow, wrist = _reach(shoulder, target, h, np.array([-0.4, -0.3, -1.0]))
    p[:, INDEX["left_elbow"]], p[:, INDEX["left_wrist"]] = elbow, wrist
    fore = (wrist - elbow) / np.linalg.norm(wrist - elbow, axis=-1, keepdims=True)
    _hand(p, "left", wrist, fore)
    turn = np.radians(c["turn"])
    for q in (p, held[:, None]):
        x, y = q[..., 0].copy(), q[..., 1].copy()
        cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
        q[..., 0], q[..., 1] = x * cos - y * sin + c["aside"][:, None], x * sin + y * cos + c["walk"][:, None]
    return p, held


def _hand(p: Array, side: Side, wrist: Array, along: Array) -> None:
    for part, x, reach in (("pinky", 0.03, 0.085), ("index", -0.02, 0.095), ("thumb", -0.04, 0.05)):
        out = x if side == "right" else -x
        p[:, INDEX[f"{side}_{part}"]] = wrist + reach * along + np.array([out, 0.0, 0.0])


def _ball(acts: Sequence[Act], starts: Array, t: Array, held: Array) -> Array:
    """Where the ball is at every instant."""
    moves = [
        (float(start + when), kind, tuple(numbers), float(start))
        for act, start in zip(acts, starts, strict=False)
        for when, kind, numbers in act.ball
    ]
    out = np.full((len(t), 3), np.nan)
    for k, (begin, kind, numbers, origin) in enumerate(moves):
        end = moves[k + 1][0] if k + 1 < len(moves) else np.inf
        now = (t >= begin) & (t < end)
        s = t[now] - begin
        if kind == "hand":
            out[now] = held[now]
        elif kind == "flight":
            first = held[np.searchsorted(t, begin)]
            forward, up = numbers
            path = np.stack([0 * s, forward * s, up * s - 0.5 * GRAVITY_MPS2 * s * s], -1)
            out[now] = np.where((first + path)[:, 2:] > 0.1, first + path, np.nan)
        elif kind == "dribble":
            (period,) = numbers
            swing = np.abs(np.sin(np.pi * s / period))
            out[now] = held[now]
            out[now, 2] = held[now, 2] * (1 - swing) + 0.12 * swing
        elif kind == "arrive":
            until, toward, up = numbers
            last = held[min(np.searchsorted(t, origin + until), len(held) - 1)]
            left = origin + until - t[now]
            path = np.stack([0 * left, toward * left, -up * left - 0.5 * GRAVITY_MPS2 * left * left], -1)
            out[now] = last + path if up else last + path * np.array([1.0, 1.0, 0.0])
    return out


# --------------------------------------------------------------------------------------------------- what is seen of it
@dataclass(frozen=True, slots=True)
class View:
    """A camera so far away that lines stay parallel. 0 degrees looks at the player's right side, 90 at the front."""

    degrees: float = 0.0
    px_per_m: float = 90.0
    size: tuple[int, int] = (640, 360)
    ground_px: float = 335.0
    noise_px: float = 0.0
    """Standard deviation of the landmarks' tremble."""

    def pixels(self, points: Array) -> Array:
        v = np.radians(self.degrees)
        across = points[..., 0] * -np.sin(v) + points[..., 1] * np.cos(v)
        return np.stack(
            [0.4 * self.size[0] + self.px_per_m * across, self.ground_px - self.px_per_m * points[..., 2]], -1
        )

    def larger(self, factor: float) -> View:
        """The same scene in a picture of another size."""
        width, height = (round(factor * n) for n in self.size)
        return replace(self, px_per_m=factor * self.px_per_m, size=(width, height), ground_px=factor * self.ground_px)


def pose_of(landmarks_px: Array, visibility: Array | float = 0.98) -> Pose:
    """A pose at these pixels (33, 2)."""
    return Pose(np.array(landmarks_px, float), np.full(COUNT, 0.0) + visibility, np.zeros(COUNT))


def film(take: Take, view: View = View(), seed: int = 0) -> list[Observation]:
    """What the camera sees of a take; a ball outside the picture is not seen."""
    rng = np.random.default_rng(seed)
    landmarks = view.pixels(take.points)
    landmarks = landmarks + view.noise_px * rng.standard_normal(landmarks.shape)
    centres = view.pixels(take.ball)
    seen = []
    for k, t_s in enumerate(take.t_s):
        ball = None
        if np.isfinite(centres[k]).all() and ((centres[k] >= 0) & (centres[k] < view.size)).all():
            ball = Ball(centres[k], BALL_RADIUS_M * view.px_per_m, 0.9)
        seen.append(Observation(k, float(t_s), pose_of(landmarks[k]), ball))
    return seen


def without_ball(seen: Sequence[Observation], start_s: float, end_s: float) -> list[Observation]:
    """The ball is hidden for a while."""
    return [replace(o, ball=None) if start_s <= o.t_s < end_s else o for o in seen]


def without_body(seen: Sequence[Observation], start_s: float, end_s: float) -> list[Observation]:
    """Nobody is seen for a while."""
    return [replace(o, pose=None, ball=None) if start_s <= o.t_s < end_s else o for o in seen]


def mirrored(seen: Sequence[Observation], width: int) -> list[Observation]:
    """The picture in a mirror: left is right, and a right-hander is a left-hander."""
    out = []
    for o in seen:
        pose = None
        if o.pose is not None:
            px = o.pose.landmarks_px[list(MIRRORED)] * np.array([-1.0, 1.0]) + np.array([width, 0.0])
            pose = Pose(px, o.pose.visibility[list(MIRRORED)], o.pose.depth_px[list(MIRRORED)])
        ball = o.ball
        if ball is not None:
            ball = replace(ball, centre_px=np.array([width - ball.centre_px[0], ball.centre_px[1]]))
        out.append(Observation(o.index, o.t_s, pose, ball))
    return out


def later(seen: Sequence[Observation], seconds: float) -> list[Observation]:
    """The same, on a clock that shows another time."""
    return [replace(o, t_s=o.t_s + seconds) for o in seen]


# ------------------------------------------------------------------------------------------------------------ pictures
ORANGE = (40, 105, 215)
"""BGR of a leather-coloured ball in even light."""
SKIN = (135, 165, 215)


def backdrop(size: tuple[int, int], seed: int = 0) -> Array:
    """A plain hall with some clutter: floor, wall, posters in dull colours."""
    rng = np.random.default_rng(seed)
    width, height = size
    image = np.full((height, width, 3), (150, 150, 145), np.uint8)
    image[int(0.8 * height) :] = (95, 125, 150)
    for _ in range(12):
        x, y = int(rng.uniform(0, width)), int(rng.uniform(0, 0.7 * height))
        w, h = int(rng.uniform(0.03, 0.12) * width), int(rng.uniform(0.03, 0.12) * height)
        colour = tuple(int(c) for c in rng.uniform(60, 190, 3).mean() + rng.uniform(-25, 25, 3))
        cv2.rectangle(image, (x, y), (x + w, y + h), colour, -1)
    noise = rng.normal(0, 4, image.shape)
    return np.clip(image + noise, 0, 255).astype(np.uint8)


def draw(
    background: Array, seen: Observation, colour: tuple[int, int, int] = ORANGE, others: Sequence[Pose] = ()
) -> Array:
    """A picture of one instant: sticks in dark cloth, a head and hands of skin, the ball before all."""
    image = background.copy()
    for pose in (*others, *([seen.pose] if seen.pose is not None else [])):
        _draw_body(image, pose)
    if seen.ball is not None:
        # OpenCV draws about the middle of a pixel, which is half a pixel from its corner
        centre = tuple(round(16 * (float(v) - 0.5)) for v in seen.ball.centre_px)
        cv2.circle(image, centre, round(16 * seen.ball.radius_px), colour, -1, cv2.LINE_AA, 4)
    return image


def _draw_body(image: Array, pose: Pose) -> None:
    px = np.round(pose.landmarks_px).astype(int)
    height = np.linalg.norm(pose.landmarks_px[INDEX["nose"]] - pose.landmarks_px[INDEX["left_ankle"]])
    for a, b in BONES:
        cv2.line(image, px[a].tolist(), px[b].tolist(), (90, 60, 50), max(2, int(0.045 * height)), cv2.LINE_AA)
    cv2.circle(image, px[INDEX["left_ear"]].tolist(), max(3, int(0.07 * height)), SKIN, -1, cv2.LINE_AA)
    for side in ("left", "right"):
        cv2.circle(image, px[INDEX[f"{side}_index"]].tolist(), max(2, int(0.03 * height)), SKIN, -1, cv2.LINE_AA)


class ScriptedPose:
    """A pose network that knows the script: the poses of each frame by its number, the shooter first.

    A test double at the port: the real network runs in the tests marked `network`.
    """

    def __init__(self, people: Mapping[int, tuple[Pose, ...]]) -> None:
        self._people = people
        self.asked: list[int] = []
        self.closed = False

    def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
        self.asked.append(people)
        return self._people.get(frame.index, ())[:people]

    def close(self) -> None:
        self.closed = True


def filmed(
    seen: Sequence[Observation],
    view: View = View(),
    others: Sequence[Sequence[Observation]] = (),
    colour: tuple[int, int, int] = ORANGE,
    seed: int = 0,
) -> tuple[list[Frame], ScriptedPose]:
    """Pictures of what was seen and the network that goes with them; `others` are further people."""
    background = backdrop(view.size, seed)
    frames, people = [], {}
    for k, o in enumerate(seen):
        company = [story[k].pose for story in others if k < len(story) and story[k].pose is not None]
        frames.append(Frame(k, o.t_s, draw(background, o, colour, company)))
        people[k] = tuple(p for p in (o.pose, *company) if p is not None)
    return frames, ScriptedPose(people)


def joined(*stories: Sequence[Observation], gap_s: float = 1 / 30) -> Iterator[Observation]:
    """One story after the other on one clock."""
    index, offset = 0, 0.0
    for story in stories:
        for o in story:
            yield replace(o, index=index, t_s=o.t_s + offset)
            index += 1
        offset += (story[-1].t_s if story else 0.0) + gap_s


# ----------------------------------------------------------------------------------------- what the program makes of it
def tracked(seen: Sequence[Observation], view: View = View()) -> Track:
    """The program's track of what was seen, at the scale that is known here."""
    return from_observations(seen, view.px_per_m, view.size)


def phases_of(
    seen: Sequence[Observation], settings: Phases, view: View = View()
) -> tuple[list[tuple[float, Phase]], list[tuple[float, float]]]:
    """(when each phase began), (when each shot was closed, its release) as the state machine tells while it goes."""
    state, begun, closed = PhaseState(), [], []
    for o in seen:
        state = advance(state, signals(o, view.px_per_m), settings)
        if not begun or begun[-1][1] is not state.phase:
            begun.append((o.t_s, state.phase))
        if state.closed_release_s is not None:
            closed.append((o.t_s, state.closed_release_s))
    state = finish(state)
    if state.closed_release_s is not None:
        closed.append((seen[-1].t_s, state.closed_release_s))
    return begun, closed


def shots_in(seen: Sequence[Observation], settings: Phases, view: View = View()) -> list[Reading | NotAShot]:
    """What is read of every movement that looked like a release."""
    track = tracked(seen, view)
    return [read(track, release_s, None, settings) for _, release_s in phases_of(seen, settings, view)[1]]
