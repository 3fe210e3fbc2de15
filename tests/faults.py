"""Faults, one after the other, into a whole practice; each with the promise that it must keep.

    python -m tests.faults [--kills 100] [--only PART-OF-A-NAME] [--json]

The practice is the real one: camera, judge, recorder, database, window (unseen) and sound (into a file). Only the pose
network's answers are replayed from one pass over the clip, unless the network is what fails. Where a test of the suite
proves a promise already, that test is run and named. `kill -9` comes at random moments, and what is lost is counted.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import itertools
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from fakes import FakeCapture, clip_frames
from program import CLIPS, ROOT, prepared_model, saved
from rich.console import Console
from rich.table import Table

from rimward.live import devices, ending, practice
from rimward.live.camera import Camera, open_camera
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import Pipeline
from rimward.live.places import DATABASE
from rimward.live.practice import Options, practise
from rimward.live.records import Frame, Pose, Rep, SourceInfo
from rimward.live.session_records import SavedSession
from rimward.live.settings import load_settings
from rimward.live.sightings import sightings
from rimward.live.speaker import Mixer, Speaker, Speech
from rimward.live.store import SessionWriter
from rimward.live.watchdog import Watchdog

CLIP = CLIPS / "fps_15.mp4"
LIMIT_S = 60.0
"""For broken code; nothing here comes near it."""
Picture = np.ndarray
Timed = tuple[float, Picture | None]


@dataclass(frozen=True)
class Fault:
    """One row of the table."""

    name: str
    promise: str
    prove: Callable[[], str] | None = None
    """Raises AssertionError where the promise is broken; gives what is worth knowing of the run."""
    tests: tuple[str, ...] = ()
    """Tests of the suite that prove it already."""
    short: bool = False
    """Part of the short version."""


# ---------------------------------------------------------------------------------------------------- the practice


@functools.cache
def model_of_this_machine() -> Path:
    """Looked for before a practice gets a data folder of its own."""
    return prepared_model()


class Known:
    """The network's answer for each picture of the clip, asked for once (ports.PoseEstimator)."""

    answers: dict[tuple[bytes, int], tuple[Pose, ...]] = {}  # noqa: RUF012
    network: MediapipePose | None = None

    def __init__(self, model: Path) -> None:
        if Known.network is None:
            Known.network = MediapipePose(model)

    def warm_up(self, people: int) -> None:
        pass

    def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
        key = (np.ascontiguousarray(frame.image[::64, ::64]).tobytes(), people)
        if key not in Known.answers:
            assert Known.network is not None
            Known.answers[key] = Known.network.estimate(Frame(frame.index, next(_STEPS), frame.image), people)
        return Known.answers[key]

    def close(self) -> None:
        pass


_STEPS = itertools.count(0.0, 0.07)
"""The real network wants times that grow, over all practices that share it."""


@dataclass
class Outcome:
    said: list[str]
    sessions: list[tuple[SavedSession, list[Rep]]]
    played: int = 0

    @property
    def reps(self) -> list[Rep]:
        assert len(self.sessions) == 1, self.sessions
        return self.sessions[0][1]

    def says(self, part: str) -> None:
        assert any(part in line for line in self.said), f"{part!r} was not said: {self.said}"


