"""The plan of a clip: curves for feet, trunk, hands and ball, written by shot.py and session.py for pose.py.

Shot frame (see shot.py), right-handed player: R is the shooting side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from .ball import BALL_RADIUS_M, GRAVITY_MPS2
from .pose import Arm, Foot, Poser, Trunk, frame, rot_z, two_bone, unit
from .tracks import RATE_HZ, Track, quintic, smooth

ADULT_STATURE_M = 1.88
"""Lengths that scale with the body are written for this stature."""


@dataclass(frozen=True)
class FootPose:
    """A foot on the floor."""

    pivot: np.ndarray  # (3,)
    yaw: float


@dataclass
class Stage:
    """A deferred arm plan, run once the trunk is known."""

    begin: float
    end: float
    run: Callable[[Arms], None]


@dataclass
class Jump:
    """A jump in which the feet ride with the hips."""

    takeoff: float
    landing: float
    land: dict[str, FootPose]


def contact_ball(scale: float) -> tuple[float, float]:
    """Ball centre from the wrist along the fingers and out of the palm, m."""
    return 0.088 * scale, BALL_RADIUS_M + 0.029


def hand_axes(finger: np.ndarray, palm: np.ndarray) -> np.ndarray:
    """Hand frame (..., 3, 3) with columns finger, palm, and their cross product."""
    return frame(finger, palm)


def grip_wrist(ball: np.ndarray, finger: np.ndarray, palm: np.ndarray, scale: float) -> np.ndarray:
    """Wrist (T, 3) of a hand whose palm lies on the ball."""
    a, b = contact_ball(scale)
    return ball - a * finger - b * palm


GRIP = {
    "pocket": {"R": ((0.50, 0.86, 0.05), (-0.78, 0.42, 0.46)), "L": ((-0.40, 0.92, 0.05), (0.88, 0.30, 0.30))},
    "set": {"L": ((-0.10, 0.22, 0.97), (0.95, 0.20, 0.10))},
    "overhead": {"R": ((-0.25, -0.05, 0.97), (-0.90, 0.35, -0.05)), "L": ((0.25, -0.05, 0.97), (0.90, 0.35, -0.05))},
    "chest": {"R": ((0.10, 0.75, 0.55), (-0.72, 0.55, -0.2)), "L": ((-0.10, 0.75, 0.55), (0.72, 0.55, -0.2))},
}
"""(finger, palm) directions of each hand on the ball."""


class Plan:
    """Feet and trunk curves of one clip."""

    def __init__(self, poser: Poser, t_s: np.ndarray, ring: np.ndarray, court: np.ndarray) -> None:
        """Standing, feet under the hips; ring (3,) in the shot frame, court (3, 3) from it to the hoop's axes."""
        self.poser, self.t_s, self.ring, self.court = poser, t_s, ring, court
        self.scale = poser.body.stature_m / ADULT_STATURE_M
        self.pocket = np.array([0.03, 0.30, 0.15]) * self.scale
        self.spot = np.zeros(2)
        self.notes: list[str] = []
        self.stages: list[Stage] = []
        self.jumps: list[Jump] = []
        self.flights: list[tuple[float, float]] = []
        self.touchdown: tuple[float, float, float] | None = None  # last hop's landing: time, mid-hip height and rate
        start = self.stance(0.30, 0.05, 0.0)
        over = self.over(start)
        self.hip_x, self.hip_y = Track(t_s, over[0]), Track(t_s, over[1])
        self.hip_z = Track(t_s, self.hip_height(start, over, 0.985))
        self.pelvis_yaw, self.pelvis_pitch = Track(t_s, 0.0), Track(t_s, np.radians(2))
        self.thorax_yaw, self.thorax_pitch = Track(t_s, 0.0), Track(t_s, np.radians(3))
        self.head_yaw, self.head_pitch, self.head_roll = Track(t_s, 0.0), Track(t_s, 0.0), Track(t_s, 0.0)
        self.lift = {s: Track(t_s, 0.0) for s in "LR"}
        self.pivot = {s: Track(t_s, start[s].pivot) for s in "LR"}
        self.yaw = {s: Track(t_s, start[s].yaw) for s in "LR"}
        self.heel = {s: Track(t_s, 0.0) for s in "LR"}
        self.planted = {s: np.ones(len(t_s), bool) for s in "LR"}

    # -- stances
    def stance(
        self,
        width_m: float,
        stagger_m: float,
        heading: float,
        shift: tuple[float, float] = (0.0, 0.0),
        toe_out: float = 0.0,
    ) -> dict[str, FootPose]:
        """Both feet on the floor, heels width_m apart; R ahead by stagger_m; toes turned left by heading (rad).

        `toe_out` (rad) opens each foot; 0 is the feet side by side.
        """
        out = {}
        body = self.poser.body
        for s, k in (("R", 1.0), ("L", -1.0)):
            heel0 = (
                body.keypoint_weights[body.keypoint_names.index("right_heel" if s == "R" else "left_heel")]
                @ body.vertices
            )
            heel = np.array([k * width_m / 2, k * stagger_m / 2 - 0.10 * self.scale]) + self.spot + np.array(shift)
            yaw = heading - k * (np.radians(5) + toe_out)
            pivot = np.append(heel, 0.0) + rot_z(yaw)[0] @ np.append((self.poser.pivot[s] - heel0)[:2], 0.0)
            out[s] = FootPose(pivot, float(yaw))
        return out

    def _ankle(self, side: str, f: FootPose) -> np.ndarray:
        one = np.zeros(1)
        return self.poser.ankle(side, Foot(f.pivot[None], np.array([f.yaw]), one, np.ones(1, bool)), one)[0]

    def over(self, stance: dict[str, FootPose]) -> np.ndarray:
        """Where the mid-hip (2,) is when standing on a stance."""
        return (self._ankle("L", stance["L"]) + self._ankle("R", stance["R"]))[:2] / 2 + np.array(
            [0.0, 0.04 * self.scale]
        )

    def hip_height(self, stance: dict[str, FootPose], xy: np.ndarray, ratio: float) -> float:
        """Mid-hip height at which the more stretched leg has `ratio` of its length."""
        half = self.poser.body.at("upperleg01.R")[0]
        length = ratio * (self.poser.thigh_m + self.poser.shank_m)
        z = []
        for s, k in (("R", 1.0), ("L", -1.0)):
            a = self._ankle(s, stance[s])
            flat = np.linalg.norm(a[:2] - xy - np.array([k * half, 0]))
            z.append(a[2] + np.sqrt(length**2 - flat**2))
        return float(min(z))

    def _one(self, mid_hip: np.ndarray, pitch: float, lift: float = 0.0) -> Trunk:
        a = np.zeros(1)
        return Trunk(mid_hip[None], a, a + 0.55 * pitch, a, a + pitch, a, a, a, {"L": a + lift, "R": a + 2 * lift})

    def _leg_points(self, stance: dict[str, FootPose], mid_hip: np.ndarray, pitch: float) -> tuple[np.ndarray, ...]:
        """Shooting-side shoulder, hip, knee, ankle (3,) of a planted body."""
        p, i = self.poser, self.poser.body.i
        _, heads = p.trunk(self._one(mid_hip, pitch))
        hip, shoulder, ankle = heads[0, i("upperleg01.R")], heads[0, i("upperarm01.R")], self._ankle("R", stance["R"])
        yaw = stance["R"].yaw
        knee, ankle2 = two_bone(
            hip[None], ankle[None], p.thigh_m, p.shank_m, np.array([[-np.sin(yaw), np.cos(yaw), 0.0]])
        )
        return shoulder, hip, knee[0], ankle2[0]

    def knee_angle(self, stance: dict[str, FootPose], mid_hip: np.ndarray) -> float:
        """Shooting-side knee angle (rad) of a planted body."""
        _, hip, knee, ankle = self._leg_points(stance, mid_hip, 0.0)
        return float(np.arccos(unit(hip - knee) @ unit(ankle - knee)))

    def hip_angle(self, stance: dict[str, FootPose], mid_hip: np.ndarray, pitch: float) -> float:
        """Shooting-side shoulder-hip-knee angle (rad) of a planted body."""
        shoulder, hip, knee, _ = self._leg_points(stance, mid_hip, pitch)
        return float(np.arccos(unit(shoulder - hip) @ unit(knee - hip)))

    def pitch_for_lean(self, lean: float) -> float:
        """Thorax pitch (rad) that leans mid-hip to mid-shoulder by `lean` from the vertical, arms raised."""
        i = self.poser.body.i
        low, high = lean - 0.3, lean + 0.3
        for _ in range(25):
            p = (low + high) / 2
            _, heads = self.poser.trunk(self._one(np.zeros(3), p, np.radians(10)))
            d = (heads[0, i("upperarm01.L")] + heads[0, i("upperarm01.R")]) / 2
            low, high = (p, high) if np.arctan2(d[1], d[2]) < lean else (low, p)
        return p

    # -- moves
    def lean(self, t0: float, t1: float, pitch: float) -> None:
        """Lean the trunk."""
        self.thorax_pitch.move(t0, t1, pitch)
        self.pelvis_pitch.move(t0, t1, 0.55 * pitch)

    def turn(self, t0: float, t1: float, pelvis: float, thorax: float) -> None:
        """Turn pelvis and shoulders, left +."""
        self.pelvis_yaw.move(t0, t1, pelvis)
        self.thorax_yaw.move(t0, t1, thorax)

    def glide(self, t0: float, t1: float, xy: np.ndarray) -> None:
        """Move the mid-hip over the floor."""
        self.hip_x.move(t0, t1, xy[0])
        self.hip_y.move(t0, t1, xy[1])

    def step(self, side: str, off: float, on: float, goal: FootPose, lift_m: float) -> None:
        """Swing one foot."""
        track = self.pivot[side]
        track.move(off, on, goal.pivot)
        s = np.clip((self.t_s - off) / (on - off), 0, 1)
        track.value[:, 2] += lift_m * np.sin(np.pi * s) ** 2
        self.yaw[side].move(off, on, goal.yaw)
        self.heel[side].bump(off - 0.15, off + 0.10, on, 0.45)
        self.planted[side] &= ~((self.t_s > off) & (self.t_s < on))

    def restep(self, t0: float, stance: dict[str, FootPose]) -> float:
        """Two small steps to a stance when the feet are elsewhere; returns when they are done."""
        gap = max(np.linalg.norm(self.pivot[s].at(t0)[:2] - stance[s].pivot[:2]) for s in "LR")
        if gap < 0.01:
            return t0
        swing = 0.30 + 0.25 * min(gap, 0.8)
        for k, s in enumerate("RL"):
            self.step(
                s,
                t0 + 0.05 + k * (swing + 0.04),
                t0 + 0.05 + k * (swing + 0.04) + swing,
                stance[s],
                0.04 + 0.06 * min(gap, 0.8),
            )
        end = t0 + 0.1 + 2 * (swing + 0.04)
        over = self.over(stance)
        self.glide(t0, end + 0.05, over)
        self.hip_z.bump(t0, (t0 + end) / 2, end, -0.02 * self.scale - 0.05 * min(gap, 0.8))
        self.hip_z.move(end - 0.1, end + 0.25, self.hip_height(stance, over, 0.985))
        return end + 0.1

    def hop(self, off: float, on: float) -> None:
        """Both feet off the floor for a moment: sink, rise, fly; the landing is left to the caller."""
        z = self.hip_z
        base = float(z.at(off - 0.45)[0])
        low, edge = base - 0.10 * self.scale, base - 0.025 * self.scale
        v = GRAVITY_MPS2 * (on - off) / 2
        z.move(off - 0.48, off - 0.16, low)
        start = float(z.at(off - 0.16)[0])
        z.put(off - 0.16, off, lambda t: quintic(t, 0.16, (start, 0, 0), (edge, v, -GRAVITY_MPS2)))
        z.put(off, on, lambda t: edge + v * t - GRAVITY_MPS2 / 2 * t * t)
        self.touchdown = (on, edge, -v)
        self.flights.append((off, on))

    def jump(
        self, takeoff: float, landing: float, stance: dict[str, FootPose], drift: np.ndarray, turn_rad: float
    ) -> None:
        """The shot's jump: feet ride with the hips and land `drift` (2,) away, turned by turn_rad about the stance."""
        middle = (stance["L"].pivot + stance["R"].pivot) / 2
        land = {}
        for s in "LR":
            p = middle + rot_z(turn_rad)[0] @ (stance[s].pivot - middle) + np.append(drift, 0.0)
            land[s] = FootPose(p, stance[s].yaw + turn_rad)
            self.planted[s] &= ~((self.t_s > takeoff) & (self.t_s < landing))
            self.heel[s].move(takeoff - 0.02, takeoff + 0.14, 0.55)
            self.heel[s].move(landing - 0.14, landing, 0.40)
            self.heel[s].move(landing, landing + 0.10, 0.0)
            k = self.pivot[s].index((takeoff + landing) / 2)
            self.pivot[s].value[k:] = p
            self.yaw[s].move(takeoff, landing, land[s].yaw)
        self.jumps.append(Jump(takeoff, landing, land))
        self.flights.append((takeoff, landing))

    # -- evaluation
    def mid_hip(self) -> np.ndarray:
        """Planned mid-hip (N, 3)."""
        return np.concatenate([self.hip_x.value, self.hip_y.value, self.hip_z.value], 1)

    def trunk(self, mid_hip: np.ndarray) -> Trunk:
        """Trunk targets with a given mid-hip path."""
        return Trunk(
            mid_hip,
            self.pelvis_yaw.value[:, 0],
            self.pelvis_pitch.value[:, 0],
            self.thorax_yaw.value[:, 0],
            self.thorax_pitch.value[:, 0],
            self.head_yaw.value[:, 0],
            self.head_pitch.value[:, 0],
            self.head_roll.value[:, 0],
            {s: self.lift[s].value[:, 0] for s in "LR"},
        )

    def feet(self, mid_hip: np.ndarray) -> dict[str, Foot]:
        """Foot targets; in a jump they ride with the hips."""
        out = {}
        for s in "LR":
            pivot = self.pivot[s].value.copy()
            for j in self.jumps:
                a, b = self.pivot[s].index(j.takeoff), self.pivot[s].index(j.landing)
                first = self.pivot[s].value[a] - mid_hip[a]
                last = j.land[s].pivot - mid_hip[b]
                u = np.linspace(0, 1, b - a + 1)[:, None]
                ride = (
                    first + (last - first) * smooth(u) + np.array([0, 0, -0.018 * self.scale]) * np.sin(np.pi * u) ** 2
                )
                pivot[a : b + 1] = mid_hip[a : b + 1] + ride
            out[s] = Foot(pivot, self.yaw[s].value[:, 0], np.maximum(self.heel[s].value[:, 0], 0.0), self.planted[s])
        return out


