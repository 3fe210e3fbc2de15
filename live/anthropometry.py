"""Lengths of a body as shares of its stature, and where the pose network puts its landmarks against the joints.

The shares are close to the segment table of Drillis and Contini as printed by Winter (from memory), moved to the joint
centres of rendered bodies of 1.45 to 1.88 m (upper arm 0.158-0.166, forearm 0.129-0.136, thigh 0.228-0.253, shank
0.223-0.248 of the stature). Their spread is that of adults, about 4 percent, so a player's own limbs may differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Length:
    """A distance between two points of the body."""

    share: float
    """Of the stature."""
    spread: float
    """One standard deviation between people, relative."""
    give: float
    """How much it changes in the course of a movement (soft tissue, shoulder blades, the network's idea of a joint),
    one standard deviation, of the stature."""


LENGTHS: Final = {
    "upper_arm": Length(0.162, 0.035, 0.008),
    "forearm": Length(0.134, 0.05, 0.008),
    "shoulders": Length(0.191, 0.055, 0.010),
    "hips": Length(0.125, 0.06, 0.008),
    "trunk": Length(0.284, 0.03, 0.014),
    "thigh": Length(0.242, 0.05, 0.008),
    "shank": Length(0.238, 0.045, 0.008),
    "ankle_heel": Length(0.031, 0.15, 0.006),
    "foot": Length(0.139, 0.05, 0.008),
    "ankle_toe": Length(0.121, 0.06, 0.010),
    "eyes_nose": Length(0.025, 0.20, 0.006),
    "shoulder_eyes": Length(0.175, 0.06, 0.016),
    "hip_eyes": Length(0.423, 0.03, 0.008),
}

BONES: Final = tuple(
    (a.replace("*", side), b.replace("*", side), name)
    for a, b, name in (
        ("*_shoulder", "*_elbow", "upper_arm"),
        ("*_elbow", "*_wrist", "forearm"),
        ("*_shoulder", "*_hip", "trunk"),
        ("*_hip", "*_knee", "thigh"),
        ("*_knee", "*_ankle", "shank"),
        ("*_ankle", "*_heel", "ankle_heel"),
        ("*_heel", "*_foot_index", "foot"),
        ("*_ankle", "*_foot_index", "ankle_toe"),
        ("*_shoulder", "eyes", "shoulder_eyes"),
        ("*_hip", "eyes", "hip_eyes"),
    )
    for side in ("left", "right")
) + (("left_shoulder", "right_shoulder", "shoulders"), ("left_hip", "right_hip", "hips"), ("eyes", "nose", "eyes_nose"))
"""(one end, other end, length)."""


@dataclass(frozen=True, slots=True)
class Habit:
    """Where the pose network puts a landmark against the joint's centre, shares of the stature."""

    ahead: float
    """Toward where the player faces."""
    up: float
    spread: float
    """One standard deviation between players and views, each way in the picture."""


LANDMARKS: Final = {
    "shoulder": Habit(0.000, 0.009, 0.008),
    "elbow": Habit(0.000, 0.000, 0.007),
    "wrist": Habit(0.000, 0.008, 0.009),
    "hip": Habit(0.011, -0.002, 0.008),
    "knee": Habit(0.003, 0.017, 0.006),
    "ankle": Habit(0.006, 0.014, 0.008),
    "heel": Habit(-0.002, 0.010, 0.010),
    "foot_index": Habit(-0.019, 0.003, 0.010),
    "eyes": Habit(-0.003, 0.010, 0.009),
    "nose": Habit(-0.002, 0.007, 0.009),
}
"""Measured on rendered bodies. Hips lie ahead of the joints because the network marks the crease, knees above because
it marks the outline's corner; a foot's landmark lies behind the tip of the big toe, which is what is solved for."""


@dataclass(frozen=True, slots=True)
class Slide:
    """A landmark that does not lie on its joint but moves with a limb: some way from the joint toward a neighbour."""

    landmark: str
    toward: str
    share: float
    """Of the limb; negative beyond the joint."""
    spread: float
    """One standard deviation between players and views."""


SLIDES: Final = (
    Slide("shoulder", "elbow", -0.045, 0.035),
    Slide("elbow", "shoulder", 0.095, 0.030),
    Slide("elbow", "wrist", -0.035, 0.030),
    Slide("wrist", "elbow", 0.050, 0.040),
)
"""The network sees an arm that lags behind a raised one and an elbow that is higher up the arm. Measured on rendered
bodies in all views; with them a third of the elbow's error is explained that a place fixed in space leaves."""
