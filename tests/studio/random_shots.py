"""Shots whose form varies widely, so that a program which always says the same cannot look good on them.

    python -m tests.studio.random_shots --out DIR [--first 0] [--count 32] [--seed 4] [--around] [--varied]
                                      [--truth-only]

Shot k depends on the seed and k alone: a second run continues where the first ended and leaves finished clips alone.
Beside the sidecars of `render` each clip gets NAME.points.json, marks on the floor round the player and on the hoop as
somebody would click them (0.5 px of error), for `rimward calibrate`.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from .camera import Camera, Placement, half_height_deg
from .dress import LOOKS
from .render import CACHE, Picture, shot_camera, write_clip
from .session import Player, Script, compile_script
from .shot import FOOTWORK, Shot
from .tracks import RATE_HZ

VIEWS = {"side": (90.0, 3.7), "diag": (45.0, 3.8), "front": (0.0, 4.3), "behind": (180.0, 3.8)}
"""Bearing, degrees, and distance, metres, for a player of ADULT_M; both are moved a little in each shot."""
ADULT_M = 1.85
HFOV_DEG, WIDTH, HEIGHT = 70.0, 1280, 720
CLICK_PX = 0.5
LIGHTS = (1.0, 1.0, 1.0, 0.7, 0.45)
HOLDS_S = (-0.1, 0.34)
"""Asked of the script; the posed arm rests 0.06 to 0.15 s longer. A quarter of the shots do not stop at all."""


def form(rng: np.random.Generator, stature_m: float) -> Shot:
    """One shot's form; lengths go with the stature."""
    scale = stature_m / ADULT_M
    footwork = str(rng.choice(FOOTWORK, p=(0.55, 0.15, 0.15, 0.15)))
    knee, jumps = rng.uniform(90, 140), rng.random() < 0.6 or footwork == "step_back"
    offset = rng.uniform(-0.15, 0.15)
    return Shot(
        footwork=footwork,
        first_foot=str(rng.choice(("guide", "shooting"))),
        step_gap_s=rng.uniform(0.1, 0.25),
        step_m=rng.uniform(0.4, 0.7) * scale,
        stance_width_m=rng.uniform(0.22, 0.46) * scale,
        foot_stagger_m=rng.uniform(-0.06, 0.2) * scale,
        feet_heading_deg=rng.uniform(-12, 35),
        knee_min_deg=knee,
        hip_min_deg=float(np.clip(knee + rng.uniform(2, 25), 95, 160)),
        dip_m=rng.uniform(0.04, 0.24) * scale,
        elbow_at_set_deg=rng.uniform(50, 100),
        set_above_eyes_m=rng.uniform(-0.12, 0.28) * scale,
        elbow_offset_at_set_m=offset,
        ball_lateral_at_set_m=0.07 * scale + 0.35 * offset + rng.uniform(-0.03, 0.03),
        hold_s=max(0.0, rng.uniform(*HOLDS_S)),
        jump_height_m=rng.uniform(0.12, 0.4) * scale if jumps else 0.0,
        release_before_apex_s=rng.uniform(-0.03, 0.12),
        push_s=rng.uniform(0.16, 0.24),
        elbow_at_release_deg=rng.uniform(130, 158),
        trunk_lean_at_release_deg=rng.uniform(-6, 14),
        hip_sway_forward_m=rng.uniform(-0.03, 0.10) * scale,
        shoulder_turn_deg=rng.uniform(-10, 35),
        landing_forward_m=rng.uniform(-0.25, 0.45) if jumps else 0.0,
        landing_side_m=rng.uniform(-0.25, 0.25) if jumps else 0.0,
        follow_through_s=rng.uniform(0.2, 1.1),
        guide_push_m=rng.choice((0.0, rng.uniform(0.0, 0.06))),
        head_movement_m=rng.choice((0.0, rng.uniform(0.0, 0.05))),
        release_angle_deg=rng.uniform(46, 60),
        target_side_m=rng.normal(0, 0.08),
        target_long_m=rng.normal(0, 0.10),
        ready_s=0.5,
    )


