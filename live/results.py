"""Which rep went in: what the ring says, put together with the rep that it belongs to. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from .made import RingWatch, Sight
from .phases import PhaseState
from .records import Ball, FloatArray, Frame, Observation, Phase, Result

_IN_FRONT_M: Final = 0.30
"""The ball leaves the hands this far in front of the feet, and this many statures high (rendered and captured shots:
0.25 to 0.45 m, 1.17 to 1.24)."""
_HIGH: Final = 1.2
_LEAST_S: Final = 1.2
"""No ball is through the ring sooner after a release that was far enough away for the ring to be in the picture."""


@dataclass(slots=True)
class RingResults:
    """Follows one shot after the other. Feed every frame in order of time."""

    watch: RingWatch
    stature_m: float
    _was: Phase = Phase.WAITING
    _index: int | None = None
    """The rep of the release that is watched, once it was counted."""
    _early: tuple[float, Result] | None = None
    """A result that was there before its rep: (release, result)."""
    _spot_m: FloatArray | None = None
    _seen: list[Sight] = field(default_factory=list)

    def update(
        self, frame: Frame, phase: PhaseState, seen: Observation, spot_m: FloatArray | None
    ) -> tuple[int, Result] | None:
        """(index, result) of a rep that was counted before, when the ring has just said so.

        `spot_m` (2,) is where the shooter stands, hoop frame.
        """
        self.watch.look(frame.t_s, frame.image)
        if phase.phase is Phase.RELEASE and self._was is not Phase.RELEASE and phase.release_s is not None:
            self.watch.released(phase.release_s)
            self._index, self._early, self._seen = None, None, []
        elif self.watch.release_s is None and spot_m is not None:
            self._spot_m = spot_m
        self._was = phase.phase
        ball = seen.ball
        if self.watch.release_s is not None and ball is not None and _whole(ball, frame.size):
            self._seen.append(Sight(frame.t_s, ball.centre_px))
        if not self.watch.due(frame.t_s):
            return None
        release_s, index = self.watch.release_s, self._index
        result = self._ask()
        if result is None or release_s is None:
            return None
        if index is None:
            self._early = release_s, result
            return None
        return index, result

    def counted(self, release_s: float, index: int) -> Result | None:
        """That release is rep `index`; its result, where the ring has said it already."""
        if self.watch.release_s == release_s:
            self._index = index
        if self._early is not None and self._early[0] == release_s:
            return self._early[1]
        return None

    def last(self, now_s: float) -> tuple[int, Result] | None:
        """The pictures end: what the ring has to say already of a counted rep."""
        release_s, index = self.watch.release_s, self._index
        if release_s is None or index is None or now_s - release_s < _LEAST_S:
            return None
        result = self._ask()
        return None if result is None else (index, result)

    def _ask(self) -> Result | None:
        if self._spot_m is None:
            return None
        distance = float(np.linalg.norm(self._spot_m))
        toward = -self._spot_m / max(distance, 1e-6)
        return self.watch.result(self._spot_m + _IN_FRONT_M * toward, _HIGH * self.stature_m, self._seen)


def _whole(ball: Ball, size: tuple[int, int]) -> bool:
    """Not cut by the edge of the picture, where the centre of what is left lies elsewhere."""
    margin = 1.2 * ball.radius_px
    return bool((ball.centre_px > margin).all() and (ball.centre_px < np.array(size) - margin).all())
