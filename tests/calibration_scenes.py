"""Cameras and marks with a known truth, shared by the calibration tests and the accuracy table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from rimward.calibration.courts import COURTS, Court, named_marks
from rimward.calibration.geometry import camera_centre, project
from rimward.calibration.lens import TYPICAL_K1_SIGMA
from rimward.calibration.record import Calibration
from rimward.calibration.solver import PlacedMark

TRUTH = Path(__file__).resolve().parents[2] / "shared" / "truth" / "clips"

SIZE = (1280, 720)
BOARD_AND_RING = (
    "board_top_left",
    "board_top_right",
    "board_bottom_left",
    "board_bottom_right",
    "ring_left",
    "ring_right",
    "ring_front",
)
BOARD = BOARD_AND_RING[:4]
FLOOR = ("free_throw_left", "free_throw_right", "free_throw_middle", "below_ring")
TAPE = {
    "tape 1": (1.2, -3.0, 0.0),
    "tape 2": (-1.2, -3.0, 0.0),
    "tape 3": (-1.0, -5.4, 0.0),
    "tape 4": (1.0, -5.4, 0.0),
    "tape 5": (0.0, -4.191, 0.0),
    "cone": (-0.9, -4.2, 0.3),
    "chair": (-1.6, -5.2, 0.8),
    "pole": (0.0, 1.2, 1.0),
}


def camera_at(
    centre: Sequence[float],
    look_at: Sequence[float],
    hfov_deg: float = 70.0,
    size: tuple[int, int] = SIZE,
    roll_deg: float = 0.0,
    distortion: Sequence[float] = (0, 0, 0, 0, 0),
) -> Calibration:
    """An exact calibration of a camera that looks at a point, its picture upright unless rolled."""
    where = np.asarray(centre, dtype=float)
    forward = np.asarray(look_at, dtype=float) - where
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, (0.0, 0.0, 1.0))
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    R = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ R
    focal = size[0] / 2 / np.tan(np.radians(hfov_deg) / 2)
    return Calibration(
        image_size=size,
        camera_matrix=np.array([[focal, 0, size[0] / 2], [0, focal, size[1] / 2], [0, 0, 1]]),
        distortion=np.asarray(distortion, dtype=float),
        R=R,
        t=-R @ where,
        rms_px=0.0,
        covariance=np.zeros((7, 7)),
        sigma_position_m=0.0,
        sigma_direction_deg=0.0,
        method="marks",
        lens="known",
    )


SIDE = camera_at((3.85, -4.4754, 1.0), (0.0, -4.4754, 0.73))
BEHIND = camera_at((0.25, -8.175, 1.0), (0.25, -4.0, 1.28))
BESIDE_BASELINE = camera_at((2.85, -1.875, 1.05), (0.0, -4.7, 0.8), hfov_deg=78)


def seen_marks(
    truth: Calibration,
    names: Iterable[str] = (),
    typed: dict[str, tuple[float, float, float]] | None = None,
    noise_px: float = 0.0,
    seed: int = 0,
    court: Court = COURTS["us"],
) -> list[PlacedMark]:
    """Those marks that lie in this camera's picture, with Gaussian noise."""
    rng = np.random.default_rng(seed)
    places = {name: tuple(map(float, named_marks(court)[name])) for name in names} | (typed or {})
    marks = []
    for name, place in places.items():
        x, y = project(truth, place) + rng.normal(0, noise_px, 2)
        if 0 <= x <= truth.image_size[0] and 0 <= y <= truth.image_size[1]:
            marks.append(PlacedMark(name, place, (float(x), float(y))))
    return marks


def through_some_webcam(truth: Calibration, seed: int) -> Calibration:
    """The same camera with a straight lens or with one that bends lines, at even odds, as the solver believes."""
    rng = np.random.default_rng([seed, 7])
    k1 = rng.normal(0, 0.01 if rng.random() < 0.5 else TYPICAL_K1_SIGMA)
    return replace(truth, distortion=np.array([k1, 0, 0, 0, 0]))


def position_error_m(found: Calibration, truth: Calibration) -> float:
    return float(np.linalg.norm(camera_centre(found) - camera_centre(truth)))


def direction_error_deg(found: Calibration, truth: Calibration) -> float:
    """The angle of the turn between the two cameras; from the matrix's skew part, which is exact for small angles."""
    turn = found.R @ truth.R.T
    skew = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]) / 2
    return float(np.degrees(np.arctan2(np.linalg.norm(skew), (np.trace(turn) - 1) / 2)))


def clip_names() -> list[str]:
    """The reference clips that have a points file; none where they are absent."""
    return sorted(path.name.removesuffix(".points.json") for path in TRUTH.glob("*.points.json"))


def true_camera(name: str) -> Calibration:
    """The camera that the clip was drawn with."""
    with np.load(TRUTH / f"{name}.truth.npz") as data:
        return replace(SIDE, camera_matrix=data["K"], R=data["R"], t=data["t"])
