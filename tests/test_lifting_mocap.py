"""Every measurement of the lifted shot on motion capture of real free throws (../shared/truth/mocap, never copied).

Joints and ball in space stand where the solver's solution would, without any error of their own: so this holds the
instants and definitions of measure3d against truth.json, which was made by other code from the same joints.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from calibration_scenes import camera_at
from test_truth_mocap import FRAME_S, TRIALS, the_shot, track_of

from rimward.live.lifting import AT, Body, LiftedTrack, Seen
from rimward.live.measure3d import Shot3D, measure, shot3d
from rimward.live.skeleton import COUNT

pytestmark = pytest.mark.truth

BEFORE_S, AFTER_S = 2.5, 1.0
HALF_FRONT = camera_at((2.6, -1.7, 1.0), (0.0, -4.3, 1.25))


def in_space(folder, trial: str, settings) -> Shot3D:
    """A trial as a lifted shot whose joints are known exactly; the ball is not followed after the release."""
    track = track_of(folder, trial)
    reading = the_shot(track, settings)
    since_s = track.t_s - reading.events.release_s
    use = (since_s > -BEFORE_S) & (since_s < AFTER_S)
    points = np.zeros((int(use.sum()), len(AT), 3))
    for name, i in AT.items():
        part = {"ball": track.ball, "eyes": track.middle("eye")}.get(name)
        points[:, i] = np.nan_to_num((track.joint(name) if part is None else part)[use])
    held = np.fmin(track.ball_to("left_wrist"), track.ball_to("right_wrist"))[use] < settings.held_m
    n, trust = len(points), np.ones((len(points), COUNT))
    lifted = LiftedTrack(
        track.t_s[use], points, np.stack([points] * 2), reading.hand, np.array([0.0, 1.0, 0.0]), held, trust, 0.0
    )
    nothing = np.full(n, np.nan)
    unseen = Seen(
        track.t_s[use], np.zeros((n, COUNT, 2)), trust, np.full((n, 2), np.nan), nothing, np.full(n, 0.1), 400.0
    )
    return shot3d(
        lifted, unseen, HALF_FRONT, reading.events, (reading.free_s, reading.free_sigma_s), reading.stance_s, Body(1.9)
    )


@pytest.fixture(scope="module")
def errors(truth_folder, shipped) -> dict[str, list[float]]:
    """By measurement and instant: measured minus true over all trials, where both are given."""
    truth = json.loads((truth_folder / "mocap" / "truth.json").read_text())
    assert len(truth) == TRIALS
    found: dict[str, list[float]] = {}
    for trial, true in truth.items():
        shot = in_space(truth_folder, trial, shipped.phases)
        for name, measured in measure(shot).items():
            if measured.value is not None and true["measurements"].get(name) is not None:
                found.setdefault(name, []).append(measured.value - true["measurements"][name])
        for event in ("set", "knee_min", "release"):
            late_s = getattr(shot.events, f"{event}_s") - true["events_s"][f"t_{event}_s"]
            found.setdefault(event, []).append(late_s)
    return found


@pytest.mark.parametrize(
    "name",
    [
        "elbow_at_set_deg",
        "elbow_at_release_deg",
        "elbow_max_deg",
        "upper_arm_at_set_deg",
        "knee_min_deg",
        "hip_min_deg",
        "trunk_lean_at_set_deg",
        "trunk_lean_at_release_deg",
        "feet_heading_deg",
        "hips_heading_deg",
        "shoulders_heading_deg",
    ],
)
def test_angles_within_a_degree_on_every_trial(errors, name):
    assert len(errors[name]) == TRIALS
    assert np.abs(errors[name]).max() < 1.0


@pytest.mark.parametrize("event", ["set", "knee_min", "release"])
def test_instants_within_a_frame_on_every_trial(errors, event):
    assert np.abs(errors[event]).max() < FRAME_S + 1e-3


@pytest.mark.parametrize(
    "name",
    [
        "set_point_above_eyes_m",
        "elbow_above_eyes_m",
        "arm_offset_at_set_m",
        "wrist_offset_at_set_m",
        "stance_width_m",
        "foot_stagger_m",
        "drift_forward_m",
        "drift_side_m",
    ],
)
def test_lengths_within_a_centimetre_and_a_half_on_every_trial(errors, name):
    assert len(errors[name]) == TRIALS
    assert np.abs(errors[name]).max() < 0.015


def test_the_top_of_the_hips_is_found_between_two_frames(errors):
    """Free throws with a jump of 5 to 7 cm; truth.json has it to one frame."""
    assert len(errors["release_before_apex_s"]) == TRIALS
    assert np.abs(errors["release_before_apex_s"]).max() < 0.6 * FRAME_S


def test_the_jump_is_known_to_the_error_that_is_stated_for_it(errors):
    """By the legs' length alone, which the picture's own height joins: this player stands 2 cm higher than it says."""
    assert len(errors["jump_height_m"]) == TRIALS
    assert np.abs(errors["jump_height_m"]).max() < 2 * 0.02


def test_set_to_release_and_hold(errors):
    """The hold's ends depend on the smoothing (1-2-1 there, 8 Hz here), so most but not all are within a frame."""
    assert np.abs(errors["set_to_release_s"]).max() < FRAME_S
    assert np.mean(np.abs(errors["hold_s"]) < FRAME_S) > 0.8
