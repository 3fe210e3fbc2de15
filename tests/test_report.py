"""The report as a coach gets it: what it says, what it leaves unsaid, and that nothing in it runs or fetches."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import cv2
import numpy as np
import pytest
from builders import Form, View, film, later, play, shot
from hypothesis import given
from hypothesis import strategies as st
from practised import Day, practise, rep

from rimward.live import cli, report, report_charts
from rimward.live.cautions import CAUTIONS
from rimward.live.checks import BY_NAME, CHECKS
from rimward.live.errors import StoreError
from rimward.live.glossary import FAULTS, decimals, number, with_error
from rimward.live.records import Band, Measurement
from rimward.live.rep_files import rep_file
from rimward.live.settings import load_settings
from rimward.live.store import SessionWriter, Store, open_store
from rimward.live.trace import Trace
from rimward.live.traces import save_trace

NOW = datetime(2026, 4, 1, 12, 0, tzinfo=UTC)
FORM = {
    "elbow_at_set_deg": (84.0, 3.0),
    "elbow_max_deg": (165.0, 3.0),
    "knee_min_deg": (118.0, 3.0),
    "hip_min_deg": (130.0, 3.0),
    "upper_arm_at_set_deg": (95.0, 3.0),
    "trunk_lean_at_release_deg": (2.0, 1.0),
    "set_point_above_eyes_m": (0.12, 0.02),
    "follow_through_s": (0.9, 0.1),
}


def page(store: Store, who: str = "Sam", days: int = 7) -> str:
    return report.page_of(store, who, load_settings(), days, NOW, UTC)


def words(html: str) -> str:
    """What a reader sees, with single spaces."""
    return Read.of(html).text


def section(html: str, name: str) -> str:
    found = re.search(rf'<section aria-labelledby="{name}">.*?</section>', html, re.DOTALL)
    assert found is not None, f"no section {name}"
    return words(found[0])


class Read(HTMLParser):
    """A page taken apart by Python's own parser."""

    EMPTY = frozenset(["area", "base", "br", "col", "hr", "img", "input", "link", "meta", "source", "wbr"])

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.parts: list[str] = []

    @staticmethod
    def of(html: str) -> Read:
        read = Read()
        read.feed(html)
        read.close()
        assert read.open == [], "every element is closed"
        return read

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.parts).split())

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"style", "title", "desc"} & set(self.open):
            self.parts.append(data)


@pytest.fixture(scope="module")
def bands():
    return load_settings().check_bands()


@pytest.fixture(scope="module")
def month(tmp_path_factory, bands) -> str:
    """Three earlier sessions and two this week, with a higher set point, tired knees and an arm that drops."""
    low = FORM | {"set_point_above_eyes_m": (0.0, 0.02), "follow_through_s": (0.3, 0.05)}
    high = FORM | {"set_point_above_eyes_m": (0.14, 0.02), "follow_through_s": (0.3, 0.05)}
    days = [
        Day(14, 0, low, made=0.5),
        Day(14, 3, low, made=0.5),
        Day(14, 5, low, made=0.5),
        Day(24, 9, high, {"knee_min_deg": 12.0}, made=0.8, drill="Free throws", view="half front"),
        Day(24, 2, high, {"knee_min_deg": 12.0}, made=0.8, hidden={"dip_m": "the pick-up was hidden"}),
    ]
    store = practise(tmp_path_factory.mktemp("month"), "Sam", days, bands)
    player = store.player("Sam")
    store.set_target(player.id, "elbow_at_set_deg", 86.0, 96.0, name="spring", locked=True, author="Coach A")
    last = store.sessions()[-1].start.id
    store.add_note(last, "Arm up until the ball is through", author="Coach A")
    store.add_note(last, rep_index=7, kind="best", author="Coach A")
    html = page(store)
    store.close()
    return html


# ------------------------------------------------------------------------------------------------------- what it says
def test_three_sentences_come_first(month):
    short = section(month, "short")
    assert "In 2 sessions, Sam took 48 shots; " in short
    assert re.search(r"To work on first: the follow-through, short in \d+ of 48 shots \(median 0\.3\d? ± ", short)
    assert "Changed against 3 earlier sessions (42 shots): set point above the eyes from 0 ± " in short
    assert month.index('id="short"') < month.index('id="coach"') < month.index('id="form"')