@dataclass
class Stage:
    """A practice in a data folder of its own, until `enough` reps were played or `until` comes true."""

    capture: Callable[..., FakeCapture] | None = None
    enough: int = 1
    network: Callable[[Path], Any] = Known
    speaker: Callable[[], Speaker] | None = None
    """With one, the window is open too (unseen)."""
    until: Callable[[Stage], bool] = lambda stage: False
    camera: dict[str, Any] = field(default_factory=dict)
    settings: Callable[[], Any] = load_settings
    patches: dict[str, object] = field(default_factory=dict)
    folder: Path | None = None
    reps: list[Rep] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    source: Camera | None = None

    def run(self) -> Outcome:
        model = str(model_of_this_machine())
        with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as undo:
            data = self.folder or Path(name)
            change = pytest.MonkeyPatch()
            undo.callback(change.undo)
            for key, value in {
                "RIMWARD_DATA_DIR": str(data),
                "XDG_CONFIG_HOME": str(data),
                "SDL_VIDEODRIVER": "dummy",
                "SDL_AUDIODRIVER": "disk",
                "SDL_DISKAUDIOFILE": str(Path(name) / "sound.raw"),
            }.items():
                change.setenv(key, value)
            change.delenv("RIMWARD_SETTINGS", raising=False)
            counted = self.reps

            class Watched(practice.Recorder):
                def submit(self, rep, feedback):
                    super().submit(rep, feedback)
                    self.then(lambda: counted.append(rep))

            change.setattr(devices, "MediapipePose", self.network)
            change.setattr(practice, "Recorder", Watched)
            change.setattr(ending, "END_SHOWN_S", 0.1)
            # side files of other runs must not join here, nor these there: the temp folder is everybody's
            (Path(name) / "temp").mkdir()
            change.setattr(tempfile, "tempdir", str(Path(name) / "temp"))
            if self.speaker is not None:
                change.setattr(devices, "_open_speaker", lambda settings, say: self.speaker())
            for target, value in self.patches.items():
                change.setattr(target, value)
            settings = self.settings()
            settings = settings.model_copy(update={"pose": settings.pose.model_copy(update={"model": model})})
            self.source = open_camera(0, capture_factory=self.capture or playing(shot), **self.camera)
            over = threading.Event()
            ender = threading.Thread(target=self._end, args=(over,), daemon=True)
            ender.start()
            options = Options(headless=self.speaker is None)
            with contextlib.redirect_stdout(None):
                status = practise(settings, options, self.said.append, self.source)
            over.set()
            ender.join()
            assert status == 0
            return Outcome(self.said, saved(data), len(self.reps))

    def _end(self, over: threading.Event) -> None:
        end_s = time.monotonic() + LIMIT_S
        while not over.wait(0.02):
            if len(self.reps) >= self.enough or self.until(self) or time.monotonic() > end_s:
                assert self.source is not None
                self.source.close()
                return


_PICTURES: list[Timed] = []


def shot() -> Iterator[Timed]:
    """The clip of one free throw, its pictures kept."""
    if not _PICTURES:
        _PICTURES.extend(clip_frames(CLIP))
    return iter(_PICTURES)


def playing(*parts: Callable[[], Iterator[Timed]]) -> Callable[..., FakeCapture]:
    """A camera that plays these one after the other, then the shot again and again."""

    def timed() -> Iterator[Timed]:
        start_s = 0.0
        for part in itertools.chain(parts, itertools.repeat(shot)):
            t_s = 0.0
            for t_s, picture in part():
                yield start_s + t_s, picture
            start_s += t_s + 1 / 15

    return lambda device: FakeCapture(timed())


def still(colour: tuple[int, int, int], seconds: float) -> Callable[[], Iterator[Timed]]:
    picture = np.full((720, 1280, 3), colour, np.uint8)
    return lambda: ((k / 15, picture) for k in range(round(15 * seconds)))


def same_length(reps: Sequence[Rep]) -> None:
    """The rep is the clip's: reference, the sidecar's release 0.8 s or less after the set."""
    for rep in reps:
        assert 0 < rep.events.release_s - rep.events.set_s < 0.8, rep.events


# ---------------------------------------------------------------------------------------------------------- cameras


def wrong_size() -> str:
    def capture(device: object) -> FakeCapture:
        class Liar(FakeCapture):
            def get(self, prop: int) -> float:
                return {3: 1920.0, 4: 1080.0}.get(prop, super().get(prop))

        return Liar((t_s, picture[::2, ::2]) for t_s, picture in shot() if picture is not None)

    # at half the size the network is asked for real
    outcome = Stage(capture, network=Known).run()
    same_length(outcome.reps)
    return f"{len(outcome.reps)} rep"


def green_frames() -> str:
    """A camera that shows one green picture for ever, until it is opened anew."""
    waiting = [still((0, 135, 0), 60.0)]
    stage = Stage(lambda device: playing(waiting.pop())(device) if waiting else playing()(device))
    stage.camera = {"retry_s": 0.1}
    outcome = stage.run()
    outcome.says("is frozen, its picture does not change")
    same_length(outcome.reps)
    assert len(outcome.reps) == 1
    return "said, 1 rep after it"


