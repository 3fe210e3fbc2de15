"""The review window with synthetic keys, on a film whose frames carry their number: what was asked for is shown."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from builders import Form
from filmed_reps import number_in, numbered_film, rep_of
from program import eventually

from rimward.live.checks import judge
from rimward.live.desk import LISTED, Desk, Remark
from rimward.live.figure import Take
from rimward.live.records import Cue, Finding, Measurement
from rimward.live.reels import Films, Keeper, Reel, reels
from rimward.live.review_screen import KEY_TABLE, KEYS, ReviewPainter, ReviewWindow
from rimward.live.screen import STYLE
from rimward.live.settings import load_settings
from rimward.live.store import Store, open_store
from rimward.live.traces import save_trace

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame

FORMS = (Form(), Form(set_above_eyes_m=-0.1), Form(jump_m=0.2))


@pytest.fixture
def store(tmp_path) -> Store:
    """A session of three reps from a film, of a player who allows pictures."""
    store = open_store(tmp_path / "data")
    store.add_player("Sam", pictures=True, birth_year=1990)
    writer = store.start_session(player="Sam", hand="auto", source="film.mp4", settings_digest="x", app_version="0")
    longest = 0
    for index, form in enumerate(FORMS, 1):
        taken = rep_of(form, index=index, path=str(tmp_path / "film.mp4"))
        writer.save(taken.rep)
        save_trace(store.folder, writer.id, index, taken.trace)
        longest = max(longest, int(taken.trace.frames[-1]))
    writer.close()
    numbered_film(tmp_path / "film.mp4", longest + 1)
    return store


@pytest.fixture
def shown(store) -> list[Reel]:
    return reels(store, ["last"])


def press(key: str, *, shift: bool = False) -> None:
    """As from the keyboard."""
    code = pygame.key.key_code(key)
    letter = " " if key == "space" else key if len(key) == 1 else ""
    letter, mod = (letter.upper(), pygame.KMOD_LSHIFT) if shift else (letter, 0)
    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=code, unicode=letter, mod=mod))


class Stage:
    """The window on no screen, and the numbers of the frames that it asked for and drew."""

    def __init__(self, store: Store, shown: list[Reel], monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
        self.store, self.shown = store, shown
        self.desk = Desk([reel.take for reel in shown], [reel.remark for reel in shown])
        self.numbers: list[tuple[int, int]] = []
        """(number in the picture, number of the sample's frame) of each picture that was drawn."""
        self.kept: list[Take] = []
        self.surface: np.ndarray | None = None

    def run(self, person: Callable[[], None]) -> None:
        window = ReviewWindow()
        stop = threading.Event()
        guard = threading.Timer(60.0, stop.set)
        guard.start()
        helper = threading.Thread(target=person, daemon=True)
        helper.start()

        def keep_pictures(taken: Take) -> str:
            self.kept.append(taken)
            return "Key pictures are in pictures"

        with Films(self.shown) as films:

            def picture(taken: Take, k: int) -> np.ndarray | None:
                image = films.picture(taken, k)
                if image is not None:
                    self.numbers.append((number_in(image), int(taken.trace.frames[k])))
                return image

            try:
                window.run(self.desk, picture, Keeper(self.store, self.shown).keep, keep_pictures, stop)
                assert guard.is_alive(), "did not end by itself"
                self.surface = pygame.surfarray.array3d(pygame.display.get_surface())
            finally:
                guard.cancel()
                window.close()
            assert films.troubles == []
        helper.join(10)


@pytest.fixture
def stage(store, shown, monkeypatch) -> Stage:
    return Stage(store, shown, monkeypatch)


def share_of(pixels: np.ndarray, colour: tuple[int, int, int]) -> float:
    return float((np.abs(pixels.astype(int) - colour).max(axis=2) < 12).mean())


@pytest.fixture
def fourth_low(tmp_path) -> Store:
    """Three good reps, the fourth sets the ball low and is told so, a fifth that is good."""
    store, settings = open_store(tmp_path / "fourth"), load_settings()
    store.add_player("Sam")
    writer = store.start_session(player="Sam", hand="auto", source="camera", settings_digest="x", app_version="0")
    for index, above_m in enumerate((0.10, 0.12, 0.10, -0.15, 0.10), 1):
        taken = rep_of(Form(set_above_eyes_m=above_m), index=index)
        findings = judge(taken.rep, settings.check_bands(), settings.cues.clear_sigmas)
        cue = Cue("Ball above your eyes", "set_point_height") if above_m < 0 else None
        writer.save(replace(taken.rep, findings=findings, cue=cue))
        save_trace(store.folder, writer.id, index, taken.trace)
    writer.close()
    return store


def test_a_key_goes_to_the_rep_that_was_out_of_its_band_and_shift_goes_back(fourth_low, monkeypatch):
    """A ball set below the eyes is a fault: common practice, no source."""
    stage = Stage(fourth_low, reels(fourth_low, ["last"]), monkeypatch)
    seen: list[str] = []

    def person() -> None:
        for key, shift in (("x", False), ("x", False), ("down", False), ("x", True), ("g", True)):
            stage.desk.words = "waiting"
            press(key, shift=shift)
            assert eventually(lambda: stage.desk.words != "waiting")
            seen.append(f"{stage.desk.take.rep.index} {stage.desk.words}".strip())
        press("q")

    stage.run(person)
    assert seen == ["4", "4 No rep after this one has a value clearly out of its band", "5", "4", "4"]
    assert stage.desk.take.title == "Sam \N{MIDDLE DOT} camera rep 4"
    assert stage.desk.remarks[3].good  # other keys do the same with Shift held


def test_what_was_out_of_its_band_stands_out_when_its_rep_is_shown(fourth_low):
    shown = reels(fourth_low, ["last"])
    desk = Desk([reel.take for reel in shown], [reel.remark for reel in shown])

    def orange() -> float:
        surface = pygame.Surface((1280, 720))
        ReviewPainter().draw(surface, desk, lambda taken, k: None)
        return share_of(pygame.surfarray.array3d(surface)[960:], STYLE.alarm)  # the values beside the picture

    assert orange() == 0.0
    desk.act("next_out")
    assert orange() > 0.0005


OUT = {"step_rhythm": "guide_foot_lead_s", "stagger": "foot_stagger_m", "shoulder_turn": "shoulder_turn_deg"}
OUT |= {check: f"{check}_deg" for check in ("invented", "more", "still_more", "and_more", "again", "last")}


def all_out(taken: Take, last_deg: float = -1234.56) -> Take:
    """The same rep with many values out of their bands, the longest words for them, and the longest cue."""
    measured = {name: Measurement(-1234.56, 0.04, "lifted") for name in OUT.values()}
    measured["last_deg"] = Measurement(last_deg, 0.04, "lifted")
    findings = tuple(Finding(check, "above", name, 3.0) for check, name in OUT.items())
    cue = Cue("Handgelenksüberstreckungen vermeiden, Ellenbogenstreckung abwarten, dann durchdrücken", "arm_line")
    rep = replace(taken.rep, measurements={**taken.rep.measurements, **measured}, findings=findings, cue=cue)
    return replace(taken, rep=rep)


def changed(one: Take, other: Take, mode: str, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Columns and rows of what differs between their pictures; beside each stands the same rep again."""
    drawn = []
    for taken in (one, other):
        desk = Desk([taken, replace(taken, name="again")], [Remark()] * 2)
        while desk.mode != mode:
            desk.act("compare")
        surface = pygame.Surface(size)
        ReviewPainter().draw(surface, desk, lambda taken, k: None)
        drawn.append(pygame.surfarray.array3d(surface).astype(int))
    return np.nonzero(np.abs(drawn[1] - drawn[0]).max(axis=2))


@pytest.mark.parametrize("size", [(1280, 720), (1024, 600), (640, 360)])
@pytest.mark.parametrize("mode", ["one", "beside"])
def test_however_many_values_are_out_all_are_shown_and_no_word_leaves_the_panel(shown, size, mode):
    plain, (width, height) = shown[0].take, size
    columns, rows = changed(plain, all_out(plain), mode, size)
    assert columns.min() > 0.74 * width
    assert columns.max() < width - 0.02 * height - 2
    assert rows.max() < 0.86 * height
    columns, _ = changed(all_out(plain), all_out(plain, last_deg=-6543.21), mode, size)
    assert columns.size > 0, "the last of them is not there"


def every_value(taken: Take, jump_m: float | None = 0.31) -> Take:
    """A rep that has all the values which stand beside the picture, the last of them to be chosen."""
    measured = {name: Measurement(0.25, 0.03, "image") for name in LISTED}
    last = Measurement.missing("not seen") if jump_m is None else Measurement(jump_m, 0.03, "image")
    rep = replace(taken.rep, measurements=measured | {"jump_height_m": last}, findings=())
    return replace(taken, rep=rep)


@pytest.mark.parametrize(("size", "all_there"), [((1920, 1080), True), ((640, 360), False)])
def test_in_comparison_every_value_is_there_or_is_counted(shown, size, all_there):
    plain = shown[0].take
    columns, _ = changed(every_value(plain), every_value(plain, 0.47), "beside", size)
    assert (columns.size > 0) is all_there
    columns, _ = changed(every_value(plain), every_value(plain, None), "beside", size)
    assert columns.size > 0  # the value, or the number of those that are not shown


def test_every_frame_that_is_shown_is_the_one_that_was_asked_for(stage):
    def person() -> None:
        assert eventually(lambda: stage.numbers)
        for key in ("d", "left", "left", "right", "s", "right", "r", "left", "left", "down", "s", "up", "tab", "right"):
            before = len(stage.numbers)
            press(key)
            assert eventually(lambda before=before: len(stage.numbers) > before)
        press("q")

    stage.run(person)
    assert len(stage.numbers) >= 16
    assert all(seen == asked for seen, asked in stage.numbers)
    assert len({asked for _, asked in stage.numbers}) >= 8


def test_marks_and_notes_are_in_the_database(stage, store, shown):
    def person() -> None:
        assert eventually(lambda: stage.numbers)
        press("g")
        press("n")
        for key in ("h", "i", "space", "q", "backspace", "g", "return"):
            press(key)
        press("down")
        press("b")
        assert eventually(lambda: stage.desk.current == 1 and stage.desk.remark.good is False)
        press("escape")

    stage.run(person)
    again = reels(store, ["last"])
    assert [reel.remark for reel in again] == [Remark(True, "hi g"), Remark(False, ""), Remark()]
    kinds = sorted((note.rep_index, note.kind) for note in store.notes(shown[0].session_id))
    assert kinds == [(1, "good"), (1, "note"), (2, "bad")]


def test_a_mark_is_changed_and_taken_back_and_a_note_written_anew(store, shown):
    keeper = Keeper(store, shown)
    desk = Desk([reel.take for reel in shown], [reel.remark for reel in shown])
    for action in ("good", "bad"):
        assert keeper.keep(desk.act(action)) == ""
    for words in ("first", " and second"):
        desk.act("note")
        desk.type_text(words)
        assert keeper.keep(desk.finish_note(keep=True)) == ""
    notes = store.notes(shown[0].session_id)
    assert sorted((note.kind, note.text) for note in notes) == [("bad", ""), ("note", "first and second")]
    keeper.keep(desk.act("bad"))
    desk.act("note")
    for _ in range(20):
        desk.erase()
    keeper.keep(desk.finish_note(keep=True))
    assert store.notes(shown[0].session_id) == []


def test_what_cannot_be_kept_is_said(store, shown):
    store.remove_session(shown[0].session_id)
    desk = Desk([shown[0].take], [Remark()])
    assert Keeper(store, shown).keep(desk.act("good")).startswith("Not kept: ")


def test_playing_walks_through_the_frames_and_stops_at_the_end(stage):
    def person() -> None:
        assert eventually(lambda: stage.numbers)
        press("s")
        press("space")
        assert eventually(lambda: len({asked for _, asked in stage.numbers}) > 6)
        press("space")
        assert eventually(lambda: not stage.desk.head.playing)
        press("q")

    stage.run(person)
    walked = [asked for _, asked in stage.numbers][2:]
    assert walked == sorted(walked)
    assert all(seen == asked for seen, asked in stage.numbers)


def test_key_pictures_on_a_key(stage):
    def person() -> None:
        assert eventually(lambda: stage.numbers)
        press("e")
        assert eventually(lambda: stage.kept)
        press("q")

    stage.run(person)
    assert stage.kept == [stage.desk.takes[0]]


def test_the_keys_are_shown_and_every_action_has_one():
    assert len(KEY_TABLE) == len(KEYS)
    names = [key for keys in KEYS.values() for key in keys]
    assert len(names) == len(set(names))


def test_a_film_that_is_gone_leaves_the_skeleton_and_one_line(shown, tmp_path):
    (tmp_path / "film.mp4").unlink()
    with Films(shown) as films:
        assert films.picture(shown[0].take, 3) is None
        assert films.picture(shown[0].take, 4) is None
        assert len(films.troubles) == 1
        assert "there is nothing at" in films.troubles[0]


@pytest.mark.parametrize("size", [(1280, 720), (720, 1280), (640, 360), (1024, 768)])
@pytest.mark.parametrize("mode", ["one", "beside", "over"])
def test_every_mode_draws_at_every_size(shown, size, mode):
    """Both bodies and the values in their colours: blue the first, orange the second."""
    desk = Desk([reel.take for reel in shown], [Remark(True, "A long note " * 12), Remark(), Remark()])
    while desk.mode != mode:
        desk.act("compare")
    desk.act("set")
    desk.act("picture")
    surface = pygame.Surface(size)
    ReviewPainter().draw(surface, desk, lambda taken, k: None)
    pixels = pygame.surfarray.array3d(surface)
    assert share_of(pixels, STYLE.accent) > 0.004
    assert share_of(pixels, STYLE.panel) > 0.2
    if mode == "over":
        alone = desk.takes
        desk.takes = (alone[0], replace(alone[0], name=alone[1].name), alone[2])
        desk._placements.clear()
        same = pygame.Surface(size)
        ReviewPainter().draw(same, desk, lambda taken, k: None)
        assert share_of(pixels, STYLE.alarm) > share_of(pygame.surfarray.array3d(same), STYLE.alarm)


def test_typing_and_a_rep_without_a_partner(shown):
    desk = Desk([reel.take for reel in shown], [Remark()] * 3)
    desk.act("compare")
    desk.head = desk.head.at(desk.take.t_s, len(desk.take.t_s) - 1)
    desk.act("note")
    desk.type_text("投篮 ± №")
    surface = pygame.Surface((1280, 720))
    ReviewPainter().draw(surface, desk, lambda taken, k: None, keys=True)
    assert share_of(pygame.surfarray.array3d(surface), STYLE.accent) > 0.004
