"""What was learned of joints against landmarks: symmetries, honesty, and clips with known joints."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from accuracy import exact
from program import CLIPS, prepared_model
from test_lifting import DIAG, FRONT, RELEASE_S, SIDE, STATURE_M, VIEWS, angle, player, seen_by, times

from rimward.calibration.geometry import camera_centre
from rimward.live.assets import joint_network
from rimward.live.clip import open_clip
from rimward.live.joints import JOINTS, Learned, Together, landmark, learned, toward_hoop
from rimward.live.lifting import AT, Body, LiftedTrack, lift, seen
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.records import Frame, Observation
from rimward.live.skeleton import INDEX, MIRRORED

NAMES = [landmark(side, joint, "right") for side, joint in JOINTS]


APART = Together(np.eye(len(JOINTS)), np.full(len(JOINTS), 0.7), np.full(len(JOINTS), 0.7))
"""Errors of depths that know nothing of one another; half of their squares hold for a whole shot."""


def told(camera, t, true, sigma=0.004, seed=0) -> Learned:
    """What somebody would say who knows the joints: no shift, depths with an error of `sigma` statures."""
    random = np.random.default_rng(seed)
    deep = true @ camera.R[2]
    hips = deep[:, [AT["left_hip"], AT["right_hip"]]].mean(1, keepdims=True)
    depth = (deep[:, [AT[name] for name in NAMES]] - hips) / STATURE_M
    shape = depth.shape
    return Learned(
        np.zeros((*shape, 2)),
        np.full((*shape, 2), 0.01),
        depth + sigma * random.standard_normal(shape[1]),
        np.full(shape, sigma),
        APART,
    )


def test_what_is_known_of_depths_stands_against_what_is_usual():
    """From half front an elbow far inside of the line is seen as such, where the usual alone would pull it back."""
    t, out_m = times(), -0.12
    true = player(t, out_m=out_m)
    window = seen_by(DIAG, t, true)
    with_it = lift(window, DIAG, Body(STATURE_M), "right", RELEASE_S, told(DIAG, t, true))
    without = lift(window, DIAG, Body(STATURE_M), "right", RELEASE_S)
    assert isinstance(with_it, LiftedTrack)
    assert isinstance(without, LiftedTrack)
    k = int(np.argmin(np.abs(t - 1.2)))
    elbow, shoulder = AT["right_elbow"], AT["right_shoulder"]
    off = [abs((one.points[k, elbow, 0] - one.points[k, shoulder, 0]) - out_m) for one in (with_it, without)]
    assert off[0] < 0.03 < off[1]


def test_depths_tell_the_elbow_apart_from_the_front():
    t = times()
    true = player(t)
    found = lift(seen_by(FRONT, t, true), FRONT, Body(STATURE_M), "right", RELEASE_S, told(FRONT, t, true))
    assert isinstance(found, LiftedTrack)
    elbow = ("right_shoulder", "right_elbow", "right_wrist")
    shot = (t > 0.9) & (t < RELEASE_S)
    assert np.median(np.abs(angle(found.points, *elbow) - angle(true, *elbow))[shot]) < 8.0


@pytest.mark.parametrize("view", ["front", "diag"])
def test_an_error_that_elbow_and_wrist_share_does_not_bend_the_elbow(view):
    """Both are said to be 15 cm too near: who knows that they err as one keeps the elbow's angle."""
    camera, t = VIEWS[view], times()
    true = player(t)
    arm = [NAMES.index(f"right_{joint}") for joint in ("elbow", "wrist")]
    apart = told(camera, t, true, sigma=0.02, seed=3)
    depth = told(camera, t, true, sigma=0.0).depth.copy()
    depth[:, arm] -= 0.08
    ways, spread = APART.ways.copy(), APART.spread.copy()
    ways[np.ix_(arm, arm)] = np.array([[1.0, 1.0], [1.0, -1.0]]) / np.sqrt(2)
    spread[arm] = 2.0, 0.1
    as_one = Together(ways, spread, spread)
    off = []
    for said in (replace(apart, depth=depth, together=as_one), replace(apart, depth=depth)):
        found = lift(seen_by(camera, t, true), camera, Body(STATURE_M), "right", RELEASE_S, said)
        assert isinstance(found, LiftedTrack)
        elbow = ("right_shoulder", "right_elbow", "right_wrist")
        shot = (t > 0.9) & (t < RELEASE_S)
        off.append(float(np.median(np.abs(angle(found.points, *elbow) - angle(true, *elbow))[shot])))
    assert off[0] < 0.8 * off[1]


