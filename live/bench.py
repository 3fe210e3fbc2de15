"""How well this machine keeps up: the whole program beside a bare loop around the same network, measured in one run.

Each measurement runs in a process of its own, so that none pays for what another left behind, and bare loop and program
take turns, so that a machine that grows warm slows both.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import platform
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import psutil
from rich.console import Console
from rich.table import Table

from .errors import SourceError
from .records import FloatArray, Frame, SourceTrouble

if TYPE_CHECKING:
    from .camera import Camera

_CAMERA_HZ = 30.0
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
    frames: int
    """At most so many of the clip."""


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
    processors: float
    """How many were busy on average."""
    peak_memory_mb: float
    stages_ms: Mapping[str, Spread]
    reps: int = 0


def spread(seconds: FloatArray | Sequence[float]) -> Spread | None:
    """None without values."""
    values = np.asarray(seconds, float)
    if not values.size:
        return None
    p50, p95, p99 = 1000 * np.quantile(values, _QUANTILES)
    return Spread(float(p50), float(p95), float(p99), int(values.size))


def verdict(alone_hz: float, live: Run | None) -> str:
    """The line for people. `alone_hz` is how fast the whole program works through a clip."""
    spare = 1 - _CAMERA_HZ / alone_hz
    if spare < 0:
        return (
            f"This laptop works through {alone_hz:.0f} frames a second: too slow for a camera's {_CAMERA_HZ:.0f};"
            " close other programs, or take a lighter network (pose.model)."
        )
    lost = 0.0 if live is None or not live.frames else live.dropped / (live.frames + live.dropped)
    words = f"This laptop keeps up with {_CAMERA_HZ:.0f} frames a second, with {100 * spare:.0f} % to spare"
    if lost > 0.01:
        return f"{words}, yet {100 * lost:.1f} % of a live camera's frames were lost: close other programs."
    if alone_hz >= 2 * _CAMERA_HZ * 1.1:
        return f"{words}; a camera of 60 frames a second or a heavier network would work too."
    return f"{words}."


# ------------------------------------------------------------------------------------------ what runs in the processes
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
    while len(spent_s) < job.frames:
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

    film = _Film(Path(job.clip), job.frames)
    return _practise(job, _Filmed(open_camera(0, capture_factory=lambda device: film), film))


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
    spreads = _stages(
        {
            "network": stages[:, 0],
            "everything after the network": stages[:, 1],
            "draw": drawn[:, 1],
            "grab to drawn": drawn[:, 0],
            "grab to judged": meter.ages_s if source.info.live else np.zeros(0),
            "rep end to saved": np.array([latency.saved_s for latency in probe.reps_s]),
            "rep end to tone": np.array([latency.played_s for latency in probe.reps_s]),
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
    )


def _stages(seconds: Mapping[str, FloatArray]) -> dict[str, Spread]:
    return {name: found for name, values in seconds.items() if (found := spread(values)) is not None}


def _peak_memory_mb() -> float:
    if sys.platform == "win32":
        return float(psutil.Process().memory_info().peak_wset) / 2**20
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return float(peak) / (2**20 if sys.platform == "darwin" else 2**10)


class _Limited:
    """A clip that ends after so many frames (ports.FrameSource)."""

    def __init__(self, clip: Any, frames: int) -> None:
        self._clip, self._frames = clip, frames
        self.info, self.dropped = clip.info, 0

    def __iter__(self) -> Any:
        for item in self._clip:
            yield item
            if isinstance(item, Frame) and item.index + 1 >= self._frames:
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

    Like a camera it waits for nobody: a frame whose successor is due already is passed over, and counted nowhere.
    """

    def __init__(self, path: Path, frames: int) -> None:
        import cv2

        from .clip import hush_opencv

        hush_opencv()
        self._capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
        self._rate_hz = self._capture.get(cv2.CAP_PROP_FPS) or _CAMERA_HZ
        self._left = frames
        self._began_s: float | None = None
        self._taken = 0
        self.wanted, self.over = threading.Event(), threading.Event()

    def isOpened(self) -> bool:
        return not self.over.is_set()

    def set(self, prop: int, value: float, /) -> bool:
        return True

    def get(self, prop: int, /) -> float:
        return float(self._capture.get(prop))

    def grab(self) -> bool:
        self.wanted.wait()
        now_s = time.perf_counter()
        if self._began_s is None:
            self._began_s = now_s
        while self._left > 0 and self._capture.grab():
            self._left -= 1
            due_s = self._began_s + self._taken / self._rate_hz
            self._taken += 1
            if due_s + 1 / self._rate_hz > now_s:
                time.sleep(max(0.0, due_s - time.perf_counter()))
                return True
        self.over.set()
        return False

    def retrieve(self) -> tuple[bool, Any]:
        return self._capture.retrieve()

    def release(self) -> None:
        self._capture.release()


