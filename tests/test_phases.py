"""The phases of a shot as they go by, and the instant at which a rep may be read: never before the arm is down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import (
    Act,
    Form,
    View,
    chest_pass,
    dribble,
    fetch,
    film,
    joined,
    phases_of,
    play,
    pump_fake,
    rebound,
    reps_of,
    shot,
    shots_in,
    spin,
    stand,
    stretch,
    without_ball,
    without_body,
)

from rimward.live.phases import PhaseState, Signals, advance, finish, flies_above, signals
from rimward.live.records import Ball, Observation, Phase
from rimward.live.reps import Reading
from rimward.live.skeleton import INDEX

VIEWS = [0.0, 40.0, 90.0, 180.0, 270.0]
NON_SHOTS = {
    "dribble": [stand(1), dribble(), stand(1)],
    "pump fake": [stand(1), pump_fake(), pump_fake(), stand(1)],
    "chest pass": [stand(1), chest_pass(), stand(1, ball=False)],
    "stretch": [stand(1, ball=False), stretch(), stand(1, ball=False)],
    "rebound": [stand(1, ball=False), rebound(), stand(1)],
    "spin": [stand(1), spin(), stand(1)],
    "catch": [stand(1, ball=False), fetch(), stand(1)],
}


def first_below_eyes(take) -> float:
    """When the shooting wrist falls below the eyes after release, from the true joints."""
    k = take.release()
    while take.mine("wrist")[k, 2] >= take.eyes()[k]:
        k += 1
    return float(take.t_s[k])


@pytest.mark.parametrize("degrees", VIEWS)
@pytest.mark.parametrize("form", [Form(), Form(hand="left"), Form(jump_m=0.3), Form(hold_s=0.35)])
def test_a_shot_goes_through_its_phases_in_order(shipped, degrees, form):
    seen = film(play([stand(1), shot(form), stand(1, ball=False)], form), View(degrees))
    begun, closed = phases_of(seen, shipped.phases)
    order = [phase for _, phase in begun]
    for phase in (Phase.HOLDING, Phase.DIP, Phase.RISE, Phase.RELEASE, Phase.FOLLOW_THROUGH, Phase.LANDED):
        assert phase in order, phase
    first = [order.index(p) for p in (Phase.HOLDING, Phase.DIP, Phase.RISE, Phase.RELEASE, Phase.FOLLOW_THROUGH)]
    assert first == sorted(first)
    assert order[-1] is Phase.WAITING
    assert len(closed) == 1


def trembling(seen, px: float):
    """The ball's centre is off by so much in each picture."""
    off = px * np.random.default_rng(3).standard_normal((len(seen), 2))
    balls = [o.ball and replace(o.ball, centre_px=o.ball.centre_px + d) for o, d in zip(seen, off, strict=True)]
    return [replace(o, ball=ball) for o, ball in zip(seen, balls, strict=True)]


@pytest.mark.parametrize("fps", [120.0, 240.0])
def test_phases_do_not_flicker_with_a_fast_camera(shipped, fps):
    """A ball's speed from one picture to the next trembles the more the sooner that comes."""
    changes = []
    for rate in (30.0, fps):
        take = play([stand(1), shot(), stand(1, ball=False)], fps=rate)
        begun, _ = phases_of(trembling(film(take), 0.4), shipped.phases)
        changes.append(sum(t_s > take.instants[0]["set_s"] - 0.8 for t_s, _ in begun))
    assert changes[1] <= 2 * changes[0]


