"""The calibration record: where the camera stands in the hoop frame, what its lens is and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from .courts import COURTS, Court, court_named

FloatArray = NDArray[np.float64]

Method = Literal["marks", "target", "standing"]
LensKind = Literal["known", "calibrated", "estimated", "assumed"]

PARAMETERS: Final = 7
"""Of the covariance: rotation about the camera's axes (3, rad), camera centre in the hoop frame (3, m), ln(focal)."""


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """The geometry between one camera and the hoop.

    Camera axes are OpenCV's (x right, y down, z forward): `X_camera = R @ X_hoop + t`. Pixels are continuous, (0, 0) is
    the top-left corner of the image. Raises ValueError when the parts do not fit together.
    """

    image_size: tuple[int, int]
    """(width, height) in pixels."""
    camera_matrix: FloatArray
    """(3, 3)."""
    distortion: FloatArray
    """(5,): k1, k2, p1, p2, k3 of OpenCV's lens model."""
    R: FloatArray
    """(3, 3), hoop frame to camera axes."""
    t: FloatArray
    """(3,), metres."""
    rms_px: float
    """Root mean square distance between the marks and where this record puts them."""
    covariance: FloatArray
    """(7, 7), in the order of PARAMETERS; a row of zeros is a value taken as exactly known."""
    sigma_position_m: float
    """Half the radius that holds the true camera centre in 95 of 100 cases."""
    sigma_direction_deg: float
    """Half the turn that brings this camera onto the true one in 95 of 100 cases."""
    method: Method
    lens: LensKind
    court: str = "us"
    rim_height_m: float = COURTS["us"].rim_height_m
    free_throw_from_board_m: float | None = None
    """Far edge of the free-throw line; None for the court's own."""
    camera: str = ""
    """Name of the camera, empty when nobody said."""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        width, height = self.image_size
        if width < 1 or height < 1:
            raise ValueError(f"image_size must be two numbers above 0, got {self.image_size}")
        for name, shape in (
            ("camera_matrix", (3, 3)),
            ("distortion", (5,)),
            ("R", (3, 3)),
            ("t", (3,)),
            ("covariance", (PARAMETERS, PARAMETERS)),
        ):
            array = np.asarray(getattr(self, name), dtype=np.float64)
            if array.shape != shape or not np.isfinite(array).all():
                found = f"shape {array.shape}" if array.shape != shape else "a number that is not finite"
                raise ValueError(f"{name} must hold finite numbers of shape {shape}, got {found}")
            array = array.copy()
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        k = self.camera_matrix
        if not (k[0, 0] > 0 and k[1, 1] > 0 and np.array_equal(k[[1, 2, 2], [0, 0, 1]], np.zeros(3)) and k[2, 2] == 1):
            raise ValueError("camera_matrix must be [[fx, 0, cx], [0, fy, cy], [0, 0, 1]] with fx and fy above 0")
        if k[0, 1] != 0:
            raise ValueError(f"camera_matrix must have no skew, got {k[0, 1]:g}")
        if np.abs(self.R @ self.R.T - np.eye(3)).max() > 1e-6 or np.linalg.det(self.R) < 0:
            raise ValueError("R must be a rotation: orthogonal rows and determinant +1")
        if np.abs(self.covariance - self.covariance.T).max() > 1e-9 + 1e-6 * np.abs(self.covariance).max():
            raise ValueError("covariance must be symmetric")
        if np.linalg.eigvalsh(self.covariance).min() < -1e-9 - 1e-6 * np.abs(self.covariance).max():
            raise ValueError("covariance must not be negative in any direction")
        for name in ("rms_px", "sigma_position_m", "sigma_direction_deg"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0):
                raise ValueError(f"{name} must be a number of 0 or more, got {value}")
        court_named(self.court, self.rim_height_m, self.free_throw_from_board_m)

    @property
    def ring_centre_m(self) -> FloatArray:
        """(3,), in the hoop frame."""
        return np.array([0.0, 0.0, self.rim_height_m])

    @property
    def court_measures(self) -> Court:
        """Measures of the court that the marks were read on, its rim height and free-throw line included."""
        return court_named(self.court, self.rim_height_m, self.free_throw_from_board_m)

    @property
    def knows_hoop(self) -> bool:
        """False for the coarse way, where the hoop's direction is a belief and not a measurement."""
        return self.method != "standing"

    @property
    def hfov_deg(self) -> float:
        """Horizontal field of view without distortion."""
        k, width = self.camera_matrix, self.image_size[0]
        return float(np.degrees(np.arctan(k[0, 2] / k[0, 0]) + np.arctan((width - k[0, 2]) / k[0, 0])))

    @property
    def sigma_focal(self) -> float:
        """One standard deviation of the focal length, as a share of it; 0 when taken as known."""
        return float(np.sqrt(self.covariance[6, 6]))
