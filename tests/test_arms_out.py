"""The set-up pose: noticed by itself, held for two seconds it gives limb lengths; nothing else is taken for it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from builders import film, play, pose_of, shot, stand, stretch
from calibration_scenes import SIZE
from test_calibration_limbs import CAMERA, STATURE_M, standing

from rimward.calibration.limbs import LANDMARKS, PROPORTIONS
from rimward.calibration.record import Calibration
from rimward.live.anthropometry import LENGTHS
from rimward.live.arms_out import HOLD_S, Answer, SetUp, stands_arms_out
from rimward.live.assets import english
from rimward.live.clip import open_clip
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import Pipeline, Step
from rimward.live.records import Frame, Pose, Sighting, View
from rimward.live.settings import load_settings
from rimward.live.skeleton import INDEX

CLIPS = Path(__file__).parent / "clips"


def poses(seconds: float = 3.0, **pixels: float) -> list[tuple[float, Pose]]:
    """A player who stands with the arms out, at 30 frames a second."""
    count = round(30 * seconds)
    seen = standing(frames=count, **pixels)
    out = []
    for k in range(count):
        landmarks = np.tile(seen["left_shoulder"][k] + seen["right_shoulder"][k], (33, 1)) / 2
        for name in LANDMARKS:
            landmarks[INDEX[name]] = seen[name][k]
        out.append((k / 30, pose_of(landmarks)))
    return out


def watched(set_up: SetUp, seen: list[tuple[float, Pose]], idle: bool = True) -> list[tuple[float, Answer]]:
    answers = [(t_s, set_up.look(t_s, pose, CAMERA, idle)) for t_s, pose in seen]
    return [(t_s, answer) for t_s, answer in answers if answer is not None]


def prompt(set_up: SetUp, t_s: float, **view: object) -> str:
    return set_up.dressed(View(t_s, None, **view)).prompt  # type: ignore[arg-type]


def test_two_still_seconds_give_the_lengths_once() -> None:
    set_up = SetUp(STATURE_M, english())
    ((t_s, answer),) = watched(set_up, poses(4.0))
    assert t_s == pytest.approx(HOLD_S, abs=0.05)
    assert answer.measured
    for limb, share in PROPORTIONS.items():
        assert abs(set_up.lengths[limb].value_m - share * STATURE_M) < 2 * set_up.lengths[limb].sigma_m
        assert limb.replace("_", " ") in answer.line
    assert prompt(set_up, 4.0).startswith("Measured: upper arm 3")


def test_progress_is_shown_while_the_pose_is_held() -> None:
    set_up = SetUp(STATURE_M, english())
    watched(set_up, poses(1.0))
    shown = set_up.dressed(View(1.0, None))
    assert shown.prompt == "Arms out: stay still"
    assert shown.progress == pytest.approx(0.5, abs=0.03)
    assert prompt(set_up, 1.0, prompt="Paused") == "Paused"
    assert prompt(set_up, 1.0, status="camera unplugged", trouble=True) == ""


def test_after_the_arms_came_down_it_can_be_done_again() -> None:
    set_up = SetUp(STATURE_M, english())
    down = [(4.0 + k / 30, pose_of(np.full((33, 2), 300.0))) for k in range(15)]
    again = [(5.0 + t_s, pose) for t_s, pose in poses(2.5)]
    assert len(watched(set_up, [*poses(4.0), *down, *again])) == 2


def test_who_moves_begins_anew() -> None:
    still = poses(1.6)
    step = np.array([0.2 * SIZE[0], 0.0])
    elsewhere = [(1.6 + t_s, pose_of(pose.landmarks_px + step)) for t_s, pose in poses(1.6)]
    assert watched(SetUp(STATURE_M, english()), [*still, *elsewhere]) == []


def test_nothing_is_looked_for_while_somebody_shoots() -> None:
    assert watched(SetUp(STATURE_M, english()), poses(3.0), idle=False) == []


@pytest.mark.parametrize(
    ("stature_m", "pixels", "advice"),
    [
        (STATURE_M, {"arms_forward_deg": 56.0}, "Stand tall, arms out to the sides, facing the camera"),
        (1.50, {}, "Check the stature and the calibration"),
    ],
)
def test_a_complaint_says_what_to_do(stature_m: float, pixels: dict[str, float], advice: str) -> None:
    set_up = SetUp(stature_m, english())
    ((t_s, answer),) = watched(set_up, poses(2.5, **pixels))
    assert not answer.measured
    assert answer.line.startswith("Arms out, not measured: ")
    assert set_up.lengths == {}
    assert set_up.lengths_m(0.01) == {}
    assert prompt(set_up, t_s) == f"Not measured. {advice}"
    assert prompt(set_up, t_s + 6) == ""


def test_what_was_measured_is_weighed_against_what_is_usual() -> None:
    set_up = SetUp(STATURE_M, english())
    watched(set_up, poses(2.5))
    for limb, (value, sigma) in set_up.lengths_m(0.01).items():
        usual, found = LENGTHS[limb].share * STATURE_M, set_up.lengths[limb]
        assert min(usual, found.value_m) < value < max(usual, found.value_m)
        assert sigma < min(found.sigma_m, value * np.hypot(LENGTHS[limb].spread, 0.01)) * 1.05
    loose = set_up.lengths_m(0.5)
    assert loose["forearm"][0] == pytest.approx(set_up.lengths["forearm"].value_m, rel=0.01)


@pytest.mark.parametrize("act", [stand(3.0), stand(3.0, ball=False), stretch(), shot()])
def test_standing_stretching_and_shooting_are_not_the_pose(act) -> None:
    for seen in film(play([stand(0.5), act])):
        assert seen.pose is None or not stands_arms_out(seen.pose, (1280, 720))


@pytest.mark.parametrize(
    "change",
    [
        lambda px: px.__setitem__(INDEX["left_wrist"], px[INDEX["left_wrist"]] + (0, 90)),
        lambda px: px.__setitem__(INDEX["right_ankle"], (600.0, 800.0)),
        lambda px: px.__setitem__(INDEX["left_elbow"], px[INDEX["left_elbow"]] + (0, 30)),
    ],
    ids=["one arm lower", "a foot out of the picture", "a bent elbow"],
)
def test_half_a_pose_is_none(change: Callable[[np.ndarray], None]) -> None:
    (_, pose), *_ = poses(0.1, noise_px=0.0)
    assert stands_arms_out(pose, SIZE)
    landmarks = pose.landmarks_px.copy()
    change(landmarks)
    assert not stands_arms_out(pose_of(landmarks), SIZE)
    assert not stands_arms_out(pose_of(pose.landmarks_px, 0.3), SIZE)


def true_camera(side: dict[str, dict[str, list[float]]]) -> Calibration:
    """The camera that a clip of the studio was rendered with, known exactly."""
    camera = side["camera"]
    turn, _, back = np.linalg.svd(np.array(camera["R"], float))  # the sidecar is rounded
    size = (int(camera["width"]), int(camera["height"]))  # type: ignore[call-overload]
    matrix, shift = np.array(camera["K"], float), np.array(camera["t"], float)
    zero = np.zeros((7, 7))
    return Calibration(size, matrix, np.zeros(5), turn @ back, shift, 0.0, zero, 0.0, 0.0, "marks", "known")


@pytest.mark.network
def test_a_rendered_player_is_measured_within_the_stated_error(pose_bundle: Path, words) -> None:
    """Through the real network; the true lengths are those of the rendered skeleton (woman of 1.70 m)."""
    true = {"upper_arm": 0.264, "forearm": 0.260, "thigh": 0.384, "shank": 0.434}
    side = json.loads((CLIPS / "arms_out.json").read_text("utf-8"))
    network, clip = MediapipePose(pose_bundle), open_clip(CLIPS / "arms_out.mp4")
    pipeline = Pipeline(load_settings(None, {"player": {"stature_m": 1.70}}), words, calibration=true_camera(side))
    steps: list[Step] = []
    for frame in clip:
        assert isinstance(frame, Frame)
        steps.append(pipeline.step(Sighting(frame, network.estimate(frame, 1), 1)))
    clip.close()
    network.close()
    (answer,) = [step.set_up for step in steps if step.set_up is not None]
    assert answer.measured, answer.line
    assert all(step.rep is None for step in steps)
    for limb, true_m in true.items():
        said = re.search(rf"{limb.replace('_', ' ')} ([\d.]+\d) . ([\d.]+\d)", answer.line)
        assert said is not None
        value, sigma = (float(number) / 100 for number in said.groups())
        assert abs(value - true_m) < 2 * sigma
