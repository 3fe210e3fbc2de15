"""The coach's desk: stepping, stops, comparing, marks and notes."""

from __future__ import annotations

import pytest
from builders import Form
from filmed_reps import rep_of
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.desk import ACTIONS, Desk, Remark, Said
from rimward.live.timeline import nearest

TAKES = [
    rep_of(Form(), index=1),
    rep_of(Form(elbow_at_set_deg=95.0, hold_s=0.3), index=2),
    rep_of(Form(jump_m=0.25), index=3),
]


def desk(count: int = 3, **more: bool) -> Desk:
    return Desk(TAKES[:count], [Remark()] * count, **more)


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
    assert d.second is not d.take
    d.act("compare")
    assert d.mode == "one"


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