def test_the_cautions_stand_where_they_are_read(month):
    """The page goes home with a player who never saw the program's start (README, Before you shoot)."""
    short = section(month, "short")
    assert all(caution in short for caution in CAUTIONS)


def test_what_was_practised_and_made(month):
    practised = section(month, "practised")
    assert re.search(r"\d+ of 48 went in: \d+ % \(between \d+ % and \d+ %\)", practised)
    assert "More than the 2" in practised
    assert "19 March 2026, 17:30 Free throws half front 24" in practised
    assert "21 March 2026, 17:30 none not known 24" in practised  # without a calibration


def test_where_not_every_result_is_known_no_share_of_all_shots_is_claimed(tmp_path, bands):
    """ "0 of 1 went in" of six shots reads as if there had been one."""
    store = practise(tmp_path, "Sam", [Day(6, 0, FORM, made=1.0, told=2), Day(6, 10, FORM, made=0.0, told=1)], bands)
    html = page(store)
    first = page(store, store.sessions()[0].start.id)
    store.close()
    assert "Sam took 6 shots; 0 of the 1 with a known result went in (0\N{NO-BREAK SPACE}%)." in html
    practised = section(html, "practised")
    assert "0 of the 1 with a known result went in: 0 % (between 0 % and 7" in practised
    assert "No clear change against 2 of the 2 with a known result in earlier sessions." in practised
    assert practised.endswith("none 6 0 of 1 known")
    assert section(first, "practised").endswith("none 6 2 of 2 known")


def test_shots_without_a_result_are_no_sample_of_all(tmp_path, bands):
    """Of 600 simulated shots the ring tells 58 of 100 makes and 34 of 100 misses (python -m tests.makes), so that of a
    player who makes 32 of 100 it knows 44 to be made. What they were must not make a change: bounds by the worst
    (Manski 1989, from memory).
    """
    days = [Day(40, 0, FORM, made=0.5), Day(40, 10, FORM, made=1.0, told=12), Day(40, 20, FORM, made=0.0, told=39)]
    store = practise(tmp_path, "Sam", days, bands)
    first, second, third = (section(page(store, one.start.id), "practised") for one in store.sessions())
    store.close()
    assert "of all" not in first
    assert "12 of the 12 with a known result went in: 100 % (between 76 % and 100 %); of all 40 between 18 %" in second
    assert "The shots without a result could make the difference." in second
    assert "More than" not in second
    assert "Fewer than the " in third, "one shot that nobody noted hides nothing"


def test_the_changes_that_exceed_chance_and_error_are_named_and_no_others(month):
    changed = section(month, "changed")
    against, rest = changed.split("From the first third")
    assert re.search(r"Set point above the eyes from 0 ± 2 cm to 14 ± 2 cm: \+14 cm \(between \d+ and \d+\)", against)
    assert against.count("between") == 1
    tired, _, steady = rest.partition("Consistency")
    assert re.search(r"Deepest knee bend \+[78](\.\d)?° \(between \d+(\.\d)? and \d+(\.\d)?\) in the last third", tired)
    assert tired.count("between") == 1
    assert "The scatter did not change by more than chance" in steady


def test_the_coachs_targets_and_notes(month):
    coach = section(month, "coach")
    assert re.search(r"Elbow at the set point spring locked by Coach A 86 to 96° 8\d ± 5° \d+ of 48 ", coach)
    assert "Arm up until the ball is through 21 March 2026, 17:30, the session, Coach A" in coach
    assert "The one to show" in coach


def test_a_target_of_the_coach_goes_before_the_band(month):
    form = section(month, "form")
    assert "target 86 to 96° (coach)" in form
    assert "Against the target: " in form


def test_a_player_with_enough_earlier_shots_is_held_against_his_or_her_own(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(30, 0, FORM), Day(6, 20, FORM)], bands)
    own, first = section(page(store), "form"), section(page(store, store.sessions()[0].start.id), "form")
    store.close()
    assert re.search(r"Elbow at the set point 8\d ± \d° \d\d to \d\d° \(own\)", own)
    assert re.search(r"band 0\.\d\d s or more \(own\)", own)
    assert "65 to 110° (starting point)" in first, "nothing was known of the player then"


