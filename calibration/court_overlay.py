"""The court as the camera sees it: lines, board, ring and the line of sight to the hoop, as polylines in pixels."""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .courts import Court
from .geometry import NEAREST_M, project, undistorted
from .record import Calibration

FloatArray = NDArray[np.float64]

_STEP_M: Final = 0.1
"""Lines are bent by the lens, so they are drawn in steps this long."""
_MARGIN: Final = 0.15
"""Lines are drawn this share of the picture's size beyond its edge, so that thick ones end outside."""


def court_overlay(calibration: Calibration, spot_m: ArrayLike | None = None) -> list[FloatArray]:
    """Polylines (N, 2) px of the court's lines, the board, its square and the ring, cut where they leave the picture.

    With `spot_m` ((2,) or (3,), where the shooter stands on the floor, hoop frame) also the line on the floor in the
    vertical plane from there to the ring. Lens distortion is respected; what is behind the camera is left out.
    """
    lines = [*floor_lines(calibration.court_measures), *hoop_lines(calibration.court_measures)]
    if spot_m is not None:
        lines.append(sight_line(spot_m))
    return [piece for line in lines for piece in seen_pieces(calibration, line)]


def floor_lines(court: Court) -> list[FloatArray]:
    """Far or outer edges of the lines on the floor, (N, 3) each in the hoop frame, N >= 2."""
    lane, free, base = court.lane_width_m / 2, court.free_throw_y_m, court.baseline_y_m
    corner = court.three_corner_x_m
    # the arc ends where it comes as near to the side as the straight part
    arc_end = np.arccos(min(1.0, corner / court.three_radius_m))
    join = -court.three_radius_m * float(np.sin(arc_end))
    arc = _arc(0.0, court.three_radius_m, np.pi + arc_end, 2 * np.pi - arc_end)
    left_corner, right_corner = [(-corner, base), (-corner, join)], [(corner, join), (corner, base)]
    return [
        _on_floor([(-lane, base), (-lane, free), (lane, free), (lane, base)]),
        _on_floor([(-court.sideline_x_m, base), (court.sideline_x_m, base)]),
        _arc(free, court.circle_radius_m, np.pi, 2 * np.pi),
        np.concatenate([_on_floor(left_corner), arc, _on_floor(right_corner)]),
    ]


def hoop_lines(court: Court) -> list[FloatArray]:
    """Edges of the board and of its painted square, and the ring's inner edge, (N, 3) each in the hoop frame."""
    rim, y = court.rim_height_m, court.board_y_m
    low, square_low = rim - court.board_below_rim_m, rim - court.square_line_m
    angles = np.linspace(0, 2 * np.pi, 49)
    ring = court.ring_radius_m * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return [
        _rectangle(court.board_width_m / 2, y, low, low + court.board_height_m),
        _rectangle(court.square_width_m / 2, y, square_low, square_low + court.square_height_m),
        np.column_stack([ring, np.full(len(ring), rim)]),
    ]


def sight_line(spot_m: ArrayLike) -> FloatArray:
    """(2, 3), on the floor from the spot to below the ring, where the vertical plane through both meets the floor."""
    x, y = np.asarray(spot_m, dtype=np.float64)[:2]
    return np.array([[x, y, 0.0], [0.0, 0.0, 0.0]])


def seen_pieces(calibration: Calibration, line_m: ArrayLike) -> list[FloatArray]:
    """The parts of a polyline (N, 3) that this camera sees, in pixels (M, 2) each, M >= 2."""
    points = _dense(np.asarray(line_m, dtype=np.float64))
    pixels = project(calibration, points)
    size = np.array(calibration.image_size, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        inside = ((pixels > -_MARGIN * size) & (pixels < (1 + _MARGIN) * size)).all(axis=1)
    inside &= _within_lens(calibration, points)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    return [pixels[start:stop] for start, stop in zip(edges[::2], edges[1::2], strict=True) if stop - start >= 2]


def _within_lens(calibration: Calibration, points: FloatArray) -> NDArray[np.bool_]:
    """(N,), False where a point is so far off the axis that the lens model, made for the picture, folds it back."""
    in_camera = points @ calibration.R.T + calibration.t
    depth = in_camera[:, 2]
    ahead = depth > NEAREST_M
    if not calibration.distortion.any():
        return np.asarray(ahead)
    width, height = calibration.image_size
    k = calibration.camera_matrix
    corners = undistorted(calibration, [(0, 0), (width, 0), (0, height), (width, height)])
    widest = float(np.hypot(*((corners - k[:2, 2]) / (k[0, 0], k[1, 1])).T).max())
    radius = np.hypot(in_camera[:, 0], in_camera[:, 1]) / np.where(ahead, depth, 1.0)
    return np.asarray(ahead & (radius < 1.1 * widest))


def _dense(line: FloatArray) -> FloatArray:
    """The polyline with points at most one step apart."""
    pieces = [line[:1]]
    for a, b in itertools.pairwise(line):
        count = max(1, int(np.ceil(float(np.linalg.norm(b - a)) / _STEP_M)))
        pieces.append(a + (b - a) * (np.arange(1, count + 1) / count)[:, None])
    return np.concatenate(pieces)


def _on_floor(places: ArrayLike) -> FloatArray:
    xy = np.asarray(places, dtype=np.float64)
    return np.column_stack([xy, np.zeros(len(xy))])


def _arc(centre_y: float, radius: float, start: float, stop: float) -> FloatArray:
    angles = np.linspace(start, stop, 49)
    return _on_floor(np.column_stack([radius * np.cos(angles), centre_y + radius * np.sin(angles)]))


def _rectangle(half_width: float, y: float, low: float, high: float) -> FloatArray:
    corners = [(-half_width, high), (half_width, high), (half_width, low), (-half_width, low), (-half_width, high)]
    return np.array([(x, y, z) for x, z in corners])
