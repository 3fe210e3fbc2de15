"""Pictures of flat things (printed pages, boards), exact for any camera: a plane is seen through a homography."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from rimward.calibration.geometry import project
from rimward.calibration.record import Calibration

Image = NDArray[np.uint8]
OVERSAMPLED = 3
"""Drawn this many times finer and averaged, as a sensor's pixels do."""


def background(size: tuple[int, int], rng: np.random.Generator, horizon: float = 0.35) -> Image:
    """A wall over a speckled floor, grey, with uneven light."""
    width, height = size
    rows = np.linspace(0, 1, height)[:, None]
    picture = np.where(rows < horizon, rng.uniform(120, 200), rng.uniform(60, 150)) * np.ones((1, width))
    coarse = cv2.resize(rng.normal(0, 1, (height // 16, width // 16)), (width, height), interpolation=cv2.INTER_CUBIC)
    fine = cv2.GaussianBlur(rng.normal(0, 1, (height, width)), (0, 0), 1.0)
    light = 1 + 0.25 * np.linspace(-1, 1, width)[None, :] * rng.uniform(-1, 1)
    return np.clip((picture + 6 * coarse + 10 * fine) * light, 0, 255).astype(np.uint8)


def paint(
    picture: Image, camera: Calibration, texture: Image, corners_m: NDArray[np.float64], light: float = 1.0
) -> None:
    """Draw a flat `texture` (grey) into the picture; `corners_m` (4, 3) are its top left, top right, bottom right,
    bottom left corner in the hoop frame. Without lens distortion; nothing is drawn when a corner cannot be seen."""
    seen = project(camera, corners_m)
    if not np.isfinite(seen).all():
        return
    height, width = texture.shape
    x0, y0 = np.maximum(np.floor(seen.min(axis=0)).astype(int) - 2, 0)
    x1, y1 = np.minimum(np.ceil(seen.max(axis=0)).astype(int) + 3, (picture.shape[1], picture.shape[0]))
    if x1 <= x0 or y1 <= y0:
        return
    # both pixel grids count from the middle of the first pixel; the fine one is OVERSAMPLED times denser
    target = ((seen - (x0, y0)) * OVERSAMPLED - 0.5).astype(np.float32)
    source = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float32) - 0.5
    warp = cv2.getPerspectiveTransform(source.astype(np.float32), target)
    fine = ((x1 - x0) * OVERSAMPLED, (y1 - y0) * OVERSAMPLED)
    # the texture is first brought near its size in the picture, or thin lines would alias
    drawn = cv2.warpPerspective(texture.astype(np.float32) * light, warp, fine, flags=cv2.INTER_AREA)
    cover = cv2.warpPerspective(np.ones_like(texture, dtype=np.float32), warp, fine, flags=cv2.INTER_LINEAR)
    small = (x1 - x0, y1 - y0)
    drawn = cv2.resize(drawn, small, interpolation=cv2.INTER_AREA)
    cover = np.clip(cv2.resize(cover, small, interpolation=cv2.INTER_AREA), 0, 1)
    part = picture[y0:y1, x0:x1].astype(np.float32)
    picture[y0:y1, x0:x1] = np.clip(part * (1 - cover) + drawn, 0, 255).astype(np.uint8)


def as_a_webcam_sees_it(picture: Image, rng: np.random.Generator, blur_px: float = 0.8, noise: float = 4.0) -> Image:
    """Blur of a small lens and noise of a small sensor."""
    soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), blur_px) if blur_px > 0 else picture.astype(np.float32)
    return np.clip(soft + rng.normal(0, noise, picture.shape), 0, 255).astype(np.uint8)


def rectangle(origin: Sequence[float], right: Sequence[float], down: Sequence[float]) -> NDArray[np.float64]:
    """Corners (4, 3) from the top left one and the two edges that start there."""
    o, r, d = (np.asarray(v, dtype=float) for v in (origin, right, down))
    return np.stack([o, o + r, o + r + d, o + d])
