"""A clip's script: who, where, and what happens one after another; compiled into posed bones and a ball path.

Compiled motion is in the hoop frame: origin on the floor below the ring's centre, x to the right of a shooter at the
free-throw line, y toward the hoop, z up, metres.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d

from .ball import BALL_RADIUS_M, GRAVITY_MPS2, RING_HEIGHT_M, flight
from .body import Body, load_body
from .passer import Passer, Walker, walk_past
from .plan import Arms, FootPose, Plan, Stage, grip_wrist, hand_axes
from .pose import Poser, rot_z, unit
from .shot import Shot, Times, plan_pump_fake, plan_shot, start_stance
from .tracks import RATE_HZ, quintic

SCRIPTS = Path(__file__).resolve().parent / "scripts"
ACTS = (
    "shot",
    "idle",
    "catch",
    "dribble",
    "raise_arms",
    "stretch",
    "arms_out",
    "signal",
    "chest_pass",
    "pump_fake",
    "spin",
    "rebound",
    "walk",
)
MIRROR = np.diag([-1.0, 1.0, 1.0])


@dataclass(frozen=True)
class Player:
    """Who shoots."""

    build: str = "man"
    stature_m: float = 1.88
    hand: str = "right"


@dataclass(frozen=True)
class Script:
    """A whole clip. `acts` are dicts with a "do" and that act's own values."""

    name: str
    acts: list[dict]
    about: str = ""
    player: Player = Player()
    distance_m: float = 4.37  # from the middle of the stance to the point below the ring
    angle_deg: float = 0.0  # spot on the circle round the hoop; 0 is the free-throw line, + to the right
    look: str = "blue"
    place: str = "gym"
    starts_with_ball: bool = True
    passers: list[dict] = field(default_factory=list)  # values of passer.Passer

    def directions(self) -> tuple[np.ndarray, np.ndarray]:
        """Horizontal units (3,) in the hoop frame: toward the hoop, and toward the shooting side."""
        a = np.radians(self.angle_deg)
        side = -1.0 if self.player.hand == "left" else 1.0
        return np.array([-np.sin(a), np.cos(a), 0.0]), side * np.array([np.cos(a), np.sin(a), 0.0])


@dataclass
class Motion:
    """Posed clip in the hoop frame at RATE_HZ; N samples, B bones."""

    body: Body
    rotation: np.ndarray  # (N, B, 3, 3)
    heads: np.ndarray  # (N, B, 3)
    ball: np.ndarray  # (N, 3)
    spin: np.ndarray  # (N,) ball turn, rad
    planted: dict[str, np.ndarray]  # per side (N,) bool
    shots: list[dict]
    hand: str
    acts: list[tuple[str, float, float]]  # name, begin, end; seconds
    passers: list[Walker]
    notes: list[str] = field(default_factory=list)

    @property
    def t_s(self) -> np.ndarray:
        """Sample times (N,)."""
        return np.arange(len(self.ball)) / RATE_HZ


def load_script(name_or_path: str) -> Script:
    """A named script of scripts/ or a JSON file."""
    path = Path(name_or_path)
    path = path if path.suffix == ".json" else SCRIPTS / f"{name_or_path}.json"
    if not path.exists():
        names = ", ".join(sorted(p.stem for p in SCRIPTS.glob("*.json")))
        raise ValueError(f"no script {name_or_path!r}; there are: {names}")
    raw = json.loads(path.read_text())
    known = {f.name for f in fields(Script)}
    if unknown := set(raw) - known:
        raise ValueError(f"{path.name}: unknown keys {', '.join(sorted(unknown))}")
    return Script(**{**raw, "name": path.stem, "player": Player(**raw.get("player", {}))})