def five_a_second() -> str:
    slow = lambda: ((t_s, picture) for k, (t_s, picture) in enumerate(shot()) if k % 3 == 0)  # noqa: E731
    rounds = 2
    stage = Stage(
        lambda device: FakeCapture((n * 3.5 + t_s, picture) for n in range(rounds) for t_s, picture in slow()),
        enough=99,
        camera={"retry_s": 0.1},
        until=lambda stage: any("stopped giving" in line for line in stage.said),
    )
    outcome = stage.run()
    assert len(outcome.reps) <= rounds
    return f"{len(outcome.reps)} of {rounds} shots counted, none made up"


def repeated_frames() -> str:
    twice = lambda: ((t_s + late, picture) for t_s, picture in shot() for late in (0.0, 1 / 30))  # noqa: E731
    outcome = Stage(lambda device: FakeCapture(twice())).run()
    same_length(outcome.reps)
    assert len(outcome.reps) == 1
    return "1 rep"


def lid_closed() -> str:
    asleep_s = 0.0

    def clock() -> float:
        return time.perf_counter() + asleep_s

    def close_lid(stage: Stage) -> bool:
        nonlocal asleep_s
        if len(stage.reps) == 1 and not asleep_s:
            asleep_s = 3600.0
        return False

    outcome = Stage(enough=2, camera={"clock": clock}, until=close_lid).run()
    first, second = outcome.reps
    assert second.events.release_s - first.events.release_s > 3600
    same_length(outcome.reps)
    assert not [line for line in outcome.said if " for " in line and "goes on" not in line], outcome.said
    return "reps before and after, no false alarm"


# ---------------------------------------------------------------------------------------------------- pose network


class Failing(Known):
    """Fails at its fifth picture in the way that it is told; the one in its place is well."""

    how: Callable[[Frame], tuple[Pose, ...]]
    count = 0

    def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
        Failing.count += 1
        if Failing.count == 5:
            return type(self).how(frame)
        return super().estimate(frame, people)


def failing(how: Callable[[Frame], tuple[Pose, ...]], **patches: object) -> Outcome:
    Failing.count = 0
    network = type("Network", (Failing,), {"how": staticmethod(how)})
    outcome = Stage(network=network, patches=dict(patches)).run()
    same_length(outcome.reps)
    assert len(outcome.reps) == 1
    return outcome


def network_raises() -> str:
    def how(frame: Frame) -> tuple[Pose, ...]:
        raise RuntimeError("the network broke")

    failing(how).says("Starting the pose network anew: the network broke")
    return "said, started anew, 1 rep"


def network_hangs() -> str:
    let_go = threading.Event()

    def how(frame: Frame) -> tuple[Pose, ...]:
        let_go.wait(LIMIT_S)
        return ()

    patches = {"rimward.live.practice.sightings": partial(sightings, stuck_s=1.0)}
    outcome = failing(how, **patches)
    let_go.set()
    outcome.says("it has not come back for 1 s")
    return "said after 1 s (10 s in earnest), started anew, 1 rep"


def network_rubbish() -> str:
    chance = np.random.default_rng(7)

    class Rubbish(Known):
        """For two seconds a body of which every joint is anywhere, then well."""

        count = 0

        def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
            seen = super().estimate(frame, people)
            Rubbish.count += 1
            if Rubbish.count > 30:
                return seen
            return tuple(
                Pose(
                    landmarks_px=chance.uniform(-1e5, 1e5, one.landmarks_px.shape),
                    **{name: getattr(one, name) for name in Pose.__slots__ if name != "landmarks_px"},
                )
                for one in seen
            )

    outcome = Stage(network=Rubbish).run()
    same_length(outcome.reps[-1:])
    return f"{len(outcome.reps)} rep"


# ---------------------------------------------------------------------------------------------------- sound, window


def speech_hangs() -> str:
    let_go, said, made = threading.Event(), [], []

    def speaker() -> Speaker:
        voice = Speech(lambda: lambda text: let_go.wait(LIMIT_S), notice=said.append, limit_s=1.0)
        made.append(Speaker(Mixer(), voice))
        return made[0]

    once = iter([True])
    stage = Stage(enough=2, speaker=speaker)
    stage.until = lambda stage: bool(stage.reps) and next(once, False) and _say(made[0])
    outcome = stage.run()
    let_go.set()
    assert [line for line in said if "Starting it anew" in line], said
    assert len(outcome.reps) == 2
    return "started anew, tones and reps go on"


