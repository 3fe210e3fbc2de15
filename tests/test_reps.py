"""A shot read after the fact: its instants by their definitions, the hand, and every reason why it may be none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import (
    Form,
    View,
    chest_pass,
    dribble,
    fetch,
    film,
    later,
    mirrored,
    overhead_pass,
    play,
    pump_fake,
    reps_of,
    shot,
    shots_in,
    spin,
    stand,
    stretch,
    tracked,
    without_ball,
    without_body,
)
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rimward.live.records import Pose
from rimward.live.reps import NotAShot, Reading, read, release_phase
from rimward.live.skeleton import INDEX
from rimward.live.track import Track

FRAME_S = 1 / 30
FORMS = st.builds(
    Form,
    stature_m=st.floats(1.4, 2.1),
    knee_deg=st.floats(95, 140),
    elbow_at_set_deg=st.floats(65, 105),
    set_above_eyes_m=st.floats(-0.05, 0.18),  # the shortest with the most folded elbow reach no higher
    hold_s=st.floats(0.02, 0.5),
    push_s=st.floats(0.15, 0.3),
    follow_through_s=st.floats(0.4, 1.5),
    jump_m=st.sampled_from([0.0, 0.15, 0.35]),
)


PLAIN, SIDE = Form(), View()


def story(form: Form = PLAIN, fps: float = 30.0):
    return play([stand(1), shot(form), stand(0.6, ball=False)], form, fps)


def reading_of(seen, shipped, release_s: float, view: View = SIDE, hand=None, earlier_hands=()):
    return read(tracked(seen, view), release_s, hand, shipped.phases, earlier_hands)


def test_a_ball_is_in_the_hand_for_as_long_as_its_pictures_stand(shipped):
    """A camera that falls from 60 to 15 pictures a second in the dark: a fifth of a second is three of those."""
    acts = [stand(1), shot(PLAIN), stand(0.6, ball=False)]
    release_s = float(story().t_s[story().release()])
    dark_s = release_s - 0.6
    times = np.concatenate([np.arange(0.0, dark_s, 1 / 60), np.arange(dark_s, release_s + 0.9, 1 / 15)])
    seen = without_ball(film(play(acts, PLAIN, times=times), SIDE), 0.0, release_s - 0.22)
    assert isinstance(reading_of(seen, shipped, release_s), Reading)


def shot_of(take, shipped, view: View = SIDE, seen=None) -> Reading:
    reading = reading_of(film(take, view) if seen is None else seen, shipped, take.t_s[take.release()], view)
    assert isinstance(reading, Reading), reading
    return reading


# ------------------------------------------------------------------------------------------------ instants, definitions
@pytest.mark.parametrize("degrees", [0, 25, 180, 205])
@pytest.mark.parametrize(
    "form",
    [Form(), Form(hand="left"), Form(jump_m=0.3), Form(hold_s=0.4), Form(elbow_at_set_deg=65), Form(knee_deg=135)],
)
def test_set_release_knee_dip_and_apex_from_the_side(shipped, form, degrees):
    """Against the script and the true joints (definitions of the interface), within a frame; flat curves within two."""
    take = story(form)
    events = shot_of(take, shipped, View(degrees)).events
    release = take.release()
    hips = (take.joint("left_hip") + take.joint("right_hip"))[:, 2]
    about = slice(release - 15, release + 16)
    assert events.release_s == pytest.approx(take.t_s[release], abs=FRAME_S + 1e-6)
    assert events.set_s == pytest.approx(take.instants[0]["set_s"], abs=FRAME_S + 1e-6)
    assert events.knee_min_s == pytest.approx(take.instants[0]["set_s"], abs=2 * FRAME_S + form.hold_s / 2)
    assert events.dip_s == pytest.approx(take.t_s[np.nanargmin(take.ball[:release, 2])], abs=FRAME_S + 1e-6)
    assert events.apex_s == pytest.approx(take.t_s[about][hips[about].argmax()], abs=2 * FRAME_S)
    assert events.pickup_s == 0.0  # in the hands from the start of the recording


@pytest.mark.parametrize("degrees", [45, 90, 135, 270])
def test_release_shows_in_every_view(shipped, degrees):
    take = story()
    assert shot_of(take, shipped, View(degrees)).events.release_s == pytest.approx(
        take.t_s[take.release()], abs=FRAME_S + 1e-6
    )


def test_off_a_dribble_the_pick_up_is_the_dip(shipped):
    take = play([stand(1), dribble(3), shot(), stand(0.6, ball=False)])
    events = shot_of(take, shipped).events
    reach = np.linalg.norm(take.ball - take.mine("wrist"), axis=1)
    held = take.release() - 1
    while reach[held] < 0.27:
        held -= 1
    assert events.pickup_s == pytest.approx(take.t_s[held + 1], abs=FRAME_S + 1e-6)
    assert events.pickup_s <= events.dip_s < events.set_s
    assert events.knee_min_s > events.pickup_s  # not the bent knees of the dribble


@pytest.mark.parametrize("height_m", [0.15, 0.25, 0.4])
def test_landing_is_the_first_contact_after_both_feet_were_off(shipped, height_m):
    take = story(Form(jump_m=height_m))
    assert shot_of(take, shipped).events.landing_s == pytest.approx(take.instants[0]["landing_s"], abs=2 * FRAME_S)


def test_no_jump_no_landing(shipped):
    assert shot_of(story(), shipped).events.landing_s is None


def test_a_skip_of_less_than_a_tenth_of_a_second_is_no_jump(shipped):
    """Feet more than 3 cm up for 0.07 s: a step, not a flight with a landing."""
    take = story(Form(jump_m=0.04), fps=120.0)
    up = (take.joint("left_heel") - take.joint("left_heel")[0])[:, 2] > 0.03
    assert 0.04 < up.sum() / 120 < 0.1
    assert shot_of(take, shipped).events.landing_s is None


def test_feet_outside_the_picture_give_no_landing(shipped):
    take, low = story(Form(jump_m=0.3)), View(ground_px=375)
    assert shot_of(take, shipped, low).events.landing_s is None


@pytest.mark.parametrize(("pause_s", "motion"), [(0.02, "one_motion"), (0.1, "one_motion"), (0.3, "two_motion")])
def test_a_pause_of_the_ball_of_a_fifth_of_a_second_makes_two_motions(shipped, pause_s, motion):
    """0.20 s: six frames at 30 per second (common practice, no source)."""
    assert shot_of(story(Form(hold_s=pause_s)), shipped).motion == motion


def test_release_phase_from_the_highest_hips(shipped):
    for form, phase in ((Form(), "rising"), (Form(jump_m=0.3), "peak")):  # highest 0.1 and 0.03 s after the release
        events = shot_of(story(form), shipped).events
        assert release_phase(events.apex_s - events.release_s, shipped.phases) == phase
    assert release_phase(-0.06, shipped.phases) == "falling"


def test_the_apex_is_unknown_when_the_recording_ends_on_the_way_up(shipped):
    take = story()
    cut = [o for o in film(take) if o.t_s <= take.instants[0]["release_s"] + 0.08]
    reading = reading_of(cut, shipped, take.instants[0]["release_s"])
    assert isinstance(reading, Reading)
    assert reading.events.apex_s is None
    assert release_phase(None, shipped.phases) is None


def test_a_recording_that_ends_in_the_air_has_no_landing(shipped):
    take = story(Form(jump_m=0.4))
    cut = [o for o in film(take) if o.t_s <= take.instants[0]["landing_s"] - 0.1]
    assert shot_of(take, shipped, seen=cut).events.landing_s is None


def test_a_ball_hidden_behind_the_body_leaves_the_pick_up_unknown(shipped):
    take = story()
    set_s = take.instants[0]["set_s"]
    events = shot_of(take, shipped, seen=without_ball(film(take), 0.5, set_s - 0.1)).events
    assert (events.pickup_s, events.dip_s) == (None, None)
    assert events.set_s == pytest.approx(set_s, abs=FRAME_S + 1e-6)


def test_a_ball_hidden_for_three_frames_is_still_one_hold(shipped):
    take = story()
    assert shot_of(take, shipped, seen=without_ball(film(take), 1.0, 1.1)).events.pickup_s == 0.0


def test_an_unseen_flight_is_said(shipped):
    take = story()
    release_s = take.instants[0]["release_s"]
    assert shot_of(take, shipped).release_by_ball
    unseen = shot_of(take, shipped, seen=without_ball(film(take), release_s, 99.0))
    assert not unseen.release_by_ball
    assert unseen.events.release_s == pytest.approx(take.t_s[take.release()], abs=FRAME_S + 1e-6)


def test_the_ball_leaves_between_frames(shipped):
    """Whenever the shutter opens it is the same instant, though the first frame without the ball is not."""
    acts = [stand(1), shot(PLAIN), stand(0.6, ball=False)]
    end_s = story().t_s[-1]
    found = []
    for late_s in np.arange(0, FRAME_S, FRAME_S / 6):
        take = play(acts, PLAIN, times=np.arange(late_s, end_s, FRAME_S))
        found.append(shot_of(take, shipped, seen=film(take)))
    assert np.ptp([one.events.release_s for one in found]) > 0.02
    assert np.ptp([one.free_s for one in found]) < 0.008
    for one in found:
        assert one.events.release_s - 1.5 * FRAME_S < one.free_s < one.events.release_s + 1.5 * FRAME_S


@pytest.mark.parametrize("degrees", [0.0, 45.0, 180.0])
def test_hands_drawn_too_low_do_not_let_the_ball_go_early(shipped, degrees):
    """By the distance from the hand it has left long before; but it does not fall freely yet."""
    take, view = story(), View(degrees)
    release_s = take.instants[0]["release_s"]
    seen = []
    for o in film(take, view):
        if release_s - 0.12 < o.t_s < release_s + 0.3:
            points = o.pose.landmarks_px.copy()
            points[[INDEX["left_wrist"], INDEX["right_wrist"]]] += (0.0, 0.15 * view.px_per_m)
            o = replace(o, pose=replace(o.pose, landmarks_px=points))
        seen.append(o)
    found = reading_of(seen, shipped, release_s, view)
    assert isinstance(found, Reading)
    assert found.free_s == pytest.approx(release_s, abs=0.03)
    assert found.events.release_s == pytest.approx(take.t_s[take.release()], abs=FRAME_S + 1e-6)


def test_a_ball_that_the_guide_hand_still_has_has_not_left(shipped):
    """From in front and above the network draws the shooting wrist too low while the arm stretches."""
    front = View(90)
    take = story()
    release_s = take.t_s[take.release()]
    seen = []
    for o in film(take, front):
        px = o.pose.landmarks_px.copy()
        if o.ball is not None and release_s - 0.14 < o.t_s < release_s + 1e-6:
            px[INDEX["right_wrist"]] = o.ball.centre_px + np.array([0.0, 0.30]) * front.px_per_m
            if o.t_s < release_s - 1e-6:
                px[INDEX["left_wrist"]] = o.ball.centre_px + np.array([0.18, 0.05]) * front.px_per_m
        seen.append(replace(o, pose=replace(o.pose, landmarks_px=px)))
    found = reading_of(seen, shipped, release_s, front, hand="right")
    assert isinstance(found, Reading)
    assert found.events.release_s == pytest.approx(release_s, abs=FRAME_S + 1e-6)


def test_the_gather_is_that_of_the_stance_not_of_the_hop_before(shipped):
    """Knees bend deeper for the hop than for the shot; the hop's bend is over when the feet stand."""
    take = story()
    plain = shot_of(take, shipped)
    landed_s = plain.events.knee_min_s - 0.4
    body = [i for name, i in INDEX.items() if name.rpartition("_")[2] not in ("knee", "ankle", "heel", "index")]
    seen = []
    for o in film(take):
        px = o.pose.landmarks_px.copy()
        px[:, 0] -= 0.5 * SIDE.px_per_m * np.clip((landed_s - o.t_s) / 0.3, 0, 1)
        low = np.clip(1 - abs(o.t_s - landed_s + 0.15) / 0.15, 0, 1)
        px[body, 1] += 0.25 * SIDE.px_per_m * low
        ball = None
        if o.ball is not None:
            ball = replace(o.ball, centre_px=o.ball.centre_px + (px - o.pose.landmarks_px)[INDEX["right_wrist"]])
        seen.append(replace(o, pose=replace(o.pose, landmarks_px=px), ball=ball))
    found = shot_of(take, shipped, seen=seen)
    assert found.stance_s == pytest.approx(landed_s, abs=0.15)
    assert found.events.knee_min_s == pytest.approx(plain.events.knee_min_s, abs=2 * FRAME_S)


