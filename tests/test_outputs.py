"""What the window is handed while a clip is held: keys are answered, and frames under way take nothing back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rimward.live.outputs import PracticeScreen, Seldom
from rimward.live.pace import Pause
from rimward.live.records import Scene, View
from rimward.live.words import text

FRAME = View(5.0, None, count=1, status="Ready")
ANSWER = replace(FRAME, count=0, prompt="Rep 1 taken out")


class Shown:
    """A window that keeps what it is handed."""

    def __init__(self) -> None:
        self.views: list[View] = []

    def show(self, view: View) -> None:
        self.views.append(view)


@pytest.fixture
def held(words) -> tuple[PracticeScreen, Pause, list[View]]:
    """The screen of a practice on a clip that is held after a frame."""
    window, pause = Shown(), Pause()
    screen = PracticeScreen(window, pause, None, None, hold_tone=False, words=words)  # type: ignore[arg-type]
    screen.show(FRAME)
    pause.toggle()
    screen.show_again()
    return screen, pause, window.views


def test_trouble_with_the_disk_is_large_for_a_moment_and_small_to_the_end(words):
    window = Shown()
    screen = PracticeScreen(window, Pause(), None, None, hold_tone=False, words=words)  # type: ignore[arg-type]
    cue = replace(FRAME, cue="Hold it", prompt="Rep 1: made")
    screen.show(cue)
    screen.say_of_disk("The disk is full", "Disk full")
    for t_s in (10.0, 15.9, 16.1, 900.0):
        screen.say_of_disk("The disk is full", "Disk full")  # once more with every rep
        screen.show(replace(cue, t_s=t_s))
    shown = window.views
    assert [view.notice for view in shown] == ["", *["Disk full"] * 4]
    assert [view.trouble for view in shown] == [False, True, True, False, False]
    assert [view.status for view in shown[1:]] == [*["The disk is full"] * 2, *["Ready"] * 2]
    assert [view.prompt for view in shown[1:]] == ["", "", "Rep 1: made", "Rep 1: made"]
    screen.show(replace(cue, t_s=901.0, trouble=True, status="No camera"))
    assert (window.views[-1].status, window.views[-1].notice) == ("No camera", "Disk full")
    screen.say_of_disk("", "")  # room was made
    screen.show(replace(cue, t_s=902.0))
    assert window.views[-1].notice == ""


def test_the_answer_to_a_key_goes_before_the_words_of_the_disk_which_come_back_after_it(words):
    """They have their whole time all the same."""
    window = Shown()
    screen = PracticeScreen(window, Pause(), None, None, hold_tone=False, words=words)  # type: ignore[arg-type]
    screen.say_of_disk("The disk is full", "Disk full")
    for t_s in (10.0, 13.0):
        screen.show(replace(FRAME, t_s=t_s))
    for t_s in (13.1, 15.0):
        screen.show(replace(FRAME, t_s=t_s, prompt="Rep 1: made", answers=True))
    for t_s in (15.1, 17.9, 18.1):
        screen.show(replace(FRAME, t_s=t_s))
    shown = ["The disk is full", "The disk is full", "Rep 1: made", "Rep 1: made"]
    shown += ["The disk is full", "The disk is full", "Ready"]
    assert [view.prompt or view.status for view in window.views] == shown
    assert [view.trouble for view in window.views] == [words not in ("Rep 1: made", "Ready") for words in shown]
    assert {view.notice for view in window.views} == {"Disk full"}


def test_a_clip_that_is_held_says_so_although_the_disk_is_full(held, words):
    screen, pause, views = held
    screen.say_of_disk("The disk is full", "Disk full")
    screen.show_again()
    assert (views[-1].prompt, views[-1].notice) == (text(words, "paused_clip"), "Disk full")
    screen.show(ANSWER, answered=True)
    assert (views[-1].prompt, views[-1].notice) == ("Rep 1 taken out", "Disk full")
    pause.toggle()
    screen.show(replace(FRAME, t_s=5.1))
    assert (views[-1].status, views[-1].prompt) == ("The disk is full", "")


def test_the_page_of_cautions_hides_neither_a_pause_nor_a_trouble(words):
    window, pause = Shown(), Pause()
    screen = PracticeScreen(window, pause, None, None, hold_tone=False, words=words)  # type: ignore[arg-type]
    page = replace(FRAME, scene=Scene.CAUTIONS, prompt="Ada")
    screen.show(page)
    screen.say_of_disk("The disk is full", "Disk full")
    screen.show(replace(page, t_s=6.0))
    pause.toggle()
    screen.say_of_disk("", "")
    screen.show_again()
    assert [view.scene for view in window.views] == [Scene.CAUTIONS, Scene.PRACTICE, Scene.PRACTICE]
    assert window.views[-1].prompt == text(words, "paused_clip")


def test_a_trouble_is_said_at_once_and_then_now_and_then_and_at_once_when_it_is_news():
    times_s: list[float] = []
    said_s: list[float] = []
    seldom = Seldom(lambda line: said_s.append(times_s[-1]), lambda: times_s[-1])
    for at_s, line, frames in (
        (0.0, "No camera", 0),
        (5.0, "No camera", 0),
        (59.0, "No camera", 0),
        (60.0, "No camera", 0),
        (119.0, "No camera", 0),
        (120.0, "No camera", 0),
        (121.0, "It is black", 0),
        (125.0, "No camera", 0),
        (130.0, "No camera", 7),  # it was there for a moment
        (135.0, "No camera", 7),
    ):
        times_s.append(at_s)
        seldom.say(line, frames)
    assert said_s == [0.0, 60.0, 120.0, 121.0, 125.0, 130.0]


def test_a_frame_that_was_under_way_does_not_take_the_answer_back(held):
    screen, _, views = held
    screen.show(ANSWER, answered=True)
    screen.show(FRAME)  # stepped before the key was pressed
    assert (views[-1].prompt, views[-1].count) == ("Rep 1 taken out", 0)
    screen.show(replace(FRAME, t_s=5.03, count=0))  # stepped after it
    assert (views[-1].prompt, views[-1].count) == ("Rep 1 taken out", 0)


def test_it_says_that_the_clip_is_held_until_a_key_is_answered_and_in_the_bar_after_that(held, words):
    screen, _, views = held
    assert views[-1].prompt == text(words, "paused_clip")
    screen.show(ANSWER, answered=True)
    assert views[-1].status == text(words, "paused_clip")


def test_going_on_shows_frames_as_they_are(held):
    screen, pause, views = held
    screen.show(ANSWER, answered=True)
    pause.toggle()
    screen.show(replace(FRAME, count=0))
    assert (views[-1].prompt, views[-1].status) == ("", "Ready")
    pause.toggle()
    screen.show_again()
    assert views[-1].prompt != "Rep 1 taken out"
