"""What becomes of reps: into a real store through a real recorder, to the ear and to the lines, in that order.

Which rep a key or an arm means is the pipeline's business and tested there (test_pipeline.py, test_relay.py): here a
stand-in names it.
"""

from __future__ import annotations

import json
import threading
from contextlib import closing
from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
import pytest
from calibration_scenes import camera_at

from rimward.live import scorer
from rimward.live.arms_out import Answer
from rimward.live.entrants import Kept, Part
from rimward.live.errors import StoreError
from rimward.live.gestures import Gesture
from rimward.live.outputs import Lines, Sounds
from rimward.live.pipeline import Step
from rimward.live.places import DATABASE
from rimward.live.recorder import Recorder
from rimward.live.records import Events, Feedback, Rep, Tone, View
from rimward.live.relay import TurnNews
from rimward.live.scorer import Scorer
from rimward.live.skeleton import COUNT
from rimward.live.store import Store, open_store
from rimward.live.trace import Trace
from rimward.live.traces import load_trace, noted_film

TRACE = Trace(
    (64, 48), 50.0, np.zeros(1, int), np.zeros(1), np.zeros((1, COUNT, 2)), np.ones((1, COUNT)), np.zeros((1, 3))
)


def a_step(index: int, **changes) -> Step:
    """A frame with which a rep was counted."""
    rep = Rep(index, "right", Events(None, None, None, 1.0, 2.0, None, None), None, None, {})
    return Step(View(float(index), None, count=index), rep, Feedback(float(index), Tone.COUNT), **changes)


def nothing_but(**changes) -> Step:
    """A frame without a rep."""
    return Step(View(50.0, None), **changes)


@dataclass
class Named:
    """In place of a pipeline: the rep that a key means, None without one."""

    index: int | None = None
    told: Feedback | None = None

    def judge_last(self, result: str) -> int | None:
        return self.index

    def call_last_good(self) -> int | None:
        return self.index

    def discard_last(self) -> int | None:
        return self.index

    def put_back_last(self) -> int | None:
        return self.index

    def tell_last(self) -> Feedback | None:
        return self.told


@dataclass
class Turns:
    """In place of a relay of two."""

    pipeline: Named = field(default_factory=Named)
    now: int = 0
    doubted: list[int] = field(default_factory=list)
    asks: bool = False
    in_the_air: Step | None = None
    """Read as the turn ends."""

    @property
    def name(self) -> str:
        return ("Ada", "Ben")[self.now]

    def leave(self) -> Step | None:
        return self.in_the_air

    def begin_next(self) -> str:
        self.now, self.asks, self.doubted = 1 - self.now, False, []
        return self.name

    def same_player(self) -> bool:
        asked, self.asks = self.asks, False
        return asked


class Heard:
    """In place of a speaker."""

    muted = False

    def __init__(self) -> None:
        self.played: list[Feedback] = []

    def play(self, feedback: Feedback) -> None:
        self.played.append(feedback)

    @property
    def tones(self) -> list[Tone]:
        return [one.tone for one in self.played]


class Printed:
    """In place of standard output."""

    def __init__(self) -> None:
        self.lines: list[dict] = []

    def line(self, text: str) -> None:
        self.lines.append(json.loads(text))


class Desk:
    """A station of two before a store of their own, and all that came of what was counted and said."""

    def __init__(self, store: Store, words, as_json: bool = True, **more) -> None:
        self.store, self.turns, self.heard, self.printed = store, Turns(), Heard(), Printed()
        self.said: list[str] = []
        self.looks: list[int] = []
        sounds = Sounds(self.heard)
        self.parts = []
        for name in ("Ada", "Ben"):
            start = dict(player=name, hand="right", source="camera", settings_digest="", app_version="1")
            kept = Kept(lambda start=start: store.start_session(**start))
            self.parts.append(Part(name, kept, Recorder(kept, sounds.play, self.said.append)))
        lines = Lines(self.printed, self.said.append, json=as_json, shown=False, station=True)
        look = lambda: self.looks.append(len(store.reps(self.session)) if store.readable else 0)  # noqa: E731
        source = more.pop("source", None)
        self.scorer = Scorer(
            self.parts, lambda: self.turns, store, words, sounds, lines, self.said.append, look, source, **more
        )

    def counts(self, *indices: int) -> Desk:
        for index in indices:
            self.scorer.heed(a_step(index))
        return self

    def means(self, index: int | None) -> Scorer:
        """What a key means next."""
        self.turns.pipeline.index = index
        return self.scorer

    @property
    def session(self) -> str:
        return self.parts[0].kept.writer.id

    def settled(self) -> Desk:
        """All that was asked of the disk is done."""
        for part in self.parts:
            assert part.recorder.close()
        return self

    def kinds(self) -> list[tuple[str, int]]:
        return [(line["kind"], line["index"]) for line in self.printed.lines]


