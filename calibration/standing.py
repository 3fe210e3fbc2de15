"""The coarse way: a player of known stature stands upright on level ground, and says on which side the camera is.

Head and feet in the picture give one distance for each height and tilt of the camera; that a camera stands on a chair,
a table or a tripod and looks about level settles the rest as well as it can be. Nothing in the picture shows the hoop,
so its direction is a belief, and the uncertainty says so.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from .courts import COURTS, Court
from .errors import CalibrationError
from .geometry import camera_centre, project
from .lens import Lens
from .record import PARAMETERS, Calibration
from .solver import one_sigma

FloatArray = NDArray[np.float64]

CameraSide = Literal["left", "right", "front", "behind"]
"""Where the camera stands, for a shooter who faces the hoop."""

_AZIMUTH_DEG: Final = {"right": 0.0, "front": 90.0, "left": 180.0, "behind": 270.0}
"""Direction from the shooter to the camera, counter-clockwise from the shooter's right, seen from above."""

# Beliefs about a camera that somebody put up by hand (from memory): mean and standard deviation.
HEIGHT_M: Final = (1.0, 0.35)
TILT_DEG: Final = (0.0, 8.0)
ROLL_DEG: Final = (0.0, 2.5)
AZIMUTH_SIGMA_DEG: Final = 15.0
BODY_SIGMA_M: Final = 0.03
"""How well head and feet stand for the ends of the stature: hair, shoes, landmarks."""
TYPED_DISTANCE_SIGMA_M: Final = 0.15
ASSUMED_DISTANCE_SIGMA_M: Final = 0.8

SHORTEST_STATURE_M: Final = 0.9
TALLEST_STATURE_M: Final = 2.3
_LEAST_HEIGHT: Final = 0.1
"""Share of the picture's height that the player must fill."""


def calibrate_standing(
    head_px: ArrayLike,
    feet_px: ArrayLike,
    stature_m: float,
    side: CameraSide,
    lens: Lens,
    distance_m: float | None = None,
    court: Court = COURTS["us"],
    camera: str = "",
) -> Calibration:
    """A coarse camera from the top of the head and the middle of the feet, (2,) or (frames, 2) pixels each.

    `distance_m` from the ring's axis to the player, the free-throw line when nobody said. Raises CalibrationError for a
    stature, side or distance nobody has, or a player who is upside down or too small in the picture.
    """
    if not SHORTEST_STATURE_M <= stature_m <= TALLEST_STATURE_M:
        raise CalibrationError(
            f"stature must lie between {SHORTEST_STATURE_M:g} and {TALLEST_STATURE_M:g} m, got {stature_m:g}"
        )
    if side not in _AZIMUTH_DEG:
        raise CalibrationError(f"the camera's side must be one of {', '.join(_AZIMUTH_DEG)}, got {side!r}")
    if distance_m is not None and not 0.5 <= distance_m <= 12:
        raise CalibrationError(f"the distance to the hoop must lie between 0.5 and 12 m, got {distance_m:g}")
    head, feet = _typical(head_px), _typical(feet_px)
    tall = float(feet[1] - head[1])
    if not tall > _LEAST_HEIGHT * lens.image_size[1]:
        raise CalibrationError(
            f"the player must fill at least {100 * _LEAST_HEIGHT:.0f} % of the picture's height from feet to head, "
            f"found {100 * tall / lens.image_size[1]:.0f} %: stand nearer, whole body in view"
        )
    spot_y = -distance_m if distance_m is not None else court.free_throw_y_m
    spot_sigma = TYPED_DISTANCE_SIGMA_M if distance_m is not None else ASSUMED_DISTANCE_SIGMA_M
    ends = np.array([[0.0, 0.0, stature_m], [0.0, 0.0, 0.0]])
    # height, tilt, roll, ln focal, ln distance to the camera, how far the player is from the picture's middle column,
    # azimuth, and where the player stands
    start_range = stature_m * lens.camera_matrix[1, 1] / tall
    belief = np.array([HEIGHT_M[0], 0, 0, 0, np.log(start_range), 0, np.radians(_AZIMUTH_DEG[side]), 0, spot_y])
    spread = np.array(
        [
            HEIGHT_M[1],
            np.radians(TILT_DEG[1]),
            np.radians(ROLL_DEG[1]),
            max(lens.sigma_focal, 1e-4),
            1.0,
            1.0,
            np.radians(AZIMUTH_SIGMA_DEG),
            0.3,
            spot_sigma,
        ]
    )

    def camera_of(p: FloatArray) -> Calibration:
        return _camera(p, lens, court, camera)

    def residuals(z: FloatArray) -> FloatArray:
        p = belief + spread * z
        found = camera_of(p)
        drawn = project(found, ends + np.array([p[7], p[8], 0.0]))
        sigma = BODY_SIGMA_M * found.camera_matrix[0, 0] / float(np.exp(p[4]))
        return np.concatenate([np.nan_to_num((drawn - np.stack([head, feet])).ravel() / sigma, nan=1e3), z])

    solved = least_squares(residuals, np.zeros(len(belief)), method="lm")
    best = camera_of(belief + spread * solved.x)
    if camera_centre(best)[2] <= 0:
        raise CalibrationError("no camera above the floor sees a standing player like this: check head and feet")
    inner = np.linalg.inv(solved.jac.T @ solved.jac)
    change = _jacobian(lambda z: camera_of(belief + spread * z), solved.x)
    covariance = change @ inner @ change.T
    covariance = (covariance + covariance.T) / 2
    drawn = project(best, ends + np.array([*(belief + spread * solved.x)[7:9], 0.0]))
    off = float(np.sqrt(((drawn - np.stack([head, feet])) ** 2).sum(axis=1).mean()))
    known = "typed" if distance_m is not None else "taken as the free-throw line"
    return Calibration(
        image_size=best.image_size,
        camera_matrix=best.camera_matrix,
        distortion=best.distortion,
        R=best.R,
        t=best.t,
        rms_px=off,
        covariance=covariance,
        sigma_position_m=one_sigma(covariance[3:6, 3:6]),
        sigma_direction_deg=float(np.degrees(one_sigma(covariance[:3, :3]))),
        method="standing",
        lens=best.lens,
        court=court.name,
        rim_height_m=court.rim_height_m,
        free_throw_from_board_m=court.free_throw_from_board_m,
        camera=camera or lens.camera,
        notes=(
            f"coarse: one standing player of {stature_m:.2f} m, camera said to be {_side_words(side)}",
            f"distance to the hoop {known}",
        ),
    )