# ------------------------------------------------------------------------------------------------------------- command
def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `rimward bench`."""
    parser.add_argument("--clip", type=Path, metavar="FILE", help="a clip of your own; the bundled one otherwise")
    parser.add_argument("--frames", type=int, default=930, metavar="N", help="at most so many of the clip (930)")
    parser.add_argument(
        "--rounds", type=int, default=2, metavar="N", help="so often bare loop and program take turns (2)"
    )
    parser.add_argument("--headless", action="store_true", help="no window and no sound")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.add_argument("--mute", action="store_true", help="no tones and no speech")
    parser.add_argument("--pose-model", metavar="FILE", help="a pose model bundle (.task) of your own")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Measure and print; returns the exit status."""
    from .assets import demo_clip, demo_player
    from .options import settings_of
    from .practice import ready_model
    from .screen import screen_available

    settings = settings_of(args)
    headless = args.headless or not screen_available()
    if headless and not args.headless:
        say("No screen here: measured without a window.")
    model = ready_model(settings, say)
    with demo_clip() as bundled:
        clip = args.clip or bundled
        player = demo_player() if args.clip is None else {}
        job = Job(str(clip), str(model), headless, settings.sound.mute, player, max(1, args.frames))
        result = _measure(job, max(1, args.rounds), say)
    if args.json:
        print(json.dumps(result, ensure_ascii=False))
    else:
        _print(result, Console(file=sys.stdout))
    return 0


def _measure(job: Job, rounds: int, say: Callable[[str], None]) -> dict[str, Any]:
    bare, whole = [], []
    for number in range(1, rounds + 1):
        say(f"Round {number} of {rounds}: a bare loop, then the whole program, both flat out...")
        bare.append(_in_own_process(bare_loop, job))
        whole.append(_in_own_process(flat_out, job))
    say("The whole program on a camera in real time...")
    in_time = _in_own_process(live, job)
    say("Tones...")
    tone = _in_own_process(tones, job)
    bare_hz, whole_hz = (float(np.median([run.rate_hz for run in runs])) for runs in (bare, whole))
    return {
        "kind": "bench",
        "summary": verdict(whole_hz, in_time),
        "machine": machine(),
        "window": not job.headless,
        "bare_hz": bare_hz,
        "flat_out_hz": whole_hz,
        "ratio": whole_hz / bare_hz,
        "bare": [asdict(run) for run in bare],
        "flat_out": [asdict(run) for run in whole],
        "live": asdict(in_time),
        "tone_ms": None if tone is None else asdict(tone),
    }


def _in_own_process(work: Callable[[Job], Measured], job: Job) -> Measured:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        try:
            return pool.submit(work, job).result()
        except BrokenProcessPool:
            raise SourceError(
                f"the benchmark's process must finish, {work.__name__} died; try again with --headless"
            ) from None


def machine() -> dict[str, Any]:
    """What the numbers were measured on; no name of the machine or its user."""
    frequency = psutil.cpu_freq()
    return {
        "system": f"{platform.system()} {platform.release()}",
        "processor": platform.processor() or platform.machine(),
        "cores": os.cpu_count(),
        "max_mhz": None if frequency is None else frequency.max or frequency.current,
        "memory_gb": round(psutil.virtual_memory().total / 2**30, 1),
        "python": platform.python_version(),
    }


def _print(result: Mapping[str, Any], console: Console) -> None:
    console.print(result["summary"], style="bold", highlight=False, soft_wrap=True)
    ratio = f"{result['flat_out_hz']:.1f} frames a second flat out, bare loop {result['bare_hz']:.1f}"
    console.print(f"{ratio}: {result['ratio']:.2f} times the bare loop.", highlight=False)
    table = Table("", "median ms", "95 %", "99 %", "n")
    for title, run in (("flat out", result["flat_out"][-1]), ("live", result["live"])):
        table.add_section()
        table.add_row(
            f"[bold]{title}[/]: {run['frames']} frames, {run['dropped']} dropped, {run['reps']} reps,"
            f" {run['processors']:.2f} processors busy, {run['peak_memory_mb']:.0f} MB"
        )
        for name, ms in run["stages_ms"].items():
            table.add_row(name, f"{ms['p50']:.1f}", f"{ms['p95']:.1f}", f"{ms['p99']:.1f}", str(ms["n"]))
    if result["tone_ms"] is not None:
        ms = result["tone_ms"]
        table.add_section()
        table.add_row(
            "asked for a tone to sound", f"{ms['p50']:.1f}", f"{ms['p95']:.1f}", f"{ms['p99']:.1f}", str(ms["n"])
        )
    console.print(table)