def _say(speaker: Speaker) -> bool:
    assert speaker._speech is not None
    speaker._speech.say("Elbow under the ball")  # the clip's shot is good: it has no cue of its own
    return False


def sound_vanishes() -> str:
    import pygame

    said: list[str] = []

    class Gone(Mixer):
        def play_tone(self, tone: object) -> None:
            raise pygame.error("device lost")

    outcome = Stage(enough=2, speaker=lambda: Speaker(Gone(), None, notice=said.append)).run()
    assert said == ["The sound device failed (device lost). Screen and records go on."]
    assert len(outcome.reps) == 2
    return "said once, 2 reps"


def sound_hangs() -> str:
    said: list[str] = []
    let_go = threading.Event()

    class Stuck(Mixer):
        def play_tone(self, tone: object) -> None:
            let_go.wait(LIMIT_S)

    outcome = Stage(
        enough=2,
        speaker=lambda: Speaker(Stuck(), None, notice=said.append),
        patches={"rimward.live.speaker.SOUND_LIMIT_S": 0.5},
    ).run()
    let_go.set()
    assert len(said) == 1
    assert len(outcome.reps) == 2
    return "said once, 2 reps"


def window_closed() -> str:
    import pygame

    def close(stage: Stage) -> bool:
        if stage.reps and pygame.display.get_init():
            pygame.event.post(pygame.event.Event(pygame.QUIT))
        return False

    outcome = Stage(enough=99, speaker=lambda: Speaker(Mixer(), None), until=close).run()
    assert len(outcome.reps) == outcome.played >= 1
    return f"{outcome.played} rep saved"


# ------------------------------------------------------------------------------------------------------------ disk


def disk_full() -> str:
    """On a real file system of 2 MB that is filled to the last byte before the first rep, and freed after it."""
    with tempfile.TemporaryDirectory() as name:
        mounted = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=2m", "none", name], capture_output=True, check=False
        )
        if mounted.returncode != 0:
            pytest.skip("a small file system can be mounted by root only")
        try:
            data = Path(name)
            filler = data / "filler"
            filled = iter([True])

            def fill(stage: Stage) -> bool:
                if stage.source is not None and stage.source.now_s() > 0 and next(filled, False):
                    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
                        while True:
                            file.write(b"x" * 4096)
                if len(stage.reps) == 1:
                    filler.unlink(missing_ok=True)
                return False

            outcome = Stage(enough=2, folder=data, until=fill).run()
            assert not filler.exists()
            assert len(outcome.reps) == 2, outcome
            assert outcome.said, "a full disk must be said"
            return f"2 of 2 reps; said: {outcome.said[0][:60]}..."
        finally:
            subprocess.run(["umount", name], check=False)


def database_locked() -> str:
    import sqlite3

    held: list[sqlite3.Connection] = []

    def lock(stage: Stage) -> bool:
        if len(stage.reps) == 1 and not held:
            held.append(sqlite3.connect(folder / DATABASE, isolation_level=None, check_same_thread=False))
            held[0].execute("BEGIN EXCLUSIVE")
        return False

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        kept = saved

        def let_go(data: Path) -> list[tuple[SavedSession, list[Rep]]]:
            for one in held:
                one.close()
            return kept(data)

        globals()["saved"] = let_go
        try:
            outcome = Stage(enough=2, folder=folder, until=lock).run()
        finally:
            globals()["saved"] = kept
    outcome.says("is held by another program; this session goes on in ")
    assert len(outcome.reps) == 2
    return "the second rep in a side file, both in the database at the next start"