def test_checks_of_something_made_of_measurements_give_their_verdicts(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(4, 0, FORM, found={"hips_square": "above"})], bands)
    html = page(store)
    store.close()
    assert re.search(r"Hips with the feet .* 4 above", section(html, "form"))
    short = section(html, "short")
    assert "To work on first: the hips with the feet, turned to the left in 4 of 4 shots (band −15 to 15°)." in short


LOW = FORM | {"set_point_above_eyes_m": (-0.3, 0.01)}
SHORT = FORM | {"follow_through_s": (0.1, 0.01)}


def short_of(folder, bands, *days: Day) -> str:
    """What the page says in short."""
    store = practise(folder, "Sam", days, bands)
    try:
        return section(page(store), "short")
    finally:
        store.close()


def test_what_was_out_most_often_comes_first_with_its_count_and_then_the_rest(tmp_path, bands):
    days = [Day(8, 0, LOW), Day(6, 1, SHORT), Day(30, 1, FORM)]
    store = practise(tmp_path, "Sam", days, bands)
    html = page(store)
    store.close()
    assert "To work on first: the set point, low in 8 of 44 shots (median 1" in section(html, "short")
    assert "Next: the follow-through, short in 6. " in section(html, "short")
    cards = re.findall(r"<h3 id=.m-\d.>(.*?)</h3>", html)
    assert {"Set point above the eyes", "Follow-through"} <= set(cards), "what is named can be looked at"


def test_a_single_fault_of_a_few_shots_is_named_as_well(tmp_path, bands):
    short = short_of(tmp_path, bands, Day(5, 0, FORM), Day(1, 1, SHORT))
    assert "To work on first: the follow-through, short in 1 of 6 shots" in short


def test_one_fault_in_many_shots_is_named_but_not_as_what_to_work_on(tmp_path, bands):
    short = short_of(tmp_path, bands, Day(1, 0, LOW), Day(60, 1, FORM))
    assert "Rarely out: the set point, low in 1 of 61 shots" in short
    assert "work on" not in short


def test_what_lies_too_near_to_the_edge_to_tell_is_no_fault(tmp_path, bands):
    near = FORM | {"set_point_above_eyes_m": (-0.03, 0.001)}  # one error below the band
    assert "form stayed inside its bands" in short_of(tmp_path, bands, Day(10, 0, near))


def test_a_fault_is_counted_among_the_shots_that_show_it(tmp_path, bands):
    hidden = {"set_point_above_eyes_m": "the ball was hidden"}
    short = short_of(tmp_path, bands, Day(3, 0, LOW), Day(7, 1, FORM, hidden=hidden))
    assert "the set point, low in 3 of the 3 shots where it could be judged" in short


def test_faults_to_both_sides_are_told_apart(tmp_path, bands):
    closed, opened = (FORM | {"elbow_at_set_deg": (middle, 0.1)} for middle in (20.0, 160.0))
    short = short_of(tmp_path, bands, Day(3, 0, closed), Day(2, 1, opened))
    assert "the elbow at set, closed in 3 and open in 2 of 5 shots" in short


def test_no_more_than_three_faults_are_named(tmp_path, bands):
    all_wrong = LOW | {"follow_through_s": (0.1, 0.01), "elbow_at_set_deg": (20.0, 0.1), "elbow_max_deg": (90.0, 0.1)}
    short = short_of(tmp_path, bands, Day(4, 0, all_wrong))
    assert "Next: the elbow at set, closed in 4; the elbow at the end, bent in 4; 1 more." in short


def test_a_missed_target_is_told_as_one(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(4, 0, FORM)], bands)
    store.set_target(store.player("Sam").id, "elbow_at_set_deg", 120.0, 130.0, locked=True)
    short = section(page(store), "short")
    store.close()
    assert "the elbow at set, below its target in 4 of 4 shots (median 8" in short
    assert "°, target 120 to 130°)" in short


