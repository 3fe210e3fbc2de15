"""A camera for players who have not calibrated one: level, with a usual lens, turned to the player as they look.

Where the player faces follows from how wide the shoulders look and on which side the right one is; how far away they
stand from their size. All of it is wide open in the covariance, so what depends on it gets a large error. The frame is
the hoop's by name only: the player stands at the free-throw line and faces the ring.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ..calibration.record import Calibration
from .anthropometry import LENGTHS
from .records import FloatArray
from .reps import Reading

HFOV_DEG: Final = 70.0
"""A common webcam's (78 degrees across the diagonal of 16:9; from memory)."""
_SPOT_Y_M = -4.191
_ANKLE_M = 0.08
_PITCH_DEG, _TURN_DEG, _ROLL_DEG = 4.0, 10.0, 1.5
_FOCAL = 0.12
_BEFORE_S = 1.2

GIVEN: Final = (
    "elbow_at_set_deg",
    "elbow_at_release_deg",
    "upper_arm_at_set_deg",
    "knee_min_deg",
    "hip_min_deg",
    "set_point_above_eyes_m",
    "elbow_above_eyes_m",
    "hold_s",
    "set_to_release_s",
)
"""The measurements that make sense without knowing where the hoop is."""


def assumed_calibration(
    reading: Reading, px_per_m: float, image_size: tuple[int, int], stature_m: float
) -> Calibration:
    """The camera that a shot read in the picture suggests. `px_per_m` is the scale of `reading`'s track."""
    raw, smooth = reading.raw, reading.smooth
    span = slice(raw.at(reading.events.release_s - _BEFORE_S), raw.at(reading.events.release_s) + 1)

    def seen(points: FloatArray) -> FloatArray:
        return np.asarray(np.nanmedian(points[span], axis=0))

    across = seen(smooth.joint("right_shoulder") - smooth.joint("left_shoulder"))[0]
    away = float(np.clip(across / (LENGTHS["shoulders"].share * stature_m), -1.0, 1.0))
    feet = seen(smooth.middle("foot_index") - smooth.middle("heel"))[0]
    face = seen(smooth.joint("nose") - smooth.middle("ear"))[0]
    to_the_right = float(np.sqrt(1.0 - away**2)) * (1.0 if feet + face > 0 else -1.0)
    rotation = np.array([[away, to_the_right, 0.0], [0.0, 0.0, -1.0], [-to_the_right, away, 0.0]])
    width, height = image_size
    focal = width / 2 / np.tan(np.radians(HFOV_DEG / 2))
    depth = focal / px_per_m
    ankle_px = seen(smooth.middle("ankle")) * px_per_m * [1.0, -1.0]
    there = np.array([(ankle_px[0] - width / 2) / focal * depth, (ankle_px[1] - height / 2) / focal * depth, depth])
    spot = np.array([0.0, _SPOT_Y_M, _ANKLE_M])
    return Calibration(
        image_size=image_size,
        camera_matrix=np.array([[focal, 0.0, width / 2], [0.0, focal, height / 2], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        R=rotation,
        t=there - rotation @ spot,
        rms_px=0.0,
        covariance=_covariance(rotation, there),
        sigma_position_m=float(depth * np.radians(_TURN_DEG)),
        sigma_direction_deg=_TURN_DEG,
        method="standing",
        lens="assumed",
        notes=("assumed from the player in the picture",),
    )


def _covariance(rotation: FloatArray, there: FloatArray) -> FloatArray:
    """(7, 7): the camera swings round the player, who stays where the picture shows them."""
    x, y, z = there
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    ways = np.zeros((7, 4))
    ways[:3, :3] = np.eye(3)
    ways[3:6, :3] = -rotation.T @ cross
    ways[3:6, 3] = -rotation.T @ [0.0, 0.0, z]
    ways[6, 3] = 1.0
    ways = ways * [*np.radians([_PITCH_DEG, _TURN_DEG, _ROLL_DEG]), _FOCAL]
    return np.asarray(ways @ ways.T)
