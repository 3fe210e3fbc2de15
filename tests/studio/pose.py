"""From task-space targets to bone rotations: trunk, two-bone arms and legs, hands; vectorised over time T.

All coordinates are in the shot frame: x to the shooter's right, y toward the hoop, z up, metres, radians.
A rotation maps rest directions (body.py) to posed ones. `side` is "L" or "R".
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from .body import Body

SPINE_SHARE = {"spine05": 0.15, "spine04": 0.25, "spine03": 0.2, "spine02": 0.25, "spine01": 0.15}
NECK_SHARE = {"neck01": 0.25, "neck02": 0.15, "neck03": 0.2, "head": 0.4}
MAX_REACH = 0.9985
"""An arm or leg never straightens beyond this fraction of its length."""


@dataclass
class Trunk:
    """Pelvis, thorax, head and shoulder-girdle targets; angles about the world axes (yaw left +, pitch forward +)."""

    mid_hip: np.ndarray  # (T, 3)
    pelvis_yaw: np.ndarray
    pelvis_pitch: np.ndarray
    thorax_yaw: np.ndarray
    thorax_pitch: np.ndarray
    head_yaw: np.ndarray
    head_pitch: np.ndarray
    head_roll: np.ndarray
    lift: dict[str, np.ndarray]  # shoulder-girdle elevation per side


@dataclass
class Foot:
    """A foot by the pivot under its ball; `heel` is the least heel rise, more is added where the leg needs it."""

    pivot: np.ndarray  # (T, 3)
    yaw: np.ndarray
    heel: np.ndarray
    planted: np.ndarray  # (T,) bool: on the floor


@dataclass
class Arm:
    """Wrist in the world, elbow swivel (outward +), and the hand: `finger` wrist to knuckles, `palm` out of it."""

    wrist: np.ndarray  # (T, 3)
    swivel: np.ndarray
    finger: np.ndarray  # (T, 3)
    palm: np.ndarray  # (T, 3)
    curl: np.ndarray  # (T,) 0 straight, 1 relaxed
    spread: np.ndarray  # (T,) 1 as on the ball, 0 side by side


@dataclass
class Pose:
    """Global bone rotations (T, B, 3, 3) and bone heads (T, B, 3)."""

    rotation: np.ndarray
    heads: np.ndarray
    extra: dict = field(default_factory=dict)


def unit(v: np.ndarray) -> np.ndarray:
    """Normalise along the last axis."""
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-12)


def _axis_rotation(angle: np.ndarray, first: int, second: int) -> np.ndarray:
    """Rotations (T, 3, 3) in the plane of two axes, first toward second."""
    angle = np.atleast_1d(angle)
    out = np.tile(np.eye(3), (len(angle), 1, 1))
    c, s = np.cos(angle), np.sin(angle)
    out[:, first, first] = out[:, second, second] = c
    out[:, second, first], out[:, first, second] = s, -s
    return out


def rot_x(a: np.ndarray) -> np.ndarray:
    """Rotations (T, 3, 3) about x."""
    return _axis_rotation(a, 1, 2)


def rot_y(a: np.ndarray) -> np.ndarray:
    """Rotations (T, 3, 3) about y."""
    return _axis_rotation(a, 2, 0)


def rot_z(a: np.ndarray) -> np.ndarray:
    """Rotations (T, 3, 3) about z."""
    return _axis_rotation(a, 0, 1)


def about(axis: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Rotations (T, 3, 3) about unit `axis` (T, 3) or (3,)."""
    return Rotation.from_rotvec(axis * np.asarray(angle)[..., None]).as_matrix()


