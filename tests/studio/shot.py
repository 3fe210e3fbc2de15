"""The parametric shot: form in, body and ball targets out.

Everything here is planned for a right-hander facing the hoop in the shot frame (x right, y to the hoop, z up, origin on
the floor in the middle of the stance); session.py mirrors it for a left-hander and places it on the court. Sideways
values are therefore positive toward the SHOOTING side, turns positive toward the GUIDE side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from .ball import GRAVITY_MPS2, flight, launch
from .plan import GRIP, Arms, Plan, Stage, contact_ball, grip_wrist, hand_axes
from .pose import Poser, two_bone, unit
from .tracks import RATE_HZ, Track, quintic, settle, smooth

FOOTWORK = ("set", "hop", "one_two", "step_back")


@dataclass(frozen=True)
class Shot:
    """One shot's requested form. What the posed body really does is measured by truth.py and can differ slightly."""

    footwork: str = "set"  # set | hop | one_two | step_back
    first_foot: str = "guide"  # which foot lands first in one_two and step_back: guide (usual) | shooting
    step_gap_s: float = 0.16  # between the two feet's landings in one_two and step_back
    step_m: float = 0.65  # travel of the hop, the one-two or the step back
    stance_width_m: float = 0.34  # between the heels, across the direction to the hoop
    foot_stagger_m: float = 0.08  # shooting foot ahead
    feet_heading_deg: float = 8.0  # toes turned to the guide side
    toe_out_deg: float = 0.0  # each foot opened from side by side
    knee_min_deg: float = 118.0
    hip_min_deg: float = 132.0
    dip_m: float = 0.14  # fall of the ball from the pocket to its lowest point
    elbow_at_set_deg: float = 78.0
    set_above_eyes_m: float | None = 0.20  # ball centre; None: from upper_arm_at_set_deg
    upper_arm_at_set_deg: float | None = None  # hip-shoulder-elbow
    elbow_offset_at_set_m: float = 0.0  # outward from the vertical plane through shooting shoulder and ring
    ball_lateral_at_set_m: float = 0.07  # from the middle of the eyes toward the shooting side
    hold_s: float = 0.0  # ball and elbow frozen at the set point
    jump_height_m: float = 0.0  # mid-hip above standing; below 0.08 the feet stay down and the heels rise
    release_before_apex_s: float = 0.04
    push_s: float = 0.19  # from the end of the hold to release
    elbow_at_release_deg: float = 142.0
    elbow_straight_deg: float = 171.5  # the most that it opens to after the release
    arm_up_at_release_deg: float = 56.0  # shoulder to wrist, from the horizontal
    shoulder_lead: float = 0.0  # 0: arm and elbow move together in the push; 1: the arm is up before the elbow opens
    trunk_lean_at_release_deg: float = 3.0
    hip_sway_forward_m: float = 0.0
    shoulder_turn_deg: float = 4.0
    landing_forward_m: float = 0.0
    landing_side_m: float = 0.0
    follow_through_s: float = 0.9
    guide_push_m: float = 0.0  # guide hand moves through the ball's line by this much around release
    guide_off_s: float = 0.06  # guide hand begins to leave the ball so long before release
    guide_spread: float = 1.0  # of the guide hand's fingers; 0 side by side
    palm_gap_m: float = 0.0  # more room between the ball and the shooting hand's palm
    hand_forward_deg: float = 72.0  # of the shooting hand from upright, in the follow-through
    head_movement_m: float = 0.0  # extra nod of the head between set and release
    release_angle_deg: float = 52.0
    target_side_m: float = 0.0  # where the path meets the ring's plane, from the ring's centre
    target_long_m: float = 0.0
    ready_s: float = 0.5  # standing with the ball before the shot begins

    def __post_init__(self) -> None:
        """Reject what cannot be planned."""
        if self.footwork not in FOOTWORK:
            raise ValueError(f"footwork must be one of {', '.join(FOOTWORK)}, not {self.footwork!r}")
        if self.first_foot not in ("guide", "shooting"):
            raise ValueError(f"first_foot must be guide or shooting, not {self.first_foot!r}")
        if (self.set_above_eyes_m is None) == (self.upper_arm_at_set_deg is None):
            raise ValueError("give exactly one of set_above_eyes_m and upper_arm_at_set_deg")


@dataclass
class Times:
    """Scripted instants of one shot, seconds of the clip."""

    begin: float
    feet_down: float
    gather: float
    dip: float
    set_start: float
    set_end: float
    release: float
    takeoff: float | None
    apex: float
    landing: float | None
    end: float


NO_JUMP_BELOW_M = 0.08
RAISE_S = 0.36  # dip to set
DIP_S = 0.42  # pocket to dip
DOWN_S = 0.50  # standing to the deepest knee bend