def test_a_target_that_is_narrower_than_the_error_is_missed_by_nobody_who_is_near(tmp_path, bands):
    """A target of 1 degree, shots 16 degrees beside it with an error of 7: live, and in the report, it is widened to
    what the measurement can tell before a shot is clearly outside (live/evidence.py).
    """
    near = FORM | {"elbow_at_set_deg": (84.0, 0.1)}
    store = practise(tmp_path, "Sam", [Day(4, 0, near)], bands)
    store.set_target(store.player("Sam").id, "elbow_at_set_deg", 100.0, 101.0, locked=True)
    html = page(store)
    store.close()
    assert "below its target" not in section(html, "short")
    assert "4 too near to the edge to tell" in section(html, "form")


def test_every_shipped_band_has_words_for_its_faults(bands):
    assert set(bands) <= set(FAULTS) <= set(BY_NAME)


def test_a_band_that_changed_within_the_period_is_shown_with_what_it_was(tmp_path, bands):
    """After 20 shots the player's own band takes the place of the shipped one: 51° was in band, now it is below."""
    low_arm = FORM | {"upper_arm_at_set_deg": (51.0, 0.1)}
    practise(tmp_path, "Sam", [Day(4, 0, low_arm), Day(26, 0.1, FORM)], bands).close()
    own = bands | {"upper_arm": Band(81.0, 109.0, "own", "earlier")}
    store = practise(tmp_path, "Sam", [Day(4, 2, low_arm)], own, seed=1)
    html = page(store)
    store.close()
    form = section(html, "form")
    found = re.search(r"band 8\d to 1\d\d° \(own; at first 45 to 140°, starting point\)", form)
    assert found is not None
    assert "Judged when shot: 30 in band, 4 below" in form
    assert "the upper arm at set, low in 4 of 34 shots (median 9" in section(html, "short")
    assert re.search(r"band 8\d to 1\d\d°, at first 45 to 140°, starting point\)", section(html, "short"))


def test_a_band_that_explains_every_verdict_says_no_more(tmp_path, bands):
    """Twenty shots in the period give the player a band of his or her own, but none of them is judged otherwise."""
    steady = FORM | {"follow_through_s": (0.9, 0.01)}
    store = practise(tmp_path, "Sam", [Day(20, 0, steady), Day(4, 1, steady)], bands)
    form = section(page(store), "form")
    store.close()
    assert re.search(r"Follow-through 0\.90 ± 0\.0\d s 0\.78 s or more \(own\) 24 in band", form)


def test_verdicts_by_a_band_that_is_no_longer_known_are_told(tmp_path, bands):
    """A drill may have bands of its own."""
    drill = bands | {"elbow_at_set": Band(110.0, None, "own", "the drill")}
    store = practise(tmp_path, "Sam", [Day(6, 0, FORM)], drill)
    form = section(page(store), "form")
    store.close()
    assert "65 to 110° (starting point; some shots by another)" in form


def test_the_rep_that_the_coach_marked_is_the_best(month):
    assert "The one to show: shot 7 21 March 2026, 17:30; the coach's choice" in section(month, "look")


def test_a_shot_without_picture_and_skeleton_says_so(month):
    assert section(month, "look").count("No picture and no skeleton of this shot was kept.") == 2


def test_the_shots_timeline(month):
    time = section(month, "time")
    assert re.search(r"Dip −0\.\d\d −0\.\d\d to −0\.\d\d 48", time)
    assert "Release 0.00 0.00 48" in time
    assert "Landing" not in time, "nobody left the floor"


def test_what_could_not_be_seen_and_why(month):
    unseen = section(month, "unseen")
    assert "Release height" in unseen
    assert "needs the camera's place (all shots)" in unseen
    assert "Dip: the pick-up was hidden (up to 24 of 48 shots)" in unseen


def test_the_errors_and_the_tests_are_explained(month):
    assert "bootstrap interval" in section(month, "read")


def test_the_same_sessions_give_the_same_page(tmp_path, bands):
    pages = []
    for name in "ab":
        store = practise(tmp_path / name, "Sam", [Day(16, 0, FORM), Day(16, 20, FORM)], bands)
        pages.append(page(store))
        store.close()
    assert pages[0] == pages[1]


