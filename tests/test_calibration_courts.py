"""Rule-book numbers, against what others publish."""

import numpy as np
import pytest

from rimward.calibration.courts import COURTS, FOOT, MARK_NAMES, court_named, named_marks
from rimward.calibration.errors import CalibrationError

# PyPI mplbasketball 1.0.1 (MIT), court_params.py, read 25 Nov 2026, in feet. Its painted square's height above the
# board's lower edge, its FIBA board and its NCAA and FIBA three-point radii are not the rules' and are left out.
MPLBASKETBALL = {
    "us": {
        "court_dims": (94.0, 50.0),
        "hoop_distance_from_edge": 5.25,
        "hoop_radius": 0.75,
        "backboard_distance_from_edge": 4.0,
        "backboard_width": 6.0,
        "backboard_height": 3.5,
        "backboard_inner_rect_width": 2.0,
        "backboard_inner_rect_height": 1.5,
        "outer_paint_dims": (18 + 5 / 6, 16 - 1 / 3),
        "three_point_arc_diameter": 47.5,
        "three_point_side_width": 3.0,
        "hoop_height": 10.0,
    },
    "us_college": {
        "court_dims": (94.0, 50.0),
        "hoop_distance_from_edge": 5.25,
        "hoop_radius": 0.75,
        "backboard_distance_from_edge": 4.0,
        "backboard_width": 6.0,
        "backboard_height": 3.5,
        "backboard_inner_rect_width": 2.0,
        "backboard_inner_rect_height": 1.5,
        "outer_paint_dims": (18 + 5 / 6, 12 - 1 / 3),
        "three_point_side_width": 3.34375,
        "hoop_height": 10.0,
    },
}
LINE_FT = 2 / 12


@pytest.mark.parametrize("name", MPLBASKETBALL)
def test_measures_agree_with_a_plotting_package(name: str) -> None:
    court, theirs = COURTS[name], MPLBASKETBALL[name]
    ours = {
        "hoop_distance_from_edge": court.baseline_y_m,
        "hoop_radius": court.ring_radius_m,
        "backboard_distance_from_edge": court.baseline_y_m - court.board_y_m,
        "backboard_width": court.board_width_m,
        "backboard_height": court.board_height_m,
        "backboard_inner_rect_width": court.square_width_m,
        "backboard_inner_rect_height": court.square_height_m,
        "three_point_arc_diameter": 2 * court.three_radius_m,
        "three_point_side_width": court.sideline_x_m - court.three_corner_x_m,
        "hoop_height": court.rim_height_m,
    }
    for key, metres in ours.items():
        if key in theirs:
            assert metres / FOOT == pytest.approx(theirs[key], abs=1e-3), key
    length, width = theirs["outer_paint_dims"]  # inside measures
    assert court.lane_width_m / FOOT == pytest.approx(width + 2 * LINE_FT)
    assert (court.board_y_m - court.free_throw_y_m) / FOOT == pytest.approx(length + LINE_FT - 4.0)
    assert 2 * court.sideline_x_m / FOOT == pytest.approx(theirs["court_dims"][1])


def test_fiba_measures() -> None:
    # FIBA, as quoted by equipment makers and court guides: board 1.80 x 1.05 m with its lower edge at 2.90 m, rim
    # 3.05 m, line 5.80 m from the baseline and 4.60 m from the board, ring centre 1.575 m from the baseline
    fiba = named_marks(COURTS["fiba"])
    assert fiba["board_bottom_left"] == pytest.approx([-0.90, 0.375, 2.90])
    assert fiba["board_top_right"] == pytest.approx([0.90, 0.375, 3.95])
    assert fiba["free_throw_left"] == pytest.approx([-2.45, -4.225, 0])
    assert COURTS["fiba"].baseline_y_m - fiba["free_throw_middle"][1] == pytest.approx(5.80)
    assert fiba["board_top_left"][1] - fiba["free_throw_middle"][1] == pytest.approx(4.60)


def test_us_marks_in_the_hoop_frame() -> None:
    marks = named_marks(COURTS["us"])
    assert marks["ring_centre"] == pytest.approx([0, 0, 3.048])
    assert marks["free_throw_middle"] == pytest.approx([0, -4.191, 0])  # 13.75 ft from the ring's axis
    assert marks["below_ring"] == pytest.approx([0, 0, 0])
    # board from 9 ft 6 in to 13 ft (league rule books, as quoted by rink and court guides)
    assert marks["board_bottom_left"][2] / FOOT == pytest.approx(9.5)
    assert marks["board_top_left"][2] / FOOT == pytest.approx(13.0)
    # the upper edge of the square's 2-inch bottom line is level with the ring
    assert marks["square_bottom_left"][2] + 2 * 0.0254 == pytest.approx(3.048)
    assert marks["square_top_left"] - marks["square_bottom_left"] == pytest.approx([0, 0, 0.4572])


@pytest.mark.parametrize("court", COURTS.values(), ids=str)
def test_left_is_the_shooters_left_and_marks_are_mirrored(court) -> None:  # type: ignore[no-untyped-def]
    marks = named_marks(court)
    for name in MARK_NAMES:
        if "left" in name:
            assert marks[name][0] < 0
            assert marks[name.replace("left", "right")] == pytest.approx(marks[name] * [-1, 1, 1])


def test_a_lowered_rim_takes_board_and_square_along() -> None:
    # 8 ft: youth guidelines for ages 7 and 8
    low, high = named_marks(court_named("us", rim_height_m=8 * FOOT)), named_marks(COURTS["us"])
    for name in MARK_NAMES:
        drop = high[name] - low[name]
        expected = 2 * FOOT if name.startswith(("ring", "board", "square")) else 0.0
        assert drop == pytest.approx([0, 0, expected]), name


def test_a_short_youth_line_is_measured_from_the_board() -> None:
    # 14 ft: youth guidelines up to age 11
    court = court_named("us", free_throw_from_board_m=14 * FOOT)
    assert court.free_throw_y_m / FOOT == pytest.approx(-12.75)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ({"name": "mars"}, "court must be one of us, us_college, us_high_school, fiba, got 'mars'"),
        ({"name": "us", "rim_height_m": 30.48}, "rim_height_m must lie between 1.5 and 3.2 m, got 30.48"),
        ({"name": "us", "rim_height_m": float("nan")}, "rim_height_m must lie"),
        ({"name": "us", "free_throw_from_board_m": 15.0}, "free_throw_from_board_m must lie between"),
    ],
)
def test_a_court_nobody_plays_on_is_refused(arguments: dict, reason: str) -> None:  # type: ignore[type-arg]
    with pytest.raises(CalibrationError, match=reason):
        court_named(**arguments)


def test_places_are_finite() -> None:
    for court in COURTS.values():
        assert all(np.isfinite(place).all() and place.shape == (3,) for place in named_marks(court).values())
