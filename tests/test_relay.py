"""Several players in turn: nobody's reps become another's, the clock turns, a strange body is asked about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from builders import Form, Observation, film, filmed, joined, later, play, reps_of, stand, without_body

from rimward.live.body_size import OFF_OWN, Size, SizeWatch
from rimward.live.pipeline import Pipeline, Step
from rimward.live.records import Scene, SourceTrouble
from rimward.live.relay import Relay, Turn, TurnNews
from rimward.live.sightings import sightings
from rimward.live.words import text

FORM = Form(knee_deg=115.0, elbow_at_set_deg=85.0, set_above_eyes_m=0.12, follow_through_s=1.0, elbow_at_end_deg=172.0)
SMALL = replace(FORM, stature_m=1.40)


class Court:
    """A relay and what came of it."""

    def __init__(
        self, known, words, statures: dict[str, float | None], turn_s: float | None = None, goal: int | None = None
    ) -> None:
        turns = [Turn(name, Pipeline(known, words, name), stature, goal) for name, stature in statures.items()]
        self.relay = Relay(turns, words, "Station 2", turn_s)
        self.steps: list[tuple[str, Step]] = []

    def see(self, seen: Sequence[Observation], on_over: bool = True) -> Court:
        frames, estimator = filmed(seen)
        for sighting in sightings(frames, estimator, self.relay.people_to_ask):
            step = self.relay.step(sighting)
            self.steps.append((self.relay.name, step))
            if on_over and step.news == TurnNews.OVER:
                self.next()
        return self

    def next(self) -> None:
        last = self.relay.leave()
        if last is not None:
            self.steps.append((self.relay.name, last))
        self.relay.begin_next()

    def reps(self) -> list[tuple[str, int]]:
        return [(name, step.rep.index) for name, step in self.steps if step.rep is not None]

    def news(self) -> list[str]:
        return [step.news for _, step in self.steps if step.news is not None]


@pytest.fixture(scope="module")
def one_shot() -> list[Observation]:
    return film(play([stand(1.0), *reps_of([FORM])], FORM))


def after(seen: Sequence[Observation], seconds: float) -> list[Observation]:
    return later(seen, seconds)


@pytest.fixture(scope="session")
def known(shipped):
    from rimward.live.settings import load_settings

    return load_settings(options={"player": {"stature_m": 1.80}})


def test_each_has_the_own_count_and_the_turns_go_round(known, words, one_shot):
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(one_shot)
    court.next()
    court.see(after(one_shot, 20.0))
    court.next()
    court.see(after(one_shot, 40.0))
    assert court.reps() == [("Ada", 1), ("Ben", 1), ("Ada", 2)]
    assert [(row.name, row.reps, row.turn) for row in court.relay.board] == [("Ada", 2, True), ("Ben", 1, False)]
    assert court.news() == []
    assert court.relay.frames == [2 * len(one_shot), len(one_shot)]


def test_a_shot_in_its_follow_through_belongs_to_the_player_who_leaves(known, words, one_shot):
    court = Court(known, words, {"Ada": None, "Ben": None})
    frames, estimator = filmed(one_shot)
    for sighting in sightings(frames, estimator, court.relay.people_to_ask):
        step = court.relay.step(sighting)
        court.steps.append((court.relay.name, step))
        if step.view.phase == "follow_through":
            break
    court.next()
    assert court.reps() == [("Ada", 1)]
    assert court.relay.count == 0


def test_the_clock_turns_to_the_next_player_but_not_during_a_shot(known, words, one_shot):
    """The time is up in the middle of the shot: it still counts, and for the one who shot."""
    court = Court(known, words, {"Ada": None, "Ben": None}, turn_s=1.9)
    court.see(one_shot)
    assert court.reps() == [("Ada", 1)]
    assert court.news() == [TurnNews.OVER]
    assert court.relay.name == "Ben"
    clocks = [step.view.clock for name, step in court.steps if name == "Ada" and step.view.clock is not None]
    assert clocks[0] == (2, 2)
    assert clocks[-1] == (0, 2)


def test_the_clock_stands_while_paused(known, words):
    court = Court(known, words, {"Ada": None, "Ben": None}, turn_s=1.0)
    court.relay.pipeline.toggle_pause()
    court.see(film(play([stand(3.0)])))
    assert court.news() == []
    assert court.relay.name == "Ada"


def test_another_body_on_the_same_spot_is_asked_about_before_it_shoots(known, words, one_shot):
    court = Court(known, words, {"Ada": 1.80, "Ben": 1.40})
    court.see(one_shot)
    court.next()
    court.see(after(film(play([stand(2.0)], FORM)), 20.0))
    assert court.news() == [TurnNews.WHO]
    name, last = court.steps[-1]
    assert last.view.prompt == "Is this Ben? Y: yes. N: no, these reps out, next player"
    assert court.relay.same_player()
    court.see(after(one_shot, 40.0))
    assert court.news() == [TurnNews.WHO]
    assert court.reps() == [("Ada", 1), ("Ben", 1)]
    assert name == "Ben"


def test_reps_while_nobody_has_answered_are_known_as_doubtful(known, words, one_shot):
    court = Court(known, words, {"Ada": 1.80, "Ben": 1.40})
    court.see(one_shot)
    court.next()
    court.see(after(one_shot, 20.0))
    assert court.relay.asks
    assert court.relay.doubted == [1]
    court.next()
    assert not court.relay.asks
    assert court.relay.doubted == []


def test_a_question_that_nobody_answered_is_dropped_when_the_body_fits_again(known, words, one_shot):
    """Somebody else held the ball for a while; the reps since then stay."""
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(one_shot)
    court.see(after(film(play([stand(2.0)], SMALL)), 20.0))
    assert court.news() == [TurnNews.WHO]
    court.see(after(one_shot, 40.0))
    assert court.news() == [TurnNews.WHO, TurnNews.FITS]
    assert not court.relay.asks
    assert court.reps() == [("Ada", 1), ("Ada", 2)]


def test_the_right_body_is_not_asked_about(known, words, one_shot):
    court = Court(known, words, {"Ada": 1.80, "Ben": 1.40})
    court.see(one_shot)
    court.next()
    court.see(after(film(play([stand(1.0), *reps_of([SMALL])], SMALL)), 20.0))
    court.next()
    court.see(after(one_shot, 40.0))
    assert court.news() == []
    assert not court.relay.same_player()


def test_the_own_size_is_remembered_without_any_stature(known, words, one_shot):
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(one_shot)
    court.next()
    court.next()
    court.see(after(film(play([stand(2.0)], SMALL)), 20.0))
    assert court.news() == [TurnNews.WHO]


def test_the_counts_of_all_are_shown_between_the_shots_and_never_in_one(known, words, one_shot):
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(list(joined(one_shot, film(play([stand(4.0, ball=False)], FORM)))))
    court.see(after(film(play([stand(16.0, ball=False)], FORM)), 20.0))
    shown = [step.view for _, step in court.steps if step.view.scene is Scene.STATION]
    assert shown[-1].board[0].reps == 1
    assert shown[-1].player == "Ada"
    assert all(view.phase in ("waiting", "holding", "landed") for view in shown)


def seconds_of(court: Court, scene: Scene) -> float:
    return sum(step.view.scene is scene for _, step in court.steps) / 30


def test_a_players_first_turn_begins_with_the_cautions_and_no_later_one(known, words):
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(film(play([stand(15.0, ball=False)], FORM)))
    told = [step.view for _, step in court.steps if not step.view.trouble]
    assert told[0].scene is Scene.CAUTIONS
    assert told[0].player == "Ada"
    assert told[-1].scene is Scene.STATION
    assert seconds_of(court, Scene.CAUTIONS) == pytest.approx(10.0, abs=0.2)
    for _ in court.relay.rows:
        court.next()
    court.steps.clear()
    court.see(after(film(play([stand(6.0, ball=False)], FORM)), 40.0))
    assert seconds_of(court, Scene.CAUTIONS) == 0.0
    assert next(step.view.prompt for _, step in court.steps if not step.view.trouble) == "Ada"


def test_who_shoots_at_once_has_seen_the_cautions_before_and_reads_the_rest_afterwards(known, words, one_shot):
    """The player comes with the ball in the hands: while it is held the page stands, during the shot it does not."""
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(list(joined(one_shot, film(play([stand(16.0, ball=False)], FORM)))))
    before = [step.view for _, step in court.steps if step.view.count == 0 and not step.view.trouble]
    assert before[0].scene is Scene.CAUTIONS
    assert {view.phase for view in before if view.scene is Scene.CAUTIONS} <= {"waiting", "holding", "landed"}
    assert seconds_of(court, Scene.CAUTIONS) == pytest.approx(10.0, abs=0.2)
    rep = next(k for k, (_, step) in enumerate(court.steps) if step.rep is not None)
    assert all(step.view.scene is Scene.PRACTICE for _, step in court.steps[rep : rep + 60])  # what was said of it
    quiet = ("waiting", "holding", "landed")
    began = next(k for k, (_, step) in enumerate(court.steps) if step.view.phase not in quiet)
    assert all(step.view.scene is not Scene.CAUTIONS for _, step in court.steps[began:rep])  # no page into a shot


def test_the_next_player_shows_also_while_no_frame_comes(known, words, one_shot):
    """A held clip: N is pressed."""
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(one_shot)
    court.next()
    shown = court.relay.seen_again()
    assert shown is not None
    assert (shown.player, shown.count) == ("Ben", 0)


def test_a_reached_goal_names_who_is_next_until_somebody_goes_on(known, words, one_shot):
    court = Court(known, words, {"Ada": None, "Ben": None}, goal=1)
    court.see(one_shot)
    assert not any("Ben" in step.view.prompt for _, step in court.steps[:-1] if step.view.count == 0)
    for k in (1, 2):
        court.see(after(film(play([stand(16.0, ball=False)], FORM)), 20.0 * k))
        assert court.steps[-1][1].view.prompt == "Goal reached. Next: Ben (N, or by arms)"
    court.next()
    court.see(after(one_shot, 60.0))
    court.see(after(film(play([stand(16.0, ball=False)], FORM)), 80.0))
    assert court.steps[-1][1].view.prompt == text(words, "goal_last")


def test_the_name_of_who_comes_next_is_an_answer_and_who_follows_after_a_goal_is_none(known, words, one_shot):
    """Other words that take the big place wait for an answer (outputs.py), also on the page of cautions."""
    court = Court(known, words, {"Ada": None, "Ben": None}, goal=1)
    court.see(one_shot)
    court.next()
    court.see(after(film(play([stand(12.0, ball=False)], FORM)), 20.0))
    named = [step.view for name, step in court.steps if name == "Ben" and step.view.prompt == "Ben"]
    assert {view.scene for view in named if view.answers} == {Scene.CAUTIONS}
    assert [view.answers for view in named] == sorted((view.answers for view in named), reverse=True)
    assert not named[-1].answers  # the page stands longer
    court.next()
    court.see(after(film(play([stand(12.0, ball=False)], FORM)), 40.0))
    court.next()
    court.see(after(film(play([stand(1.0, ball=False)], FORM)), 60.0))
    last = court.steps[-1][1].view
    assert (last.scene, last.prompt, last.answers) == (Scene.STATION, "Ben", True)
    court.next()
    court.see(after(film(play([stand(16.0, ball=False)], FORM)), 80.0))
    last = court.steps[-1][1].view
    assert (last.prompt, last.answers) == ("Goal reached. Next: Ben (N, or by arms)", False)


def test_the_name_waits_for_somebody_who_can_read_it(known, words, one_shot):
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(list(joined(without_body(film(play([stand(6.0)], FORM)), 0.0, 6.0), film(play([stand(1.0)], FORM)))))
    assert court.steps[-1][1].view.prompt == "Ada"


def test_while_the_camera_gives_nothing_name_and_goal_stay_and_keys_are_answered(known, words, one_shot):
    court = Court(known, words, {"Ada": None, "Ben": None})
    court.see(one_shot)
    t_s = one_shot[-1].t_s + 1.0
    assert court.relay.pipeline.judge_last("made") == 1
    shown = court.relay.troubled(SourceTrouble(t_s + 5.0, "The camera is unplugged"))
    assert (shown.trouble, shown.status, shown.prompt) == (True, "The camera is unplugged", "")
    assert (shown.player, shown.count, shown.tally) == ("Ada", 1, "made 1 of 1 known")
    court.relay.pipeline.discard_last()
    again = court.relay.seen_again()
    assert again is not None
    assert (again.trouble, again.prompt, again.count) == (True, "Rep 1 taken out", 0)
    later_on = court.relay.troubled(SourceTrouble(t_s + 8.0, "The camera is unplugged"))
    assert later_on.prompt == ""
    court.see(after(film(play([stand(1.0)], FORM)), 40.0))
    assert not court.steps[-1][1].view.trouble


def test_a_player_alone_has_no_board_and_is_never_asked(known, words, one_shot):
    relay = Relay([Turn("Ada", Pipeline(known, words, "Ada"), 1.20)], words)
    frames, estimator = filmed(one_shot)
    views = [relay.step(sighting).view for sighting in sightings(frames, estimator, relay.people_to_ask)]
    assert relay.board == ()
    assert {view.scene for view in views} == {Scene.PRACTICE}
    assert relay.count == 1


# ---- sizes


def watched(statures: dict[str, float | None], *sizes: tuple[str, Size]) -> SizeWatch:
    """Each of these players was seen at this size and confirmed."""
    watch = SizeWatch(statures)
    for name, size in sizes:
        watch.begin()
        look(watch, size)
        watch.confirm(name)
    watch.begin()
    return watch


def look(watch: SizeWatch, size: Size) -> None:
    for k in range(30):
        watch.look(k / 30, size)


def at(value: float, x: float = 0.5, y: float = 0.9, metric: bool = False) -> Size:
    import numpy as np

    return Size(value, metric, np.array([x, y]))


@pytest.mark.parametrize(
    ("now", "fits"),
    [
        (at(0.60), True),
        (at(0.60 * (1 + OFF_OWN) - 0.001), True),
        (at(0.60 * (1 + OFF_OWN) + 0.001), False),
        (at(0.60 * (1 - OFF_OWN) - 0.001), False),
        (at(0.80, y=0.99), None),
        (at(0.80, x=0.9), None),
    ],
)
def test_sizes_in_the_picture_are_compared_on_the_same_spot_only(now, fits):
    watch = watched({}, ("Ada", at(0.60)))
    look(watch, now)
    assert watch.fits("Ada") is fits


def test_somebody_else_on_the_spot_is_a_yardstick_where_both_statures_are_known():
    watch = watched({"Ada": 1.80, "Ben": 1.50, "Cleo": None}, ("Ada", at(0.60)))
    look(watch, at(0.50))
    assert watch.fits("Ben") is True
    assert watch.fits("Cleo") is None
    watch.begin()
    look(watch, at(0.60))
    assert watch.fits("Ben") is False


@pytest.mark.parametrize(("value", "fits"), [(1.45 * 1.05, True), (1.45 * 1.11, True), (1.88, False), (1.20, False)])
def test_metres_are_held_against_the_stature(value, fits):
    watch = watched({"Ada": 1.45})
    look(watch, at(value, metric=True))
    assert watch.fits("Ada") is fits


def test_a_glimpse_says_nothing():
    watch = watched({"Ada": 1.45})
    watch.look(0.0, at(1.9, metric=True))
    assert watch.fits("Ada") is None