@pytest.mark.parametrize("degrees", VIEWS)
def test_a_ball_scooped_up_from_the_hip_was_not_released_overhead(shipped, degrees):
    """Ball and hands both go up past the eyes, but apart."""
    scoop = Act(
        1.6,
        {
            "arm": [(0.0, 20.0), (0.4, 25.0), (0.8, 130.0), (1.2, 130.0), (1.6, 10.0)],
            "elbow": [(0.0, 95.0), (0.4, 130.0), (0.8, 160.0), (1.6, 160.0)],
            "both": [(0.0, 1.0), (0.4, 0.0), (1.6, 0.0)],
        },
        ((0.0, "hand", ()), (0.4, "flight", (1.5, 6.5))),
    )
    seen = film(play([stand(1), scoop, stand(0.5, ball=False)]), View(degrees))
    assert phases_of(seen, shipped.phases)[1] == []


def test_a_pause_at_the_set_point_shows_as_set(shipped):
    take = play([stand(1), shot(Form(hold_s=0.5)), stand(1, ball=False)])
    begun, _ = phases_of(film(take), shipped.phases)
    at_set = [t for t, phase in begun if phase is Phase.SET]
    assert at_set
    assert take.instants[0]["set_s"] - 0.3 < at_set[0] < take.instants[0]["release_s"]


@pytest.mark.parametrize("form", [Form(), Form(follow_through_s=0.25), Form(jump_m=0.35), Form(follow_through_s=2.0)])
@pytest.mark.parametrize("fps", [15, 30, 60, 120])
def test_a_shot_is_closed_after_the_arm_is_down_and_its_release_is_the_last_hold(shipped, form, fps):
    take = play([stand(1), shot(form), stand(1, ball=False)], form, fps)
    ((closed_s, release_s),) = phases_of(film(take), shipped.phases)[1]
    assert closed_s >= first_below_eyes(take) - 1e-9
    assert closed_s >= take.instants[0].get("landing_s", 0.0)
    assert closed_s <= first_below_eyes(take) + 0.45
    assert abs(release_s - take.t_s[take.release()]) <= 1.5 / fps


def ball_at_hand(seen, start_s: float, end_s: float) -> list[Observation]:
    """Something at the shooting wrist passes for the ball."""
    return [
        replace(o, ball=Ball(o.pose.landmarks_px[INDEX["right_wrist"]], 10.7, 0.6)) if start_s <= o.t_s < end_s else o
        for o in seen
    ]


@pytest.mark.parametrize(("back_s", "early"), [(0.07, False), (0.3, True)])
def test_only_a_ball_that_stays_in_the_hand_ends_a_follow_through(shipped, back_s, early):
    """A face beside the hand is taken for the ball for a frame or two; a rebound that is caught stays."""
    take = play([stand(1), shot(Form(follow_through_s=2.0)), stand(1, ball=False)])
    release_s = take.instants[0]["release_s"]
    seen = ball_at_hand(film(take), release_s + 1.0, release_s + 1.0 + back_s)
    closed = phases_of(seen, shipped.phases)[1]
    plain = phases_of(film(take), shipped.phases)[1]
    assert (closed[0][0] < plain[0][0]) == early
    assert closed[0][1] == plain[0][1]


@pytest.mark.parametrize("start_s", [0.12, 0.3])
def test_what_is_at_the_hand_while_the_ball_flies_is_not_the_ball(shipped, start_s):
    """A ball that was just seen rising above the hand is not in it a fifth of a second later, so the shot goes on."""
    take = play([stand(1), shot(), stand(1, ball=False)])
    release_s = take.instants[0]["release_s"]
    plain = phases_of(film(take), shipped.phases)[1]
    seen = without_ball(film(take), release_s + 0.1, release_s + start_s)
    seen = ball_at_hand(seen, release_s + start_s, release_s + start_s + 0.3)
    assert phases_of(seen, shipped.phases)[1] == plain


def test_an_arm_that_stays_up_is_closed_at_the_cap(shipped):
    take = play([stand(1), shot(Form(follow_through_s=4.0)), stand(1, ball=False)])
    ((closed_s, release_s),) = phases_of(film(take), shipped.phases)[1]
    assert closed_s - release_s == pytest.approx(shipped.phases.follow_through_cap_s, abs=0.1)


