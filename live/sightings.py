"""The pose network on a thread of its own, ahead of the judge: while one frame is judged, the next is looked at.

So the work of two threads overlaps, and reading a finished shot (tenths of a second with a calibration) costs a live
camera no frame. A network that fails or does not come back is replaced, and the practice goes on.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from queue import Empty, SimpleQueue

from .errors import PoseModelError
from .ports import PoseEstimator
from .records import Frame, Sighting, SourceTrouble

LIVE_AHEAD = 10
"""A third of a second at 30 frames a second: longer than a shot takes to be read; 28 MB at 1280 x 720."""

STUCK_S = 10.0
"""A look takes 0.03 s; on the slowest machine with a heavy network 0.5 s."""

_MOST_RENEWALS, _FORGOTTEN_S = 3, 60.0
"""A network that must be replaced more often than this within this time will not get well."""

_Item = Sighting | SourceTrouble | BaseException | None


def sightings(
    frames: Iterable[Frame | SourceTrouble],
    estimator: PoseEstimator,
    people_to_ask: Callable[[], int],
    ahead: int = 1,
    renew: Callable[[], PoseEstimator] | None = None,
    stuck_s: float = STUCK_S,
) -> Iterator[Sighting | SourceTrouble]:
    """Each frame with the people that the network saw in it, in order; troubles pass through.

    `people_to_ask` is called on the consumer's thread, each time it takes an item, for the frame after the one taken.
    With `ahead` 1 that answer is used for just that frame: the same frames give the same sightings, however fast the
    machine. A live source may run further `ahead`; it keeps the last answer then.

    `renew` makes another network when this one fails or needs longer than `stuck_s` for a frame: that frame is lost, a
    trouble comes in its place. Without `renew`, and when that happens again and again, what fails is raised here, like
    everything that fails in the source.
    """
    look = _Look(frames, estimator, people_to_ask(), ahead)
    renewed_s: list[float] = []
    try:
        while True:
            item = look.next(stuck_s)
            if item is None:
                return
            if isinstance(item, BaseException):
                now_s = time.monotonic()
                renewed_s = [at_s for at_s in renewed_s if now_s - at_s < _FORGOTTEN_S]
                lost = look.lost
                if renew is None or lost is None or len(renewed_s) >= _MOST_RENEWALS:
                    raise item
                renewed_s.append(now_s)
                look.go_on(renew())
                item = SourceTrouble(lost.t_s, f"Starting the pose network anew: {item}")
            look.make_room(people_to_ask())
            yield item
    finally:
        look.end()


class _Look:
    """The thread that looks, and what it shares with the consumer."""

    def __init__(
        self, frames: Iterable[Frame | SourceTrouble], estimator: PoseEstimator, asked: int, ahead: int
    ) -> None:
        self._coming = iter(frames)
        self._room = threading.Semaphore(ahead)
        self._done: SimpleQueue[tuple[int, _Item]] = SimpleQueue()
        self._over = False
        self._asked = asked
        self._generation = 0
        self._at: tuple[Frame, float] | None = None
        """The frame that the network has now, and since when."""
        self.lost: Frame | None = None
        """The frame at which the network failed; None when something else did."""
        self._start(estimator)

    def _start(self, estimator: PoseEstimator) -> None:
        # daemon: a source or a network that never returns must not keep the program from ending
        arguments = (estimator, self._generation)
        threading.Thread(target=self._work, args=arguments, name="pose", daemon=True).start()

    def next(self, stuck_s: float) -> _Item:
        """What comes next: None at the end, an exception where network or source failed."""
        while True:
            with contextlib.suppress(Empty):
                generation, item = self._done.get(timeout=stuck_s / 4)
                if generation == self._generation:
                    return item
                continue
            at = self._at
            if at is not None and time.perf_counter() - at[1] > stuck_s:
                self.lost = at[0]
                waited = f"it has not come back for {stuck_s:g} s"
                return PoseModelError(f"the pose network must see a frame in a moment, {waited}; start again")

    def go_on(self, estimator: PoseEstimator) -> None:
        """Another network takes over after the lost frame; a stuck one may come back, nobody hears it any more."""
        self._generation += 1
        self._at = self.lost = None
        self._start(estimator)

    def make_room(self, asked: int) -> None:
        """Something was taken: one more frame may be looked at, for so many people."""
        self._asked = asked
        self._room.release()

    def end(self) -> None:
        """Let the thread go."""
        self._over = True
        self._room.release()

    def _work(self, estimator: PoseEstimator, generation: int) -> None:
        try:
            while True:
                self._room.acquire()
                if self._over or (item := next(self._coming, None)) is None:
                    break
                if isinstance(item, SourceTrouble):
                    self._done.put((generation, item))
                    continue
                asked, began_s = self._asked, time.perf_counter()
                self._at = (item, began_s)
                try:
                    people = estimator.estimate(item, asked)
                except Exception:
                    if generation == self._generation:
                        self.lost = item
                    raise
                if generation != self._generation:
                    return
                self._at = None
                self._done.put((generation, Sighting(item, people, asked, time.perf_counter() - began_s)))
            self._done.put((generation, None))
        except BaseException as error:
            self._done.put((generation, error))
