"""A practice from start to end: opens what it needs, runs the loop beside the window, obeys the keys, saves.

What reps go through is in scorer.py, the devices are opened in devices.py, the end is in ending.py.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path

from rimward.calibration.bump import Features
from rimward.calibration.record import Calibration
from rimward.calibration.storage import fitted, load_background, load_calibration

from . import ending, loop
from .bump_watch import BumpWatch
from .clip import open_clip
from .coaching import coaching, load_drill, load_station, load_words
from .devices import Devices, open_devices, ready_model
from .drills import Drill
from .entrants import Entrant, Kept, Part, of_player, turns_of
from .errors import CalibrationError
from .interrupts import stopped_by_signals
from .judge import Judge
from .known_player import is_minor, settings_for
from .outputs import Lines, Output, PracticeScreen, Seldom, Sounds
from .pace import Pause, at_own_pace, until_stopped
from .pipeline import Step
from .ports import FrameSource
from .recorder import Latency, Recorder
from .records import Feedback, Frame, Sighting, SourceInfo, SourceTrouble, Tone, View
from .relay import Relay
from .scorer import Scorer
from .screen import screen_available
from .session_records import SessionSummary
from .settings import Settings, data_folder
from .sightings import LIVE_AHEAD, sightings
from .stations import Station
from .store import SessionWriter, Store, open_store
from .watchdog import Watchdog
from .words import prompt, text

_ACTIONS = ("pause", "made", "missed", "good", "tell", "discard", "restore", "mute")
_COURT_ACTIONS = ("court", "still_fits")
_TURN_ACTIONS = ("next", "same")
_SEEN_IN_PICTURES = ("court", "still_fits", "same")
"""What these answer is seen with the camera's picture only: without one they do nothing."""
_IN_SHORT = {"aside": "aside_short", "aside_full": "aside_full_short", "unsaved": "unsaved_short"}
"""What is wrong with where reps are kept -> the words for the bar."""
_END_S = 5.0
"""How long the end waits for the work on one frame."""
_KEY_S = 3.0
"""How long a key waits for the end of the work on a frame; the slowest, reading a shot, takes a second."""
_MOST_RENEWALS = 3
"""A judge that must be replaced more often will not get well."""


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
    on the way. Raises RimwardError for what keeps the session from starting. A Ctrl-C, or a request to terminate, comes
    out as KeyboardInterrupt after everything is saved.
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
        calibration, background = None, None
        if options.calibration is not None:
            calibration, background = load_calibration(options.calibration), load_background(options.calibration)
        station = None if options.station is None else load_station(options.station)
        asked = options.drill or (None if station is None else station.drill)
        drill, words = None if asked is None else load_drill(asked), load_words(settings)
        model = ready_model(settings, say)
        hold_signals()
        actions = _ACTIONS + (_COURT_ACTIONS if calibration is not None else ()) + (_TURN_ACTIONS if station else ())
        devices = open_devices(settings, model, say, source, headless, actions, words, closing)
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
        else:
            entrants = [entrant(*of_player(settings, one), one.drill(drill)) for one in station.players]
        session = _Session(
            settings, options, devices, store, entrants, station, calibration, background, stop, say, probe or Probe()
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


class _Session:
    """The loop in a thread of its own, the main thread for the window and its keys, and what connects them."""

    def __init__(
        self,
        settings: Settings,
        options: Options,
        devices: Devices,
        store: Store,
        entrants: Sequence[Entrant],
        station: Station | None,
        calibration: Calibration | None,
        background: Features | None,
        stop: threading.Event,
        say: Callable[[str], None],
        probe: Probe,
    ) -> None:
        self._options, self._station, self._stop, self._say, self._probe = options, station, stop, say, probe
        self._source, self._estimator, self._renew = devices.source, devices.estimator, devices.renew
        self._window, self._speaker = devices.window, devices.speaker
        self._words = entrants[0].chosen.words
        self._pause = Pause()
        self._bump = None if calibration is None else BumpWatch(self._camera_moved, self._camera_back, background)
        self._screen = PracticeScreen(
            devices.window, self._pause, self._bump, self._speaker, settings.sound.hold_tone, self._words
        )
        self._sounds = Sounds(devices.speaker)
        self._watchdog = Watchdog(
            self._on_stuck,
            also=None if devices.speaker is None else devices.speaker.look,
            restart={"judge": self._replace_judge},
        )
        shown = devices.window is not None
        self._lines = Lines(
            Output(say, self._watchdog), say, json=options.json, shown=shown, station=station is not None
        )
        self._meter = probe.meter = loop.Meter(getattr(self._source, "now_s", None))
        self._seldom = Seldom(say)
        self._turns = turns_of(entrants, settings, options.title, station, calibration, shown)
        minutes = None if station is None else station.minutes
        place, turn_s = "" if station is None else station.name, None if minutes is None else 60 * minutes
        self._new_relay = partial(Relay, words=self._words, station=place, turn_s=turn_s)
        self._coming = self._sightings()
        self._judge = self._new_judge(self._new_relay(self._turns))
        self._renewals = 0
        self._judging = threading.Lock()
        """Held while the pipeline works on a frame."""
        watched = partial(self._watchdog.doing, "disk")
        self._parts = [
            Part(turn.name, one.kept, Recorder(one.kept, self._sounds.play, say, watched))
            for turn, one in zip(self._turns, entrants, strict=True)
        ]
        self._scorer = Scorer(
            self._parts,
            lambda: self._relay,
            store,
            self._words,
            self._sounds,
            self._lines,
            say,
            self._look_at_disk,
            self._source,
            options.clip,
            calibration,
        )
        self._begun = False
        self._failure: BaseException | None = None
        self._ended = False
        """By the end of the clip or by the person at the window: somebody is there to look at the last screen."""

    def _new_judge(self, relay: Relay) -> Judge:
        return Judge(relay, self._coming, partial(self._watchdog.doing, "judge"))

    @property
    def _relay(self) -> Relay:
        return self._judge.relay

    # ---- from start to end

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
        self._scorer.note_doubts()
        saved = ending.wait_for_disk([part.recorder for part in self._parts], self._window, self._stop, self._say)
        self._ended = self._ended and all(saved)
        self._watchdog.close()
        self._probe.reps_s = tuple(one for part in self._parts for one in part.recorder.latencies)
        summaries = [self._summary_of(place) for place in range(len(self._parts))]
        try:
            for part, safe, summary in zip(self._parts, saved, summaries, strict=True):
                if safe:
                    part.kept.close(summary)
        finally:
            self._lines.end(self._relay.rows, self._parts, summaries)
            self._show_end()
            if self._window is not None:
                self._window.close()
            self._sounds.finish()

    def _summary_of(self, place: int) -> SessionSummary:
        """At a station of the player's own turns: how long, how many pictures."""
        summary = self._meter.summary()
        if self._station is None:
            return replace(summary, dropped=self._source.dropped)
        return replace(summary, frames=self._relay.frames[place], duration_s=self._relay.spent_s[place])

    def _show_end(self) -> None:
        """What the session came to, for a while or until a key; everything is saved by now."""
        if self._window is None or not self._ended or not self._options.at_own_pace or self._failure is not None:
            return
        rows = self._relay.rows
        if self._source.info.live and not any(row.reps for row in rows):
            return  # nothing to look at: the person only closed the window
        title = self._options.title or (rows[0].name if self._station is None else self._station.name)
        view = ending.last_view(self._relay, self._parts, self._scorer.last_told, title, self._words)
        self._stop.clear()  # a signal sets it again and ends this too
        self._window.stay(view, self._stop, ending.END_SHOWN_S)

    # ---- the loop, on its own thread

    def _begin_work(self) -> None:
        self._worker = threading.Thread(target=self._work, args=(self._judge,), name="loop", daemon=True)
        self._worker.start()

    def _work(self, judge: Judge) -> None:
        try:
            loop.run(judge.seen(), judge, self._screen, self._on_event, self._on_trouble, self._meter)
            self._ended = self._ended or not self._stop.is_set()
        except BaseException as error:
            if judge.given_up:
                return
            self._failure = error
        self._stop.set()

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
                if isinstance(item, Sighting):
                    self._begin_session()
                yield item

    def _begin_session(self) -> None:
        """A practice is one from its first picture on: a camera that never came leaves nothing in the history. At a
        station each player's begins with the first rep.
        """
        if self._begun or self._station is not None:
            return
        self._begun = True
        (part,) = self._parts
        part.recorder.then(part.kept.begin)
        part.recorder.then(self._look_at_disk)  # it may have found the disk full already

    def _given(self) -> Iterator[Frame | SourceTrouble]:
        """What the source gives, watched over."""
        coming = iter(self._source)
        while True:
            with self._watchdog.doing("source"):
                item = next(coming, None)
            if item is None:
                return
            yield item

    def _on_event(self, step: Step) -> None:
        """What a frame brought; the pipeline's lock is held."""
        if step.rep is not None:
            now_s = getattr(self._source, "now_s", None)
            self._probe.rep_ages_s.append(0.0 if now_s is None else now_s() - step.view.t_s)
        self._scorer.heed(step)

    def _end_work(self) -> None:
        """Wait for the frames that were on their way, as long as any of them comes to its end."""
        while self._worker.is_alive():
            before = self._meter.frames
            self._worker.join(_END_S)
            if self._worker.is_alive() and self._meter.frames == before:
                self._judge.given_up = True
                self._say("The work on a frame does not end: the program ends without it, what was counted is saved.")
                return

    # ---- what goes wrong meanwhile

    def _on_trouble(self, message: str) -> None:
        """No frames come: with a window the screen says so all the time, in the terminal it is said now and then."""
        self._seldom.say(message, self._meter.frames)

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

    def _look_at_disk(self) -> None:
        """Say on the screen where reps go, unless it is where they belong; nobody at a court reads the terminal."""
        aside = [begun for part in self._parts if (begun := part.kept.begun) is not None and begun.aside]
        kind = "aside_full" if any(begun.full for begun in aside) else "aside" if aside else ""
        if any(part.recorder.refused for part in self._parts):
            kind = "unsaved"
        short = _IN_SHORT.get(kind, "")
        self._screen.say_of_disk(*(text(self._words, one) if one else "" for one in (kind, short)))

    def _camera_moved(self, t_s: float) -> None:
        with self._between_frames():
            self._relay.camera_moved(t_s)
        self._sounds.play(Feedback(t_s, Tone.CONFIRM, prompt=prompt(self._words, "camera_moved")))
        end = "the lines fit and you press K" if self._window is not None else "it stands there again"
        self._say(f"The camera was moved since it was calibrated: values go without the calibration until {end}.")

    def _camera_back(self, t_s: float) -> None:
        with self._between_frames():
            self._relay.camera_still_fits()
        self._sounds.confirm(t_s)
        self._say("The camera stands where it was calibrated: the calibration holds again.")

    @contextmanager
    def _between_frames(self) -> Iterator[None]:
        """While nothing works on a frame, unless that does not end."""
        held = self._judging.acquire(timeout=_KEY_S)
        try:
            yield
        finally:
            if held:
                self._judging.release()

    # ---- the window and its keys, on the main thread

    def _on_drawn(self, view: View, began_s: float) -> None:
        now_s = getattr(self._source, "now_s", None)
        if now_s is not None and view.image is not None:
            self._probe.drawn_s.append((now_s() - view.t_s, time.perf_counter() - began_s))

    def _on_key(self, action: str) -> None:
        """Do what a key asks for; the window has done what it can by itself (screen.WINDOW_ACTIONS)."""
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
            case "made":
                self._scorer.note_result("made")
            case "missed":
                self._scorer.note_result("missed")
            case "good":
                self._scorer.call_good()
            case "tell":
                self._scorer.tell()
            case "discard":
                self._scorer.discard()
            case "restore":
                self._scorer.restore()
            case "next":
                self._scorer.next()
            case "same":
                self._scorer.same_player()
            case "pause":
                if self._source.info.live or self._relay.pipeline.paused:
                    self._relay.pipeline.toggle_pause()
                else:
                    self._pause.toggle()
                self._screen.show_again()
            case "court":
                self._relay.pipeline.toggle_court()
            case "still_fits" if self._bump is not None:
                self._relay.camera_still_fits()
                self._bump.start_over()
        # while a clip is held, or the camera gives nothing, no frame comes that would show what the key did
        held = self._pause.on and action != "pause"
        if (held or trouble is not None) and (view := self._relay.seen_again()) is not None:
            self._screen.show(view, answered=held)
