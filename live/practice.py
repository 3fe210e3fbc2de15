"""A practice from start to end: opens the devices, runs the loop beside the window, saves, says how it went."""

from __future__ import annotations

import re
import sys
import threading
import time
from bisect import insort
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path

from rimward.calibration.record import Calibration
from rimward.calibration.storage import fitted, load_calibration

from . import loop, pose_model
from .assets import joint_network
from .bump_watch import BumpWatch
from .camera import open_camera
from .clip import open_clip
from .coaching import coaching, load_drill, load_station, load_words
from .drills import Drill
from .entrants import Entrant, Kept, Part, of_player
from .errors import CalibrationError, DisplayError, PoseModelError, StoreError
from .gestures import Gesture
from .interrupts import stopped_by_signals
from .json_lines import answer_line, discard_line, rep_line, restore_line, result_line, session_line, with_player
from .judge import Judge
from .known_player import is_minor, settings_for
from .mediapipe_hands import estimator_for
from .mediapipe_pose import MediapipePose
from .outcome import what_changed
from .outputs import Output, PracticeScreen
from .pace import Pause, at_own_pace, until_stopped
from .pipeline import Pipeline, Step
from .plural import counted
from .ports import FrameSource
from .recorder import Latency, Recorder
from .records import (
    Feedback,
    Frame,
    Result,
    Scene,
    Sighting,
    SourceInfo,
    SourceTrouble,
    Tone,
    View,
)
from .relay import Relay, Turn, TurnNews
from .screen import Window, screen_available
from .session_records import SessionSummary
from .settings import Settings, data_folder
from .sightings import LIVE_AHEAD, sightings
from .speaker import Speaker, open_speaker
from .stations import Station
from .store import SessionWriter, Store, open_store
from .tables import print_reps
from .trace import Trace
from .traces import note_film, save_trace
from .viewpoint import commonest, viewpoint
from .watchdog import Watchdog
from .words import Words, count_of_reps, prompt, text

_ACTIONS = ("pause", "made", "missed", "good", "tell", "discard", "restore", "mute")
_COURT_ACTIONS = ("court", "still_fits")
_TURN_ACTIONS = ("next", "same")
_SEEN_IN_PICTURES = ("court", "still_fits", "same")
"""What these answer is seen with the camera's picture only: without one they do nothing."""
_IN_SHORT = {"aside": "aside_short", "aside_full": "aside_full_short", "unsaved": "unsaved_short"}
"""What is wrong with where reps are kept -> the words for the bar."""
_END_SHOWN_S = 60.0
_END_S = 5.0
"""How long the end waits for the work on one frame..."""
_DISK_S = 5.0
"""...and for the disk, before it is asked whether to wait longer."""
_KEY_S = 3.0
"""How long a key waits for the end of the work on a frame; the slowest, reading a shot, takes a second."""
_LOOK_S, _DAY_S = 0.2, 86_400.0
_MOST_RENEWALS = 3
"""A judge that must be replaced more often will not get well."""
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
    station: Path | None = None
    """Several players in turn (stations.py); None: the one of the settings."""
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
    rep_ages_s: list[float] = field(default_factory=list)
    """How old the frame that ended each rep was by then; 0 for a clip, whose frames have no age."""


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
    with stopped_by_signals(stop) as hold_signals, ExitStack() as closing:
        if source is None and options.clip is not None:
            source = open_clip(options.clip)  # first: a wrong name is found out before a download of the model
        if source is not None:
            closing.callback(source.close)
        calibration = None if options.calibration is None else load_calibration(options.calibration)
        station = None if options.station is None else load_station(options.station)
        asked = options.drill or (None if station is None else station.drill)
        drill, words = None if asked is None else load_drill(asked), load_words(settings)
        model = ready_model(settings, say)
        hold_signals()
        actions = _ACTIONS + (_COURT_ACTIONS if calibration is not None else ()) + (_TURN_ACTIONS if station else ())
        devices = _open_devices(settings, model, say, source, headless, actions, words, closing)
        if calibration is not None:
            _check_picture(calibration, options, devices.source.info, say)
        store = open_store(data_folder(settings), say)
        closing.callback(store.close)
        if stop.is_set():
            return 0

        def entrant(own: Settings, said: frozenset[str], practised: Drill | None) -> Entrant:
            own = settings_for(store, own, said, say)

            def start() -> SessionWriter:
                return store.start_session(
                    player=own.player.name,
                    hand=own.player.hand,
                    source=devices.source.info.name,
                    settings_digest=own.digest(),
                    app_version=version("rimward"),
                    stature_m=own.player.stature_m,
                    calibration=None if options.calibration is None else options.calibration.name,
                    drill=None if asked is None else Path(asked).stem,
                )

            chosen = coaching(own, words, store, practised, calibration is not None, say)
            return Entrant(own, chosen, Kept(start), not is_minor(store, own.player.name))

        if station is None:
            entrants = [entrant(settings, options.said, drill)]
            entrants[0].kept.begin()
        else:
            entrants = [entrant(*of_player(settings, one), one.drill(drill)) for one in station.players]
        session = _Session(
            settings, options, devices, store, entrants, station, calibration, stop, say, probe or Probe()
        )
        try:
            session.run()
        finally:
            session.close()
    return 0


