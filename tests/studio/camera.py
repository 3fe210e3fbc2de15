"""Pinhole cameras placed round the shooter, and a printed board to calibrate with.

OpenCV conventions: X_camera = R @ X_hoop + t; pixels continuous, (0, 0) at the top-left corner of the image.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Camera:
    """A pinhole camera; see the module's note for the conventions."""

    width: int
    height: int
    matrix: np.ndarray  # (3, 3)
    rotation: np.ndarray  # (3, 3)
    shift: np.ndarray  # (3,)

    @property
    def centre(self) -> np.ndarray:
        """Place of the camera (3,) m."""
        return -self.rotation.T @ self.shift

    def project(self, points: np.ndarray) -> np.ndarray:
        """Pixels (..., 2) of points (..., 3)."""
        p = (points @ self.rotation.T + self.shift) @ self.matrix.T
        return p[..., :2] / p[..., 2:3]

    def depth(self, points: np.ndarray) -> np.ndarray:
        """Depth (...,) m along the optical axis."""
        return (points @ self.rotation.T + self.shift)[..., 2]


def camera(eye: np.ndarray, forward: np.ndarray, width: int, height: int, hfov_deg: float) -> Camera:
    """Level camera at eye looking along forward."""
    z = forward / np.linalg.norm(forward)
    x = np.cross(z, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    r = np.stack([x, np.cross(z, x), z])
    f = width / 2 / np.tan(np.radians(hfov_deg / 2))
    return Camera(width, height, np.array([[f, 0, width / 2], [0, f, height / 2], [0, 0, 1.0]]), r, -r @ eye)


def half_height_deg(hfov_deg: float, width: int, height: int) -> float:
    """From the middle of the picture to its upper edge, for a lens this wide across."""
    return float(np.degrees(np.arctan(np.tan(np.radians(hfov_deg / 2)) * height / width)))


@dataclass(frozen=True)
class PrintedBoard:
    """A printed ChArUco board flat on the floor; its columns' axis points `heading_deg` (left +) from +y."""

    x_m: float
    y_m: float
    heading_deg: float = 0.0
    squares: tuple[int, int] = (5, 7)
    square_m: float = 0.058  # 5 x 7 fills an A3 sheet
    marker_m: float = 0.043

    def make(self):
        """OpenCV's board object."""
        import cv2

        return cv2.aruco.CharucoBoard(
            self.squares, self.square_m, self.marker_m, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
        )

    def to_world(self, board_xy: np.ndarray) -> np.ndarray:
        """World points (n, 3) of board points (n, 2), m; the board's top edge lies toward its heading."""
        size = np.array(self.squares) * self.square_m
        p = board_xy - size / 2
        a = np.radians(self.heading_deg)
        x = p[:, 0] * np.cos(a) + p[:, 1] * np.sin(a)
        y = p[:, 0] * np.sin(a) - p[:, 1] * np.cos(a)
        return np.stack([self.x_m + x, self.y_m + y, np.full(len(p), 0.002)], 1)

    def corners(self) -> tuple[np.ndarray, np.ndarray]:
        """Inner chessboard corners (n, 3) m in OpenCV's order of ids, and the four outer corners (4, 3)."""
        inner = np.array(self.make().getChessboardCorners())[:, :2]
        w, h = np.array(self.squares) * self.square_m
        return self.to_world(inner), self.to_world(np.array([[0, 0], [w, 0], [w, h], [0, h]]))


@dataclass(frozen=True)
class Placement:
    """Where a camera stands, seen from the shooter who faces the hoop.

    `bearing_deg` is 0 in front of the shooter (toward the hoop), 90 square to the shooting side, 180 behind. The camera
    looks horizontally at a point `ahead_m` in front of the shooter and is then tilted up by `tilt_deg`.
    """

    distance_m: float
    bearing_deg: float
    height_m: float
    tilt_deg: float
    ahead_m: float = 0.0

    def __post_init__(self) -> None:
        """Reject what is no camera place."""
        if not self.distance_m > 0:
            raise ValueError(f"camera distance must be above 0 m, not {self.distance_m:g}")
        if not -80 < self.tilt_deg < 80:
            raise ValueError(f"camera tilt must be within 80 degrees, not {self.tilt_deg:g}")


VIEWS = {
    "side": Placement(3.6, 90, 1.0, 4),
    "front": Placement(4.2, 0, 1.0, 3.4),
    "diag": Placement(3.68, 45, 1.05, 3.1),
    "behind": Placement(3.7, 180, 1.0, 3.9),
    "driveway": Placement(3.2, 35, 0.6, 8),  # a laptop on a low chair
    "court_side": Placement(4.4, 75, 0.75, 9.5, 0.4),  # a laptop on a chair, far enough for raised hands and the ball
}


def place_camera(
    placement: Placement,
    spot: np.ndarray,
    forward: np.ndarray,
    sideways: np.ndarray,
    width: int,
    height: int,
    hfov_deg: float,
) -> Camera:
    """A camera round the shooter at `spot` (3,); `forward` and `sideways` (3,) are horizontal units."""
    a, tilt = np.radians(placement.bearing_deg), np.radians(placement.tilt_deg)
    eye = spot + placement.distance_m * (np.cos(a) * forward + np.sin(a) * sideways)
    look = spot + placement.ahead_m * forward - eye
    look = look / np.linalg.norm(look)
    eye = eye + np.array([0, 0, placement.height_m])
    return camera(eye, look + np.array([0, 0, np.tan(tilt)]), width, height, hfov_deg)
