"""Where views, sounds and lines of a practice go: window, hold tone, bump watch, speaker, standard output."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from .bump_watch import BumpWatch
from .entrants import Part
from .hold_aid import HoldAid
from .json_lines import session_line, with_player
from .pace import Pause
from .phases import IN_THE_SHOT
from .plural import counted
from .records import Feedback, Scene, Standing, Tone, View
from .screen import Window
from .session_records import SessionSummary
from .speaker import Speaker
from .tables import print_reps
from .watchdog import Watchdog
from .words import Words, text

_DISK_SHOWN_S = 6.0
"""So long trouble with the disk takes the big place: cues are read there as well (as in court_view.py)."""
_TONE_S, _CUE_S = 0.5, 2.0
"""How long a tone alone, and a tone with a cue of up to six words, may still sound after they began."""
_AGAIN_S = 60.0
"""A trouble that lasts is said again after this: often enough for who looks, seldom enough for who keeps a log."""


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
        self._disk_left_s = 0.0
        self._disk_seen_s: float | None = None
        """Of the last view, if the words of the disk were large in it."""

    def say_of_disk(self, words: str, short: str) -> None:
        """What is wrong with where reps are kept: large for a while from the next view on, then small to the end."""
        if (words, short) != self._disk:
            self._disk, self._disk_left_s, self._disk_seen_s = (words, short), _DISK_SHOWN_S, None

    def _with_disk(self, view: View) -> View:
        """The answer to a key, a pause and another trouble go first; the words come back for the rest of their time."""
        words, short = self._disk
        if not words:
            return view
        if self._disk_seen_s is not None:
            self._disk_left_s -= view.t_s - self._disk_seen_s
        large = self._disk_left_s > 0 and not (view.trouble or view.answers or self._pause.on)
        self._disk_seen_s = view.t_s if large else None
        if large:
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


class Sounds:
    """Tones and words; nothing without a speaker."""

    def __init__(self, speaker: Speaker | None) -> None:
        self._speaker = speaker
        self._until_s = 0.0

    def play(self, feedback: Feedback) -> None:
        """Begin it, and return."""
        if self._speaker is not None:
            self._speaker.play(feedback)
            self._until_s = time.monotonic() + (_TONE_S if feedback.spoken is None else _CUE_S)

    def confirm(self, t_s: float = 0.0, tone: Tone = Tone.CONFIRM) -> None:
        """Somebody asked for something, and it is done."""
        self.play(Feedback(t_s, tone))

    def finish(self) -> None:
        """Let what began last sound to its end."""
        if self._speaker is not None and not self._speaker.muted:
            time.sleep(max(0.0, self._until_s - time.monotonic()))


class Seldom:
    """Says a line at once, and the same one only now and then while nothing changes."""

    def __init__(self, say: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> None:
        self._say, self._clock = say, clock
        self._last: tuple[str, int] | None = None
        self._said_s = 0.0

    def say(self, line: str, progress: int) -> None:
        """`progress` changes with everything that went well meanwhile: after that it is news again."""
        now_s = self._clock()
        if (line, progress) != self._last or now_s - self._said_s >= _AGAIN_S:
            self._say(line)
            self._last, self._said_s = (line, progress), now_s


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


class Lines:
    """What is told of reps in words: JSON objects on standard output where these are asked for, else, without a window,
    lines in the terminal. Each comes after what the player's recorder has to do before: told is saved.
    """

    def __init__(self, out: Output, say: Callable[[str], None], *, json: bool, shown: bool, station: bool) -> None:
        """`shown`: there is a window. `station`: who shot must be said as well."""
        self._out, self._say = out, say
        self._json, self._station = json, station
        self.in_terminal = not json and not shown
        """Neither window nor JSON tell anybody what happens."""

    def json(self, part: Part, line: str) -> None:
        """One JSON object."""
        if self._json:
            part.recorder.then(lambda: self._out.line(self._named(part, line)))

    def terminal(self, part: Part, index: int, words: str) -> None:
        """One line on a rep."""
        if self.in_terminal:
            who = f"{part.name}, rep" if self._station else "Rep"
            part.recorder.then(lambda: self._say(f"{who} {index}{words}"))

    def end(self, rows: Sequence[Standing], parts: Sequence[Part], summaries: Sequence[SessionSummary]) -> None:
        """What the session came to."""
        if self._json:
            for row, part, summary in zip(rows, parts, summaries, strict=True):
                self._out.line(self._named(part, session_line(row.reps, summary)))
            return
        for part in parts:
            if part.reps:
                if self._station:
                    self._say(f"{part.name}:")
                self._out.run(partial(print_reps, part.reps, sys.stdout))
        if not any(part.reps for part in parts):
            out = sum(len(part.taken) for part in parts)
            self._say(f"No reps: {counted(out, 'rep')} taken out." if out else "No reps: no shot was seen.")

    def _named(self, part: Part, line: str) -> str:
        return with_player(line, part.name) if self._station else line
