"""A coach's memory through a session: values in, what a coach would have said out."""

from __future__ import annotations

import pytest
from coaching import a_rep, missing

from rimward.live.coach import Coach, Coaching
from rimward.live.cues import Plan
from rimward.live.drills import Drill, Rest
from rimward.live.records import Band, Mark, Tone
from rimward.live.targets import Targets

CLEAR = 2.0


def elbow(out_m: float) -> dict[str, tuple[float, float]]:
    """An otherwise good rep with the elbow so far out of line."""
    return {"arm_offset_at_set_m": (out_m, 0.02), "follow_through_s": (1.0, 0.05), "knee_min_deg": (118.0, 6.0)}


def session(coach: Coach, *reps: dict[str, tuple[float, float]], t_s: float = 0.0, every_s: float = 10.0):
    """(rep, feedback) of each."""
    return [coach.hear(a_rep(k, **values), t_s + k * every_s) for k, values in enumerate(reps, len(coach._reps) + 1)]


@pytest.fixture
def coach(shipped, words) -> Coach:
    return Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR))


def cues(heard) -> list[str | None]:
    return [rep.cue and rep.cue.check for rep, _ in heard]


# -------------------------------------------------------------------------------------------------------------- stories
def test_three_good_reps_then_the_elbow_drifts_out(coach, words):
    heard = session(coach, *[elbow(0.03)] * 3, elbow(0.17), elbow(0.19))
    assert cues(heard) == [None, None, None, "arm_line", "arm_line"]
    assert [rep.cue.text for rep, _ in heard[3:]] == list(words["arm_line", "above"])
    assert heard[3][1].tone is Tone.HIGH


def test_praise_belongs_to_its_rep(coach, words):
    heard = session(coach, elbow(0.17), *[elbow(0.03)] * 3)
    assert [rep.praise for rep, _ in heard] == [None, None, None, words["arm_line", "praise"][0]]


def test_an_elbow_a_little_out_is_told_the_third_time_then_it_needs_three_more(coach):
    heard = session(coach, *[elbow(0.138)] * 6)
    assert cues(heard) == [None, None, "arm_line", None, None, "arm_line"]
    assert heard[0][0].findings[1].verdict == "unsure"
    assert {finding.check: finding.verdict for finding in heard[2][0].findings}["arm_line"] == "above"


def test_a_pattern_is_found_across_reps_in_which_the_elbow_was_not_seen(coach):
    unseen = {"follow_through_s": (1.0, 0.05)}
    heard = session(coach, *[elbow(0.138)] * 2, *[unseen] * 4, elbow(0.138))
    assert cues(heard) == [None] * 6 + ["arm_line"]


def test_a_discarded_rep_leaves_no_trace_in_pattern_or_wording(coach):
    heard = session(coach, elbow(0.138), elbow(0.138))
    coach.discard(2)
    assert cues(session(coach, elbow(0.138))) == [None]
    assert cues(session(coach, elbow(0.138))) == ["arm_line"]
    assert cues(heard) == [None, None]


def test_a_rep_that_is_put_back_counts_as_it_did(coach):
    session(coach, elbow(0.138), elbow(0.138))
    coach.discard(2)
    coach.put_back(2)
    assert cues(session(coach, elbow(0.138))) == ["arm_line"]  # the third of a pattern


def test_what_is_put_back_out_of_turn_stands_where_it_stood(coach):
    session(coach, elbow(0.03), elbow(0.17))
    of_the_second = coach.mark()
    for index in (2, 1):
        coach.discard(index)
    for index in (2, 1):
        coach.put_back(index)
    assert coach.mark() is of_the_second
    assert coach.mark() is not Mark.IN_BAND


def test_a_good_one_that_is_put_back_is_a_good_one_again(shipped, words):
    coach = Coach(Coaching(Targets(shipped.check_bands(), good_reps=3), words, CLEAR))
    session(coach, *[elbow(0.15)] * 3)
    for index in (1, 2, 3):
        coach.good(index)
    coach.result(3, "made")
    coach.discard(3)
    assert coach.bands["arm_line"].label != "own"
    assert coach.put_back(3) == "made"
    assert coach.bands["arm_line"].label == "own"
    assert coach.makes == 1


