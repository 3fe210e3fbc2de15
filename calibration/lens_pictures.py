"""A lens from pictures of a board that was moved in front of it (Zhang's method, as OpenCV implements it)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from .errors import CalibrationError
from .lens import Lens
from .print_target import charuco_board
from .target import grey_of

FloatArray = NDArray[np.float64]
ImageArray = NDArray[np.uint8]

FEWEST_PICTURES: Final = 8
_FEWEST_CORNERS: Final = 8
_LEAST_SPREAD: Final = 0.5
"""Share of the picture's width and of its height that the corners of all pictures together must span."""
_RMS_LIMIT: Final = 1.5 / 1280
_SIGMA_LIMIT: Final = 0.02
_FOCUS_SIGMA: Final = 0.005
"""Of ln(focal length) on the court: a lens of 4 mm that focuses at half a metre, as on the board, is 0.8 % longer than
one that focuses far away (thin lens: its image lies f / (1 - f / d) behind it)."""


def find_board(image: ImageArray, chessboard: tuple[int, int] | None = None) -> tuple[FloatArray, FloatArray] | None:
    """Corners of the board in a picture: places on the board (N, 3) and pixels (N, 2), or None when it is not seen.

    `chessboard` counts a plain chessboard's inner corners (columns, rows), its squares are taken as 1 wide; without it
    the printed lens board is looked for. Pixels are continuous, (0, 0) is the corner of the image.
    """
    grey = grey_of(image)
    if chessboard is None:
        board = charuco_board()
        corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
        if ids is None or len(ids) < _FEWEST_CORNERS:
            return None
        places = np.asarray(board.getChessboardCorners(), dtype=np.float64)[np.ravel(ids)]
        return places, np.asarray(corners, dtype=np.float64).reshape(-1, 2) + 0.5
    found, corners = cv2.findChessboardCornersSB(grey, chessboard, flags=cv2.CALIB_CB_ACCURACY)
    if not found:
        return None
    columns, rows = np.meshgrid(np.arange(chessboard[0]), np.arange(chessboard[1]))
    places = np.stack([columns, rows, np.zeros_like(rows)], axis=-1).reshape(-1, 3).astype(np.float64)
    return places, np.asarray(corners, dtype=np.float64).reshape(-1, 2) + 0.5


def calibrate_lens(pictures: Sequence[ImageArray], chessboard: tuple[int, int] | None = None, camera: str = "") -> Lens:
    """The lens that took these pictures of the board.

    Raises CalibrationError when the pictures differ in size, show the board too seldom or in too small a part of the
    picture, or do not agree with one lens.
    """
    sizes = {(picture.shape[1], picture.shape[0]) for picture in pictures}
    if len(sizes) > 1:
        listed = " and ".join(f"{w} x {h}" for w, h in sorted(sizes))
        raise CalibrationError(f"all pictures must have one size, found {listed}: use those of one camera setting")
    views = [view for view in (find_board(picture, chessboard) for picture in pictures) if view is not None]
    if len(views) < FEWEST_PICTURES:
        raise CalibrationError(
            f"the board must be seen in at least {FEWEST_PICTURES} pictures, was in {len(views)} of {len(pictures)}: "
            "even light, the whole board in the picture, no blur"
        )
    size = sizes.pop()
    seen = np.concatenate([pixels for _, pixels in views])
    spans = (seen.max(axis=0) - seen.min(axis=0)) / size
    if spans.min() < _LEAST_SPREAD:
        raise CalibrationError(
            f"the board must reach over {100 * _LEAST_SPREAD:.0f} % of the picture's width and height, all pictures "
            f"together, found {100 * spans[0]:.0f} and {100 * spans[1]:.0f} %: hold it toward the corners too"
        )
    rms, matrix, distortion, deviations = _solve(views, size)
    if rms > _RMS_LIMIT * size[0]:
        raise CalibrationError(
            f"the pictures must agree with one lens within {_RMS_LIMIT * size[0]:.1f} px, found {rms:.1f} px: "
            "is the board flat, and the zoom and focus the same in all?"
        )
    sigma = float(max(deviations[0] / matrix[0, 0], deviations[1] / matrix[1, 1]))
    if sigma > _SIGMA_LIMIT:
        raise CalibrationError(
            f"the pictures tell the focal length only to {100 * sigma:.1f} %, {100 * _SIGMA_LIMIT:.0f} % is needed: "
            "tilt the board more, and hold it nearer"
        )
    return Lens(size, matrix, distortion, float(np.hypot(sigma, _FOCUS_SIGMA)), "calibrated", rms, camera)


def _solve(
    views: Sequence[tuple[FloatArray, FloatArray]], size: tuple[int, int]
) -> tuple[float, FloatArray, FloatArray, FloatArray]:
    """RMS, matrix (3, 3), distortion (5,) and standard deviations of fx, fy, cx, cy."""
    # OpenCV's initial guess and its calibration take float32 only
    places: Any = [points.astype(np.float32) for points, _ in views]
    pixels: Any = [px.astype(np.float32).reshape(-1, 1, 2) for _, px in views]
    try:
        rms, matrix, distortion, _, _, deviations, _, _ = cv2.calibrateCameraExtended(places, pixels, size, None, None)  # type: ignore[call-overload]
    except cv2.error as error:
        reason = str(error).strip().splitlines()[-1]
        raise CalibrationError(f"the pictures fit no lens: tilt the board in different ways ({reason})") from None
    matrix = np.asarray(matrix, dtype=np.float64)
    return float(rms), matrix, np.ravel(distortion)[:5].astype(np.float64), np.ravel(deviations)[:4].astype(np.float64)