def plan_shot(plan: Plan, t0_s: float, shot: Shot) -> Times:
    """Plan one shot that starts standing with the ball in the pocket; returns its instants."""
    stance = _stance(plan, shot)
    jumps = shot.jump_height_m >= NO_JUMP_BELOW_M
    stand_z = plan.hip_height(stance, plan.over(stance), 0.985)
    knee_z, gather_xy = _gather_height(plan, stance, stand_z, np.radians(shot.knee_min_deg))
    lean = _gather_lean(plan, stance, np.append(gather_xy, knee_z), np.radians(shot.hip_min_deg))
    rise_m = min(0.045 * plan.scale + 0.0, 0.5 * shot.jump_height_m) if jumps else 0.0
    up_mps = np.sqrt(2 * GRAVITY_MPS2 * max(shot.jump_height_m - rise_m, 0.0)) if jumps else 0.0
    extend_s = float(np.clip(1.7 * (stand_z + rise_m - knee_z) / up_mps, 0.16, 0.42)) if jumps else 0.42
    apex = extend_s + (up_mps / GRAVITY_MPS2 if jumps else 0.0)  # from the gather on
    release = apex - shot.release_before_apex_s
    set_end = release - shot.push_s
    dip = set_end - shot.hold_s - RAISE_S
    walk_s = {"set": 0.0, "hop": 0.75, "one_two": 0.75 + shot.step_gap_s, "step_back": 0.75 + shot.step_gap_s}[
        shot.footwork
    ]
    down_s = DOWN_S if shot.footwork == "set" else 0.34
    early = min(-down_s, dip - DIP_S + (0.0 if shot.footwork == "set" else 0.12))
    feet_down = t0_s + shot.ready_s + walk_s
    gather = round((feet_down - early) * RATE_HZ) / RATE_HZ
    landing = gather + extend_s + 2 * up_mps / GRAVITY_MPS2 if jumps else None
    tm = Times(
        t0_s,
        feet_down,
        gather,
        gather + dip,
        gather + set_end - shot.hold_s,
        gather + set_end,
        gather + release,
        gather + extend_s if jumps else None,
        gather + apex,
        landing,
        0.0,
    )
    tm.end = max(tm.release + shot.follow_through_s + 0.6, (landing or 0.0) + 0.9, tm.release + 1.2)

    _plan_feet(plan, tm, shot, stance)
    _plan_trunk(plan, tm, shot, stance, stand_z, rise_m, up_mps, np.append(gather_xy, knee_z), lean)
    plan.stages.append(Stage(tm.begin, tm.end, lambda arms: _plan_arms(plan, arms, tm, shot)))
    return tm


# ---------------------------------------------------------------------------------------------------------- legs, trunk
def _gather_height(plan: Plan, stance: dict, stand_z: float, knee_rad: float) -> tuple[float, np.ndarray]:
    """Mid-hip height and place at which the shooting-side knee has the wanted angle; the hips go back as they sink."""
    over = plan.over(stance)

    def place(z: float) -> np.ndarray:
        return over + np.array([0.0, -0.32 * (stand_z - z)])

    low, high = 0.45 * stand_z, stand_z
    for _ in range(30):
        z = (low + high) / 2
        low, high = (low, z) if plan.knee_angle(stance, np.append(place(z), z)) > knee_rad else (z, high)
    return z, place(z)


def _gather_lean(plan: Plan, stance: dict, mid_hip: np.ndarray, hip_rad: float) -> float:
    """Thorax pitch (rad) at which the shooting-side hip has the wanted angle."""
    low, high = np.radians(-10), np.radians(70)
    for _ in range(30):
        p = (low + high) / 2
        low, high = (p, high) if plan.hip_angle(stance, mid_hip, p) > hip_rad else (low, p)
    return p


def _plan_feet(plan: Plan, tm: Times, shot: Shot, stance: dict) -> None:
    """Footwork into the stance, then the jump with its drift and turn."""
    first, second = ("L", "R") if shot.first_foot == "guide" else ("R", "L")
    last = tm.feet_down
    if shot.footwork == "hop":
        for s in "LR":
            plan.step(s, last - 0.26, last, stance[s], 0.05)
        plan.hop(last - 0.26, last)
    elif shot.footwork == "one_two":
        plan.step(first, last - shot.step_gap_s - 0.36, last - shot.step_gap_s, stance[first], 0.07)
        plan.step(second, last - 0.36, last, stance[second], 0.07)
        plan.glide(last - shot.step_gap_s - 0.40, last + 0.10, plan.over(stance))
        if shot.step_gap_s < 0.30:
            plan.hop(last - 0.36, last - shot.step_gap_s)
    elif shot.footwork == "step_back":
        on = last - shot.step_gap_s
        plan.step(first, on - 0.36, on, stance[first], 0.09)
        plan.step(second, on - 0.22, last, stance[second], 0.10)
        plan.hop(on - 0.22, on)
    if shot.footwork in ("hop", "step_back"):
        plan.glide(last - (0.34 if shot.footwork == "hop" else shot.step_gap_s + 0.42), last + 0.08, plan.over(stance))
    if tm.takeoff is not None and tm.landing is not None:
        drift = np.array([shot.landing_side_m, shot.landing_forward_m])
        plan.jump(tm.takeoff, tm.landing, stance, drift, 0.6 * np.radians(shot.shoulder_turn_deg))


