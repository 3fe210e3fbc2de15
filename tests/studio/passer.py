"""A second person who walks through the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .body import Body
from .plan import Plan
from .pose import Arm, Poser, rot_x, rot_z
from .tracks import Track

STEP_S = 0.53
"""From one foot's landing to the other's."""
SWING_S = 0.41
STANCE_WIDTH_M = 0.14


@dataclass(frozen=True, slots=True)
class Passer:
    """Who walks where: a straight line at constant speed, beside the shooter at `at_s`.

    `side_m` is toward the shooting side and `forward_m` toward the hoop, from the shooter's spot, at that instant;
    `heading_deg` is the way walked: 0 toward the hoop, 90 toward the shooting side.
    """

    at_s: float
    side_m: float
    forward_m: float = 0.0
    heading_deg: float = 0.0
    speed_mps: float = 1.3
    build: str = "woman"
    stature_m: float = 1.70
    look: str = "green"


@dataclass
class Walker:
    """A posed passer in the hoop frame at RATE_HZ."""

    body: Body
    look: str
    rotation: np.ndarray  # (N, B, 3, 3)
    heads: np.ndarray  # (N, B, 3)


def walk_past(
    passer: Passer, body: Body, t_s: np.ndarray, spot: np.ndarray, forward: np.ndarray, sideways: np.ndarray
) -> Walker:
    """Pose a passer over t_s (N,); the shooter stands at spot (3,), with horizontal units forward and sideways (3,)."""
    poser = Poser(body)
    plan = Plan(poser, t_s, np.array([0.0, 5.0, 3.0]), np.eye(3))
    step_m = passer.speed_mps * STEP_S
    first = plan.stance(STANCE_WIDTH_M, 0.0, 0.0)
    for side, y in (("L", 0.0), ("R", -step_m)):
        plan.pivot[side].value[:] = first[side].pivot + np.array([0.0, y, 0.0])
        plan.yaw[side].value[:] = first[side].yaw
    for k in range(int(t_s[-1] / STEP_S) + 1):
        side = "RL"[k % 2]
        goal = plan.stance(STANCE_WIDTH_M, 0.0, 0.0, (0.0, (k + 1) * step_m))[side]
        plan.step(side, k * STEP_S, k * STEP_S + SWING_S, goal, 0.06 * plan.scale)
    beat = np.pi * (t_s - SWING_S / 2) / STEP_S  # a whole turn is two steps; 0 when the right foot passes the left
    over = plan.over(first)
    middle_of_first_swing = over[1] - passer.speed_mps * SWING_S / 2
    plan.hip_x.value[:, 0] = over[0] - 0.015 * np.cos(beat)
    plan.hip_y.value[:, 0] = middle_of_first_swing + passer.speed_mps * t_s
    height = plan.hip_height(first, over, 0.985)
    plan.hip_z.value[:, 0] = height - plan.scale * (0.035 - 0.018 * np.cos(2 * beat))
    swing = np.radians(26) * np.sin(beat)
    plan.pelvis_yaw.value[:, 0], plan.thorax_yaw.value[:, 0] = (
        np.radians(5) * np.sin(beat),
        -np.radians(5) * np.sin(beat),
    )
    mid_hip = plan.mid_hip()
    _, heads = poser.trunk(plan.trunk(mid_hip))
    reach = 0.95 * (poser.upper_arm_m + poser.forearm_m)
    arms = {}
    for side, k in (("R", 1.0), ("L", -1.0)):
        turned = rot_x(-k * swing + np.radians(6))  # each arm swings against its own leg
        down = np.array([0.17 * k, 0.0, -0.985])
        arms[side] = Arm(
            heads[:, body.i(f"upperarm01.{side}")] + reach * (turned @ down),
            np.full(len(t_s), 0.25),
            turned @ np.array([-0.02 * k, 0.10, -0.99]),
            turned @ np.array([-0.97 * k, -0.2, 0.0]),
            Track(t_s, 0.9).value[:, 0],
            np.ones(len(t_s)),
        )
    pose = poser.pose(plan.trunk(mid_hip), plan.feet(mid_hip), arms)
    angle = np.radians(passer.heading_deg)
    way = np.cos(angle) * forward + np.sin(angle) * sideways
    to_hoop = rot_z(np.arctan2(-way[0:1], way[1:2]))[0]
    there = spot + passer.side_m * sideways + passer.forward_m * forward
    origin = there - (middle_of_first_swing + passer.speed_mps * passer.at_s) * way
    return Walker(body, passer.look, to_hoop @ pose.rotation, pose.heads @ to_hoop.T + origin)
