"""The hand networks on the rendered clip of a close view: hands are found where the studio's skeleton has them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from builders import film, play, pose_of, stand
from program import CLIPS, prepared_model
from test_pose_model import HANDS, MEMBERS, write_bundle

from rimward.live import pose_model
from rimward.live.clip import open_clip
from rimward.live.errors import PoseModelError
from rimward.live.mediapipe_hands import CloseView, estimator_for, round_hands
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import Pipeline
from rimward.live.records import Rep, Sighting
from rimward.live.skeleton import INDEX

CLIP = CLIPS / "close_palm.mp4"
TRUTH = json.loads(CLIP.with_suffix(".json").read_text())


@pytest.fixture(scope="module")
def hand_bundle() -> Path:
    path = pose_model.hands_path(prepared_model().parent)
    try:
        pose_model.check_hands(path)
    except PoseModelError as error:
        pytest.skip(str(error))
    return path


@pytest.fixture(scope="module")
def practised(shipped, words, pose_bundle, hand_bundle):
    """The rep of the clip, and every sighting."""
    player = shipped.player.model_copy(update={"hand": "right", "stature_m": TRUTH["player"]["stature_m"]})
    close = shipped.pose.model_copy(update={"close": True})
    pipeline = Pipeline(shipped.model_copy(update={"player": player, "pose": close}), words)
    network, clip = CloseView(pose_bundle, hand_bundle), open_clip(CLIP)
    seen, reps = [], []
    for frame in clip:
        asked = pipeline.people_to_ask()
        seen.append(Sighting(frame, network.estimate(frame, asked), asked))
        reps.append(pipeline.step(seen[-1]).rep)
    network.close()
    network.close()  # may be called twice
    last = pipeline.finish()
    reps.append(None if last is None else last.rep)
    (rep,) = (one for one in reps if one is not None)
    return rep, seen


@pytest.mark.network
def test_the_shooting_hand_is_found_on_the_ball(practised):
    """In most pictures between set and release, its wrist within half a ball's radius of the skeleton's."""
    _, seen = practised
    wrist, event = TRUTH["joint_names"].index("right_wrist"), TRUTH["reps"][0]["events_s"]
    found = []
    for one, ball, joints in zip(seen, TRUTH["ball_px"], TRUTH["joints_px"], strict=True):
        if event["t_set"] <= one.frame.t_s < event["t_release"]:
            hands = [hand for person in one.people for hand in person.hands]
            ways = [float(np.linalg.norm(hand.landmarks_px[0] - joints[wrist])) / ball[2] for hand in hands]
            found.append(min(ways, default=np.inf) < 0.5)
    assert np.mean(found) > 0.6


@pytest.mark.network
def test_hanging_hands_are_not_looked_at(practised):
    _, seen = practised
    assert not any(person.hands for one in seen[:6] for person in one.people)


@pytest.mark.network
def test_what_the_shooting_side_shows_is_measured_and_the_rest_says_why_not(practised):
    rep, _ = practised
    assert isinstance(rep, Rep)
    for name in ("palm_gap_m", "wrist_flexion_deg"):
        measured, true = rep.measurements[name], TRUTH["reps"][0]["measurements"][name]
        assert measured.value == pytest.approx(true, abs=2 * measured.sigma), name
    others = [rep.measurements[f"guide_{name}"] for name in ("finger_spread_deg", "thumb_off_s", "hand_off_s")]
    assert all(one.value is None and "guide hand" in one.reason for one in others)


def test_only_a_close_view_asks_for_the_hand_model(shipped, tmp_path, monkeypatch):
    """Without --close there is no hand network, and none need be prepared."""
    body = write_bundle(tmp_path / "pose_full.task", MEMBERS)
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path))
    near = shipped.model_copy(update={"pose": shipped.pose.model_copy(update={"close": True})})
    assert type(estimator_for(shipped, body)) is MediapipePose
    with pytest.raises(PoseModelError, match=r"the hand model must be a file .* run `rimward setup`"):
        estimator_for(near, body)
    write_bundle(pose_model.hands_path(tmp_path), HANDS)
    assert isinstance(estimator_for(near, body), CloseView)


def test_what_is_looked_at_is_round_each_palm_and_inside_the_picture():
    pose = film(play([stand(0.2)]))[0].pose
    size = (1280, 720)
    assert round_hands(pose, size) == []  # hands below the shoulders
    raised = pose.landmarks_px.copy()
    for name in ("wrist", "index", "pinky", "thumb"):
        raised[INDEX[f"right_{name}"]] = raised[INDEX["nose"]] - (0.0, 40.0)
    boxes = round_hands(replace(pose_of(raised)), size)
    assert len(boxes) == 2
    for palm, (x0, y0, x1, y1) in boxes:
        assert 0 <= x0 <= palm[0] <= x1 <= size[0]
        assert 0 <= y0 <= palm[1] <= y1 <= size[1]