def _stance(plan: Plan, shot: Shot, shift: tuple[float, float] = (0.0, 0.0)) -> dict:
    """Where the feet stand for a shot."""
    heading, toe_out = np.radians(shot.feet_heading_deg), np.radians(shot.toe_out_deg)
    return plan.stance(shot.stance_width_m, shot.foot_stagger_m, heading, shift, toe_out)


def start_stance(plan: Plan, shot: Shot) -> dict:
    """Where the feet are before the footwork."""
    shift = {"set": 0.0, "hop": -0.6 * shot.step_m, "one_two": -shot.step_m, "step_back": shot.step_m}[shot.footwork]
    return _stance(plan, shot, (0.0, shift))


def _plan_trunk(
    plan: Plan,
    tm: Times,
    shot: Shot,
    stance: dict,
    stand_z: float,
    rise_m: float,
    up_mps: float,
    gather: np.ndarray,
    lean: float,
) -> None:
    """Mid-hip path, trunk lean, turns, shoulder girdle and head."""
    z, x, y = plan.hip_z, plan.hip_x, plan.hip_y
    over = plan.over(stance)
    start, z0, rate = tm.feet_down, float(z.at(tm.feet_down)[0]), 0.0
    if shot.footwork == "set":
        start = max(tm.gather - DOWN_S, tm.begin)
    elif plan.touchdown is not None and tm.feet_down - plan.touchdown[0] < 0.4:
        start, z0, rate = plan.touchdown
    sink_s = tm.gather - start
    if rate < 0:
        z.put(start, tm.gather, lambda t: settle(t, sink_s, z0, rate, gather[2]))
    else:
        z.put(start, tm.gather, lambda t: quintic(t, sink_s, (z0, 0, 0), (gather[2], 0, 0)))
    y.move(start, tm.gather, gather[1])
    x.move(start, tm.gather, gather[0])
    sway_y = over[1] + 0.02 + shot.hip_sway_forward_m
    if tm.takeoff is not None and tm.landing is not None:
        push_s = tm.takeoff - tm.gather
        drift = np.array([shot.landing_side_m, shot.landing_forward_m])
        _drift(x, tm, float(gather[0]), float(over[0]), float(drift[0]))
        _drift(y, tm, float(gather[1]), float(sway_y), float(drift[1]))
        top = stand_z + rise_m
        z.put(tm.gather, tm.takeoff, lambda t: quintic(t, push_s, (gather[2], 0, 0), (top, up_mps, -GRAVITY_MPS2)))
        z.put(tm.takeoff, tm.landing, lambda t: top + up_mps * t - GRAVITY_MPS2 / 2 * t * t)
        z.put(
            tm.landing,
            tm.landing + 0.22,
            lambda t: quintic(t, 0.22, (top, -up_mps, 0), (stand_z - 0.11 * plan.scale, 0, 0)),
        )
        z.move(tm.landing + 0.20, tm.landing + 0.85, stand_z)
        x.move(tm.landing + 0.2, tm.landing + 0.85, over[0] + drift[0])
        y.move(tm.landing + 0.2, tm.landing + 0.85, over[1] + drift[1])
    else:
        y.move(tm.gather, tm.apex, sway_y)
        x.move(tm.gather, tm.apex, over[0])
        z.move(tm.gather, tm.apex, stand_z + max(shot.jump_height_m, 0.02))
        z.move(tm.release + 0.45, tm.release + 1.1, stand_z)
        y.move(tm.release + 0.45, tm.release + 1.1, over[1])
    down, up = tm.landing or tm.release + 0.5, tm.takeoff or tm.apex - 0.08
    final = plan.pitch_for_lean(np.radians(shot.trunk_lean_at_release_deg))
    plan.lean(start, tm.gather, lean)
    plan.lean(tm.gather + 0.02, max(up, tm.gather + 0.26), final)
    plan.lean(down - 0.05, down + 0.2, np.radians(9))
    plan.lean(down + 0.2, down + 0.85, np.radians(3))
    turn = np.radians(shot.shoulder_turn_deg)
    body_yaw = np.radians(shot.feet_heading_deg)
    plan.turn(start, tm.gather, 0.8 * body_yaw, 0.7 * body_yaw)
    plan.turn(tm.gather, tm.release + 0.18, 0.8 * body_yaw + 0.7 * turn, 0.7 * body_yaw + turn)
    plan.lift["R"].move(tm.dip, tm.set_start, np.radians(12))
    plan.lift["L"].move(tm.dip, tm.set_start, np.radians(10))
    plan.lift["R"].move(tm.set_end, tm.release, np.radians(20))
    low = _lower_at(tm, shot)
    for s in "LR":
        plan.lift[s].move(low, low + 0.45, 0.0)
    plan.head_pitch.move(start, tm.gather, np.radians(-8))
    plan.head_pitch.bump(
        tm.set_start - 0.05,
        (tm.set_end + tm.release) / 2,
        tm.release + 0.3,
        -shot.head_movement_m / (0.14 * plan.scale),
    )
    plan.head_roll.bump(tm.set_start - 0.05, tm.release, tm.release + 0.4, shot.head_movement_m / (0.3 * plan.scale))
    plan.head_pitch.move(down + 0.5, down + 1.0, np.radians(-4))


