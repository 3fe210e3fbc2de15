"""How good the lifted measurements are: every value against known truth, by view.

    python -m tests.accuracy [--cache DIR] [--rig DIR] [--limbs] [PART-OF-A-NAME ...]

Runs the real pose network, the ball and the lifting on the shipped test clips, on the reference clips beside the
checkout (calibrated from their points files) and, with --rig, on clips rendered by tests/studio (.mp4 with .json beside
it). The network's landmarks are kept in --cache (default: the system's temporary folder), so a second run takes seconds
a clip. Truth comes from the file beside each clip; the release is looked for near the true one. `head_travel_m` is not
scored: the files hold an older definition. Nor is what only a close view shows.

The player's stature is known. With --limbs so are upper arm, forearm, thigh and shank, as from the pose with the arms
out: true lengths with an error of 2.5 percent, fixed by the clip's name; clips without joints beside them are left out.

Skill is 1 - mean absolute error over that of the best constant: a program that always prints the same value has 0.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
import zlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from rimward.calibration.lens import typical_lens
from rimward.calibration.marks import calibrate_marks
from rimward.calibration.points import read_points
from rimward.calibration.record import Calibration
from rimward.live import measure, measure3d, places, reps
from rimward.live.assets import joint_network
from rimward.live.ball import BallTracker
from rimward.live.ball_edge import Outline, outline
from rimward.live.body import BALL_RADIUS_M, DEFAULT_STATURE_M, ScaleTracker
from rimward.live.clip import open_clip
from rimward.live.lifting import Body, NotLifted
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import STATURE_GUESS_SIGMA, STATURE_SIGMA
from rimward.live.pose_model import model_path
from rimward.live.records import Frame, Measurement, Observation, Pose
from rimward.live.settings import load_settings
from rimward.live.track import from_observations
from rimward.live.viewpoint import view_of

ROOT = Path(__file__).resolve().parents[1]
TRUTH = ROOT.parent / "shared" / "truth" / "clips"
VIEWS = ("side", "diag", "front", "behind")
NOT_SCORED = ("head_travel_m",)
CLOSE_ONLY = ("guide_finger_spread_deg", "guide_thumb_off_s", "guide_hand_off_s", "palm_gap_m", "wrist_flexion_deg")
"""From farther off these are null by intent, so they count in no share."""
OUR_OWN = tuple(
    f"{name}_m"
    for name in (
        *("ball_offset_at_set", "wrist_from_ball", "knee_over_foot"),
        *("shoulders_over_toes", "hips_over_feet", "shoulders_over_feet"),
    )
)
"""Beyond the measurements that were agreed on: in the tables, but in no share of all values."""
LIMBS = {
    "upper_arm": ("shoulder", "elbow"),
    "forearm": ("elbow", "wrist"),
    "thigh": ("hip", "knee"),
    "shank": ("knee", "ankle"),
}
LIMB_ERROR, LIMB_SIGMA = 0.025, 0.03
NEAR = {"deg": 5.0, "m": 0.03, "s": 0.067, "mps": 0.2}


@dataclass(frozen=True)
class Case:
    """A clip with one or more shots whose form is known."""

    path: Path
    view: str
    hand: str
    stature_m: float
    calibration: Calibration
    shots: tuple[tuple[float, dict[str, float | None]], ...]
    """(true release, true measurements)"""
    stature_told: bool = True
    """False: `stature_m` is what the program takes where nobody says it."""


@dataclass(frozen=True)
class Row:
    """One value of one shot."""

    clip: str
    view: str
    name: str
    true: float
    measured: Measurement


def exact(camera: dict[str, Any], size: tuple[int, int]) -> Calibration:
    """A camera that is known exactly, as a rendered clip's."""
    parts = {key: np.array(camera[key], float) for key in ("K", "R", "t")}
    u, _, v = np.linalg.svd(parts["R"])  # sidecars are rounded
    return Calibration(
        size, parts["K"], np.zeros(5), u @ v, parts["t"], 0.0, np.zeros((7, 7)), 0.0, 0.0, "marks", "known"
    )


def reference_cases(folder: Path = TRUTH) -> Iterator[Case]:
    for path in sorted(folder.glob("*.mp4")):
        truth = json.loads(path.with_name(f"{path.stem}.truth.json").read_text())
        points = read_points(path.with_name(f"{path.stem}.points.json"))
        calibration = calibrate_marks(points.marks, points.lens, points.court)
        shots = tuple((rep["events_s"]["t_release_s"], rep["measurements"]) for rep in truth["reps"])
        yield Case(path, truth["view"], truth["hand"], truth["stature_m"], calibration, shots)


