"""Prints how well calibration does, beside what was asked for: python tests/calibration_accuracy.py [--trials N]

Over the reference clips (points files with 0.7 px of noise), over random noisy trials, and over rendered printed
pages. Needs the reference clips beside the checkout; without them only the rest is printed.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from calibration_floor import SPOT_M, a_camera_on_a_chair, picture_of_pages
from calibration_scenes import (
    BEHIND,
    BESIDE_BASELINE,
    BOARD_AND_RING,
    SIDE,
    SIZE,
    TAPE,
    TRUTH,
    clip_names,
    direction_error_deg,
    position_error_m,
    seen_marks,
    through_some_webcam,
    true_camera,
)
from rich.console import Console
from rich.table import Table

from rimward.calibration.errors import CalibrationError
from rimward.calibration.geometry import camera_centre, floor_from_image, meet_plane, plane_to_hoop, project
from rimward.calibration.lens import lens_from_hfov, typical_lens
from rimward.calibration.marks import calibrate_marks
from rimward.calibration.points import read_points
from rimward.calibration.record import Calibration
from rimward.calibration.target import SHEETS, calibrate_target, find_pages

console = Console(width=150)


def timed(work: Callable[[], Calibration]) -> tuple[Calibration, float]:
    """The result and the milliseconds of processor time it took, best of three."""
    times = []
    for _ in range(3):
        start = time.process_time()
        found = work()
        times.append(1000 * (time.process_time() - start))
    return found, min(times)


def hoop_direction_error_deg(found: Calibration, truth: Calibration) -> float:
    """From the free-throw spot as seen in the picture, the angle between the found and the true way to the hoop.

    The found way is that from the place where this calibration puts the pixel of the spot; it is compared in the
    camera's own axes, so a turned calibration shows.
    """
    spot = np.array([0.0, -SPOT_M, 0.0])
    seen = floor_from_image(found, project(truth, spot))
    ways = []
    for calibration, place in ((truth, spot), (found, seen)):
        way = calibration.R @ np.array([*plane_to_hoop(place).direction, 0.0])
        ways.append(way / np.linalg.norm(way))
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(*ways)), ways[0] @ ways[1])))


def ring_error_px(found: Calibration, truth: Calibration) -> float | None:
    """None where the ring is out of the picture."""
    seen = project(truth, truth.ring_centre_m)
    if not ((seen >= 0) & (seen <= SIZE)).all():
        return None
    return float(np.linalg.norm(project(found, found.ring_centre_m) - seen))


def stick_error_percent(found: Calibration, truth: Calibration) -> float:
    """How wrong the height of a one-metre stick on the free-throw spot is read."""
    foot, top = np.array([0, -SPOT_M, 0]), np.array([0, -SPOT_M, 1.0])
    stands = floor_from_image(found, project(truth, foot))
    toward = camera_centre(found) - stands
    return 100 * (float(meet_plane(found, project(truth, top), stands, (toward[0], toward[1], 0))[2]) - 1)


def clips() -> None:
    """The reference clips, lens known and unknown."""
    if not clip_names():
        console.print(f"no reference clips in {TRUTH}")
        return
    table = Table(
        title="Reference clips (asked: lens known 2 cm, 0.15 deg; unknown 10 cm, 0.7 deg, focal 3 %; hoop 1 deg)"
    )
    for column in (
        "clip",
        "lens",
        "position cm (sigma)",
        "direction deg (sigma)",
        "focal %",
        "hoop deg",
        "ring px",
        "ms",
    ):
        table.add_column(column)
    for name in clip_names():
        points, truth = read_points(TRUTH / f"{name}.points.json"), true_camera(name)
        for lens in (points.lens, typical_lens(points.image_size)):
            found, milliseconds = timed(lambda: calibrate_marks(points.marks, lens, points.court))  # noqa: B023
            ring = ring_error_px(found, truth)
            table.add_row(
                name,
                found.lens,
                f"{100 * position_error_m(found, truth):.2f} ({100 * found.sigma_position_m:.2f})",
                f"{direction_error_deg(found, truth):.3f} ({found.sigma_direction_deg:.3f})",
                f"{100 * (found.camera_matrix[0, 0] / truth.camera_matrix[0, 0] - 1):+.2f}",
                f"{hoop_direction_error_deg(found, truth):.3f}",
                "out of view" if ring is None else f"{ring:.2f}",
                f"{milliseconds:.0f}",
            )
    console.print(table)


def honesty(trials: int) -> None:
    """How often the truth lies within two of the reported sigmas."""
    table = Table(title=f"{trials} noisy trials each (0.7 px): truth within 2 sigma (asked: 90 to 99 %)")
    for column in (
        "marks",
        "lines",
        "lens",
        "position %",
        "direction %",
        "median position cm",
        "median direction deg",
        "ms",
    ):
        table.add_column(column)
    lines = {"tape 1": (1.2, -4.0, 0.0), "tape 2": (-1.2, -4.0, 0.0)}
    places: dict[str, tuple[Calibration, tuple[str, ...], dict[str, Any]]] = {
        "board, ring, two on the floor; behind": (BEHIND, BOARD_AND_RING, lines),
        "tape and a chair; side": (SIDE, (), TAPE),
        "tape and a chair; beside the baseline": (BESIDE_BASELINE, (), TAPE),
    }
    bends: dict[str, Callable[[Calibration, int], Calibration]] = {
        "straight": lambda truth, _: truth,
        "as webcams'": through_some_webcam,
        "bent, k1 -0.1": lambda truth, _: replace(truth, distortion=np.array([-0.1, 0, 0, 0, 0])),
        "bent, k1 +0.1": lambda truth, _: replace(truth, distortion=np.array([0.1, 0, 0, 0, 0])),
    }
    for words, (truth, names, typed) in places.items():
        for bend, bent in bends.items():
            for lens in (lens_from_hfov(SIZE, truth.hfov_deg), typical_lens(SIZE)):
                rows = []
                for seed in range(trials):
                    marks = seen_marks(bent(truth, seed), names, typed, noise_px=0.7, seed=seed)
                    start = time.process_time()
                    found = calibrate_marks(marks, lens)
                    spent = 1000 * (time.process_time() - start)
                    position, direction = position_error_m(found, truth), direction_error_deg(found, truth)
                    inside = (position <= 2 * found.sigma_position_m, direction <= 2 * found.sigma_direction_deg)
                    rows.append((*inside, 100 * position, direction, spent))
                shares, medians = 100 * np.mean(rows, axis=0)[:2], np.median(rows, axis=0)[2:]
                table.add_row(
                    words,
                    bend,
                    lens.kind,
                    f"{shares[0]:.1f}",
                    f"{shares[1]:.1f}",
                    f"{medians[0]:.2f}",
                    f"{medians[1]:.3f}",
                    f"{medians[2]:.0f}",
                )
    console.print(table)


def target(trials: int) -> None:
    """The printed pages, put down with 5 mm of error, leaning by 3 degrees, under blur and noise."""
    table = Table(title=f"Printed target, {trials} renders each (asked: found in 95 %, direction 1 deg, scale 1 %)")
    columns = (
        "distance m",
        "paper",
        "lens",
        "found %",
        "direction deg 50/95 %",
        "scale % 50/95 %",
        "position cm 50/95 %",
    )
    for column in (*columns, "within 2 sigma %"):
        table.add_column(column)
    for sheet in ("a4", "letter", "a3"):
        for distance in (3.0, 3.5, 4.0, 4.5):
            rows: dict[str, list[tuple[float, ...]]] = {"known": [], "unknown": []}
            for seed in range(trials):
                rng = np.random.default_rng(seed)
                truth, right, toward = a_camera_on_a_chair(rng, distance)
                pages = find_pages(picture_of_pages(truth, rng, right, toward, sheet))
                if len(pages) < 3:
                    continue
                for words, lens in (("known", lens_from_hfov(SIZE, truth.hfov_deg)), ("unknown", typical_lens(SIZE))):
                    try:
                        found = calibrate_target(pages, lens, SPOT_M, toward_hoop=toward, sheet=SHEETS[sheet])
                    except CalibrationError:
                        continue  # refused counts as not found
                    position, direction = position_error_m(found, truth), direction_error_deg(found, truth)
                    inside = position <= 2 * found.sigma_position_m and direction <= 2 * found.sigma_direction_deg
                    rows[words].append((direction, abs(stick_error_percent(found, truth)), 100 * position, inside))
            for words, errors in rows.items():
                halves, most = np.percentile(errors, 50, axis=0), np.percentile(errors, 95, axis=0)
                table.add_row(
                    f"{distance:.1f}",
                    sheet,
                    words,
                    f"{100 * len(errors) / trials:.0f}",
                    *(f"{halves[i]:.2f} / {most[i]:.2f}" for i in range(3)),
                    f"{100 * np.mean([row[3] for row in errors]):.0f}",
                )
    console.print(table)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200, help="noisy trials a line (default %(default)s)")
    parser.add_argument("--renders", type=int, default=60, help="renders a distance and paper (default %(default)s)")
    options = parser.parse_args()
    clips()
    honesty(options.trials)
    if options.renders > 0:
        target(options.renders)
