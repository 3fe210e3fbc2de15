"""Puts reps on disk and then gives their feedback, on a thread of its own: a slow disk never holds up the pose."""

from __future__ import annotations

import atexit
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from queue import SimpleQueue

from .ports import RepSink
from .records import Feedback, Rep


@dataclass(frozen=True, slots=True)
class Latency:
    """How long one rep took from `submit`, in seconds."""

    saved_s: float
    """Until it was on disk, or until the sink gave up."""
    played_s: float
    """Until its feedback was handed over."""


class Recorder:
    """Saves each rep, then plays its feedback, in the order of submission.

    The queue has no bound: reps come seconds apart, and none may be lost. A rep that the sink refuses is kept and tried
    again with the next one and at the end; its feedback is given all the same, since the player cannot help the disk.
    """

    def __init__(
        self,
        sink: RepSink,
        speak: Callable[[Feedback], None],
        notice: Callable[[str], None],
        working: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        """`working` gives what is entered while the recorder is at a job, for who watches over a disk that hangs."""
        self._sink = sink
        self._working = working
        self._speak = speak
        self._notice = notice
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._unsaved: list[Rep] = []
        self._waiting: dict[int, Rep] = {}
        """Submitted and not yet on disk, each by its identity."""
        self._latencies: list[Latency] = []
        self._closed = False
        self._done = threading.Event()
        # daemon, so that a crash elsewhere cannot leave the program hanging; the exit hook still empties the queue
        threading.Thread(target=self._work, name="recorder", daemon=True).start()
        atexit.register(self.close)

    @property
    def latencies(self) -> tuple[Latency, ...]:
        """Of all reps so far."""
        return tuple(self._latencies)

    @property
    def waiting(self) -> tuple[Rep, ...]:
        """Reps that are not on disk yet."""
        return tuple(self._waiting.copy().values())

    @property
    def refused(self) -> tuple[Rep, ...]:
        """Reps that the sink would not take when it was last asked."""
        return tuple(self._unsaved)

    def submit(self, rep: Rep, feedback: Feedback) -> None:
        """Return at once; the rep is saved and then its feedback played."""
        submitted = time.perf_counter()
        self._waiting[id(rep)] = rep
        self.then(lambda: self._record(rep, feedback, submitted))

    def then(self, action: Callable[[], None]) -> None:
        """Run `action` on the recorder's thread after all reps submitted so far, for instance to discard one."""
        if self._closed:
            raise RuntimeError("the recorder is closed")
        self._jobs.put(action)

    def close(self, patience_s: float | None = None) -> bool:
        """Return when everything submitted is saved and played; may be called again. The sink stays open.

        With `patience_s` it returns after that time at the latest, False when the disk has not answered by then. A
        Ctrl-C meanwhile is raised only afterwards: the reps come first, and they take milliseconds.
        """
        if not self._closed:
            self._closed = True
            self._jobs.put(None)
        until_s = None if patience_s is None else time.monotonic() + patience_s
        interrupted = False
        while not self._done.is_set():  # not Thread.join: interrupted, it takes a running thread for dead (Python 3.11)
            left_s = None if until_s is None else until_s - time.monotonic()
            if left_s is not None and left_s <= 0:
                break
            try:
                self._done.wait(left_s)
            except KeyboardInterrupt:
                interrupted = True
        if self._done.is_set():
            self.give_up()
        if interrupted:
            raise KeyboardInterrupt
        return self._done.is_set()

    def give_up(self) -> None:
        """Let the program end without waiting for the disk."""
        atexit.unregister(self.close)

    def _work(self) -> None:
        try:
            while (job := self._jobs.get()) is not None:
                with self._working():
                    self._guarded(job)
            with self._working():
                self._save_all()
            if self._unsaved:
                indices = ", ".join(str(rep.index) for rep in self._unsaved)
                self._notice(f"not saved, the disk took none of it: rep {indices}")
        finally:
            self._done.set()

    def _record(self, rep: Rep, feedback: Feedback, submitted: float) -> None:
        self._unsaved.append(rep)
        self._save_all()
        saved = time.perf_counter()
        self._guarded(lambda: self._speak(feedback))
        self._latencies.append(Latency(saved - submitted, time.perf_counter() - submitted))

    def _save_all(self) -> None:
        refused, troubles = [], set()
        for rep in self._unsaved:
            try:
                self._sink.save(rep)
                self._waiting.pop(id(rep), None)
            except Exception as error:  # whatever it is, the thread lives on: later reps must still be saved
                refused.append(rep)
                troubles.add(_words(error))
        self._unsaved = refused
        for trouble in troubles:  # once for all reps that wait for the same disk
            self._notice(trouble)

    def _guarded(self, action: Callable[[], None]) -> None:
        try:
            action()
        except Exception as error:
            self._notice(_words(error))


def _words(error: Exception) -> str:
    return str(error) or type(error).__name__