# ---------------------------------------------------------------------------------------------------------- arms, ball
@dataclass(frozen=True)
class ArmShape:
    """An arm as numbers: elbow angle, direction shoulder to wrist (elevation, azimuth to the right of +y), swivel."""

    elbow: float
    elevation: float
    azimuth: float
    swivel: float


def _drift(track: Track, tm: Times, start: float, takeoff: float, drift: float) -> None:
    """One horizontal coordinate of the mid-hip through push-off, flight and landing."""
    assert tm.takeoff is not None
    assert tm.landing is not None
    push_s, rate = tm.takeoff - tm.gather, drift / (tm.landing - tm.takeoff)
    track.put(tm.gather, tm.takeoff, lambda t: quintic(t, push_s, (start, 0, 0), (takeoff, rate, 0)))
    track.put(tm.takeoff, tm.landing, lambda t: takeoff + rate * t)
    track.put(
        tm.landing, tm.landing + 0.5, lambda t: settle(t, 0.5, takeoff + drift, rate, takeoff + drift + 0.12 * rate)
    )


def _lower_at(tm: Times, shot: Shot) -> float:
    """When the shooting arm starts down so that the wrist passes the eyes about follow_through_s after release."""
    return max(tm.release + 0.05, tm.release + shot.follow_through_s - _lower_s(shot) * 0.47)


def _lower_s(shot: Shot) -> float:
    return 0.55 if shot.follow_through_s > 0.45 else 0.34


def _shape_of(poser: Poser, offset: np.ndarray, swivel: float) -> ArmShape:
    """Arm shape from the wrist's offset (3,) to the shoulder."""
    a, b = poser.upper_arm_m, poser.forearm_m
    r = np.linalg.norm(offset)
    elbow = np.arccos(np.clip((a * a + b * b - r * r) / (2 * a * b), -1, 1))
    return ArmShape(float(elbow), float(np.arcsin(offset[2] / r)), float(np.arctan2(offset[0], offset[1])), swivel)


def reach(poser: Poser, elbow: np.ndarray) -> np.ndarray:
    """Shoulder-wrist distance (m) at an elbow angle."""
    a, b = poser.upper_arm_m, poser.forearm_m
    return np.sqrt(a * a + b * b - 2 * a * b * np.cos(elbow))


def _offset(poser: Poser, elbow: np.ndarray, elevation: np.ndarray, azimuth: np.ndarray) -> np.ndarray:
    """Wrist offsets (T, 3) from arm numbers (T,)."""
    c = np.cos(elevation)
    return reach(poser, elbow)[:, None] * np.stack([c * np.sin(azimuth), c * np.cos(azimuth), np.sin(elevation)], -1)


