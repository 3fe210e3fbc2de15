"""A practice from start to end: opens the devices, runs the loop beside the window, saves, says how it went."""

from __future__ import annotations

import os
import re
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from rimward.calibration.record import Calibration
from rimward.calibration.storage import fitted, load_calibration

from . import loop, pose_model
from .bump_watch import BumpWatch
from .camera import open_camera
from .cautions import CAUTIONS
from .clip import open_clip
from .coach import Coaching
from .coaching import coaching, load_drill, load_words
from .errors import DisplayError, PoseModelError, StoreError
from .gestures import Gesture
from .hold_aid import HoldAid
from .json_lines import discard_line, rep_line, result_line, session_line
from .known_player import is_minor, settings_for
from .mediapipe_pose import MediapipePose
from .pace import Pause, at_own_pace, until_stopped
from .phases import IN_THE_SHOT
from .pipeline import Pipeline, Step
from .ports import FrameSource
from .recorder import Latency, Recorder
from .records import Feedback, Frame, Rep, Result, SessionSummary, Sighting, SourceInfo, SourceTrouble, Tone, View
from .screen import Window, screen_available
from .settings import Settings, data_folder
from .sightings import LIVE_AHEAD, sightings
from .speaker import Speaker, open_speaker
from .store import SessionWriter, Store, open_store
from .tables import print_reps
from .trace import Trace
from .traces import save_trace
from .watchdog import Watchdog

_ACTIONS = {
    "pause": "pause and go on",
    "made": "the last one went in",
    "missed": "the last one missed",
    "good": "the last one was good",
    "tell": "say what the last one was like",
    "discard": "take the last rep out",
    "mute": "sound off and on",
}
_COURT_ACTIONS = {"court": "show or hide the court", "still_fits": "the court's lines still fit"}
_END_SHOWN_S = 4.0
_TONE_S, _CUE_S = 0.5, 2.0
"""How long a tone alone, and a tone with a cue of up to six words, may still sound after they began."""


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line adds to the settings."""

    clip: Path | None = None
    """None: the camera."""
    headless: bool = False
    json: bool = False
    title: str = ""
    calibration: Path | None = None
    """Where the hoop is, as `rimward calibrate` wrote it."""
    drill: str | None = None
    """A shipped drill by its name, or the file of one."""
    said: frozenset[str] = frozenset()
    """What the command line said of the player (known_player.py): the rest is as it is stored."""
    at_own_pace: bool = True
    """A clip with a window runs as fast as it was recorded; False: as fast as the machine can."""


@dataclass(frozen=True, slots=True)
class _Devices:
    """What a practice runs on; window and speaker are None without a screen."""

    source: FrameSource
    estimator: MediapipePose
    renew: Callable[[], MediapipePose]
    """Another network, for when this one fails."""
    window: Window | None
    speaker: Speaker | None


@dataclass(slots=True)
class Probe:
    """What a benchmark wants to know of a practice: filled while it runs."""

    meter: loop.Meter | None = None
    drawn_s: list[tuple[float, float]] = field(default_factory=list)
    """Of each drawn frame of a live source the age when it was on the screen, and how long the drawing took."""
    reps_s: tuple[Latency, ...] = ()
    """From the end of each rep's judging."""


