"""What is said after a rep, as stories: a session in, what a coach would have said out."""

from __future__ import annotations

import itertools

import pytest
from coaching import finding, told
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.cues import Past, Plan, mark, respond
from rimward.live.records import Cue, Feedback, Finding, Mark, Tone

WORDS = {
    ("knee_bend", "above"): ("Push from lower", "Load up closer to the floor"),
    ("knee_bend", "internal_above"): ("Bend the knees more", "Load the legs deeper"),
    ("knee_bend", "below"): ("Sit less deep",),
    ("knee_bend", "praise"): ("Good legs that time",),
    ("knee_bend", "ask"): ("Ask your coach about the knees",),
    ("arm_line", "above"): ("Lift the ball along one line",),
    ("arm_line", "ask"): ("Ask your coach about the elbow",),
    ("arm_line", "praise"): ("That line is straight",),
    ("follow_through", "below"): ("Hold the follow-through",),
    ("follow_through", "praise"): ("That one stayed",),
}
HELD = "Hold the follow-through"
KNEES, LINE, HAND = "knee_bend above", "arm_line above", "follow_through below"
GOOD = "knee_bend good, arm_line good, follow_through good"
DOUBT = "knee_bend unsure, arm_line good"


def said(story, plan: Plan | None = None) -> list[str | None]:
    """Cue, else praise in brackets, else None, after each rep."""
    out = []
    for feedback in told(story, WORDS, plan):
        assert feedback.cue is None or feedback.praise is None
        out.append(feedback.cue.text if feedback.cue else feedback.praise and f"({feedback.praise})")
    return out


# -------------------------------------------------------------------------------------------------------------- stories
STORIES = [
    (
        "three good reps, then the elbow drifts out",
        [GOOD, GOOD, GOOD, LINE],
        [None, None, None, "Lift the ball along one line"],
    ),
    ("nothing can be seen", ["", ""], [None, None]),
    ("in doubt nothing is said", [DOUBT, DOUBT], [None, None]),
    ("of two faults the one that the rest is built on", [f"{KNEES}, {LINE}, {HAND}"], ["Push from lower"]),
    ("a fault without words is passed over", [f"trunk_lean above, {HAND}"], ["Hold the follow-through"]),
    (
        "the same fault is said in other words each time, in another way after three times, then it is for the coach, "
        "then there is peace",
        [KNEES] * 9,
        ["Push from lower", "Load up closer to the floor", "Push from lower"]
        + ["Bend the knees more", "Load the legs deeper", "Bend the knees more"]
        + ["Ask your coach about the knees", None, None],
    ),
    (
        "what has gone to the coach makes room for the next fault",
        [f"{LINE}, {HAND}"] * 5,
        ["Lift the ball along one line"] * 3 + ["Ask your coach about the elbow", "Hold the follow-through"],
    ),
    (
        "two good reps do not make a fault new",
        [LINE] * 3 + [GOOD] * 2 + [LINE],
        ["Lift the ball along one line"] * 3 + [None, None, "Ask your coach about the elbow"],
    ),
    (
        "a fault that was mended and comes back is told from the start, and mending it was worth a word",
        [LINE] * 4 + [GOOD] * 4 + [LINE],
        ["Lift the ball along one line"] * 3
        + ["Ask your coach about the elbow"]
        + [None, None, "(That line is straight)", None]
        + ["Lift the ball along one line"],
    ),
    (
        "the other side of a band is another fault",
        [KNEES, "knee_bend below", KNEES],
        ["Push from lower", "Sit less deep", "Load up closer to the floor"],
    ),
    (
        "praise only after a fault that was told, never for what was always good",
        [GOOD] * 12,
        [None] * 12,
    ),
    (
        "praise is rare: the second fault that is mended soon after goes without",
        [KNEES, f"knee_bend good, {LINE}", GOOD, GOOD, GOOD],
        ["Push from lower", "Lift the ball along one line", None, "(Good legs that time)", None],
    ),
    (
        "reps that could not be judged neither mend nor break",
        [HAND, GOOD, "", GOOD, "", GOOD],
        ["Hold the follow-through", None, None, None, None, "(That one stayed)"],
    ),
    (
        "a fault that comes back after three good reps is told from the start, and again and again",
        [LINE] * 4 + [GOOD] * 3 + [LINE] * 4,
        ["Lift the ball along one line"] * 3
        + ["Ask your coach about the elbow"]
        + [None, None, "(That line is straight)"]
        + ["Lift the ball along one line"] * 3
        + ["Ask your coach about the elbow"],
    ),
    (
        "reps that could not be judged do not keep a fault from being mended",
        [LINE] * 4 + [GOOD, "", GOOD, "", GOOD] + [LINE],
        ["Lift the ball along one line"] * 3
        + ["Ask your coach about the elbow"]
        + [None] * 4
        + ["(That line is straight)"]
        + ["Lift the ball along one line"],
    ),
    (
        "what was told of the other side does not use up the words for this one",
        [KNEES] * 2 + ["knee_bend below", KNEES],
        ["Push from lower", "Load up closer to the floor", "Sit less deep", "Push from lower"],
    ),
    ("no coach is asked about a fault that was never told", ["arm_line below"] * 2, [None, None]),
    (
        "praise comes again when eight reps went without",
        [HAND, GOOD, GOOD, GOOD] + [""] * 5 + [LINE, GOOD, GOOD, GOOD],
        ["Hold the follow-through", None, None, "(That one stayed)"]
        + [None] * 5
        + ["Lift the ball along one line", None, None, "(That line is straight)"],
    ),
    (
        "a fault that went away untold is not praised",
        [f"{KNEES}, {HAND}"] + ["follow_through good"] * 3,
        ["Push from lower", None, None, None],
    ),
    (
        "nor is a rep that leaves it in doubt",
        [KNEES, GOOD, GOOD, DOUBT],
        ["Push from lower", None, None, None],
    ),
    (
        "a doubtful rep is no mended rep",
        [KNEES, GOOD, DOUBT, GOOD, GOOD],
        ["Push from lower", None, None, None, None],
    ),
]