def _check_picture(calibration: Calibration, options: Options, source: SourceInfo, say: Callable[[str], None]) -> None:
    """Say that a calibration is used at another resolution. Raises CalibrationError when it is another camera's.

    Only numbers are held against each other: a name that a person has given may be that of any camera.
    """
    numbered = source.live and re.fullmatch(r"camera \d+", calibration.camera) is not None
    size = (source.width, source.height) if source.rate_hz > 0 or not source.live else calibration.image_size
    try:
        used = fitted(calibration, size, source.name if numbered else "")
    except CalibrationError as error:
        raise CalibrationError(f"{options.calibration} does not fit {options.clip or source.name}: {error}") from None
    for note in used.notes[len(calibration.notes) :]:
        say(f"Calibration {note}.")


def ready_model(settings: Settings, say: Callable[[str], None]) -> Path:
    """The pose model: the user's own bundle, else the one in the data folder; what is missing there, the hand model of
    a close view too, is prepared now.
    """
    folder, own = data_folder(settings), Path(settings.pose.model).expanduser() if settings.pose.model else None
    if own is not None:
        pose_model.check(own)
    try:
        if own is None:
            pose_model.check(pose_model.model_path(folder))
        if settings.pose.close:
            pose_model.check_hands(pose_model.hands_path(folder))
    except PoseModelError:
        pose_model.prepare(folder, progress=say)
    return own or pose_model.model_path(folder)


def _open_devices(
    settings: Settings,
    model: Path,
    say: Callable[[str], None],
    source: FrameSource | None,
    headless: bool,
    actions: Collection[str],
    words: Words,
    closing: ExitStack,
) -> _Devices:
    # the window first: it shows the cautions while the network loads
    window = None if headless else _open_window(settings, actions, words, say)
    if window is not None:
        closing.callback(window.close)

    def network() -> MediapipePose:
        made = estimator_for(settings, model) if settings.pose.close else MediapipePose(model)
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


def _open_window(
    settings: Settings, actions: Collection[str], words: Words, say: Callable[[str], None]
) -> Window | None:
    try:
        screen, cautions = settings.screen, words["screen", "cautions"]
        return Window(
            actions=actions,
            words=words,
            splash=cautions,
            full_screen=screen.full_screen,
            photo=screen.photo,
            signals=settings.gestures.on,
        )
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


