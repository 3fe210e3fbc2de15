"""Pictures of empty courts by exactly known cameras, for the guided calibration: python tests/calibration_pictures.py.

Writes NAME.jpg and NAME.json into tests/pictures. Needs the studio's packages (tests/studio/README.md); tape and
printed pages are painted in afterwards, exact for the same camera.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from calibration_render import paint, rectangle
from calibration_scenes import SIDE
from studio.camera import VIEWS, Camera, Placement, place_camera
from studio.renderer import Renderer

from rimward.calibration.geometry import camera_centre
from rimward.calibration.record import Calibration
from rimward.calibration.target import CELLS, SHEETS, marker_cells, page_corners, page_places

FOLDER = Path(__file__).resolve().parent / "pictures"
SPOT_M = 4.3
"""From below the ring to the shooter."""
TAPE_M = ((1.0, -3.3), (-1.0, -3.3), (-1.2, -5.2), (0.8, -5.4), (0.0, -4.3))
_NOISE = 2.0


@dataclass(frozen=True)
class Scene:
    place: str
    placement: Placement
    hfov_deg: float
    tape: bool = False
    pages: bool = False


SCENES = {
    "gym_hoop": Scene("gym", Placement(4.0, 160, 1.0, 6), 74),
    "gym_lines": Scene("gym", Placement(6.5, 90, 1.4, -3, 0.5), 78),
    "driveway_hoop": Scene("driveway", Placement(4.2, 150, 0.8, 9), 74),
    "driveway_tape": Scene("driveway", VIEWS["court_side"], 74, tape=True),
    "driveway_pages": Scene("driveway", VIEWS["court_side"], 74, pages=True),
}


def main() -> None:
    for name, scene in SCENES.items():
        forward, right = np.array([0, 1.0, 0]), np.array([1.0, 0, 0])
        camera = place_camera(scene.placement, -SPOT_M * forward, forward, right, 1280, 720, scene.hfov_deg)
        image = draw(scene, camera)
        cv2.imwrite(str(FOLDER / f"{name}.jpg"), image, [cv2.IMWRITE_JPEG_QUALITY, 90])
        about = {
            "place": scene.place,
            "hfov_deg": scene.hfov_deg,
            "camera_matrix": camera.matrix.tolist(),
            "R": camera.rotation.tolist(),
            "t": camera.shift.tolist(),
            "tape_m": [list(place) for place in TAPE_M] if scene.tape else [],
            "made_by": "python tests/calibration_pictures.py",
        }
        (FOLDER / f"{name}.json").write_text(json.dumps(about, indent=1) + "\n")


def draw(scene: Scene, camera: Camera) -> np.ndarray:
    """The court without anybody, (720, 1280, 3) BGR with a little sensor noise."""
    renderer = Renderer([], scene.place, camera.width, camera.height, 1.0, None, 4)
    away = np.array([30.0, -30.0, 0.12])  # the ball, out of the picture
    image = renderer.draw(camera, away, np.eye(3), np.array([0.0, -SPOT_M, 1.0]))[..., ::-1].copy()
    known = replace(SIDE, camera_matrix=camera.matrix, R=camera.rotation, t=camera.shift)
    if scene.tape:
        for place in TAPE_M:
            tape(image, known, np.array([*place, 0.0]))
    if scene.pages:
        pages(image, known)
    rng = np.random.default_rng(1)
    return np.clip(image + rng.normal(0, _NOISE, image.shape), 0, 255).astype(np.uint8)


def tape(image: np.ndarray, camera: Calibration, place: np.ndarray) -> None:
    """A cross of yellow tape, two strips 5 cm wide and 40 cm long, its middle at `place`."""
    for right, down in (((0.4, 0, 0), (0, 0.05, 0)), ((0.05, 0, 0), (0, 0.4, 0))):
        corners = rectangle(place - (np.array(right) + down) / 2, right, down)
        for channel, level in enumerate((40, 200, 240)):
            plane = np.ascontiguousarray(image[..., channel])
            paint(plane, camera, np.full((64, 64), level, np.uint8), corners)
            image[..., channel] = plane


def pages(image: np.ndarray, camera: Calibration) -> None:
    """The printed target as its sheet says, beyond the spot; every page white, upright, toward the camera."""
    sheet = SHEETS["a4"]
    eye = camera_centre(camera)
    places = page_places(SPOT_M, 1.5, to_the_right=eye[0] < 0, toward_hoop=False)
    for number, place in sorted(places.items(), key=lambda item: -np.linalg.norm(item[1] - eye)):
        facing = (eye - place)[:2] / np.linalg.norm((eye - place)[:2])
        low, edge = sheet.gap_mm, sheet.marker_mm
        side = (sheet.width_mm - edge) / 2
        high = sheet.height_mm - sheet.fold_mm - low - edge
        scale = 4  # px a millimetre
        paper = np.full((round((low + edge + high) * scale), round(sheet.width_mm * scale)), 235, np.uint8)
        cell = scale * edge / CELLS
        for row, column in zip(*np.nonzero(marker_cells(number)), strict=True):
            y, x = scale * high + row * cell, scale * side + column * cell
            paper[round(y) : round(y + cell), round(x) : round(x + cell)] = 30
        marker = page_corners(place, facing, 0.1 * number, 0.05, sheet)
        across, down = (marker[1] - marker[0]) / edge, (marker[3] - marker[0]) / edge
        origin = marker[0] - side * across - high * down
        corners = rectangle(origin, across * sheet.width_mm, down * (low + edge + high))
        for channel in range(3):
            plane = np.ascontiguousarray(image[..., channel])
            paint(plane, camera, paper, corners)
            image[..., channel] = plane


if __name__ == "__main__":
    main()