@pytest.fixture
def desk(tmp_path, words):
    with closing(open_store(tmp_path, lambda line: None)) as store:
        yield Desk(store, words)


@pytest.fixture
def terminal(tmp_path, words):
    """Neither window nor JSON."""
    with closing(open_store(tmp_path, lambda line: None)) as store:
        yield Desk(store, words, as_json=False)


# -------------------------------------------------------------------------------------------------- what frames bring
def test_a_rep_is_saved_then_heard_then_told_and_the_disk_is_looked_at(desk):
    desk.counts(1, 2).settled()
    assert [rep.index for rep in desk.store.reps(desk.session)] == [1, 2]
    assert desk.looks == [1, 2]
    assert [one.t_s for one in desk.heard.played] == [1.0, 2.0]
    assert desk.kinds() == [("rep", 1), ("rep", 2)]
    assert {line["player"] for line in desk.printed.lines} == {"Ada"}
    assert [rep.index for rep in desk.parts[0].reps] == [1, 2]
    assert desk.scorer.last_told.t_s == 2.0


def test_a_frame_without_a_rep_leaves_nothing(desk):
    desk.scorer.heed(nothing_but())
    desk.settled()
    assert (desk.kinds(), desk.heard.played, desk.said, desk.scorer.last_told) == ([], [], [], None)
    assert desk.store.sessions() == []


def test_without_window_and_json_reps_are_told_in_the_terminal_with_their_words(terminal):
    spoken = a_step(2)
    terminal.scorer.heed(a_step(1))
    terminal.scorer.heed(replace(spoken, feedback=replace(spoken.feedback, prompt="One more")))
    terminal.settled()
    assert terminal.said == ["Ada, rep 1", "Ada, rep 2: One more"]
    assert terminal.printed.lines == []


def test_limb_lengths_are_told_and_confirmed_only_when_they_were_measured(desk):
    desk.scorer.heed(nothing_but(set_up=Answer(False, "Both arms must be seen")))
    assert desk.heard.tones == []
    desk.scorer.heed(nothing_but(set_up=Answer(True, "Arm: 0.62 m")))
    assert desk.heard.tones == [Tone.CONFIRM]
    assert desk.said == ["Both arms must be seen", "Arm: 0.62 m"]


def test_what_the_ring_saw_is_kept_and_only_a_make_is_heard(desk):
    desk.counts(1, 2)
    desk.scorer.heed(nothing_but(result=(1, "missed")))
    desk.scorer.heed(nothing_but(result=(2, "made")))
    desk.settled()
    assert [rep.result for rep in desk.store.reps(desk.session)] == ["missed", "made"]
    assert [rep.result for rep in desk.parts[0].reps] == ["missed", "made"]
    assert [line["result"] for line in desk.printed.lines if line["kind"] == "result"] == ["missed", "made"]
    assert [tone for tone in desk.heard.tones if tone is not Tone.COUNT] == [Tone.MADE]


@pytest.mark.parametrize(
    ("gesture", "tone", "kind"),
    [
        (Gesture.MADE, Tone.MADE, "result"),
        (Gesture.GOOD, Tone.CONFIRM, None),
        (Gesture.DISCARD, Tone.CONFIRM, "discard"),
        (Gesture.PAUSE, Tone.CONFIRM, None),
    ],
)
def test_arms_say_the_same_as_keys(desk, gesture, tone, kind):
    desk.counts(1).means(1)
    desk.scorer.heed(nothing_but(gesture=gesture))
    desk.settled()
    assert desk.heard.tones.count(tone) == len(desk.heard.tones) - 1 == 1
    assert desk.kinds() == [("rep", 1)] + ([(kind, 1)] if kind else [])
    good = [note for note in desk.store.notes(desk.session) if note.kind == "good"]
    assert len(good) == (gesture is Gesture.GOOD)


