"""The coach's desk: stepping, stops, comparing, marks and notes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import Form
from filmed_reps import rep_of
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.checks import judge
from rimward.live.desk import ACTIONS, Cell, Desk, Remark, Said, cue_of, fitting, rows
from rimward.live.figure import Take
from rimward.live.records import Cue, Finding, Mark, Measurement
from rimward.live.settings import load_settings
from rimward.live.timeline import nearest

TAKES = [
    rep_of(Form(), index=1),
    rep_of(Form(elbow_at_set_deg=95.0, hold_s=0.3), index=2),
    rep_of(Form(jump_m=0.25), index=3),
]


def desk(count: int = 3, **more: bool) -> Desk:
    return Desk(TAKES[:count], [Remark()] * count, **more)


def judged(form: Form, index: int = 1) -> Take:
    """A rep held against the bands that ship, as in practice."""
    taken, settings = rep_of(form, index=index), load_settings()
    findings = judge(taken.rep, settings.check_bands(), settings.cues.clear_sigmas)
    return replace(taken, rep=replace(taken.rep, findings=findings))


def story(*forms: Form) -> Desk:
    takes = [judged(form, index) for index, form in enumerate(forms, 1)]
    return Desk(takes, [Remark()] * len(takes))


def cells(taken: Take) -> dict[str, Cell]:
    return {row.label: row.cells[0] for row in rows([taken])}


GOOD = Form()
LOW = Form(set_above_eyes_m=-0.15)


def test_it_begins_at_the_release_of_the_first_rep():
    d = desk()
    assert d.take is TAKES[0]
    assert d.sample == nearest(TAKES[0].t_s, TAKES[0].rep.events.release_s)


def test_stepping_and_stops():
    d = desk()
    at_release = d.sample
    for _ in range(3):
        d.act("back")
    assert d.sample == at_release - 3
    d.act("forward")
    assert d.sample == at_release - 2
    for stop in ("dip", "set", "release"):
        d.act(stop)
        assert d.sample == nearest(d.take.t_s, getattr(d.take.rep.events, f"{stop}_s"))


def test_a_stop_that_was_not_seen_is_said_and_nothing_moves():
    d = desk()
    before = d.sample
    d.act("landing")  # no jump: no landing
    assert d.words == "The landing of this rep was not seen"
    assert d.sample == before
    d.act("back")
    assert d.words == ""
    jumped = Desk(TAKES[2:], [Remark()])
    jumped.act("landing")
    assert jumped.take.t_s[jumped.sample] == pytest.approx(TAKES[2].rep.events.landing_s, abs=1e-6)


def test_another_rep_is_shown_at_the_same_time_from_its_release():
    d = desk()
    d.act("set")
    from_release_s = d.take.t_s[d.sample] - d.take.rep.events.release_s
    d.act("next")
    assert d.take is TAKES[1]
    assert d.take.t_s[d.sample] - d.take.rep.events.release_s == pytest.approx(from_release_s, abs=0.034)
    d.act("previous")
    d.act("previous")
    assert d.take is TAKES[2]


def test_three_good_reps_and_the_fourth_sets_the_ball_low_the_key_goes_to_the_fourth():
    """That the ball is set at the eyes or above: common practice, no source."""
    d = story(GOOD, Form(elbow_at_set_deg=85.0), GOOD, LOW, GOOD)
    d.act("set")
    from_release_s = d.take.t_s[d.sample] - d.take.rep.events.release_s
    d.act("next_out")
    assert (d.take.rep.index, d.words) == (4, "")
    assert d.take.t_s[d.sample] - d.take.rep.events.release_s == pytest.approx(from_release_s, abs=0.034)
    assert cells(d.take)["Set point above the eyes"].fault == "low"
    d.act("next_out")
    assert (d.take.rep.index, d.words) == (4, "No rep after this one has a value clearly out of its band")
    d.act("next")
    d.act("previous_out")
    assert (d.take.rep.index, d.words) == (4, "")
    d.act("previous_out")
    assert (d.take.rep.index, d.words) == (4, "No rep before this one has a value clearly out of its band")


def test_the_key_stops_at_each_rep_with_a_value_out_of_its_band_in_turn():
    """An arm that comes down at once is a short follow-through: common practice, no source."""
    d = story(LOW, GOOD, Form(follow_through_s=0.2), GOOD, LOW)
    seen = []
    for action in ("next_out", "next_out", "previous_out", "previous_out"):
        d.act(action)
        seen.append(d.take.rep.index)
    assert seen == [3, 5, 3, 1]


@pytest.mark.parametrize("action", ["next_out", "previous_out"])
def test_where_nothing_was_clearly_out_the_key_says_so_and_nothing_moves(action):
    """Unsure is no fault: the second rep's set point is below the eyes by less than its error allows to tell."""
    d = story(GOOD, Form(set_above_eyes_m=-0.03), GOOD)
    assert cells(d.takes[1])["Set point above the eyes"].mark is Mark.UNSURE
    d.act(action)
    assert (d.current, d.words) == (0, "None of these reps has a value clearly out of its band")