# --------------------------------------------------------------------------------------------------------------- hand
@pytest.mark.parametrize("degrees", [0, 45, 90, 180, 225])
@pytest.mark.parametrize("hand", ["left", "right"])
def test_the_hand_is_told_from_the_shot(shipped, hand, degrees):
    reading = shot_of(story(Form(hand=hand)), shipped, View(degrees))
    assert reading.hand == hand
    assert (reading.right_handed > 0) == (hand == "right")
    assert abs(reading.right_handed) <= 4.0


def test_a_hand_that_was_given_is_kept(shipped):
    take = story()
    reading = reading_of(film(take), shipped, take.t_s[take.release()], hand="left")
    assert isinstance(reading, Reading)
    assert reading.hand == "left"


def test_earlier_shots_outweigh_one_odd_follow_through(shipped):
    take = story()
    reading = reading_of(film(take), shipped, take.t_s[take.release()], earlier_hands=[-4.0, -4.0])
    assert isinstance(reading, Reading)
    assert reading.hand == "left"
    assert reading.right_handed > 0


def test_a_hand_is_sure_when_given_or_told_clearly_by_all_shots_together(shipped):
    take = story()
    seen, release_s = film(take), take.t_s[take.release()]
    plain = reading_of(seen, shipped, release_s)
    assert isinstance(plain, Reading)
    assert plain.hand_sure
    for mean, sure in ((0.2, False), (-0.2, False), (0.7, True), (-0.7, True)):
        reading = reading_of(seen, shipped, release_s, earlier_hands=[2 * mean - plain.right_handed])
        assert isinstance(reading, Reading)
        assert (reading.hand_sure, reading.hand) == (sure, "right" if mean > 0 else "left")
    given_one = reading_of(seen, shipped, release_s, hand="right", earlier_hands=[0.2 - plain.right_handed])
    assert isinstance(given_one, Reading)
    assert given_one.hand_sure