@pytest.mark.parametrize("degrees", VIEWS)
@pytest.mark.parametrize("story", list(NON_SHOTS))
def test_other_movements_are_not_taken_for_a_release(shipped, story, degrees):
    assert phases_of(film(play(NON_SHOTS[story]), View(degrees)), shipped.phases)[1] == []


def test_shot_after_shot_is_counted(shipped):
    forms = [Form(), Form(hold_s=0.3), Form(jump_m=0.25), Form(follow_through_s=0.3)]
    readings = shots_in(film(play(reps_of(forms))), shipped.phases)
    assert [type(reading) for reading in readings] == [Reading] * 4


def test_a_recording_that_ends_in_the_follow_through_still_closes_the_shot(shipped):
    take = play([stand(1), shot(), stand(1, ball=False)])
    cut = [o for o in film(take) if o.t_s < take.instants[0]["release_s"] + 0.4]
    ((closed_s, _),) = phases_of(cut, shipped.phases)[1]
    assert closed_s == cut[-1].t_s
    assert isinstance(shots_in(cut, shipped.phases)[0], Reading)


def test_a_recording_that_ends_at_the_set_point_closes_nothing(shipped):
    take = play([stand(1), shot(Form(hold_s=0.4)), stand(1, ball=False)])
    cut = [o for o in film(take) if o.t_s < take.instants[0]["set_s"]]
    assert phases_of(cut, shipped.phases)[1] == []


def test_a_player_who_walks_out_of_the_picture_in_the_follow_through_is_read(shipped):
    take = play([stand(1), shot(), stand(2, ball=False)])
    release_s = take.instants[0]["release_s"]
    gone = without_body(film(take), release_s + 0.3, 99.0)
    ((closed_s, _),) = phases_of(gone, shipped.phases)[1]
    assert closed_s < release_s + 1.2


def test_a_player_who_is_lost_before_the_release_did_not_shoot(shipped):
    take = play([stand(1), shot(), stand(2, ball=False)])
    gone = without_body(film(take), take.instants[0]["set_s"] - 0.2, 99.0)
    begun, closed = phases_of(gone, shipped.phases)
    assert closed == []
    assert begun[-1][1] is Phase.WAITING


def test_a_ball_that_nobody_sees_is_no_shot(shipped):
    """A stretch of empty arms and a shot with an invisible ball look alike: neither is counted."""
    take = play([stand(1), shot(), stand(1, ball=False)])
    begun, closed = phases_of(without_ball(film(take), 0.0, 99.0), shipped.phases)
    assert closed == []
    assert {phase for _, phase in begun} == {Phase.WAITING}


@pytest.mark.parametrize("hidden_from_release_s", [0.0, 0.04])
def test_a_ball_that_vanishes_at_the_release_has_left(shipped, hidden_from_release_s):
    """The ball leaves the picture at the top, or flies into a bright window."""
    take = play([stand(1), shot(), stand(1, ball=False)])
    seen = without_ball(film(take), take.instants[0]["release_s"] + hidden_from_release_s, 99.0)
    assert len(phases_of(seen, shipped.phases)[1]) == 1


def test_a_hand_before_the_ball_is_no_release(shipped):
    """Hidden overhead and back in the hands: it never left."""
    take = play([stand(1), spin(), stand(1)])
    assert phases_of(without_ball(film(take), 2.0, 2.14), shipped.phases)[1] == []


def test_a_ball_that_is_hidden_at_the_set_point_is_shot_later(shipped):
    """An arm hides the ball above the head for a quarter of a second, then it is shot: one shot, its own release."""
    form = Form(hold_s=0.35)
    take = play([stand(1), shot(form), stand(1, ball=False)], form)
    release_s = take.instants[0]["release_s"]
    seen = without_ball(film(take), release_s - 0.4, release_s - 0.12)
    ((_, found_s),) = phases_of(seen, shipped.phases)[1]
    assert found_s == pytest.approx(release_s, abs=0.05)


