"""A long session in little time: the bundled clip over and over through everything, network answers kept from one pass.

    python -m tests.soak [--hours 2] [--window] [--json]

The clip's pictures are decoded, searched for the ball, judged, drawn, saved and sounded as in practice; only the pose
network is asked once for each picture of the clip and its answers are replayed, so that two hours pass in a fraction of
them (`--real` asks it every time). Every tenth round the laptop sleeps: the times jump by an hour. Prints memory, open
files, threads and the cost of a frame along the way, and holds them to what the program promises: memory flat within
5 % after the first quarter, no more open files or threads, every rep saved, a late frame no dearer than an early one.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import redirect_stdout, suppress
from dataclasses import asdict, dataclass
from io import StringIO
from pathlib import Path
from statistics import median

import psutil

from rimward.live import devices
from rimward.live.assets import demo_clip, demo_player
from rimward.live.clip import open_clip
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.practice import Options, Probe, practise
from rimward.live.records import Frame, Pose, SourceInfo
from rimward.live.settings import load_settings
from rimward.live.store import open_store

CLIP = json.loads(Path(devices.__file__).with_name("demo_clip.json").read_text("utf-8"))
FOLLOW_THROUGH_S = 1.7
SLEEP_EVERY, SLEEP_S = 10, 3600.0
_STILL_S = 2.0
"""Between two rounds, like a player who fetches the ball."""


@dataclass(frozen=True)
class Sample:
    """The process after a round."""

    round: int
    session_s: float
    memory_mb: float
    open_files: int
    threads: int
    frame_ms: float
    """Of the processors, for each frame of the round: other programs do not count, as they would by the clock."""


class Rounds:
    """The clip again and again, its times going on (ports.FrameSource)."""

    def __init__(self, clip: Path, rounds: int, frames: int) -> None:
        self._clip, self._rounds, self._frames = clip, rounds, frames
        first = open_clip(clip)
        self.info = SourceInfo("soak", first.info.width, first.info.height, first.info.rate_hz, live=False)
        first.close()
        self.dropped = 0
        self.samples: list[Sample] = []
        self._process = psutil.Process()

    def __iter__(self) -> Iterator[Frame]:
        start_s, index = 0.0, 0
        for number in range(1, self._rounds + 1):
            clip = open_clip(self._clip)
            t_s, began, cpu_s = start_s, index, self._cpu_s()
            for frame in clip:
                if not isinstance(frame, Frame) or frame.index >= self._frames:
                    break
                t_s = start_s + frame.t_s
                yield Frame(index, t_s, frame.image)
                index += 1
            clip.close()
            start_s = t_s + (SLEEP_S if number % SLEEP_EVERY == 0 else _STILL_S)
            self._sample(number, t_s, 1000 * (self._cpu_s() - cpu_s) / max(1, index - began))

    def close(self) -> None:
        pass

    def _cpu_s(self) -> float:
        times = self._process.cpu_times()
        return times.user + times.system

    def _sample(self, number: int, t_s: float, frame_ms: float) -> None:
        gc.collect()
        with self._process.oneshot():
            memory_mb = self._process.memory_info().rss / 2**20
        files = self._process.num_handles() if os.name == "nt" else self._process.num_fds()
        self.samples.append(Sample(number, t_s, memory_mb, files, threading.active_count(), frame_ms))


class Replayed:
    """The network's answers for the clip's pictures, asked for once (ports.PoseEstimator)."""

    def __init__(self, model: Path, frames: int) -> None:
        self._network = MediapipePose(model)
        self._frames = frames
        self._known: dict[tuple[int, int], tuple[Pose, ...]] = {}

    def warm_up(self, people: int) -> None:
        self._network.warm_up(people)

    def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
        at = (frame.index % self._frames, people)
        if at not in self._known:
            self._known[at] = self._network.estimate(frame, people)
        return self._known[at]

    def close(self) -> None:
        self._network.close()


@dataclass(frozen=True)
class Outcome:
    samples: tuple[Sample, ...]
    reps_expected: int
    reps_saved: int

    @property
    def memory_growth(self) -> float:
        """From the end of the first quarter to the end, as a share."""
        settled = self.samples[len(self.samples) // 4]
        return self.samples[-1].memory_mb / settled.memory_mb - 1

    @property
    def frame_cost_growth(self) -> float:
        """What a frame costs: from the second quarter's median to the last quarter's, as a share."""
        costs = [sample.frame_ms for sample in self.samples]
        quarter = len(costs) // 4
        return median(costs[-quarter:]) / median(costs[quarter : 2 * quarter]) - 1

    @property
    def kept_promises(self) -> dict[str, bool]:
        settled, last = self.samples[len(self.samples) // 4], self.samples[-1]
        return {
            "memory flat within 5 %": self.memory_growth <= 0.05,
            "no more open files": last.open_files <= settled.open_files,
            "no more threads": last.threads <= settled.threads,
            "a late frame costs what an early one does, within 10 %": self.frame_cost_growth <= 0.10,
            "every rep saved": self.reps_saved == self.reps_expected,
        }


def soak(
    model: Path, rounds: int, frames: int = CLIP["frames"], *, window: bool = False, real: bool = False
) -> Outcome:
    """Run it; `frames` of the clip a round."""
    with demo_clip() as clip, tempfile.TemporaryDirectory() as folder:
        source = Rounds(clip, rounds, frames)
        shots = sum(rep["events_s"]["t_release"] + FOLLOW_THROUGH_S < frames / CLIP["fps"] for rep in CLIP["reps"])
        before = devices.MediapipePose
        if not real:
            devices.MediapipePose = lambda path: Replayed(path, frames)  # type: ignore[assignment,misc]
        kept = os.environ.get("RIMWARD_DATA_DIR")
        os.environ["RIMWARD_DATA_DIR"] = folder
        try:
            settings = load_settings(options={"player": demo_player(), "pose": {"model": str(model)}})
            with redirect_stdout(StringIO()):
                practise(settings, Options(headless=not window, at_own_pace=False), lambda line: None, source, Probe())
            store = open_store(Path(folder))
            (session,) = store.sessions()
            saved = len(store.reps(session.start.id))
            store.close()
        finally:
            devices.MediapipePose = before  # type: ignore[misc]
            os.environ.pop("RIMWARD_DATA_DIR")
            if kept is not None:
                os.environ["RIMWARD_DATA_DIR"] = kept
    return Outcome(tuple(source.samples), shots * rounds, saved)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=2.0, help="of session, without the sleeps (2)")
    parser.add_argument("--window", action="store_true", help="with the window and the sound")
    parser.add_argument("--real", action="store_true", help="ask the network for every frame")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    from program import prepared_model

    outcome = soak(
        prepared_model(),
        max(4, round(args.hours * 3600 / (CLIP["frames"] / CLIP["fps"] + _STILL_S))),
        window=args.window,
        real=args.real,
    )
    if args.json:
        print(json.dumps({**asdict(outcome), "kept": outcome.kept_promises}))
    else:
        steps = max(1, len(outcome.samples) // 12)
        print("round  session h  memory MB  open files  threads  ms a frame")
        for sample in outcome.samples[::steps] + outcome.samples[-1:]:
            hours = sample.session_s / 3600
            memory = f"{sample.memory_mb:9.1f}  {sample.open_files:10d}  {sample.threads:7d}  {sample.frame_ms:10.1f}"
            print(f"{sample.round:5d}  {hours:9.2f}  {memory}")
        print(
            f"reps: {outcome.reps_saved} saved of {outcome.reps_expected}; memory {outcome.memory_growth:+.1%}, "
            f"a frame {outcome.frame_cost_growth:+.1%}"
        )
        for promise, kept in outcome.kept_promises.items():
            print(f"{'kept  ' if kept else 'BROKEN'}  {promise}")
    return 0 if all(outcome.kept_promises.values()) else 1


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    with suppress(KeyboardInterrupt):
        sys.exit(main())
