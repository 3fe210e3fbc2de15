"""Render a scripted clip: python -m tests.studio.render SCRIPT --view side --out DIR (see README.md)."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import imageio
import numpy as np
from scipy.sparse import csr_matrix

from . import truth
from .ball import (
    BALL_RADIUS_M,
    BOARD_BOTTOM_M,
    BOARD_FROM_RING_M,
    BOARD_HALF_WIDTH_M,
    BOARD_TOP_M,
    RING_HEIGHT_M,
    RING_RADIUS_M,
)
from .body import skin
from .camera import VIEWS, Camera, Placement, PrintedBoard, place_camera
from .dress import LOOKS
from .places import PLACES
from .pose import rot_x
from .renderer import Renderer
from .session import Motion, Script, compile_script, load_script
from .tracks import RATE_HZ

CACHE = Path(os.environ.get("STUDIO_CACHE", Path(__file__).resolve().parent / ".cache"))
UNITS = (
    "metres, seconds, degrees; hoop frame: origin below the ring, x right, y toward the hoop, z up; "
    "px continuous, (0, 0) = top-left corner of the image; frame k shows t = k / fps"
)
PASSER_JOINTS = (
    "nose",
    *(f"{side}_{n}" for n in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle") for side in ("left", "right")),
)
RENDER_GAMMA = 1.6
"""The gamma of shaders/scene.frag: light adds up before it."""


@dataclass(frozen=True, slots=True)
class Picture:
    """How a clip is filmed and encoded."""

    placement: Placement = VIEWS["side"]
    width: int = 1280
    height: int = 720
    fps: int = 30
    hfov_deg: float = 70.0
    shutter: float = 0.0  # open part of the frame time
    noise: float = 2.0  # sensor noise, standard deviation in grey levels
    gain: float = 1.0  # exposure; 0.4 is dim
    samples: int = 4  # antialiasing, 0 or 4
    crf: int = 20
    preset: str = "fast"
    seed: int = 1
    board: PrintedBoard | None = None

    def __post_init__(self) -> None:
        """Reject what cannot be drawn or encoded."""
        if self.width % 2 or self.height % 2:
            raise ValueError(f"width and height must be even, not {self.width}x{self.height}")
        if self.fps <= 0 or RATE_HZ % self.fps:
            raise ValueError(f"fps must divide {RATE_HZ}, not {self.fps}")
        if not 0.0 <= self.shutter <= 1.0:
            raise ValueError(f"shutter must be 0 to 1, not {self.shutter:g}")


def shot_camera(script: Script, picture: Picture) -> Camera:
    """The camera of a clip; its sideways is toward the shooting side."""
    forward, sideways = script.directions()
    return place_camera(
        picture.placement,
        -script.distance_m * forward,
        forward,
        sideways,
        picture.width,
        picture.height,
        picture.hfov_deg,
    )


def frame_samples(motion: Motion, fps: int) -> np.ndarray:
    """Samples of the motion (T,) that the frames show."""
    return np.arange(0, len(motion.ball), RATE_HZ // fps)


def draw(script: Script, motion: Motion, cam: Camera, picture: Picture) -> Iterator[np.ndarray]:
    """Every frame (H, W, 3) uint8, RGB."""
    figures = [(motion.body, script.look), *((p.body, p.look) for p in motion.passers)]
    r = Renderer(figures, script.place, cam.width, cam.height, picture.gain, picture.board, picture.samples)
    step = RATE_HZ // picture.fps
    blur = np.arange(max(1, round(picture.shutter * step)))
    rng = np.random.default_rng(picture.seed)
    mid = motion.heads[:, motion.body.i("root")]
    for k in frame_samples(motion, picture.fps):
        total = np.zeros((cam.height, cam.width, 3), np.float32)
        for b in np.clip(k + blur - len(blur) // 2, 0, len(motion.ball) - 1):
            r.figures[0].pose(motion.rotation[b], motion.heads[b])
            for figure, passer in zip(r.figures[1:], motion.passers, strict=True):
                figure.pose(passer.rotation[b], passer.heads[b])
            turn = rot_x(motion.spin[b : b + 1] + 0.5)[0]
            total += r.draw(cam, motion.ball[b], turn, np.append(mid[b, :2], 1.0)).astype(np.float32) ** RENDER_GAMMA
        out = (total / len(blur)) ** (1 / RENDER_GAMMA)
        if picture.noise > 0:
            out = out + rng.normal(0, picture.noise, out.shape).astype(np.float32)
        yield np.clip(out, 0, 255).astype(np.uint8)


def render(script: Script, motion: Motion, picture: Picture, stem: Path) -> dict:
    """Write STEM.mp4, then STEM.npz and STEM.json; returns what is in the .json."""
    stem.parent.mkdir(parents=True, exist_ok=True)
    cam = shot_camera(script, picture)
    with imageio.get_writer(
        f"{stem}.mp4",
        fps=picture.fps,
        codec="libx264",
        quality=None,
        pixelformat="yuv420p",
        macro_block_size=2,
        output_params=["-crf", str(picture.crf), "-preset", picture.preset, "-movflags", "+faststart"],
    ) as writer:
        for frame in draw(script, motion, cam, picture):
            writer.append_data(frame)
    return write_sidecars(script, motion, cam, picture, stem)


def skin_keypoints(motion: Motion, frames: np.ndarray) -> np.ndarray:
    """COCO keypoints (T, K, 3) on the skin of the posed body."""
    body = motion.body
    used = np.flatnonzero(np.abs(body.keypoint_weights).sum(0) > 0)
    weights, points = csr_matrix(body.weights[used]), body.vertices[used]
    posed = np.stack([skin(body, weights, points, motion.rotation[k], motion.heads[k]) for k in frames])
    return np.einsum("kv,tvc->tkc", body.keypoint_weights[:, used], posed)


def write_clip(script: Script, motion: Motion, picture: Picture, stem: Path, truth_only: bool = False) -> dict:
    """Render a clip with its sidecars, or write these alone where only the truth has come to hold more."""
    if truth_only:
        return write_sidecars(script, motion, shot_camera(script, picture), picture, stem)
    return render(script, motion, picture, stem)


def write_sidecars(script: Script, motion: Motion, cam: Camera, picture: Picture, stem: Path) -> dict:
    """Exact truth: per-frame arrays in .npz, script, events and measurements in .json."""
    frames = frame_samples(motion, picture.fps)
    j = {n: p[frames] for n, p in truth.joints(motion).items()}
    names = list(j) + [f"surf_{n}" for n in motion.body.keypoint_names]
    joints = np.concatenate([np.stack(list(j.values()), 1), skin_keypoints(motion, frames)], 1)
    ball = motion.ball[frames]
    ring = np.array([0, 0, RING_HEIGHT_M])
    th = np.arange(64) * 2 * np.pi / 64
    rim = ring + RING_RADIUS_M * np.stack([np.cos(th), np.sin(th), 0 * th], 1)
    b, w = BOARD_FROM_RING_M, BOARD_HALF_WIDTH_M
    board = np.array([[-w, b, BOARD_TOP_M], [w, b, BOARD_TOP_M], [w, b, BOARD_BOTTOM_M], [-w, b, BOARD_BOTTOM_M]])
    shots = truth.measure(motion)
    angles = {
        f"{a}_{s}": truth.angle_deg(j[f"{s}_{p}"], j[f"{s}_{q}"], j[f"{s}_{r}"])
        for s in ("left", "right")
        for a, (p, q, r) in {"elbow": ("shoulder", "elbow", "wrist"), "knee": ("hip", "knee", "ankle")}.items()
    }
    passers = np.zeros((len(motion.passers), len(frames), len(PASSER_JOINTS), 3))
    for n, passer in enumerate(motion.passers):
        named = truth.body_joints(passer.body, passer.rotation[frames], passer.heads[frames])
        passers[n] = np.stack([named[name] for name in PASSER_JOINTS], 1)
    extra = {}
    if picture.board is not None:
        inner, outer = picture.board.corners()
        extra = {
            "charuco_world": inner,
            "charuco_px": cam.project(inner),
            "charuco_outer_world": outer,
            "charuco_outer_px": cam.project(outer),
        }
    releases = np.array([round(s["events_s"]["t_release"] * picture.fps) for s in shots], int)
    np.savez_compressed(
        f"{stem}.npz",
        K=cam.matrix,
        R=cam.rotation,
        t=cam.shift,
        fps=float(picture.fps),
        t_s=frames / RATE_HZ,
        names=np.array(names),
        joints=joints.astype(np.float32),
        joints_px=cam.project(joints).astype(np.float32),
        ball=ball,
        ball_px=cam.project(ball),
        ball_radius_px=cam.matrix[0, 0] * BALL_RADIUS_M / cam.depth(ball),
        release_frames=releases,
        planted_left=motion.planted["L"][frames],
        planted_right=motion.planted["R"][frames],
        rim_px=cam.project(rim),
        board_px=cam.project(board),
        rim_centre=ring,
        board=board,
        passer_names=np.array(PASSER_JOINTS),
        passer_joints=passers.astype(np.float32),
        passer_joints_px=cam.project(passers).astype(np.float32),
        **angles,
        **extra,
    )
    meta = {
        "name": stem.name,
        "script": script.name,
        "placement": asdict(picture.placement),
        "width": cam.width,
        "height": cam.height,
        "fps": picture.fps,
        "frames": len(frames),
        "duration_s": len(frames) / picture.fps,
        "hand": motion.hand,
        "player": asdict(script.player),
        "look": script.look,
        "place": script.place,
        "K": cam.matrix.tolist(),
        "R": cam.rotation.tolist(),
        "t": cam.shift.tolist(),
        "camera_centre_m": cam.centre.tolist(),
        "hfov_deg": picture.hfov_deg,
        "shutter": picture.shutter,
        "noise": picture.noise,
        "gain": picture.gain,
        "release_frames": releases.tolist(),
        "rim_centre": ring.tolist(),
        "ball_radius_m": BALL_RADIUS_M,
        "shots": shots,
        "others": [{"act": n, "t_begin_s": a, "t_end_s": b} for n, a, b in motion.acts if n != "shot"],
        "passers": script.passers,
        "foot_contacts": truth.foot_contacts(motion),
        "notes": motion.notes,
        "charuco": asdict(picture.board) | {"dictionary": "DICT_4X4_50"} if picture.board else None,
        "script_text": asdict(script),
        "units": UNITS,
    }
    Path(f"{stem}.json").write_text(json.dumps(meta, indent=1, default=float) + "\n")
    return meta


def _board(text: str) -> PrintedBoard:
    """X,Y[,HEADING] to a board on the floor."""
    x, y, *heading = (float(v) for v in text.split(","))
    return PrintedBoard(x, y, heading[0] if heading else 0.0)


def _placement(text: str) -> Placement:
    """DISTANCE,BEARING,HEIGHT,TILT[,AHEAD] to a camera's place."""
    values = [float(v) for v in text.split(",")]
    if len(values) not in (4, 5):
        raise ValueError(f"--camera takes DISTANCE,BEARING,HEIGHT,TILT[,AHEAD], not {text!r}")
    return Placement(*values)