def frame(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Orthonormal frames (..., 3, 3) with first column along a and second along b made square to a."""
    a = unit(a)
    b = unit(b - (a * b).sum(-1, keepdims=True) * a)
    return np.stack([a, b, np.cross(a, b)], -1)


def turn(rest_a: np.ndarray, rest_b: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Rotations (T, 3, 3) that carry the rest frame (rest_a, rest_b) to (a, b)."""
    return frame(a, b) @ frame(rest_a, rest_b).T


def shortest(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Shortest rotations (T, 3, 3) that carry unit vectors a to b."""
    axis = np.cross(a, b)
    s = np.linalg.norm(axis, axis=-1)
    return about(axis / np.maximum(s, 1e-9)[:, None], np.arctan2(s, (a * b).sum(-1)))


def transpose(r: np.ndarray) -> np.ndarray:
    """Inverse rotations."""
    return np.swapaxes(r, -1, -2)


def split(relative: np.ndarray, shares: dict[str, float]) -> dict[str, np.ndarray]:
    """Share one relative rotation (T, 3, 3) among the joints of a chain."""
    v = Rotation.from_matrix(relative).as_rotvec()
    return {n: Rotation.from_rotvec(v * k).as_matrix() for n, k in shares.items()}


def two_bone(
    start: np.ndarray, end: np.ndarray, upper_m: float, lower_m: float, toward: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Middle joint and reachable end (T, 3) of a two-bone limb; the middle joint lies on the side of `toward`."""
    d = end - start
    r = np.linalg.norm(d, axis=-1)
    u = d / r[:, None]
    r = np.clip(r, abs(upper_m - lower_m) + 0.02, MAX_REACH * (upper_m + lower_m))
    c = (upper_m**2 + r**2 - lower_m**2) / (2 * upper_m * r)
    p = unit(toward - (toward * u).sum(-1, keepdims=True) * u)
    middle = start + upper_m * (c[:, None] * u + np.sqrt(np.maximum(1 - c * c, 0))[:, None] * p)
    return middle, start + r[:, None] * u


class Poser:
    """Poses one body."""

    def __init__(self, body: Body) -> None:
        """Limb lengths and hand frames of the rest body."""
        self.body = body
        at = body.at
        self.mid_hip = (at("upperleg01.L") + at("upperleg01.R")) / 2
        self.eye = (at("eye.L") + at("eye.R")) / 2
        self.upper_arm_m = float(np.linalg.norm(at("lowerarm01.R") - at("upperarm01.R")))
        self.forearm_m = float(np.linalg.norm(at("wrist.R") - at("lowerarm01.R")))
        self.thigh_m = float(np.linalg.norm(at("lowerleg01.R") - at("upperleg01.R")))
        self.shank_m = float(np.linalg.norm(at("foot.R") - at("lowerleg01.R")))
        self.pivot = {s: np.append(((at(f"toe1-1.{s}") + at(f"toe5-1.{s}")) / 2)[:2], 0.0) for s in "LR"}
        self.hand = {s: self._hand_frame(s) for s in "LR"}
        self.rest_heads = body.rest

    def _hand_frame(self, side: str) -> tuple[np.ndarray, np.ndarray]:
        """Rest directions wrist to knuckles and out of the palm."""
        at = self.body.at
        finger = unit(at(f"finger3-1.{side}") - at(f"wrist.{side}"))
        thumbward = at(f"finger2-1.{side}") - at(f"finger5-1.{side}")
        palm = np.cross(thumbward, finger) if side == "R" else np.cross(finger, thumbward)
        return finger, unit(palm - (palm @ finger) * finger)

    # -- trunk
    def trunk(self, t: Trunk) -> tuple[np.ndarray, np.ndarray]:
        """Rotations (T, B, 3, 3) with trunk, head and girdle posed (limbs follow rigidly) and the heads (T, B, 3)."""
        local = self._local(len(t.mid_hip))
        pelvis = rot_z(t.pelvis_yaw) @ rot_x(-t.pelvis_pitch)
        thorax = rot_z(t.thorax_yaw) @ rot_x(-t.thorax_pitch)
        head = rot_z(t.head_yaw) @ rot_y(t.head_roll) @ rot_x(-t.head_pitch)
        b = self.body
        local[:, b.i("root")] = pelvis
        for n, r in {
            **split(transpose(pelvis) @ thorax, SPINE_SHARE),
            **split(transpose(thorax) @ head, NECK_SHARE),
        }.items():
            local[:, b.i(n)] = r
        for s, k in (("R", -1.0), ("L", 1.0)):
            local[:, b.i(f"clavicle.{s}")] = rot_y(k * t.lift[s]) @ rot_z(-k * 0.35 * t.lift[s])
        rotation = self._chain(local)
        root = t.mid_hip - (pelvis @ (self.mid_hip - b.rest[0]))
        return rotation, b.heads(rotation, root)

    def _local(self, n: int) -> np.ndarray:
        return np.tile(np.eye(3), (n, len(self.body.bones), 1, 1))

    def _chain(self, local: np.ndarray) -> np.ndarray:
        out = local.copy()
        for b, p in enumerate(self.body.parent):
            if p >= 0:
                out[:, b] = out[:, p] @ local[:, b]
        return out

    # -- arms
    def pole(
        self, side: str, shoulder: np.ndarray, wrist: np.ndarray, yaw: np.ndarray, swivel: np.ndarray
    ) -> np.ndarray:
        """Direction (T, 3) in which the elbow leaves the shoulder-wrist line."""
        in_plane, outward = self.pole_axes(side, shoulder, wrist, yaw)
        return np.cos(swivel)[:, None] * in_plane + np.sin(swivel)[:, None] * outward

    def pole_axes(
        self, side: str, shoulder: np.ndarray, wrist: np.ndarray, yaw: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """The elbow's directions at zero swivel and at a quarter turn outward."""
        d = unit(wrist - shoulder)
        right = np.stack([np.cos(yaw), np.sin(yaw), 0 * yaw], -1)
        in_plane = unit(np.cross(d, right))
        outward = np.cross(in_plane, d) * (1.0 if side == "R" else -1.0)
        return in_plane, outward

    def arm(self, rotation: np.ndarray, heads: np.ndarray, side: str, arm: Arm, yaw: np.ndarray) -> None:
        """Pose one arm in place."""
        at, i = self.body.at, self.body.i
        shoulder = heads[:, i(f"upperarm01.{side}")]
        pole = self.pole(side, shoulder, arm.wrist, yaw, arm.swivel)
        elbow, wrist = two_bone(shoulder, arm.wrist, self.upper_arm_m, self.forearm_m, pole)
        upper0 = at(f"lowerarm01.{side}") - at(f"upperarm01.{side}")
        fore0 = at(f"wrist.{side}") - at(f"lowerarm01.{side}")
        hinge0 = unit(np.cross(upper0, fore0))
        upper, fore = unit(elbow - shoulder), unit(wrist - elbow)
        hinge = np.cross(pole, unit(arm.wrist - shoulder))
        g_upper, g_fore = turn(upper0, hinge0, upper, hinge), turn(fore0, hinge0, fore, hinge)
        g_hand = turn(*self.hand[side], arm.finger, arm.palm)
        parent = rotation[:, i(f"shoulder01.{side}")]
        swing = shortest(parent @ unit(upper0), upper) @ parent
        twist = self._signed(swing @ hinge0, hinge, upper)
        rotation[:, i(f"upperarm01.{side}")] = about(upper, 0.5 * twist) @ swing
        rotation[:, i(f"upperarm02.{side}")] = g_upper
        q = Rotation.from_matrix(transpose(g_fore) @ g_hand).as_quat()
        roll = 2 * np.arctan2(q[:, :3] @ unit(fore0), q[:, 3])
        roll = np.unwrap((roll + np.pi) % (2 * np.pi) - np.pi)
        rotation[:, i(f"lowerarm01.{side}")] = about(fore, 0.3 * roll) @ g_fore
        rotation[:, i(f"lowerarm02.{side}")] = about(fore, 0.8 * roll) @ g_fore
        rotation[:, i(f"wrist.{side}")] = g_hand
        self._fingers(rotation, side, g_hand, arm.curl, arm.spread)

    @staticmethod
    def _signed(a: np.ndarray, b: np.ndarray, axis: np.ndarray) -> np.ndarray:
        """Angle (T,) from a to b about axis, continuous in time."""
        a = a - (a * axis).sum(-1, keepdims=True) * axis
        return np.unwrap(np.arctan2((np.cross(a, b) * axis).sum(-1), (a * b).sum(-1)))

    def _fingers(
        self, rotation: np.ndarray, side: str, g_hand: np.ndarray, curl: np.ndarray, spread: np.ndarray
    ) -> None:
        """Fingers: spread on the ball when straight (curl 0), relaxed at curl 1."""
        at, i = self.body.at, self.body.i
        across = unit(at(f"finger2-1.{side}") - at(f"finger5-1.{side}"))
        finger, palm = self.hand[side]
        sign = 1.0 if np.cross(across, finger) @ palm > 0 else -1.0
        side_sign = 1.0 if side == "R" else -1.0
        n = len(curl)
        for k in (1, 2, 3, 4, 5):
            g = g_hand
            if k > 1:
                rotation[:, i(f"metacarpal{k - 1}.{side}")] = g
                g = g @ about(palm, np.full(n, side_sign * 0.11 * (3.4 - k)) * (1 - 0.8 * curl) * spread)
            for j, (straight, relaxed) in enumerate(((-0.22, 0.1), (-0.02, 0.2), (0.0, 0.15)), 1):
                if k > 1:
                    g = g @ about(across, sign * (straight + (relaxed - straight) * curl))
                rotation[:, i(f"finger{k}-{j}.{side}")] = g

    # -- legs
    def ankle(self, side: str, foot: Foot, heel: np.ndarray) -> np.ndarray:
        """Ankle (T, 3) of a foot standing on its pivot with the heel raised by `heel`."""
        r = rot_z(foot.yaw) @ rot_x(-heel)
        return foot.pivot + r @ (self.body.at(f"foot.{side}") - self.pivot[side])

    def leg(self, rotation: np.ndarray, heads: np.ndarray, side: str, foot: Foot) -> np.ndarray:
        """Pose one leg in place; returns the heel rise used (T,)."""
        at, i = self.body.at, self.body.i
        hip = heads[:, i(f"upperleg01.{side}")]
        heel = self._heel(side, foot, hip)
        ankle = self.ankle(side, foot, heel)
        yaw = foot.yaw
        toward = np.stack([-np.sin(yaw), np.cos(yaw), 0 * yaw], -1)
        knee, ankle = two_bone(hip, ankle, self.thigh_m, self.shank_m, toward)
        thigh0, shank0 = (
            at(f"lowerleg01.{side}") - at(f"upperleg01.{side}"),
            at(f"foot.{side}") - at(f"lowerleg01.{side}"),
        )
        # the rest knee is nearly straight: a hinge square to the sagittal plane is steadier than the cross product
        hinge0 = np.array([-1.0, 0.0, 0.0])
        d = unit(ankle - hip)
        hinge = np.cross(unit(toward - (toward * d).sum(-1, keepdims=True) * d), d)
        for n in ("upperleg01", "upperleg02"):
            rotation[:, i(f"{n}.{side}")] = turn(thigh0, hinge0, unit(knee - hip), hinge)
        for n in ("lowerleg01", "lowerleg02"):
            rotation[:, i(f"{n}.{side}")] = turn(shank0, hinge0, unit(ankle - knee), hinge)
        g_foot = rot_z(yaw) @ rot_x(-heel)
        rotation[:, i(f"foot.{side}")] = g_foot
        flat = g_foot @ rot_x(np.where(foot.planted, heel, 0.35 * heel))
        for n in self.body.bones:
            if n.startswith("toe") and n.endswith(side):
                rotation[:, i(n)] = flat
        return heel

    def _heel(self, side: str, foot: Foot, hip: np.ndarray) -> np.ndarray:
        """Least heel rise (>= foot.heel) with which the leg reaches the floor, by bisection."""
        length = 0.990 * (self.thigh_m + self.shank_m)

        def too_far(heel: np.ndarray) -> np.ndarray:
            return np.linalg.norm(self.ankle(side, foot, heel) - hip, axis=-1) > length

        low, high = foot.heel.copy(), np.full_like(foot.heel, np.radians(75.0))
        need = too_far(low)
        for _ in range(14):
            middle = (low + high) / 2
            far = too_far(middle)
            low, high = np.where(far, middle, low), np.where(far, high, middle)
        return np.where(need, high, foot.heel)

    # -- whole body
    def pose(self, trunk: Trunk, feet: dict[str, Foot], arms: dict[str, Arm]) -> Pose:
        """The whole posed body."""
        rotation, heads = self.trunk(trunk)
        root = heads[:, 0].copy()
        heel = {s: self.leg(rotation, heads, s, feet[s]) for s in "LR"}
        for s in "LR":
            self.arm(rotation, heads, s, arms[s], trunk.thorax_yaw)
        return Pose(rotation, self.body.heads(rotation, root), {"heel": heel})
