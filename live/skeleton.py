"""The 33 body landmarks by name, and the lines between them that a person recognises as a body.

Names and order are those of the BlazePose topology (Bazarevsky et al. 2020, "BlazePose: On-device Real-time Body Pose
tracking"), which the pose network returns.
"""

from __future__ import annotations

from typing import Literal

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")
FEET = ("left_heel", "right_heel", "left_foot_index", "right_foot_index")
"""What stands on the floor."""

NAMES = (
    "nose",
    "left_eye_inner",
    "left_eye",
    "left_eye_outer",
    "right_eye_inner",
    "right_eye",
    "right_eye_outer",
    "left_ear",
    "right_ear",
    "mouth_left",
    "mouth_right",
    "left_shoulder",
    "right_shoulder",
    "left_elbow",
    "right_elbow",
    "left_wrist",
    "right_wrist",
    "left_pinky",
    "right_pinky",
    "left_index",
    "right_index",
    "left_thumb",
    "right_thumb",
    "left_hip",
    "right_hip",
    "left_knee",
    "right_knee",
    "left_ankle",
    "right_ankle",
    "left_heel",
    "right_heel",
    "left_foot_index",
    "right_foot_index",
)

COUNT = len(NAMES)
INDEX = {name: i for i, name in enumerate(NAMES)}

BONES = tuple(
    (INDEX[a], INDEX[b])
    for a, b in (
        ("left_shoulder", "right_shoulder"),
        ("left_hip", "right_hip"),
        *(
            (f"{side}_{a}", f"{side}_{b}")
            for side in ("left", "right")
            for a, b in (
                ("shoulder", "elbow"),
                ("elbow", "wrist"),
                ("wrist", "index"),
                ("shoulder", "hip"),
                ("hip", "knee"),
                ("knee", "ankle"),
                ("ankle", "heel"),
                ("heel", "foot_index"),
            )
        ),
    )
)
"""Pairs of landmark indices."""

MIRRORED = tuple(INDEX[name.replace("left", "\0").replace("right", "left").replace("\0", "right")] for name in NAMES)
"""For each landmark the index of its partner on the other side (itself for the nose)."""


def other(side: Side) -> Side:
    """The other side of the body."""
    return "left" if side == "right" else "right"
