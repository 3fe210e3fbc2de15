"""Limb lengths from a player who stands tall, arms out to the sides, facing the camera for two seconds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .errors import CalibrationError
from .geometry import camera_centre, floor_from_image, meet_plane
from .record import Calibration

FloatArray = NDArray[np.float64]

PROPORTIONS: Final = MappingProxyType(
    {"upper_arm": 0.186, "forearm": 0.146, "thigh": 0.530 - 0.285, "shank": 0.285 - 0.039}
)
"""Share of the stature: Winter D., Biomechanics and Motor Control of Human Movement, 4th ed. 2009, fig. 4.1 (after
Drillis and Contini 1966), as quoted by open-source code that names it; hip, knee and ankle heights for the leg."""

_ENDS: Final = MappingProxyType(
    {
        "upper_arm": ("shoulder", "elbow"),
        "forearm": ("elbow", "wrist"),
        "thigh": ("hip", "knee"),
        "shank": ("knee", "ankle"),
    }
)
LIMBS: Final = tuple(_ENDS)
LANDMARKS: Final = tuple(
    f"{side}_{joint}"
    for side in ("left", "right")
    for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel")
)
"""Names of the landmarks that are needed."""

FEWEST_FRAMES: Final = 10
_SUM_LIMIT: Final = 0.12
"""How far the four lengths together may be from the published share of the stature."""
_LIMB_LIMIT: Final = 0.25
_SYSTEMATIC: Final = 0.03
"""Of any length: landmarks are not joint centres, and arms are never quite in the plane (from memory)."""
_STEADY_M: Final = 0.06


@dataclass(frozen=True, slots=True)
class Length:
    """One length and how sure it is."""

    value_m: float
    sigma_m: float
    spread_m: float
    """Standard deviation from frame to frame (robust), both sides together."""


def limb_lengths(
    landmarks_px: Mapping[str, FloatArray], calibration: Calibration, stature_m: float
) -> dict[str, Length]:
    """Lengths by limb, as `measured_lengths` reads them, held against what a person of this stature has.

    Raises CalibrationError also when the player moved or the lengths do not suit the stature.
    """
    lengths = measured_lengths(landmarks_px, calibration)
    _check(lengths, stature_m)
    return lengths


def measured_lengths(landmarks_px: Mapping[str, FloatArray], calibration: Calibration) -> dict[str, Length]:
    """Lengths of upper arm, forearm, thigh and shank, each the mean of left and right.

    `landmarks_px` maps every name of LANDMARKS to pixels (frames, 2), NaN where not seen. The body is taken to be in
    the upright plane through the heels that faces the camera. Raises CalibrationError when there are too few frames.
    """
    missing = [name for name in LANDMARKS if name not in landmarks_px]
    if missing:
        raise CalibrationError(f"landmarks are missing for the limb lengths: {', '.join(missing)}")
    pixels = np.stack([np.asarray(landmarks_px[name], dtype=np.float64) for name in LANDMARKS])
    seen = np.isfinite(pixels).all(axis=(0, 2))
    if int(seen.sum()) < FEWEST_FRAMES:
        raise CalibrationError(
            f"the whole body must be seen in at least {FEWEST_FRAMES} pictures, was in {int(seen.sum())}: "
            "stand so that hands and feet are in view"
        )
    index = {name: i for i, name in enumerate(LANDMARKS)}
    pixels = pixels[:, seen]
    heels = floor_from_image(calibration, np.median(pixels[[index["left_heel"], index["right_heel"]]], axis=1))
    spot = heels.mean(axis=0)
    if not np.isfinite(spot).all():
        raise CalibrationError("the heels must be on the floor in the picture: they are above the horizon")
    toward = camera_centre(calibration) - spot
    places = meet_plane(calibration, pixels, spot, (toward[0], toward[1], 0.0))
    lengths = {}
    for limb, (upper, lower) in _ENDS.items():
        sides = np.stack(
            [
                np.linalg.norm(places[index[f"{side}_{upper}"]] - places[index[f"{side}_{lower}"]], axis=-1)
                for side in ("left", "right")
            ]
        )
        middle = np.median(sides, axis=1)
        spread = float(1.4826 * np.median(np.abs(sides - middle[:, None])))
        value = float(middle.mean())
        uneven = float(np.abs(middle - value).max())
        sigma = float(np.sqrt((_SYSTEMATIC * value) ** 2 + uneven**2 + spread**2 / sides.shape[1]))
        lengths[limb] = Length(value, sigma, spread)
    return lengths


def _check(lengths: Mapping[str, Length], stature_m: float) -> None:
    """Raise CalibrationError for lengths that no person of this stature has."""
    for limb, length in lengths.items():
        if not length.spread_m < _STEADY_M:
            raise CalibrationError(
                f"the {limb.replace('_', ' ')} must keep its length within {100 * _STEADY_M:.0f} cm, it varied by "
                f"{100 * length.spread_m:.0f} cm: stand still, arms out, facing the camera"
            )
    ratio = sum(length.value_m for length in lengths.values()) / (stature_m * sum(PROPORTIONS.values()))
    if not abs(ratio - 1) <= _SUM_LIMIT:
        raise CalibrationError(
            f"arms and legs come out {100 * (ratio - 1):+.0f} % against a person of {stature_m:.2f} m (within "
            f"{100 * _SUM_LIMIT:.0f} % is usual): check the stature and the calibration"
        )
    for limb, length in lengths.items():
        usual = PROPORTIONS[limb] * stature_m
        if not abs(length.value_m / usual - 1) <= _LIMB_LIMIT:
            raise CalibrationError(
                f"the {limb.replace('_', ' ')} comes out as {length.value_m:.2f} m, about {usual:.2f} m is usual for "
                f"{stature_m:.2f} m: stand tall, arms out to the sides, facing the camera"
            )
