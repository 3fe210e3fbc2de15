"""Shots with one fault each, and sound ones, from every side and in poor light, for tests/faults_named.py.

    python -m tests.studio.fault_shots --out DIR [--list] [PART-OF-A-NAME ...]

Every script in SCRIPTS is filmed from four sides; each of CONDITIONS films it once more from one of them, another side
for the next script. Last come sessions: the scripts of IN_SESSIONS from four sides, REPS shots each, with the scatter
that shots of one player have. Clips are named SCRIPT_VIEW_CONDITION and come with NAME.points.json for `rimward
calibrate`. Clips that are there are left alone, so a broken run goes on where it ended.
"""

from __future__ import annotations

import argparse
import json
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from .camera import VIEWS
from .faults import FAULTY, SESSION, SIDES, SOUND
from .random_shots import points
from .render import CACHE, Picture, shot_camera, write_clip
from .session import Script, compile_script, load_script
from .shot import Shot

SCRIPTS = (*FAULTY, *SOUND)
SMALL = {"width": 640, "height": 360}
CONDITIONS: dict[str, dict] = {
    "look": {},
    "dim": {"gain": 0.45, "noise": 5.0},
    "noise": {"noise": 8.0},
    "640x480": {"width": 640, "height": 480, "hfov_deg": 55.4},
    "60fps": SMALL | {"fps": 60},
    "blur": SMALL | {"shutter": 0.5},
}
"""What differs from the plain picture of 1280x720 at 30 a second; `look` changes clothes, skin and place."""
IN_SESSIONS = (*FAULTY, *SOUND[:2], "left_handed")
REPS = 5
SCATTER = {
    "elbow_at_set_deg": 2.0,
    "elbow_at_release_deg": 3.0,
    "set_above_eyes_m": 0.012,
    "elbow_offset_at_set_m": 0.012,
    "knee_min_deg": 2.5,
    "hip_min_deg": 2.5,
    "hold_s": 0.02,
    "follow_through_s": 0.06,
    "shoulder_turn_deg": 2.5,
    "landing_forward_m": 0.03,
    "release_angle_deg": 1.0,
    "target_side_m": 0.08,
    "target_long_m": 0.10,
}
"""One standard deviation from rep to rep: elbow and knee as in the open free-throw data (about 2 degrees), the rest
chosen."""
OTHER_LOOK = {"blue": "white", "white": "grey", "green": "red", "red": "green", "grey": "blue"}
OTHER_PLACE = {"gym": "driveway", "driveway": "gym"}


@dataclass(frozen=True, slots=True)
class Take:
    """One clip to make."""

    script: str
    view: str
    condition: str

    @property
    def name(self) -> str:
        return f"{self.script}_{self.view}_{self.condition}"


def takes() -> Iterator[Take]:
    """All of them: plain from every side, then the conditions in turn."""
    for view in SIDES:
        for script in SCRIPTS:
            yield Take(script, view, "plain")
    for k, condition in enumerate(CONDITIONS):
        for n, script in enumerate(SCRIPTS):
            yield Take(script, SIDES[(n + k) % len(SIDES)], condition)
    for view in SIDES:
        for script in IN_SESSIONS:
            yield Take(script, view, SESSION)


def session(script: Script) -> Script:
    """The script's shot again and again; the ball comes back in between."""
    rng = np.random.default_rng(zlib.crc32(script.name.encode()))
    (plain,) = script.acts
    acts: list[dict] = []
    for _ in range(REPS):
        shot = Shot(**{name: value for name, value in plain.items() if name != "do"})
        around = {name: getattr(shot, name) + rng.normal(0.0, sigma) for name, sigma in SCATTER.items()}
        around["hold_s"] = max(around["hold_s"], 0.0)
        acts += [{"do": "shot", **asdict(replace(shot, **around))}, {"do": "catch", "s": 1.0}]
    return replace(script, acts=acts[:-1])


def filmed(take: Take) -> tuple[Script, Picture]:
    """Script and picture of a take."""
    script = load_script(take.script)
    if take.condition == "look":
        script = replace(script, look=OTHER_LOOK[script.look], place=OTHER_PLACE[script.place])
    if take.condition == SESSION:
        script = session(script)
    picture = Picture(placement=VIEWS[take.view], samples=0)
    return script, replace(picture, **CONDITIONS.get(take.condition, {}))


def make(take: Take, out: Path, cache: Path, truth_only: bool = False) -> str:
    """Film a take unless it is there; returns a line about it."""
    stem = out / take.name
    if (out / f"{take.name}.json").is_file() and not truth_only:
        return f"{take.name}: is there"
    script, picture = filmed(take)
    out.mkdir(parents=True, exist_ok=True)
    cam = shot_camera(script, picture)
    marks = points(script, cam, 0)
    (out / f"{take.name}.points.json").write_text(json.dumps(marks, indent=1) + "\n")
    motion = compile_script(script, cache)
    meta = write_clip(script, motion, picture, stem, truth_only)
    said = "; ".join(motion.notes) or "as requested"
    return f"{take.name}: {meta['duration_s']:.1f} s, {meta['frames']} frames; {said}"


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    p = argparse.ArgumentParser(prog="python -m tests.studio.fault_shots", description=__doc__)
    p.add_argument("names", nargs="*", help="only takes whose name holds one of these")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--cache", type=Path, default=CACHE, help="where the bodies are kept, else $STUDIO_CACHE")
    p.add_argument("--truth-only", action="store_true", help="write the sidecars alone, without a picture")
    p.add_argument("--list", action="store_true", help="only say what would be made")
    args = p.parse_args(argv)
    for take in takes():
        if args.names and not any(part in take.name for part in args.names):
            continue
        print(take.name if args.list else make(take, args.out, args.cache, args.truth_only), flush=True)


if __name__ == "__main__":
    main()