# ---------------------------------------------------------------------------------------------- what is said of a rep
@pytest.mark.parametrize(("result", "tone"), [("made", Tone.MADE), ("missed", Tone.CONFIRM)])
def test_a_result_is_kept_with_its_rep_and_heard(desk, result, tone):
    desk.counts(1, 2).means(1).note_result(result)
    desk.settled()
    assert [rep.result for rep in desk.store.reps(desk.session)] == [result, None]
    assert [rep.result for rep in desk.parts[0].reps] == [result, None]
    assert desk.printed.lines[-1] == {"kind": "result", "index": 1, "result": result, "player": "Ada"}
    assert tone in desk.heard.tones


def test_what_is_said_of_a_ball_in_the_air_is_heard_and_waits_for_its_rep(desk):
    desk.counts(1)
    desk.means(2).note_result("made")
    desk.means(2).call_good()
    step = a_step(2, called_good=True)
    desk.scorer.heed(replace(step, rep=replace(step.rep, result="made")))
    desk.settled()
    assert [rep.result for rep in desk.store.reps(desk.session)] == [None, "made"]
    assert [(note.rep_index, note.kind) for note in desk.store.notes(desk.session)] == [(2, "good")]
    assert desk.kinds() == [("rep", 1), ("rep", 2)]
    assert sorted(desk.heard.tones) == sorted([Tone.COUNT, Tone.MADE, Tone.CONFIRM, Tone.COUNT])
    assert desk.said == []


def test_where_there_is_no_rep_nothing_is_kept_and_nothing_heard(desk):
    judge = desk.means(None)
    for ask in (lambda: judge.note_result("made"), judge.call_good, judge.tell, judge.discard, judge.restore):
        ask()
    desk.settled()
    assert (desk.kinds(), desk.heard.played, desk.said) == ([], [], [])


def test_a_good_rep_is_noted_and_said_and_a_make_too(terminal):
    terminal.counts(1, 2).means(1).note_result("made")
    terminal.means(2).call_good()
    terminal.settled()
    assert terminal.said[-2] == "Ada, rep 1: made"
    assert [(note.rep_index, note.kind) for note in terminal.store.notes(terminal.session)] == [(2, "good")]
    assert terminal.said[-1] == "Ada, rep 2: good"
    assert Tone.CONFIRM in terminal.heard.tones


@pytest.mark.parametrize(("praise", "answer"), [("Better", "Better"), (None, "")], ids=["words", "a tone alone"])
def test_what_somebody_asks_is_answered_and_kept_with_the_last_rep(desk, praise, answer):
    desk.counts(1, 2, 3)
    desk.turns.pipeline.told = Feedback(9.0, Tone.COUNT, praise=praise)
    desk.scorer.tell()
    desk.settled()
    assert [rep.answer for rep in desk.store.reps(desk.session)] == [None, None, answer]
    assert [rep.answer for rep in desk.parts[0].reps] == [None, None, answer]
    assert desk.printed.lines[-1] == {"kind": "answer", "index": 3, "answer": answer, "player": "Ada"}
    assert desk.heard.played.count(desk.turns.pipeline.told) == 1


def test_a_rep_that_is_taken_out_comes_back_to_its_place(desk):
    desk.counts(1, 2, 3)
    desk.means(2).discard()
    assert [rep.index for rep in desk.parts[0].reps] == [1, 3]
    assert list(desk.parts[0].taken) == [2]
    assert desk.scorer.last_told is None  # the last screen shows no rep that is none
    desk.means(2).restore()
    assert [rep.index for rep in desk.parts[0].reps] == [1, 2, 3]
    assert list(desk.parts[0].taken) == []
    desk.means(3).discard()
    desk.settled()
    assert [rep.index for rep in desk.store.reps(desk.session)] == [1, 2]
    assert desk.kinds()[3:] == [("discard", 2), ("restore", 2), ("discard", 3)]
    assert desk.heard.tones.count(Tone.CONFIRM) == 3


def test_taken_out_and_back_again_is_said_in_the_terminal(terminal):
    terminal.counts(1).means(1).discard()
    terminal.scorer.restore()
    terminal.settled()
    assert terminal.said[1:] == ["Ada, rep 1 was taken out", "Ada, rep 1 counts again"]


