"""Pixels to the hoop frame and back."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from calibration_scenes import BEHIND, BESIDE_BASELINE, SIDE, SIZE, camera_at
from hypothesis import given
from hypothesis import strategies as st

from rimward.calibration.geometry import (
    camera_centre,
    floor_from_image,
    meet_plane,
    moved,
    plane_to_hoop,
    project,
    ray,
    sigma_of,
)
from rimward.calibration.record import Calibration

WEBCAM = camera_at((3.0, -5.0, 0.9), (0, -4, 1.2), distortion=(-0.12, 0.05, 0.001, -0.0005, -0.01))
CAMERAS = (SIDE, BEHIND, BESIDE_BASELINE, WEBCAM)

coordinate = st.floats(-3, 3)
pixel = st.tuples(st.floats(0, SIZE[0]), st.floats(0, SIZE[1]))
camera = st.sampled_from(CAMERAS)


def test_pixels_are_continuous_with_the_corner_at_zero_and_axes_as_the_interface_says() -> None:
    centre = camera_centre(SIDE)
    ahead = centre + 2.0 * SIDE.R[2]
    assert project(SIDE, ahead) == pytest.approx([640, 360])
    half = np.tan(np.radians(35.0)) * 2.0
    assert project(SIDE, ahead - half * SIDE.R[0])[0] == pytest.approx(0.0)
    assert project(SIDE, ahead + half * SIDE.R[0])[0] == pytest.approx(1280.0)
    assert project(SIDE, ahead + (0, 0, 0.1))[1] < 360


@pytest.mark.parametrize("truth", CAMERAS)
def test_projection_is_opencvs(truth: Calibration) -> None:
    # the outside source: OpenCV's own projectPoints with the rotation vector and translation it asks for
    points = np.random.default_rng(1).uniform((-2, -6, 0), (2, -2, 3), (200, 3))
    in_front = (points @ truth.R.T + truth.t)[:, 2] > 0.1
    theirs = cv2.projectPoints(
        points[in_front], cv2.Rodrigues(truth.R)[0], truth.t, truth.camera_matrix, truth.distortion
    )[0]
    assert np.abs(project(truth, points[in_front]) - theirs[:, 0]).max() < 1e-6


@given(camera, st.tuples(coordinate, st.floats(-7, -1), st.floats(0, 3)))
def test_a_ray_passes_through_the_point_that_was_projected(truth: Calibration, point: tuple[float, ...]) -> None:
    seen = project(truth, np.array(point))
    # lens models only hold inside the picture: outside it the polynomial may fold back
    if not np.isfinite(seen).all() or not (0 <= seen[0] <= SIZE[0] and 0 <= seen[1] <= SIZE[1]):
        return
    toward = np.array(point) - camera_centre(truth)
    if np.abs(truth.R @ toward / (truth.R @ toward)[2])[:2].max() > 1:
        return
    assert ray(truth, seen) == pytest.approx(toward / np.linalg.norm(toward), abs=1e-7)


@given(camera, pixel)
def test_a_floor_point_projects_back_to_its_pixel(truth: Calibration, px: tuple[float, float]) -> None:
    place = floor_from_image(truth, np.array(px))
    if np.isnan(place).any():
        assert ray(truth, np.array(px))[2] > -1e-8
    else:
        assert place[2] == pytest.approx(0, abs=1e-6)
        assert project(truth, place) == pytest.approx(px, abs=1e-4)


def test_what_is_behind_the_camera_or_above_the_horizon_is_nan() -> None:
    assert np.isnan(project(SIDE, camera_centre(SIDE) - SIDE.R[2])).all()
    assert np.isnan(floor_from_image(SIDE, (640, 5))).all()
    assert np.isnan(project(SIDE, [[np.nan, 0, 0]])).all()


def test_shapes_follow_the_input() -> None:
    assert project(SIDE, np.zeros((4, 5, 3))).shape == (4, 5, 2)
    assert ray(WEBCAM, np.full((2, 3, 2), 300.0)).shape == (2, 3, 3)
    assert floor_from_image(SIDE, (640, 700)).shape == (3,)


def test_the_plane_to_the_hoop_knows_the_shooters_right() -> None:
    plane = plane_to_hoop((0.0, -4.191))
    assert plane.direction == pytest.approx([0, 1])
    assert plane.offset_m([[0.1, -4, 2], [-0.2, -1, 0], [0, 0, 3.048]]) == pytest.approx([0.1, -0.2, 0])
    from_the_wing = plane_to_hoop((4.0, 0.0, 0.0))  # faces -x, so the right hand is toward the baseline, +y
    assert from_the_wing.offset_m((2.0, 0.3, 1.0)) == pytest.approx(0.3)


def test_pixels_meet_the_vertical_plane_where_the_point_was() -> None:
    plane = plane_to_hoop((0.3, -4.2))
    points = np.array([[0.3, -4.2, 1.9], [0.3 * 0.9, -4.2 * 0.9, 1.4]])
    assert plane.meet(SIDE, project(SIDE, points)) == pytest.approx(points)


def test_below_the_ring_there_is_no_direction_to_the_hoop() -> None:
    with pytest.raises(ValueError, match="off the ring's axis"):
        plane_to_hoop((0.0, 0.0))


def test_a_ray_along_a_plane_never_meets_it() -> None:
    level = camera_at((0, -5, 1), (0, 0, 1))
    assert np.isnan(meet_plane(level, (640, 360), (0, 0, 0), (0, 0, 1))).all()


def test_a_propagated_sigma_is_the_known_one() -> None:
    # exact by hand: a camera that is 1 cm unsure along x moves the floor point under a pixel by 1 cm along x
    covariance = np.zeros((7, 7))
    covariance[3, 3] = 0.01**2
    unsure = replace(SIDE, covariance=covariance)
    assert sigma_of(unsure, lambda c: floor_from_image(c, (640, 650))) == pytest.approx([0.01, 0, 0], abs=1e-9)
    assert sigma_of(SIDE, camera_centre) == pytest.approx([0, 0, 0])


def test_a_sigma_agrees_with_drawing_cameras_at_random() -> None:
    rng = np.random.default_rng(3)
    root = rng.normal(0, 1, (7, 7)) * np.array([1e-3] * 3 + [5e-3] * 3 + [4e-3])[:, None]
    unsure = replace(SIDE, covariance=root @ root.T)
    drawn = np.array([floor_from_image(moved(unsure, root @ rng.normal(size=7)), (500, 650)) for _ in range(4000)])
    told = sigma_of(unsure, lambda c: floor_from_image(c, (500, 650)))
    assert told[:2] == pytest.approx(drawn.std(axis=0)[:2], rel=0.08)


def broken(**changes: object) -> None:
    replace(SIDE, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"image_size": (0, 720)}, "image_size must be two numbers above 0"),
        ({"R": np.diag([1.0, 1.0, -1.0])}, "R must be a rotation"),
        ({"R": np.eye(3) * 1.1}, "R must be a rotation"),
        ({"t": np.array([0, np.nan, 0])}, "got a number that is not finite"),
        ({"t": np.zeros(2)}, r"t must hold finite numbers of shape \(3,\)"),
        ({"camera_matrix": np.array([[9, 0, 6], [0, -9, 3], [0, 0, 1.0]])}, "fx and fy above 0"),
        ({"camera_matrix": np.array([[9, 1, 6], [0, 9, 3], [0, 0, 1.0]])}, "no skew"),
        ({"covariance": -np.eye(7)}, "covariance must not be negative"),
        ({"covariance": np.triu(np.ones((7, 7)))}, "covariance must be symmetric"),
        ({"rms_px": -1.0}, "rms_px must be a number of 0 or more"),
        ({"sigma_position_m": np.inf}, "sigma_position_m must be"),
    ],
)
def test_a_record_that_does_not_fit_together_is_refused(changes: dict, reason: str) -> None:  # type: ignore[type-arg]
    with pytest.raises(ValueError, match=reason):
        broken(**changes)


def test_a_record_cannot_be_changed_from_outside() -> None:
    with pytest.raises(ValueError, match="read-only"):
        SIDE.R[0, 0] = 5.0
