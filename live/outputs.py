"""Where the views and the lines of a practice go: window, hold tone, bump watch, standard output."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import replace

from .bump_watch import BumpWatch
from .hold_aid import HoldAid
from .pace import Pause
from .phases import IN_THE_SHOT
from .records import Scene, View
from .screen import Window
from .speaker import Speaker
from .watchdog import Watchdog
from .words import Words, text

_DISK_SHOWN_S = 6.0
"""So long trouble with the disk takes the big place: cues are read there as well (as in court_view.py)."""


class PracticeScreen:
    """What the loop shows its views to (ports.ViewSink): window, bump watch, and the hold tone that goes with them."""

    def __init__(
        self,
        window: Window | None,
        pause: Pause,
        bump: BumpWatch | None,
        speaker: Speaker | None,
        hold_tone: bool,
        words: Words,
    ) -> None:
        self._words = words
        self._window, self._pause, self._bump, self._speaker = window, pause, bump, speaker
        self._aid = HoldAid() if hold_tone else None
        self._last: View | None = None
        self._answer: View | None = None
        """What answered the last key of this pause."""
        self.warning = ""
        """What hangs, as the watchdog names it."""
        self._disk = ("", "")
        self._disk_until_s: float | None = None

    def say_of_disk(self, words: str, short: str) -> None:
        """What is wrong with where reps are kept: large for a while from the next view on, then small to the end."""
        if (words, short) != self._disk:
            self._disk, self._disk_until_s = (words, short), None

    def _with_disk(self, view: View) -> View:
        words, short = self._disk
        if not words:
            return view
        if self._disk_until_s is None:
            self._disk_until_s = view.t_s + _DISK_SHOWN_S
        if view.t_s < self._disk_until_s and not view.trouble:
            view = replace(view, status=words, trouble=True, prompt="")
        return replace(view, notice=short)

    def show(self, view: View, *, answered: bool = False) -> None:
        """Hand over the newest view. `answered`: its prompt answers a key, which is seen during a pause too.

        Frames that were under way when the pause began may come after that: they take nothing back.
        """
        self._answer = (view if answered else self._answer) if self._pause.on else None
        if self._answer is not None and not answered and view.t_s <= self._answer.t_s:
            return
        self._last = view
        if self._speaker is not None and view.phase in IN_THE_SHOT:
            self._speaker.hush()
        if self._speaker is not None and self._aid is not None:
            self._speaker.hold(self._aid.update(view.t_s, view.phase) and not self._pause.on)
        if self._bump is not None:
            self._bump.look(view)
        if self._window is None:
            return
        if self._speaker is not None and self._speaker.muted:
            view = replace(view, sound_off=True)
        view = self._with_disk(view)
        if self.warning and not view.trouble:
            view = replace(view, status=self.warning, trouble=True)
        if self._pause.on and not view.trouble:
            paused = text(self._words, "paused_clip")
            answer = "" if self._answer is None else self._answer.prompt
            view = replace(view, status=paused, prompt=answer or paused)
        if view.scene is Scene.CAUTIONS and (view.trouble or self._pause.on):
            view = replace(view, scene=Scene.PRACTICE)  # a page of text would hide what is the matter
        self._window.show(view)

    def show_again(self) -> None:
        """Hand over the last view once more, after a pause began or ended, or something beside it changed."""
        if self._last is not None:
            self.show(self._last, answered=self._last is self._answer)


class Output:
    """Standard output. When its reader goes away the session goes on; that is said once."""

    def __init__(self, say: Callable[[str], None], watchdog: Watchdog) -> None:
        self._say, self._watchdog = say, watchdog
        self._gone = False

    def line(self, text: str) -> None:
        """Print one line at once."""
        self.run(lambda: print(text, flush=True))

    def run(self, write: Callable[[], None]) -> None:
        """Call what writes to standard output, unless nothing can be written there any more."""
        if self._gone:
            return
        try:
            with self._watchdog.doing("output"):
                write()
        except OSError as error:
            self._gone = True
            # Python writes what is left in its buffer at exit and would fail again there
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            self._say(f"Standard output takes no more lines ({error.strerror}); the session is saved all the same.")
