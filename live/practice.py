"""A practice from start to end: opens the devices, runs the loop beside the window, saves, says how it went."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

from . import loop, pose_model
from .assets import config_text
from .camera import open_camera
from .cautions import CAUTIONS
from .clip import open_clip
from .cues import read_words
from .errors import DisplayError
from .json_lines import rep_line, session_line
from .mediapipe_pose import MediapipePose
from .pace import Pause, at_own_pace, until_stopped
from .pipeline import Pipeline, Step
from .ports import FrameSource
from .recorder import Recorder
from .records import Frame, Rep, SessionSummary, SourceTrouble, View
from .screen import Window, screen_available
from .settings import Settings, data_folder
from .speaker import Speaker, open_speaker
from .store import open_store
from .tables import print_reps

_ACTIONS = {
    "pause": "pause and go on",
    "discard": "take the last rep out",
    "mute": "sound off and on",
}
_END_SHOWN_S = 4.0


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line adds to the settings."""

    clip: Path | None = None
    """None: the camera."""
    headless: bool = False
    json: bool = False
    title: str = ""


def practise(
    settings: Settings, options: Options, say: Callable[[str], None], source: FrameSource | None = None
) -> int:
    """Run one session; returns the exit status. `say` takes one line for people.

    `source` is for a camera or clip that is open already; else options and settings say what to open. Raises
    RimwardError for what keeps the session from starting. A Ctrl-C is raised again after everything is saved.
    """
    headless = options.headless
    if not headless and not screen_available():
        say("No screen here: running without a window (as with --headless).")
        headless = True
    if source is None:
        source = open_clip(options.clip) if options.clip is not None else _camera(settings)
    session = _Session(settings, options, source, headless, say)
    try:
        session.run()
    finally:
        session.close()
    return 0


def _camera(settings: Settings) -> FrameSource:
    wish = settings.camera
    return open_camera(wish.device, width=wish.width, height=wish.height, rate_hz=wish.rate_hz)


def ready_model(settings: Settings, say: Callable[[str], None]) -> Path:
    """The pose model: the user's own bundle, else the one in the data folder, prepared now where it is missing."""
    if settings.pose.model:
        own = Path(settings.pose.model).expanduser()
        pose_model.check(own)
        return own
    return pose_model.prepare(data_folder(settings), progress=say)


class _Session:
    """Everything that one practice holds open."""

    def __init__(
        self, settings: Settings, options: Options, source: FrameSource, headless: bool, say: Callable[[str], None]
    ) -> None:
        self._options, self._source, self._say = options, source, say
        self._stop, self._pause = threading.Event(), Pause()
        self._reps: list[Rep] = []
        self._summary: SessionSummary | None = None
        self._failure: BaseException | None = None
        self._closed = False
        self._estimator = MediapipePose(ready_model(settings, say))
        self._estimator.warm_up(2)  # the first look is for two people; the first rep must not pay for it
        self._window = None if headless else self._open_window(settings)
        self._speaker: Speaker | None = None if headless else self._open_speaker(settings)
        self._store = open_store(data_folder(settings), say)
        self._writer = self._store.start_session(
            player=settings.player.name,
            hand=settings.player.hand,
            source=source.info.name,
            settings_digest=settings.digest(),
            app_version=version("rimward"),
        )
        words = read_words(config_text(f"words_{settings.screen.language}.toml"), "words")
        self._pipeline = Pipeline(self._estimator, settings, words, options.title or settings.player.name)
        self._recorder = Recorder(self._writer, self._announce, say)

    def run(self) -> None:
        """Work until the source ends or the person does; raises what went wrong in the loop."""
        if self._window is None:
            self._work()
            return
        worker = threading.Thread(target=self._work_in_thread, name="loop", daemon=True)
        worker.start()
        try:
            self._window.run(self._stop, self._on_key)
        finally:
            self._stop.set()
            self._source.close()
            worker.join()
        if self._failure is not None:
            raise self._failure

    def close(self) -> None:
        """Save what is there and let go of everything; may be called twice."""
        if self._closed:
            return
        self._closed = True
        self._source.close()
        self._recorder.close()
        summary = self._summary
        if summary is not None:
            summary = replace(summary, dropped=self._source.dropped)
        self._writer.close(summary)
        self._report(summary)
        self._store.close()
        self._estimator.close()
        if self._speaker is not None:
            self._speaker.close()
        if self._window is not None:
            self._window.close()

    def _open_window(self, settings: Settings) -> Window | None:
        try:
            return Window(actions=_ACTIONS, splash=CAUTIONS, full_screen=settings.screen.full_screen)
        except DisplayError as error:
            self._say(str(error))
            return None

    def _open_speaker(self, settings: Settings) -> Speaker:
        sound = settings.sound
        return open_speaker(
            notice=self._say,
            mute=sound.mute,
            speak=sound.speech,
            volume=sound.volume,
            rate_wpm=sound.rate_wpm,
            voice=sound.voice or None,
        )

    def _frames(self) -> Iterator[Frame | SourceTrouble]:
        # a clip with a window is watched; without one it is worked through as fast as the machine can
        if self._window is not None and not self._source.info.live:
            return at_own_pace(self._source, self._stop, self._pause)
        return until_stopped(self._source, self._stop, self._pause)

    def _work(self) -> None:
        now_s = getattr(self._source, "now_s", None)
        meter = loop.Meter(now_s)
        try:
            loop.run(self._frames(), self._pipeline, self._window, self._on_rep, self._say, meter)
        finally:
            self._summary = meter.summary()

    def _work_in_thread(self) -> None:
        try:
            self._work()
            if self._window is not None and not self._stop.is_set():
                words = f"The end: {_count(self._pipeline.count, 'rep')} saved"
                self._window.show(View(0.0, None, count=self._pipeline.count, status=words))
                self._stop.wait(_END_SHOWN_S)
        except BaseException as error:
            self._failure = error
        finally:
            self._stop.set()

    def _on_rep(self, step: Step) -> None:
        if step.rep is not None and step.feedback is not None:
            self._reps.append(step.rep)
            self._recorder.submit(step.rep, step.feedback)
            if self._options.json:
                line = rep_line(step.rep)
                self._recorder.then(lambda: print(line, flush=True))

    def _announce(self, feedback: object) -> None:
        if self._speaker is not None:
            self._speaker.play(feedback)  # type: ignore[arg-type]

    def _on_key(self, action: str) -> None:
        if action == "pause":
            self._pause.toggle()
        elif action == "mute" and self._speaker is not None:
            self._speaker.toggle_mute()
        elif action == "discard":
            index = self._pipeline.discard_last()
            if index is not None:
                self._recorder.then(lambda: self._writer.discard_rep(index))

    def _report(self, summary: SessionSummary | None) -> None:
        if self._options.json:
            if summary is not None:
                print(session_line(self._pipeline.count, summary), flush=True)
        elif self._reps:
            print_reps(self._reps, sys.stdout)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