@pytest.mark.parametrize("sign", [1, -1])
def test_shots_that_each_say_little_of_the_hand_say_little_together(shipped, monkeypatch, sign):
    """Their error is shared: on rendered shots with a short follow-through each spoke a little for the wrong hand."""
    take = story()
    monkeypatch.setattr("rimward.live.reps._right_handed", lambda smooth, last: sign * 0.3)
    reading = reading_of(film(take), shipped, take.t_s[take.release()], earlier_hands=[sign * 0.3] * 20)
    assert isinstance(reading, Reading)
    assert not reading.hand_sure


# ------------------------------------------------------------------------------------------------------ properties
@settings(max_examples=25)
@given(FORMS, st.floats(0, 20), st.sampled_from([25.0, 30.0, 60.0]))
@example(  # a foot that trembled was said to land twenty seconds after the clip's end, and all was read from there
    Form(
        stature_m=2.0,
        knee_deg=95.0,
        elbow_at_set_deg=65.0,
        set_above_eyes_m=0.0,
        hold_s=0.203125,
        push_s=0.150390625,
        follow_through_s=1.0,
        jump_m=0.35,
    ),
    0.0,
    30.0,
)
def test_any_sensible_form_is_one_shot_with_its_instants(shipped, form, degrees, fps):
    take = story(form, fps)
    view = View(degrees, noise_px=0.4)
    (reading,) = shots_in(film(take, view), shipped.phases, view)
    assert isinstance(reading, Reading), reading
    assert reading.hand == "right"
    assert reading.events.release_s == pytest.approx(take.t_s[take.release()], abs=1 / fps + 1e-6)
    # while the arm rests at the set point nothing tells one instant of the rest from another
    assert reading.events.set_s == pytest.approx(take.instants[0]["set_s"], abs=1.5 / fps + form.hold_s / 2)