# --------------------------------------------------------------------------------------------------------- few or none
def test_a_player_without_sessions(tmp_path):
    store = open_store(tmp_path)
    store.add_player("Sam")
    html = page(store)
    store.close()
    assert "Nothing has been recorded of Sam yet." in words(html)
    assert "None yet." in words(html)
    Read.of(html)


def test_one_shot_alone(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(1, 0, FORM)], bands)
    html = page(store)
    store.close()
    assert "On 2 March 2026, Sam took 1 shot; whether it went in was not noted." in section(html, "short")
    assert "There are no earlier sessions to compare with yet." in section(html, "changed")
    assert "This needs a session of 15 shots or more." in section(html, "changed")
    look = section(html, "look")
    assert "Nearest to the bands: shot 1" in look
    assert "everything seen lies in its band" in look
    assert "Farthest" not in look


def test_the_best_and_the_worst_shot_are_told_by_their_bands(tmp_path, bands):
    far = FORM | {"elbow_at_set_deg": (30.0, 0.1), "set_point_above_eyes_m": (-0.3, 0.01)}
    store = practise(tmp_path, "Sam", [Day(2, 0, far), Day(3, 1, FORM)], bands)
    look = section(page(store), "look")
    store.close()
    assert re.search(r"Nearest to the bands: shot \d 3 March 2026", look)
    assert re.search(
        r"Farthest from the bands: shot \d 2 March 2026, 17:30; set point above the eyes and elbow at", look
    )


def session_of(folder, reps) -> tuple[Store, SessionWriter]:
    """A session of these very reps; the open store and who wrote it."""
    store = open_store(folder, pytest.fail)
    writer = store.start_session(
        player="Sam", hand="right", source="invented", settings_digest="0123456789abcdef", app_version="test"
    )
    for one in reps:
        writer.save(one)
    return store, writer


def test_the_shot_to_look_at_is_a_well_measured_one(tmp_path, bands):
    """A wide error makes every value lie near to everything (definition of a standard deviation): such a shot shows
    nothing that could be imitated, however well its values fit.
    """
    rng = np.random.default_rng(3)
    reps = [rep(index, Day(form=FORM), 0.0, bands, rng) for index in range(1, 6)]
    blurred = {
        name: replace(one, sigma=10 * one.sigma) if one.sigma is not None else one
        for name, one in reps[3].measurements.items()
    }
    reps[3] = replace(reps[3], measurements=blurred)
    store, _ = session_of(tmp_path, reps)
    look = section(page(store), "look")
    store.close()
    assert re.search(r"Nearest to the bands: shot [1235] ", look)


def test_among_shots_that_fit_alike_the_one_of_which_most_was_seen_is_shown(tmp_path, bands):
    rng = np.random.default_rng(3)
    usual = {check.measurement: bands[check.name] for check in CHECKS if check.name in bands}
    inside = {name: ((band.low or 0.0) + (band.high or (band.low or 0.0) + 1.0)) / 2 for name, band in usual.items()}
    reps = []
    for index in range(1, 5):
        one = rep(index, Day(), 0.0, bands, rng)
        values = {
            name: replace(found, value=inside.get(name, found.value)) if found.value is not None else found
            for name, found in one.measurements.items()
        }
        if index != 3:
            values["set_point_above_eyes_m"] = Measurement.missing("the eyes were hidden")
        reps.append(replace(one, measurements=values))
    store, _ = session_of(tmp_path, reps)
    look = section(page(store), "look")
    store.close()
    assert "Nearest to the bands: shot 3 " in look
    assert "everything seen lies in its band" in look


def test_a_shot_that_was_taken_out_is_not_praised(tmp_path, bands):
    """README, Keys: taking the last rep out is for what was none, or not this player's."""
    rng = np.random.default_rng(3)
    reps = [rep(index, Day(form=FORM), 0.0, bands, rng) for index in range(1, 4)]
    store, writer = session_of(tmp_path, reps)
    store.add_note(writer.id, "looks easy", rep_index=2, kind="good", author="Coach A")
    assert "Good: looks easy" in section(page(store), "coach")
    writer.discard_rep(2)
    assert "looks easy" not in section(page(store), "coach")
    store.close()


