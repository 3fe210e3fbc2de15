"""A small drawing of where a mark is: the hoop from the front, or the floor from above with the hoop at the top."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .court_overlay import floor_lines, hoop_lines
from .courts import Court
from .wizard import Mark

FloatArray = NDArray[np.float64]

_ON_HOOP: Final = ("board_", "ring_", "square_")
_RING_TILT: Final = 0.3
"""The ring is drawn as seen a little from below, else it would be a line."""


@dataclass(frozen=True, slots=True, eq=False)
class MarkMap:
    """Polylines (N, 2) and the mark's place (2,), in metres, to the right and up the drawing."""

    lines: tuple[FloatArray, ...]
    dot: FloatArray


def mark_map(mark: Mark, court: Court) -> MarkMap:
    """The drawing for this mark: the hoop, the floor, or a standing player."""
    x, y, z = mark.world_m
    if mark.name in ("head", "feet"):
        return MarkMap(_player(mark.world_m[2] or 1.8), np.array([0.0, z]))
    if mark.name.startswith(_ON_HOOP):
        board, square, ring = hoop_lines(court)
        oval = np.column_stack([ring[:, 0], court.rim_height_m + _RING_TILT * ring[:, 1]])
        # the ring's ends are where they are seen, whatever the camera
        return MarkMap((board[:, [0, 2]], square[:, [0, 2]], oval), np.array([x, z]))
    lane, baseline, circle, three = floor_lines(court)
    board = np.array([[-court.board_width_m / 2, court.board_y_m], [court.board_width_m / 2, court.board_y_m]])
    angles = np.linspace(0, 2 * np.pi, 25)
    ring = court.ring_radius_m * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    half = 0.75 * court.lane_width_m
    if abs(x) > half:  # at the court's edges: all of this half
        side, base = court.sideline_x_m, court.baseline_y_m
        edges = np.array([[-side, -court.three_radius_m], [-side, base], [side, base], [side, -court.three_radius_m]])
        return MarkMap((lane[:, :2], edges, circle[:, :2], three[:, :2], board, ring), np.array([x, y]))
    short_base = np.array([[-half, baseline[0, 1]], [half, baseline[0, 1]]])
    return MarkMap((lane[:, :2], short_base, circle[:, :2], board, ring), np.array([x, y]))


def _player(stature: float) -> tuple[FloatArray, ...]:
    angles = np.linspace(0, 2 * np.pi, 25)
    head = 0.065 * stature * np.stack([np.sin(angles), np.cos(angles)], axis=1) + (0, 0.935 * stature)
    trunk = np.array([(0.0, 0.87), (0.0, 0.5)]) * stature
    legs = np.array([(-0.06, 0.0), (0.0, 0.5), (0.06, 0.0)]) * stature
    arms = np.array([(-0.1, 0.45), (-0.06, 0.8), (0.06, 0.8), (0.1, 0.45)]) * stature
    ground = np.array([(-0.3, 0.0), (0.3, 0.0)]) * stature
    return head, trunk, legs, arms, ground
