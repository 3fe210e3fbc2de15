"""Names what is stuck: a stage that has begun something and does not come back from it.

A stage is watched only while it works, so waiting for a shot, for a camera or for the end of a pause is never an alarm.
Time is counted in the watchdog's own looks: while the machine sleeps, or is so busy that the watchdog itself does not
get its turn, no time passes for the others either.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Literal

Stage = Literal["source", "judge", "disk", "output"]

LOOK_S = 0.5
STUCK_S = 10.0
"""The slowest work of all, reading a finished shot on an old machine, takes a second."""

_WORDS: dict[Stage, tuple[str, str, str]] = {
    "source": ("The camera or clip", "gives nothing", "unplug the camera and plug it in again, or copy the clip here"),
    "judge": ("The work on a frame", "does not end", "end the program and start it again, what was counted is saved"),
    "disk": (
        "The disk",
        "does not answer",
        "reps wait in memory until it does, leave the program open and free the disk",
    ),
    "output": ("Whoever reads standard output", "does not", "saving waits for it, let it read on or end it"),
}
"""What is said of each, and what to do where it is not restarted. The pose network and the voice are restarted by those
who use them (sightings.py, speaker.py), a camera is opened anew by camera.py; each says so itself."""


class Watchdog:
    """A thread that looks every `look_s` seconds and says once what has been at one thing for `stuck_s`.

    When the stage comes back that is said too. `also` is called at each look, for parts that restart themselves.
    `restart` has what starts a stage anew; it gives what was done in words, or None where it could not.
    """

    def __init__(
        self,
        notice: Callable[[str], None],
        *,
        also: Callable[[], None] | None = None,
        restart: Mapping[Stage, Callable[[], str | None]] | None = None,
        stuck_s: float = STUCK_S,
        look_s: float = LOOK_S,
    ) -> None:
        self._notice, self._also, self._restart = notice, also, restart or {}
        self._stuck_s, self._look_s = stuck_s, look_s
        self._looks = 0
        self._at: dict[int, tuple[Stage, int]] = {}
        """Thread -> what it does, and the number of looks when it began."""
        self._said: dict[int, tuple[Stage, int]] = {}
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="watchdog", daemon=True)
        self._thread.start()

    @contextmanager
    def doing(self, stage: Stage) -> Iterator[None]:
        """Watch what this thread does inside the block. Blocks may be nested: the inner one counts, the outer anew."""
        thread = threading.get_ident()
        outer = self._at.get(thread)
        self._at[thread] = (stage, self._looks)
        try:
            yield
        finally:
            if outer is None:
                del self._at[thread]
            else:
                self._at[thread] = (outer[0], self._looks)

    @property
    def names_something(self) -> bool:
        """Whether anything hangs that was named."""
        return bool(self._said)

    def close(self) -> None:
        """Look no more; may be called twice."""
        self._over.set()
        self._thread.join(5 * self._look_s)

    def _watch(self) -> None:
        while not self._over.wait(self._look_s):
            self._looks += 1
            if self._also is not None:
                self._also()
            at = self._at.copy()
            for thread, (stage, since) in list(self._said.items()):
                if at.get(thread) != (stage, since):
                    del self._said[thread]
                    self._notice(f"{_WORDS[stage][0]} goes on again.")
            for thread, (stage, since) in at.items():
                waited_s = (self._looks - since) * self._look_s
                if waited_s >= self._stuck_s and thread not in self._said:
                    self._said[thread] = (stage, since)
                    what, trouble, advice = _WORDS[stage]
                    self._notice(f"{what} {trouble} for {waited_s:.0f} s: {self._restarted(stage) or advice}.")

    def _restarted(self, stage: Stage) -> str | None:
        try:
            return self._restart[stage]() if stage in self._restart else None
        except Exception:  # what hangs may hold what is needed: then it is named, and nothing else
            return None