@pytest.mark.parametrize(("story", "expected"), [pytest.param(*story[1:], id=story[0]) for story in STORIES])
def test_a_session_as_a_coach_would_speak(story, expected):
    assert said(story) == expected


PLANS = [
    ("one focus: all else is silent", Plan(focus="follow_through"), [f"{KNEES}, {HAND}", KNEES], [HELD, None]),
    ("the drill's order goes before the table's", Plan(priority=("follow_through",)), [f"{KNEES}, {HAND}"], [HELD]),
    (
        "what the drill does not name comes after, in the table's order",
        Plan(priority=("follow_through",)),
        [f"{KNEES}, {LINE}"],
        ["Push from lower"],
    ),
    ("nothing but the drill's checks", Plan(priority=("follow_through",), only=True), [KNEES, HAND], [None, HELD]),
    (
        "told by the body first",
        Plan(wording="internal"),
        [KNEES] * 4,
        ["Bend the knees more", "Load the legs deeper", "Bend the knees more", "Push from lower"],
    ),
    ("no praise", Plan(praise=False), [HAND, GOOD, GOOD, GOOD], [HELD, None, None, None]),
    (
        "fading: every rep, every second, then only when asked",
        Plan(every_rep=2, every_second=4),
        [HAND] * 8,
        [HELD] * 2 + [None, HELD] + [None] * 4,
    ),
    (
        "the retention set at the end is silent",
        Plan(quiet_from=3),
        [HAND] * 4,
        [HELD] * 2 + [None, None],
    ),
]


@pytest.mark.parametrize(("plan", "story", "expected"), [pytest.param(*plan[1:], id=plan[0]) for plan in PLANS])
def test_what_was_chosen_to_be_heard(plan, story, expected):
    assert said(story, plan) == expected


def test_shots_in_quick_series_have_tones_alone_between_the_words():
    """Reps every 2 seconds and a gap of 5: words at 0 and 6 seconds."""
    past: list[Past] = []
    for t_s in range(0, 10, 2):
        past.append(Past((finding(HAND),), respond(t_s, [finding(HAND)], past, WORDS, Plan(least_gap_s=5.0))))
    assert [one.feedback.cue is not None for one in past] == [True, False, False, True, False]
    assert {one.feedback.tone for one in past} == {Tone.LOW}


def test_a_long_gap_holds_over_any_number_of_reps():
    """Reps every 4 seconds and a gap of 20: words at 0, 20 and 40 seconds."""
    past: list[Past] = []
    for t_s in range(0, 44, 4):
        past.append(Past((finding(HAND),), respond(t_s, [finding(HAND)], past, WORDS, Plan(least_gap_s=20.0))))
    assert [4 * k for k, one in enumerate(past) if one.feedback.cue is not None] == [0, 20, 40]


def test_fading_counts_the_reps_of_the_plan():
    """Every rep for 3, every second for 4 (the 5th and 7th), then none."""
    plan = Plan(every_rep=3, every_second=4)
    assert [n for n in range(1, 12) if not plan.withholds(n)] == [1, 2, 3, 5, 7]


def test_who_asks_is_told_what_was_held_back_but_not_in_the_retention_set():
    plan = Plan(every_rep=1, quiet_from=4)
    findings = (finding(HAND),)
    assert respond(0.0, findings, [], WORDS, plan, number=3).withheld
    assert respond(0.0, findings, [], WORDS, plan, number=3, asked=True).cue.text == "Hold the follow-through"
    assert respond(0.0, findings, [], WORDS, plan, number=4, asked=True) == Feedback(0.0, Tone.COUNT, withheld=True)


