"""The court drawn back over the picture, against courts rendered by another program and OpenCV's projection."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from calibration_scenes import BEHIND, SIDE, SIZE, camera_at
from calibration_screens import known
from hypothesis import given
from hypothesis import strategies as st

from rimward.calibration.court_overlay import court_overlay, floor_lines, hoop_lines, seen_pieces, sight_line
from rimward.calibration.courts import COURTS, FOOT, INCH, court_named, named_marks
from rimward.calibration.geometry import project
from rimward.calibration.mark_map import mark_map
from rimward.calibration.wizard import Mark


def levels(grey: np.ndarray, pixels: np.ndarray) -> np.ndarray:
    """Grey levels at those pixels (N, 2) that lie in the picture."""
    height, width = grey.shape
    inside = (pixels > 1).all(axis=1) & (pixels < (width - 1, height - 1)).all(axis=1)
    at = np.round(pixels[inside] - 0.5).astype(int)
    return grey[at[:, 1], at[:, 0]].astype(float)


def moved_inwards(line: np.ndarray, by_m: float) -> np.ndarray:
    """A lane or arc shrunk toward the middle of the floor by this much."""
    x = np.sign(line[:, 0]) * (np.abs(line[:, 0]) - by_m)
    return np.column_stack([x, line[:, 1] + by_m, line[:, 2]])


@pytest.mark.parametrize("name", ["gym_hoop", "driveway_hoop", "gym_lines"])
def test_the_lane_lies_on_the_painted_lines_of_a_rendered_court(name: str) -> None:
    """The studio's shader paints its lines by its own formulas: 2 in wide, outer edges on the rule's measure."""
    scene = known(name)
    lane = floor_lines(COURTS["us"])[0]
    side = np.linspace(lane[0], lane[1], 200)[20:-20]  # the lane's left line
    on, beside = (
        levels(scene.grey, project(scene.camera, moved_inwards(side, by) * (1, 1, 0))) for by in (1 * INCH, 6 * INCH)
    )
    assert len(on) > 20
    assert np.median(on) > np.median(beside) + 25


def test_the_ring_lies_on_the_rendered_ring() -> None:
    """The studio's ring is orange, its inner edge at 9 in; the wall behind is grey."""
    scene = known("gym_hoop")
    ring = hoop_lines(COURTS["us"])[2]
    metal = ring * (1 + 0.009 / 0.2286, 1 + 0.009 / 0.2286, 1)
    near = metal[metal[:, 1] < -0.1]
    at = np.round(project(scene.camera, near) - 0.5).astype(int)
    blue, _, red = scene.image[at[:, 1], at[:, 0]].astype(int).T
    assert np.median(red - blue) > 40


def test_the_nba_corner_line_ends_14_feet_from_the_baseline() -> None:
    """NBA rule 1: the straight part is 3 ft from the sideline and 14 ft long (the length from memory)."""
    court = COURTS["us"]
    line = floor_lines(court)[3]
    straight = line[np.isclose(line[:, 0], -court.three_corner_x_m)]
    length = straight[:, 1].max() - straight[:, 1].min()
    assert length == pytest.approx(14 * FOOT, abs=0.25 * FOOT)
    assert court.sideline_x_m - court.three_corner_x_m == pytest.approx(3 * FOOT)


@pytest.mark.parametrize("name", COURTS)
def test_lines_pass_through_the_named_marks(name: str) -> None:
    court = court_named(name, 2.9, 4.3)
    marks = named_marks(court)
    lane = floor_lines(court)[0]
    board, square, ring = hoop_lines(court)
    for line, names in (
        (lane, ("free_throw_left", "free_throw_right")),
        (board, ("board_top_left", "board_bottom_right")),
        (square, ("square_top_right", "square_bottom_left")),
        (ring, ("ring_left", "ring_right", "ring_front")),
    ):
        for mark in names:
            assert np.linalg.norm(line - marks[mark], axis=1).min() < 1e-9