def studio_cases(folder: Path) -> Iterator[Case]:
    """Clips of tests/studio: the complete sidecars of `render` and the compact ones of the shipped clips."""
    for path in sorted(folder.glob("*.mp4")):
        if not path.with_suffix(".json").is_file():
            continue
        sheet = json.loads(path.with_suffix(".json").read_text())
        camera, player = sheet.get("camera", sheet), sheet.get("player", sheet)
        found = sheet.get("reps", sheet.get("shots", []))
        shots = tuple(
            (rep["events_s"]["t_release"], rep["measurements"]) for rep in found if rep["events_s"].get("t_release")
        )
        if not shots:
            continue
        calibration = exact(camera, (camera["width"], camera["height"]))
        yield Case(path, _view(calibration), player["hand"], player["stature_m"], calibration, shots)


def _view(calibration: Calibration) -> str:
    """Named by where the camera stands round a player at the free-throw line who faces the ring."""
    return view_of(calibration, np.array([0.0, -4.2])).replace("half front", "diag")


def clicked(case: Case) -> Case:
    """The same with a camera placed by the marks that were clicked in its first picture, the lens unknown."""
    points = read_points(case.path.with_suffix(".points.json"))
    lens = typical_lens(case.calibration.image_size)
    return replace(case, calibration=calibrate_marks(points.marks, lens, points.court))


def untold(case: Case) -> Case:
    """The same of somebody whose stature nobody told."""
    return replace(case, stature_m=DEFAULT_STATURE_M, stature_told=False)


def observe(case: Case, model: Path, cache: Path) -> tuple[list[Observation], list[Outline | None], list[float]]:
    """What is seen in every frame of a clip, the ball's outlines, and pixels a metre."""
    kept = cache / f"{case.path.stem}-{case.path.stat().st_size}.npz"
    poses = list(np.load(kept)["poses"]) if kept.is_file() else None
    network = MediapipePose(model) if poses is None else None
    fresh, ball, scale = [], BallTracker(2 * BALL_RADIUS_M), ScaleTracker(case.stature_m)
    observations: list[Observation] = []
    outlines: list[Outline | None] = []
    scales: list[float] = []
    clip = open_clip(case.path)
    for frame in clip:
        if not isinstance(frame, Frame):
            continue
        if poses is None:
            assert network is not None
            people = network.estimate(frame, 1)
            row = np.full((33, 4), np.nan)
            if people:
                row = np.column_stack([people[0].landmarks_px, people[0].visibility, people[0].depth_px])
            fresh.append(row)
        else:
            row = poses[len(observations)]
        pose = Pose(row[:, :2], row[:, 2], row[:, 3]) if np.isfinite(row).all() else None
        px_per_m = scale.update(frame.t_s, pose)
        found = ball.update(frame.image, frame.t_s, pose, px_per_m)
        observations.append(Observation(frame.index, frame.t_s, pose, found))
        outlines.append(None if found is None else outline(frame.image, found))
        scales.append(px_per_m or np.nan)
    clip.close()
    if network is not None:
        network.close()
        cache.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(kept, poses=np.array(fresh))
    return observations, outlines, scales


def limbs(path: Path) -> dict[str, tuple[float, float]] | None:
    """Lengths as measured before the first rep, with their errors; None when the clip's joints are not known."""
    files = [path.with_suffix(".npz"), path.with_name(f"{path.stem}.truth.npz")]
    file = next((file for file in files if file.is_file()), None)
    if file is None:
        return None
    with np.load(file) as data:
        names, joints = [str(name) for name in data["names"]], data["joints"].astype(float)
    random = np.random.default_rng(zlib.crc32(path.stem.encode()))
    found = {}
    for limb, ends in LIMBS.items():
        places = [[joints[:, names.index(f"{side}_{end}")] for end in ends] for side in ("left", "right")]
        true = float(np.mean([np.median(np.linalg.norm(a - b, axis=1)) for a, b in places]))
        found[limb] = true * (1 + LIMB_ERROR * random.standard_normal()), LIMB_SIGMA * true
    return found


def rows(case: Case, model: Path, cache: Path, with_limbs: bool = False) -> tuple[list[Row], list[float]]:
    """All values of a clip against its truth, and the milliseconds that each rep's lifting took."""
    lengths = limbs(case.path) if with_limbs else {}
    if lengths is None:
        return [], []
    observations, outlines, scales = observe(case, model, cache)
    settings, out, took = load_settings().phases, [], []
    for release_s, truth in case.shots:
        near = [k for k, one in enumerate(observations) if -4.0 <= one.t_s - release_s <= 2.6]
        window = [observations[k] for k in near]
        px_per_m = float(np.nanmedian([scales[k] for k in near]))
        track = from_observations(window, px_per_m, case.calibration.image_size)
        reading = reps.read(track, release_s, case.hand, settings)  # type: ignore[arg-type]
        if isinstance(reading, reps.NotAShot):
            print(f"{case.path.stem}: no shot near {release_s:.2f} s: {reading.reason}")
            continue
        values = measure.measure(measure.shot(reading, case.stature_m, case.stature_told))
        start = time.process_time()
        sigma = STATURE_SIGMA if case.stature_told else STATURE_GUESS_SIGMA
        body = Body(case.stature_m, sigma, BALL_RADIUS_M, lengths)
        lifted = measure3d.measure_rep(
            window, [outlines[k] for k in near], reading, case.calibration, body, joints=joint_network()
        )
        took.append(1000 * (time.process_time() - start))
        if isinstance(lifted, NotLifted):
            print(f"{case.path.stem}: not lifted: {lifted.reason}")
            continue
        values = measure3d.better(values, lifted[1])
        out += [
            Row(case.path.stem, case.view, name, true, values[name])
            for name, true in truth.items()
            if true is not None and name in values and name not in (*NOT_SCORED, *CLOSE_ONLY)
        ]
    return out, took