def test_what_needs_the_same_is_said_once(tmp_path, bands):
    hidden = {
        "release_height_m": "height above the floor needs the camera's place: run rimward calibrate",
        "release_speed_mps": "the ball's speed needs the camera's place: run rimward calibrate",
    }
    store = practise(tmp_path, "Sam", [Day(2, 0, FORM, hidden=hidden)], bands)
    unseen = section(page(store), "unseen")
    store.close()
    assert "Release height, Release speed: needs the camera's place: run rimward calibrate (all shots)" in unseen


def test_a_session_in_which_nothing_could_be_seen(tmp_path, bands):
    hidden = dict.fromkeys(report_names(), "the body was outside the picture")
    store = practise(tmp_path, "Sam", [Day(6, 0, hidden=hidden)], bands)
    html = page(store)
    store.close()
    assert "No value could be held against a band in this view." in words(html)
    assert "the body was outside the picture (all shots)" in section(html, "unseen")


def report_names() -> list[str]:
    from rimward.live.measure import MEASUREMENTS

    return list(MEASUREMENTS)


def test_a_session_whose_shots_were_all_taken_out(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(0, 0, FORM)], bands)
    html = page(store)
    store.close()
    assert "No shot of Sam was counted." in words(html)


def test_nothing_stands_out(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(20, 0, FORM), Day(20, 20, FORM)], bands)
    html = page(store)
    store.close()
    short = section(html, "short")
    assert "As far as the errors allow to tell, form stayed inside its bands." in short
    assert "no value changed by more than chance and its own error" in short


# ------------------------------------------------------------------------------------------------------- which sessions
def test_a_week_of_practice_or_as_many_days_as_asked_for(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(5, 0, FORM), Day(5, 8, FORM), Day(5, 6.9, FORM)], bands)
    assert "2 sessions, 10 shots" in words(page(store))
    assert "1 session, 5 shots" in words(page(store, days=1))
    assert "3 sessions, 15 shots" in words(page(store, days=30))
    store.close()


def test_one_session_is_compared_with_those_before_it(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(5, 0, FORM), Day(6, 1, FORM), Day(7, 1, FORM)], bands)
    second = store.sessions()[1].start.id
    for asked in (second, second[:8]):
        html = words(page(store, asked))
        assert "1 session, 6 shots" in html
        assert "1 earlier session (5 shots)" in html
    assert "1 session, 7 shots" in words(page(store, "last"))
    store.close()


def test_a_name_that_nobody_has(tmp_path, bands):
    store = practise(tmp_path, "Samira", [Day(2, 0, FORM)], bands)
    with pytest.raises(StoreError, match="no player Samir; did you mean Samira"):
        page(store, "Samir")
    store.close()


# ------------------------------------------------------------------------------------------------------------- safety
NASTY = '<script>alert(1)</script> & "O\'Neil"'


@pytest.mark.parametrize("name", [NASTY, "山田 花子", "شیرین", "Дарья Ёлкина", "O’Brien-Ñandú"])
def test_any_name_is_shown_as_it_is_and_nothing_of_it_is_markup(tmp_path, bands, name):
    store = practise(tmp_path, name, [Day(2, 0, FORM, drill=name)], bands)
    session = store.sessions()[0].start.id
    store.set_target(store.player(name).id, "hold_s", 0.1, None, name=name, author=name)
    store.add_note(session, name, author=name)
    html = page(store, name)
    store.close()
    read = Read.of(html)
    assert read.text.count(name) >= 6
    assert "script" not in {tag for tag, _ in read.tags}


def test_the_page_holds_everything_and_may_do_nothing(month):
    tags = Read.of(month).tags
    assert {"script", "link", "iframe", "object", "embed", "form", "base"}.isdisjoint(tag for tag, _ in tags)
    for _, attributes in tags:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href", "xlink:href", "action", "poster", "srcset"):
            assert (attributes.get(name) or "#").startswith(("#", "data:image/jpeg;base64,"))
    (policy,) = [a["content"] for _, a in tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none';")
    assert "http" not in policy
    assert not re.search(r"url\((?!#)|@import", month)


# ----------------------------------------------------------------------------------------------------- for every reader
def test_headings_go_down_one_step_at_a_time(month):
    levels = [int(tag[1]) for tag, _ in Read.of(month).tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))


