"""A calibration in plain words, for a person who has to decide whether to trust it."""

from __future__ import annotations

import numpy as np

from .geometry import camera_centre
from .record import Calibration

_HOW = {
    "marks": "from marks in the picture",
    "target": "from the printed pages",
    "standing": "from a standing player only",
}


def describe(calibration: Calibration) -> tuple[str, ...]:
    """Lines for the screen or the terminal: where the camera is, how sure that is, and what was assumed."""
    x, y, z = camera_centre(calibration)
    side = "right" if x >= 0 else "left"
    depth = f"{-y:.2f} m in front of the hoop" if y < 0 else f"{y:.2f} m beyond the hoop"
    lines = [
        f"Camera {_HOW[calibration.method]}: {z:.2f} m above the floor, {depth}, "
        f"{abs(x):.2f} m to the shooter's {side}.",
        f"Sure to about {_length(calibration.sigma_position_m)} in place and "
        f"{_angle(calibration.sigma_direction_deg)} in direction.",
    ]
    if calibration.method != "standing":
        share = calibration.rms_px / max(calibration.image_size) * 1280
        verdict = "very good" if share < 1 else "good" if share < 2 else "rough: look at the drawn court"
        lines.append(f"The marks are {calibration.rms_px:.1f} px from where they should be ({verdict}).")
    lines.append(f"Lens: {calibration.hfov_deg:.0f} degrees across, {calibration.lens}{_lens_doubt(calibration)}.")
    if not calibration.knows_hoop:
        lines.append("The hoop's direction is only a guess: values that need it stay empty.")
    lines += [f"Note: {note}." for note in calibration.notes]
    return tuple(lines)


def _length(metres: float) -> str:
    centimetres = 100 * metres
    return f"{centimetres:.1f} cm" if centimetres < 3 else f"{centimetres:.0f} cm"


def _angle(degrees: float) -> str:
    digits = 2 if degrees < 1 else 1 if degrees < 10 else 0
    return f"{degrees:.{digits}f} degrees"


def _lens_doubt(calibration: Calibration) -> str:
    sigma = calibration.sigma_focal
    if sigma == 0:
        return ""
    return f" to {100 * sigma:.1f} %" if sigma < 0.1 else f" to {np.round(100 * sigma):.0f} %"