def _parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(prog="python -m tests.studio.render", description=__doc__)
    p.add_argument("script", help="name of a script in scripts/ or a .json file")
    p.add_argument("--view", choices=tuple(VIEWS), default="side")
    p.add_argument(
        "--camera",
        metavar="DISTANCE,BEARING,HEIGHT,TILT[,AHEAD]",
        help="instead of --view: metres from the shooter, degrees from the direction of the hoop toward the shooting "
        "side, metres above the floor, degrees up, aim this far in front of the shooter",
    )
    p.add_argument("--out", type=Path, default=Path("clips"))
    p.add_argument("--name", help="file name without ending; default SCRIPT_VIEW")
    p.add_argument("--cache", type=Path, default=CACHE, help="where the bodies are kept, else $STUDIO_CACHE")
    p.add_argument("--size", default="1280x720", help="WIDTHxHEIGHT")
    p.add_argument("--fps", type=int, default=30, help=f"a divisor of {RATE_HZ}")
    p.add_argument("--hfov", type=float, default=70.0, help="horizontal field of view, degrees")
    p.add_argument("--shutter", type=float, default=0.0, help="motion blur: open part of the frame time, e.g. 0.5")
    p.add_argument("--noise", type=float, default=2.0, help="sensor noise, standard deviation in grey levels")
    p.add_argument("--gain", type=float, default=1.0, help="exposure; 0.4 is dim")
    p.add_argument("--hand", choices=("left", "right"), help="override the player's hand")
    p.add_argument("--look", choices=tuple(LOOKS))
    p.add_argument("--place", choices=tuple(PLACES))
    p.add_argument(
        "--charuco",
        metavar="X,Y[,HEADING]",
        help="lay a printed 5x7 ChArUco board flat at this place, axis toward the hoop",
    )
    p.add_argument("--samples", type=int, choices=(0, 4), default=4, help="0: no antialiasing, 2.5 times faster")
    p.add_argument("--crf", type=int, default=20)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--truth-only", action="store_true", help="write the sidecars alone, without a picture")
    return p


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    args = _parser().parse_args(argv)
    try:
        script = load_script(args.script)
        script = replace(script, look=args.look or script.look, place=args.place or script.place)
        if args.hand:
            script = replace(script, player=replace(script.player, hand=args.hand))
        width, height = (int(v) for v in args.size.split("x"))
        picture = Picture(
            placement=_placement(args.camera) if args.camera else VIEWS[args.view],
            width=width,
            height=height,
            fps=args.fps,
            hfov_deg=args.hfov,
            shutter=args.shutter,
            noise=args.noise,
            gain=args.gain,
            samples=args.samples,
            crf=args.crf,
            seed=args.seed,
            board=_board(args.charuco) if args.charuco else None,
        )
        motion = compile_script(script, args.cache)
    except ValueError as error:
        print(f"render: {error}", file=sys.stderr)
        return 2
    stem = args.out / (args.name or f"{script.name}_{'camera' if args.camera else args.view}")
    if args.truth_only:
        args.out.mkdir(parents=True, exist_ok=True)
        write_sidecars(script, motion, shot_camera(script, picture), picture, stem)
    else:
        render(script, motion, picture, stem)
    notes = "; ".join(motion.notes) or "as requested"
    print(f"{stem}: {len(motion.ball) / RATE_HZ:.2f} s of clip; {len(motion.shots)} shots; {notes}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
