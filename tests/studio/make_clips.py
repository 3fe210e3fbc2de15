"""Make the committed clips again, all or by name: python -m tests.studio.make_clips [NAME ...] (see README.md)."""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import imageio_ffmpeg
import numpy as np

from . import sidecar
from .camera import VIEWS, Placement
from .render import CACHE, Picture, write_clip
from .session import compile_script, load_script

ROOT = Path(__file__).resolve().parents[2]
CLIPS = ROOT / "tests" / "clips"
SMALL = {"width": 640, "height": 360, "shutter": 0.25, "crf": 25, "preset": "slow"}
TINY = {"width": 480, "height": 272, "shutter": 0.25, "crf": 25, "preset": "slow"}
DROPPED = (2, 5)
"""Of every seven frames, these are left out of the variable-rate clip."""


def as_rendered(source: Path, goal: Path) -> None:
    """The clip without further treatment."""
    shutil.copyfile(source, goal)


def turn_as_phones_do(source: Path, goal: Path) -> None:
    """Store the upright portrait picture lying on its side, with the display matrix that sets it upright again."""
    with tempfile.TemporaryDirectory() as folder:
        lying = Path(folder) / "lying.mp4"
        _ffmpeg("-i", source, "-vf", "transpose=cclock", *_x264(24), lying)
        _ffmpeg("-display_rotation", "-90", "-i", lying, "-c", "copy", "-movflags", "+faststart", goal)


def drop_frames(source: Path, goal: Path) -> None:
    """Leave frames out and keep the times of the others: a variable rate."""
    expression = "+".join(f"eq(mod(n\\,7)\\,{k})" for k in DROPPED)
    _ffmpeg("-i", source, "-vf", f"select='not({expression})'", "-fps_mode", "passthrough", *_x264(24), goal)


def _x264(crf: int) -> tuple[str, ...]:
    return ("-c:v", "libx264", "-crf", str(crf), "-preset", "slow", "-pix_fmt", "yuv420p", "-movflags", "+faststart")


def _ffmpeg(*args: object) -> None:
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", *(str(a) for a in args)]
    subprocess.run(command, check=True)


@dataclass(frozen=True, slots=True)
class Clip:
    """One committed clip."""

    script: str
    picture: Picture
    folder: Path = CLIPS
    finish: Callable[[Path, Path], None] = as_rendered
    per_frame: bool = True  # pixels of ball and joints in the sidecar


TABLE: dict[str, Clip] = {
    "demo_clip": Clip(
        "demo",
        Picture(VIEWS["court_side"], hfov_deg=74, shutter=0.25, crf=22, preset="slow"),
        ROOT / "live",
        per_frame=False,
    ),
    "good_free_throw": Clip("good_free_throw", Picture(VIEWS["side"], shutter=0.25, crf=25, preset="slow")),
    "free_throw_front": Clip("good_free_throw", Picture(VIEWS["front"], **SMALL)),
    "jump_shot": Clip("good_jump_shot_two_motion", Picture(VIEWS["court_side"], hfov_deg=74, **SMALL)),
    "left_handed": Clip("left_handed", Picture(VIEWS["side"], **SMALL)),
    "not_a_shot": Clip("not_a_shot", Picture(VIEWS["side"], **SMALL)),
    "arms_out": Clip("arms_out", Picture(VIEWS["side"], **SMALL)),
    "signals": Clip("signals", Picture(Placement(4.2, 25, 1.0, 4.5), **SMALL)),
    "close_palm": Clip(
        "close_palm", Picture(Placement(1.5, 85, 1.5, 9.5), hfov_deg=76, shutter=0.25, crf=27, preset="slow")
    ),
    "passer_by": Clip("passer_by", Picture(VIEWS["side"], **SMALL)),
    "portrait_rotated": Clip(
        "good_free_throw",
        Picture(Placement(3.6, 90, 1.0, 4), 360, 640, hfov_deg=43, shutter=0.25, crf=20),
        finish=turn_as_phones_do,
    ),
    "variable_rate": Clip("good_free_throw", Picture(VIEWS["side"], **TINY | {"crf": 20}), finish=drop_frames),
    "fps_15": Clip("good_free_throw", Picture(VIEWS["side"], fps=15, **TINY)),
    "fps_60": Clip("good_free_throw", Picture(VIEWS["side"], fps=60, **TINY)),
    "fps_120": Clip("good_free_throw", Picture(VIEWS["side"], fps=120, **TINY)),
}


def make(name: str, cache: Path, full: Path | None = None, truth_only: bool = False) -> Path:
    """Render one clip and write it with its sidecar; `full` also keeps the complete truth there.

    `truth_only` writes the sidecar of the clip that is there, for a truth that has come to hold more.
    """
    clip = TABLE[name]
    script = load_script(clip.script)
    motion = compile_script(script, cache)
    with tempfile.TemporaryDirectory() as folder:
        stem = (full or Path(folder)) / name
        goal = clip.folder / f"{name}.mp4"
        meta = write_clip(script, motion, clip.picture, stem, truth_only)
        if not truth_only:
            clip.folder.mkdir(parents=True, exist_ok=True)
            clip.finish(stem.with_suffix(".mp4"), goal)
        with np.load(stem.with_suffix(".npz")) as loaded:
            arrays = dict(loaded)
    sidecar.write(goal.with_suffix(".json"), _content(name, meta, arrays))
    return goal


def _content(name: str, meta: dict, arrays: dict[str, np.ndarray]) -> dict:
    """The committed sidecar from the complete truth of the clip as rendered."""
    clip = TABLE[name]
    made_by = f"python -m tests.studio.make_clips {name}"
    content = sidecar.compact(meta, arrays if clip.per_frame else None, made_by=made_by)
    if clip.finish is drop_frames:
        kept = [k for k in range(meta["frames"]) if k % 7 not in DROPPED]
        content |= {"frames": len(kept), "t_s": [round(k / meta["fps"], 5) for k in kept]}
        content |= {key: [content[key][k] for k in kept] for key in ("ball_px", "joints_px")}
    return content


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(prog="python -m tests.studio.make_clips", description=__doc__)
    p.add_argument("names", nargs="*", metavar="NAME", help=f"default all: {', '.join(TABLE)}")
    p.add_argument("--cache", type=Path, default=CACHE, help="where the bodies are kept, else $STUDIO_CACHE")
    p.add_argument("--full", type=Path, metavar="DIR", help="also keep the complete truth (.npz, .json) in DIR")
    p.add_argument("--truth-only", action="store_true", help="write the sidecars alone, without a picture")
    args = p.parse_args(argv)
    if unknown := set(args.names) - set(TABLE):
        print(f"make_clips: no clip {', '.join(sorted(unknown))}; there are: {', '.join(TABLE)}", file=sys.stderr)
        return 2
    for name in args.names or TABLE:
        goal = make(name, args.cache, args.full, args.truth_only)
        print(f"{goal.relative_to(ROOT)}: {goal.stat().st_size / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