def test_beside_another_rep_the_key_never_shows_a_rep_beside_itself():
    d = story(GOOD, LOW)
    d.act("compare")
    d.act("next_out")
    assert d.take.rep.index == 2
    assert d.second is d.takes[0]


def test_values_are_marked_as_they_were_judged():
    """Set too low, arm down too soon: common practice, no source."""
    found = cells(judged(Form(set_above_eyes_m=-0.15, follow_through_s=0.2)))
    faults = {label: cell.fault for label, cell in found.items() if cell.mark is Mark.OUT_OF_BAND}
    assert faults == {"Set point above the eyes": "low", "Follow-through": "short"}
    assert found["Deepest knee bend"].mark is Mark.IN_BAND
    assert found["Deepest knee bend"].fault == ""
    assert found["Jump height"].mark is None  # no check looks at it
    near = cells(judged(Form(set_above_eyes_m=-0.03)))["Set point above the eyes"]
    assert (near.mark, near.fault) == (Mark.UNSURE, "unsure")


def test_of_two_checks_of_one_value_the_one_that_is_out_is_told():
    """Both look at the feet's landings; the report's words for them."""
    step = Measurement(-0.21, 0.03, "lifted")
    findings = (
        Finding("step_rhythm", "in_band", "guide_foot_lead_s"),
        Finding("step_order", "below", "guide_foot_lead_s", 4.0),
    )
    rep = replace(TAKES[0].rep, measurements={"guide_foot_lead_s": step}, findings=findings)
    assert cells(replace(TAKES[0], rep=rep)) == {
        "Guide-side foot first": Cell("\N{MINUS SIGN}0.21\xa0±\xa00.03\xa0s", Mark.OUT_OF_BAND, "shooting side first")
    }


def test_what_is_out_is_shown_though_it_is_not_always_listed_and_room_is_short():
    palm = {"palm_gap_m": Measurement(0.02, 0.004, "image")}
    low = judged(LOW)
    rep = replace(
        low.rep,
        measurements={**low.rep.measurements, **palm},
        findings=(*low.rep.findings, Finding("palm_gap", "above", "palm_gap_m", 2.0)),
    )
    listed = rows([replace(low, rep=rep)])
    assert listed[-1].label == "Palm to ball"
    assert listed[-1].cells[0].fault == "above its band"  # the report has no word of its own for it
    assert [row.label for row in fitting(listed, 2)] == ["Set point above the eyes", "Palm to ball"]
    three = [row.label for row in fitting(listed, 3)]
    assert three == ["Set point above the eyes", "Elbow at the set point", "Palm to ball"]
    assert fitting(listed, 99) == listed
    assert "Palm to ball" not in cells(low)


def test_two_reps_have_their_marks_side_by_side():
    row = rows([judged(GOOD), judged(LOW)])[0]
    assert row.label == "Set point above the eyes"
    assert [cell.mark for cell in row.cells] == [Mark.IN_BAND, Mark.OUT_OF_BAND]
    assert row.out


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ({"cue": Cue("Ball above your eyes", "set_point_height")}, "Ball above your eyes"),
        ({"praise": "High again"}, "High again"),
        ({"answer": "Ball above your eyes"}, "Ball above your eyes"),
        ({"answer": ""}, ""),
        ({}, ""),
    ],
)
def test_the_words_of_a_rep_are_those_that_were_given(said, shown):
    assert cue_of(replace(TAKES[0].rep, **said)) == shown