class _Session:
    """The loop in a thread of its own, the main thread for the window, and what connects them."""

    def __init__(
        self,
        settings: Settings,
        options: Options,
        devices: _Devices,
        store: Store,
        entrants: Sequence[Entrant],
        station: Station | None,
        calibration: Calibration | None,
        stop: threading.Event,
        say: Callable[[str], None],
        probe: Probe,
    ) -> None:
        self._probe = probe
        self._options, self._station, self._stop, self._say = options, station, stop, say
        self._calibration = calibration
        self._source, self._estimator, self._renew = devices.source, devices.estimator, devices.renew
        self._window, self._speaker = devices.window, devices.speaker
        self._store = store
        self._traces = None if store.engine is None else store.folder
        """The data folder, or None when nothing but reps can be kept."""
        self._pause = Pause()
        self._bump = None if calibration is None else BumpWatch(self._camera_moved)
        self._words = entrants[0].chosen.words
        self._screen = PracticeScreen(
            devices.window, self._pause, self._bump, self._speaker, settings.sound.hold_tone, self._words
        )
        self._failure: BaseException | None = None
        self._sounds_until_s = 0.0
        self._watchdog = Watchdog(
            self._on_stuck,
            also=None if devices.speaker is None else devices.speaker.look,
            restart={"judge": self._replace_judge},
        )
        self._out = Output(say, self._watchdog)
        shown = devices.window is not None
        turns = []
        for one in entrants:
            name, drill = one.settings.player.name, one.chosen.drill
            named = drill is not None and drill.name("en") == name  # the goal's own words are the name already
            here = "" if station is None else station.name
            title = options.title or " \N{MIDDLE DOT} ".join(part for part in (here, "" if named else name) if part)
            pipeline = Pipeline(
                one.settings,
                one.chosen.words,
                title,
                calibration,
                one.chosen,
                watched=shown and not settings.pose.close,
                photo=one.photo,
                station=station is not None,
                joints=joint_network(),
            )
            reps, makes = (None, None) if drill is None else (drill.reps, drill.makes)
            turns.append(Turn(name, pipeline, one.settings.player.stature_m, reps or makes, reps is None))
        minutes = None if station is None else station.minutes
        place, turn_s = "" if station is None else station.name, None if minutes is None else 60 * minutes
        self._turns = turns
        self._new_relay = partial(Relay, words=self._words, station=place, turn_s=turn_s)
        self._meter = probe.meter = loop.Meter(getattr(self._source, "now_s", None))
        self._coming = self._sightings()
        self._judge = self._new_judge(self._new_relay(turns))
        self._renewals = 0
        watched = partial(self._watchdog.doing, "disk")
        self._parts = [Part(one.kept, Recorder(one.kept, self._announce, say, watched)) for one in entrants]
        self._last_said: View | None = None
        """The view with which the last rep was told, for the end; None when it was taken out."""
        self._ended = False
        """By the end of the clip or by the person at the window: somebody is there to look at the last screen."""
        self._judging = threading.Lock()
        """Held while the pipeline works on a frame."""
        self._look_at_disk()  # a session that was begun may have found the disk full already

    def _new_judge(self, relay: Relay) -> Judge:
        return Judge(relay, self._coming, partial(self._watchdog.doing, "judge"))

    @property
    def _relay(self) -> Relay:
        return self._judge.relay

    @property
    def _pipeline(self) -> Pipeline:
        return self._relay.pipeline

    @property
    def _part(self) -> Part:
        return self._parts[self._relay.now]

    @property
    def _recorder(self) -> Recorder:
        return self._part.recorder

    def run(self) -> None:
        """Work until the source ends or the person does; raises what went wrong in the loop."""
        self._begin_work()
        try:
            if self._window is not None:
                self._window.run(self._stop, self._on_key, self._on_drawn)
            while not self._stop.wait(0.2):  # in short waits: on Windows a Ctrl-C comes through only between them
                pass
        finally:
            self._stop.set()
            self._source.close()
            self._end_work()
        if self._failure is not None:
            raise self._failure

    def close(self) -> None:
        """Save what is there, then say how it went and let the last cue sound."""
        if self._bump is not None:
            self._bump.close()
        self._note_doubts()
        saved = self._wait_for_disk()
        self._watchdog.close()
        self._probe.reps_s = tuple(one for part in self._parts for one in part.recorder.latencies)
        try:
            for k, part in enumerate(self._parts):
                if saved[k]:
                    part.kept.close(self._summary_of(k))
        finally:
            self._report()
            self._show_end()
            if self._window is not None:
                self._window.close()
            if self._speaker is not None and not self._speaker.muted:
                time.sleep(max(0.0, self._sounds_until_s - time.monotonic()))

    def _wait_for_disk(self) -> list[bool]:
        """For each player whether all is on disk. Where the disk hangs the person says when to end without it."""
        recorders = [part.recorder for part in self._parts]
        saved = [one.close(_DISK_S) for one in recorders]
        if all(saved):
            return saved
        reps = [rep.index for one in recorders for rep in one.waiting]
        named = f"rep {', '.join(map(str, reps))} wait{'s' * (len(reps) == 1)} in memory" if reps else "reps are saved"
        line = f"The disk does not answer: {named}. Free it, or end without it by any key (no window: Ctrl-C)"
        self._say(line)
        self._stop.clear()  # a signal sets it again
        over = threading.Event()

        def watch() -> None:
            while not (self._stop.is_set() or all(one.close(_LOOK_S) for one in recorders)):
                pass
            over.set()

        threading.Thread(target=watch, name="disk", daemon=True).start()
        if self._window is not None:
            self._window.stay(View(0.0, None, count=len(reps), status=line, trouble=True), over, _DAY_S)
        else:
            while not over.wait(0.2):
                pass
        self._stop.set()
        for one in recorders:
            one.give_up()
        saved = [one.close(0.0) for one in recorders]
        self._ended = self._ended and all(saved)
        return saved

    def _sightings(self) -> Iterator[Sighting | SourceTrouble]:
        # a clip with a window is watched; without one it is worked through as fast as the machine can
        watched = self._window is not None and not self._source.info.live and self._options.at_own_pace
        if self._window is not None and watched:
            while not (self._window.splash_over.wait(0.1) or self._stop.is_set()):
                pass  # nobody should miss the first shot of a clip behind the cautions
        given = self._given()
        frames = at_own_pace(given, self._stop, self._pause) if watched else until_stopped(given, self._stop)
        ahead = LIVE_AHEAD if self._source.info.live else 1
        people = lambda: self._relay.people_to_ask()  # noqa: E731 - of whoever judges by then
        for item in sightings(frames, self._estimator, people, ahead, self._renew):
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

    def _end_work(self) -> None:
        """Wait for the frames that were on their way, as long as any of them comes to its end."""
        while self._worker.is_alive():
            before = self._meter.frames
            self._worker.join(_END_S)
            if self._worker.is_alive() and self._meter.frames == before:
                self._judge.given_up = True
                self._say("The work on a frame does not end: the program ends without it, what was counted is saved.")
                return

    def _begin_work(self) -> None:
        self._worker = threading.Thread(target=self._work, args=(self._judge,), name="loop", daemon=True)
        self._worker.start()

    def _work(self, judge: Judge) -> None:
        try:
            loop.run(judge.seen(), judge, self._screen, self._on_event, self._say, self._meter)
            self._ended = self._ended or not self._stop.is_set()
        except BaseException as error:
            if judge.given_up:
                return
            self._failure = error
        self._stop.set()

    def _replace_judge(self) -> str | None:
        """The work on a frame does not end: a fresh judge goes on with the frames, on a thread of its own."""
        if self._renewals >= _MOST_RENEWALS or self._stop.is_set():
            return None
        self._renewals += 1
        old = self._relay
        self._turns = [replace(turn, pipeline=turn.pipeline.renewed()) for turn in self._turns]
        relay = self._new_relay(self._turns)
        while relay.now != old.now:
            relay.begin_next()
        relay.frames, relay.spent_s = list(old.frames), list(old.spent_s)
        relay.cautioned_s = list(old.cautioned_s)
        self._judge.given_up = True
        self._judge = self._new_judge(relay)
        self._begin_work()
        return "a fresh one goes on with the same count, the shot that was being read is lost"

    def _on_stuck(self, line: str) -> None:
        """Something hangs, or goes on again; on the watchdog's thread."""
        self._say(line)
        self._screen.warning = line if self._watchdog.names_something else ""

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
            self._note_result("made")
        elif step.gesture is Gesture.GOOD:
            self._call_good()
        elif step.gesture is Gesture.DISCARD:
            self._discard()
        elif step.gesture is Gesture.PAUSE:
            self._confirm(step.view.t_s, Tone.CONFIRM)
        if step.news == TurnNews.FITS:
            self._note_doubts()
        if step.news == TurnNews.OVER or step.gesture is Gesture.NEXT:
            self._note_doubts()  # this is no answer to the question: the reps stay
            self._next()
        elif step.news == TurnNews.WHO:
            said = prompt(self._words, "who", player=self._relay.name)
            self._announce(Feedback(step.view.t_s, Tone.CONFIRM, prompt=said))
            self._say(f"The body does not fit {self._relay.name}: say who shoots (keys Y, N).")

    def _note_doubts(self) -> None:
        """Nobody answered who shot these reps: they stay with the player of the turn, and the history says so."""
        kept, text = self._part.kept, f"The body did not fit {self._relay.name}"
        for index in self._relay.doubted:
            self._recorder.then(
                partial(self._note, kept, index, text)  # the session's id is known on the recorder's thread only
            )
        self._relay.doubted = []

    def _note(self, kept: Kept, index: int, text: str) -> None:
        self._store.add_note(kept.writer.id, text, rep_index=index)

    def _next(self) -> None:
        """The next player's turn; the pipeline's lock is held. Reps that were asked about are not this player's."""
        doubted = self._relay.doubted
        last = self._relay.leave()
        if last is not None:
            self._on_event(replace(last, news=None))
        while doubted and self._part.reps and self._part.reps[-1].index in doubted:
            index = self._part.reps[-1].index
            self._say(f"Rep {index} is not {self._relay.name}'s and is taken out.")
            self._discard()
        name = self._relay.begin_next()
        self._announce(Feedback(0.0, Tone.CONFIRM, prompt=prompt(self._words, "turn", player=name)))
        if self._window is None and not self._options.json:
            self._say(f"Next: {name}")

    def _tell_terminal(self, index: int, words: str) -> None:
        """One line on a rep, after what its recorder has to say before, where no window and no JSON tell it."""
        if not self._options.json and self._window is None:
            who = "" if self._station is None else f"{self._relay.name}, "
            self._recorder.then(lambda: self._say(f"{who}{'rep' if who else 'Rep'} {index}{words}"))

    def _note_result(self, result: Result) -> None:
        index = self._pipeline.judge_last(result)
        if index is not None:
            self._keep_result(index, result)
            self._confirm(0.0, Tone.MADE if result == "made" else Tone.CONFIRM)

    def _call_good(self) -> None:
        index = self._pipeline.call_last_good()
        if index is None:
            return

        kept = self._part.kept

        def keep() -> None:
            self._store.add_note(kept.writer.id, rep_index=index, kind="good")

        self._recorder.then(keep)
        self._tell_terminal(index, ": good")
        self._confirm(0.0, Tone.CONFIRM)

    def _keep_result(self, index: int, result: Result) -> None:
        part = self._part
        part.reps = [replace(rep, result=result) if rep.index == index else rep for rep in part.reps]
        part.recorder.then(lambda: part.kept.writer.update_rep_result(index, result))
        self._print(result_line(index, result))
        self._tell_terminal(index, f": {result}")

    def _tell(self) -> None:
        told = self._pipeline.tell_last()
        if told is None:
            return
        part, answer = self._part, told.spoken or ""
        part.reps[-1] = last = replace(part.reps[-1], answer=answer)
        part.recorder.then(lambda: part.kept.writer.note_answer(last.index, answer))
        self._print(answer_line(last.index, answer))
        self._announce(told)

    def _discard(self) -> None:
        index = self._pipeline.discard_last()
        if index is None:
            return
        part = self._part
        self._last_said = None
        part.taken.update((rep.index, rep) for rep in part.reps if rep.index == index)
        part.reps = [rep for rep in part.reps if rep.index != index]
        part.recorder.then(lambda: part.kept.writer.discard_rep(index))
        self._print(discard_line(index))
        self._tell_terminal(index, " was taken out")
        self._confirm(0.0, Tone.CONFIRM)

    def _restore(self) -> None:
        index = self._pipeline.put_back_last()
        if index is None:
            return
        part = self._part
        if (rep := part.taken.pop(index, None)) is not None:
            insort(part.reps, rep, key=lambda rep: rep.index)
        part.recorder.then(lambda: part.kept.writer.restore_rep(index))
        self._print(restore_line(index))
        self._tell_terminal(index, " counts again")
        self._confirm(0.0, Tone.CONFIRM)

    def _print(self, line: str) -> None:
        """One JSON object, where that is asked for, after what the player's recorder has to do before."""
        if self._options.json:
            line = line if self._station is None else with_player(line, self._relay.name)
            self._recorder.then(lambda: self._out.line(line))

    def _confirm(self, t_s: float, tone: Tone) -> None:
        self._announce(Feedback(t_s, tone))

    def _on_rep(self, step: Step) -> None:
        if step.rep is None or step.feedback is None:
            return
        rep = step.rep
        self._last_said = step.view
        self._part.reps.append(rep)
        now_s = getattr(self._source, "now_s", None)
        self._probe.rep_ages_s.append(0.0 if now_s is None else now_s() - step.view.t_s)
        self._recorder.submit(rep, step.feedback)
        self._recorder.then(self._look_at_disk)
        if step.trace is not None:
            self._keep(rep.index, step.trace)
            self._note_view(step.trace)
        self._print(rep_line(rep))
        self._tell_terminal(rep.index, "" if step.feedback.spoken is None else f": {step.feedback.spoken}")

    def _look_at_disk(self) -> None:
        """Say on the screen where reps go, unless it is where they belong; nobody at a court reads the terminal."""
        aside = [begun for part in self._parts if (begun := part.kept.begun) is not None and begun.aside]
        kind = "aside_full" if any(begun.full for begun in aside) else "aside" if aside else ""
        if any(part.recorder.refused for part in self._parts):
            kind = "unsaved"
        short = _IN_SHORT.get(kind, "")
        self._screen.say_of_disk(*(text(self._words, one) if one else "" for one in (kind, short)))

    def _keep(self, index: int, trace: Trace) -> None:
        """For a later look, after the rep is saved and its feedback under way."""
        folder, clip = self._traces, self._options.clip
        if folder is None:
            return
        if clip is not None:
            trace = replace(trace, film=clip.name, counted=getattr(self._source, "counted", False))

        kept = self._part.kept

        def save() -> None:
            try:
                save_trace(folder, kept.writer.id, index, trace)
                if clip is not None:
                    note_film(folder, kept.writer.id, clip)
            except StoreError as error:
                self._traces = None  # said once: the reps themselves are safe elsewhere
                self._say(f"No rep of this session can be looked at later: {error}")

        self._recorder.then(save)

    def _note_view(self, trace: Trace) -> None:
        """The session's view is that of most of its reps: it may change, since players move about."""
        if self._calibration is None:
            return
        kept, views = self._part.kept, self._part.views
        before = commonest(views)
        views.append(viewpoint(self._calibration, trace))
        view = commonest(views)
        if view is not None and view != before:
            self._recorder.then(lambda: kept.writer.seen_from(view))

    def _announce(self, feedback: Feedback) -> None:
        if self._speaker is not None:
            self._speaker.play(feedback)
            self._sounds_until_s = time.monotonic() + (_TONE_S if feedback.spoken is None else _CUE_S)

    def _on_drawn(self, view: View, began_s: float) -> None:
        now_s = getattr(self._source, "now_s", None)
        if now_s is not None and view.image is not None:
            self._probe.drawn_s.append((now_s() - view.t_s, time.perf_counter() - began_s))

    def _on_key(self, action: str) -> None:
        if action == "good" and self._relay.asks:
            action = "same"  # on a presenter remote there is no Y
        if action == "quit":
            self._ended = True
        elif action == "mute":
            if self._speaker is not None:
                self._speaker.toggle_mute()
                self._screen.show_again()  # while a clip is held no frame comes that would show it
        elif self._judging.acquire(timeout=_KEY_S):  # the window must stay alive whatever the judge does
            try:
                self._obey(action)
            finally:
                self._judging.release()

    def _obey(self, action: str) -> None:
        """A key that concerns the judge, between two frames."""
        trouble = self._relay.trouble
        if trouble is not None:
            if action in _SEEN_IN_PICTURES:
                return
            now_s = getattr(self._source, "now_s", None)  # the answer stands its time from now on
            self._relay.troubled(trouble if now_s is None else replace(trouble, t_s=max(trouble.t_s, now_s())))
        match action:
            case "next":
                self._next()
            case "same":
                if self._relay.same_player():
                    self._confirm(0.0, Tone.CONFIRM)
            case "pause":
                if self._source.info.live or self._pipeline.paused:
                    self._pipeline.toggle_pause()
                else:
                    self._pause.toggle()
                self._screen.show_again()
            case "court":
                self._pipeline.toggle_court()
            case "still_fits" if self._bump is not None:
                self._relay.camera_still_fits()
                self._bump.start_over()
            case "made":
                self._note_result("made")
            case "missed":
                self._note_result("missed")
            case "good":
                self._call_good()
            case "tell":
                self._tell()
            case "discard":
                self._discard()
            case "restore":
                self._restore()
        # while a clip is held, or the camera gives nothing, no frame comes that would show what the key did
        held = self._pause.on and action != "pause"
        if (held or trouble is not None) and (view := self._relay.seen_again()) is not None:
            if action == "tell" and view.trouble and not view.prompt:
                view = replace(view, prompt=view.cue or "")
            self._screen.show(view, answered=held)

    def _camera_moved(self, t_s: float) -> None:
        between_frames = self._judging.acquire(timeout=_KEY_S)
        self._relay.camera_moved(t_s)
        if between_frames:
            self._judging.release()
        self._say("The camera was moved: values go without the calibration until you confirm it (key K).")

    def _summary_of(self, place: int) -> SessionSummary:
        """At a station of the player's own turns: how long, how many pictures."""
        summary = self._meter.summary()
        if self._station is None:
            return replace(summary, dropped=self._source.dropped)
        return replace(summary, frames=self._relay.frames[place], duration_s=self._relay.spent_s[place])

    def _report(self) -> None:
        for k, (row, part) in enumerate(zip(self._relay.rows, self._parts, strict=True)):
            summary = self._summary_of(k)
            if self._options.json:
                line = session_line(row.reps, summary)
                self._out.line(line if self._station is None else with_player(line, row.name))
            elif part.reps:
                if self._station is not None:
                    self._say(f"{row.name}:")
                self._out.run(partial(print_reps, part.reps, sys.stdout))
        if not self._options.json and not any(part.reps for part in self._parts):
            out = sum(len(part.taken) for part in self._parts)
            self._say(f"No reps: {counted(out, 'rep')} taken out." if out else "No reps: no shot was seen.")

    def _end_words(self, reps: int) -> tuple[str, bool]:
        """What became of so many reps, for the last screen, and whether somebody must do something about it."""
        told = count_of_reps(self._words, reps)
        lost, waiting = sum(part.unsaved for part in self._parts), sum(part.aside for part in self._parts)
        if lost:
            return text(self._words, "end_unsaved", reps=told, lost=lost), True
        if waiting:
            return text(self._words, "end_aside", reps=told, waiting=waiting), True
        return text(self._words, "end", reps=told), False

    def _show_end(self) -> None:
        """What the session came to, for a while or until a key; everything is saved by now."""
        if self._window is None or not self._ended or not self._options.at_own_pace or self._failure is not None:
            return
        rows = self._relay.rows
        reps = sum(row.reps for row in rows)
        if reps == 0 and self._source.info.live:
            return  # nothing to look at: the person only closed the window
        words, trouble = self._end_words(reps)
        last = self._last_said if self._station is None and not trouble else None
        view = View(
            0.0,
            None,
            count=reps,
            mark=None if last is None else last.mark,
            prompt="" if last is None else last.cue or "",
            cue=what_changed(self._part.reps, self._words) if self._station is None else None,
            status=words,
            trouble=trouble,
            title=self._options.title or (rows[0].name if self._station is None else self._station.name),
            tally=self._pipeline.tally if self._station is None else "",
            board=self._relay.board,
            scene=Scene.END,
        )
        # a signal sets it again and ends this too
        self._stop.clear()
        self._window.stay(view, self._stop, _END_SHOWN_S)
