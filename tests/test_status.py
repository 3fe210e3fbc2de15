"""The one sentence on the screen: what is seen, and what the player must do about it."""

from __future__ import annotations

import numpy as np
import pytest
from builders import View, film, play, pose_of, stand

from rimward.live.assets import english
from rimward.live.records import Phase
from rimward.live.skeleton import COUNT, INDEX
from rimward.live.status import status

SEEN = film(play([stand(0.2)]))[0]
SIZE = View().size


def said(pose=SEEN.pose, ball=SEEN.ball, phase=Phase.WAITING, body_missing_s=0.0, ball_missing_s=0.0):
    return status(pose, ball, phase, SIZE, body_missing_s, ball_missing_s, english())


def test_ready_needs_nothing():
    assert said() == ("Ready. Pick up the ball", False)


@pytest.mark.parametrize("phase", list(Phase))
def test_every_phase_has_its_words(phase):
    text, act = said(phase=phase)
    assert text
    assert not act


def test_nobody_for_a_while_needs_the_player():
    assert said(pose=None, body_missing_s=1.0) == ("I cannot see you. Step into the picture", True)


def test_a_blink_of_the_network_is_not_mentioned():
    assert said(pose=None, body_missing_s=0.2)[0] == said()[0]


def test_feet_below_the_picture():
    below = pose_of(SEEN.pose.landmarks_px + np.array([0.0, 60.0]))
    assert said(pose=below) == ("I cannot see your feet. Move the camera back", False)


def test_hidden_ankles():
    visibility = np.ones(COUNT)
    visibility[[INDEX["left_ankle"], INDEX["right_ankle"]]] = 0.2
    assert said(pose=pose_of(SEEN.pose.landmarks_px, visibility))[0].startswith("I cannot see your feet")
    visibility[INDEX["left_ankle"]] = 0.9  # from the side one foot hides the other
    assert said(pose=pose_of(SEEN.pose.landmarks_px, visibility))[0].startswith("Ready")


def test_no_ball_for_long():
    assert said(ball=None, ball_missing_s=10.0)[0] == "I cannot see the ball. Hold it in front of you"
    assert said(ball=None, ball_missing_s=2.0)[0].startswith("Ready")


def test_a_shot_is_not_interrupted_by_advice():
    below = pose_of(SEEN.pose.landmarks_px + np.array([0.0, 60.0]))
    assert said(pose=below, ball=None, phase=Phase.RISE, ball_missing_s=10.0) == ("Rising", False)
