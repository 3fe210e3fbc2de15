"""The coarse way: one standing player and a word on which side the camera is."""

import numpy as np
import pytest
from calibration_scenes import SIZE, camera_at, direction_error_deg, position_error_m

from rimward.calibration.errors import CalibrationError
from rimward.calibration.geometry import camera_centre, floor_from_image, meet_plane, project
from rimward.calibration.lens import lens_from_hfov, typical_lens
from rimward.calibration.record import Calibration
from rimward.calibration.standing import calibrate_standing

STATURE_M = 1.82
SPOT = (0.0, -4.191)
LENS = lens_from_hfov(SIZE, 70.0)


def standing(camera: Calibration, noise_px: float = 0.0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    """Head and feet of 60 frames."""
    ends = project(camera, [(*SPOT, STATURE_M), (*SPOT, 0.0)])
    frames = ends + np.random.default_rng(seed).normal(0, noise_px, (60, 2, 2))
    return frames[:, 0], frames[:, 1]


@pytest.mark.parametrize(
    ("side", "place"), [("right", (3.5, 0)), ("left", (-3.5, 0)), ("front", (0, 3.5)), ("behind", (0, -3.5))]
)
def test_the_camera_stands_on_the_side_that_was_said(side: str, place: tuple[float, float]) -> None:
    truth = camera_at((SPOT[0] + place[0], SPOT[1] + place[1], 1.0), (*SPOT, 1.0))
    found = calibrate_standing(*standing(truth), STATURE_M, side, LENS, distance_m=4.191)  # type: ignore[arg-type]
    # 1.0 m and level is what the belief expects, so here the answer is right
    assert position_error_m(found, truth) < 0.05
    assert direction_error_deg(found, truth) < 1.0
    assert found.method == "standing"
    assert not found.knows_hoop
    assert any("coarse" in note for note in found.notes)


def test_direction_is_coarse_and_says_so() -> None:
    truth = camera_at((3.5, -4.191, 1.0), (*SPOT, 1.0))
    found = calibrate_standing(*standing(truth), STATURE_M, "right", LENS)
    assert found.sigma_direction_deg > 10
    assert found.sigma_position_m > 0.5


def test_heights_of_the_player_come_out_right_although_the_camera_is_coarse() -> None:
    """Scale and floor hold at the player: that is what this way is for."""
    truth = camera_at((3.4, -4.6, 0.8), (0, -4.2, 1.1))
    found = calibrate_standing(*standing(truth), STATURE_M, "right", typical_lens(SIZE))
    feet = floor_from_image(found, project(truth, (*SPOT, 0.0)))
    toward = camera_centre(found) - feet
    eyes = meet_plane(found, project(truth, (*SPOT, 1.70)), feet, (toward[0], toward[1], 0.0))
    assert eyes[2] == pytest.approx(1.70, abs=0.04)


def test_the_truth_lies_within_two_sigma_over_cameras_as_people_put_them_up() -> None:
    rng = np.random.default_rng(9)
    inside, trials = np.zeros(2), 150
    for _ in range(trials):
        around, distance = np.radians(rng.normal(0, 15)), rng.uniform(2.8, 4.5)
        spot = np.array([rng.normal(0, 0.2), SPOT[1] + rng.normal(0, 0.15)])
        place = spot + distance * np.array([np.cos(around), np.sin(around)])
        height = float(np.clip(rng.normal(1.0, 0.3), 0.2, 2.0))
        truth = camera_at((*place, height), (*spot, height + distance * np.tan(np.radians(rng.normal(0, 5)))), 68)
        ends = project(truth, [(*spot, STATURE_M), (*spot, 0.0)]) + rng.normal(0, 3, (2, 2))
        found = calibrate_standing(ends[0], ends[1], STATURE_M, "right", typical_lens(SIZE), 4.191)
        inside += (
            position_error_m(found, truth) < 2 * found.sigma_position_m,
            direction_error_deg(found, truth) < 2 * found.sigma_direction_deg,
        )
    assert (inside >= 0.90 * trials).all(), inside


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"stature_m": 182.0}, "stature must lie between 0.9 and 2.3 m, got 182"),
        ({"side": "above"}, "the camera's side must be one of right, front, left, behind, got 'above'"),
        ({"distance_m": 40.0}, "the distance to the hoop must lie between 0.5 and 12 m, got 40"),
        ({"head_px": (640, 700), "feet_px": (640, 100)}, "must fill at least 10 % of the picture's height"),
        ({"feet_px": (np.nan, np.nan)}, "head and feet must be seen in at least one picture"),
    ],
)
def test_what_nobody_can_be_is_refused(changes: dict, reason: str) -> None:  # type: ignore[type-arg]
    good = {"head_px": (640, 100), "feet_px": (640, 600), "stature_m": 1.8, "side": "right", "lens": LENS}
    with pytest.raises(CalibrationError, match=reason):
        calibrate_standing(**{**good, **changes})