def varied(rng: np.random.Generator, shot: Shot) -> Shot:
    """The same form as other players do it: what the planner has the same in every shot is not the same in people.

    From the trunk outward one joint opens after the other; toes point out; the guide hand leaves earlier or later.
    """
    return replace(
        shot,
        shoulder_lead=rng.uniform(0.0, 1.0),
        arm_up_at_release_deg=rng.uniform(42, 68),
        toe_out_deg=rng.uniform(-4, 18),
        guide_off_s=rng.uniform(0.03, 0.20),
        palm_gap_m=rng.uniform(0.0, 0.03),
        hand_forward_deg=rng.uniform(40, 85),
    )


def bent(rng: np.random.Generator, shot: Shot) -> Shot:
    """The same form, but for an arm that need not become straight after the release."""
    return replace(shot, elbow_straight_deg=rng.uniform(140, 178))


def build_of(rng: np.random.Generator, stature_m: float) -> str:
    """A body that such a stature is likely to have."""
    build = "youth" if stature_m < 1.55 else "woman" if stature_m < 1.68 else str(rng.choice(("man", "woman")))
    return "man" if stature_m > 1.85 else build


def script(seed: int, k: int, around: bool = False, others: bool = False) -> tuple[Script, str, Picture]:
    """Shot k: its script, the name of its view and how it is filmed.

    `around` takes any bearing for the four views; `others` are shots as other players do them.
    """
    rng = np.random.default_rng([seed, k])
    view = tuple(VIEWS)[k % len(VIEWS)]
    hand = ("right", "left")[k // len(VIEWS) % 2]
    stature_m = round(rng.uniform(1.30, 2.00), 2)
    build = build_of(rng, stature_m)
    shot = form(rng, stature_m)
    if others:
        ways = np.random.default_rng([seed, k, 3])
        shot = bent(ways, varied(ways, shot))
    plan = Script(
        name=f"random_{k:03d}",
        acts=[{"do": "shot", **asdict(shot)}],
        about="a shot of random form",
        player=Player(build, stature_m, hand),
        distance_m=rng.uniform(3.2, 4.6) if stature_m < 1.55 else rng.uniform(3.8, 6.2),
        look=str(rng.choice(tuple(LOOKS))),
        place=str(rng.choice(("gym", "driveway"))),
    )
    bearing, distance = VIEWS[view]
    if around:
        view, bearing = "around", np.random.default_rng([seed, k, 2]).uniform(0.0, 180.0)
    distance = (distance + rng.uniform(-0.1, 0.5)) * max(stature_m + 0.5 * shot.jump_height_m, 1.5) / ADULT_M
    height = rng.uniform(0.7, 1.35)
    # the floor half a metre before the player is at the lower edge of the picture
    half = half_height_deg(HFOV_DEG, WIDTH, HEIGHT)
    tilt = half - np.degrees(np.arctan2(height, distance - 0.55))
    picture = Picture(
        placement=Placement(distance, bearing + rng.uniform(-10, 10), height, float(tilt)),
        width=WIDTH,
        height=HEIGHT,
        hfov_deg=HFOV_DEG,
        noise=rng.uniform(1.0, 4.0),
        gain=float(rng.choice(LIGHTS)),
        samples=0,
        seed=k,
    )
    return plan, view, picture


def points(plan: Script, cam: Camera, seed: int) -> dict:
    """A points file: tape crosses on the floor round the player, the free-throw line, the hoop where it shows."""
    rng = np.random.default_rng([seed, 1])
    forward, sideways = plan.directions()
    spot = -plan.distance_m * forward
    floor = [spot + a * forward + b * sideways for a in (-1.2, 0.0, 1.2) for b in (-1.2, 0.0, 1.2)]
    floor += [spot + a * forward + b * sideways for a, b in ((-3, -3), (-3, 3), (3, -3), (3, 3), (0, -4), (0, 4))]
    marks = [{"world_m": [round(float(v), 4) for v in place]} for place in floor]
    known = {
        "ring_centre": (0, 0, 3.048),
        "board_top_left": (-0.9144, 0.381, 3.9624),
        "board_top_right": (0.9144, 0.381, 3.9624),
        "board_bottom_left": (-0.9144, 0.381, 2.8956),
        "board_bottom_right": (0.9144, 0.381, 2.8956),
    }
    # a tape measure held upright on the floor shows heights where no hoop is in the picture
    marks += [{"world_m": [*(round(float(v), 4) for v in floor[k][:2]), 1.8]} for k in (0, 2, 6, 8)]
    seen = []
    for mark, place in [(m, np.array(m["world_m"])) for m in marks] + [
        ({"feature": name}, np.array(place)) for name, place in known.items()
    ]:
        px = cam.project(place) + rng.normal(0, CLICK_PX, 2)
        if cam.depth(place) > 0.5 and (px > 2).all() and px[0] < cam.width - 2 and px[1] < cam.height - 2:
            seen.append({**mark, "px": [round(float(v), 2) for v in px]})
    hfov_deg = round(float(np.degrees(2 * np.arctan(cam.width / 2 / cam.matrix[0, 0]))), 6)
    return {"image_size": [cam.width, cam.height], "court": "us", "hfov_deg": hfov_deg, "points": seen}


def record(
    plan: Script,
    view: str,
    picture: Picture,
    values: Sequence[str],
    given: argparse.Namespace,
    marks: Callable[[Camera], dict] | None = None,
) -> str:
    """Write a clip of one shot unless it is there; returns a line about it with some of its values.

    `given` are the options of `parser`; `marks` makes a points file.
    """
    stem = given.out / f"{plan.name}_{view}"
    if stem.with_suffix(".json").is_file() and not given.truth_only:
        return f"{stem.name}: is there"
    motion = compile_script(plan, given.cache)
    given.out.mkdir(parents=True, exist_ok=True)
    if marks is not None:
        points_file = stem.with_suffix(".points.json")
        points_file.write_text(json.dumps(marks(shot_camera(plan, picture)), indent=1) + "\n")
    said = write_clip(plan, motion, picture, stem, given.truth_only)["shots"][0]["measurements"]
    form = ", ".join(f"{name} {said[name]:.3g}" for name in values)
    return f"{stem.name}: {len(motion.ball) / RATE_HZ:.1f} s, {form}; {'; '.join(motion.notes) or 'as requested'}"


def parser(module: str, about: str, count: int, seed: int) -> argparse.ArgumentParser:
    """The options that all such shots have."""
    p = argparse.ArgumentParser(prog=f"python -m tests.studio.{module}", description=about)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--first", type=int, default=0)
    p.add_argument("--count", type=int, default=count)
    p.add_argument("--seed", type=int, default=seed)
    p.add_argument("--cache", type=Path, default=CACHE, help="where the bodies are kept, else $STUDIO_CACHE")
    p.add_argument("--truth-only", action="store_true", help="write the sidecars alone, without a picture")
    return p


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    p = parser("random_shots", __doc__, 32, 4)
    p.add_argument(
        "--around", action="store_true", help="cameras on any bearing from front to behind, not in four views"
    )
    p.add_argument("--varied", action="store_true", help="shots as other players do them, arms that stay bent too")
    given = p.parse_args(argv)
    values = ("elbow_at_set_deg", "arm_offset_at_set_m", "hold_s", "knee_min_deg", "feet_heading_deg")
    for k in range(given.first, given.first + given.count):
        plan, view, picture = script(given.seed, k, given.around, given.varied)
        print(record(plan, view, picture, values, given, lambda cam, p=plan, k=k: points(p, cam, k)), flush=True)


if __name__ == "__main__":
    main()
