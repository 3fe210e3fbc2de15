"""Drills: the shipped ones, what a coach may write, and what is said from the first rep to the last."""

from __future__ import annotations

from dataclasses import replace

import pytest
from coaching import a_rep, told
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.assets import config_names, config_text
from rimward.live.checks import BY_NAME, judge
from rimward.live.cues import Plan
from rimward.live.drills import FOOTWORK, Drill, Rest, Spot, read_drill
from rimward.live.errors import SettingsError
from rimward.live.records import Band
from rimward.live.words import LANGUAGES

SHIPPED = config_names("drill_")


# -------------------------------------------------------------------------------------------------------------- shipped
def test_the_drills_of_the_trade_are_there():
    assert set(SHIPPED) == {
        "form_shooting",
        "free_throws",
        "catch_and_shoot",
        "off_the_dribble",
        "pull_up",
        "step_back",
        "spots",
    }


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_drill_has_title_goal_checks_and_rest(name):
    drill = read_drill(config_text(f"drill_{name}.toml"), name)
    assert set(drill.title) == set(LANGUAGES)
    assert drill.reps or drill.makes
    assert drill.priority
    assert drill.rest is not None
    for band in drill.all_bands().values():
        assert band.label == "coach"
        assert len(band.source) > 20


# ---------------------------------------------------------------------------------------------------------- a session
NINE = Drill(
    {"en": "Nine"},
    reps=9,
    rest=Rest(3, 30),
    spots=(Spot({"en": "left"}, 2), Spot({"en": "right", "de": "rechts"}, 1)),
    quiet_reps=2,
)


def test_what_a_drill_says_from_the_first_rep_to_the_last(words):
    said = [NINE.said_after(reps, 0, words) for reps in range(1, 10)]
    assert said == [
        None,
        "Next: right",
        "Rest 30 seconds. Next: left",
        None,
        "Next: right",
        "Rest 30 seconds. Next: left",
        "Last 2 without my help",
        "Next: right",
        "Done: Nine",
    ]


def test_one_rep_without_help_is_announced_as_one(words):
    drill = Drill({"en": "x"}, reps=4, quiet_reps=1)
    assert drill.said_after(3, 0, words) == "The last one without my help"


def test_what_a_drill_shows_in_the_title_and_beside_the_count():
    assert [NINE.shown(reps, 0) for reps in (0, 2, 3, 9)] == [
        ("Nine", "left · 0/9"),
        ("Nine", "right · 2/9"),
        ("Nine", "left · 3/9"),
        ("", "Nine · 9/9"),
    ]
    assert NINE.shown(2, 0, "de") == ("Nine", "rechts · 2/9")
    assert NINE.shown(12, 0) == ("", "Nine · 9/9")  # who shoots on has reached the goal
    assert Drill({"en": "Makes"}, makes=5).shown(12, 3) == ("", "Makes · 3/5")
    assert Drill({"en": "Open", "de": "Offen"}).shown(4, 0, "de") == ("Offen", "")


def test_a_goal_of_makes_is_reached_by_makes(words):
    drill = Drill({"de": "Treffer"}, makes=2)
    assert [drill.done(reps, makes) for reps, makes in ((30, 1), (31, 2))] == [False, True]
    assert drill.said_after(31, 2, words) == "Done: Treffer"


def test_no_goal_no_end(words):
    assert not any(Drill({"en": "Open"}).done(reps, reps) for reps in range(500))


def test_the_words_of_a_drill_in_a_session():
    """Fading, then a set without feedback: seven times the same fault."""
    words = {("follow_through", "below"): ("Hold it", "Leave it up")}
    drill = Drill({"en": "x"}, reps=7, every_rep=2, every_second=3, quiet_reps=2, priority=("follow_through",))
    feedback = told(["follow_through below"] * 7, words, drill.plan(Plan()))
    assert [one.cue and one.cue.text for one in feedback] == [
        "Hold it",
        "Leave it up",
        None,
        "Hold it",
        None,
        None,
        None,
    ]
    assert [one.withheld for one in feedback] == [False, False, True, False, True, True, True]