# ------------------------------------------------------------------------------------------- for a later look
@pytest.mark.parametrize("counted", [True, False])
def test_a_trace_is_kept_with_the_film_that_it_came_from(tmp_path, words, counted):
    """And that its frames are found again only by counting, where the source says so."""
    clip = tmp_path / "gym.mp4"
    clip.write_bytes(b"pictures")
    source = SimpleNamespace(counted=True) if counted else SimpleNamespace()
    with closing(open_store(tmp_path / "data", lambda line: None)) as store:
        desk = Desk(store, words, clip=clip, source=source)
        desk.scorer.heed(a_step(1, trace=TRACE))
        desk.settled()
        kept = load_trace(store.folder, desk.session, 1)
        assert (kept.film, kept.counted) == ("gym.mp4", counted)
        assert noted_film(store.folder, desk.session)


def test_a_trace_without_a_film_names_none(desk):
    desk.scorer.heed(a_step(1, trace=TRACE))
    desk.settled()
    assert load_trace(desk.store.folder, desk.session, 1).film == noted_film(desk.store.folder, desk.session) == ""
    assert desk.said == []


def test_without_a_database_nothing_but_reps_is_kept(tmp_path, words):
    """They wait in a side file; the trace of a rep that no table knows yet would lie about without an owner."""
    (tmp_path / DATABASE).mkdir()
    with closing(open_store(tmp_path, lambda line: None)) as store:
        assert store.engine is None
        desk = Desk(store, words)
        desk.scorer.heed(a_step(1, trace=TRACE))
        desk.settled()
        assert desk.parts[0].aside == 1
        assert load_trace(tmp_path, desk.session, 1) is None
        assert desk.said == []


def test_a_trace_that_cannot_be_kept_is_said_once_and_costs_no_rep(desk, monkeypatch):
    tried = []

    def full(folder, session, index, trace):
        tried.append(index)
        raise StoreError("the disk is full")

    monkeypatch.setattr(scorer, "save_trace", full)
    desk.scorer.heed(a_step(1, trace=TRACE))
    worked = threading.Event()
    desk.parts[0].recorder.then(worked.set)
    assert worked.wait(30)
    desk.scorer.heed(a_step(2, trace=TRACE))
    desk.settled()
    assert desk.said == ["No rep of this session can be looked at later: the disk is full"]
    assert tried == [1]
    assert [rep.index for rep in desk.store.reps(desk.session)] == [1, 2]


@pytest.mark.parametrize("calibrated", [True, False])
def test_the_sessions_view_is_that_of_most_of_its_reps(tmp_path, words, monkeypatch, calibrated):
    seen = iter(["side", None, "front", "front"])
    monkeypatch.setattr(scorer, "viewpoint", lambda calibration, trace: next(seen))
    place = camera_at((3.85, -4.4754, 1.0), (0.0, -4.4754, 0.73)) if calibrated else None
    views = []
    with closing(open_store(tmp_path, lambda line: None)) as store:
        desk = Desk(store, words, calibration=place)
        for index in range(1, 5):
            desk.scorer.heed(a_step(index, trace=TRACE))
            desk.parts[0].recorder.then(lambda: views.append(store.session(desk.session).start.view))
        desk.settled()
    assert views == (["side", "side", "side", "front"] if calibrated else [None] * 4)


# ---------------------------------------------------------------------------------------------- whose turn it is
def test_the_next_player_is_called_and_reps_go_there(desk, words):
    desk.counts(1)
    desk.scorer.next()
    desk.counts(1).settled()
    assert [[rep.index for rep in part.reps] for part in desk.parts] == [[1], [1]]
    assert sorted(line["player"] for line in desk.printed.lines) == ["Ada", "Ben"]  # each has a recorder
    assert [one.prompt for one in desk.heard.played if one.prompt] == ["Next: Ben"]
    assert desk.said == []


def test_in_the_terminal_the_next_player_is_named(terminal):
    terminal.scorer.next()
    assert terminal.said == ["Next: Ben"]


@pytest.mark.parametrize(
    "step",
    [nothing_but(news=TurnNews.OVER), nothing_but(gesture=Gesture.NEXT)],
    ids=["time is up", "arm signal"],
)
def test_the_clock_and_the_arms_turn_to_the_next_player_and_answer_no_question(desk, step):
    """Nobody said who shot these reps: they stay with the player of the turn, and the history says so."""
    desk.counts(1, 2, 3)
    desk.turns.asks, desk.turns.doubted = True, [2, 3]
    desk.scorer.heed(step)
    desk.settled()
    assert desk.turns.now == 1
    assert [rep.index for rep in desk.store.reps(desk.session)] == [1, 2, 3]
    noted = [(note.rep_index, note.text) for note in desk.store.notes(desk.session)]
    assert noted == [(2, "The body did not fit Ada"), (3, "The body did not fit Ada")]


