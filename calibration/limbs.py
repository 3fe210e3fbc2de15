"""Limb lengths from a player who stands tall, arms out to the sides, facing the camera for two seconds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .errors import CalibrationError
from .geometry import camera_centre, floor_from_image, meet_plane, sigma_of
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
    f"{side}_{joint}" for side in ("left", "right") for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")
)
"""Names of the landmarks that are needed."""

FEWEST_FRAMES: Final = 10
_SUM_LIMIT: Final = 0.12
"""How far the four lengths together may be from the published share of the stature."""
_LIMB_LIMIT: Final = 0.25
_ARM_LIMIT: Final = 0.20
"""Of one limb, and of the whole arm: rendered bodies differ from the published arm by up to 16 %."""
_STEADY_M: Final = 0.06
LANDMARKS_APART: Final = MappingProxyType(
    {"upper_arm": (0.99, 0.065), "forearm": (1.05, 0.05), "thigh": (0.98, 0.04), "shank": (0.89, 0.05)}
)
"""A length between the pose network's landmarks as a share of that between the joints, and its standard deviation from
player to player; measured on four rendered bodies of 1.45 to 1.88 m. Elbows are drawn toward the body, knees are not
quite straight and marked high."""
ANKLE_LEVEL: Final = (0.065, 0.008)
"""Height of the ankle's landmark above the floor, in shoes, share of the stature, and its standard deviation; measured
on the same bodies. From the front the heels are hidden, so the ankles say how far away the player stands."""


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
    lengths = measured_lengths(landmarks_px, calibration, stature_m)
    _check(lengths, stature_m)
    return lengths


def measured_lengths(
    landmarks_px: Mapping[str, FloatArray], calibration: Calibration, stature_m: float
) -> dict[str, Length]:
    """Lengths of upper arm, forearm, thigh and shank between the joints' centres, each the mean of left and right.

    `landmarks_px` maps every name of LANDMARKS to pixels (frames, 2), NaN where not seen. The body is taken to be in
    the upright plane through the ankles that faces the camera; the stature says how high these are. Raises
    CalibrationError when there are too few frames.
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
    pixels = pixels[:, seen]
    level, level_sigma = (share * stature_m for share in ANKLE_LEVEL)
    sides = _limbs_m(calibration, pixels, level)
    if not np.isfinite(sides).all():
        raise CalibrationError("the ankles must be seen near the floor, and they are above the horizon: step back")
    middle = np.median(sides, axis=2)
    spread = 1.4826 * np.median(np.abs(sides - middle[..., None]), axis=(1, 2))
    value = middle.mean(axis=1)
    typical = np.median(pixels, axis=1, keepdims=True)
    systematic = np.hypot(
        (_limbs_m(calibration, typical, level + level_sigma) - _limbs_m(calibration, typical, level)).mean(axis=(1, 2)),
        sigma_of(calibration, lambda moved: _limbs_m(moved, typical, level).mean(axis=(1, 2))),
    )
    lengths = {}
    for i, limb in enumerate(LIMBS):
        share, share_sigma = LANDMARKS_APART[limb]
        uneven = float(np.abs(middle[i] - value[i]).max())
        variance = (share_sigma * value[i]) ** 2 + systematic[i] ** 2 + uneven**2 + spread[i] ** 2 / sides.shape[2]
        lengths[limb] = Length(float(value[i]) / share, float(np.sqrt(variance)) / share, float(spread[i]))
    return lengths


def _limbs_m(calibration: Calibration, pixels: FloatArray, level_m: float) -> FloatArray:
    """Between landmarks (len(LANDMARKS), frames, 2) as they are, by limb and side: (4, 2, frames)."""
    at = {name: i for i, name in enumerate(LANDMARKS)}
    ankles = np.median(pixels[[at["left_ankle"], at["right_ankle"]]], axis=1)
    spot = floor_from_image(calibration, ankles, level_m).mean(axis=0)
    toward = camera_centre(calibration) - spot
    places = meet_plane(calibration, pixels, spot, (toward[0], toward[1], 0.0))
    return np.stack(
        [
            np.stack(
                [
                    np.linalg.norm(places[at[f"{side}_{upper}"]] - places[at[f"{side}_{lower}"]], axis=-1)
                    for side in ("left", "right")
                ]
            )
            for upper, lower in _ENDS.values()
        ]
    )


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
    arm = lengths["upper_arm"].value_m + lengths["forearm"].value_m
    usual_arm = (PROPORTIONS["upper_arm"] + PROPORTIONS["forearm"]) * stature_m
    if not abs(arm / usual_arm - 1) <= _ARM_LIMIT:
        raise CalibrationError(
            f"the arms come out as {arm:.2f} m, about {usual_arm:.2f} m is usual for {stature_m:.2f} m: "
            "stand tall, arms out to the sides, facing the camera"
        )
    for limb, length in lengths.items():
        usual = PROPORTIONS[limb] * stature_m
        if not abs(length.value_m / usual - 1) <= _LIMB_LIMIT:
            raise CalibrationError(
                f"the {limb.replace('_', ' ')} comes out as {length.value_m:.2f} m, about {usual:.2f} m is usual for "
                f"{stature_m:.2f} m: stand tall, arms out to the sides, facing the camera"
            )
