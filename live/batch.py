"""Recorded clips worked through in parallel: one process a core, each with a pose network of its own.

A clip is read by the same loop and pipeline as in practice, so it gives the same reps. What comes out of a clip comes
out whole or not at all; who asks saves it.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnContext
from pathlib import Path

import cv2

from rimward.calibration.bump import Features
from rimward.calibration.record import Calibration

from . import loop
from .annotate import encoded, key_pictures
from .assets import config_text, joint_network
from .camera_place import CameraPlace, Change
from .clip import Clip, hush_opencv, open_clip
from .coach import Coaching
from .errors import RimwardError, SourceError
from .figure import Take, take
from .film import Film
from .mediapipe_hands import estimator_for
from .pipeline import Pipeline, Step
from .ports import PoseEstimator
from .records import Frame, ImageArray, Rep, Sighting, SourceTrouble
from .session_records import SessionSummary
from .settings import Settings
from .sightings import sightings
from .trace import Trace
from .traces import content_digest, packed
from .words import read_words

Progress = Callable[[Path, int, int | None], None]
"""Called now and then with a clip, its frames done and how many its file claims."""
_TOLD_EVERY_S = 0.2


@dataclass(frozen=True, slots=True)
class Work:
    """How clips are to be read."""

    settings: Settings
    model: Path
    """The pose model."""
    calibration: Calibration | None = None
    calibration_digest: str = ""
    """Of the calibration's file."""
    background: Features | None = None
    """What is known again of the picture that was calibrated."""
    pictures: bool = False
    """Key pictures of this player may be kept."""
    coaching: Coaching | None = None
    """By what is judged; None: the bands of the settings."""

    def key(self, content: str) -> str:
        """What is read with the same key is measured the same; `content` is the digest of the clip's file. By what it
        is judged stays out: a player's own reps move the targets, and a clip is judged once, as a practice is.
        """
        parts = "\n".join((content, self.settings.digest(), self.calibration_digest))
        return hashlib.sha256(parts.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class ReadRep:
    """A rep and the files that belong to it."""

    rep: Rep
    trace: bytes
    """traces.packed"""
    pictures: Mapping[str, bytes]
    """JPEGs by the names of timeline.KEY_PICTURES; empty unless they may be kept."""


@dataclass(frozen=True, slots=True)
class ReadClip:
    """A clip that was worked through."""

    path: Path
    key: str
    """Of the film (Work.key)."""
    reps: tuple[ReadRep, ...]
    summary: SessionSummary
    troubles: tuple[str, ...]
    """What the source said of itself, one line each."""


@dataclass(frozen=True, slots=True)
class KnownClip:
    """A clip that was worked through before with the same settings."""

    path: Path
    key: str
    """Of the film (Work.key)."""
    session_id: str


@dataclass(frozen=True, slots=True)
class FailedClip:
    """A clip that gave nothing, and why, in one line."""

    path: Path
    message: str


Outcome = ReadClip | KnownClip | FailedClip


def cores() -> int:
    """How many processors this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def read_clip(path: Path, work: Work, known: Mapping[str, str], progress: Progress, *, ahead: bool = True) -> Outcome:
    """Work through one clip in this process; `known` are the sessions of earlier clips by their film's key. With
    `ahead` the network has a thread of its own, which pays while a processor is free; the results are the same.
    """
    try:
        source = open_clip(path, alone=ahead)
        try:
            key = work.key(content_digest(path))
            if key in known:
                return KnownClip(path, key, known[key])
            return _worked_through(path, source, key, work, progress, ahead)
        finally:
            source.close()
    except (RimwardError, OSError, MemoryError) as error:
        said = " ".join(str(error).split()) or type(error).__name__
        return FailedClip(path, said if path.name in said else f"{path}: {said}")


def read_clips(
    paths: Sequence[Path], work: Work, known: Mapping[str, str], jobs: int, progress: Progress
) -> Iterator[Outcome]:
    """Work through the clips in `jobs` processes; outcomes come as they are done.

    A process that ends by itself costs its clip only. When the caller stops asking, the processes are ended.
    """
    waiting = deque(paths)
    context = get_context("spawn")  # the same on every system; a fork would copy threads that hold locks
    workers: list[_Worker] = []
    try:
        while waiting or any(worker.path is not None for worker in workers):
            while waiting and len(workers) < jobs:
                workers.append(_Worker(context, work, known, ahead=jobs < cores()))
            for worker in workers:
                if worker.path is None and waiting:
                    worker.begin(waiting.popleft())
            for ready in wait([worker.connection for worker in workers]):
                (worker,) = (one for one in workers if one.connection is ready)
                said = worker.hear()
                if isinstance(said, tuple):
                    progress(*said)
                    continue
                if worker.ended:
                    workers.remove(worker)
                if said is not None:
                    yield said
    finally:
        for worker in workers:
            worker.end()


class _Worker:
    """A process that reads one clip after the other, as seen from the program that started it."""

    def __init__(self, context: SpawnContext, work: Work, known: Mapping[str, str], *, ahead: bool) -> None:
        self.connection, theirs = context.Pipe()
        self.path: Path | None = None
        self.ended = False
        self._process = context.Process(target=_serve, args=(theirs, work, dict(known), ahead), daemon=True)
        self._process.start()
        theirs.close()

    def begin(self, path: Path) -> None:
        """Hand over the next clip."""
        self.path = path
        with contextlib.suppress(OSError):  # it has ended: `hear` will find out
            self.connection.send(path)

    def hear(self) -> Outcome | tuple[Path, int, int | None] | None:
        """What it says next: an outcome or its progress. None when it ended with nothing in work."""
        try:
            said: Outcome | tuple[Path, int, int | None] = self.connection.recv()
        except (EOFError, OSError):
            self.ended = True
            path, self.path = self.path, None
            self.end()
            if path is None:
                return None
            return FailedClip(path, f"{path}: the process that read it was ended from outside; start again")
        if not isinstance(said, tuple):
            self.path = None
        return said

    def end(self) -> None:
        """End the process, whatever it does."""
        self.connection.close()
        self._process.terminate()
        self._process.join()


def _serve(connection: Connection, work: Work, known: Mapping[str, str], ahead: bool) -> None:
    """The process: reads clips until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl-C goes to every program of the terminal; one of them acts
    cv2.setNumThreads(1)  # the other cores have clips of their own
    hush_opencv()
    try:
        while True:
            path = connection.recv()
            try:
                said: Outcome = read_clip(path, work, known, lambda *now: connection.send(now), ahead=ahead)
            except BrokenPipeError:
                raise
            except Exception as error:  # a fault of ours costs this clip, not the others
                what = " ".join(f"{type(error).__name__} {error}".split())[:200]
                said = FailedClip(path, f"{path}: could not be worked through ({what})")
            connection.send(said)
    except (EOFError, OSError):
        return


def _worked_through(path: Path, source: Clip, key: str, work: Work, progress: Progress, ahead: bool) -> ReadClip:
    settings = work.settings
    words = read_words(config_text(f"words_{settings.screen.language}.toml"), "words")
    pipeline = Pipeline(settings, words, calibration=work.calibration, coaching=work.coaching, joints=joint_network())
    reps: list[tuple[Rep, Trace]] = []
    troubles: list[str] = []
    meter = loop.Meter()

    def keep(step: Step) -> None:
        if step.rep is not None and step.trace is not None:
            trace = replace(step.trace, film=path.name, counted=source.counted)
            reps.append((step.rep, trace))

    estimator = estimator_for(settings, work.model)
    try:
        estimator.warm_up(2)  # as practice does: the network remembers
        seen = (sightings if ahead else _looked_at)(source, estimator, pipeline.people_to_ask)
        watched = _watched(seen, path, source, progress)
        if work.calibration is not None:
            watched = _placed(watched, pipeline, CameraPlace(work.background), troubles.append)
        loop.run(watched, pipeline, None, keep, troubles.append, meter)
    finally:
        estimator.close()
    pictures = _key_pictures(path, reps, source.counted) if work.pictures else [{} for _ in reps]
    done = tuple(ReadRep(rep, packed(trace), kept) for (rep, trace), kept in zip(reps, pictures, strict=True))
    return ReadClip(path, key, done, meter.summary(), tuple(troubles))


def _looked_at(
    frames: Iterable[Frame | SourceTrouble], estimator: PoseEstimator, people_to_ask: Callable[[], int]
) -> Iterator[Sighting | SourceTrouble]:
    """What `sightings` gives, on this thread."""
    asked = people_to_ask()
    for item in frames:
        if isinstance(item, SourceTrouble):
            asked = people_to_ask()
            yield item
            continue
        began_s = time.perf_counter()
        people = estimator.estimate(item, asked)
        seen = Sighting(item, people, asked, time.perf_counter() - began_s)
        asked = people_to_ask()
        yield seen


def _key_pictures(path: Path, reps: Sequence[tuple[Rep, Trace]], counted: bool) -> list[dict[str, bytes]]:
    film = Film(path, counted=counted)

    def picture(taken: Take, k: int) -> ImageArray:
        return film.frame(int(taken.trace.frames[k]), float(taken.t_s[k]))

    try:
        drawn = [key_pictures(take(rep, trace), picture) for rep, trace in reps]
    finally:
        film.close()
    return [{name: encoded(image, ".jpg") for name, image in one.items()} for one in drawn]


def _watched(
    seen: Iterator[Sighting | SourceTrouble], path: Path, source: Clip, progress: Progress
) -> Iterator[Sighting | SourceTrouble]:
    """Passes everything on, tells the progress, and refuses what no session can be made of."""
    frames, people, told_s = 0, False, 0.0
    size: tuple[int, int] | None = None
    for item in seen:
        if isinstance(item, Sighting):
            size = size or item.frame.size
            if item.frame.size != size:
                raise SourceError(
                    f"{path}: a clip must keep its size, this one changes from {size[0]} x {size[1]} to"
                    f" {item.frame.size[0]} x {item.frame.size[1]} at {item.frame.t_s:.1f} s; split it there"
                )
            frames += 1
            people = people or bool(item.people)
            if (now_s := time.monotonic()) - told_s >= _TOLD_EVERY_S:
                progress(path, frames, source.info.frame_count)
                told_s = now_s
        yield item
    if not people:
        raise SourceError(f"{path}: a clip must show the player, nobody was seen in its {frames} frames")


def _placed(
    seen: Iterator[Sighting | SourceTrouble], pipeline: Pipeline, place: CameraPlace, say: Callable[[str], None]
) -> Iterator[Sighting | SourceTrouble]:
    """Passes everything on; values go without the calibration while the camera stands elsewhere, as in practice."""
    for item in seen:
        if isinstance(item, Sighting) and place.due(item.frame.t_s):
            change = place.look(item.frame.image, item.people)
            if change is Change.MOVED:
                pipeline.camera_moved(item.frame.t_s)
                say(f"from {item.frame.t_s:.0f} s on the camera stands elsewhere than where it was calibrated")
            elif change is Change.BACK:
                pipeline.camera_still_fits()
                say(f"from {item.frame.t_s:.0f} s on the camera stands where it was calibrated again")
        yield item
