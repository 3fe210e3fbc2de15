"""Another way to move: a planned shot with every joint turned a little, so that no two players move alike.

What is learned from planned shots alone knows the planner's habits too well: a guide hand is always where the plan puts
it. Here every joint is turned by random angles that last and random angles that drift, and the ball goes where the
shooting hand went. The shot's measurements no longer hold; its joints are known as exactly as before.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from .session import Motion
from .tracks import RATE_HZ

LOOSE_DEG = {
    "spine05": 4.0,
    "spine03": 4.0,
    "spine01": 4.0,
    "neck01": 6.0,
    "neck03": 6.0,
    "clavicle": 4.0,
    "upperarm01": 9.0,
    "lowerarm01": 8.0,
    "wrist": 8.0,
    "upperleg01": 6.0,
    "lowerleg01": 5.0,
    "foot": 5.0,
}
"""Root mean square of the turn of each joint; chosen by eye so that the shot stays one."""
WHOLE_DEG = (4.0, 4.0, 10.0)
"""The same of the whole body about x, y and the vertical."""
GUIDE = 2.0
"""The guide arm is so many times looser: players differ most in it."""
LASTS, DRIFTS, DRIFT_S = 0.8, 0.6, 0.3


def loosened(motion: Motion, random: np.random.Generator) -> Motion:
    """A motion whose joints are turned at random; feet keep their height over the floor."""
    body, count = motion.body, len(motion.ball)
    amount = random.choice([0.5, 1.0, 1.5])
    guide = ".L" if motion.hand == "right" else ".R"

    def turn(degrees: np.ndarray | float) -> np.ndarray:
        drift = gaussian_filter1d(random.normal(size=(count, 3)), DRIFT_S * RATE_HZ, axis=0)
        angles = LASTS * random.normal(size=3) + DRIFTS * drift / (drift.std(0) + 1e-9)
        return Rotation.from_rotvec(np.radians(amount * degrees * angles)).as_matrix()

    old, rotation = motion.rotation, np.empty_like(motion.rotation)
    for b, parent in enumerate(body.parent):
        if parent < 0:
            rotation[:, b] = turn(np.array(WHOLE_DEG)) @ old[:, b]
            continue
        local = old[:, parent].transpose(0, 2, 1) @ old[:, b]
        joint = body.bones[b].removesuffix(".L").removesuffix(".R")
        if joint in LOOSE_DEG:
            looser = GUIDE if body.bones[b].endswith(guide) and "arm" in joint else 1.0
            local = local @ turn(looser * LOOSE_DEG[joint])
        rotation[:, b] = rotation[:, parent] @ local
    heads = body.heads(rotation, motion.heads[:, 0])
    feet = [body.i(f"{part}.{side}") for part in ("foot", "toe2-3") for side in "LR"]
    heads[..., 2] += (motion.heads[:, feet, 2].min(1) - heads[:, feet, 2].min(1))[:, None]
    hand = body.i("finger3-1.R" if motion.hand == "right" else "finger3-1.L")
    moved, left = heads[:, hand] - motion.heads[:, hand], motion.shots[0]["k"]
    moved[left:] = moved[left]
    return replace(motion, rotation=rotation, heads=heads, ball=motion.ball + moved)
