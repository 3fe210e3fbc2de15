"""What the benchmark runs, each in a process of its own: a bare loop, the whole program flat out, and on a camera.

The camera is a film that is played in real time and waits for nobody.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import psutil

from .errors import SourceError
from .records import FloatArray, Frame, SourceTrouble

if TYPE_CHECKING:
    from .camera import Camera

CAMERA_HZ = 30.0
"""What most webcams give: to keep up with it is the question."""
Measured = TypeVar("Measured")
_QUANTILES = (0.5, 0.95, 0.99)


@dataclass(frozen=True, slots=True)
class Job:
    """One measurement, as its process gets it."""

    clip: str
    """Path."""
    model: str
    """Path of the pose bundle."""
    headless: bool
    mute: bool
    player: Mapping[str, object]
    frames: int | None
    """At most so many of the clip; None: all."""
    camera_hz: float = CAMERA_HZ
    """The rate of the camera that shows the clip."""
    started_s: float = 0.0
    """Wall clock when the process was asked for."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Median, 95th and 99th percentile in milliseconds."""

    p50: float
    p95: float
    p99: float
    n: int


@dataclass(frozen=True, slots=True)
class Run:
    """What one process measured."""

    frames: int
    rate_hz: float
    """Frames a second, from the first one's work to the end of the last one's."""
    dropped: int
    """Replaced by a newer one before anybody asked, and counted by the camera."""
    processors: float
    """How many were busy on average."""
    peak_memory_mb: float
    stages_ms: Mapping[str, Spread]
    reps: int = 0
    given: int = 0
    """Frames that the camera or clip had."""
    first_tracked_s: float | None = None
    """From the start of the process to the end of the work on the first frame with a person in it."""
    early_ms: float | None = None
    """Median work on a frame, without the network, in the first quarter..."""
    late_ms: float | None = None
    """...and in the last."""


def spread(seconds: FloatArray | Sequence[float]) -> Spread | None:
    """None without values."""
    values = np.asarray(seconds, float)
    if not values.size:
        return None
    p50, p95, p99 = 1000 * np.quantile(values, _QUANTILES)
    return Spread(float(p50), float(p95), float(p99), int(values.size))


def bare_loop(job: Job) -> Run:
    """Read, look, draw, one thread: what one would write in an afternoon around the same network."""
    import cv2

    from .mediapipe_pose import MediapipePose
    from .screen import Display
    from .skeleton import BONES

    display = None if job.headless else Display("Rimward: bare loop")
    estimator = MediapipePose(Path(job.model))
    estimator.warm_up(1)
    capture = cv2.VideoCapture(job.clip, cv2.CAP_FFMPEG)
    spent_s: list[tuple[float, float, float]] = []
    began_all_s, cpu_all_s = time.perf_counter(), time.process_time()
    while job.frames is None or len(spent_s) < job.frames:
        began_s = time.perf_counter()
        ok, image = capture.read()
        if not ok:
            break
        read_s = time.perf_counter()
        t_s = capture.get(cv2.CAP_PROP_POS_MSEC) / 1000
        people = estimator.estimate(Frame(len(spent_s), t_s, np.asarray(image, np.uint8)), 1)
        looked_s = time.perf_counter()
        for pose in people:
            points = pose.landmarks_px.round().astype(int).tolist()
            for start, end in BONES:
                cv2.line(image, points[start], points[end], (255, 255, 255), 3)
            for point in points:
                cv2.circle(image, point, 4, (0, 160, 255), -1)
        if display is not None:
            display.show_picture(np.asarray(image, np.uint8))
        spent_s.append((read_s - began_s, looked_s - read_s, time.perf_counter() - looked_s))
    stages = np.array(spent_s).reshape(-1, 3)
    took_s, cpu_s = time.perf_counter() - began_all_s, time.process_time() - cpu_all_s
    run = Run(
        frames=len(spent_s),
        rate_hz=len(spent_s) / took_s,
        dropped=0,
        processors=cpu_s / took_s,
        peak_memory_mb=_peak_memory_mb(),
        stages_ms=_stages({"read": stages[:, 0], "network": stages[:, 1], "draw": stages[:, 2]}),
    )
    capture.release()
    estimator.close()
    if display is not None:
        display.close()
    return run