def test_a_held_ball_is_not_thrown_by_a_person_lost_for_a_blink(shipped):
    take = play([stand(1), pump_fake(), stand(1)])
    assert phases_of(without_body(film(take), 1.9, 2.1), shipped.phases)[1] == []


def test_a_shot_and_then_a_pass_are_one_shot(shipped):
    one = film(play([stand(1), shot(), stand(1, ball=False)]))
    two = film(play(NON_SHOTS["chest pass"]))
    assert len(phases_of(list(joined(one, two)), shipped.phases)[1]) == 1


def test_finish_closes_nothing_while_waiting():
    assert finish(PhaseState()).closed_release_s is None


def test_closing_is_said_for_one_step_only(shipped):
    state = PhaseState(phase=Phase.FOLLOW_THROUGH, release_s=1.0)
    down = Signals(3.6, None, None, -0.4)
    state = advance(state, down, shipped.phases)
    assert state.closed_release_s == 1.0
    assert advance(state, Signals(3.63, None, None, -0.4), shipped.phases).closed_release_s is None


def passing(state: PhaseState, settings, *seen: Signals) -> list[PhaseState]:
    """The states one after the other."""
    states = []
    for now in seen:
        state = advance(state, now, settings)
        states.append(state)
    return states


def test_a_ball_that_comes_into_high_hands_is_held_before_it_is_at_the_set_point(shipped):
    """A pass that is caught overhead: a tenth of a second in the hands before anything is said of it."""
    caught = [Signals(1.0 + k / 30, 0.1, 0.3, 0.3) for k in range(6)]
    phases = [state.phase for state in passing(PhaseState(), shipped.phases, *caught)]
    assert phases == [Phase.HOLDING] * 3 + [Phase.SET] * 3


@pytest.mark.parametrize(
    ("height_m", "up_mps", "phase"),
    [
        (-0.6, 0.0, Phase.HOLDING),
        (-0.6, -1.0, Phase.DIP),
        (-0.6, 1.0, Phase.RISE),
        (0.1, 1.0, Phase.RISE),
        (0.1, 0.0, Phase.SET),
        (0.1, -1.0, Phase.SET),
    ],
)
def test_what_is_done_with_a_held_ball_goes_by_its_height_and_speed(shipped, height_m, up_mps, phase):
    held = [Signals(1.0 + k / 30, 0.1, height_m + up_mps * k / 30, 0.2) for k in range(6)]
    assert passing(PhaseState(), shipped.phases, *held)[-1].phase is phase


def test_a_ball_that_is_lost_for_a_picture_on_its_way_up_is_still_on_its_way(shipped):
    up = [Signals(1.0 + k / 30, 0.1, -0.6 + k / 30, -0.2) for k in range(12)]
    up[8] = replace(up[8], ball_to_hand_m=1.5)  # a disc elsewhere
    assert {state.phase for state in passing(PhaseState(), shipped.phases, *up)[6:]} == {Phase.RISE}


@pytest.mark.parametrize(("back_s", "left"), [(0.15, False), (0.3, True)])
def test_a_ball_that_was_seen_away_from_the_hands_never_left_only_if_it_is_back_at_once(shipped, back_s, left):
    """In a fifth of a second nothing comes back; later it was thrown and caught, and the shot is over."""
    gone = PhaseState(phase=Phase.RELEASE, release_s=1.0, body_seen_s=1.0, ball_seen_s=1.0, holding_since_s=0.5)
    away = [Signals(1.0 + k / 30, 0.5, 0.2, 0.3) for k in range(1, round(30 * back_s))]
    back = [Signals(1.0 + back_s + k / 30, 0.1, 0.2, 0.3) for k in range(5)]
    states = passing(gone, shipped.phases, *away, *back)
    assert [state.closed_release_s for state in states if state.closed_release_s is not None] == [1.0] * left
    assert (Phase.SET in {state.phase for state in states[: len(away) + 1]}) != left


