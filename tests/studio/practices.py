"""Short practices, each four shots among whatever else players do, from cameras anywhere round them.

    python -m tests.studio.practices --out DIR [--first 0] [--count 24] [--seed 52] [--truth-only]

For counting: shots that are missed and movements that are taken for one. Between the shots the player dribbles, fakes,
passes, stretches, rebounds, walks and waits, and people may pass. Stature, form, light, picture size and lens vary; the
camera stands on any side, low or high, near enough for feet and raised ball to be seen or up to 1.6 times as far.
Practice k depends on the seed and k alone.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import numpy as np

from .camera import Placement, half_height_deg
from .dress import LOOKS
from .random_shots import LIGHTS, build_of, form, parser, points, record
from .render import Picture
from .session import Player, Script

SHOTS = 4
OTHERS = {
    "idle": 0.20,
    "dribble": 0.20,
    "pump_fake": 0.10,
    "walk": 0.10,
    "raise_arms": 0.08,
    "stretch": 0.08,
    "chest_pass": 0.08,
    "rebound": 0.08,
    "catch": 0.05,
    "spin": 0.03,
}
"""What may come after a shot, up to two of them, and how often."""
NEW_FORM = 0.4
"""Share of shots whose form is another one than the practice's own."""
SIZES = {(1280, 720): 0.5, (960, 540): 0.2, (640, 480): 0.2, (720, 1280): 0.1}
LENSES_DEG = (60.0, 70.0, 78.0, 90.0)
UPRIGHT_DEG = 45.0
"""Horizontal field of view; a picture held upright has the last one."""
RAISED = 1.45
"""Statures that a raised ball needs."""


def others(rng: np.random.Generator) -> list[dict[str, Any]]:
    """What the player does between two shots."""
    acts: list[dict[str, Any]] = []
    for name in rng.choice(tuple(OTHERS), rng.integers(0, 3), p=tuple(OTHERS.values())):
        act: dict[str, Any] = {"do": str(name)}
        if name == "idle":
            act["s"] = float(rng.uniform(0.5, 2.0))
        if name == "dribble":
            act["n"] = int(rng.integers(1, 4))
        if name == "walk":
            act |= {"forward_m": float(rng.uniform(-0.6, 0.6)), "side_m": float(rng.uniform(-0.5, 0.5))}
        acts.append(act)
    return acts


def passers(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Nobody, or somebody who walks by."""
    if rng.random() > 0.4:
        return []
    side = float(rng.choice((-1, 1)) * rng.uniform(1.2, 2.0))
    walker = {"at_s": float(rng.uniform(2, 18)), "side_m": side, "heading_deg": float(rng.choice((0, 180)))}
    return [walker | {"build": "man", "stature_m": 1.76, "look": "grey"}]


def camera(rng: np.random.Generator, stature_m: float) -> Picture:
    """From anywhere, with the floor half a metre before the player at the lower edge of the picture, or a little up."""
    width, height_px = tuple(SIZES)[rng.choice(len(SIZES), p=tuple(SIZES.values()))]
    lens = UPRIGHT_DEG if height_px > width else float(rng.choice(LENSES_DEG))
    half = half_height_deg(lens, width, height_px)
    height_m = rng.uniform(0.35, 2.1)
    distance_m = max(2.2, RAISED * stature_m / (2 * np.tan(np.radians(half))) + 0.3) * rng.uniform(1.0, 1.6)
    tilt = half - np.degrees(np.arctan2(height_m, distance_m - 0.4))
    room = half + tilt - np.degrees(np.arctan2(RAISED * stature_m - height_m, distance_m))
    tilt -= rng.uniform(0.0, 0.5) * max(room, 0.0)
    return Picture(
        placement=Placement(float(distance_m), float(rng.uniform(-180, 180)), float(height_m), float(tilt)),
        width=width,
        height=height_px,
        hfov_deg=lens,
        noise=rng.uniform(1.0, 4.0),
        gain=float(rng.choice(LIGHTS)),
        samples=0,
    )


def script(seed: int, k: int) -> tuple[Script, str, Picture]:
    """Practice k: its script, the side that the camera is on and how it is filmed."""
    rng = np.random.default_rng([seed, k])
    stature_m = round(rng.uniform(1.35, 2.0), 2)
    build = build_of(rng, stature_m)
    usual = form(rng, stature_m)
    acts: list[dict[str, Any]] = [{"do": "idle", "s": 1.0}]
    for _ in range(SHOTS):
        shot = form(rng, stature_m) if rng.random() < NEW_FORM else usual
        shot = replace(shot, target_side_m=rng.normal(0, 0.15), target_long_m=rng.normal(0, 0.20))
        acts += [{"do": "shot", **asdict(shot)}, *others(rng)]
    picture = replace(camera(rng, stature_m), seed=k)
    bearing = abs(picture.placement.bearing_deg)
    plan = Script(
        name=f"practice_{k:03d}",
        acts=[*acts, {"do": "idle", "s": 1.5}],
        about="four shots among other things",
        player=Player(build, stature_m, str(rng.choice(("right", "left")))),
        distance_m=rng.uniform(3.0, 6.5),
        angle_deg=float(rng.uniform(-70, 70)),
        look=str(rng.choice(tuple(LOOKS))),
        # the driveway's fence would stand before a camera behind the player
        place=str(rng.choice(("gym", "driveway"))) if bearing < 90 else "gym",
        passers=passers(rng),
    )
    return plan, "front" if bearing < 60 else "side" if bearing < 120 else "behind", picture


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    given = parser("practices", __doc__, 24, 52).parse_args(argv)
    for k in range(given.first, given.first + given.count):
        plan, view, picture = script(given.seed, k)
        print(record(plan, view, picture, (), given, lambda cam, p=plan, k=k: points(p, cam, k)), flush=True)


if __name__ == "__main__":
    main()