def disk_hangs() -> str:
    """Saving the first rep does not return until the second one was shot and the end has asked about it."""
    let_go, submitted = threading.Event(), []

    class Watched(practice.Recorder):
        def submit(self, rep, feedback):
            submitted.append(rep)
            super().submit(rep, feedback)

    def save(self: SessionWriter, rep: Rep) -> None:
        let_go.wait(LIMIT_S)
        kept(self, rep)

    class Said(list[str]):
        def append(self, line: str) -> None:
            super().append(line)
            if "in memory." in line:  # asked at the end
                let_go.set()

    kept = SessionWriter.save
    stage = Stage(enough=99, until=lambda stage: len(submitted) >= 2, said=Said())
    stage.patches = {
        "rimward.live.practice.Recorder": Watched,
        "rimward.live.store.SessionWriter.save": save,
        "rimward.live.practice.Watchdog": partial(Watchdog, stuck_s=0.5, look_s=0.05),
        "rimward.live.ending._DISK_S": 0.2,
    }
    outcome = stage.run()
    outcome.says("reps wait in memory until it does")
    outcome.says("The disk does not answer: rep 1, 2 wait in memory.")
    assert [rep.index for rep in outcome.reps] == [1, 2]
    return "said, practice goes on, both reps saved when it came back"


# ----------------------------------------------------------------------------------------------------------- judge


def hanging_step(hung: threading.Event, let_go: threading.Event, at: Callable[[], bool]) -> Callable[..., Any]:
    """A step of the judge that does not end until it is let go, once, when `at` is true."""
    step = Pipeline.step

    def hanging(self: Pipeline, sighting: Any) -> Any:
        if at() and not hung.is_set():
            hung.set()
            let_go.wait(LIMIT_S)
        return step(self, sighting)

    return hanging


def judge_hangs() -> str:
    hung, let_go, counter = threading.Event(), threading.Event(), itertools.count()
    stage = Stage()
    stage.patches = {
        "rimward.live.pipeline.Pipeline.step": hanging_step(hung, let_go, lambda: next(counter) == 5),
        "rimward.live.practice.Watchdog": partial(Watchdog, stuck_s=0.3, look_s=0.05),
    }
    outcome = stage.run()
    let_go.set()
    outcome.says("a fresh one goes on with the same count")
    outcome.says("The work on a frame goes on again.")
    same_length(outcome.reps)
    assert [rep.index for rep in outcome.reps] == [1]
    return "said after 0.3 s (10 s in earnest), replaced, 1 rep"


def judge_hangs_at_the_end() -> str:
    import pygame

    def close(stage: Stage) -> bool:
        if hung.is_set() and pygame.display.get_init():
            pygame.event.post(pygame.event.Event(pygame.QUIT))
        return False

    hung, let_go = threading.Event(), threading.Event()
    stage = Stage(enough=99, speaker=lambda: Speaker(Mixer(), None), until=close)
    stage.patches = {
        "rimward.live.pipeline.Pipeline.step": hanging_step(hung, let_go, lambda: bool(stage.reps)),
        "rimward.live.practice._END_S": 0.2,
    }
    outcome = stage.run()
    let_go.set()
    outcome.says("the program ends without it, what was counted is saved")
    assert [rep.index for rep in outcome.reps] == [1]
    return "ends, 1 rep saved"


# --------------------------------------------------------------------------------------------------------- settings


def settings_edited() -> str:
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "settings.toml"
        file.write_text('[player]\nname = "Ada"\n')

        def edit(stage: Stage) -> bool:
            file.write_text("[player\nname = garbage" if len(stage.said) % 2 else '[player]\nname = "Other"\n')
            return False

        outcome = Stage(settings=lambda: load_settings(file), until=edit, folder=Path(name) / "data").run()
    assert outcome.sessions[0][0].start.player == "Ada"
    assert len(outcome.reps) == 1
    return "the running session keeps what it began with"


# ----------------------------------------------------------------------------------------------------------- kill -9


class Rounds:
    """The shot over and over, one in a second at most: three times faster than life (ports.FrameSource)."""

    dropped = 0
    info = SourceInfo("rounds", 1280, 720, 15.0, live=False)

    def __iter__(self) -> Iterator[Frame]:
        index = 0
        for start in itertools.count():
            began_s = time.monotonic()
            for t_s, picture in shot():
                yield Frame(index, 5.0 * start + t_s, picture)
                index += 1
            time.sleep(max(0.0, began_s + 1.0 - time.monotonic()))

    def close(self) -> None:
        pass