def compile_script(script: Script, cache: Path) -> Motion:
    """Pose the whole clip."""
    body = load_body(script.player.build, script.player.stature_m, cache)
    poser = Poser(body)
    ring = np.array([0.0, script.distance_m, RING_HEIGHT_M])
    left = script.player.hand == "left"
    court = rot_z(np.radians(script.angle_deg))[0] @ (MIRROR if left else np.eye(3))
    length_s = _Planner(Plan(poser, np.arange(120 * RATE_HZ) / RATE_HZ, ring, court), script).run()
    planner = _Planner(Plan(poser, np.arange(int((length_s + 0.2) * RATE_HZ) + 1) / RATE_HZ, ring, court), script)
    planner.run()
    pose, arms, feet = _pose(planner)
    rotation, heads, ball = pose.rotation, pose.heads, arms.ball.copy()
    planted = {s: feet[s].planted for s in "LR"}
    if left:
        swap = [
            body.i(n[:-1] + {"L": "R", "R": "L"}[n[-1]]) if n[-2:] in (".L", ".R") else body.i(n) for n in body.bones
        ]
        rotation, heads, ball = MIRROR @ rotation[:, swap] @ MIRROR, heads[:, swap] @ MIRROR, ball @ MIRROR
        planted = {"L": planted["R"], "R": planted["L"]}
    to_hoop = rot_z(np.radians(script.angle_deg))[0]
    origin = to_hoop @ np.array([0.0, -script.distance_m, 0.0])
    shots = [
        {"requested": asdict(s), "times": tm, **extra} for (s, tm), extra in zip(planner.shots, arms.shots, strict=True)
    ]
    for s in shots:
        s["velocity"], s["target"] = (
            to_hoop @ (s["velocity"] * ([-1, 1, 1] if left else 1)),
            to_hoop @ (s["target"] * ([-1, 1, 1] if left else 1)) + origin,
        )
    spin = np.zeros(len(ball))
    for s in shots:
        spin[s["k"] :] = -2 * np.pi * 2.0 * np.arange(len(ball) - s["k"]) / RATE_HZ
    walkers = [_walker(script, Passer(**p), len(ball), cache) for p in script.passers]
    return Motion(
        body=body,
        rotation=to_hoop @ rotation,
        heads=heads @ to_hoop.T + origin,
        ball=ball @ to_hoop.T + origin,
        spin=spin,
        planted=planted,
        shots=shots,
        hand=script.player.hand,
        acts=planner.acts,
        passers=walkers,
        notes=list(dict.fromkeys(planner.plan.notes)),
    )


def _walker(script: Script, passer: Passer, samples: int, cache: Path) -> Walker:
    forward, sideways = script.directions()
    t_s = np.arange(samples) / RATE_HZ
    body = load_body(passer.build, passer.stature_m, cache)
    return walk_past(passer, body, t_s, -script.distance_m * forward, forward, sideways)


def _pose(planner: _Planner):
    """Trunk, then arms, then everything; in the air the centre of mass is put on its parabola (three passes)."""
    plan, poser = planner.plan, planner.plan.poser
    t, i = plan.t_s, poser.body.i
    sway = np.stack(
        [
            0.006 * np.sin(2 * np.pi * 0.31 * t),
            0.004 * np.sin(2 * np.pi * 0.23 * t + 1),
            0.0015 * np.sin(2 * np.pi * 0.27 * t),
        ],
        1,
    )
    mid_hip = plan.mid_hip() + sway
    for _ in range(3):
        trunk = plan.trunk(mid_hip)
        _, heads = poser.trunk(trunk)
        arms = Arms(
            plan,
            {s: heads[:, i(f"upperarm01.{s}")] for s in "LR"},
            (heads[:, i("eye.L")] + heads[:, i("eye.R")]) / 2,
            mid_hip,
            heads[:, i("upperleg01.R")],
            trunk.thorax_yaw,
        )
        planner.begin(arms)
        for stage in plan.stages:
            stage.run(arms)
        feet = plan.feet(mid_hip)
        pose = poser.pose(trunk, feet, arms.targets())
        com = poser.body.centre_of_mass(pose.heads)
        for a, b in plan.flights:
            ka, kb = round(a * RATE_HZ), round(b * RATE_HZ)
            s = np.arange(kb - ka + 1)[:, None] / RATE_HZ
            whole = s[-1, 0]
            fall = np.array([0, 0, GRAVITY_MPS2 / 2])
            v = (com[kb] - com[ka]) / whole + fall * whole
            mid_hip[ka : kb + 1] += com[ka] + v * s - fall * s * s - com[ka : kb + 1]
    return pose, arms, feet