def test_discarding_one_rep_leaves_the_others_in_the_pattern(coach):
    session(coach, elbow(0.138), elbow(0.138), elbow(0.03))
    coach.discard(3)
    assert cues(session(coach, elbow(0.138))) == ["arm_line"]


def test_the_sign_follows_what_is_heard(shipped, words):
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, Plan(focus="follow_through")))
    assert coach.mark() is None
    session(coach, elbow(0.3))
    assert coach.mark() is Mark.IN_BAND  # the elbow is not what is worked on
    silent = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, Plan(quiet_from=1)))
    session(silent, elbow(0.3))
    assert silent.mark() is None


def test_why_the_focus_could_not_be_judged_is_told(shipped, words):
    for focus, calibrated, expected in (
        ("wrist_line", False, "wrist line: needs the camera's place (rimward calibrate)"),
        ("wrist_line", True, "wrist line: not to be seen in this rep"),
        ("elbow_height", False, "elbow height: not to be seen in this rep"),
        ("hold", True, "hold at set: no band to judge it by"),
    ):
        plan = Plan(focus=focus)
        coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, plan, calibrated=calibrated))
        assert coach.unseen() == ()
        coach.hear(a_rep(hold_s=(0.2, 0.05)), 0.0)
        assert coach.unseen() == (expected,)
    seen = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, Plan(focus="follow_through")))
    session(seen, elbow(0.0))
    assert seen.unseen() == ()
    seen.hear(a_rep(2, follow_through_s=missing("the arm left the picture")), 10.0)
    assert seen.unseen() == ("follow-through: not to be seen in this rep",)  # of the last rep, not of the first


def test_whoever_asks_hears_what_was_held_back_and_that_counts_as_told(shipped, words):
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, Plan(every_rep=2)))
    assert coach.ask(0.0) is None
    heard = session(coach, elbow(0.2), elbow(0.2), elbow(0.2))
    assert cues(heard) == ["arm_line", "arm_line", None]
    assert heard[2][1].withheld
    answer = coach.ask(35.0)
    first, second = words["arm_line", "above"]
    assert [rep.cue.text for rep, _ in heard[:2]] == [first, second]
    assert answer.cue.text == first  # in turn, as if nothing had been held back
    assert answer.t_s == 35.0
    assert coach.mark() is Mark.OUT_OF_BAND


def test_reps_from_before_an_answer_count_no_more(shipped, words):
    """As after a cue: the player has been told to change. Three reps make a pattern, of these the answer leaves two."""
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, Plan(every_rep=1)))
    session(coach, elbow(0.03), elbow(0.03), elbow(0.17))
    assert coach.ask(30.0).cue.check == "arm_line"
    after = session(coach, elbow(0.138), elbow(0.138), elbow(0.138))
    verdicts = [{one.check: one.verdict for one in rep.findings}["arm_line"] for rep, _ in after]
    assert verdicts == ["unsure", "unsure", "above"]


def test_reps_that_the_coach_calls_good_become_the_target(shipped, words):
    """A player whose elbow is out by 15 cm and who makes them: after three good ones that is his line."""
    coach = Coach(Coaching(Targets(shipped.check_bands(), good_reps=3), words, CLEAR))
    heard = session(coach, *[elbow(0.15)] * 3)
    assert cues(heard) == ["arm_line"] * 3
    for index, made in ((1, False), (2, False), (3, True)):
        coach.good(index)
        assert (coach.bands["arm_line"].label == "own") is made
    assert cues(session(coach, elbow(0.15), elbow(0.16))) == [None, None]
    coach.discard(3)
    assert coach.bands["arm_line"] == shipped.check_bands()["arm_line"]