@settings(max_examples=15)
@given(FORMS, st.floats(0, 359))
def test_a_mirror_makes_a_left_hander_of_a_right_hander_and_changes_nothing_else(shipped, form, degrees):
    take, view = story(form), View(degrees)
    seen = film(take, view)
    one = reading_of(seen, shipped, take.t_s[take.release()], view)
    two = reading_of(mirrored(seen, view.size[0]), shipped, take.t_s[take.release()], view)
    assert isinstance(one, Reading)
    assert isinstance(two, Reading)
    assert {one.hand, two.hand} == {"left", "right"}
    assert (one.events, one.motion) == (two.events, two.motion)
    assert two.right_handed == pytest.approx(-one.right_handed)


@settings(max_examples=15)
@given(FORMS, st.sampled_from([0.25, 0.5, 2.0]))
def test_the_size_of_the_picture_does_not_matter(shipped, form, factor):
    take = story(form)
    view = View()
    one = shot_of(take, shipped, view)
    two = shot_of(take, shipped, view.larger(factor))
    assert one.events == two.events
    assert (one.hand, one.motion) == (two.hand, two.motion)


@settings(max_examples=15)
@given(FORMS, st.floats(-1000, 100000))
def test_the_clock_may_show_any_time(shipped, form, shift_s):
    take = story(form)
    one = shot_of(take, shipped)
    two = reading_of(later(film(take), shift_s), shipped, take.t_s[take.release()] + shift_s)
    assert isinstance(two, Reading)
    for name in ("pickup_s", "dip_s", "knee_min_s", "set_s", "release_s", "apex_s"):
        assert getattr(two.events, name) - shift_s == pytest.approx(getattr(one.events, name), abs=1e-6)