@pytest.mark.parametrize(
    ("above_eyes_m", "up_mps", "below_m", "later_s", "still_above"),
    [
        (0.5, 3.0, 0.6, 0.2, True),
        (0.2, 3.0, 0.6, 0.2, False),  # so low it may still be in the hands
        (0.5, 0.3, 0.6, 0.1, False),  # it does not rise: somebody holds it up
        (0.5, 7.0, 1.5, 0.7, False),  # too long ago
        (0.5, 2.0, 0.5, 0.5, False),  # it has come down by then
        (0.5, 3.0, 0.1, 0.02, False),  # that is where it is
    ],
)
def test_a_ball_that_rises_above_the_hands_is_not_far_below_at_once(
    above_eyes_m, up_mps, below_m, later_s, still_above
):
    """Free fall from where it was seen, at the speed with which it rose."""
    assert flies_above(above_eyes_m, up_mps, below_m, later_s) == still_above


def test_a_ball_that_rose_in_the_hands_and_is_low_in_them_again_was_brought_down(shipped):
    """Hidden meanwhile; only one that was seen away from the hands must be far above."""
    rising = [Signals(1.0 + k / 30, 0.1, 0.1 + 0.1 * k, 0.2 + 0.1 * k) for k in range(6)]
    hidden = [Signals(1.2 + k / 30, None, None, 0.3) for k in range(9)]
    low = [Signals(1.5 + k / 30, 0.1, -0.1, 0.1) for k in range(6)]
    states = passing(PhaseState(), shipped.phases, *rising, *hidden, *low)
    assert {state.phase for state in states[-6:]} == {Phase.SET}
    assert all(state.closed_release_s is None for state in states)


HIDDEN = (None, None)


@pytest.mark.parametrize(
    ("seen", "gone"),
    [
        ([HIDDEN], False),  # a hand before it
        ([HIDDEN] * 3, True),
        ([(0.30, 0.5)] * 3, False),  # at the fingertips
        ([(0.40, 0.5)], True),
        ([(0.40, 0.05)] * 3, False),  # it came down beside the head
    ],
)
def test_a_ball_has_left_when_it_is_clear_of_the_hands_or_hidden_for_longer_than_a_hand_hides_it(shipped, seen, gone):
    held = [Signals(1.0 + k / 30, 0.1, 0.3, 0.3) for k in range(6)]
    after = [Signals(1.2 + k / 30, reach_m, height_m, 0.3) for k, (reach_m, height_m) in enumerate(seen)]
    states = passing(PhaseState(), shipped.phases, *held, *after)
    assert (states[-1].phase is Phase.RELEASE) == gone


def test_a_shot_stays_landed_for_a_moment(shipped):
    """For who looks at the screen; a ball that is in the hands goes before."""
    take = play([stand(1), shot(), stand(1.5, ball=False)])
    begun = phases_of(film(take), shipped.phases)[0]
    (landed_s,) = [t_s for t_s, phase in begun if phase is Phase.LANDED]
    assert begun[-1] == (pytest.approx(landed_s + 0.6, abs=0.04), Phase.WAITING)
    state = PhaseState(phase=Phase.LANDED, landed_s=1.0, body_seen_s=1.0)
    assert advance(state, Signals(1.1, 0.1, -0.5, -0.3), shipped.phases).phase is Phase.HOLDING


def test_who_comes_back_with_the_ball_holds_it_anew(shipped):
    """Nobody saw what was done with it meanwhile; before anybody was seen at all nothing is known either."""
    nobody = [Signals(k / 30, None, None, None) for k in range(3)]
    held = [Signals(1.0 + k / 30, 0.1, 0.3, 0.3) for k in range(6)]
    lost = [Signals(1.2 + k / 30, None, None, None) for k in range(30)]
    again = [Signals(3.0 + k / 30, 0.1, 0.3, 0.3) for k in range(6)]
    phases = [state.phase for state in passing(PhaseState(), shipped.phases, *nobody, *held, *lost, *again)]
    assert phases[:3] == [Phase.WAITING] * 3
    assert phases[-7:] == [Phase.WAITING] + [Phase.HOLDING] * 3 + [Phase.SET] * 3


