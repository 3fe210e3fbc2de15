"""A ball that is not orange: learnt from between the hands of a rendered player whose ball is recoloured here."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from rimward.live.ball import BallTracker
from rimward.live.clip import open_clip
from rimward.live.records import Frame, Pose
from rimward.live.skeleton import COUNT, INDEX

CLIP = Path(__file__).parent / "clips" / "free_throw_front.mp4"
STEMS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")


def true_pose(names: list[str], joints_px: np.ndarray) -> Pose:
    """The clip's exact joints as landmarks; knuckles and feet as the sidecar has them, the rest near the shoulders."""
    at = {name: i for i, name in enumerate(names)}
    points = np.tile(joints_px[at["left_shoulder"]], (COUNT, 1)).astype(float)
    for side in ("left", "right"):
        for stem in STEMS:
            points[INDEX[f"{side}_{stem}"]] = joints_px[at[f"{side}_{stem}"]]
        for finger in ("index", "pinky", "thumb"):
            points[INDEX[f"{side}_{finger}"]] = joints_px[at.get(f"{side}_{finger}_mcp", at[f"{side}_wrist"])]
    return Pose(points, np.ones(COUNT), np.zeros(COUNT))


def recoloured(image: np.ndarray, centre_px: np.ndarray, radius_px: float, hue_shift: int) -> np.ndarray:
    """The same picture with the saturated orange inside the ball's disc turned to another hue."""
    hsv = cv2.cvtColor(image, cv2.COLOR_BGR2HSV)
    y, x = np.mgrid[0 : image.shape[0], 0 : image.shape[1]]
    ball = (np.hypot(x - centre_px[0], y - centre_px[1]) < 1.05 * radius_px) & (hsv[..., 1] > 120)
    hsv[..., 0] = np.where(ball, (hsv[..., 0].astype(int) + hue_shift) % 180, hsv[..., 0]).astype(np.uint8)
    return cv2.cvtColor(hsv, cv2.COLOR_HSV2BGR)


def found_share(hue_shift: int, light: float = 1.0) -> tuple[float, float]:
    """Share of the pictures after the first second, ball inside, in which it is found where it is, and elsewhere.

    `light` is how bright they are, with a sensor's noise in the dark.
    """
    truth = json.loads(CLIP.with_suffix(".json").read_text("utf-8"))
    names, joints = truth["joint_names"], np.array(truth["joints_px"], float)
    ball = np.array([row or (np.nan, np.nan, np.nan) for row in truth["ball_px"]], float)
    ball_px, radius = ball[:, :2], ball[:, 2]
    tracker, right, wrong, n, random = BallTracker(), 0, 0, 0, np.random.default_rng(0)
    clip = open_clip(CLIP)
    for frame in clip:
        assert isinstance(frame, Frame)
        k = frame.index
        picture = recoloured(frame.image, ball_px[k], radius[k], hue_shift)
        if light < 1.0:
            picture = np.clip(light * picture + random.normal(0, 5, picture.shape), 0, 255).astype(np.uint8)
        px_per_m = np.nanmedian(radius) / 0.12065
        seen = tracker.update(picture, frame.t_s, true_pose(names, joints[k]), px_per_m)
        if frame.t_s < 1.0 or not (0 < ball_px[k, 1] < frame.size[1]):
            continue
        n += 1
        if seen is not None:
            near = np.linalg.norm(seen.centre_px - ball_px[k]) < 0.5 * radius[k]
            right, wrong = right + near, wrong + (not near)
    clip.close()
    return right / n, wrong / n


@pytest.mark.parametrize("hue_shift", [50, 140], ids=["green", "purple"])
def test_a_ball_of_another_colour_is_learnt_from_the_hands(hue_shift: int) -> None:
    right, wrong = found_share(hue_shift)
    assert right > 0.8
    assert wrong < 0.02


@pytest.mark.parametrize("light", [0.45, 0.2])
def test_the_ball_is_found_in_the_dark(light: float) -> None:
    right, wrong = found_share(hue_shift=0, light=light)
    assert right > 0.8
    assert wrong < 0.02


def test_a_ball_in_the_colour_of_the_shirt_may_be_missed_but_is_not_made_up() -> None:
    _, wrong = found_share(hue_shift=100)
    assert wrong < 0.02