def test_every_id_is_there_once_and_everything_that_refers_finds_it(month):
    tags = Read.of(month).tags
    ids = [a["id"] for _, a in tags if a.get("id")]
    assert len(ids) == len(set(ids))
    wanted = [name for _, a in tags for name in (a.get("aria-labelledby") or "").split()]
    wanted += [a["xlink:href"].removeprefix("#") for _, a in tags if a.get("xlink:href")]
    wanted += re.findall(r"url\(#([^)]+)\)", month)
    assert set(wanted) <= set(ids)


def test_every_picture_has_words_and_its_numbers_stand_beside_it(month):
    drawn = re.findall(r"<svg.*?</svg>", month, re.DOTALL)
    assert len(drawn) >= 7
    for svg in drawn:
        assert 'role="img"' in svg[:60]
        assert re.search(r"<title id=\"[^\"]+\">[^<]+</title><desc id=\"[^\"]+\">[^<]{20,}</desc>", svg)
    figures = len(re.findall('class="card" aria-labelledby="m-', month))
    assert month.count("<details><summary>Numbers behind the pictures") == figures >= 3


def test_tables_say_what_their_rows_and_columns_are(month):
    heads = [a for tag, a in Read.of(month).tags if tag == "th"]
    assert heads
    assert all(a.get("scope") in ("row", "col") for a in heads)