@pytest.mark.parametrize("name", COURTS)
def test_the_arc_joins_its_straight_parts(name: str) -> None:
    line = floor_lines(COURTS[name])[3]
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    arc = steps[2:-2]
    assert arc.max() < 0.5
    assert arc.max() < 3 * np.median(arc)
    assert (line[:, 1] <= COURTS[name].baseline_y_m + 1e-9).all()


def test_distortion_is_respected_as_opencv_projects_it() -> None:
    bent = replace(BEHIND, distortion=np.array([-0.25, 0.08, 0.001, -0.001, 0.0]))
    (piece,) = seen_pieces(bent, hoop_lines(COURTS["us"])[0])
    expected, _ = cv2.projectPoints(
        hoop_lines(COURTS["us"])[0][:1] @ bent.R.T + bent.t,
        np.zeros(3),
        np.zeros(3),
        bent.camera_matrix,
        bent.distortion,
    )
    assert piece[0] == pytest.approx(expected.reshape(2))
    straight = seen_pieces(BEHIND, hoop_lines(COURTS["us"])[0])[0]
    assert np.abs(piece - straight).max() > 3


@given(
    k1=st.floats(-0.45, 0.3),
    x=st.floats(-6, 6),
    y=st.floats(-9, 0.2),
    z=st.floats(0.3, 2.5),
    hfov=st.floats(50, 110),
    aim=st.floats(-5, 1),
)
def test_every_piece_is_finite_near_the_picture_and_without_jumps(
    k1: float, x: float, y: float, z: float, hfov: float, aim: float
) -> None:
    camera = camera_at((x, y, z), (0.1, aim, 1.0), hfov_deg=hfov, distortion=(k1, 0, 0, 0, 0))
    for piece in court_overlay(camera, (0.2, -4.3)):
        assert len(piece) >= 2
        assert np.isfinite(piece).all()
        assert (piece > -0.16 * np.array(SIZE)).all()
        assert (piece < 1.16 * np.array(SIZE)).all()
        # a piece that folded back or came from behind the camera would cross the picture at once
        far = np.linalg.norm(np.diff(piece, axis=0), axis=1)
        assert far.max() < 0.75 * SIZE[0]


def test_a_camera_that_looks_away_sees_nothing() -> None:
    away = camera_at((0, -6, 1.2), (0, -12, 1.2))
    assert seen_pieces(away, hoop_lines(COURTS["us"])[0]) == []


def test_the_sight_line_runs_on_the_floor_from_the_spot_to_below_the_ring() -> None:
    assert sight_line((0.4, -4.2, 1.1)) == pytest.approx(np.array([[0.4, -4.2, 0.0], [0.0, 0.0, 0.0]]))
    assert len(court_overlay(SIDE, (0.4, -4.2))) == len(court_overlay(SIDE)) + 1


# ---- the small drawing


def drawn(name: str, place: tuple[float, float, float]) -> tuple[np.ndarray, np.ndarray]:
    chart = mark_map(Mark(name, "", "", place), COURTS["us"])
    return np.vstack(chart.lines), chart.dot


def test_the_drawing_has_the_hoop_at_the_top_and_the_shooters_left_on_the_left() -> None:
    lines, left = drawn("free_throw_left", (-2.4384, -4.191, 0.0))
    _, right = drawn("free_throw_right", (2.4384, -4.191, 0.0))
    assert left[0] < 0 < right[0]
    assert lines[:, 1].max() > 0 > left[1]
    _, top = drawn("board_top_left", (-0.9144, 0.381, 3.9624))
    _, low = drawn("board_bottom_left", (-0.9144, 0.381, 2.8956))
    assert top[1] > low[1]


def test_the_dot_lies_on_the_drawing() -> None:
    for name, place in (
        ("board_top_right", (0.9144, 0.381, 3.9624)),
        ("ring_left", (-0.2286, 0.0, 3.048)),
        ("circle_left", (-1.8288, -4.191, 0.0)),
        ("feet", (0.0, 0.0, 0.0)),
    ):
        lines, dot = drawn(name, place)
        assert (dot >= lines.min(axis=0) - 1e-9).all()
        assert (dot <= lines.max(axis=0) + 1e-9).all()