@pytest.mark.parametrize(
    ("drill", "plan", "expected"),
    [
        (Drill({"en": "x"}, priority=("hold", "dip")), Plan(), Plan(priority=("hold", "dip"))),
        # what the coach put first stays first
        (Drill({"en": "x"}, priority=("hold", "dip")), Plan(priority=("dip",)), Plan(priority=("dip", "hold"))),
        (Drill({"en": "x"}, priority=("hold",), only=True), Plan(focus="dip"), Plan(("hold",), True, "dip")),
        (Drill({"en": "x"}), Plan(every_rep=3, every_second=2), Plan(every_rep=3, every_second=2)),
        (Drill({"en": "x"}, every_rep=5), Plan(every_rep=3, every_second=2), Plan(every_rep=5)),
        (Drill({"en": "x"}, every_rep=1, every_second=4), Plan(), Plan(every_rep=1, every_second=4)),
        (Drill({"en": "x"}, reps=10, quiet_reps=3), Plan(), Plan(quiet_from=8)),
        (Drill({"en": "x"}, makes=10), Plan(wording="internal"), Plan(wording="internal")),
    ],
)
def test_a_drill_shapes_the_plan(drill, plan, expected):
    assert drill.plan(plan) == expected


@pytest.mark.parametrize("expected", FOOTWORK)
def test_expected_footwork_is_a_band_of_a_check(expected):
    bands = replace(NINE, footwork=expected).all_bands()
    assert len(bands) == (expected != "any")
    assert set(bands) <= set(BY_NAME)


@pytest.mark.parametrize(
    ("expected", "lead_s", "verdict"),
    [
        ("hop", 0.03, "in_band"),
        ("hop", 0.2, "above"),
        ("hop", -0.2, "above"),
        ("one_two", 0.03, "below"),
        ("one_two", 0.2, "in_band"),
        ("one_two", -0.2, "in_band"),
        ("guide_first", 0.1, "in_band"),
        ("guide_first", -0.1, "below"),
        ("shooting_first", -0.1, "in_band"),
        ("shooting_first", 0.1, "above"),
        ("step_back", 0.1, "in_band"),
        ("step_back", -0.1, "below"),
    ],
)
def test_feet_that_land_otherwise_than_the_drill_asks_are_a_fault(expected, lead_s, verdict):
    """Which foot lands first and by how much: the words of the trade (common practice, no source)."""
    lead = (lead_s, 0.01)
    (finding,) = judge(
        a_rep(guide_foot_lead_s=lead, step_back_lead_s=lead), replace(NINE, footwork=expected).all_bands(), 2.0
    )
    assert finding.verdict == verdict


def test_a_drill_without_rests_has_none(words):
    drill = Drill({"en": "Five"}, reps=5)
    assert [drill.rest_after(reps) for reps in range(6)] == [None] * 6
    assert [drill.said_after(reps, 0, words) for reps in range(1, 6)] == [None] * 4 + ["Done: Five"]


@given(
    st.lists(st.tuples(st.text("ab", min_size=1, max_size=3), st.integers(1, 4)), min_size=1, max_size=4),
    st.integers(0, 99),
)
def test_every_spot_gets_its_reps_in_every_round(spots, reps):
    drill = Drill({"en": "x"}, spots=tuple(Spot({"en": name}, count) for name, count in spots))
    round_ = sum(count for _, count in spots)
    at = [drill.spot(reps + k) for k in range(round_)]
    assert [at.count(k) for k in range(len(spots))] == [count for _, count in spots]


# ------------------------------------------------------------------------------------------------- what a coach writes
def test_a_title_is_enough():
    assert read_drill('title = "Mine"', "mine.toml") == Drill({"en": "Mine"})