def test_calling_an_unknown_rep_good_changes_nothing(coach, shipped):
    coach.good(7)
    assert coach.bands == shipped.check_bands()


# --------------------------------------------------------------------------------------------------------------- drills
DRILL = Drill({"en": "Line", "de": "Linie"}, reps=6, rest=Rest(3, 30), priority=("arm_line",), only=True)


def test_a_drill_from_the_first_rep_to_the_last(shipped, words):
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, drill=DRILL))
    short = elbow(0.0) | {"follow_through_s": (0.1, 0.05)}
    assert coach.shown() == ("", "Line · 0/6")
    heard = session(coach, elbow(0.2), short, elbow(0.0))
    assert cues(heard) == ["arm_line", None, None]  # the short follow-through is not what this drill is about
    assert {one.check for one in heard[1][0].findings if one.verdict == "below"} == {"follow_through"}
    assert [feedback.prompt for _, feedback in heard] == [None, None, "Rest 30 seconds"]
    assert coach.resting(30.0) == "Rest, 30 s to go"
    assert coach.resting(59.0) == "Rest, 1 s to go"
    assert coach.resting(60.0) is None
    heard = session(coach, *[elbow(0.0)] * 4)
    assert [feedback.prompt for _, feedback in heard] == [None, None, "Done: Line", None]
    assert coach.shown() == ("", "Line · 6/6")


def test_shooting_on_ends_the_rest(shipped, words):
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, drill=DRILL))
    session(coach, *[elbow(0.0)] * 4, every_s=2.0)
    assert coach.resting(9.0) is None


def test_a_goal_of_makes_is_reached_when_the_last_is_known(shipped, words):
    drill = Drill({"en": "Two makes"}, makes=2)
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, drill=drill))
    session(coach, *[elbow(0.0)] * 3)
    assert coach.result(1, "made") is None
    assert coach.result(2, "missed") is None
    assert coach.result(3, "made") == "Done: Two makes"
    assert (coach.makes, coach.shown()) == (2, ("", "Two makes · 2/2"))
    assert coach.result(3, None) is None
    assert coach.makes == 1
    assert coach.result(99, "made") is None
    assert coach.makes == 1


def test_that_a_goal_is_reached_is_said_once_and_again_only_when_a_rep_was_taken_out(shipped, words):
    drill = Drill({"en": "Two makes"}, makes=2)
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, drill=drill))
    session(coach, *[elbow(0.0)] * 4)
    said = [coach.result(index, "made") for index in (1, 2, 3)]
    assert said == [None, "Done: Two makes", None]
    coach.discard(2)
    assert coach.result(4, "made") is None  # three makes less one are still two
    coach.discard(3)
    coach.discard(4)
    assert coach.makes == 1
    session(coach, elbow(0.0))
    assert coach.result(2, "made") == "Done: Two makes"


def test_without_a_drill_makes_are_counted_and_nothing_is_said(coach):
    session(coach, elbow(0.0))
    assert coach.result(1, "made") is None
    assert coach.makes == 1


def test_a_drill_asks_for_bands_and_footwork_of_its_own(shipped, words):
    drill = Drill({"en": "x"}, bands={"knee_bend": Band(80.0, 110.0, "coach", "deep legs")}, footwork="hop")
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, drill=drill))
    assert (coach.bands["knee_bend"].high, coach.bands["step_rhythm"].high) == (110.0, 0.07)
    rep, _ = coach.hear(a_rep(guide_foot_lead_s=(0.3, 0.03)), 0.0)
    assert rep.cue.check == "step_rhythm"


def test_the_drill_speaks_the_language_that_is_set(shipped):
    words = {("prompts", "done"): ("Geschafft: {drill}",)}
    drill = Drill({"en": "Line", "de": "Linie"}, reps=1)
    coach = Coach(Coaching(Targets(shipped.check_bands()), words, CLEAR, drill=drill, language="de"))
    ((_, feedback),) = session(coach, elbow(0.0))
    assert feedback.spoken == "Geschafft: Linie"
