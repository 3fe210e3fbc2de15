"""What the window is handed while a clip is held: keys are answered, and frames under way take nothing back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rimward.live.outputs import PracticeScreen
from rimward.live.pace import Pause
from rimward.live.records import View
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