def test_a_title_is_written_as_its_language_writes():
    """Persian with zero-width non-joiners (Unicode, chapter 23)."""
    title = "پرتاب\u200cهای آزاد"
    assert read_drill(f'title = "{title}"', "mine.toml").name("en") == title


def test_feedback_that_does_not_thin_out_may_be_written_down():
    text = 'title = "Mine"\n[feedback]\nevery_rep = 0\nevery_second = 0\nquiet_reps = 0'
    assert read_drill(text, "mine.toml") == Drill({"en": "Mine"})


def test_every_key():
    text = """
        title = "Mine"
        goal = { makes = 20 }
        [checks]
        priority = ["knee_bend", "hold"]
        [footwork]
        expected = "guide_first"
        [rest]
        after_reps = 5
        seconds = 40
        [[spots]]
        name = "top"
        reps = 5
        [bands.hold]
        low = 0.1
        high = 1
        source = "Said on Friday"
    """
    drill = read_drill(text, "mine.toml")
    assert drill.makes == 20
    assert drill.spots == (Spot({"en": "top"}, 5),)
    assert drill.rest == Rest(5, 40)
    assert drill.all_bands()["hold"] == Band(0.1, 1.0, "coach", "Said on Friday")
    assert drill.all_bands()["step_order"].low == 0.0