def tilted_hand(back: np.ndarray, roll: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Finger and palm directions (T, 3): back = bend of the hand backward from upright, roll about +y, rad."""
    back, roll = np.broadcast_arrays(np.atleast_1d(back), np.atleast_1d(roll))

    def rolled(y: np.ndarray, z: np.ndarray) -> np.ndarray:
        return np.stack([z * np.sin(roll), y, z * np.cos(roll)], -1)

    return rolled(-np.sin(back), np.cos(back)), rolled(np.cos(back), np.sin(back))


SET_BACK, RELEASE_BACK = np.radians(57), np.radians(30)
"""Backward bend of the hand from upright at set and at release."""
SNAP_S = 0.075
"""The wrist snaps forward over this long before release."""
RELEASE_RATE = {"elbow": np.radians(1000), "elevation": np.radians(280), "back": np.radians(-1050)}


def _solve_set(
    plan: Plan, shot: Shot, shoulder: np.ndarray, eye: np.ndarray, hip: np.ndarray, yaw: float, ring: np.ndarray
) -> tuple[ArmShape, float]:
    """Arm shape at the set point and roll of the hand; a request out of reach is noted in plan.notes."""
    poser, scale = plan.poser, plan.scale
    elbow = np.radians(shot.elbow_at_set_deg)
    r = float(reach(poser, np.array(elbow)))

    def shape(height: float, roll: float) -> ArmShape:
        finger, palm = tilted_hand(SET_BACK, roll)
        contact = contact_ball(scale)
        need = (
            eye
            + np.array([shot.ball_lateral_at_set_m, 0, height])
            - (contact[0] * finger[0] + contact[1] * palm[0])
            - shoulder
        )
        side, up = np.clip(need[0], -0.8 * r, 0.8 * r), need[2]
        left = r * r - side * side
        if up * up > 0.92 * left:
            plan.notes.append(
                f"set point {height:+.2f} m from the eyes out of reach at elbow {shot.elbow_at_set_deg:.0f} deg; moved"
            )
            up = np.sign(up) * np.sqrt(0.92 * left)
        offset = np.array([side, np.sqrt(left - up * up), up])
        base = _shape_of(poser, offset, 0.0)
        return ArmShape(base.elbow, base.elevation, base.azimuth, _swivel_for(plan, shot, shoulder, offset, yaw, ring))

    def upper_arm(s: ArmShape) -> float:
        e = _elbow(poser, shoulder, s, yaw) - shoulder
        d = hip - shoulder
        return float(np.degrees(np.arccos(e @ d / np.linalg.norm(e) / np.linalg.norm(d))))

    def solve(height: float) -> tuple[ArmShape, float]:
        roll = 0.0
        for _ in range(4):
            s = shape(height, roll)
            fore = (
                shoulder
                + _offset(poser, *(np.array([v]) for v in (s.elbow, s.elevation, s.azimuth)))[0]
                - _elbow(poser, shoulder, s, yaw)
            )
            roll = 0.5 * float(np.arctan2(fore[0], fore[2]))
        return s, roll

    if shot.set_above_eyes_m is not None:
        return solve(shot.set_above_eyes_m)
    assert shot.upper_arm_at_set_deg is not None
    low, high = -0.35, 0.45
    for _ in range(25):
        h = (low + high) / 2
        low, high = (h, high) if upper_arm(solve(h)[0]) < shot.upper_arm_at_set_deg else (low, h)
    return solve(h)


def _elbow(poser: Poser, shoulder: np.ndarray, s: ArmShape, yaw: float) -> np.ndarray:
    """Elbow (3,) of an arm shape."""
    wrist = shoulder + _offset(poser, *(np.array([v]) for v in (s.elbow, s.elevation, s.azimuth)))
    pole = poser.pole("R", shoulder[None], wrist, np.array([yaw]), np.array([s.swivel]))
    return two_bone(shoulder[None], wrist, poser.upper_arm_m, poser.forearm_m, pole)[0][0]


def _swivel_for(
    plan: Plan, shot: Shot, shoulder: np.ndarray, offset: np.ndarray, yaw: float, ring: np.ndarray
) -> float:
    """Swivel with which the elbow lies elbow_offset_at_set_m outside the vertical plane shoulder-ring."""
    poser = plan.poser
    a, b, r = poser.upper_arm_m, poser.forearm_m, float(np.linalg.norm(offset))
    c = (a * a + r * r - b * b) / (2 * a * r)
    in_plane, outward = poser.pole_axes("R", shoulder[None], (shoulder + offset)[None], np.array([yaw]))
    along = unit((ring - shoulder)[:2])
    normal = np.array([along[1], -along[0], 0.0])  # to the right of the line of the shot
    h = a * np.sqrt(1 - c * c)
    k, p, q = a * c * (unit(offset) @ normal), h * (in_plane[0] @ normal), h * (outward[0] @ normal)
    want = (shot.elbow_offset_at_set_m - k) / np.hypot(p, q)
    if abs(want) > 1:
        plan.notes.append(f"elbow offset {shot.elbow_offset_at_set_m:+.2f} m is out of reach; nearest taken")
    spread = np.arccos(np.clip(want, -1, 1))
    options = [(np.arctan2(q, p) + k2 * spread + np.pi) % (2 * np.pi) - np.pi for k2 in (1, -1)]
    return float(min(options, key=abs))


@dataclass
class Raise:
    """The shooting arm from dip to set and through the release, over the clip's grid (N samples)."""

    offset: np.ndarray  # (N, 3) wrist minus shoulder
    swivel: np.ndarray  # (N,)
    finger: np.ndarray  # (N, 3)
    palm: np.ndarray  # (N, 3)


def _plan_arms(plan: Plan, arms: Arms, tm: Times, shot: Shot) -> None:
    """Both hands and the ball for one shot, given the trunk (arms: plan.Arms)."""
    up = _plan_raise(plan, arms, tm, shot)
    low = _lower_at(tm, shot)
    arms.overwrite("R", tm.dip, tm.end, up.offset, up.swivel, up.finger, up.palm)
    # ball: fixed in the hand, then rolls off the fingers into its free path
    _ball_path(plan, arms, tm, shot, _in_hand(plan, arms, up, _gap(plan, tm, shot)))
    _guide_hand(plan, arms, tm, shot)
    arms.curl["R"].move(tm.dip - 0.3, tm.dip, 0.1)
    arms.curl["R"].move(tm.release, tm.release + 0.2, 0.6)
    arms.rest("R", low, low + _lower_s(shot))
    arms.rest("L", min(low, tm.release + 0.30), min(low, tm.release + 0.30) + 0.5)


def _gap(plan: Plan, tm: Times, shot: Shot) -> np.ndarray:
    """More room (N, 1) between palm and ball, from the set point on."""
    return shot.palm_gap_m * smooth((plan.t_s - tm.dip) / (tm.set_start - tm.dip))[:, None]


def _in_hand(plan: Plan, arms: Arms, up: Raise, gap: np.ndarray | float = 0.0) -> np.ndarray:
    """Ball centre (N, 3) while it lies in the shooting hand."""
    c = contact_ball(plan.scale)
    return arms.shoulder["R"] + up.offset + c[0] * up.finger + (c[1] + gap) * up.palm


def _plan_raise(plan: Plan, arms: Arms, tm: Times, shot: Shot) -> Raise:
    """Bring the ball from the pocket to the dip (written to `arms`) and plan the shooting arm from there on."""
    poser, t = plan.poser, plan.t_s
    shoulder, eye, yaw = arms.shoulder["R"], arms.eye, arms.yaw
    ks, ke, kd = (arms.index(v) for v in (tm.set_start, tm.set_end, tm.dip))
    fall = arms.mid_hip[arms.index(tm.begin), 2] - arms.mid_hip[kd, 2] - shot.dip_m
    low_ball = plan.pocket + np.array([0.02, 0.03, fall])
    open_rad = np.radians(max(98.0, shot.elbow_at_set_deg + 14))
    arms.pocket.move(tm.dip - DIP_S, tm.dip, _open_elbow(plan, arms, kd, low_ball, open_rad))
    arms.hold_ball(tm.begin, tm.dip)
    dip_shape = _shape_of(poser, arms.offset("R")[kd], float(arms.swivel["R"].value[kd, 0]))
    set_shape, roll = _solve_set(plan, shot, shoulder[ke], eye[ke], arms.hip_r[ke], float(yaw[ke]), plan.ring)
    one_motion = shot.hold_s < 0.03
    release_shape = ArmShape(
        np.radians(shot.elbow_at_release_deg),
        np.radians(shot.arm_up_at_release_deg),
        0.45 * set_shape.azimuth,
        0.75 * set_shape.swivel,
    )
    after_shape = ArmShape(
        max(np.radians(shot.elbow_straight_deg), release_shape.elbow),
        np.radians(66),
        0.2 * release_shape.azimuth,
        release_shape.swivel,
    )
    shapes = (dip_shape, set_shape, release_shape, after_shape)
    numbers = {
        n: _channel(
            t,
            tm,
            n,
            tuple(getattr(shape, n) for shape in shapes),
            one_motion,
            shot.shoulder_lead if n == "elevation" else 0.0,
        )
        for n in ("elbow", "elevation", "azimuth", "swivel")
    }
    c = contact_ball(plan.scale)
    steer = smooth((t[kd:ks] - tm.dip) / (tm.set_start - tm.dip))
    for _ in range(4):  # turn the arm so that the ball rises without swinging sideways while the hand comes under it
        offset = _offset(poser, numbers["elbow"], numbers["elevation"], numbers["azimuth"])
        finger, palm = _hand_path(plan, arms, tm, shot, shoulder, offset, numbers["swivel"], roll, kd, ks)
        across = (offset + c[0] * finger + c[1] * palm)[:, 0]
        flat = reach(poser, numbers["elbow"][kd:ks]) * np.cos(numbers["elevation"][kd:ks])
        numbers["azimuth"][kd:ks] += ((1 - steer) * across[kd] + steer * across[ks] - across[kd:ks]) / flat
    return Raise(offset, numbers["swivel"], finger, palm)


def plan_pump_fake(plan: Plan, t0_s: float, shot: Shot) -> float:
    """The shot's own raise to the set point and the same way back, the ball still in the hands; returns its end."""
    stance = _stance(plan, shot)
    over = plan.over(stance)
    stand_z = plan.hip_height(stance, over, 0.985)
    dip = round((t0_s + 0.1 + DIP_S) * RATE_HZ) / RATE_HZ
    at_set = dip + RAISE_S
    leave = at_set + max(shot.hold_s, 0.05)
    down = leave + (leave - dip)
    end = down + 0.5
    release = leave + shot.push_s  # never reached: the way up is the shot's
    tm = Times(t0_s, t0_s, dip, dip, at_set, leave, release, None, release, None, end)
    plan.hip_z.move(t0_s + 0.1, dip, stand_z - 0.12 * plan.scale)
    plan.hip_z.move(dip, at_set, stand_z)
    plan.hip_y.move(t0_s + 0.1, dip, over[1] - 0.04 * plan.scale)
    plan.hip_y.move(dip, at_set, over[1])
    plan.lean(t0_s + 0.1, dip, np.radians(16))
    plan.lean(dip, at_set, np.radians(5))
    for s in "LR":
        plan.lift[s].move(dip, at_set, np.radians(12))
        plan.lift[s].move(leave, down, 0.0)

    def run(arms: Arms) -> None:
        up = _plan_raise(plan, arms, tm, shot)
        kd, top, last = (arms.index(v) for v in (dip, leave, down))
        k = np.arange(len(plan.t_s))
        mirrored = np.where(k <= top, k, np.maximum(2 * top - k, kd))
        back = Raise(up.offset[mirrored], up.swivel[mirrored], up.finger[mirrored], up.palm[mirrored])
        arms.overwrite("R", dip, down, back.offset, back.swivel, back.finger, back.palm)
        arms.ball[kd:] = _in_hand(plan, arms, back)[kd:]
        arms.guide_on_ball(dip, at_set, leave)
        arms.set_grip("L", leave, down, "pocket")
        arms.swivel["L"].move(leave, down, 0.5)
        arms.on_ball("L", dip - 0.01, dip, down)
        arms.pocket.value[last:] = arms.ball[last] - arms.mid_hip[last]
        arms.pocket.move(down, end, plan.pocket)
        arms.hold_ball(down, end)

    plan.stages.append(Stage(t0_s, end, run))
    return end


def _open_elbow(plan: Plan, arms: Arms, k: int, ball: np.ndarray, elbow: float) -> np.ndarray:
    """Push the dip's ball forward until the shooting elbow is this open: the set point must hold the smallest angle."""
    finger, palm = (np.array(v) for v in GRIP["pocket"]["R"])
    axes = hand_axes(palm[None], finger[None])[0]  # palm first, as set_grip does
    wanted = float(reach(plan.poser, np.array(elbow)))
    for _ in range(40):
        wrist = grip_wrist(arms.mid_hip[k] + ball, axes[:, 1], axes[:, 0], plan.scale)
        if np.linalg.norm(wrist - arms.shoulder["R"][k]) >= wanted:
            break
        ball = ball + np.array([0, 0.01, 0])
    return ball


def _channel(
    t: np.ndarray, tm: Times, name: str, values: tuple[float, ...], one_motion: bool, lead: float
) -> np.ndarray:
    """One arm number over the clip's grid: dip, set, hold, release, follow-through.

    `values` are those at dip, set, release and afterwards.

    `lead` brings it forward within the push, 0 to 1: from the trunk outward one joint opens after the other.
    """
    dip, at_set, release, end = values
    push = tm.release - tm.set_end
    rate_in = 0.45 * (release - at_set) / push if one_motion and name == "elevation" else 0.0
    bend = 0.9 * (release - at_set) / push**2 if one_motion and name == "elbow" else 0.0
    rise = quintic(t - tm.dip, tm.set_start - tm.dip, (dip, 0, 0), (at_set, rate_in, bend))
    fastest = {
        "elbow": (RELEASE_RATE["elbow"], 2.3 * (release - at_set) / push),
        "elevation": (RELEASE_RATE["elevation"], 2.0 * max(release - at_set, 0.0) / push),
    }
    rate_out = min(fastest.get(name, (0.0,)))
    part = np.clip((t - tm.set_end) / push, 0.0, 1.0)
    part += lead * part * (1.0 - part) * (2.0 - part)
    rate_out *= 1.0 - lead
    out = quintic(push * part, push, (at_set, rate_in / (1.0 + 2.0 * lead), bend), (release, rate_out, 0))
    rate_out *= 1.0 - lead
    after = settle(t - tm.release, 0.30, release, rate_out, end)
    return np.where(t < tm.set_start, rise, np.where(t < tm.set_end, at_set, np.where(t < tm.release, out, after)))


def _hand_path(
    plan: Plan,
    arms: Arms,
    tm: Times,
    shot: Shot,
    shoulder: np.ndarray,
    offset: np.ndarray,
    swivel: np.ndarray,
    roll: float,
    kd: int,
    ks: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Finger and palm directions (N, 3): turning with the forearm up to the set point, then bending forward."""
    t = plan.t_s
    push = tm.release - tm.set_end
    snap = min(SNAP_S, push)
    back = np.where(
        t < tm.release,
        quintic(t - tm.release + snap, snap, (SET_BACK, 0, 0), (RELEASE_BACK, RELEASE_RATE["back"], 0)),
        settle(t - tm.release, 0.22, RELEASE_BACK, RELEASE_RATE["back"], -np.radians(shot.hand_forward_deg)),
    )
    rolls = roll * (1 - 0.7 * smooth((t - tm.set_end) / push))
    finger, palm = tilted_hand(back, rolls)
    fore = arms.forearm("R", shoulder, offset, swivel)
    hand_d = hand_axes(arms.finger["R"].value[kd], arms.palm["R"].value[kd])
    hand_s = hand_axes(finger[ks], palm[ks])
    rel_d, rel_s = fore[kd].T @ hand_d, fore[ks].T @ hand_s
    v = Rotation.from_matrix(rel_d.T @ rel_s).as_rotvec()
    w = smooth((t[kd:ks] - tm.dip) / (tm.set_start - tm.dip))
    hand = fore[kd:ks] @ rel_d @ Rotation.from_rotvec(w[:, None] * v).as_matrix()
    finger[kd:ks], palm[kd:ks] = hand[:, :, 0], hand[:, :, 1]
    return finger, palm


ROLL_S = 0.075
"""The ball rolls from palm to fingertips over this long before release, which also brings it to its release speed."""
ROLL_POWER = 4.0


def _ball_path(plan: Plan, arms: Arms, tm: Times, shot: Shot, in_hand: np.ndarray) -> None:
    """Ball in the hand, rolled onto the fingers, then drag-free through the target; later bounces by simulation."""
    t, kd, kr = plan.t_s, arms.index(tm.dip), arms.index(tm.release)
    target = plan.ring + np.array([shot.target_side_m, shot.target_long_m, 0.0])
    hand_v = (in_hand[kr + 1] - in_hand[kr - 1]) * 120.0
    shift = np.zeros(3)
    for _ in range(12):
        v = launch(in_hand[kr] + shift, target, np.radians(shot.release_angle_deg))
        shift = (v - hand_v) * ROLL_S / ROLL_POWER
    s = np.clip((t - (t[kr] - ROLL_S)) / ROLL_S, 0, 1)
    ball = in_hand + (v - hand_v) * ROLL_S / ROLL_POWER * (s**ROLL_POWER)[:, None]
    path = flight(ball[kr], v, len(t) - kr, plan.ring, plan.court)
    arms.ball[kd:kr] = ball[kd:kr]
    arms.ball[kr:] = path.position
    roll_m = float(np.linalg.norm(v - hand_v) * ROLL_S / ROLL_POWER)
    arms.shots.append({"k": kr, "velocity": v, "path": path, "target": target, "roll_m": roll_m})


def _guide_hand(plan: Plan, arms: Arms, tm: Times, shot: Shot) -> None:
    """Guide hand on the ball's side until just before release, then still, or through the ball's line."""
    off = tm.release - shot.guide_off_s
    arms.spread["L"].move(tm.dip - 0.2, tm.dip, shot.guide_spread)
    arms.guide_on_ball(tm.dip, tm.set_start, off)
    k = arms.index(off)
    held = arms.offset_track["L"].value[k].copy()
    arms.offset_track["L"].value[k:] = held
    rise = np.array([shot.guide_push_m - 0.015, 0.02 + 0.8 * shot.guide_push_m, 0.05])
    arms.offset_track["L"].move(off - 0.02, tm.release + 0.16, held + rise)
    if shot.guide_push_m > 0.01:
        arms.palm["L"].move(off - 0.04, tm.release + 0.12, unit(np.array([0.45, 0.85, 0.0])))
        arms.finger["L"].move(off - 0.04, tm.release + 0.12, unit(np.array([0.25, 0.1, 0.95])))
    arms.curl["L"].move(off, tm.release + 0.2, 0.45)