@pytest.mark.parametrize("view", VIEWS)
def test_a_left_hander_is_a_right_hander_in_the_mirror(view):
    """Of a mirrored picture, taken by the mirrored camera, the mirrored is said."""
    camera, t = VIEWS[view], times()
    window = seen_by(camera, t, player(t))
    flip = np.diag([-1.0, 1.0, 1.0])
    mirrored = replace(camera, R=flip @ camera.R @ flip, t=flip @ camera.t)
    width = 2 * camera.camera_matrix[0, 2]
    other = replace(
        window,
        points_px=window.points_px[:, list(MIRRORED)] * [-1, 1] + [width, 0],
        ball_px=window.ball_px * [-1, 1] + [width, 0],
    )
    right, left = (
        learned(window, camera, STATURE_M, "right", joint_network()),
        learned(other, mirrored, STATURE_M, "left", joint_network()),
    )
    np.testing.assert_allclose(left.shift, right.shift * [-1, 1], atol=1e-9)
    np.testing.assert_allclose(left.depth, right.depth, atol=1e-9)
    np.testing.assert_allclose(left.depth_sigma, right.depth_sigma, atol=1e-9)


def test_size_and_time_change_nothing():
    """Twice the player seen by a camera twice as far off, an hour later: the same in statures."""
    t = times()
    window = seen_by(SIDE, t, player(t))
    larger = replace(SIDE, t=SIDE.t * 2)
    one, other = (
        learned(window, SIDE, STATURE_M, "right", joint_network()),
        learned(replace(window, t_s=t + 3600.0), larger, 2 * STATURE_M, "right", joint_network()),
    )
    np.testing.assert_allclose(other.shift, one.shift, atol=1e-6)
    np.testing.assert_allclose(other.depth, one.depth, atol=1e-6)


def test_where_no_body_was_seen_nothing_is_claimed():
    t = times()
    window = seen_by(SIDE, t, player(t))
    points = window.points_px.copy()
    points[10] = np.nan
    said = learned(replace(window, points_px=points), SIDE, STATURE_M, "right", joint_network())
    assert (said.depth_sigma[10] >= 1.0).all()
    assert (said.shift[10] == 0.0).all()
    assert (said.depth_sigma[20] < 0.3).all()


def test_the_hoop_lies_where_the_feet_see_it():
    """A player 1 m to the right of the middle has the ring, on the axis, ahead and to the left."""
    t = times()
    true = player(t) + [1.0, 0.0, 0.0]
    feet = true[0, [AT["left_ankle"], AT["right_ankle"]], :2].mean(0)
    away = toward_hoop(seen_by(FRONT, t, true), FRONT, STATURE_M)
    assert np.degrees(np.arccos(away[:2] @ -feet / np.linalg.norm(feet))) < 2.0
    assert camera_centre(FRONT)[1] > feet[1]  # the camera looks at the player from the hoop's side


@pytest.mark.network
@pytest.mark.parametrize(("clip", "view"), [("good_free_throw", "side"), ("free_throw_front", "front")])
def test_learned_joints_are_nearer_to_the_true_ones_than_landmarks(clip, view):
    """Clips whose joints are known exactly and from which nothing was learned."""
    sheet = json.loads((CLIPS / f"{clip}.json").read_text())
    camera, player_ = sheet["camera"], sheet["player"]
    calibration = exact(camera, (camera["width"], camera["height"]))
    release_s = sheet["reps"][0]["events_s"]["t_release"]
    network = MediapipePose(prepared_model())
    observations = []
    for frame in open_clip(CLIPS / f"{clip}.mp4"):
        if isinstance(frame, Frame) and abs(frame.t_s - release_s) < 1.0:
            people = network.estimate(frame, 1)
            observations.append(Observation(frame.index, frame.t_s, people[0] if people else None, None))
    network.close()
    window = seen(observations, calibration)
    assert window is not None
    said = learned(window, calibration, player_["stature_m"], player_["hand"], joint_network())
    true = np.array(sheet["joints_px"], float)[[one.index for one in observations]]
    names = sheet["joint_names"]
    off = {"landmarks": [], "learned": []}
    for j, (side, joint) in enumerate(JOINTS):
        name = landmark(side, joint, player_["hand"])
        if name not in names or joint not in ("shoulder", "elbow", "hip", "knee"):
            continue
        at = true[:, names.index(name)]
        drawn = window.points_px[:, INDEX[name]]
        off["landmarks"].append(np.linalg.norm(drawn - at, axis=1))
        off["learned"].append(np.linalg.norm(drawn + said.shift[:, j] * window.stature_px - at, axis=1))
    landmarks_px, learned_px = (float(np.median(off[kind])) for kind in ("landmarks", "learned"))
    assert learned_px < 0.75 * landmarks_px