@pytest.mark.parametrize("fps", [15, 25, 50, 60, 120])
def test_the_frame_rate_changes_instants_by_a_frame_at_most(shipped, fps):
    for form in (Form(), Form(hold_s=0.3), Form(jump_m=0.3)):
        take = story(form, fps)
        events = shot_of(take, shipped).events
        assert events.set_s == pytest.approx(take.instants[0]["set_s"], abs=1 / fps + 0.01)
        assert events.release_s == pytest.approx(take.t_s[take.release()], abs=1 / fps + 1e-6)
        # a ball at 7 m/s takes 14 ms from the palm to beyond reach
        assert 0 <= events.release_s - take.instants[0]["release_s"] <= 0.02 + 1 / fps


WITH_BALL = {"shot": shot, "dribble": dribble, "fake": pump_fake, "spin": spin, "pass": chest_pass}
LEAVES = {"shot", "pass"}


@settings(max_examples=15)
@given(st.lists(st.sampled_from(sorted(WITH_BALL)), min_size=1, max_size=5), st.sampled_from([0.0, 25.0, 90.0, 180.0]))
def test_in_any_order_of_acts_only_shots_are_shots(shipped, names, degrees):
    acts = [stand(1)]
    for name in names:
        acts += [WITH_BALL[name](), stand(0.5, ball=name not in LEAVES)]
        if name in LEAVES:
            acts += [fetch(), stand(0.5)]
    view = View(degrees)
    readings = [r for r in shots_in(film(play(acts), view), shipped.phases, view) if isinstance(r, Reading)]
    assert len(readings) == names.count("shot")