@dataclass
class Arms:
    """Hands and ball of one clip, over a known trunk. Offsets are wrist minus shoulder."""

    plan: Plan
    shoulder: dict[str, np.ndarray]
    eye: np.ndarray
    mid_hip: np.ndarray
    hip_r: np.ndarray
    yaw: np.ndarray
    ball: np.ndarray = field(init=False)
    shots: list[dict] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Arms down, ball on the floor below the ring."""
        p, t = self.plan, self.plan.t_s
        self.offset_track = {s: Track(t, self._rest(s)) for s in "LR"}
        self.swivel = {s: Track(t, 0.25) for s in "LR"}
        self.finger = {s: Track(t, self._side(s, (-0.02, 0.12, -0.99))) for s in "LR"}
        self.palm = {s: Track(t, self._side(s, (-0.95, -0.25, -0.02))) for s in "LR"}
        self.curl = {s: Track(t, 0.9) for s in "LR"}
        self.spread = {s: Track(t, 1.0) for s in "LR"}
        self.pocket = Track(t, p.pocket)
        self.ball = np.tile(np.array([0.4, p.ring[1] - 0.3, BALL_RADIUS_M]), (len(t), 1))  # lies below the ring

    def _side(self, side: str, right: tuple[float, float, float]) -> np.ndarray:
        return np.array(right) * np.array([1.0 if side == "R" else -1.0, 1, 1])

    def _rest(self, side: str) -> np.ndarray:
        p = self.plan
        reach = p.poser.upper_arm_m + p.poser.forearm_m
        return self._side(side, (0.19, 0.10, -0.955)) * reach * 0.985

    def index(self, t_s: float) -> int:
        """Sample nearest to t_s."""
        return int(np.clip(round(t_s * RATE_HZ), 0, len(self.plan.t_s) - 1))

    def offset(self, side: str) -> np.ndarray:
        """Wrist minus shoulder (N, 3)."""
        return self.offset_track[side].value

    def rest(self, side: str, t0: float, t1: float) -> None:
        """Lower an arm to the side of the body."""
        self.offset_via(side, t0, t1, self._rest(side))
        self.swivel[side].move(t0, t1, 0.25)
        self.finger[side].move(t0, t1, self._side(side, (-0.02, 0.12, -0.99)))
        self.palm[side].move(t0, t1 - 0.02, self._side(side, (-0.95, -0.25, -0.02)))
        self.curl[side].move(t0, t1, 0.9)

    def offset_via(self, side: str, t0: float, t1: float, goal: np.ndarray) -> None:
        """Move a wrist along an arc about the shoulder (straight lines cut through the body)."""
        track = self.offset_track[side]
        k = track.index(t0)
        start = track.value[k].copy()
        w = smooth((self.plan.t_s[k:] - t0) / (t1 - t0))[:, None]
        r0, r1 = np.linalg.norm(start), np.linalg.norm(goal)
        d0, d1 = start / r0, goal / r1
        angle = np.arccos(np.clip(d0 @ d1, -1, 1))
        # bow the arc forward so that an arm coming down from overhead passes in front
        d = (
            (np.sin((1 - w) * angle) * d0 + np.sin(w * angle) * d1) / max(np.sin(angle), 1e-3)
            if 1e-3 < angle < 3.1
            else (1 - w) * d0 + w * d1
        )
        d = unit(d + np.array([0, 0.45, 0]) * np.sin(np.pi * w) * min(1.0, angle))
        track.value[k:] = ((1 - w) * r0 + w * r1) * d

    def set_grip(self, side: str, t0: float, t1: float, name: str) -> None:
        """Turn a hand to a named grip."""
        finger, palm = (np.array(v) for v in GRIP[name][side])
        palm = unit(palm)
        finger = unit(finger - (finger @ palm) * palm)
        self.finger[side].move(t0, t1, finger)
        self.palm[side].move(t0, t1, palm)

    def on_ball(self, side: str, t0: float, t1: float, t2: float) -> None:
        """Bring a hand to the ball over [t0, t1] and keep it there until t2."""
        axes = hand_axes(self.finger[side].value, self.palm[side].value)
        wrist = grip_wrist(self.ball, axes[..., 0], axes[..., 1], self.plan.scale)
        self.offset_track[side].follow(t0, t1, t2, wrist - self.shoulder[side])

    def hold_ball(self, t0: float, t1: float, blend_s: float = 0.0) -> None:
        """Ball in the pocket with both hands during [t0, t1]; hands come to it over the first blend_s."""
        a = self.index(t0)
        self.ball[a:] = (self.mid_hip + self.pocket.value)[a:]
        for s in "LR":
            if blend_s > 0:
                self.set_grip(s, t0 - 0.01, t0 + blend_s, "pocket")
            else:
                self.set_grip(s, t0 - 0.02, t0, "pocket")
            self.swivel[s].move(t0 - 0.02, t0 + max(blend_s, 0.02), 0.5)
            self.curl[s].move(t0 - 0.1, t0 + 0.1, 0.1)
            self.on_ball(s, t0, t0 + blend_s, t1)

    def guide_on_ball(self, dip: float, at_set: float, off: float) -> None:
        """Guide hand stays on the ball while turning from the pocket grip to the ball's side."""
        self.set_grip("L", dip, at_set, "set")
        self.swivel["L"].move(dip, at_set, 0.42)
        self.on_ball("L", dip - 0.01, dip, off)

    def overwrite(
        self,
        side: str,
        t0: float,
        t1: float,
        offset: np.ndarray,
        swivel: np.ndarray,
        finger: np.ndarray,
        palm: np.ndarray,
    ) -> None:
        """Copy arrays over [t0, t1]; hold the end."""
        a, b = self.index(t0), self.index(t1)
        for track, v in (
            (self.offset_track[side], offset),
            (self.swivel[side], swivel[:, None]),
            (self.finger[side], finger),
            (self.palm[side], palm),
        ):
            track.value[a:b] = v[a:b]
            track.value[b:] = v[b]

    def forearm(self, side: str, shoulder: np.ndarray, offset: np.ndarray, swivel: np.ndarray) -> np.ndarray:
        """Forearm frames (N, 3, 3): columns along the forearm, elbow hinge, their cross product."""
        p = self.plan.poser
        pole = p.pole(side, shoulder, shoulder + offset, self.yaw, swivel)
        elbow, wrist = two_bone(shoulder, shoulder + offset, p.upper_arm_m, p.forearm_m, pole)
        return frame(wrist - elbow, np.cross(pole, unit(offset)))

    def targets(self) -> dict[str, Arm]:
        """Arm targets for the poser."""
        out = {}
        for s in "LR":
            axes = hand_axes(self.finger[s].value, self.palm[s].value)
            out[s] = Arm(
                self.shoulder[s] + self.offset(s),
                self.swivel[s].value[:, 0],
                axes[..., 0],
                axes[..., 1],
                np.clip(self.curl[s].value[:, 0], 0, 1),
                self.spread[s].value[:, 0],
            )
        return out