WRONG = [
    ("title = ", "mine.toml: must be valid TOML, found: Invalid value (at end of document)"),
    ("[goal]\nreps = 5", 'mine.toml: title is missing: a drill needs title = "..."'),
    ("title = 3", "mine.toml, line 1: title must be printable text of 1 to 60 characters, got 3"),
    ('title = "a\\u001b[2J"', "line 1: title must be printable text"),
    ("title = {}", "title must name at least one language of en, de"),
    ('title = { fr = "Oui" }', "line 1: title.fr is no key of a drill"),
    ("goals = 3", "mine.toml, line 2: goals is no key of a drill, did you mean goal?"),
    ("goal = 3", "mine.toml, line 2: goal must be a table ([goal]), got 3"),
    ("\n[goal]\n\nreps = 0", "mine.toml, line 5: goal.reps must be a whole number between 1 and 10000, got 0"),
    ("[goal]\nreps = true", "goal.reps must be a whole number between 1 and 10000, got True"),
    ("goal.reps = 'ten'", "mine.toml, line 2: goal.reps must be a whole number between 1 and 10000, got 'ten'"),
    ("[goal]\nrep = 3", "line 3: goal.rep is no key of a drill, did you mean reps?"),
    ("[checks]\npriority = 'knee_bend'", "line 3: checks.priority must be a list of checks, got 'knee_bend'"),
    (
        "[checks]\npriority = ['knee_ben']",
        "line 3: checks.priority must name checks, 'knee_ben' is none: did you mean knee_bend?",
    ),
    ("[checks]\npriority = [[]]", "checks.priority must name checks, [] is none: checks are step_rhythm, "),
    ("[checks]\npriority = ['knee_min_deg']", "'knee_min_deg' is none: but a measurement, did you mean knee_bend, whi"),
    ("[checks]\npriority = ['knee']", "'knee' is none: did you mean knee_bend or knee_line?"),
    ("[checks]\npriority = ['hold', 'hold']", "checks.priority must name each check once"),
    ("[checks]\nonly = 1", "line 3: checks.only must be true or false, got 1"),
    ("[checks]\nonly = true", "line 3: checks.only must come with checks.priority"),
    ("[footwork]\nexpected = 'moonwalk'", "line 3: footwork.expected must be one of any, hop, one_two"),
    ("[rest]\nseconds = 30", "line 2: rest must have after_reps and seconds, after_reps is missing"),
    ("[rest]\nafter_reps = 5\nseconds = 2", "line 4: rest.seconds must be a whole number between 5 and 1800, got 2"),
    (
        "goal.reps = 5\ngoal.makes = 3",
        "goal.makes must not stand beside goal.reps: a drill has one goal, leave one out",
    ),
    (
        "goal.reps = 2\n[[spots]]\nname = 'a'\nreps = 3",
        "line 3: spots.1 and the others must fit into goal.reps, they take 3 and it is 2: raise it, or lower",
    ),
    ("[feedback]\nquiet_reps = 3", "line 3: feedback.quiet_reps must be part of goal.reps"),
    ("goal.reps = 2\n[feedback]\nquiet_reps = 3", "feedback.quiet_reps must be part of goal.reps"),
    ("[[spots]]\nname = 'a'\nreps = 1\n[[spots]]\nname = 'b'", "line 5: spots.2.reps must be a whole number"),
    ("[[spots]]\nreps = 1", "line 2: spots.1.name must be printable text of 1 to 60 characters, got None"),
    ("[[spots]]\nname = 'a'\nreps = 0", "line 4: spots.1.reps must be a whole number between 1 and 10000, got 0"),
    ("[[spots]]\nname = 'a'\nreps = 1\n" * 51, "mine.toml: spots must be at most 50 tables ([[spots]])"),
    ("[bands.hold]\nlow = -11", "line 3: bands.hold.low must be between -10 and 10 (seconds), got -11"),
    ("spots = 'left'", "line 2: spots must be at most 50 tables ([[spots]]), got 'left'"),
    ("spots = ['left']", "line 2: spots.1 must be a table ([[spots]]), got 'left'"),
    ("[[spots]]\nname = 'a'\nreps = 1\nx = 1", "line 5: spots.1.x is no key of a drill, known here: name, reps"),
    (
        "[bands.knee_bent]\nlow = 1",
        "line 2: bands.knee_bent must name checks, 'knee_bent' is none: did you mean knee_bend?",
    ),
    ("[bands]\nhold = 3", "line 3: bands.hold must be a table ([bands.hold]), got 3"),
    ("[bands.hold]\nlow = 'x'", "line 3: bands.hold.low must be a number, got 'x'"),
    ("[bands.hold]\nlow = nan", "bands.hold.low must be between -10 and 10 (seconds), got nan"),
    (
        "[bands.knee_bend]\nhigh = 300",
        "line 3: bands.knee_bend.high must be between 0 and 180 (degrees, a stra",
    ),
    ("[bands.hold]\nlow = 2\nhigh = 1", "line 2: bands.hold is wrong: a band's low end must be below its high end"),
    ("[bands.hold]\nsource = 'x'", "bands.hold is wrong: a band needs a low or a high end"),
]


@pytest.mark.parametrize(("text", "message"), WRONG)
def test_what_is_wrong_is_told_with_its_line_and_key(text, message):
    title = "" if "title" in text or text.startswith("[goal]\nreps = 5") else 'title = "Mine"\n'
    with pytest.raises(SettingsError) as refused:
        read_drill(title + text, "mine.toml")
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


KEYS = st.sampled_from(
    ["title", "goal", "reps", "checks", "priority", "rest", "seconds", "spots", "bands", "hold", "low"]
)
VALUES = st.recursive(
    st.one_of(st.integers(), st.floats(), st.booleans(), st.text(max_size=5), st.sampled_from(["hold", "knee_bend"])),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


def toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return "'" + value.replace("'", "") + "'" if isinstance(value, str) else str(value)


@given(st.dictionaries(KEYS, VALUES, max_size=4) | st.text(max_size=40))
def test_whatever_is_written_only_our_own_error_comes_out(content):
    text = content if isinstance(content, str) else "\n".join(f"{key} = {toml(v)}" for key, v in content.items())
    refusals = []
    try:
        read_drill(text, "mine.toml")
    except SettingsError as error:
        refusals.append(str(error))
    assert all(refusal.startswith("mine.toml") and "\n" not in refusal for refusal in refusals)