def practise(
    settings: Settings,
    options: Options,
    say: Callable[[str], None],
    source: FrameSource | None = None,
    probe: Probe | None = None,
) -> int:
    """Run one session; returns the exit status. `say` takes one line for people.

    `source` is for a camera or clip that is open already; else options and settings say what to open. `probe` is filled
    on the way. Raises
    RimwardError for what keeps the session from starting. A Ctrl-C, or a request to terminate, comes out as
    KeyboardInterrupt after everything is saved.
    """
    headless = options.headless
    if not headless and not screen_available():
        say("No screen here: running without a window (as with --headless).")
        headless = True
    stop = threading.Event()
    with _stopped_by_signals(stop) as hold_signals, ExitStack() as closing:
        if source is None and options.clip is not None:
            source = open_clip(options.clip)  # first: a wrong name is found out before a download of the model
        if source is not None:
            closing.callback(source.close)
        calibration = None if options.calibration is None else load_calibration(options.calibration)
        drill, words = None if options.drill is None else load_drill(options.drill), load_words(settings)
        model = ready_model(settings, say)
        hold_signals()
        devices = _open_devices(settings, model, say, source, headless, calibration is not None, closing)
        if calibration is not None:
            _check_camera(calibration, devices.source.info, say)
        store = open_store(data_folder(settings), say)
        closing.callback(store.close)
        settings = settings_for(store, settings, options.said, say)
        if stop.is_set():
            return 0
        writer = store.start_session(
            player=settings.player.name,
            hand=settings.player.hand,
            source=devices.source.info.name,
            settings_digest=settings.digest(),
            app_version=version("rimward"),
            stature_m=settings.player.stature_m,
            calibration=None if options.calibration is None else options.calibration.name,
            drill=None if options.drill is None else Path(options.drill).stem,
        )
        chosen = coaching(settings, words, store, drill, calibration is not None, say)
        session = _Session(settings, options, devices, store, writer, calibration, chosen, stop, say, probe or Probe())
        try:
            session.run()
        finally:
            session.close()
    return 0


def _check_camera(calibration: Calibration, camera: SourceInfo, say: Callable[[str], None]) -> None:
    """Say that a calibration is used at another resolution. Raises CalibrationError when it is another camera's.

    Only numbers are held against each other: a name that a person has given may be that of any camera.
    """
    if not camera.live:
        return
    numbered = re.fullmatch(r"camera \d+", calibration.camera) is not None
    size = (camera.width, camera.height) if camera.rate_hz > 0 else calibration.image_size
    used = fitted(calibration, size, camera.name if numbered else "")
    for note in used.notes[len(calibration.notes) :]:
        say(f"Calibration {note}.")


def ready_model(settings: Settings, say: Callable[[str], None]) -> Path:
    """The pose model: the user's own bundle, else the one in the data folder, prepared now where it is missing."""
    if settings.pose.model:
        own = Path(settings.pose.model).expanduser()
        pose_model.check(own)
        return own
    folder = data_folder(settings)
    try:
        pose_model.check(pose_model.model_path(folder))
    except PoseModelError:
        return pose_model.prepare(folder, progress=say)
    return pose_model.model_path(folder)


def _open_devices(
    settings: Settings,
    model: Path,
    say: Callable[[str], None],
    source: FrameSource | None,
    headless: bool,
    calibrated: bool,
    closing: ExitStack,
) -> _Devices:
    # the window first: it shows the cautions while the network loads
    window = None if headless else _open_window(settings, calibrated, say)
    if window is not None:
        closing.callback(window.close)

    def network() -> MediapipePose:
        made = MediapipePose(model)
        closing.callback(made.close)
        # The first look is for two people. Loaded before the camera starts, so that its first frames need not wait.
        made.warm_up(2)
        return made

    estimator = network()
    if source is None:
        wish = settings.camera
        source = open_camera(wish.device, width=wish.width, height=wish.height, rate_hz=wish.rate_hz)
        closing.callback(source.close)
        got = source.info
        if got.rate_hz > 0:  # a camera that is not there yet says so itself
            say(f"{got.name}: {got.width} x {got.height}, {got.rate_hz:.0f} frames a second")
    speaker = None if headless else _open_speaker(settings, say)
    if speaker is not None:
        closing.callback(speaker.close)
    return _Devices(source, estimator, network, window, speaker)


def _open_window(settings: Settings, calibrated: bool, say: Callable[[str], None]) -> Window | None:
    actions = _ACTIONS | _COURT_ACTIONS if calibrated else _ACTIONS
    try:
        screen = settings.screen
        return Window(actions=actions, splash=CAUTIONS, full_screen=screen.full_screen, photo=screen.photo)
    except DisplayError as error:
        say(str(error))
        return None


