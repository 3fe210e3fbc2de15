"""The printed pages standing on a court, as a webcam sees them: each drawn from its own PDF page."""

from __future__ import annotations

from collections.abc import Collection
from functools import cache

import numpy as np
import pypdfium2
from calibration_render import Image, as_a_webcam_sees_it, background, paint
from calibration_scenes import SIZE, camera_at
from numpy.typing import NDArray

from rimward.calibration.geometry import camera_centre
from rimward.calibration.print_target import target_pdf
from rimward.calibration.record import Calibration
from rimward.calibration.target import DEFAULT_SIDE_M, PAGES, SHEETS, page_corners, page_places

SPOT_M = 4.191
DOTS_PER_MM = 2.0


@cache
def printed(sheet: str) -> tuple[Image, ...]:
    """The pages of the PDF as grey pictures, 2 dots a millimetre; paper is not quite white, ink not quite black."""
    document = pypdfium2.PdfDocument(target_pdf(sheet))
    scale = DOTS_PER_MM * 25.4 / 72
    pages = [page.render(scale=scale, grayscale=True).to_numpy().squeeze() for page in document]
    return tuple((20 + pages[i].astype(float) * 215 / 255).astype(np.uint8) for i in range(len(pages)))


def a_camera_on_a_chair(rng: np.random.Generator, distance_m: float) -> tuple[Calibration, bool, bool]:
    """A camera anywhere around the spot, framed so that the player's feet are just in the picture; and how the pages
    then stand by the instructions: (camera, pages 3 and 4 to the right, page 2 toward the hoop)."""
    around, height, hfov = rng.uniform(0, 2 * np.pi), rng.uniform(0.6, 1.1), rng.uniform(60, 78)
    feet_row = rng.uniform(0.85, 0.95) * SIZE[1] - SIZE[1] / 2
    focal = SIZE[0] / 2 / np.tan(np.radians(hfov) / 2)
    down = np.arctan2(height, distance_m) - np.arctan(feet_row / focal)
    spot = np.array([0.0, -SPOT_M])
    place = spot + distance_m * np.array([np.cos(around), np.sin(around)])
    camera = camera_at((*place, height), (*spot, height - distance_m * np.tan(down)), hfov)
    return camera, bool(np.cos(around) < 0), bool(np.sin(around) < 0.5)


def picture_of_pages(
    camera: Calibration,
    rng: np.random.Generator,
    right: bool = True,
    toward: bool = True,
    sheet: str = "a4",
    pages: Collection[int] = PAGES,
    place_sigma_m: float = 0.005,
    print_scale: float = 1.0,
    side_m: float = DEFAULT_SIDE_M,
) -> Image:
    """Pages put down with a tape measure: feet off by `place_sigma_m`, leaning by 3 degrees, turned by up to 15."""
    paper = SHEETS[sheet]
    picture = background(camera.image_size, rng)
    centre = camera_centre(camera)
    places = page_places(SPOT_M, side_m, right, toward)
    for page in sorted(pages, key=lambda number: -float(np.linalg.norm(places[number] - centre))):
        foot = places[page] + np.array([*rng.normal(0, place_sigma_m, 2), 0.0])
        facing = (centre - foot)[:2] / np.linalg.norm((centre - foot)[:2])
        turn, lean = np.radians([rng.uniform(-15, 15)]), np.radians([rng.normal(0, 3.0)])
        marker = page_corners(foot[None], facing[None], turn, lean, paper, print_scale)[0]
        paint(picture, camera, _above_fold(page, sheet), _paper_corners(marker, sheet), rng.uniform(0.7, 1.05))
    return as_a_webcam_sees_it(picture, rng, rng.uniform(0.6, 1.2), rng.uniform(2, 6))


def _above_fold(page: int, sheet: str) -> Image:
    texture = printed(sheet)[page - 1]
    return texture[: round((SHEETS[sheet].height_mm - SHEETS[sheet].fold_mm) * DOTS_PER_MM)]


def _paper_corners(marker: NDArray[np.float64], sheet: str) -> NDArray[np.float64]:
    """Corners of the standing part of the page around the corners of its marker."""
    paper = SHEETS[sheet]
    right, up = (marker[1] - marker[0]) / paper.marker_mm, (marker[0] - marker[3]) / paper.marker_mm
    low = marker[3] - up * paper.gap_mm - right * (paper.width_mm - paper.marker_mm) / 2
    tall = up * (paper.height_mm - paper.fold_mm)
    wide = right * paper.width_mm
    return np.stack([low + tall, low + tall + wide, low + wide, low])
