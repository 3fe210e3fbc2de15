"""What is known of a camera's lens before any mark is looked at."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import CalibrationError
from .record import LensKind

FloatArray = NDArray[np.float64]

NARROWEST_HFOV_DEG: Final = 25.0
WIDEST_HFOV_DEG: Final = 120.0

# Webcams and laptop cameras are sold by their diagonal, most of them between 60 and 90 degrees with 78 a common figure
# (from memory): one sigma of 20 % on the focal length covers 65 to 88, two cover 54 to 98.
_TYPICAL_DIAGONAL_DEG: Final = 78.0
_TYPICAL_SPREAD: Final = 0.20
TYPED_HFOV_SIGMA_DEG: Final = 1.0
"""Of a horizontal view that a person types: data sheets round, and a camera's mode may cut or stretch a little (from
memory)."""
TYPICAL_K1_SIGMA: Final = 0.07
"""Of a webcam that does not straighten its pictures and whose lens nobody measured, either way (from memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """A lens as a starting belief: its matrix, and how far the focal length may be from it."""

    image_size: tuple[int, int]
    camera_matrix: FloatArray
    """(3, 3)."""
    distortion: FloatArray
    """(5,), OpenCV's k1, k2, p1, p2, k3."""
    sigma_focal: float
    """One standard deviation of ln(focal length); 0 takes it as known."""
    kind: LensKind
    rms_px: float = 0.0
    """Of the lens calibration, 0 when there was none."""
    camera: str = ""
    sigma_k1: float = 0.0
    """One standard deviation of the first radial coefficient; 0 takes the distortion as known."""

    def __post_init__(self) -> None:
        matrix = np.asarray(self.camera_matrix, dtype=np.float64)
        distortion = np.asarray(self.distortion, dtype=np.float64)
        if matrix.shape != (3, 3) or distortion.shape != (5,):
            raise ValueError(
                f"a lens needs a (3, 3) matrix and 5 distortion numbers, got {matrix.shape}, {distortion.shape}"
            )
        object.__setattr__(self, "camera_matrix", matrix.copy())
        object.__setattr__(self, "distortion", distortion.copy())
        self.camera_matrix.flags.writeable = False
        self.distortion.flags.writeable = False
        _check_plausible(self)


def _check_plausible(lens: Lens) -> None:
    """Raise CalibrationError for a lens that no webcam has."""
    k, (width, height) = lens.camera_matrix, lens.image_size
    if not (np.isfinite(k).all() and np.isfinite(lens.distortion).all()):
        raise CalibrationError("camera_matrix and distortion must hold finite numbers only")
    if k[1, 0] != 0 or k[2, 0] != 0 or k[2, 1] != 0 or k[2, 2] != 1 or k[0, 1] != 0:
        raise CalibrationError("camera_matrix must be [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]; other entries were found")
    if not (k[0, 0] > 0 and k[1, 1] > 0):
        raise CalibrationError(f"focal lengths must be above 0 px, got {k[0, 0]:g} and {k[1, 1]:g}")
    hfov = hfov_of(k[0, 0], width)
    if not NARROWEST_HFOV_DEG <= hfov <= WIDEST_HFOV_DEG:
        raise CalibrationError(
            f"a webcam sees {NARROWEST_HFOV_DEG:g} to {WIDEST_HFOV_DEG:g} degrees across, this lens {hfov:.0f}: "
            "check hfov_deg or camera_matrix against image_size"
        )
    if abs(k[0, 0] / k[1, 1] - 1) > 0.05:
        raise CalibrationError(f"pixels are square within 5 %, but fx is {k[0, 0]:.0f} and fy is {k[1, 1]:.0f} px")
    if abs(k[0, 2] / width - 0.5) > 0.15 or abs(k[1, 2] / height - 0.5) > 0.15:
        raise CalibrationError(
            f"the optical axis must meet the picture near its middle ({width / 2:g}, {height / 2:g}), "
            f"camera_matrix has ({k[0, 2]:.0f}, {k[1, 2]:.0f}): is it for another image size?"
        )


def hfov_of(focal_px: float, width_px: float) -> float:
    """Horizontal field of view in degrees of a centred lens without distortion."""
    return float(2 * np.degrees(np.arctan2(width_px / 2, focal_px)))


def _centred(image_size: tuple[int, int], focal_px: float) -> FloatArray:
    return np.array([[focal_px, 0, image_size[0] / 2], [0, focal_px, image_size[1] / 2], [0, 0, 1.0]])


def lens_from_hfov(image_size: tuple[int, int], hfov_deg: float, sigma_deg: float = 0.0) -> Lens:
    """A lens whose horizontal field of view is known; optical axis in the middle, distortion not known.

    `sigma_deg` is one standard deviation of the view, 0 takes it as exact. Raises CalibrationError for a view no webcam
    has.
    """
    if not 0 < hfov_deg < 180:
        raise CalibrationError(f"hfov_deg must lie between 0 and 180 degrees, got {hfov_deg:g}")
    focal = image_size[0] / 2 / np.tan(np.radians(hfov_deg) / 2)
    sigma_focal = float(np.radians(sigma_deg) / np.sin(np.radians(hfov_deg)))  # d ln tan(x / 2) = dx / sin x
    return Lens(image_size, _centred(image_size, focal), np.zeros(5), sigma_focal, "known", sigma_k1=TYPICAL_K1_SIGMA)


def typed_lens(image_size: tuple[int, int], hfov_deg: float) -> Lens:
    """A lens whose horizontal field of view a person has typed. Raises CalibrationError for a view no webcam has."""
    return lens_from_hfov(image_size, hfov_deg, TYPED_HFOV_SIGMA_DEG)


def lens_from_matrix(image_size: tuple[int, int], matrix: ArrayLike, distortion: ArrayLike | None = None) -> Lens:
    """A lens whose matrix is known, and its distortion where one is given.

    Raises CalibrationError when no webcam has such a one.
    """
    bending = np.zeros(5) if distortion is None else np.asarray(distortion, dtype=np.float64)
    sigma_k1 = TYPICAL_K1_SIGMA if distortion is None else 0.0
    return Lens(image_size, np.asarray(matrix, dtype=np.float64), bending, 0.0, "known", sigma_k1=sigma_k1)


def typical_lens(image_size: tuple[int, int]) -> Lens:
    """What is assumed of a webcam that nobody described, with the wide spread that goes with it."""
    focal = float(np.hypot(*image_size)) / 2 / np.tan(np.radians(_TYPICAL_DIAGONAL_DEG) / 2)
    return Lens(
        image_size, _centred(image_size, focal), np.zeros(5), _TYPICAL_SPREAD, "assumed", sigma_k1=TYPICAL_K1_SIGMA
    )


def rescaled_matrix(matrix: FloatArray, from_size: tuple[int, int], to_size: tuple[int, int]) -> FloatArray:
    """The camera matrix for another resolution of the same shape of picture.

    With (0, 0) at the corner of the image every entry of the first two rows simply scales. Raises CalibrationError when
    the shapes differ: which part of the sensor was cut off cannot be known.
    """
    sx, sy = to_size[0] / from_size[0], to_size[1] / from_size[1]
    # a whole pixel of rounding on either side still is the same shape
    if abs(sx - sy) > max(1 / from_size[0], 1 / from_size[1], 1e-9) * max(sx, sy):
        raise CalibrationError(
            f"this calibration is for {from_size[0]} x {from_size[1]} pictures and the camera gives "
            f"{to_size[0]} x {to_size[1]}, another shape: set the camera to the same shape or calibrate again"
        )
    return np.asarray(np.diag([sx, sy, 1.0]) @ matrix, dtype=np.float64)


def rescaled_lens(lens: Lens, image_size: tuple[int, int]) -> Lens:
    """The same lens at another resolution of the same shape; CalibrationError when the shapes differ."""
    return replace(
        lens, image_size=image_size, camera_matrix=rescaled_matrix(lens.camera_matrix, lens.image_size, image_size)
    )
