"""A clip at its own pace, which can be held, and a camera until it is stopped."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable, Iterator

from .records import Frame, SourceTrouble


class Pause:
    """A switch that holds a clip. A camera cannot be held: there the pipeline pauses (pipeline.toggle_pause)."""

    def __init__(self) -> None:
        self._on = threading.Event()

    @property
    def on(self) -> bool:
        """Whether practice is paused."""
        return self._on.is_set()

    def toggle(self) -> bool:
        """Switch; returns whether it is paused now."""
        if self._on.is_set():
            self._on.clear()
        else:
            self._on.set()
        return self._on.is_set()


def at_own_pace(
    frames: Iterable[Frame | SourceTrouble], stop: threading.Event, pause: Pause
) -> Iterator[Frame | SourceTrouble]:
    """Frames of a clip at the times they carry, never early; a pause holds the clip. Ends when `stop` is set."""
    behind_s = time.monotonic()
    for item in frames:
        while pause.on and not stop.is_set():
            held_s = time.monotonic()
            stop.wait(0.05)
            behind_s += time.monotonic() - held_s
        if stop.wait(max(0.0, item.t_s - (time.monotonic() - behind_s))):
            return
        yield item


def until_stopped(frames: Iterable[Frame | SourceTrouble], stop: threading.Event) -> Iterator[Frame | SourceTrouble]:
    """Frames as they come. Ends when `stop` is set."""
    for item in frames:
        if stop.is_set():
            return
        yield item
