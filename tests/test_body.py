"""Size of the body in the picture and pixels a metre, on players whose size is known."""

from __future__ import annotations

import numpy as np
import pytest
from builders import Form, View, film, play, pose_of, shot, stand
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.body import ScaleTracker, hand_centre, in_picture, middle, point, seen, stature_px, upper_stature_px
from rimward.live.skeleton import COUNT, INDEX

STANDING = play([stand(0.5)])
SIDE = View()


def a_pose(view: View = SIDE, take=STANDING, k: int = 0):
    return film(take, view)[k].pose


@pytest.mark.parametrize("degrees", [0, 30, 90, 180])
def test_stature_of_a_standing_player_from_any_side(degrees):
    assert stature_px(a_pose(View(degrees))) == pytest.approx(1.80 * View().px_per_m, rel=0.02)


@given(st.floats(20, 400), st.floats(0, 360))
def test_stature_grows_with_the_picture(px_per_m, degrees):
    assert stature_px(a_pose(View(degrees, px_per_m))) == pytest.approx(
        px_per_m / 90 * stature_px(a_pose(View(degrees))), rel=1e-9
    )


def test_one_misplaced_joint_does_not_stretch_the_body():
    px = a_pose().landmarks_px.copy()
    px[INDEX["left_ankle"]] += [0, 120]
    assert stature_px(pose_of(px)) == pytest.approx(1.80 * View().px_per_m, rel=0.05)


def test_segments_that_are_not_seen_do_not_count():
    unseen = np.ones(COUNT)
    for name in ("knee", "ankle"):
        unseen[[INDEX[f"left_{name}"], INDEX[f"right_{name}"]]] = 0.1
    assert stature_px(pose_of(a_pose().landmarks_px, unseen)) == pytest.approx(1.80 * View().px_per_m, rel=0.02)
    assert stature_px(pose_of(a_pose().landmarks_px, 0.1)) is None


@pytest.mark.parametrize("degrees", [0, 90])
def test_a_close_view_takes_shoulders_and_arms_and_no_hips_that_are_guessed(degrees):
    px = a_pose(View(degrees)).landmarks_px.copy()
    for joint in ("hip", "knee", "ankle"):  # all at the picture's lower edge, a hand's breadth below the shoulders
        for side in ("left", "right"):
            px[INDEX[f"{side}_{joint}"]] = px[INDEX[f"{side}_shoulder"]] + (0.0, 10.0)
    true_px = 1.80 * View().px_per_m
    assert upper_stature_px(pose_of(px)) == pytest.approx(true_px, rel=0.08)
    assert stature_px(pose_of(px)) < 0.5 * true_px
    assert upper_stature_px(pose_of(px, 0.1)) is None
    assert ScaleTracker(1.80, close=True).update(0.0, pose_of(px)) == pytest.approx(View().px_per_m, rel=0.08)


@pytest.mark.parametrize("degrees", [0, 90])
def test_scale_holds_through_a_shot(degrees):
    """Bent legs point at a camera in front; the high quantile of the last seconds does not shrink with them."""
    take = play([stand(1.0), shot()])
    scale = ScaleTracker(1.80)
    given_scale = [scale.update(o.t_s, o.pose) for o in film(take, View(degrees))]
    assert given_scale[5:] == pytest.approx([View().px_per_m] * (len(given_scale) - 5), rel=0.05)


def test_no_body_no_scale_and_a_short_loss_keeps_the_last():
    scale = ScaleTracker(1.80)
    assert scale.update(0.0, None) is None
    first = scale.update(0.1, a_pose())
    assert scale.update(9.0, None) == first


def test_scale_follows_a_player_who_comes_nearer():
    scale = ScaleTracker(1.80)
    for k in range(90):
        scale.update(k / 30, a_pose(View(px_per_m=60)))
    for k in range(90, 190):
        last = scale.update(k / 30, a_pose(View(px_per_m=120)))
    assert last == pytest.approx(120, rel=0.02)


def test_scale_uses_the_stature_that_was_given():
    child = Form(stature_m=1.40)
    take = play([stand(0.3)], child)
    scale = ScaleTracker(1.40)
    assert scale.update(0.0, film(take)[0].pose) == pytest.approx(View().px_per_m, rel=0.02)


def test_names_middles_and_the_palm():
    pose = a_pose()
    assert (point(pose, "nose") == pose.landmarks_px[0]).all()
    assert middle(pose, "hip") == pytest.approx((point(pose, "left_hip") + point(pose, "right_hip")) / 2)
    palm, wrist, index = hand_centre(pose, "right"), point(pose, "right_wrist"), point(pose, "right_index")
    assert np.linalg.norm(palm - wrist) < np.linalg.norm(index - wrist)


def test_what_is_seen_and_what_is_in_the_picture_are_different_things():
    pose = a_pose(View(ground_px=380))
    assert seen(pose, "left_ankle")
    assert not in_picture(pose, View().size, "left_ankle")
    assert in_picture(pose, View().size, "nose")