def _typical(pixels: ArrayLike) -> FloatArray:
    """The median (2,) of the frames that show the point."""
    frames = np.atleast_2d(np.asarray(pixels, dtype=np.float64))
    seen = frames[np.isfinite(frames).all(axis=1)]
    if len(seen) == 0:
        raise CalibrationError("head and feet must be seen in at least one picture: stand so that both are in view")
    return np.asarray(np.median(seen, axis=0), dtype=np.float64)


def _side_words(side: CameraSide) -> str:
    return f"on the {side}" if side in ("left", "right") else "in front" if side == "front" else side


def _camera(p: FloatArray, lens: Lens, court: Court, camera: str) -> Calibration:
    """The camera for these beliefs; it looks at the player, who is `p[5]` (tangent) beside its axis."""
    height, tilt, roll, ln_focal, ln_range, aside, azimuth, spot_x, spot_y = p
    toward_camera = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    centre = np.array([spot_x, spot_y, 0.0]) + float(np.exp(ln_range)) * toward_camera
    centre[2] = height
    heading = np.arctan2(-toward_camera[1], -toward_camera[0]) + np.arctan(aside)
    forward = np.array([np.cos(heading) * np.cos(tilt), np.sin(heading) * np.cos(tilt), -np.sin(tilt)])
    right = np.array([np.sin(heading), -np.cos(heading), 0.0])
    R = Rotation.from_rotvec([0.0, 0.0, roll]).as_matrix() @ np.stack([right, np.cross(forward, right), forward])
    matrix = lens.camera_matrix.copy()
    matrix[[0, 1], [0, 1]] *= np.exp(ln_focal)
    return Calibration(
        image_size=lens.image_size,
        camera_matrix=matrix,
        distortion=lens.distortion,
        R=R,
        t=-R @ centre,
        rms_px=0.0,
        covariance=np.zeros((PARAMETERS, PARAMETERS)),
        sigma_position_m=0.0,
        sigma_direction_deg=0.0,
        method="standing",
        lens=lens.kind,
        court=court.name,
        rim_height_m=court.rim_height_m,
        free_throw_from_board_m=court.free_throw_from_board_m,
        camera=camera,
    )


def _jacobian(camera_of: Callable[[FloatArray], Calibration], at: FloatArray) -> FloatArray:
    """(7, n): how the record's parameters (record.PARAMETERS) change with the beliefs, by central differences."""
    middle, step = camera_of(at), 1e-4
    columns = []
    for i in range(len(at)):
        ends = []
        for sign in (1, -1):
            moved = at.copy()
            moved[i] += sign * step
            other = camera_of(moved)
            turn = Rotation.from_matrix(other.R @ middle.R.T).as_rotvec()
            shift = camera_centre(other) - camera_centre(middle)
            focal = np.log(other.camera_matrix[0, 0] / middle.camera_matrix[0, 0])
            ends.append(np.concatenate([turn, shift, [focal]]))
        columns.append((ends[0] - ends[1]) / (2 * step))
    return np.stack(columns, axis=1)