@pytest.mark.parametrize("values", [(-1, 0), (0, -1)])
def test_a_plan_counts_reps(values):
    with pytest.raises(ValueError, match="must be 0 or more"):
        Plan(every_rep=values[0], every_second=values[1])


# ---------------------------------------------------------------------------------------------------------------- tones
@pytest.mark.parametrize(
    ("rep", "plan", "tone"),
    [
        ("", Plan(), Tone.COUNT),
        (GOOD, Plan(), Tone.COUNT),  # bandwidth: silence is the reward
        (DOUBT, Plan(), Tone.COUNT),
        (KNEES, Plan(), Tone.HIGH),
        (HAND, Plan(), Tone.LOW),
        (f"{GOOD}, trunk_lean above", Plan(), Tone.COUNT),  # no words for it
        (GOOD, Plan(focus="knee_bend"), Tone.IN_BAND),
        (KNEES, Plan(focus="knee_bend"), Tone.HIGH),
        (DOUBT, Plan(focus="knee_bend"), Tone.COUNT),
        (HAND, Plan(focus="knee_bend"), Tone.COUNT),
        ("trunk_lean above", Plan(focus="trunk_lean"), Tone.HIGH),  # the tone alone tells
        (KNEES, Plan(quiet_from=1), Tone.COUNT),
    ],
)
def test_the_tone_tells_the_direction(rep, plan, tone):
    (feedback,) = told([rep], WORDS, plan)
    assert feedback.tone is tone


# ----------------------------------------------------------------------------------------------------------- properties
VERDICTS = st.sampled_from(["good", "unsure", "above", "below"])
REPS = st.lists(
    st.tuples(VERDICTS, VERDICTS, VERDICTS).map(lambda v: f"knee_bend {v[0]}, arm_line {v[1]}, follow_through {v[2]}"),
    max_size=25,
)


@given(REPS, st.integers(0, 6), st.integers(0, 6), st.sampled_from([None, "knee_bend", "hold"]))
def test_whatever_happens_a_cue_names_a_clear_fault_of_that_rep(story, every_rep, every_second, focus):
    plan = Plan(focus=focus, every_rep=every_rep, every_second=every_second)
    feedback = told(story, WORDS, plan)
    for rep, given_back in zip(story, feedback, strict=True):
        if given_back.cue is not None:
            assert rep.count(given_back.cue.check) == 1
            assert f"{given_back.cue.check} above" in rep or f"{given_back.cue.check} below" in rep
            assert focus in (None, given_back.cue.check)
        assert not (given_back.withheld and (given_back.cue or given_back.praise))
    praised = [k for k, one in enumerate(feedback) if one.praise is not None]
    assert all(b - a > 8 for a, b in itertools.pairwise(praised))
    assert feedback == told(story, WORDS, plan)


def test_shipped_words_never_repeat_in_a_row(words):
    for check, kind in words:
        if kind in ("below", "above"):
            texts = [one.cue.text for one in told([f"{check} {kind}"] * 7, words)]
            assert all(a != b for a, b in itertools.pairwise(texts))
            assert texts[6] == words[check, "ask"][0]
            assert set(texts[:3]) == set(words[check, kind])
            assert set(texts[3:6]) == set(words[check, f"internal_{kind}"])


def test_words_of_an_earlier_table_do_not_confuse_the_rotation():
    earlier = Past((finding(KNEES),), Feedback(0.0, Tone.HIGH, Cue("Something of yesterday", "knee_bend")))
    assert respond(1.0, [finding(KNEES)], [earlier], WORDS).cue.text == "Push from lower"


# ----------------------------------------------------------------------------------------------------------- the sign
@pytest.mark.parametrize(
    ("rep", "expected"),
    [
        ("", None),
        (GOOD, Mark.IN_BAND),
        (DOUBT, Mark.UNSURE),
        (f"{DOUBT}, {HAND}", Mark.OUT_OF_BAND),
        (KNEES, Mark.OUT_OF_BAND),
    ],
)
def test_the_sign_on_screen(rep, expected):
    findings: list[Finding] = [finding(one) for one in rep.split(", ") if one]
    assert mark(findings) is expected


def test_what_is_spoken_is_cue_or_praise_then_the_drill():
    cue = Cue("Hold it", "follow_through")
    assert Feedback(0.0, Tone.LOW, cue, prompt="Rest 60 seconds").spoken == "Hold it. Rest 60 seconds"
    assert Feedback(0.0, Tone.COUNT, praise="Good legs").spoken == "Good legs"
    assert Feedback(0.0, Tone.COUNT).spoken is None
