"""Advice on the view: each thing that can be wrong is named, and a good view is left in peace."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import film, play, pose_of, stand

from rimward.live.assets import english
from rimward.live.body import stature_px
from rimward.live.records import Sight
from rimward.live.view_check import REACH_OF_STATURE, ViewCheck

STANDING = film(play([stand(0.1)]))[0].pose
SIZE = (640, 480)


def placed(share: float = 0.5, feet_at: float = 0.92, turn: float = 0.0, lean_deg: float = 0.0):
    """The standing player, `share` of the picture tall, feet at this height, shoulders as wide as the turn makes."""
    px = STANDING.landmarks_px - STANDING.landmarks_px[[27, 28]].mean(axis=0)
    px = px * (share * SIZE[1] / stature_px(STANDING))
    tall = share * SIZE[1]
    for left, right in ((11, 12), (23, 24)):
        middle = px[[left, right], 0].mean()
        px[left, 0], px[right, 0] = middle + 0.0965 * tall * np.array([1, -1]) * np.sin(np.radians(turn))
    angle = np.radians(lean_deg)
    px = px @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return pose_of(px + [SIZE[0] / 2, feet_at * SIZE[1]])


def told(pose, grey: float = 120.0, around: float = 130.0, rate_hz: float = 30.0, calibrated: bool = False):
    image = np.full((SIZE[1], SIZE[0], 3), around, np.uint8)
    trunk = pose.landmarks_px[[11, 12, 23, 24]]
    (x0, y0), (x1, y1) = trunk.min(axis=0).astype(int) - 20, trunk.max(axis=0).astype(int) + 20
    image[max(0, y0) : max(0, y1), max(0, x0) : max(0, x1)] = grey
    check = ViewCheck(english(), calibrated)
    for k in range(round(3 * rate_hz)):
        check.look(k / rate_hz, image, pose)
    return check.advice()


def wrong(*args, **more) -> list[tuple[Sight, str]]:
    return [(one.sight, one.words) for one in told(*args, **more) if not one.good]


def test_a_good_side_view_is_left_in_peace():
    advice = told(placed())
    assert [one.sight for one in advice if not one.good] == []
    assert {one.sight for one in advice} == set(Sight)
    (side,) = [one for one in advice if one.sight is Sight.SIDE]
    assert side.words == "Side view: elbow, set point, knees and timing; the line to the hoop needs rimward calibrate"


@pytest.mark.parametrize(
    ("what", "sight", "words"),
    [
        (dict(pose=placed(feet_at=1.1)), Sight.BODY, "cannot see your feet"),
        (dict(pose=placed(share=0.68, feet_at=0.90)), Sight.BODY, "No room for raised arms"),
        (dict(pose=placed(share=0.28)), Sight.DISTANCE, "closer"),
        (dict(pose=placed(), grey=20, around=30), Sight.LIGHT, "dark"),
        (dict(pose=placed(), grey=60, around=220), Sight.LIGHT, "from behind"),
        (dict(pose=placed(), grey=250, around=200), Sight.LIGHT, "glare"),
        (dict(pose=placed(), rate_hz=14.0), Sight.RATE, "Only 14 pictures a second"),
        (dict(pose=placed(turn=80, lean_deg=8), calibrated=True), Sight.LEVEL, "crooked"),
        (dict(pose=placed(turn=80)), Sight.SIDE, "beside your shooting arm"),
    ],
)
def test_each_thing_that_is_wrong_is_named_alone(what, sight, words):
    ((found, said),) = wrong(**what)
    assert found is sight
    assert words in said


def test_a_body_that_is_too_near_has_no_room_for_its_arms_either():
    assert [sight for sight, _ in wrong(placed(share=0.80, feet_at=0.97))] == [Sight.BODY, Sight.DISTANCE]


def test_what_must_be_mended_first_comes_first():
    advice = told(placed(feet_at=1.1), grey=20, around=30, rate_hz=14.0)
    assert [one.sight for one in advice][:3] == [Sight.BODY, Sight.LIGHT, Sight.RATE]
    assert [one.good for one in advice] == sorted(one.good for one in advice)


def test_from_the_front_a_calibrated_camera_sees_the_line_to_the_hoop():
    assert wrong(placed(turn=80), calibrated=True) == []


def test_nobody_there_no_advice():
    check = ViewCheck(english())
    check.look(0.0, np.zeros((480, 640, 3), np.uint8), None)
    assert check.advice() == ()


def test_a_body_that_is_hardly_seen_is_not_judged():
    hidden = replace(STANDING, visibility=np.zeros(33))
    check = ViewCheck(english())
    check.look(0.0, np.zeros((480, 640, 3), np.uint8), hidden)
    assert check.advice() == ()


def test_advice_forgets_what_was_long_ago():
    image = np.full((SIZE[1], SIZE[0], 3), 120, np.uint8)
    check = ViewCheck(english())
    for k in range(60):
        check.look(k / 30, image, placed(feet_at=1.1))
    for k in range(60, 200):
        check.look(k / 30, image, placed())
    assert all(one.good for one in check.advice())


def test_reach_overhead():
    """Standing reach of the fingertips is about 1.26 statures (Winter's table: 0.818 + 0.186 + 0.146 + 0.108, from
    memory); a ball of 0.24 m on top of the hand adds 0.13 at 1.80 m, a little less where fingers lie round it."""
    assert pytest.approx(0.818 + 0.186 + 0.146 + 0.108 + 0.24 / 1.80, abs=0.02) == REACH_OF_STATURE


def test_a_shot_between_two_looks_does_not_make_the_camera_slow():
    """Only a few pictures are looked at while somebody shoots again and again; the camera still gives 30 a second."""
    image, check = np.full((SIZE[1], SIZE[0], 3), 120, np.uint8), ViewCheck(english())
    for k in range(240):
        if k < 60 or k % 8 == 0:
            check.look(k / 30, image, placed())
        else:
            check.interrupt()
        check.advice()
    (rate,) = [one for one in check.advice() if one.sight is Sight.RATE]
    assert rate.good
    assert rate.words == "30 pictures a second"
