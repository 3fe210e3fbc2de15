"""What better landmarks would bring: the same program with joints that somebody else found, each within a known error.

    python -m tests.limits [--rig DIR]

For a clip whose joints are known, those take the place of what was learned of the network's landmarks (joints.py):
their true places in the picture, or in space, with a random error of which half the square holds for the whole shot.
Instants, ball and the values' own errors stay as they are. It tells what is lost by the landmarks and what by looking
from one place, and so what to work on. The clips are those of tests.accuracy and, with `--rig`, of tests.skill.
"""

from __future__ import annotations

import argparse
import tempfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
from rich.console import Console
from rich.table import Table

from rimward.calibration.record import Calibration
from rimward.live import joints as network
from rimward.live import places
from rimward.live.joints import JOINTS, JointNetwork, Learned, landmark
from rimward.live.lifting import Seen
from rimward.live.pose_model import model_path
from rimward.live.records import FloatArray
from rimward.live.skeleton import INDEX, Side

from .accuracy import OUR_OWN, Case, Row, error, near, reference_cases, rows, studio_cases

STEPS: tuple[tuple[float | None, float | None], ...] = (
    (None, None),
    (0.02, None),
    (0.01, None),
    (0.01, 0.03),
    (0.005, 0.01),
)
"""Errors in the picture and in depth, metres; None for those of what was learned."""


@dataclass(frozen=True)
class Known:
    """Stands for joints.learned: what is known of the joints beside their landmarks."""

    path: Path
    """Of the clip's true joints."""
    in_picture_m: float
    deep_m: float | None

    def __call__(
        self, window: Seen, calibration: Calibration, stature_m: float, hand: Side, joints: JointNetwork
    ) -> Learned:
        found = network.learned(window, calibration, stature_m, hand, joints)
        with np.load(self.path) as data:
            names, px, places_m = [str(name) for name in data["names"]], data["joints_px"], data["joints"]
            ahead, rate_hz = np.asarray(data["R"], float)[2], float(data["fps"])
        frames = np.clip(np.round(window.t_s * rate_hz).astype(int), 0, len(px) - 1)
        hips = places_m[frames][:, [names.index("left_hip"), names.index("right_hip")]].mean(axis=1)
        random = np.random.default_rng(zlib.crc32(self.path.stem.encode()))

        def error(sigma_m: float, *shape: int) -> FloatArray:
            half = sigma_m / np.sqrt(2.0)
            return random.normal(0, half, shape) + random.normal(0, half, (len(frames), *shape))

        shift, shift_sigma = found.shift.copy(), found.shift_sigma.copy()
        depth, depth_sigma = found.depth.copy(), found.depth_sigma.copy()
        for j, (side, joint) in enumerate(JOINTS):
            name = landmark(side, joint, hand)
            if name not in names:
                continue  # of feet the data have the skin
            at = names.index(name)
            drawn = window.points_px[:, INDEX[name]]
            shift[:, j] = (px[frames, at] - drawn) / window.stature_px + error(self.in_picture_m, 2) / stature_m
            shift_sigma[:, j] = self.in_picture_m / stature_m
            if self.deep_m is not None:
                depth[:, j] = ((places_m[frames, at] - hips) @ ahead + error(self.deep_m)) / stature_m
                depth_sigma[:, j] = self.deep_m / stature_m
        return replace(found, shift=shift, shift_sigma=shift_sigma, depth=depth, depth_sigma=depth_sigma)


def measured(case: Case, step: tuple[float | None, float | None], model: Path, cache: Path) -> list[Row]:
    """All values of a clip; none where its joints are not known."""
    files = [case.path.with_suffix(".npz"), case.path.with_name(f"{case.path.stem}.truth.npz")]
    file = next((file for file in files if file.is_file()), None)
    in_picture_m, deep_m = step
    if file is None or in_picture_m is None:
        return [] if file is None else rows(case, model, cache)[0]
    with patch("rimward.live.measure3d.learned", Known(file, in_picture_m, deep_m)):
        return rows(case, model, cache)[0]


def shares(found: Sequence[Row]) -> tuple[str, ...]:
    """Near, null and far off of all values, near of those that were given, within two errors of those."""
    counted = [row for row in found if row.name not in OUR_OWN]
    given = [row for row in counted if row.measured.value is not None]
    off = np.array([abs(error(row)) / near(row.name) for row in given])
    inside = [abs(error(row)) < 2 * (row.measured.sigma or 0.0) for row in given]
    values = len(counted)
    parts = (sum(off <= 1) / values, 1 - len(given) / values, sum(off > 3) / values, np.mean(off <= 1), np.mean(inside))
    return (str(values), *(f"{100 * float(part):.1f}" for part in parts))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.limits", description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rimward-accuracy")
    parser.add_argument("--rig", type=Path, help="folder of tests.studio.random_shots")
    given = parser.parse_args(arguments)
    model = model_path(places.data_folder())
    groups = {"captured": list(reference_cases())}
    if given.rig is not None:
        groups["rendered"] = list(studio_cases(given.rig))
    table = Table(title="joints known within")
    headings = (
        "clips",
        "picture",
        "depth",
        "values",
        "near %",
        "null %",
        "far off %",
        "near of given %",
        "in 2 sigma %",
    )
    for heading in headings:
        table.add_column(heading, justify="left" if heading == "clips" else "right")
    for name, cases in groups.items():
        for step in STEPS:
            found = [row for case in cases for row in measured(case, step, model, given.cache)]
            known = ("as learned" if part is None else f"{100 * part:g} cm" for part in step)
            table.add_row(name, *known, *shares(found))
    Console(width=150).print(table)


if __name__ == "__main__":
    main()
