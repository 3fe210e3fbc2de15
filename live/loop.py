"""The only loop of the program: frames in, one step each, results out. Thin on purpose; the judge is in pipeline.py."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator

import numpy as np

from .pipeline import Pipeline, Step
from .ports import ViewSink
from .records import Frame, SessionSummary, SourceTrouble, View

_KEPT_LATENCIES = 100_000
"""An hour at 30 frames a second; a day-long session must not grow."""


def run(
    frames: Iterator[Frame | SourceTrouble],
    pipeline: Pipeline,
    screen: ViewSink | None,
    on_rep: Callable[[Step], None],
    on_trouble: Callable[[str], None],
    meter: Meter,
) -> None:
    """Work through the frames until they end; `meter` counts along."""
    for item in frames:
        if isinstance(item, SourceTrouble):
            on_trouble(item.message)
            if screen is not None:
                screen.show(View(item.t_s, None, count=pipeline.count, status=item.message, trouble=True))
            continue
        meter.begin()
        step = pipeline.step(item)
        if screen is not None:
            screen.show(step.view)
        if step.rep is not None:
            on_rep(step)
        meter.end(item)
    last = pipeline.finish()
    if last is not None and last.rep is not None:
        on_rep(last)


class Meter:
    """How many frames, how fast, and how old each was when the work on it was done."""

    def __init__(self, source_now_s: Callable[[], float] | None = None) -> None:
        """`source_now_s` is the clock that a live source stamps its frames with, None for a clip."""
        self._source_now_s = source_now_s
        self._ages_s: deque[float] = deque(maxlen=_KEPT_LATENCIES)
        self._frames = 0
        self._span_s: tuple[float, float] | None = None
        self._began_s = self._busy_s = 0.0

    def begin(self) -> None:
        """Work on a frame begins."""
        self._began_s = time.perf_counter()

    def end(self, frame: Frame) -> None:
        """Work on this frame is done."""
        spent_s = time.perf_counter() - self._began_s
        self._busy_s += spent_s
        # a live frame ages from its grab; a clip's frame waits for nobody, so it is as old as the work on it
        self._ages_s.append(spent_s if self._source_now_s is None else self._source_now_s() - frame.t_s)
        self._frames += 1
        first_s = frame.t_s if self._span_s is None else self._span_s[0]
        self._span_s = (first_s, frame.t_s)

    def summary(self, dropped: int = 0) -> SessionSummary:
        """What the session came to so far; `dropped` is the source's count."""
        p50, p95 = (1000 * float(np.quantile(self._ages_s, q)) for q in (0.5, 0.95)) if self._ages_s else (None, None)
        return SessionSummary(
            frames=self._frames,
            dropped=dropped,
            duration_s=0.0 if self._span_s is None else self._span_s[1] - self._span_s[0],
            processing_fps=self._frames / self._busy_s if self._busy_s else None,
            latency_p50_ms=p50,
            latency_p95_ms=p95,
        )