def test_uneven_times_and_lost_frames_are_no_matter(shipped):
    rng = np.random.default_rng(7)
    times = np.cumsum(rng.uniform(0.02, 0.05, 90))
    take = play([stand(1), shot(), stand(0.6, ball=False)], times=times)
    events = shot_of(take, shipped).events
    assert events.set_s == pytest.approx(take.instants[0]["set_s"], abs=0.05)
    assert events.release_s == pytest.approx(take.t_s[take.release()], abs=0.05)


def test_the_same_logic_reads_points_in_space(shipped):
    """Fed with three-dimensional points it needs no camera: motion capture goes the same way."""
    take = story(Form(jump_m=0.3))
    reading = read(Track(take.t_s, take.points, take.ball), take.t_s[take.release()], None, shipped.phases)
    assert isinstance(reading, Reading)
    assert reading.events.release_s == take.t_s[take.release()]
    assert reading.events.set_s == pytest.approx(take.instants[0]["set_s"], abs=FRAME_S)
    assert reading.events.landing_s == pytest.approx(take.instants[0]["landing_s"], abs=2 * FRAME_S)


# --------------------------------------------------------------------------------------------- why it is no shot
def reason(seen, shipped, hint_s: float, view: View = SIDE, hand=None) -> str:
    outcome = reading_of(seen, shipped, hint_s, view, hand)
    assert isinstance(outcome, NotAShot)
    return outcome.reason


def test_refused_without_a_ball_in_the_hands(shipped):
    take = play([stand(1, ball=False), stretch(), stand(1, ball=False)])
    assert reason(film(take), shipped, 2.0) == "the ball was not seen in the hands"


def test_refused_when_the_ball_never_was_above_the_eyes(shipped):
    take = play([stand(1), chest_pass(), stand(1, ball=False)])
    assert reason(film(take), shipped, 1.6) == "the ball did not leave the hands above the eyes"


@pytest.mark.parametrize("hidden_s", [0.0, 0.12, 0.3])
def test_refused_when_the_ball_stays_or_comes_back(shipped, hidden_s):
    take = play([stand(1), pump_fake(), stand(1)])
    seen = film(take)
    top = float(take.t_s[take.ball[:, 2].argmax()])
    last_high = max(o.t_s for k, o in enumerate(seen) if take.ball[k, 2] > take.eyes()[k])
    seen = without_ball(seen, last_high - 0.1, last_high - 0.1 + hidden_s)
    assert reason(seen, shipped, top) == "the ball stayed in the hands or came back at once"


def test_refused_when_the_ball_falls_out_of_the_hands(shipped):
    """Dropped from overhead: it leaves the hands downward."""
    form = Form(launch_mps=1.0, launch_deg=10.0)
    take = play([stand(1), shot(form), stand(0.5, ball=False)])
    seen = film(take)
    assert reason(seen, shipped, take.instants[0]["release_s"]) == "the ball did not fly upward"


def test_a_disc_elsewhere_does_not_undo_a_flight(shipped):
    """The ball leaves the picture and a shirt is taken for it: nothing falls a metre in a thirtieth of a second."""
    take = play([stand(1), shot(Form()), stand(0.5, ball=False)])
    release_s = take.instants[0]["release_s"]
    seen = [
        o
        if o.t_s < release_s + 0.05 or o.ball is None
        else replace(o, ball=replace(o.ball, centre_px=o.pose.landmarks_px[INDEX["right_hip"]]))
        for o in film(take)
    ]
    assert isinstance(reading_of(seen, shipped, release_s), Reading)