def victim(data: str, answers: dict[tuple[bytes, int], tuple[Pose, ...]], model: str, counted: Any) -> None:
    """Practises until it is killed; sends the index of each rep at the instant at which the judge has counted it."""
    Known.answers, Known.network = answers, None  # type: ignore[assignment]

    class Replayed(Known):
        def __init__(self, model: Path) -> None:
            pass

        def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
            key = (np.ascontiguousarray(frame.image[::64, ::64]).tobytes(), people)
            return answers.get(key) or answers.get((key[0], 3 - people), ())

    class Telling(practice.Recorder):
        def submit(self, rep, feedback):
            os.write(counted, b"c%d\n" % rep.index)
            super().submit(rep, feedback)
            self.then(lambda: os.write(counted, b"s%d\n" % rep.index))

    devices.MediapipePose, practice.Recorder = Replayed, Telling  # type: ignore[misc,assignment]
    os.environ |= {"RIMWARD_DATA_DIR": data, "XDG_CONFIG_HOME": data}
    settings = load_settings(None, {"pose": {"model": model}})
    practise(settings, Options(headless=True, json=True), lambda line: None, Rounds())


VICTIM = """
import os, pickle, sys
sys.path[:0] = {path!r}
import faults
faults.victim({data!r}, pickle.load(open({answers!r}, "rb")), {model!r}, 3)
"""


def kills(times: int, seed: int = 9) -> str:
    """Kill a practice `times` times at random moments; what the judge had counted and the database has not is lost."""
    import pickle

    chance = random.Random(seed)
    Stage().run()  # fills the answers
    lost = counted_all = 0
    with tempfile.TemporaryDirectory() as name:
        answers = Path(name) / "answers"
        answers.write_bytes(pickle.dumps(Known.answers))
        data = Path(name) / "data"
        for k in range(times):
            shutil.rmtree(data, ignore_errors=True)
            data.mkdir()
            reading, writing = os.pipe()
            code = VICTIM.format(
                path=[p for p in sys.path if p],
                data=str(data),
                answers=str(answers),
                model=str(model_of_this_machine()),
            )
            process = subprocess.Popen(
                [sys.executable, "-c", f"import os; os.dup2({writing}, 3, inheritable=True)\n{code}"],
                pass_fds=(writing,),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env=os.environ | {"TMPDIR": name},
            )
            os.close(writing)
            with os.fdopen(reading) as pipe:
                first = pipe.readline()
                assert first, "the practice to be killed never counted a rep"
                timer = threading.Timer(chance.uniform(0.0, 1.5), process.kill)
                timer.start()
                lines = [first, *pipe]
                timer.join()
            process.wait()
            counted = {int(line[1:]) for line in lines if line[0] == "c" and line.endswith("\n")}
            told = {int(line[1:]) for line in lines if line[0] == "s" and line.endswith("\n")}
            sessions = saved(data)
            there = {rep.index for _, reps in sessions for rep in reps}
            missing = counted - there
            assert told <= there, f"kill {k + 1}: told as saved and lost: {sorted(told - there)}"
            assert len(missing) <= 1, f"kill {k + 1}: more than the rep in flight is lost: {sorted(missing)}"
            lost += len(missing)
            counted_all += len(counted)
    return f"{times} kills, {counted_all} reps counted, {lost} lost (each the rep in flight), 0 of those told as saved"


def killed_100() -> str:
    return kills(KILLS)


def killed_3() -> str:
    return kills(3)


KILLS = 100

# ------------------------------------------------------------------------------------------------------------ table

