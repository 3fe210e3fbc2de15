"""A drawn figure that faces the camera and holds its arms at given angles."""

from __future__ import annotations

import numpy as np
from builders import pose_of

from rimward.live.records import Pose
from rimward.live.skeleton import COUNT, INDEX

SIZE = (1280, 720)
H = 500.0
"""Stature of the drawn figure in pixels."""
DOWN, OUT, WIDE, UP = -80.0, 0.0, 55.0, 90.0


def figure(left: float, right: float, *, facing: float = 1.0, straight: float = 1.0, x: float = 640.0) -> Pose:
    """Who faces the camera, each arm at this angle above the horizontal; lengths as in Winter's table of segments.

    `facing` is the share of the shoulder width that is seen, negative from behind; `straight` that of the arm's length.
    """
    px = np.full((COUNT, 2), [x, 220.0])
    sides = {"left": (1.0, left), "right": (-1.0, right)}
    for side, (sign, angle) in sides.items():
        out = sign * facing

        def put(joint: str, dx: float, dy: float, side: str = side, out: float = out) -> None:
            px[INDEX[f"{side}_{joint}"]] = [x + out * dx * H, 220.0 + dy * H]

        put("shoulder", 0.10, 0.0)
        put("hip", 0.06, 0.288)
        put("knee", 0.06, 0.288 + 0.245)
        put("ankle", 0.06, 0.288 + 0.245 + 0.246)
        shoulder = px[INDEX[f"{side}_shoulder"]]
        along = np.array([sign * np.cos(np.radians(angle)), -np.sin(np.radians(angle))])
        aside = np.array([along[1], -along[0]])
        bend = 0.166 * H * np.sqrt(1 - straight**2)
        px[INDEX[f"{side}_elbow"]] = shoulder + 0.166 * H * straight * along + bend * aside
        px[INDEX[f"{side}_wrist"]] = shoulder + 0.332 * H * straight * along
    return pose_of(px)


LOW = figure(DOWN, DOWN)