def flat_out(job: Job) -> Run:
    """The whole program on the clip, as fast as it can."""
    from .clip import open_clip

    return _practise(job, _Limited(open_clip(Path(job.clip)), job.frames))


def live(job: Job) -> Run:
    """The whole program on a camera that shows the clip in real time."""
    from .camera import open_camera

    film = _Film(Path(job.clip), job.frames, job.camera_hz)
    run = _practise(job, _Filmed(open_camera(0, capture_factory=lambda device: film), film))
    return replace(run, given=film.given)


def tones(job: Job) -> Spread | None:
    """From asking for a tone to its first loud sample at a sound device; None where that cannot be measured."""
    from .loopback import tone_latencies_s

    try:
        return spread(tone_latencies_s())
    except RuntimeError:  # pygame.error: SDL without its disk driver
        return None


def _practise(job: Job, source: Any) -> Run:
    from .practice import Options, Probe, practise
    from .settings import load_settings

    settings = load_settings(
        options={"player": dict(job.player), "pose": {"model": job.model}, "sound": {"mute": job.mute}}
    )
    probe = Probe()
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()):
        os.environ["RIMWARD_DATA_DIR"] = folder
        options = Options(None, job.headless, title="Benchmark", at_own_pace=False)
        practise(settings, options, lambda line: None, source, probe)
    meter = probe.meter
    if meter is None or meter.rate_hz is None or meter.processors is None:
        raise SourceError("the benchmark's clip must have frames, none came; take another clip")
    stages = meter.stages_s
    drawn = np.array(probe.drawn_s).reshape(-1, 2)
    quarter = max(1, len(stages) // 4)
    ended = list(zip(probe.rep_ages_s, probe.reps_s, strict=True))
    spreads = _stages(
        {
            "network": stages[:, 0],
            "everything after the network": stages[:, 1],
            "of it at work, not waiting": stages[:, 2],
            "draw": drawn[:, 1],
            "grab to drawn": drawn[:, 0],
            "grab to judged": meter.ages_s if source.info.live else np.zeros(0),
            "rep end to saved": [age_s + rep.saved_s for age_s, rep in ended],
            "rep end to tone asked": [age_s + rep.played_s for age_s, rep in ended],
        }
    )
    return Run(
        frames=len(stages),
        rate_hz=meter.rate_hz,
        dropped=source.dropped,
        processors=meter.processors,
        peak_memory_mb=_peak_memory_mb(),
        stages_ms=spreads,
        reps=len(probe.reps_s),
        given=len(stages),
        first_tracked_s=None if meter.tracked_s is None else meter.tracked_s + _wall_s() - job.started_s,
        early_ms=1000 * float(np.median(stages[:quarter, 2])),
        late_ms=1000 * float(np.median(stages[-quarter:, 2])),
    )


def _wall_s() -> float:
    """What the wall clock is ahead of perf_counter, the clock that all else is measured with."""
    return time.time() - time.perf_counter()


def _stages(seconds: Mapping[str, FloatArray | Sequence[float]]) -> dict[str, Spread]:
    return {name: found for name, values in seconds.items() if (found := spread(values)) is not None}


def _peak_memory_mb() -> float:
    if sys.platform == "win32":
        return float(psutil.Process().memory_info().peak_wset) / 2**20
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return float(peak) / (2**20 if sys.platform == "darwin" else 2**10)


class _Limited:
    """A clip that ends after so many frames (ports.FrameSource)."""

    def __init__(self, clip: Any, frames: int | None) -> None:
        self._clip, self._frames = clip, frames
        self.info, self.dropped = clip.info, 0

    def __iter__(self) -> Any:
        for item in self._clip:
            yield item
            if self._frames is not None and isinstance(item, Frame) and item.index + 1 >= self._frames:
                return

    def close(self) -> None:
        self._clip.close()


class _Filmed:
    """A camera before which the film runs from the moment that somebody looks (ports.FrameSource)."""

    def __init__(self, camera: Camera, film: _Film) -> None:
        self._camera, self._film = camera, film
        self.info, self.now_s = camera.info, camera.now_s

    @property
    def dropped(self) -> int:
        return self._camera.dropped

    def __iter__(self) -> Iterator[Frame | SourceTrouble]:
        self._film.wanted.set()
        threading.Thread(target=self._close_at_the_end, daemon=True).start()
        return iter(self._camera)

    def close(self) -> None:
        self._film.wanted.set()
        self._camera.close()

    def _close_at_the_end(self) -> None:
        self._film.over.wait()
        self._camera.close()


class _Film:
    """A clip in real time with the methods of cv2.VideoCapture that a camera needs (camera.Capture).

    Like a camera it waits for nobody: a frame whose successor is due already is passed over. A camera that is faster
    than the clip gives its pictures several times, a slower one leaves some out.
    """

    def __init__(self, path: Path, frames: int | None, camera_hz: float) -> None:
        import cv2

        from .clip import hush_opencv

        hush_opencv()
        self._capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
        self._rate_hz, self._rate_prop = camera_hz, cv2.CAP_PROP_FPS
        self._clip_hz = self._capture.get(cv2.CAP_PROP_FPS) or camera_hz
        self._frames = float("inf") if frames is None else frames
        self._began_s: float | None = None
        self._taken = 0
        self._picture: tuple[bool, Any] | None = None
        self.given = 0
        """Frames that were due so far."""
        self.wanted, self.over = threading.Event(), threading.Event()

    def isOpened(self) -> bool:
        return not self.over.is_set()

    def set(self, prop: int, value: float, /) -> bool:
        return True

    def get(self, prop: int, /) -> float:
        return self._rate_hz if prop == self._rate_prop else float(self._capture.get(prop))

    def grab(self) -> bool:
        self.wanted.wait()
        now_s = time.perf_counter()
        if self._began_s is None:
            self._began_s = now_s
        while self._next_picture():
            due_s = self._began_s + self.given / self._rate_hz
            self.given += 1
            if due_s + 1 / self._rate_hz > now_s:
                time.sleep(max(0.0, due_s - time.perf_counter()))
                return True
        self.over.set()
        return False

    def _next_picture(self) -> bool:
        while self._taken <= int(self.given * self._clip_hz / self._rate_hz + 1e-6):
            if self._taken >= self._frames or not self._capture.grab():
                return False
            self._taken += 1
            self._picture = None
        return True

    def retrieve(self) -> tuple[bool, Any]:
        if self._picture is None:
            self._picture = self._capture.retrieve()
        return self._picture

    def release(self) -> None:
        self._capture.release()


# ------------------------------------------------------------------------------------------------------- the processes
def in_own_process(work: Callable[[Job], Measured], job: Job) -> Measured:
    """Run one of the above in a process of its own. Raises SourceError when that dies."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        try:
            return pool.submit(work, replace(job, started_s=time.time())).result()
        except BrokenProcessPool:
            raise SourceError(
                f"the benchmark's process must finish, {work.__name__} died; try again with --headless"
            ) from None


def sized(clip: Path, size: tuple[int, int], frames: int, folder: Path) -> Path:
    """The beginning of a clip as a camera gives it at this size: MJPG, the picture whole, black below where the shape
    is another.
    """
    import cv2

    from .clip import open_clip

    width, height = size
    path = folder / f"{width}x{height}.avi"
    source = open_clip(clip)
    picture = np.zeros((height, width, 3), np.uint8)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), source.info.rate_hz or CAMERA_HZ, size)
    try:
        for item in _Limited(source, frames):
            if isinstance(item, Frame):
                scale = min(width / item.size[0], height / item.size[1])
                inside = (round(item.size[0] * scale), round(item.size[1] * scale))
                picture[: inside[1], : inside[0]] = cv2.resize(item.image, inside, interpolation=cv2.INTER_AREA)
                writer.write(picture)
    finally:
        writer.release()
        source.close()
    return path