def test_who_goes_on_to_the_next_player_by_a_key_says_that_the_reps_in_doubt_are_not_this_players(desk):
    desk.counts(1, 2, 3)
    desk.turns.asks, desk.turns.doubted = True, [2, 3]
    desk.turns.pipeline.discard_last = iter([3, 2, 1]).__next__
    desk.scorer.next()
    desk.settled()
    assert [rep.index for rep in desk.store.reps(desk.session)] == [1]
    assert desk.said == [f"Rep {index} is not Ada's and is taken out." for index in (3, 2)]
    assert desk.store.notes(desk.session) == []


@pytest.mark.parametrize("before", [[], [2]], ids=["the first in doubt", "after another in doubt"])
def test_a_shot_that_is_still_in_its_follow_through_then_is_in_doubt_too(desk, before):
    """The same stranger shot it while it was asked who that is: it goes with the reps before, and takes none with it
    that stands.
    """
    desk.counts(1, *before)
    last = 1 + len(before) + 1
    desk.turns.asks, desk.turns.doubted, desk.turns.in_the_air = True, list(before), a_step(last)
    desk.turns.pipeline.discard_last = iter(range(last, 0, -1)).__next__
    desk.scorer.next()
    desk.settled()
    assert [rep.index for rep in desk.store.reps(desk.session)] == [1]


@pytest.mark.parametrize(("counted", "left"), [((1, 2), [1]), ((1,), [])])
def test_a_rep_in_doubt_that_was_taken_out_before_takes_no_other_with_it(desk, counted, left):
    desk.counts(*counted).means(counted[-1]).discard()
    desk.turns.asks, desk.turns.doubted = True, [counted[-1]]
    desk.means(1).next()
    desk.settled()
    assert [rep.index for rep in desk.store.reps(desk.session)] == left
    assert desk.said == []


def test_a_turn_that_ends_with_a_word_of_the_ring_alone_puts_no_rep_in_doubt(desk):
    desk.counts(1)
    desk.turns.asks, desk.turns.in_the_air = True, nothing_but(result=(1, "made"))
    desk.scorer.next()
    desk.settled()
    assert [rep.result for rep in desk.store.reps(desk.session)] == ["made"]


def test_when_the_arms_turn_to_the_next_player_such_a_shot_stays_and_is_noted(desk):
    desk.counts(1)
    desk.turns.asks, desk.turns.in_the_air = True, a_step(2)
    desk.scorer.heed(nothing_but(gesture=Gesture.NEXT))
    desk.settled()
    assert [rep.index for rep in desk.store.reps(desk.session)] == [1, 2]
    assert [note.rep_index for note in desk.store.notes(desk.session)] == [2]


def test_a_shot_in_its_follow_through_belongs_to_the_player_who_leaves(desk):
    desk.turns.in_the_air = a_step(1)
    desk.scorer.next()
    desk.settled()
    assert [[rep.index for rep in part.reps] for part in desk.parts] == [[1], []]
    assert desk.said == []


def test_a_body_that_does_not_fit_is_asked_about(desk):
    desk.scorer.heed(nothing_but(news=TurnNews.WHO))
    assert [one.prompt for one in desk.heard.played] == ["Is this Ada?"]
    assert desk.said == ["The body does not fit Ada: say who shoots (keys Y, N)."]
    assert desk.turns.now == 0


def test_reps_in_doubt_are_noted_once_when_the_body_fits_again(desk):
    desk.counts(1)
    desk.turns.doubted = [1]
    desk.scorer.heed(nothing_but(news=TurnNews.FITS))
    assert desk.turns.doubted == []
    desk.scorer.note_doubts()
    desk.settled()
    assert [note.rep_index for note in desk.store.notes(desk.session)] == [1]
    assert desk.turns.now == 0


@pytest.mark.parametrize("asked", [True, False])
def test_that_it_is_the_player_of_the_turn_is_confirmed_where_it_was_asked(desk, asked):
    desk.turns.asks = asked
    desk.scorer.same_player()
    assert desk.heard.tones == [Tone.CONFIRM] * asked
