"""Rule-book geometry: where the named marks of a court lie in the hoop frame.

The hoop frame is right-handed and in metres: origin on the floor below the ring's centre, x to the right of a shooter
who faces the hoop, y forward (toward the board), z up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .errors import CalibrationError

FloatArray = NDArray[np.float64]

FOOT: Final = 0.3048
INCH: Final = 0.0254


@dataclass(frozen=True, slots=True)
class Court:
    """The measures of one court, in metres. Board and painted square hang on the rim: a lowered rim takes them along.

    Sources: NBA and NCAA rules on court and equipment; FIBA "Basketball Equipment"; 2nd-hand for the US high schools.
    """

    name: str
    rim_height_m: float
    """Top of the ring above the floor."""
    ring_radius_m: float
    """Inner edge."""
    board_y_m: float
    """The board's face, forward of the ring's centre."""
    board_width_m: float
    board_height_m: float
    board_below_rim_m: float
    """Lower edge of the board below the ring."""
    square_width_m: float
    square_height_m: float
    """Outer measures of the painted square."""
    square_line_m: float
    """Width of its lines; the upper edge of the bottom line is level with the ring."""
    free_throw_y_m: float
    """Far edge of the free-throw line."""
    lane_width_m: float
    """Outer edges."""
    circle_radius_m: float
    three_radius_m: float
    three_corner_x_m: float
    baseline_y_m: float
    sideline_x_m: float

    @property
    def free_throw_from_board_m(self) -> float:
        """From the plane of the board's face to the far edge of the free-throw line, as rule books say it."""
        return self.board_y_m - self.free_throw_y_m


_US = Court(
    name="us",
    rim_height_m=10 * FOOT,
    ring_radius_m=9 * INCH,
    board_y_m=15 * INCH,
    board_width_m=6 * FOOT,
    board_height_m=3.5 * FOOT,
    board_below_rim_m=0.5 * FOOT,
    square_width_m=24 * INCH,
    square_height_m=18 * INCH,
    square_line_m=2 * INCH,
    free_throw_y_m=-13.75 * FOOT,
    lane_width_m=16 * FOOT,
    circle_radius_m=6 * FOOT,
    three_radius_m=23.75 * FOOT,
    three_corner_x_m=22 * FOOT,
    baseline_y_m=5.25 * FOOT,
    sideline_x_m=25 * FOOT,
)

COURTS: Final = MappingProxyType(
    {
        "us": _US,
        "us_college": replace(
            _US,
            name="us_college",
            lane_width_m=12 * FOOT,
            three_radius_m=22 * FOOT + 1.75 * INCH,
            three_corner_x_m=21 * FOOT + 7.875 * INCH,
        ),
        "us_high_school": replace(
            _US,
            name="us_high_school",
            lane_width_m=12 * FOOT,
            three_radius_m=19.75 * FOOT,
            three_corner_x_m=19.75 * FOOT,
        ),
        "fiba": Court(
            name="fiba",
            rim_height_m=3.05,
            # inside FIBA's 450-459 mm; one radius everywhere keeps ring marks the same on every court
            ring_radius_m=0.2286,
            board_y_m=0.375,
            board_width_m=1.80,
            board_height_m=1.05,
            board_below_rim_m=0.15,
            square_width_m=0.59,
            square_height_m=0.45,
            square_line_m=0.05,
            free_throw_y_m=-4.225,
            lane_width_m=4.90,
            circle_radius_m=1.80,
            three_radius_m=6.75,
            three_corner_x_m=6.60,
            baseline_y_m=1.575,
            sideline_x_m=7.50,
        ),
    }
)

LOWEST_RIM_M: Final = 1.5
HIGHEST_RIM_M: Final = 3.2
SHORTEST_FREE_THROW_M: Final = 2.0
LONGEST_FREE_THROW_M: Final = 6.0


def court_named(name: str, rim_height_m: float | None = None, free_throw_from_board_m: float | None = None) -> Court:
    """The court of this name, with a lowered rim and a short youth line where given.

    `free_throw_from_board_m` runs from the plane of the board's face to the far edge of the line, as rule books say it
    (15 ft on a US court, 14 ft for the youngest). Raises CalibrationError for an unknown name or a value no court has.
    """
    if name not in COURTS:
        raise CalibrationError(f"court must be one of {', '.join(COURTS)}, got {name!r}")
    court = COURTS[name]
    if rim_height_m is not None:
        if not LOWEST_RIM_M <= rim_height_m <= HIGHEST_RIM_M:
            raise CalibrationError(
                f"rim_height_m must lie between {LOWEST_RIM_M} and {HIGHEST_RIM_M} m, got {rim_height_m:g}"
            )
        court = replace(court, rim_height_m=rim_height_m)
    if free_throw_from_board_m is not None:
        if not SHORTEST_FREE_THROW_M <= free_throw_from_board_m <= LONGEST_FREE_THROW_M:
            raise CalibrationError(
                "free_throw_from_board_m must lie between "
                f"{SHORTEST_FREE_THROW_M} and {LONGEST_FREE_THROW_M} m, got {free_throw_from_board_m:g}"
            )
        court = replace(court, free_throw_y_m=court.board_y_m - free_throw_from_board_m)
    return court


def named_marks(court: Court) -> dict[str, FloatArray]:
    """Place of every named mark in the hoop frame, (3,) metres each. Left and right are the shooter's."""
    rim, radius = court.rim_height_m, court.ring_radius_m
    board_x, board_low = court.board_width_m / 2, rim - court.board_below_rim_m
    square_x, square_low = court.square_width_m / 2, rim - court.square_line_m
    board_high, square_high = board_low + court.board_height_m, square_low + court.square_height_m
    face, line, lane = court.board_y_m, court.free_throw_y_m, court.lane_width_m / 2
    places = {
        "ring_centre": (0.0, 0.0, rim),
        "ring_front": (0.0, -radius, rim),
        "ring_left": (-radius, 0.0, rim),
        "ring_right": (radius, 0.0, rim),
        "board_top_left": (-board_x, face, board_high),
        "board_top_right": (board_x, face, board_high),
        "board_bottom_left": (-board_x, face, board_low),
        "board_bottom_right": (board_x, face, board_low),
        "square_top_left": (-square_x, face, square_high),
        "square_top_right": (square_x, face, square_high),
        "square_bottom_left": (-square_x, face, square_low),
        "square_bottom_right": (square_x, face, square_low),
        "free_throw_left": (-lane, line, 0.0),
        "free_throw_right": (lane, line, 0.0),
        "free_throw_middle": (0.0, line, 0.0),
        "below_ring": (0.0, 0.0, 0.0),
    }
    return {name: np.array(place) for name, place in places.items()}


MARK_NAMES: Final = tuple(named_marks(_US))