def _throw(arms: Arms, k: int, c: int, goal: np.ndarray) -> None:
    """Send the ball from wherever it is at sample k on a drag-free path to goal (3,) at sample c."""
    start = arms.ball[k].copy()
    start[2] = max(start[2], BALL_RADIUS_M)
    u, whole = np.arange(c - k)[:, None] / RATE_HZ, (c - k) / RATE_HZ
    fall = np.array([0, 0, GRAVITY_MPS2 / 2])
    arms.ball[k:c] = start + ((goal - start) / whole + fall * whole) * u - fall * u * u


class _Planner:
    """Walks through the acts of a script."""

    def __init__(self, plan: Plan, script: Script) -> None:
        self.plan, self.script = plan, script
        self.shots: list[tuple[Shot, Times]] = []
        self.acts: list[tuple[str, float, float]] = []
        self.has_ball = script.starts_with_ball

    def begin(self, arms: Arms) -> None:
        """State of hands and ball at t = 0."""
        if self.script.starts_with_ball:
            arms.hold_ball(0.0, 0.02)
            for s in "LR":  # already there at the first sample
                for track in (arms.finger[s], arms.palm[s], arms.offset_track[s], arms.swivel[s], arms.curl[s]):
                    track.value[:] = track.value[6]

    def run(self) -> float:
        """Plan every act; returns the length of the clip in seconds."""
        t = 0.0
        for act in self.script.acts:
            values = {k: v for k, v in act.items() if k != "do"}
            if act.get("do") not in ACTS:
                raise ValueError(f"act must be one of {', '.join(ACTS)}, not {act.get('do')!r}")
            begin, t = t, getattr(self, f"do_{act['do']}")(t, **values)
            t = round(t * RATE_HZ) / RATE_HZ
            self.acts.append((act["do"], begin, t))
        return t

    def _later(self, t0: float, t1: float, run) -> None:
        self.plan.stages.append(Stage(t0, t1, run))

    def _with_ball(self, t: float) -> float:
        return t if self.has_ball else self.do_catch(t)

    def _to_stance(self, t: float, stance: dict[str, FootPose]) -> float:
        """Step into a stance, holding the ball if there is one; returns when it is reached."""
        done = self.plan.restep(t, stance)
        if self.has_ball:
            self._later(t, done, lambda arms: arms.hold_ball(t, done))
        return done

    def do_shot(self, t: float, **form) -> float:
        """Shoot."""
        t = self._with_ball(t)
        shot = Shot(**form)
        before = start_stance(self.plan, shot)
        if t == 0.0:  # the clip begins in the stance
            over = self.plan.over(before)
            for s in "LR":
                self.plan.pivot[s].value[:], self.plan.yaw[s].value[:] = before[s].pivot, before[s].yaw
            self.plan.hip_x.value[:], self.plan.hip_y.value[:] = over
            self.plan.hip_z.value[:] = self.plan.hip_height(before, over, 0.985)
        else:
            t = self._to_stance(t, before)
        tm = plan_shot(self.plan, t, shot)
        self.shots.append((shot, tm))
        self.has_ball = False
        return tm.end

    def do_idle(self, t: float, s: float = 1.0) -> float:
        """Stand."""
        if self.has_ball:
            self._later(t, t + s, lambda arms: arms.hold_ball(t, t + s))
        sway = 0.018 * self.plan.scale
        if s >= 0.8:
            self.plan.hip_x.bump(t, t + s / 2, t + s, sway)
            self.plan.head_yaw.bump(t, t + s / 2, t + s, np.radians(12))
        return t + s

    def do_catch(self, t: float, s: float = 1.25, flight_s: float = 0.8) -> float:
        """The ball comes back as a pass from wherever it is."""
        plan, at = self.plan, round((t + s) * RATE_HZ) / RATE_HZ

        def run(arms: Arms) -> None:
            front = plan.pocket + np.array([0.0, 0.14, 0.16]) * plan.scale
            k, c = arms.index(at - flight_s), arms.index(at)
            _throw(arms, k, c, arms.mid_hip[c] + front)
            arms.pocket.value[c:] = front
            arms.pocket.move(at, at + 0.35, plan.pocket)
            for side in "LR":
                arms.set_grip(side, at - 0.5, at - 0.1, "pocket")
                arms.swivel[side].move(at - 0.5, at - 0.1, 0.5)
                arms.curl[side].move(at - 0.5, at - 0.2, 0.1)
                axes = hand_axes(arms.finger[side].value, arms.palm[side].value)
                wrist = grip_wrist(arms.mid_hip + front, axes[..., 0], axes[..., 1], plan.scale)
                arms.offset_track[side].follow(at - 0.5, at - 0.06, at, wrist - arms.shoulder[side])
            arms.hold_ball(at, at + 0.5)

        self._later(t, at + 0.5, run)
        self.has_ball = True
        return at + 0.5

    def do_dribble(self, t: float, n: int = 3) -> float:
        """Dribble on the spot with the shooting hand."""
        t, plan = self._with_ball(t), self.plan
        low, hand_s, fall_s = 0.74 * plan.scale, 0.26, 0.19
        down = (low - BALL_RADIUS_M - GRAVITY_MPS2 / 2 * fall_s**2) / fall_s
        top = low + down * hand_s / 4
        period = hand_s + 2 * fall_s
        a = round((t + 0.40) * RATE_HZ) / RATE_HZ
        b = a + n * period
        plan.lean(t, a, np.radians(12))
        plan.hip_z.bump(t, a, b + 0.4, -0.07 * plan.scale)
        plan.lean(b, b + 0.4, np.radians(3))

        def run(arms: Arms) -> None:
            ts = plan.t_s
            side = np.array([0.40, 0.26, 0.0]) * plan.scale
            phase = np.mod(ts - a + hand_s / 2, period) - hand_s / 2
            in_hand = phase < hand_s / 2
            f = phase - hand_s / 2
            free = np.where(
                f < fall_s,
                low - down * f - GRAVITY_MPS2 / 2 * f * f,
                low - down * (2 * fall_s - f) - GRAVITY_MPS2 / 2 * (2 * fall_s - f) ** 2,
            )
            z = np.where(in_hand, top - down / hand_s * phase**2, free)
            hand_z = np.where(in_hand, z, low + 0.02 * np.sin(np.pi * np.clip(f / (2 * fall_s), 0, 1)))
            xy = arms.mid_hip[:, :2] + side[:2]
            arms.hold_ball(t, t + 0.02)
            kt, ka, kb = arms.index(t), arms.index(a), arms.index(b)
            carried = arms.pocket.value.copy()
            lead = np.append(side[:2], 0.0)[None] + np.stack([0 * ts, 0 * ts, top - arms.mid_hip[:, 2]], 1)
            arms.pocket.follow(t, a, b, lead)
            arms.pocket.follow(b, b + 0.40, b + 0.9, carried)
            arms.ball[kt:] = (arms.mid_hip + arms.pocket.value)[kt:]
            arms.ball[ka:kb] = np.concatenate([xy, z[:, None]], 1)[ka:kb]
            hand_ball = arms.ball.copy()
            hand_ball[ka:kb, 2] = hand_z[ka:kb]
            for track, goal in ((arms.finger["R"], (-0.12, 0.93, -0.30)), (arms.palm["R"], (-0.10, -0.30, -0.94))):
                track.move(t, a - 0.05, unit(np.array(goal)))
            arms.swivel["R"].move(t, a, 0.35)
            arms.set_grip("R", b, b + 0.38, "pocket")
            axes = hand_axes(arms.finger["R"].value, arms.palm["R"].value)
            wrist = grip_wrist(hand_ball, axes[..., 0], axes[..., 1], plan.scale)
            arms.offset_track["R"].follow(t, t + 0.02, b + 0.9, wrist - arms.shoulder["R"])
            guard = np.array([-0.06, 0.28, -0.30]) * plan.scale
            arms.offset_via("L", t + 0.1, a, guard)
            for track, goal in ((arms.finger["L"], (0.35, 0.85, 0.25)), (arms.palm["L"], (0.75, -0.2, -0.6))):
                track.move(t + 0.1, a, unit(np.array(goal)))
            arms.set_grip("L", b, b + 0.34, "pocket")
            arms.on_ball("L", b, b + 0.36, b + 0.9)

        self._later(t, b + 0.45, run)
        return b + 0.45

    def _overhead(self, arms: Arms, t: float, up: float, down: float) -> None:
        """Pocket and grips of lifting the ball overhead over [t, up] and lowering it again from `down` on."""
        plan = self.plan
        arms.pocket.move(t, up, np.array([0.0, 0.16, 1.06]) * plan.scale)
        arms.pocket.bump(t, t + 0.45, up, np.array([0, 0.16, 0]) * plan.scale)
        arms.pocket.move(down, down + 0.9, plan.pocket)
        arms.pocket.bump(down, down + 0.45, down + 0.9, np.array([0, 0.16, 0]) * plan.scale)
        arms.hold_ball(t, t + 0.02)
        for side in "LR":
            arms.set_grip(side, t, up, "overhead")
            arms.swivel[side].move(t, up, 0.6)
            arms.set_grip(side, down, down + 0.9, "pocket")
            arms.swivel[side].move(down, down + 0.9, 0.5)

    def do_raise_arms(self, t: float, hold_s: float = 0.5) -> float:
        """Lift the ball overhead with both hands and bring it down again: not a shot."""
        t, plan = self._with_ball(t), self.plan
        up, down = t + 0.9, t + 0.9 + hold_s

        def run(arms: Arms) -> None:
            self._overhead(arms, t, up, down)
            k = arms.index(t)
            arms.ball[k:] = (arms.mid_hip + arms.pocket.value)[k:]
            for side in "LR":
                arms.on_ball(side, t, t + 0.02, down + 1.0)

        for s in "LR":
            plan.lift[s].move(t + 0.2, up, np.radians(18))
            plan.lift[s].move(down, down + 0.8, 0.0)
        self._later(t, down + 0.95, run)
        return down + 0.95

    def do_pump_fake(self, t: float, **form) -> float:
        """Raise the ball to the set point as for a shot and take it down again."""
        t = self._with_ball(t)
        shot = Shot(**form)
        t = self._to_stance(t, start_stance(self.plan, shot))
        return plan_pump_fake(self.plan, t, shot)

    def do_spin(self, t: float) -> float:
        """Lift the ball overhead with both hands, turn once round to the left on small steps, bring it down."""
        t = self._with_ball(t)
        plan = self.plan
        t = self._to_stance(t, plan.stance(0.30, 0.05, 0.0))
        up, swing_s, turns = round((t + 0.9) * RATE_HZ) / RATE_HZ, 0.24, 6
        middle, over = np.append(plan.spot, 0.0), plan.over(plan.stance(0.30, 0.05, 0.0))
        base = plan.stance(0.30, 0.05, 0.0)
        for k in range(2 * turns):
            side, angle = "LR"[k % 2], (k // 2 + 1) * 2 * np.pi / turns
            pivot = middle + rot_z(angle)[0] @ (base[side].pivot - middle)
            off = up + k * swing_s
            plan.step(side, off, off + swing_s - 0.02, FootPose(pivot, base[side].yaw + angle), 0.05)
        down = round((up + 2 * turns * swing_s + 0.3) * RATE_HZ) / RATE_HZ
        mean = (plan.yaw["L"].value[:, 0] + plan.yaw["R"].value[:, 0]) / 2
        k_up, k_down = plan.hip_x.index(up - 0.3), plan.hip_x.index(down)
        yaw = np.zeros(len(plan.t_s))
        yaw[k_up:k_down] = gaussian_filter1d(mean[k_up:k_down] - mean[k_up], 0.09 * RATE_HZ, mode="nearest")
        for track in (plan.pelvis_yaw, plan.thorax_yaw, plan.head_yaw):
            track.value[:, 0] += yaw
        for s in "LR":  # a whole turn is no turn: later moves start from here
            plan.yaw[s].value[k_down:] -= 2 * np.pi
        turned = rot_z(yaw)
        for track, axis in ((plan.hip_x, 0), (plan.hip_y, 1)):
            track.value[k_up:k_down, 0] = (turned @ (np.append(over, 0.0) - middle) + middle)[k_up:k_down, axis]

        def run(arms: Arms) -> None:
            self._overhead(arms, t, up, down)
            k = arms.index(t)
            arms.ball[k:] = (arms.mid_hip + np.einsum("tij,tj->ti", turned, arms.pocket.value))[k:]
            for side in "LR":
                for track in (arms.finger[side], arms.palm[side]):
                    track.value = np.einsum("tij,tj->ti", turned, track.value)
                arms.on_ball(side, t, t + 0.02, down + 1.0)

        for s in "LR":
            plan.lift[s].move(t + 0.2, up, np.radians(18))
            plan.lift[s].move(down, down + 0.8, 0.0)
        self._later(t, down + 0.95, run)
        return down + 0.95

    def do_rebound(self, t: float, flight_s: float = 0.95, jump_m: float = 0.30) -> float:
        """Jump for a ball that comes off the ring, catch it overhead with both hands and bring it down.

        The ball starts at the front of the ring, wherever it was.
        """
        if self.has_ball:
            raise ValueError("rebound: the player has the ball; put a pass or a shot before it")
        plan = self.plan
        stance = plan.stance(0.34, 0.05, 0.0)
        t = self._to_stance(t, stance)
        over, scale = plan.over(stance), plan.scale
        stand_z = plan.hip_height(stance, over, 0.985)
        top, low, rate = stand_z + 0.04 * scale, stand_z - 0.20 * scale, np.sqrt(2 * GRAVITY_MPS2 * jump_m)
        at = round((t + max(flight_s, 1.2)) * RATE_HZ) / RATE_HZ  # hands meet the ball at the top of the jump
        takeoff, landing = at - rate / GRAVITY_MPS2, at + rate / GRAVITY_MPS2
        gather = takeoff - 0.30
        z = plan.hip_z
        z.move(gather - 0.45, gather, low)
        z.put(gather, takeoff, lambda u: quintic(u, 0.30, (low, 0, 0), (top, rate, -GRAVITY_MPS2)))
        z.put(takeoff, landing, lambda u: top + rate * u - GRAVITY_MPS2 / 2 * u * u)
        z.put(landing, landing + 0.22, lambda u: quintic(u, 0.22, (top, -rate, 0), (stand_z - 0.14 * scale, 0, 0)))
        z.move(landing + 0.20, landing + 0.85, stand_z)
        plan.lean(gather - 0.45, gather, np.radians(18))
        plan.lean(gather, takeoff, np.radians(2))
        plan.lean(landing - 0.05, landing + 0.2, np.radians(10))
        plan.lean(landing + 0.2, landing + 0.85, np.radians(3))
        plan.head_pitch.move(gather - 0.3, gather, np.radians(-25))
        plan.head_pitch.move(landing, landing + 0.5, 0.0)
        plan.jump(takeoff, landing, stance, np.zeros(2), 0.0)
        for s in "LR":
            plan.lift[s].move(gather, at - 0.05, np.radians(18))
            plan.lift[s].move(at + 0.1, landing + 0.4, 0.0)
        end = landing + 0.9

        def run(arms: Arms) -> None:
            high = np.array([0.0, 0.20, 1.02]) * scale
            k, c = arms.index(at - flight_s), arms.index(at)
            arms.ball[k] = plan.ring + np.array([0.0, -0.35, 0.10])
            _throw(arms, k, c, arms.mid_hip[c] + high)
            arms.pocket.value[c:] = high
            arms.pocket.move(at + 0.10, landing + 0.55, plan.pocket)
            arms.pocket.bump(at + 0.10, at + 0.40, landing + 0.55, np.array([0, 0.14, 0]) * scale)
            arms.ball[c:] = (arms.mid_hip + arms.pocket.value)[c:]
            reach = 0.85 * (plan.poser.upper_arm_m + plan.poser.forearm_m)
            for side, sign in (("R", 1.0), ("L", -1.0)):
                arms.curl[side].move(at - 0.5, at - 0.2, 0.1)
                arms.offset_via(side, at - 0.75, at - 0.12, np.array([-0.03 * sign, 0.22, 0.95]) * reach)
                arms.set_grip(side, at - 0.75, at - 0.15, "overhead")
                arms.swivel[side].move(at - 0.75, at - 0.15, 0.6)
                axes = hand_axes(arms.finger[side].value, arms.palm[side].value)
                wrist = grip_wrist(arms.mid_hip + high, axes[..., 0], axes[..., 1], scale)
                arms.offset_track[side].follow(at - 0.35, at - 0.03, at, wrist - arms.shoulder[side])
                arms.set_grip(side, at + 0.10, landing + 0.55, "pocket")
                arms.swivel[side].move(at + 0.10, landing + 0.55, 0.5)
                arms.on_ball(side, at, at + 0.02, end)

        self._later(t, end, run)
        self.has_ball = True
        return end

    def do_stretch(self, t: float, hold_s: float = 1.0) -> float:
        """Both arms overhead without the ball."""
        plan = self.plan
        up, down = t + 1.0, t + 1.0 + hold_s
        reach = plan.poser.upper_arm_m + plan.poser.forearm_m

        def run(arms: Arms) -> None:
            for s, k in (("R", 1.0), ("L", -1.0)):
                arms.offset_via(s, t, up, np.array([-0.10 * k, 0.06, 0.98]) * reach)
                arms.swivel[s].move(t, up, 0.9)
                arms.finger[s].move(t, up, np.array([-0.2 * k, 0.0, 0.98]))
                arms.palm[s].move(t + 0.05, up, np.array([-0.95 * k, 0.25, -0.2]))
                arms.rest(s, down, down + 1.0)

        for s in "LR":
            plan.lift[s].move(t + 0.2, up, np.radians(20))
            plan.lift[s].move(down, down + 0.8, 0.0)
        plan.head_roll.bump(up, (up + down) / 2, down, np.radians(10))
        plan.hip_x.bump(up - 0.3, (up + down) / 2, down + 0.3, 0.03)
        self._later(t, down + 1.05, run)
        return down + 1.05

    def do_arms_out(self, t: float, hold_s: float = 2.5, turn_deg: float = 0.0) -> float:
        """Stand tall with empty hands, arms straight out to the sides; `turn_deg` to the left meanwhile, then back."""
        if self.has_ball:
            raise ValueError("arms_out: the player has the ball; let the clip start without it, or put a shot before")
        plan = self.plan
        base = plan.stance(0.30, 0.05, 0.0)
        t = self._to_stance(t, base)
        middle, over, whole = np.append(plan.spot, 0.0), plan.over(base), np.radians(turn_deg)
        swing_s, steps = 0.30, int(np.ceil(abs(turn_deg) / 45))

        def step_round(t0: float, back: bool) -> float:
            for k in range(2 * steps):
                share = (k // 2 + 1) / steps
                angle = whole * (1 - share if back else share)
                side = ("RL" if (turn_deg < 0) != back else "LR")[k % 2]
                pose = FootPose(middle + rot_z(angle)[0] @ (base[side].pivot - middle), base[side].yaw + angle)
                plan.step(side, t0 + k * swing_s, t0 + (k + 1) * swing_s - 0.02, pose, 0.04)
            return t0 + 2 * steps * swing_s

        up = step_round(t, back=False) + 0.9
        down = up + hold_s
        end = max(step_round(down + 0.3, back=True), down + 1.0)
        yaw = gaussian_filter1d((plan.yaw["L"].value[:, 0] + plan.yaw["R"].value[:, 0]) / 2, 0.12 * RATE_HZ)
        if steps:
            for track in (plan.pelvis_yaw, plan.thorax_yaw, plan.head_yaw):
                track.value[:, 0] += yaw
            turned = rot_z(yaw)
            for track, axis in ((plan.hip_x, 0), (plan.hip_y, 1)):
                track.value[:, 0] += (turned @ (np.append(over, 0.0) - middle) + middle)[:, axis] - over[axis]
        reach = plan.poser.upper_arm_m + plan.poser.forearm_m

        def run(arms: Arms) -> None:
            for s, k in (("R", 1.0), ("L", -1.0)):
                arms.offset_via(s, up - 0.9, up, np.array([0.99 * k, 0.0, 0.02]) * reach)
                arms.swivel[s].move(up - 0.9, up, 0.3)
                arms.finger[s].move(up - 0.9, up, np.array([k, 0.0, 0.0]))
                arms.palm[s].move(up - 0.9, up, np.array([0.0, 0.0, -1.0]))
                arms.curl[s].move(up - 0.9, up, 0.1)
                arms.rest(s, down, down + 1.0)
                if steps:
                    for track in (arms.offset_track[s], arms.finger[s], arms.palm[s]):
                        track.value = np.einsum("tij,tj->ti", turned, track.value)

        for s in "LR":
            plan.lift[s].move(up - 0.9, up, np.radians(4))
            plan.lift[s].move(down, down + 0.8, 0.0)
        self._later(t, end, run)
        return end

    def do_signal(self, t: float, right: str = "wide", left: str = "wide", hold_s: float = 2.0) -> float:
        """Hold each empty hand up, wide (half up), out to the side, or down."""
        if self.has_ball:
            raise ValueError("signal: the player has the ball; let the clip start without it, or put a shot before")
        plan = self.plan
        t = self._to_stance(t, plan.stance(0.30, 0.05, 0.0))
        up, down = t + 0.9, t + 0.9 + hold_s
        reach = plan.poser.upper_arm_m + plan.poser.forearm_m
        ways = {"up": (0.04, 0.98), "wide": (0.55, 0.80), "out": (0.98, 0.04)}
        wanted = {"R": right, "L": left}
        if unknown := set(wanted.values()) - {*ways, "down"}:
            raise ValueError(f"signal: arms must be {', '.join(ways)} or down, not {', '.join(sorted(unknown))}")

        def run(arms: Arms) -> None:
            for s, k in (("R", 1.0), ("L", -1.0)):
                if wanted[s] == "down":
                    continue
                side, high = ways[wanted[s]]
                direction = unit(np.array([side * k, 0.03, high]))
                arms.offset_via(s, t, up, 0.98 * reach * direction)
                arms.swivel[s].move(t, up, 0.4)
                arms.finger[s].move(t, up, direction)
                arms.palm[s].move(t + 0.05, up, unit(np.array([0.0, 1.0, 0.0]) - direction[1] * direction))
                arms.curl[s].move(t, up, 0.1)
                arms.rest(s, down, down + 0.9)

        for s in "LR":
            if wanted[s] in ("up", "wide"):
                plan.lift[s].move(t + 0.2, up, np.radians(14))
                plan.lift[s].move(down, down + 0.8, 0.0)
        self._later(t, down + 0.95, run)
        return down + 0.95

    def do_chest_pass(self, t: float, speed_mps: float = 6.5) -> float:
        """Pass the ball away toward the hoop."""
        t, plan = self._with_ball(t), self.plan
        wind, off = round((t + 0.45) * RATE_HZ) / RATE_HZ, round((t + 0.64) * RATE_HZ) / RATE_HZ

        def run(arms: Arms) -> None:
            chest = np.array([0.0, 0.24, 0.42]) * plan.scale
            far = np.array([0.0, 0.60, 0.46]) * plan.scale
            arms.pocket.move(t, wind, chest)
            d = off - wind
            arms.pocket.put(
                wind,
                off,
                lambda u: np.stack(
                    [quintic(u, d, (chest[k], 0, 0), (far[k], (0, speed_mps, 1.0)[k], 0)) for k in range(3)], 1
                ),
            )
            arms.hold_ball(t, t + 0.02)
            k0, k = arms.index(t), arms.index(off)
            arms.ball[k0:] = (arms.mid_hip + arms.pocket.value)[k0:]
            for s in "LR":
                arms.set_grip(s, t, wind, "chest")
                arms.swivel[s].move(t, wind, 0.6)
                arms.on_ball(s, t, t + 0.02, off)
            arms.ball[k:] = flight(
                arms.ball[k], np.array([0, speed_mps, 1.0]), len(plan.t_s) - k, plan.ring, plan.court
            ).position
            for s in "LR":
                arms.rest(s, off + 0.25, off + 0.85)

        plan.lean(wind, off, np.radians(10))
        plan.lean(off + 0.2, off + 0.8, np.radians(3))
        self._later(t, off + 0.95, run)
        self.has_ball = False
        return off + 0.95

    def do_walk(self, t: float, forward_m: float = 0.6, side_m: float = 0.0, steps: int = 2) -> float:
        """Walk to a new spot with the ball held (or with the arms down), facing the hoop."""
        plan = self.plan
        t0 = t
        for _ in range(max(1, steps // 2)):
            plan.spot = plan.spot + np.array([side_m, forward_m]) / max(1, steps // 2)
            t = plan.restep(t, plan.stance(0.30, 0.05, 0.0))
        if self.has_ball:
            self._later(t0, t, lambda arms: arms.hold_ball(t0, t))
        return t
