"""What steps through the frames on one thread, until another thread takes its place: a step that hangs cannot be ended.

Python ends no thread from outside. The one that hangs is left to itself instead, and a new thread goes on with the
frames; should the old one come back, it finds here that it was given up, and ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

from .pipeline import Step
from .records import Sighting, SourceTrouble, View
from .relay import Relay


class GivenUp(Exception):
    """Another thread has taken over."""


class Judge:
    """A relay and the frames that it is to judge (loop.Steps)."""

    def __init__(
        self,
        relay: Relay,
        coming: Iterator[Sighting | SourceTrouble],
        working: Callable[[], AbstractContextManager[None]],
    ) -> None:
        """`coming` is shared with whoever takes over; `working` gives what is entered while the last shot is read."""
        self.relay = relay
        self.given_up = False
        self._coming, self._working = coming, working

    def seen(self) -> Iterator[Sighting | SourceTrouble]:
        """What comes, as long as this judge is asked."""
        while True:
            self._require_place()
            item = next(self._coming, None)
            if item is None:
                return
            yield item

    def step(self, sighting: Sighting) -> Step:
        """As of the relay. Raises GivenUp when it took so long that another judge is at work."""
        step = self.relay.step(sighting)
        self._require_place()
        return step

    def troubled(self, trouble: SourceTrouble) -> View:
        """As of the relay."""
        return self.relay.troubled(trouble)

    def finish(self) -> Step | None:
        """As of the relay. Raises GivenUp."""
        with self._working():
            last = self.relay.finish()
        self._require_place()
        return last

    def _require_place(self) -> None:
        if self.given_up:
            raise GivenUp
