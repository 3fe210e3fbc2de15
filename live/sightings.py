"""The pose network on a thread of its own, ahead of the judge: while one frame is judged, the next is looked at.

So the work of two threads overlaps, and reading a finished shot (tenths of a second with a calibration) costs a live
camera no frame.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from queue import SimpleQueue

from .ports import PoseEstimator
from .records import Frame, Sighting, SourceTrouble

LIVE_AHEAD = 10
"""A third of a second at 30 frames a second: longer than a shot takes to be read; 28 MB at 1280 x 720."""


def sightings(
    frames: Iterable[Frame | SourceTrouble],
    estimator: PoseEstimator,
    people_to_ask: Callable[[], int],
    ahead: int = 1,
) -> Iterator[Sighting | SourceTrouble]:
    """Each frame with the people that the network saw in it, in order; troubles pass through.

    `people_to_ask` is called on the consumer's thread, each time it takes an item, for the frame after the one taken.
    With `ahead` 1 that answer is used for just that frame: the same frames give the same sightings, however fast the
    machine. A live source may run further `ahead`; it keeps the last answer then. What fails in the network or the
    source is raised here.
    """
    room = threading.Semaphore(ahead)
    done: SimpleQueue[Sighting | SourceTrouble | BaseException | None] = SimpleQueue()
    over = threading.Event()
    asked = people_to_ask()

    def look() -> None:
        coming = iter(frames)
        try:
            while True:
                room.acquire()
                if over.is_set() or (item := next(coming, None)) is None:
                    break
                if isinstance(item, SourceTrouble):
                    done.put(item)
                    continue
                people, began_s = asked, time.perf_counter()
                poses = estimator.estimate(item, people)
                done.put(Sighting(item, poses, people, time.perf_counter() - began_s))
            done.put(None)
        except BaseException as error:
            done.put(error)

    # daemon: a source that never returns must not keep the program from ending
    threading.Thread(target=look, name="pose", daemon=True).start()
    try:
        while (item := done.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            asked = people_to_ask()
            room.release()
            yield item
    finally:
        over.set()
        room.release()
