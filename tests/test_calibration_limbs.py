"""Limb lengths of a player who stands tall with the arms out."""

from dataclasses import replace

import numpy as np
import pytest
from calibration_scenes import camera_at
from numpy.typing import NDArray

from rimward.calibration.errors import CalibrationError
from rimward.calibration.geometry import project
from rimward.calibration.limbs import (
    ANKLE_LEVEL,
    LANDMARKS,
    LANDMARKS_APART,
    PROPORTIONS,
    limb_lengths,
    measured_lengths,
)

STATURE_M = 1.82
SPOT = np.array([0.2, -4.3, 0.0])
CAMERA = camera_at((3.4, -5.0, 1.0), (0.2, -4.3, 1.0))

Pixels = dict[str, NDArray[np.float64]]


def standing(
    stature_m: float = STATURE_M, noise_px: float = 1.5, frames: int = 60, arms_forward_deg: float = 0.0
) -> Pixels:
    """A player of the published proportions who faces the camera, arms level to the sides, as the network sees them."""
    lengths = {limb: share * stature_m * LANDMARKS_APART[limb][0] for limb, share in PROPORTIONS.items()}
    toward = np.array([3.4, -5.0, 0.0]) - SPOT
    toward /= np.linalg.norm(toward)
    left = np.cross((0.0, 0.0, 1.0), toward)
    up = np.array([0.0, 0.0, 1.0])
    forward = np.radians(arms_forward_deg)
    places = {}
    for side, out in (("left", left), ("right", -left)):
        arm = np.cos(forward) * out + np.sin(forward) * toward
        shoulder = SPOT + 0.818 * stature_m * up + 0.129 * stature_m * out
        ankle = SPOT + ANKLE_LEVEL[0] * stature_m * up + 0.08 * out
        elbow = shoulder + lengths["upper_arm"] * arm
        knee = ankle + lengths["shank"] * up
        places |= {
            f"{side}_shoulder": shoulder,
            f"{side}_elbow": elbow,
            f"{side}_wrist": elbow + lengths["forearm"] * arm,
            f"{side}_hip": knee + lengths["thigh"] * up,
            f"{side}_knee": knee,
            f"{side}_ankle": ankle,
        }
    rng = np.random.default_rng(1)
    return {name: project(CAMERA, places[name]) + rng.normal(0, noise_px, (frames, 2)) for name in LANDMARKS}


def test_lengths_of_a_known_player_come_back_with_their_spread() -> None:
    found = limb_lengths(standing(), CAMERA, STATURE_M)
    for limb, share in PROPORTIONS.items():
        assert found[limb].value_m == pytest.approx(share * STATURE_M, abs=0.01)
        assert abs(found[limb].value_m - share * STATURE_M) < 2 * found[limb].sigma_m
        # 1.5 px at 3.3 m and 914 px: 5 mm an end, so 7 to 8 mm a length
        assert 0.003 < found[limb].spread_m < 0.015


def test_a_camera_that_is_not_sure_of_its_place_says_less_about_the_lengths() -> None:
    spread = np.diag([0.02, 0.02, 0.02, 0.1, 0.1, 0.1, 0.05]) ** 2
    sure = limb_lengths(standing(), CAMERA, STATURE_M)
    unsure = limb_lengths(standing(), replace(CAMERA, covariance=spread), STATURE_M)
    for limb in PROPORTIONS:
        assert unsure[limb].value_m == sure[limb].value_m
        assert unsure[limb].sigma_m > 1.2 * sure[limb].sigma_m


def test_frames_in_which_something_was_not_seen_are_left_out() -> None:
    pixels = standing()
    pixels["left_wrist"][:20] = np.nan
    assert limb_lengths(pixels, CAMERA, STATURE_M)["forearm"].value_m == pytest.approx(0.146 * STATURE_M, abs=0.01)


def test_lengths_can_be_read_without_a_judgement() -> None:
    odd = standing(arms_forward_deg=60)
    found = measured_lengths(odd, CAMERA, STATURE_M)
    assert found["forearm"].value_m < 0.85 * PROPORTIONS["forearm"] * STATURE_M
    assert found["thigh"].value_m == pytest.approx(PROPORTIONS["thigh"] * STATURE_M, abs=0.01)


def test_too_few_frames() -> None:
    with pytest.raises(CalibrationError, match="seen in at least 10 pictures, was in 4"):
        limb_lengths(standing(frames=4), CAMERA, STATURE_M)


def test_a_landmark_that_is_not_there_at_all() -> None:
    pixels = standing()
    del pixels["right_ankle"]
    with pytest.raises(CalibrationError, match="landmarks are missing for the limb lengths: right_ankle"):
        limb_lengths(pixels, CAMERA, STATURE_M)


def test_a_wrong_stature_is_noticed() -> None:
    with pytest.raises(CalibrationError, match=r"come out \+2\d % against a person of 1\.50 m .* check the stature"):
        limb_lengths(standing(), CAMERA, 1.50)


def test_arms_stretched_toward_the_camera_are_noticed() -> None:
    with pytest.raises(CalibrationError, match=r"arms? comes? out as .* arms out to the sides|against a person"):
        limb_lengths(standing(arms_forward_deg=60), CAMERA, STATURE_M)


def test_a_player_who_moves_is_noticed() -> None:
    pixels = standing()
    wave = np.linspace(-80, 80, 60)
    pixels["left_wrist"][:, 0] += wave
    pixels["right_wrist"][:, 0] += wave
    with pytest.raises(CalibrationError, match="forearm must keep its length within 6 cm"):
        limb_lengths(pixels, CAMERA, STATURE_M)


def test_ankles_above_the_horizon() -> None:
    pixels = standing()
    for side in ("left", "right"):
        pixels[f"{side}_ankle"][:, 1] = 20.0
    with pytest.raises(CalibrationError, match="above the horizon"):
        limb_lengths(pixels, CAMERA, STATURE_M)


def test_the_published_shares_add_up() -> None:
    # Winter's figure: hip at 0.530 of the stature, so thigh, shank and ankle height make it up
    assert PROPORTIONS["thigh"] + PROPORTIONS["shank"] + 0.039 == pytest.approx(0.530)
