"""Shots for the close view, one a clip, the hands' form varying: python -m tests.studio.close_shots --out DIR.

Each clip is filmed from within 1.5 m or a little more, by turns from the shooting side, from in front and from the
guide hand's side; the truth (.json, .npz) lies beside it. Nothing is committed: --seed and the number make a shot.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

import numpy as np

from .camera import Placement
from .dress import LOOKS
from .render import CACHE, Picture, render, shot_camera, write_sidecars
from .session import Player, Script, compile_script
from .shot import Shot
from .tracks import RATE_HZ

VIEWS = {"shooting_side": 90.0, "front": 0.0, "guide_side": -90.0}
"""Bearing of the camera from the direction of the hoop toward the shooting side, degrees."""
ADULT_M = 1.8


def script(seed: int, k: int) -> tuple[Script, str, Picture]:
    """Shot k: its script, the name of its view and how it is filmed."""
    rng = np.random.default_rng([seed, k])
    view = tuple(VIEWS)[k % len(VIEWS)]
    hand = ("right", "left")[k // len(VIEWS) % 2]
    stature_m = round(rng.uniform(1.45, 1.95), 2)
    build = "youth" if stature_m < 1.55 else "woman" if stature_m < 1.68 else str(rng.choice(("man", "woman")))
    build = "man" if stature_m > 1.85 else build
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


def make(seed: int, k: int, out: Path, cache: Path, truth_only: bool = False) -> str:
    """Write shot k unless it is there; returns a line about it."""
    plan, view, picture = script(seed, k)
    stem = out / f"{plan.name}_{view}"
    if stem.with_suffix(".json").is_file() and not truth_only:
        return f"{stem.name}: is there"
    motion = compile_script(plan, cache)
    cam = shot_camera(plan, picture)
    out.mkdir(parents=True, exist_ok=True)
    meta = write_sidecars(plan, motion, cam, picture, stem) if truth_only else render(plan, motion, picture, stem)
    said = meta["shots"][0]["measurements"]
    values = ("wrist_flexion_deg", "palm_gap_m", "guide_hand_off_s", "guide_finger_spread_deg")
    form = ", ".join(f"{name} {said[name]:.3g}" for name in values)
    return f"{stem.name}: {len(motion.ball) / RATE_HZ:.1f} s, {form}; {'; '.join(motion.notes) or 'as requested'}"


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    p = argparse.ArgumentParser(prog="python -m tests.studio.close_shots", description=__doc__)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--first", type=int, default=0)
    p.add_argument("--count", type=int, default=24)
    p.add_argument("--seed", type=int, default=31)
    p.add_argument("--cache", type=Path, default=CACHE, help="where the bodies are kept, else $STUDIO_CACHE")
    p.add_argument("--truth-only", action="store_true", help="write the sidecars alone, without a picture")
    args = p.parse_args(argv)
    for k in range(args.first, args.first + args.count):
        print(make(args.seed, k, args.out, args.cache, args.truth_only), flush=True)


if __name__ == "__main__":
    main()
