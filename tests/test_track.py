"""Observations become tracks in metres, with swapped arms put back and nothing invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import Form, View, film, play, shot, stand, tracked, without_ball, without_body
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.records import Pose
from rimward.live.skeleton import COUNT, INDEX, MIRRORED
from rimward.live.track import Track, from_observations, unswap_arms

TAKE = play([stand(0.5), shot(), stand(0.3, ball=False)])
SEEN = film(TAKE)
ARMS = [INDEX[f"{side}_{part}"] for side in ("left", "right") for part in ("elbow", "wrist", "pinky", "index", "thumb")]


def exchanged(points: np.ndarray, start: int, end: int) -> np.ndarray:
    """The network's known fault: each arm under the other's name for a while."""
    out = points.copy()
    out[start:end, ARMS] = points[start:end][:, [MIRRORED[i] for i in ARMS]]
    return out


def test_pixels_become_metres_with_the_last_axis_up():
    track = tracked(SEEN)
    height = track.joint("nose")[:, 1] - track.joint("right_ankle")[:, 1]
    assert height == pytest.approx((TAKE.joint("nose") - TAKE.joint("right_ankle"))[:, 2])
    assert track.angle_deg("right_shoulder", "right_elbow", "right_wrist") == pytest.approx(
        TAKE.angle("shoulder", "elbow", "wrist"), abs=1e-6
    )
    assert np.nanmax(np.abs(track.ball_to("right_wrist")[:20] - 0.17)) < 1e-9


def test_what_is_not_seen_is_unknown():
    track = tracked(without_body(without_ball(SEEN, 0.0, 0.2), 0.5, 0.7))
    nobody = (track.t_s >= 0.5) & (track.t_s < 0.7)
    assert np.isnan(track.points[nobody]).all()
    assert np.isnan(track.ball[nobody | (track.t_s < 0.2)]).all()
    assert np.isfinite(track.points[~nobody]).all()
    assert not track.seen(slice(15, 20), "nose")


def test_landmarks_outside_the_picture_may_be_followed_but_not_trusted():
    low = View(ground_px=375)  # the feet are below the picture
    track = tracked(film(TAKE, low), low)
    assert np.isfinite(track.joint("right_heel")).all()
    assert not track.seen(slice(0, 10), "right_heel")
    assert track.seen(slice(0, 10), "right_knee")


def test_a_guess_of_the_network_is_not_seen():
    faint = [replace(o, pose=Pose(o.pose.landmarks_px, np.full(COUNT, 0.2), o.pose.depth_px)) for o in SEEN]
    assert not tracked(faint).seen(slice(0, 10), "nose")


def test_motion_capture_is_known_everywhere():
    assert Track(TAKE.t_s, TAKE.points, TAKE.ball).seen(slice(0, 5), "nose", "left_heel")


@pytest.mark.parametrize("t_s", [[0.0, 0.0, 0.1], [0.0, 0.2, 0.1]])
def test_times_must_increase(t_s):
    with pytest.raises(ValueError, match="t_s must strictly increase"):
        Track(np.array(t_s), np.zeros((3, COUNT, 2)), np.zeros((3, 2)))


def test_points_and_ball_must_fit():
    with pytest.raises(ValueError, match="points must have shape"):
        Track(np.arange(3.0), np.zeros((2, COUNT, 2)), np.zeros((3, 2)))
    with pytest.raises(ValueError, match="ball must have shape"):
        Track(np.arange(3.0), np.zeros((3, COUNT, 3)), np.zeros((3, 2)))


def test_the_sample_at_an_instant():
    track = tracked(SEEN)
    assert track.at(0.0) == 0
    assert track.at(10 / 30) == 10
    assert track.at(10 / 30 + 0.001) == 11
    assert track.at(1e9) == len(track.t_s) - 1


def test_smoothing_keeps_gaps_and_times_and_removes_tremble():
    noisy = tracked(film(TAKE, View(noise_px=1.5)))
    smooth, clean = noisy.smoothed(), tracked(SEEN)
    still = slice(0, 12)
    tremble = [np.std((t.points - clean.points)[still]) for t in (noisy, smooth)]
    assert tremble[1] < 0.8 * tremble[0]
    assert (np.isnan(smooth.ball) == np.isnan(noisy.ball)).all()


@given(st.integers(1, 80), st.integers(2, 15))
def test_swapped_arms_are_put_back(start, length):
    """Half a second of exchanged arms, seen from the side at any moment of the shot: each hand is where it was.

    Where one arm lies on the other the labels cannot be told, and need not be; a switch there may come a frame late.
    """
    truth = tracked(SEEN).points
    found = unswap_arms(TAKE.t_s, exchanged(truth, start, start + length))
    clear = np.linalg.norm(truth[:, INDEX["left_wrist"]] - truth[:, INDEX["right_wrist"]], axis=-1) > 0.25
    wrong = np.abs(found - truth)[:, ARMS].max((1, 2)) > 0.05
    assert (wrong & clear).sum() <= 2


def test_arms_that_are_right_stay_as_they_are():
    truth = tracked(SEEN).points
    assert (unswap_arms(TAKE.t_s, truth) == truth).all()


def test_a_hole_in_what_was_seen_does_not_swap_arms():
    track = tracked(without_body(SEEN, 1.0, 1.3))
    known = np.isfinite(track.points[:, 0, 0])
    assert track.points[known] == pytest.approx(tracked(SEEN).points[known])


@pytest.mark.parametrize("at_the_end", [False, True])
def test_in_the_long_run_the_network_is_believed(at_the_end):
    """The exchange costs by its duration: names that hold for seconds win over a start or an end that was wrong."""
    take = play([stand(4.0)])
    truth = tracked(film(take, View(60.0)), View(60.0)).points
    wrong = (len(truth) - 8, len(truth)) if at_the_end else (0, 8)
    found = unswap_arms(take.t_s, exchanged(truth, *wrong))
    assert found[30:-30] == pytest.approx(truth[30:-30])


def test_a_left_hander_is_tracked_as_one():
    take = play([stand(0.3), shot(Form(hand="left"))], Form(hand="left"))
    track = from_observations(film(take), View().px_per_m, View().size)
    assert track.angle_deg("left_shoulder", "left_elbow", "left_wrist") == pytest.approx(
        take.angle("shoulder", "elbow", "wrist"), abs=1e-6
    )