def test_a_ball_that_the_edge_cuts_as_it_leaves_flew_all_the_same(shipped):
    """Half out of the picture it seems to stand still, and it is seen twice only."""
    take = story()
    release_s = take.t_s[take.release()]
    first, second, third = [o for o in film(take) if o.t_s > release_s - 1e-6][:3]
    stuck = replace(first.ball, centre_px=first.ball.centre_px - (0.0, 0.01 * SIDE.px_per_m))
    seen = without_ball(film(take), third.t_s - 1e-6, 99.0)
    seen = [replace(o, ball=stuck) if o.t_s == second.t_s else o for o in seen]
    assert isinstance(reading_of(seen, shipped, release_s), Reading)


@pytest.mark.parametrize("start_s", [0.14, 0.3])
def test_a_face_beside_the_hand_does_not_undo_a_flight(shipped, start_s):
    """The ball leaves the picture and something at the hand is taken for it: it cannot have come back so fast."""
    take = play([stand(1), shot(Form()), stand(0.5, ball=False)])
    release_s = take.instants[0]["release_s"]
    seen = []
    for o in film(take):
        if o.ball is not None and release_s + 0.14 < o.t_s:
            hand = replace(o.ball, centre_px=o.pose.landmarks_px[INDEX["right_wrist"]])
            o = replace(o, ball=hand if release_s + start_s < o.t_s < release_s + 0.4 else None)
        seen.append(o)
    found = reading_of(seen, shipped, release_s)
    assert isinstance(found, Reading)
    assert found.free_s == pytest.approx(release_s, abs=0.04)


@pytest.mark.parametrize(("degrees", "counted"), [(0.0, False), (270.0, True)])
def test_a_ball_that_flies_away_may_rise_slowly_in_the_picture(shipped, degrees, counted):
    """Seen from behind it shrinks as it rises; seen from the side such a ball is thrown nowhere."""
    take, view = story(), View(degrees)
    release_s = take.instants[0]["release_s"]
    seen = film(take, view)
    left = next(o.ball.centre_px for o in reversed(seen) if o.ball is not None and o.t_s <= release_s + 0.02)
    slow = []
    for o in seen:
        since_s = o.t_s - release_s - 0.02
        if since_s > 0:
            rise_m = 0.35 + 1.2 * since_s
            o = replace(o, ball=replace(seen[0].ball, centre_px=left + [2.0, -rise_m * view.px_per_m]))
        slow.append(o)
    assert isinstance(reading_of(slow, shipped, release_s, view), Reading) == counted


@pytest.mark.parametrize(("degrees", "counted"), [(0.0, False), (270.0, True)])
def test_a_ball_seen_in_the_hands_for_a_moment_only_counts_where_the_back_hides_it(shipped, degrees, counted):
    """Fingers pass for a ball now and then; from behind the real one comes up over the head just before it flies."""
    take, view = story(), View(degrees)
    release_s = take.instants[0]["release_s"]
    seen = without_ball(film(take, view), 0.0, release_s - 0.03)
    found = reading_of(seen, shipped, release_s, view)
    if counted:
        assert found.events.release_s == pytest.approx(release_s, abs=2 * FRAME_S)
    else:
        assert found == NotAShot("the ball was seen in the hands for a moment only")


def test_refused_when_the_ball_leaves_flat(shipped):
    form = Form(launch_mps=12.0, launch_deg=16.0)
    take = play([stand(1), shot(form), stand(0.5, ball=False)])
    assert reason(film(take), shipped, take.instants[0]["release_s"]) == "the ball left flat, as in a pass"


def test_refused_for_an_overhead_pass(shipped):
    take = play([stand(1), overhead_pass(), stand(1, ball=False)])
    (outcome,) = shots_in(film(take), shipped.phases)
    assert isinstance(outcome, NotAShot)