def test_a_hand_that_is_lost_for_a_picture_does_not_end_the_follow_through(shipped):
    up, down = 0.4, -0.4
    hand = [(1.6, up), (1.63, down), (1.66, up), (1.7, down), (1.73, down), (1.76, down), (1.81, down)]
    states = passing(
        PhaseState(phase=Phase.FOLLOW_THROUGH, release_s=1.0),
        shipped.phases,
        *(Signals(t_s, None, None, height_m) for t_s, height_m in hand),
    )
    assert [state.closed_release_s for state in states] == [None] * 6 + [1.0]


def test_the_release_lasts_a_tenth_of_a_second_then_the_arm_follows_through(shipped):
    take = play([stand(1), shot(), stand(1, ball=False)], fps=60)
    begun = phases_of(film(take), shipped.phases)[0]
    after = [
        (t_s - take.instants[0]["release_s"], phase) for t_s, phase in begun if t_s > take.instants[0]["release_s"]
    ]
    assert [phase for _, phase in after[:2]] == [Phase.RELEASE, Phase.FOLLOW_THROUGH]
    assert after[1][0] == pytest.approx(0.1, abs=2.5 / 60)


def test_a_ball_lost_before_the_release_leaves_the_shot_after_half_a_second(shipped):
    rising = PhaseState(phase=Phase.RISE, held_s=1.05, body_seen_s=1.05, ball_seen_s=1.05)
    seen = [Signals(t_s, None, None, -0.1) for t_s in (1.3, 1.5, 1.57)]
    assert [state.phase for state in passing(rising, shipped.phases, *seen)] == [Phase.RISE] * 2 + [Phase.WAITING]


@pytest.mark.parametrize("start_s", [0.0, 0.5])
def test_a_ball_held_high_in_the_first_picture_and_then_lost_is_not_thrown_a_second_later(shipped, start_s):
    """Whatever the clock shows then, zero too: a hand that goes up after that throws nothing."""
    held, lost = Signals(start_s, 0.1, 0.3, 0.3), [Signals(start_s + k / 30, None, None, -0.4) for k in range(1, 30)]
    up = [Signals(start_s + k / 30, None, None, 0.3) for k in range(30, 40)]
    states = passing(PhaseState(), shipped.phases, held, *lost, *up)
    assert Phase.RELEASE not in {state.phase for state in states}


def test_signals_of_nobody_are_unknown():
    nothing = signals(Observation(0, 0.5, None, None), 90.0)
    assert (nothing.ball_to_hand_m, nothing.ball_above_eyes_m, nothing.hand_above_eyes_m) == (None, None, None)
    body = film(play([stand(0.1)]))[0]
    assert signals(body, None).hand_above_eyes_m is None
    without = signals(Observation(0, 0.5, body.pose, None), 90.0)
    assert without.hand_above_eyes_m is not None
    assert without.ball_to_hand_m is None


def test_signals_are_metres_at_the_shooter():
    take = play([stand(0.1)])
    now = signals(film(take)[0], View().px_per_m)
    # the guide hand's wrist is the nearer one in the picture: it lies beside and below the ball
    reach = View().pixels(take.ball[0]) - View().pixels(take.points[0, [15, 16]])
    assert now.ball_to_hand_m == pytest.approx(min((reach**2).sum(-1) ** 0.5) / View().px_per_m)
    assert now.ball_above_eyes_m == pytest.approx(take.ball[0, 2] - take.eyes()[0])
    assert now.hand_above_eyes_m == pytest.approx(take.points[0, [15, 16], 2].max() - take.eyes()[0])
