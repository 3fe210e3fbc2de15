"""What the posed body really does: measurements of every shot, from joints and ball alone (never from the request)."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter
from scipy.sparse import csr_matrix
from scipy.spatial.distance import pdist

from .ball import BALL_RADIUS_M, GRAVITY_MPS2, RING_HEIGHT_M
from .body import Body, skin
from .pose import unit
from .session import Motion
from .tracks import RATE_HZ

PAUSE_MPS = 0.3
"""The ball pauses when it is slower."""
TWO_MOTION_S = 0.20
PEAK_S = 0.05
RING = np.array([0.0, 0.0, RING_HEIGHT_M])
JOINT_BONES = {
    "shoulder": "upperarm01",
    "elbow": "lowerarm01",
    "wrist": "wrist",
    "hip": "upperleg01",
    "knee": "lowerleg01",
    "ankle": "foot",
    "thumb_mcp": "finger1-2",
    "index_mcp": "finger2-1",
    "pinky_mcp": "finger5-1",
    "index_tip": "finger2-3",
}


def joints(motion: Motion) -> dict[str, np.ndarray]:
    """Named joint centres of the shooter, each (N, 3) m."""
    return body_joints(motion.body, motion.rotation, motion.heads)


def body_joints(body: Body, rotation: np.ndarray, heads: np.ndarray) -> dict[str, np.ndarray]:
    """Named joint centres, each (N, 3) m, of a posed body: rotation (N, B, 3, 3), heads (N, B, 3)."""
    out = {}
    for side, name in (("L", "left"), ("R", "right")):
        for joint, bone in JOINT_BONES.items():
            out[f"{name}_{joint}"] = heads[:, body.i(f"{bone}.{side}")]
        out[f"{name}_eye"] = heads[:, body.i(f"eye.{side}")]
        out[f"{name}_heel"] = _surface_point(body, rotation, heads, f"{name}_heel", f"foot.{side}")
    out["nose"] = _surface_point(body, rotation, heads, "nose", "head")
    return out


def _surface_point(body: Body, rotation: np.ndarray, heads: np.ndarray, keypoint: str, bone: str) -> np.ndarray:
    """A skin keypoint (N, 3) that rides rigidly on one bone."""
    rest = body.keypoint_weights[body.keypoint_names.index(keypoint)] @ body.vertices
    i = body.i(bone)
    return heads[:, i] + rotation[:, i] @ (rest - body.rest[i])


def angle_deg(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Internal angle at b, degrees."""
    return np.degrees(np.arccos(np.clip((unit(a - b) * unit(c - b)).sum(-1), -1, 1)))


def measure(motion: Motion) -> list[dict]:
    """One dict of measurements and event times per shot."""
    j = joints(motion)
    return [_measure_shot(motion, j, s) for s in motion.shots]


def _lean_deg(j: dict[str, np.ndarray], along: np.ndarray) -> np.ndarray:
    d = (j["left_shoulder"] + j["right_shoulder"] - j["left_hip"] - j["right_hip"]) / 2
    return np.degrees(np.arctan2(d[:, :2] @ along, d[:, 2]))


def _heading_deg(v: np.ndarray, along: np.ndarray) -> np.ndarray:
    """Angle of horizontal v (N, 3) to the direction `along`, left +."""
    return np.degrees(np.arctan2(along[0] * v[:, 1] - along[1] * v[:, 0], v[:, :2] @ along))