def test_refused_when_the_recording_ends_at_the_release(shipped):
    take = story()
    last = take.release() - 1
    assert reason(film(take)[: last + 1], shipped, take.t_s[last]) == "the recording ends at the release"


def with_hands(seen, start_s: float, dy_px: float):
    """Both hands and elbows moved down by some pixels from a time on."""
    rows = [INDEX[f"{side}_{part}"] for side in ("left", "right") for part in ("wrist", "pinky", "index", "thumb")]
    out = []
    for o in seen:
        if o.t_s >= start_s and o.pose is not None:
            px = o.pose.landmarks_px.copy()
            px[rows, 1] += dy_px
            o = replace(o, pose=Pose(px, o.pose.visibility, o.pose.depth_px))
        out.append(o)
    return out


def test_refused_when_the_hand_stays_below_the_eyes(shipped):
    """A ball tossed up from below: the ball rises past the eyes, the hands do not."""
    take = story()
    seen = with_hands(film(take), take.instants[0]["release_s"] + 0.02, 90.0)
    assert reason(seen, shipped, take.t_s[take.release()]) == "the hand stayed below the eyes"


def test_refused_when_the_arm_was_not_seen_at_the_release(shipped):
    take = story()
    release_s = take.instants[0]["release_s"]
    gone = [replace(o, pose=None) if release_s < o.t_s <= release_s + 0.3 else o for o in film(take)]
    assert reason(gone, shipped, release_s) == "the shooting arm was not seen at the release"


def test_refused_when_the_arm_did_not_push(shipped):
    """A ball held overhead that somebody takes out of the hands upward."""
    held = replace(shot(), keys={}, instants={})
    raised = {name: [(0.0, value), (held.duration_s, value)] for name, value in (("arm", 120.0), ("elbow", 120.0))}
    take = play([replace(held, keys=raised, ball=((0.0, "hand", ()), (1.5, "flight", (3.0, 5.0))))])
    assert reason(film(take), shipped, 1.5) == "the arm did not push the ball upward"


def test_refused_when_the_ball_only_vanishes_without_having_risen(shipped):
    """Something behind raised arms passes for a ball and is gone again."""
    held = replace(shot(), keys={}, instants={})
    raised = {name: [(0.0, value), (held.duration_s, value)] for name, value in (("arm", 120.0), ("elbow", 120.0))}
    take = play([replace(held, keys=raised, ball=((0.0, "hand", ()), (1.5, "flight", (3.0, 5.0))))])
    seen = without_ball(film(take), 1.5, 99.0)
    assert reason(seen, shipped, 1.5) == "the ball was neither pushed up nor seen to fly"


def test_refused_when_the_arm_was_not_seen_before_the_release(shipped):
    take = story()
    release = take.release()
    seen = film(take)
    track = tracked(seen)
    points = track.points.copy()
    points[:release, INDEX["right_elbow"]] = np.nan
    outcome = read(Track(track.t_s, points, track.ball, track.trust), take.t_s[release], "right", shipped.phases)
    assert outcome == NotAShot("the shooting arm was not seen before the release")


# -------------------------------------------------------------------------------------------------- what was lost
def test_a_person_lost_for_a_moment_in_the_lift_does_not_lose_the_shot(shipped):
    take = story()
    reading = shot_of(take, shipped, seen=without_body(film(take), 1.1, 1.2))
    assert reading.events.release_s == pytest.approx(take.t_s[take.release()], abs=FRAME_S + 1e-6)


def test_the_last_of_several_shots_is_read_by_its_own_release(shipped):
    forms = [Form(), Form(hold_s=0.3), Form()]
    take = play(reps_of(forms))
    seen = film(take)
    for k in range(3):
        reading = reading_of(seen, shipped, take.t_s[take.release(k)])
        assert isinstance(reading, Reading)
        assert reading.events.set_s == pytest.approx(take.instants[k]["set_s"], abs=FRAME_S + 1e-6)
        assert reading.motion == ("two_motion" if k == 1 else "one_motion")
