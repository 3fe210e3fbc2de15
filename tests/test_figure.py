"""What is drawn over a rep and where. Reference: the story's own joints and the measurements of the same rep."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import Form, View
from filmed_reps import VIEW, rep_of
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.body import middle, point
from rimward.live.figure import Placement, Take, figure, moved, overlaid, placement, region
from rimward.live.records import Measurement
from rimward.live.skeleton import INDEX
from rimward.live.timeline import nearest

FORM = Form(elbow_at_set_deg=80.0, set_above_eyes_m=0.10)


@pytest.fixture(scope="module")
def good() -> Take:
    return rep_of(FORM)


def at(taken: Take, instant_s: float) -> int:
    return nearest(taken.t_s, instant_s)


def test_the_angles_drawn_are_those_measured(good):
    k = at(good, good.rep.events.set_s)
    corners = {corner.words: corner for corner in figure(good, k).corners}
    assert set(corners) == {"elbow", "knee", "hip"}
    assert corners["elbow"].degrees == pytest.approx(good.rep.measurements["elbow_at_set_deg"].value, abs=0.5)
    assert corners["elbow"].at == pytest.approx(point(good.trace.pose(k), "right_elbow"), abs=3)


def test_an_angle_that_was_not_measurable_is_not_drawn(good):
    """From the front an angle in the picture means nothing."""
    hidden = {name: Measurement.missing("front") for name in good.rep.measurements if name.startswith("elbow")}
    turned = replace(good, rep=replace(good.rep, measurements={**good.rep.measurements, **hidden}))
    assert {corner.words for corner in figure(turned, 20).corners} == {"knee", "hip"}


def test_a_joint_that_is_hidden_has_no_angle(good):
    trust = good.trace.trust.copy()
    trust[:, INDEX["right_knee"]] = 0.2
    hidden = replace(good, trace=replace(good.trace, trust=trust))
    assert {corner.words for corner in figure(hidden, 20).corners} == {"elbow"}


def test_the_set_point_line_stands_at_the_height_that_was_measured(good):
    before, at_set = at(good, good.rep.events.set_s - 0.2), at(good, good.rep.events.set_s)
    assert figure(good, before).set_point is None
    line = figure(good, at_set).set_point
    assert line is not None
    measured = good.rep.measurements["set_point_above_eyes_m"]
    assert (line.eyes[1] - line.ball[1]) / VIEW.px_per_m == pytest.approx(measured.value, abs=0.01)
    assert line.words == f"set {100 * measured.value:+.0f} ± {100 * measured.sigma:.0f} cm"


def test_the_set_point_line_goes_once_the_ball_has_left_it(good):
    """At the release, where the review opens, it would lie between forehead and neck."""
    shown = [k for k in range(len(good.t_s)) if figure(good, k).set_point is not None]
    assert good.t_s[shown[0]] == pytest.approx(good.rep.events.set_s, abs=0.02)
    assert good.t_s[shown[-1]] < good.rep.events.release_s - 0.02
    balls = good.trace.ball_px[shown, :2]
    assert np.linalg.norm(balls - balls[0], axis=1).max() / VIEW.px_per_m < 0.15
    assert figure(good, at(good, good.rep.events.release_s)).set_point is None


def test_a_ball_that_is_lost_at_the_release_leaves_no_line_behind(good):
    ball = good.trace.ball_px.copy()
    ball[good.t_s > good.rep.events.set_s + 0.02] = np.nan
    lost = replace(good, trace=replace(good.trace, ball_px=ball))
    lost = replace(lost, smooth=lost.trace.track().smoothed())
    assert figure(lost, at(lost, lost.rep.events.release_s)).set_point is None


def test_the_ball_path_grows_from_the_pick_up_to_now(good):
    early, late = figure(good, at(good, good.rep.events.set_s)), figure(good, at(good, good.rep.events.release_s + 0.1))
    assert len(early.path) < len(late.path)
    k = at(good, good.rep.events.set_s)
    assert early.path[-1] == pytest.approx(good.trace.ball_px[k, :2], abs=4)


def test_without_values_skeleton_and_ball_alone(good):
    bare = figure(good, 30, measured=False)
    assert bare.pose is not None
    assert (bare.corners, bare.set_point, bare.path) == ((), None, None)


def test_nobody_seen_nothing_drawn(good):
    points = good.trace.landmarks_px.copy()
    points[30] = np.nan
    gone = replace(good, trace=replace(good.trace, landmarks_px=points))
    gone = replace(gone, smooth=gone.trace.track().smoothed())
    assert figure(gone, 30).pose is None


@pytest.mark.parametrize("view", [View(px_per_m=60.0), View().larger(3.0)])
def test_the_same_shot_filmed_from_nearer_lies_on_itself(good, view):
    """Another size of picture and player, the same motion: after the placement the joints coincide."""
    other = rep_of(FORM, view)
    where = placement(good, other)
    assert where is not None
    assert not where.mirrored
    for instant in ("set_s", "release_s"):
        k, j = at(good, getattr(good.rep.events, instant)), at(other, getattr(other.rep.events, instant))
        laid = overlaid(figure(good, k), other, j, where)
        assert laid.other.landmarks_px == pytest.approx(laid.pose.landmarks_px, abs=4)


def test_bodies_of_different_height_become_equal(good):
    small = rep_of(replace(FORM, stature_m=1.45))
    where = placement(good, small)
    assert where is not None
    assert where.scale == pytest.approx(1.80 / 1.45, rel=0.02)
    k, j = at(good, good.rep.events.set_s), at(small, small.rep.events.set_s)
    laid = overlaid(figure(good, k), small, j, where)
    assert middle(laid.other, "shoulder") == pytest.approx(middle(laid.pose, "shoulder"), abs=4)


def test_a_player_who_faces_the_other_way_is_turned_round(good):
    """A left-hander filmed from the left: mirrored, his shooting arm lies on the right-hander's."""
    mirror = rep_of(FORM, flip=True)
    assert mirror.rep.hand == "left"
    where = placement(good, mirror)
    assert where is not None
    assert where.mirrored
    k, j = at(good, good.rep.events.set_s), at(mirror, mirror.rep.events.set_s)
    laid = overlaid(figure(good, k), mirror, j, where)
    assert point(laid.other, "right_elbow") == pytest.approx(point(laid.pose, "right_elbow"), abs=4)


