"""Shots for the close view, one a clip, the hands' form varying: python -m tests.studio.close_shots --out DIR.

Each clip is filmed from within 1.5 m or a little more, by turns from the shooting side, from in front and from the
guide hand's side; the truth (.json, .npz) lies beside it. Nothing is committed: --seed and the number make a shot.
"""

from __future__ import annotations

from dataclasses import asdict

import numpy as np

from .camera import Placement
from .dress import LOOKS
from .random_shots import build_of, parser, record
from .render import Picture
from .session import Player, Script
from .shot import Shot

VIEWS = {"shooting_side": 90.0, "front": 0.0, "guide_side": -90.0}
"""Bearing of the camera from the direction of the hoop toward the shooting side, degrees."""
ADULT_M = 1.8


def script(seed: int, k: int) -> tuple[Script, str, Picture]:
    """Shot k: its script, the name of its view and how it is filmed."""
    rng = np.random.default_rng([seed, k])
    view = tuple(VIEWS)[k % len(VIEWS)]
    hand = ("right", "left")[k // len(VIEWS) % 2]
    stature_m = round(rng.uniform(1.45, 1.95), 2)
    build = build_of(rng, stature_m)
    scale = stature_m / ADULT_M
    shot = Shot(
        hold_s=rng.uniform(0.0, 0.2),
        set_above_eyes_m=rng.uniform(0.08, 0.2) * scale,
        elbow_at_set_deg=rng.uniform(65, 85),
        hand_forward_deg=rng.uniform(25, 95),
        guide_off_s=rng.uniform(0.03, 0.15),
        guide_spread=rng.uniform(0.0, 1.3),
        palm_gap_m=rng.uniform(0.0, 0.03),
        ready_s=0.3,
    )
    plan = Script(
        name=f"close_{k:03d}",
        acts=[{"do": "shot", **asdict(shot)}],
        about="a shot for the close view, its hands of random form",
        player=Player(build, stature_m, hand),
        look=str(rng.choice(tuple(LOOKS))),
        place=str(rng.choice(("gym", "driveway"))),
    )
    distance, height = rng.uniform(1.4, 1.65) * scale, rng.uniform(1.25, 1.5) * scale
    bearing = VIEWS[view] + rng.uniform(-12, 12)
    picture = Picture(
        placement=Placement(distance, bearing, height, 9.5),
        hfov_deg=76,
        shutter=0.25,
        noise=rng.uniform(1.0, 4.0),
        samples=0,
        seed=k,
    )
    return plan, view, picture


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    given = parser("close_shots", __doc__, 24, 31).parse_args(argv)
    values = ("wrist_flexion_deg", "palm_gap_m", "guide_hand_off_s", "guide_finger_spread_deg")
    for k in range(given.first, given.first + given.count):
        print(record(*script(given.seed, k), values, given), flush=True)


if __name__ == "__main__":
    main()
