"""The only loop of the program: what was seen in, one step each, results out. Thin on purpose: pipeline.py judges."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator
from typing import Protocol

import numpy as np

from .pipeline import Step
from .ports import ViewSink
from .records import FloatArray, Sighting, SourceTrouble, View
from .session_records import SessionSummary

_KEPT = 100_000
"""An hour at 30 frames a second; a day-long session must not grow."""


class Steps(Protocol):
    """What judges: a pipeline, or the relay of several."""

    def step(self, sighting: Sighting) -> Step:
        """Take in the next frame."""
        ...

    def troubled(self, trouble: SourceTrouble) -> View:
        """No frames come for now."""
        ...

    def finish(self) -> Step | None:
        """The frames end."""
        ...


def run(
    seen: Iterator[Sighting | SourceTrouble],
    pipeline: Steps,
    screen: ViewSink | None,
    on_event: Callable[[Step], None],
    on_trouble: Callable[[str], None],
    meter: Meter,
) -> None:
    """Work through what was seen until it ends; `meter` counts along."""
    for item in seen:
        if isinstance(item, SourceTrouble):
            on_trouble(item.message)
            view = pipeline.troubled(item)
            if screen is not None:
                screen.show(view)
            continue
        meter.begin()
        step = pipeline.step(item)
        if screen is not None:
            screen.show(step.view)
        if step.eventful:
            on_event(step)
        meter.end(item)
    last = pipeline.finish()
    if last is not None and last.eventful:
        on_event(last)


class Meter:
    """How many frames, how fast, and how old each was when the work on it was done."""

    def __init__(self, source_now_s: Callable[[], float] | None = None) -> None:
        """`source_now_s` is the clock that a live source stamps its frames with, None for a clip."""
        self._source_now_s = source_now_s
        self._ages_s: deque[float] = deque(maxlen=_KEPT)
        self._stages_s: deque[tuple[float, float, float]] = deque(maxlen=_KEPT)
        self._worked_s: tuple[float, float] | None = None
        self._cpu_s: tuple[float, float] = (0.0, 0.0)
        self._frames = 0
        self._span_s: tuple[float, float] | None = None
        self._began_s = self._began_cpu_s = self._judged_s = self._looked_s = 0.0
        self.tracked_s: float | None = None
        """time.perf_counter() at the end of the work on the first frame with a person in it."""

    def begin(self) -> None:
        """Work on a frame begins."""
        self._began_s, self._began_cpu_s = time.perf_counter(), time.thread_time()

    def end(self, sighting: Sighting) -> None:
        """Work on this frame is done."""
        now_s, t_s = time.perf_counter(), sighting.frame.t_s
        spent_s = now_s - self._began_s
        if self.tracked_s is None and sighting.people:
            self.tracked_s = now_s
        cpu_s = time.process_time()
        if self._worked_s is None:
            self._worked_s, self._cpu_s = (self._began_s, now_s), (cpu_s, cpu_s)
        else:
            self._worked_s, self._cpu_s = (self._worked_s[0], now_s), (self._cpu_s[0], cpu_s)
        self._stages_s.append((sighting.looked_s, spent_s, time.thread_time() - self._began_cpu_s))
        self._judged_s += spent_s
        self._looked_s += sighting.looked_s
        # a live frame ages from its grab; a clip's frame waits for nobody, so it is as old as the work on it
        age_s = sighting.looked_s + spent_s if self._source_now_s is None else self._source_now_s() - t_s
        self._ages_s.append(age_s)
        self._frames += 1
        first_s = t_s if self._span_s is None else self._span_s[0]
        self._span_s = (first_s, t_s)

    @property
    def frames(self) -> int:
        """How many were worked through."""
        return self._frames

    @property
    def stages_s(self) -> FloatArray:
        """(N, 3): of each frame the seconds that the network took, those of everything that came after it, and how much
        of these a processor worked for it: the rest it waited for its turn.
        """
        return np.array(self._stages_s, float).reshape(-1, 3)

    @property
    def ages_s(self) -> FloatArray:
        """(N,): how old each frame was at the end of its work."""
        return np.array(self._ages_s, float)

    @property
    def rate_hz(self) -> float | None:
        """Frames a second from the beginning of the first one's work to the end of the last one's."""
        if self._worked_s is None:
            return None
        return self._frames / (self._worked_s[1] - self._worked_s[0])

    @property
    def processors(self) -> float | None:
        """How many processors were busy for this program on average."""
        if self._worked_s is None:
            return None
        return (self._cpu_s[1] - self._cpu_s[0]) / (self._worked_s[1] - self._worked_s[0])

    def summary(self, dropped: int = 0) -> SessionSummary:
        """What the session came to so far; `dropped` is the source's count."""
        # looking and judging overlap: the slower of the two sets the pace
        busy_s = max(self._judged_s, self._looked_s)
        p50, p95 = (1000 * float(np.quantile(self._ages_s, q)) for q in (0.5, 0.95)) if self._ages_s else (None, None)
        return SessionSummary(
            frames=self._frames,
            dropped=dropped,
            duration_s=0.0 if self._span_s is None else self._span_s[1] - self._span_s[0],
            processing_fps=self._frames / busy_s if busy_s else None,
            latency_p50_ms=p50,
            latency_p95_ms=p95,
        )