def _across(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Forward direction (N, 3) square to a left-right line."""
    d = right - left
    return np.stack([-d[:, 1], d[:, 0], 0 * d[:, 0]], 1)


def _measure_shot(motion: Motion, j: dict[str, np.ndarray], shot: dict) -> dict:
    tm, me = shot["times"], motion.hand
    ball, kr = motion.ball, shot["k"]
    begin, end = round(tm.begin * RATE_HZ), min(round(tm.end * RATE_HZ), len(ball) - 1)
    sec = lambda k: None if k is None else round(float(k) / RATE_HZ, 4)  # noqa: E731
    hand = lambda p: j[f"{me}_{p}"]  # noqa: E731
    mid_hip = (j["left_hip"] + j["right_hip"]) / 2
    eyes = (j["left_eye"] + j["right_eye"]) / 2
    elbow = angle_deg(hand("shoulder"), hand("elbow"), hand("wrist"))
    knee = angle_deg(hand("hip"), hand("knee"), hand("ankle"))
    hip = angle_deg(hand("shoulder"), hand("hip"), hand("knee"))
    both_on = motion.planted["L"] & motion.planted["R"]
    down = k_first(both_on, int(np.flatnonzero(both_on[:kr])[-1]))  # the stance from which the shot is taken
    base = max(begin, down)
    kd = max(begin, down - round(0.25 * RATE_HZ))
    kd += int(np.argmin(ball[kd:kr, 2]))
    ks = kd + int(np.argmin(np.round(elbow[kd:kr], 3)))
    near = elbow <= elbow[ks] + 5.0
    k0, k1 = ks, ks
    while k0 > kd and near[k0 - 1]:
        k0 -= 1
    while k1 < kr and near[k1 + 1]:
        k1 += 1
    frozen = elbow <= elbow[ks] + 0.05
    kg = base + int(np.argmin(knee[base:kr]))
    ka = kg + int(np.argmax(mid_hip[kg:end, 2]))
    both_off = ~(motion.planted["L"] | motion.planted["R"])
    off = np.flatnonzero(both_off[kg:end])
    takeoff = kg + int(off[0]) if len(off) else None
    landing = kg + int(off[-1]) + 1 if len(off) else None
    below = np.flatnonzero(hand("wrist")[kr:, 2] < eyes[kr:, 2])
    along = unit(RING[:2] - mid_hip[kg, :2])
    right = np.array([along[1], -along[0]])
    plane = unit(RING[:2] - hand("shoulder")[ks, :2])
    beside = lambda point: float((point - hand("shoulder"))[ks, :2] @ np.array([plane[1], -plane[0]]))  # noqa: E731
    kl = landing if landing is not None else min(kr + round(0.17 * RATE_HZ), end)
    k2 = min(kr + round(0.2 * RATE_HZ), end)
    shoulders = np.unwrap(np.radians(_heading_deg(_across(j["left_shoulder"], j["right_shoulder"]), along)))
    feet = _toes(motion) - (j["left_heel"] + j["right_heel"]) / 2
    heels = j["right_heel"][kg] - j["left_heel"][kg]
    toes = {side: _toe(motion, side) for side in ("left", "right")}
    foot = (toes[me] - hand("heel"))[kg, :2]
    beside_foot = np.array([foot[1], -foot[0]]) / np.linalg.norm(foot)
    middle = lambda part: (j[f"left_{part}"] + j[f"right_{part}"]) / 2  # noqa: E731
    ahead = lambda one, other, k: float((one - other)[k, :2] @ along)  # noqa: E731
    nose = j["nose"] - mid_hip
    speed = float(np.linalg.norm(shot["velocity"]))
    v = shot["velocity"]
    fall = v[2] ** 2 + 2 * GRAVITY_MPS2 * (ball[kr, 2] - RING_HEIGHT_M)
    drift = mid_hip[kl, :2] - mid_hip[kg, :2]
    before = mid_hip[max(0, begin - round(0.3 * RATE_HZ)) : kg, 2]
    stand = float(median_filter(before, round(0.3 * RATE_HZ), mode="nearest").max())
    pause_s = _longest_run(_speed(ball)[(kd + ks) // 2 : kr] < PAUSE_MPS) / RATE_HZ
    guide = "left" if me == "right" else "right"
    gk = round(0.1 * RATE_HZ)
    tip = np.linalg.norm(ball - (hand("index_tip")), axis=1)
    return {
        "events_s": {
            "t_begin": sec(begin),
            "t_dip": sec(kd),
            "t_gather": sec(kg),
            "t_set": sec(ks),
            "t_set_start": sec(k_first(frozen, ks)),
            "t_set_end": sec(k_last(frozen, ks)),
            "t_hold_start": sec(k0),
            "t_hold_end": sec(k1),
            "t_takeoff": sec(takeoff),
            "t_release": sec(kr),
            "t_apex": sec(ka),
            "t_landing": sec(landing),
            "t_wrist_below_eyes": sec(kr + int(below[0]) if len(below) else None),
            "t_ball_first_touch": sec(kr + shot["path"].touch),
            "t_end": sec(end),
        },
        "measurements": {
            "elbow_at_set_deg": float(elbow[ks]),
            "elbow_at_release_deg": float(elbow[kr]),
            "elbow_max_deg": float(elbow[kr : kr + round(0.3 * RATE_HZ)].max()),
            "upper_arm_at_set_deg": float(angle_deg(hand("hip"), hand("shoulder"), hand("elbow"))[ks]),
            "knee_min_deg": float(knee[base:kr].min()),
            "hip_min_deg": float(hip[base:kr].min()),
            "trunk_lean_at_set_deg": float(_lean_deg(j, along)[ks]),
            "trunk_lean_at_release_deg": float(_lean_deg(j, along)[kr]),
            "set_point_above_eyes_m": float((ball - eyes)[ks, 2]),
            "elbow_above_eyes_m": float((hand("elbow") - eyes)[ks, 2]),
            "ball_beside_eyes_at_set_m": float((ball - eyes)[ks, :2] @ right),
            "hold_s": (k1 - k0) / RATE_HZ,
            "set_to_release_s": (kr - ks) / RATE_HZ,
            "release_before_apex_s": (ka - kr) / RATE_HZ,
            "arm_offset_at_set_m": beside(hand("elbow")),
            "wrist_offset_at_set_m": beside(hand("wrist")),
            "ball_offset_at_set_m": beside(ball),
            "wrist_from_ball_m": beside(hand("wrist")) - beside(ball),
            "release_height_m": float(ball[kr, 2]),
            "release_speed_mps": speed,
            "release_angle_deg": float(np.degrees(np.arctan2(v[2], np.hypot(v[0], v[1])))),
            "entry_angle_deg": float(np.degrees(np.arctan2(np.sqrt(fall), np.hypot(v[0], v[1])))) if fall > 0 else None,
            "follow_through_s": int(below[0]) / RATE_HZ if len(below) else None,
            "shoulder_turn_deg": float(np.degrees(shoulders[k2] - shoulders[kg])),
            "feet_heading_deg": float(_heading_deg(feet, along)[kg]),
            "hips_heading_deg": float(_heading_deg(_across(j["left_hip"], j["right_hip"]), along)[kg]),
            "shoulders_heading_deg": float(np.degrees(shoulders[kg])),
            "stance_width_m": float(abs(heels[:2] @ right)),
            "foot_stagger_m": float(heels[:2] @ along) * (1 if me == "right" else -1),
            "knee_over_foot_m": float((hand("knee") - hand("ankle"))[kg, :2] @ beside_foot),
            "shoulders_over_toes_m": ahead(middle("shoulder"), (toes["left"] + toes["right"]) / 2, kg),
            "hips_over_feet_m": ahead(mid_hip, middle("ankle"), kr),
            "shoulders_over_feet_m": ahead(middle("shoulder"), middle("ankle"), kr),
            "drift_forward_m": float(drift @ along),
            "drift_side_m": float(drift @ right),
            "head_travel_m": float(pdist(nose[kd : kr + 1]).max()),
            "dip_m": float(ball[begin, 2] - ball[kd, 2]),
            "jump_height_m": float(mid_hip[kg:end, 2].max() - stand),
            "guide_hand_across_m": float((j[f"{guide}_wrist"][kr + gk] - j[f"{guide}_wrist"][kr - gk])[:2] @ right)
            * (1 if me == "right" else -1),
            **_fingers(motion, ks, kr),
        },
        "ball_pause_s": pause_s,
        "motion": "two_motion" if pause_s >= TWO_MOTION_S else "one_motion",
        "release_phase": "peak" if abs(ka - kr) <= PEAK_S * RATE_HZ else "rising" if kr < ka else "falling",
        "result": "made" if shot["path"].made else "missed",
        "release": {
            "point_m": ball[kr].tolist(),
            "velocity_mps": v.tolist(),
            "gravity_mps2": GRAVITY_MPS2,
            "target_m": shot["target"].tolist(),
            "ball_to_wrist_m": float(np.linalg.norm(ball[kr] - hand("wrist")[kr])),
            "ball_to_index_tip_m": float(tip[kr]),
        },
        "requested": shot["requested"],
        "scripted_times_s": {k: (None if x is None else round(float(x), 4)) for k, x in vars(tm).items()},
    }


ON_BALL_M = 0.008
"""Skin nearer to the ball than this touches it."""


def _fingers(motion: Motion, ks: int, kr: int) -> dict[str, float | None]:
    """What a close view may see of the hands, between the set point and just after release."""
    body, heads = motion.body, motion.heads
    me, other = ("R", "L") if motion.hand == "right" else ("L", "R")

    def along(finger: int) -> np.ndarray:
        return unit(heads[ks, body.i(f"finger{finger}-3.{other}")] - heads[ks, body.i(f"finger{finger}-1.{other}")])

    def to_ball(side: str, bones: tuple[str, ...], k: int) -> float:
        """Distance of the nearest skin of these bones to the ball's surface."""
        rows = np.flatnonzero(np.isin(body.weights.argmax(1), [body.i(f"{n}.{side}") for n in bones]))
        points = skin(body, csr_matrix(body.weights[rows]), body.vertices[rows], motion.rotation[k], heads[k])
        return float(np.linalg.norm(points - motion.ball[k], axis=1).min()) - BALL_RADIUS_M

    thumb = tuple(f"finger1-{n}" for n in (1, 2, 3))
    fingers = tuple(f"finger{f}-{n}" for f in (2, 3, 4, 5) for n in (1, 2, 3))
    palm = tuple(f"metacarpal{n}" for n in (1, 2, 3, 4))

    def off_s(bones: tuple[str, ...]) -> float | None:
        """How long before release they last touched the ball."""
        for k in range(kr + round(0.2 * RATE_HZ), ks, -1):
            if to_ball(other, bones, k) < ON_BALL_M:
                return (kr - k) / RATE_HZ
        return None

    after = np.arange(kr, min(kr + round(0.3 * RATE_HZ), len(heads) - 1) + 1)
    return {
        "wrist_flexion_deg": float(_wrist_flexion_deg(body, heads[after], me).max()),
        "guide_finger_spread_deg": float(np.degrees(np.arccos(np.clip(along(2) @ along(5), -1, 1)))),
        "guide_thumb_off_s": off_s(thumb),
        "guide_hand_off_s": off_s((*thumb, *fingers, *palm)),
        "palm_gap_m": to_ball(me, palm, ks),
    }


def _wrist_flexion_deg(body: Body, heads: np.ndarray, side: str) -> np.ndarray:
    """Bend (N,) of a hand from its forearm toward the palm, 0 when straight, from bone heads (N, B, 3)."""
    index, middle, little, wrist, elbow = (
        heads[:, body.i(f"{bone}.{side}")] for bone in ("finger2-1", "finger3-1", "finger5-1", "wrist", "lowerarm01")
    )
    fore, along = unit(wrist - elbow), unit(middle - wrist)
    palm = unit(np.cross(index - little, along)) * (1 if side == "R" else -1)
    return np.degrees(np.arctan2(-(fore * palm).sum(-1), (fore * along).sum(-1)))


def _speed(p: np.ndarray) -> np.ndarray:
    """Speed (N,) m/s of a path (N, 3) m."""
    return np.linalg.norm(np.gradient(p, axis=0), axis=1) * RATE_HZ


def _longest_run(mask: np.ndarray) -> int:
    """Length of the longest run of True."""
    edges = np.diff(np.concatenate([[0], mask.astype(int), [0]]))
    return int(max(np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1), default=0))