def _open_speaker(settings: Settings, say: Callable[[str], None]) -> Speaker:
    sound = settings.sound
    return open_speaker(
        notice=say,
        mute=sound.mute,
        speak=sound.speech,
        volume=sound.volume,
        rate_wpm=sound.rate_wpm,
        # the engine's own choice speaks the system's language, which may be another
        voice=sound.voice or (None if settings.screen.language == "en" else settings.screen.language),
    )


@contextmanager
def _stopped_by_signals(stop: threading.Event) -> Iterator[Callable[[], None]]:
    """Gives what to call when Ctrl-C and termination shall no longer interrupt: from then on they set `stop`, as often
    as they come, and KeyboardInterrupt is raised at the end.

    So neither can strike while a rep is judged or saved, or inside the network's library, which takes it badly. Outside
    the main thread nothing is caught.
    """
    came: list[int] = []
    before: dict[int, Any] = {}

    def note(number: int, _frame: object) -> None:
        came.append(number)
        # a thread, because the interrupted code may hold the lock of `stop` at this very moment
        threading.Thread(target=stop.set, name="signal").start()

    def hold() -> None:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                before[number] = signal.signal(number, note)

    try:
        yield hold
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
    if came:
        raise KeyboardInterrupt


class _Session:
    """The loop in a thread of its own, the main thread for the window, and what connects them."""

    def __init__(
        self,
        settings: Settings,
        options: Options,
        devices: _Devices,
        store: Store,
        writer: SessionWriter,
        calibration: Calibration | None,
        chosen: Coaching,
        stop: threading.Event,
        say: Callable[[str], None],
        probe: Probe,
    ) -> None:
        self._probe = probe
        self._options, self._writer, self._stop, self._say = options, writer, stop, say
        self._source, self._estimator, self._renew = devices.source, devices.estimator, devices.renew
        self._window, self._speaker = devices.window, devices.speaker
        self._store = store
        self._traces = None if store.engine is None else store.folder
        """The data folder, or None when nothing but reps can be kept."""
        self._pause = Pause()
        self._bump = None if calibration is None else BumpWatch(self._camera_moved)
        self._screen = _Screen(devices.window, self._pause, self._bump, self._speaker, settings.sound.hold_tone)
        self._reps: list[Rep] = []
        self._summary: SessionSummary | None = None
        self._failure: BaseException | None = None
        self._sounds_until_s = 0.0
        self._watchdog = Watchdog(say, also=None if devices.speaker is None else devices.speaker.look)
        self._out = _Output(say, self._watchdog)
        title = options.title or settings.player.name
        photo = not is_minor(store, settings.player.name)
        self._pipeline = Pipeline(
            settings, chosen.words, title, calibration, chosen, watched=devices.window is not None, photo=photo
        )
        self._judging = threading.Lock()
        """Held while the pipeline works on a frame."""
        self._recorder = Recorder(writer, self._announce, say, lambda: self._watchdog.doing("disk"))

    def run(self) -> None:
        """Work until the source ends or the person does; raises what went wrong in the loop."""
        worker = threading.Thread(target=self._work, name="loop", daemon=True)
        worker.start()
        try:
            if self._window is not None:
                self._window.run(self._stop, self._on_key, self._on_drawn)
            while not self._stop.wait(0.2):  # in short waits: on Windows a Ctrl-C comes through only between them
                pass
        finally:
            self._stop.set()
            self._source.close()
            worker.join()
        if self._failure is not None:
            raise self._failure

    def close(self) -> None:
        """Save what is there, then say how it went and let the last cue sound."""
        if self._bump is not None:
            self._bump.close()
        self._recorder.close()
        self._watchdog.close()
        self._probe.reps_s = self._recorder.latencies
        summary = self._summary
        if summary is not None:
            summary = replace(summary, dropped=self._source.dropped)
        try:
            self._writer.close(summary)
        finally:
            self._report(summary)
            if self._window is not None:
                self._window.close()
            if self._speaker is not None and not self._speaker.muted:
                time.sleep(max(0.0, self._sounds_until_s - time.monotonic()))

    def _sightings(self) -> Iterator[Sighting | SourceTrouble]:
        # a clip with a window is watched; without one it is worked through as fast as the machine can
        watched = self._window is not None and not self._source.info.live and self._options.at_own_pace
        if self._window is not None and watched:
            while not (self._window.splash_over.wait(0.1) or self._stop.is_set()):
                pass  # nobody should miss the first shot of a clip behind the cautions
        given = self._given()
        frames = at_own_pace(given, self._stop, self._pause) if watched else until_stopped(given, self._stop)
        ahead = LIVE_AHEAD if self._source.info.live else 1
        for item in sightings(frames, self._estimator, self._pipeline.people_to_ask, ahead, self._renew):
            with self._judging, self._watchdog.doing("judge"):
                yield item

    def _given(self) -> Iterator[Frame | SourceTrouble]:
        """What the source gives, watched over."""
        coming = iter(self._source)
        while True:
            with self._watchdog.doing("source"):
                item = next(coming, None)
            if item is None:
                return
            yield item

    def _work(self) -> None:
        meter = self._probe.meter = loop.Meter(getattr(self._source, "now_s", None))
        try:
            try:
                loop.run(self._sightings(), self._pipeline, self._screen, self._on_event, self._say, meter)
            finally:
                self._summary = meter.summary()
            if self._window is not None and not self._stop.is_set():
                words = f"The end: {_count(self._pipeline.count, 'rep')} saved"
                self._window.show(View(0.0, None, count=self._pipeline.count, status=words))
                self._stop.wait(_END_SHOWN_S)
        except BaseException as error:
            self._failure = error
        finally:
            self._stop.set()

    def _on_event(self, step: Step) -> None:
        """What a frame brought; the pipeline's lock is held."""
        self._on_rep(step)
        if step.set_up is not None:
            self._say(step.set_up.line)
            if step.set_up.measured:
                self._confirm(step.view.t_s, Tone.CONFIRM)
        if step.result is not None:
            self._keep_result(*step.result)
            if step.result[1] == "made":
                self._confirm(step.view.t_s, Tone.MADE)
        if step.gesture is Gesture.MADE:
            self._judge("made")
        elif step.gesture is Gesture.GOOD:
            self._call_good()
        elif step.gesture is Gesture.DISCARD:
            self._discard()
        elif step.gesture is Gesture.PAUSE:
            self._confirm(step.view.t_s, Tone.CONFIRM)

    def _judge(self, result: Result) -> None:
        index = self._pipeline.judge_last(result)
        if index is not None:
            self._keep_result(index, result)
            self._confirm(0.0, Tone.MADE if result == "made" else Tone.CONFIRM)

    def _call_good(self) -> None:
        index = self._pipeline.call_last_good()
        if index is None:
            return

        def keep() -> None:
            self._store.add_note(self._writer.id, rep_index=index, kind="good")

        self._recorder.then(keep)
        self._confirm(0.0, Tone.CONFIRM)

    def _keep_result(self, index: int, result: Result) -> None:
        self._reps = [replace(rep, result=result) if rep.index == index else rep for rep in self._reps]
        self._recorder.then(lambda: self._writer.update_rep_result(index, result))
        if self._options.json:
            self._recorder.then(lambda: self._out.line(result_line(index, result)))

    def _discard(self) -> None:
        index = self._pipeline.discard_last()
        if index is None:
            return
        self._reps = [rep for rep in self._reps if rep.index != index]
        self._recorder.then(lambda: self._writer.discard_rep(index))
        if self._options.json:
            self._recorder.then(lambda: self._out.line(discard_line(index)))
        self._confirm(0.0, Tone.CONFIRM)

    def _confirm(self, t_s: float, tone: Tone) -> None:
        self._announce(Feedback(t_s, tone))

    def _on_rep(self, step: Step) -> None:
        if step.rep is None or step.feedback is None:
            return
        rep = step.rep
        self._reps.append(rep)
        self._recorder.submit(rep, step.feedback)
        if step.trace is not None:
            self._keep(rep.index, step.trace)
        if self._options.json:
            self._recorder.then(lambda: self._out.line(rep_line(rep)))
        elif self._window is None:
            said = "" if step.feedback.spoken is None else f": {step.feedback.spoken}"
            self._recorder.then(lambda: self._say(f"Rep {rep.index}{said}"))

    def _keep(self, index: int, trace: Trace) -> None:
        """For a later look, after the rep is saved and its feedback under way."""
        folder, clip = self._traces, self._options.clip
        if folder is None:
            return
        if clip is not None:
            trace = replace(trace, film=str(clip.absolute()), counted=getattr(self._source, "counted", False))

        def save() -> None:
            try:
                save_trace(folder, self._writer.id, index, trace)
            except StoreError as error:
                self._traces = None  # said once: the reps themselves are safe elsewhere
                self._say(f"No rep of this session can be looked at later: {error}")

        self._recorder.then(save)

    def _announce(self, feedback: Feedback) -> None:
        if self._speaker is not None:
            self._speaker.play(feedback)
            self._sounds_until_s = time.monotonic() + (_TONE_S if feedback.spoken is None else _CUE_S)

    def _on_drawn(self, view: View, began_s: float) -> None:
        now_s = getattr(self._source, "now_s", None)
        if now_s is not None and view.image is not None:
            self._probe.drawn_s.append((now_s() - view.t_s, time.perf_counter() - began_s))

    def _on_key(self, action: str) -> None:
        if action == "pause":
            with self._judging:
                if self._source.info.live or self._pipeline.paused:
                    self._pipeline.toggle_pause()
                else:
                    self._pause.toggle()
                self._screen.show_again()
        elif action == "mute" and self._speaker is not None:
            self._speaker.toggle_mute()
        elif action == "court":
            with self._judging:
                self._pipeline.toggle_court()
        elif action == "still_fits" and self._bump is not None:
            with self._judging:
                self._pipeline.camera_still_fits()
            self._bump.start_over()
        elif action in ("made", "missed"):
            with self._judging:
                self._judge("made" if action == "made" else "missed")
        elif action == "good":
            with self._judging:
                self._call_good()
        elif action == "tell":
            with self._judging:
                told = self._pipeline.tell_last()
            if told is not None:
                self._announce(told)
        elif action == "discard":
            with self._judging:
                self._discard()

    def _camera_moved(self, t_s: float) -> None:
        with self._judging:
            self._pipeline.camera_moved(t_s)
        self._say("The camera was moved: values go without the calibration until you confirm it (key K).")

    def _report(self, summary: SessionSummary | None) -> None:
        if self._options.json:
            if summary is not None:
                self._out.line(session_line(self._pipeline.count, summary))
        elif self._reps:
            self._out.run(lambda: print_reps(self._reps, sys.stdout))


class _Screen:
    """What the loop shows its views to (ports.ViewSink): window, bump watch, and the hold tone that goes with them."""

    def __init__(
        self, window: Window | None, pause: Pause, bump: BumpWatch | None, speaker: Speaker | None, hold_tone: bool
    ) -> None:
        self._window, self._pause, self._bump, self._speaker = window, pause, bump, speaker
        self._aid = HoldAid() if hold_tone else None
        self._last: View | None = None

    def show(self, view: View) -> None:
        """Hand over the newest view."""
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
        held = self._pause.on and not view.trouble
        self._window.show(replace(view, prompt="Paused. Space goes on") if held else view)

    def show_again(self) -> None:
        """Hand over the last view once more, after a pause began or ended."""
        if self._last is not None:
            self.show(self._last)


class _Output:
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


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