def test_a_second_rep_that_was_not_watched_so_long_is_left_out(good):
    assert overlaid(figure(good, 10), good, None, Placement(1.0, False, 0.0, 0.0)).other is None


def test_a_body_that_was_never_seen_cannot_be_laid_on_another(good):
    blank = replace(good.trace, landmarks_px=np.full_like(good.trace.landmarks_px, np.nan))
    assert placement(good, replace(good, trace=blank, smooth=blank.track().smoothed())) is None


@pytest.mark.parametrize("shape", [(1.0, 1.0), (16.0, 9.0), (1.0, 2.0)])
def test_the_part_that_is_shown_holds_the_whole_body(good, shape):
    part = region(good, *shape)
    assert part.w / part.h == pytest.approx(shape[0] / shape[1], rel=0.02)
    corner, size = np.array([part.x, part.y]), np.array([part.w, part.h])
    points = good.trace.landmarks_px
    assert ((points >= corner) & (points <= corner + size)).all()
    held = good.trace.ball_px[: at(good, good.rep.events.release_s) + 1]
    held = held[np.isfinite(held).all(axis=1)]
    assert (held[:, :2] - held[:, 2:] >= corner).all()
    assert (held[:, :2] + held[:, 2:] <= corner + size).all()


def test_a_joint_that_flies_off_for_a_moment_does_not_shrink_the_body(good):
    points = good.trace.landmarks_px.copy()
    points[20, INDEX["left_foot_index"]] += 5000
    wild = replace(good, trace=replace(good.trace, landmarks_px=points))
    assert region(wild, 1.0, 1.0).h < 1.1 * region(good, 1.0, 1.0).h


def test_the_ball_at_the_release_is_in_the_part_that_is_shown_however_far_above_the_head(good):
    """As beside another rep, where a short player's ball was cut off at the top."""
    ball = good.trace.ball_px.copy()
    last = at(good, good.rep.events.release_s)
    ball[last, 1] -= 150
    high = replace(good, trace=replace(good.trace, ball_px=ball))
    assert region(high, 1.0, 2.0).y <= ball[last, 1] - ball[last, 2]


@given(st.floats(-500, 500), st.floats(-500, 500))
def test_moving_a_figure_moves_everything(good, x, y):
    k = at(good, good.rep.events.set_s)
    drawn = figure(good, k)
    there = moved(drawn, x, y)
    assert there.pose.landmarks_px == pytest.approx(drawn.pose.landmarks_px + [x, y])
    assert there.path == pytest.approx(drawn.path + [x, y])
    assert there.corners[0].at == pytest.approx(drawn.corners[0].at + [x, y])
    assert there.set_point.eyes == pytest.approx(drawn.set_point.eyes + [x, y])