def k_first(mask: np.ndarray, k: int) -> int:
    """First sample of the run of True that holds k."""
    while k > 0 and mask[k - 1]:
        k -= 1
    return k


def k_last(mask: np.ndarray, k: int) -> int:
    """Last sample of the run of True that holds k."""
    while k + 1 < len(mask) and mask[k + 1]:
        k += 1
    return k


def _toe(motion: Motion, side: str) -> np.ndarray:
    """Tip of a big toe (N, 3)."""
    bone = f"toe1-1.{side[0].upper()}"
    return _surface_point(motion.body, motion.rotation, motion.heads, f"{side}_big_toe", bone)


def _toes(motion: Motion) -> np.ndarray:
    """Middle of the two big-toe bases (N, 3)."""
    return (motion.heads[:, motion.body.i("toe1-1.L")] + motion.heads[:, motion.body.i("toe1-1.R")]) / 2


def foot_contacts(motion: Motion) -> list[dict]:
    """Every interval in which a foot stands on the floor."""
    out = []
    for side, name in (("L", "left"), ("R", "right")):
        p = np.concatenate([[False], motion.planted[side], [False]]).astype(int)
        for a, b in zip(np.flatnonzero(np.diff(p) == 1), np.flatnonzero(np.diff(p) == -1), strict=True):
            out.append({"foot": name, "on_s": round(a / RATE_HZ, 4), "off_s": round(b / RATE_HZ, 4)})
    return sorted(out, key=lambda c: c["on_s"])