FAULTS: tuple[Fault, ...] = (
    Fault(
        "camera unplugged and back",
        "said on the screen; reps before and after are kept",
        tests=("test_window_live.py::test_a_camera_that_is_unplugged_and_comes_back",
               "test_camera.py::test_unplugged_and_plugged_in_again_time_goes_on"),
    ),
    Fault("camera gives another size than it says", "the rep is measured all the same", wrong_size),
    Fault("green, unchanging frames", "said; what comes after counts", green_frames),
    Fault("5 frames a second", "no rep is made up", five_a_second),
    Fault("every frame twice", "the rep is counted once", repeated_frames),
    Fault(
        "time stamps go backwards or stand still",
        "the rep is counted once, at its time",
        tests=("test_bad_input.py::test_times_that_do_not_move_on",),
    ),
    Fault("camera's driver hangs", "said, opened anew, and the program can be ended",
          tests=("test_camera.py::test_a_device_that_hangs_is_said_and_does_not_hold_up_closing",
                 "test_camera.py::test_a_device_that_hangs_is_left_alone_and_opened_anew")),
    Fault("the work on a frame hangs", "said, another judge goes on with the count", judge_hangs,
          ("test_judge.py",), short=True),
    Fault("the work on a frame hangs at the end", "the program ends, what was counted is saved",
          judge_hangs_at_the_end),
    Fault("laptop's lid closed for an hour", "reps before and after are kept; no false alarm", lid_closed),
    Fault("pose network raises", "said, started anew, one frame lost", network_raises, short=True),
    Fault("pose network hangs", "said, replaced, one frame lost", network_hangs),
    Fault("pose network returns rubbish", "practice goes on and counts again after it", network_rubbish,
          ("test_bad_input.py::test_landmarks_that_are_no_numbers",)),
    Fault("speech engine hangs", "started anew; tones and reps go on", speech_hangs),
    Fault("sound device vanishes", "said once; reps are kept", sound_vanishes),
    Fault("sound device hangs", "said once; nobody waits for it, reps are kept", sound_hangs, short=True),
    Fault("window closed", "the session ends and everything is saved", window_closed),
    Fault("disk full, then room again", "said; no rep is lost", disk_full, short=True),
    Fault("disk hangs, then answers again", "said; reps wait in memory, practice goes on, none is lost", disk_hangs,
          ("test_recorder.py::test_a_disk_that_hangs_keeps_its_reps_waiting_and_saves_them_when_it_comes_back",)),
    Fault("database locked by another program", "a side file, which joins at the next start", database_locked),
    Fault("database damaged", "kept aside, a new one begun",
          tests=("test_store.py::test_a_damaged_database_is_kept_aside_and_a_new_one_begun",
                 "test_bad_input.py::test_a_damaged_database")),
    Fault("settings file edited or broken meanwhile", "the running session keeps its own", settings_edited),
    Fault("a stage hangs", "named once in one line by the watchdog; waiting is no alarm",
          tests=("test_watchdog.py",)),
    Fault("kill -9 at random moments", "at most the rep in flight is lost", killed_100,
          ("test_store.py::test_every_rep_that_was_called_saved_survives_kill_9_in_a_side_file_too",)),
)  # fmt: skip


def proved(fault: Fault) -> tuple[str, str]:
    """`kept`, `BROKEN` or `not run`, and what is worth knowing."""
    notes = []
    try:
        if fault.prove is not None:
            notes.append(fault.prove())
        if fault.tests:
            done = subprocess.run(
                [
                    sys.executable,
                    "-m",
                    "pytest",
                    "-q",
                    "-p",
                    "no:cacheprovider",
                    *(f"tests/{one}" for one in fault.tests),
                ],
                cwd=ROOT,
                capture_output=True,
                text=True,
                check=False,
            )
            last = done.stdout.strip().splitlines()[-1] if done.stdout.strip() else done.stderr[-200:]
            assert done.returncode == 0, last
            notes.append(last.split(" in ")[0])
    except AssertionError as error:
        return "BROKEN", str(error)[:300]
    except pytest.skip.Exception as error:
        return "not run", str(error)
    return "kept", "; ".join(notes)


def main() -> int:
    global KILLS
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=KILLS)
    parser.add_argument("--only", default="", help="only faults whose name holds this")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    KILLS = args.kills
    table = Table("fault", "promise", "kept?", "what was seen")
    broken = 0
    for fault in FAULTS:
        if args.only not in fault.name:
            continue
        kept, seen = proved(fault)
        broken += kept == "BROKEN"
        if args.json:
            print(json.dumps({"fault": fault.name, "promise": fault.promise, "kept": kept, "seen": seen}), flush=True)
        else:
            print(f"{kept:8} {fault.name}: {seen}", file=sys.stderr, flush=True)
        table.add_row(fault.name, fault.promise, kept, seen)
    if not args.json:
        Console(width=150).print(table)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