def test_comparing():
    d = desk()
    assert (d.mode, d.second, d.second_sample) == ("one", None, None)
    d.act("compare")
    assert (d.mode, d.second) == ("beside", TAKES[1])
    assert d.second_sample == nearest(TAKES[1].t_s, TAKES[1].rep.events.release_s)
    d.act("compare")
    assert d.mode == "over"
    assert d.placement is not None
    d.act("other")
    assert d.second is TAKES[2]
    d.act("other")
    assert d.second is TAKES[1]
    d.act("next")
    assert d.take is TAKES[1]
    assert d.second is TAKES[2]  # on in the same way
    d.act("compare")
    assert d.mode == "one"


def test_of_two_reps_one_is_compared_with_the_other():
    d = desk(2)
    d.act("compare")
    assert (d.take, d.second) == (TAKES[0], TAKES[1])
    d.act("other")
    assert d.second is TAKES[1]
    assert d.words == "No other rep to compare with"


def test_a_body_that_was_not_seen_cannot_be_laid_on_another_and_that_is_said():
    smooth = TAKES[1].smooth
    unseen = replace(TAKES[1], smooth=replace(smooth, points=np.full_like(smooth.points, np.nan)))
    d = Desk([TAKES[0], unseen], [Remark()] * 2)
    d.act("compare")
    assert d.words == ""
    d.act("compare")
    assert (d.mode, d.placement) == ("over", None)
    assert d.words == "The two bodies cannot be laid on each other: one was not seen"


def test_another_rep_is_asked_for_alone_and_stands_beside():
    d = desk()
    d.act("other")
    assert (d.mode, d.second) == ("beside", TAKES[2])
    assert d.words == ""


def test_one_rep_alone_cannot_be_compared():
    d = desk(1)
    d.act("compare")
    assert d.mode == "one"
    assert "nothing to compare" in d.words


def test_playing():
    d = desk()
    d.act("set")
    start_s = d.head.now_s
    d.act("play")
    d.pass_time(1.0)
    assert d.head.now_s == pytest.approx(start_s + 0.25)
    d.act("forward")
    assert not d.head.playing
    d.act("play")
    assert d.head.playing
    d.act("note")  # who writes is not to miss what goes on
    assert not d.head.playing


def test_marks():
    d = desk()
    assert d.act("good") == Said(0, Remark(True))
    assert d.act("bad") == Said(0, Remark(False))
    assert d.act("bad") == Said(0, Remark(None))
    d.act("next")
    assert d.act("good") == Said(1, Remark(True))
    assert d.remarks == [Remark(None), Remark(True), Remark()]


def test_notes():
    d = desk()
    d.act("note")
    d.type_text("Hips frst")
    for _ in range(3):
        d.erase()
    d.type_text("irst\x1b\n")
    assert d.typing == "Hips first"
    assert d.finish_note(keep=True) == Said(0, Remark(None, "Hips first"))
    d.act("note")
    assert d.typing == "Hips first"  # written on, not anew
    d.type_text(", then the arm")
    assert d.finish_note(keep=False) is None
    assert d.remark.note == "Hips first"
    d.act("note")
    assert d.finish_note(keep=True) is None  # nothing changed, nothing to keep
    d.act("note")
    for _ in range(20):
        d.erase()
    assert d.finish_note(keep=True) == Said(0, Remark(None, ""))


def test_skeleton_only_for_who_may_not_be_shown():
    d = desk(pictures=False)
    assert not d.picture
    d.act("picture")
    assert not d.picture
    assert "not to be shown" in d.words
    free = desk()
    free.act("picture")
    assert not free.picture
    free.act("picture")
    assert free.picture


def test_a_desk_needs_reps():
    with pytest.raises(ValueError, match="needs reps, each with a remark"):
        Desk([], [])
    with pytest.raises(ValueError, match="got 3 and 2"):
        Desk(TAKES, [Remark()] * 2)
    with pytest.raises(ValueError, match="an action must be one of"):
        desk().act("dance")


@given(st.lists(st.sampled_from([name for name in ACTIONS if name != "keep"]), max_size=40), st.floats(0, 3))
def test_whatever_is_pressed_there_is_something_to_show(actions, elapsed_s):
    d = desk()
    for action in actions:
        d.act(action)
        d.pass_time(elapsed_s)
        assert 0 <= d.sample < len(d.take.t_s)
        if d.second is not None:
            assert d.second is not d.take
            k = d.second_sample
            assert k is None or 0 <= k < len(d.second.t_s)