def show(found: Sequence[Row], console: Console) -> None:
    """The table: median error by view with the number of values given, share within 2 sigma, share near."""
    by_name: dict[str, list[Row]] = defaultdict(list)
    for row in found:
        by_name[row.name].append(row)
    table = Table(title="median absolute error by view (values given of shots)")
    for column in ("measurement", *VIEWS, "bias", "median sigma", "in 2 sigma", "skill"):
        table.add_column(column)
    for name in measure.MEASUREMENTS:
        if name not in by_name:
            continue
        cells = []
        for view in VIEWS:
            here = [row for row in by_name[name] if row.view == view]
            off = [abs(error(row)) for row in here if row.measured.value is not None]
            cells.append(f"{np.median(off):.3g} ({len(off)}/{len(here)})" if off else f"- (0/{len(here)})")
        given = [row for row in by_name[name] if row.measured.value is not None]
        if given:
            errors = np.array([error(row) for row in given])
            sigmas = np.array([row.measured.sigma for row in given], float)
            within = f"{np.mean(np.abs(errors) < 2 * sigmas):.2f}"
            cells += [f"{np.median(errors):+.3g}", f"{np.median(sigmas):.3g}", within, skill(given)]
        table.add_row(name, *cells)
    console.print(table)
    counted = [row for row in found if row.name not in OUR_OWN]
    known = [(abs(error(row)) / near(row.name) if row.measured.value is not None else np.inf) for row in counted]
    far = [value for value in known if np.isfinite(value)]
    console.print(
        f"n {len(known)}: given {np.mean(np.isfinite(known)):.2f}, near {np.mean(np.array(known) <= 1):.2f},"
        f" off by more than three times that {np.sum(np.array(far) > 3) / len(known):.3f}"
    )


def skill(given: Sequence[Row]) -> str:
    """Against the best constant; nothing where the truth hardly varies, for then there is nothing to tell."""
    true = np.array([row.true for row in given])
    constant = float(np.mean(np.abs(true - np.median(true))))
    if len(given) < 8 or constant < 0.3 * near(given[0].name):
        return ""
    return f"{1 - float(np.mean([abs(error(row)) for row in given])) / constant:.2f}"


def error(row: Row) -> float:
    assert row.measured.value is not None
    return row.measured.value - row.true


def near(name: str) -> float:
    """How near a value must lie to count as near."""
    return NEAR[name.rpartition("_")[2]]


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="only clips whose name holds one of these")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rimward-accuracy")
    parser.add_argument("--rig", type=Path, help="folder of clips rendered by tests/studio")
    parser.add_argument(
        "--limbs", action="store_true", help="limb lengths are known to 3 percent, not only the stature"
    )
    parser.add_argument("--verbose", action="store_true", help="every value")
    given = parser.parse_args(arguments)
    model = model_path(places.data_folder())
    console = Console(width=150)
    groups = [("reference clips (one motion-captured player, rendered)", reference_cases())]
    groups.append(("shipped clips (invented players, rendered)", studio_cases(ROOT / "tests" / "clips")))
    if given.rig is not None:
        groups.append(("rig clips (invented players, rendered)", studio_cases(given.rig)))
    for title, cases in groups:
        found: list[Row] = []
        took: list[float] = []
        for case in cases:
            if given.names and not any(part in case.path.stem for part in given.names):
                continue
            new, times = rows(case, model, given.cache, given.limbs)
            found, took = found + new, took + times
            for row in new if given.verbose else []:
                value, sigma = row.measured.value, row.measured.sigma
                said = row.measured.reason if value is None else f"{value:.3f} +- {sigma:.3f}"
                print(f"{row.clip:36s} {row.name:28s} true {row.true:8.3f} measured {said}")
        if found:
            console.rule(title)
            show(found, console)
            console.print(f"lifting and measuring: median {np.median(took):.0f} ms a rep")


if __name__ == "__main__":
    main()
