"""What a person reads before trusting a calibration."""

from dataclasses import replace

import numpy as np
from calibration_scenes import BEHIND, SIDE, camera_at

from rimward.calibration.record import Calibration
from rimward.calibration.words import describe


def words(calibration: Calibration) -> str:
    return "\n".join(describe(calibration))


def test_place_and_doubt_in_plain_units() -> None:
    told = words(replace(SIDE, sigma_position_m=0.012, sigma_direction_deg=0.08, rms_px=0.7))
    assert "1.00 m above the floor, 4.48 m in front of the hoop, 3.85 m to the shooter's right" in told
    assert "Sure to about 1.2 cm in place and 0.08 degrees in direction" in told
    assert "0.7 px from where they should be (very good)" in told
    assert "Lens: 70 degrees across, known." in told


def test_large_doubts_are_not_dressed_up() -> None:
    covariance = np.zeros((7, 7))
    covariance[6, 6] = 0.15**2
    coarse = replace(
        BEHIND,
        sigma_position_m=0.84,
        sigma_direction_deg=15.3,
        method="standing",
        lens="assumed",
        covariance=covariance,
    )
    told = words(coarse)
    assert "84 cm in place and 15 degrees in direction" in told
    assert "assumed to 15 %" in told
    assert "The hoop's direction is only a guess" in told
    assert "px from where" not in told


def test_left_beyond_the_hoop_and_notes() -> None:
    told = words(replace(camera_at((-2.0, 1.5, 1.0), (0, -4, 1)), rms_px=2.9, notes=("lens distortion taken as none",)))
    assert "1.50 m beyond the hoop, 2.00 m to the shooter's left" in told
    assert "(rough: look at the drawn court)" in told
    assert "Note: lens distortion taken as none." in told
