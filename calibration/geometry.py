"""Pure functions between pixels and the hoop frame.

Pixels are (N, 2), points (N, 3) metres; a single (2,) or (3,) works too and gives a single answer. What cannot be seen
(behind the camera) or does not meet (a ray above the horizon and the floor) is NaN, never a number from the far side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

from .record import PARAMETERS, Calibration

FloatArray = NDArray[np.float64]

NEAREST_M: Final = 0.05
"""Points closer to the camera's plane than this count as not in front of it."""

_UNDISTORT: Final = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100, 1e-10)


def camera_centre(calibration: Calibration) -> FloatArray:
    """(3,), the camera in the hoop frame."""
    return np.asarray(-calibration.R.T @ calibration.t, dtype=np.float64)


def project(calibration: Calibration, points_m: ArrayLike) -> FloatArray:
    """Hoop frame (..., 3) to pixels (..., 2); NaN for points that are not in front of the camera."""
    points = np.asarray(points_m, dtype=np.float64)
    flat = points.reshape(-1, 3)
    in_camera = flat @ calibration.R.T + calibration.t
    pixels = np.full((len(flat), 2), np.nan)
    seen = np.isfinite(in_camera).all(axis=1) & (in_camera[:, 2] > NEAREST_M)
    if seen.any():
        found: Any = cv2.projectPoints(
            in_camera[seen], np.zeros(3), np.zeros(3), calibration.camera_matrix, calibration.distortion
        )[0]
        pixels[seen] = found.reshape(-1, 2)
    return pixels.reshape(*points.shape[:-1], 2)


def undistorted(calibration: Calibration, pixels: ArrayLike) -> FloatArray:
    """Pixels (..., 2) to where a lens without distortion, with the same camera matrix, would have put them."""
    px = np.asarray(pixels, dtype=np.float64)
    if not calibration.distortion.any():
        return px.copy()
    flat = px.reshape(-1, 2)
    out = np.full_like(flat, np.nan)
    good = np.isfinite(flat).all(axis=1)
    if good.any():
        k = calibration.camera_matrix
        found: Any = cv2.undistortPoints(
            flat[good].reshape(-1, 1, 2), k, calibration.distortion, P=k, criteria=_UNDISTORT
        )
        out[good] = found.reshape(-1, 2)
    return out.reshape(px.shape)


def ray(calibration: Calibration, pixels: ArrayLike) -> FloatArray:
    """Unit directions (..., 3) in the hoop frame from the camera's centre through these pixels (..., 2)."""
    px = undistorted(calibration, pixels)
    k = calibration.camera_matrix
    x = (px[..., 0] - k[0, 2]) / k[0, 0]
    y = (px[..., 1] - k[1, 2]) / k[1, 1]
    in_camera = np.stack([x, y, np.ones_like(x)], axis=-1)
    directions = in_camera @ calibration.R
    return np.asarray(directions / np.linalg.norm(directions, axis=-1, keepdims=True), dtype=np.float64)


def meet_plane(calibration: Calibration, pixels: ArrayLike, point_m: ArrayLike, normal: ArrayLike) -> FloatArray:
    """Where the rays through `pixels` (..., 2) meet the plane through `point_m` (3,) square to `normal` (3,).

    Returns (..., 3); NaN where a ray runs along the plane or away from it.
    """
    centre = camera_centre(calibration)
    directions = ray(calibration, pixels)
    n = np.asarray(normal, dtype=np.float64)
    along = directions @ n
    reach = float((np.asarray(point_m, dtype=np.float64) - centre) @ n)
    with np.errstate(divide="ignore", invalid="ignore"):
        length = reach / along
    length = np.where((np.abs(along) > 1e-9 * float(np.linalg.norm(n))) & (length > 0), length, np.nan)
    return np.asarray(centre + directions * length[..., None], dtype=np.float64)


def floor_from_image(calibration: Calibration, pixels: ArrayLike, height_m: float = 0.0) -> FloatArray:
    """Where the rays through `pixels` (..., 2) meet the floor, or the level `height_m` above it: (..., 3)."""
    return meet_plane(calibration, pixels, (0.0, 0.0, height_m), (0.0, 0.0, 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class VerticalPlane:
    """A plane that stands upright on the floor: through `point_m` (2,), along the unit `direction` (2,)."""

    point_m: FloatArray
    direction: FloatArray

    @property
    def right(self) -> FloatArray:
        """(3,), unit vector square to the plane, to the right of somebody who looks along it."""
        return np.array([self.direction[1], -self.direction[0], 0.0])

    def offset_m(self, points_m: ArrayLike) -> FloatArray:
        """Signed distance of points (..., 3) from the plane: positive to the right of who looks along it."""
        points = np.asarray(points_m, dtype=np.float64)
        return np.asarray((points[..., :2] - self.point_m) @ self.right[:2], dtype=np.float64)

    def meet(self, calibration: Calibration, pixels: ArrayLike) -> FloatArray:
        """Where the rays through `pixels` (..., 2) meet this plane: (..., 3), NaN where they do not."""
        return meet_plane(calibration, pixels, (*self.point_m, 0.0), self.right)


def plane_to_hoop(spot_m: ArrayLike) -> VerticalPlane:
    """The vertical plane from `spot_m` ((2,) or (3,), hoop frame) through the ring's axis, looking toward the ring.

    Raises ValueError for a spot on the axis itself, where no direction is the hoop's.
    """
    spot = np.asarray(spot_m, dtype=np.float64)[:2]
    distance = float(np.linalg.norm(spot))
    if not distance > 1e-6:
        raise ValueError("the spot must be off the ring's axis: below the ring no direction is the hoop's")
    return VerticalPlane(spot, -spot / distance)


def moved(calibration: Calibration, delta: ArrayLike) -> Calibration:
    """The record with its parameters changed by `delta` (7,), in the order of record.PARAMETERS."""
    d = np.asarray(delta, dtype=np.float64)
    if d.shape != (PARAMETERS,):
        raise ValueError(f"delta must have shape ({PARAMETERS},), got {d.shape}")
    turned = Rotation.from_rotvec(d[:3]).as_matrix() @ calibration.R
    centre = camera_centre(calibration) + d[3:6]
    matrix = calibration.camera_matrix.copy()
    matrix[[0, 1], [0, 1]] *= np.exp(d[6])
    return replace(calibration, R=turned, t=-turned @ centre, camera_matrix=matrix)


def sigma_of(calibration: Calibration, function: Callable[[Calibration], ArrayLike]) -> FloatArray:
    """One standard deviation of `function(calibration)` that the calibration's own uncertainty causes.

    First order: each principal direction of the covariance moved by one standard deviation both ways. NaN where the
    function cannot say.
    """
    values, vectors = np.linalg.eigh(calibration.covariance)
    total = np.zeros_like(np.asarray(function(calibration), dtype=np.float64))
    for value, vector in zip(values, vectors.T, strict=True):
        if value <= 0:
            continue
        step = np.sqrt(value) * vector
        up = np.asarray(function(moved(calibration, step)), dtype=np.float64)
        down = np.asarray(function(moved(calibration, -step)), dtype=np.float64)
        total += ((up - down) / 2) ** 2
    return np.asarray(np.sqrt(total), dtype=np.float64)