def _light(colour: str) -> float:
    """Relative luminance as WCAG 2.1 defines it."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize("ground", ["#ffffff", report_charts.BAND])
@pytest.mark.parametrize("mark", [report_charts.IN, report_charts.OUT, report_charts.QUIET, report_charts.INK])
def test_marks_stand_out_from_paper_and_band(ground, mark):
    """WCAG 2.1, 1.4.11 asks for 3 to 1; here 4.5, because thin lines are read as well."""
    assert (_light(ground) + 0.05) / (_light(mark) + 0.05) >= 4.5


# ----------------------------------------------------------------------------------------------------------- pictures
def _picture(shade: int = 120) -> bytes:
    return cv2.imencode(".jpg", np.full((40, 30, 3), shade, np.uint8))[1].tobytes()


def _keep(store: Store, what: str, content: bytes) -> None:
    path = rep_file(store.folder, store.sessions()[0].start.id, 1, what, "jpg")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def _keep_trace(store: Store, release_s: float) -> None:
    """What the invented stick player looked like, as the program keeps it."""
    view = View()
    seen = [one for one in later(film(play([shot(Form())]), view), release_s - 1.5) if one.pose is not None]
    balls = [(np.nan,) * 3 if one.ball is None else (*one.ball.centre_px, one.ball.radius_px) for one in seen]
    trace = Trace(
        size=view.size,
        px_per_m=view.px_per_m,
        frames=np.arange(len(seen)),
        t_s=np.array([one.t_s for one in seen]),
        landmarks_px=np.array([one.pose.landmarks_px for one in seen]),
        trust=np.ones((len(seen), 33)),
        ball_px=np.array(balls),
    )
    save_trace(store.folder, store.sessions()[0].start.id, 1, trace)


@pytest.mark.parametrize(
    ("facts", "shown"),
    [
        ({"pictures": True, "birth_year": 1990}, "picture"),
        ({"pictures": True, "birth_year": 2014}, "skeleton"),
        ({"pictures": True, "minor": True}, "skeleton"),
        ({"pictures": False}, "skeleton"),
    ],
)
def test_pictures_are_shown_only_of_adults_who_allow_them(tmp_path, bands, facts, shown):
    store = practise(tmp_path, "Sam", [Day(1, 0, FORM)], bands)
    store.edit_player(store.player("Sam").id, **facts)
    for what in ("set", "release", "follow_through"):
        _keep(store, what, _picture())
    _keep_trace(store, 10.0)
    html = page(store)
    store.close()
    assert html.count("data:image/jpeg") == (3 if shown == "picture" else 0)
    assert html.count("<title>Skeleton of shot 1 at the ") == (3 if shown == "skeleton" else 0)
    assert "No picture" not in html
    alts = [a.get("alt") for tag, a in Read.of(html).tags if tag == "img"]
    assert all(alts)


def test_a_file_that_is_no_picture_is_left_out(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(1, 0, FORM)], bands)
    store.edit_player(store.player("Sam").id, pictures=True)
    _keep(store, "set", b"<svg onload=alert(1)>")
    _keep(store, "release", _picture())
    html = page(store)
    store.close()
    assert html.count("data:image/jpeg") == 1
    assert "onload" not in html


def test_a_damaged_trace_costs_only_the_drawing(tmp_path, bands):
    store = practise(tmp_path, "Sam", [Day(1, 0, FORM)], bands)
    path = rep_file(store.folder, store.sessions()[0].start.id, 1, "trace", "npz")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"no trace")
    assert "No picture and no skeleton of this shot was kept." in page(store)
    store.close()


# ----------------------------------------------------------------------------------------------------------- the file
@pytest.fixture
def saved(tmp_path, bands, monkeypatch):
    practise(tmp_path / "data", "Sam", [Day(3, 0, FORM)], bands).close()
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_command_writes_the_file_and_says_so(saved, capsys):
    assert cli.main(["report", "Sam", "--out", "with space é.html"]) == 0
    assert capsys.readouterr().err == "with space é.html is written; open it in any browser\n"
    assert "3 shots" in words((saved / "with space é.html").read_text("utf-8"))


def test_a_file_that_is_there_is_kept_unless_asked(saved, capsys):
    out = saved / "report.html"
    out.write_text("mine")
    assert cli.main(["report", "Sam"]) == 2
    assert capsys.readouterr().err == (
        "rimward: report.html is there already; name another file with --out, or add --force to write over it\n"
    )
    assert out.read_text() == "mine"
    assert cli.main(["report", "Sam", "--force"]) == 0
    assert "3 shots" in words(out.read_text("utf-8"))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["Sam", "--out", "no/such/folder.html"], "must be writable, it is not"),
        (["Sam", "--days", "0"], "--days must be 1 or more, got 0"),
        (["Nobody"], "there is no player Nobody; rimward players lists who is known"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(saved, capsys, options, said):
    assert cli.main(["report", *options]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line
    assert list(saved.glob("*.html")) == []


# ----------------------------------------------------------------------------------------------------------- rounding
@pytest.mark.parametrize(
    ("name", "value", "sigma", "shown"),
    [
        ("elbow_at_set_deg", 75.23, 7.1, "75 ± 7°"),
        ("elbow_at_set_deg", 75.23, 12.6, "75 ± 13°"),
        ("trunk_lean_at_release_deg", -0.04, 4.0, "0 ± 4°"),
        ("trunk_lean_at_release_deg", -4.4, 1.44, "−4.4 ± 1.4°"),
        ("set_point_above_eyes_m", 0.0834, 0.031, "8 ± 3 cm"),
        ("set_point_above_eyes_m", 0.0834, 0.0131, "8.3 ± 1.3 cm"),
        ("hold_s", 0.1234, 0.097, "0.12 ± 0.10 s"),
        ("release_speed_mps", 7.144, 0.35, "7.1 ± 0.3 m/s"),
        ("of_a_newer_program", 3.0, 0.5, "3.0 ± 0.5"),
    ],
)
def test_numbers_are_as_long_as_their_error_allows(name, value, sigma, shown):
    assert with_error(name, value, sigma).replace("\N{NO-BREAK SPACE}", " ") == shown


@given(st.floats(1e-3, 90), st.floats(-300, 300))
def test_rounding_costs_less_than_a_third_of_the_error(sigma, value):
    kept = float(number(value, decimals(sigma)).replace("−", "-"))
    assert abs(kept - value) <= sigma / 3 + 1e-9
    assert float(number(sigma, decimals(sigma))) == pytest.approx(sigma, rel=0.34)
