"""Whether the camera stands where it stood, told by its pictures' background. Pure: times, pictures and poses in."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from rimward.calibration.bump import Background, Features, Verdict, background_of, bumped, moved_since

from .records import ImageArray, Pose

_EVERY_S = 2.0
_SURE_AFTER = 2
"""Looks in a row that must agree: a door that opens moves a part of the picture once."""
_LOOKS_BACK = 15
"""After so many looks that leave open whether this is the place that was calibrated, it stays open."""
_BODY_MARGIN = 0.25
"""Of the body's height, round its landmarks: hair, ball and clothes belong to it."""


class Change(StrEnum):
    """What became of the camera."""

    MOVED = "moved"
    BACK = "back"
    """It stands again where it stood before it was moved, or where it was calibrated."""


class CameraPlace:
    """Give it looks now and then, all of one camera. With what was kept of the picture that was `calibrated` the first
    ones say whether the camera stands there at all: it may be another day.
    """

    def __init__(self, calibrated: Features | None = None) -> None:
        self._calibrated = calibrated
        self._next_s = -np.inf
        self._reference: Background | None = None
        self._home: Background | Features | None = None
        """While the camera stands elsewhere: how it looks from where it was calibrated."""
        self._agreeing = self._elsewhere = self._looks_back = 0

    def start_over(self) -> None:
        """What is seen next is the place where the camera stands."""
        self._reference = self._calibrated = self._home = None

    def due(self, t_s: float) -> bool:
        """Whether it is time for a look; then the next one is due in two seconds."""
        if t_s < self._next_s:
            return False
        self._next_s = t_s + _EVERY_S
        return True

    def look(self, image: ImageArray, people: Sequence[Pose]) -> Change | None:
        """What this picture (BGR) makes clear; told once for each time."""
        mask, reference, home = _mask(image, people), self._reference, self._home
        if home is not None:
            return self._look_for(home, image, mask)
        if reference is None or reference.image_size != (image.shape[1], image.shape[0]):
            self._reference, self._agreeing = background_of(image, mask), 0
        else:
            self._agreeing = self._agreeing + 1 if bumped(reference, image, mask).verdict is Verdict.MOVED else 0
            if self._agreeing == _SURE_AFTER:
                return self._leave(reference)
        return None if self._calibrated is None else self._recognise(self._calibrated, image, mask)

    def _recognise(self, calibrated: Features, image: ImageArray, mask: NDArray[np.bool_]) -> Change | None:
        """Hold a look against the picture that was calibrated, until it is clear whether the camera stands there."""
        verdict = moved_since(calibrated, image, mask).verdict
        self._looks_back += 1
        self._elsewhere = self._elsewhere + 1 if verdict is Verdict.MOVED else 0
        if self._elsewhere == _SURE_AFTER:
            return self._leave(calibrated)
        if verdict is Verdict.STILL or self._looks_back == _LOOKS_BACK:
            self._calibrated = None
        return None

    def _leave(self, home: Background | Features) -> Change:
        self._home, self._calibrated, self._agreeing = home, None, 0
        return Change.MOVED

    def _look_for(self, home: Background | Features, image: ImageArray, mask: NDArray[np.bool_]) -> Change | None:
        """Whether somebody has put the camera back: then nobody has to judge lines."""
        seen = moved_since(home, image, mask) if isinstance(home, Features) else bumped(home, image, mask)
        self._agreeing = self._agreeing + 1 if seen.verdict is Verdict.STILL else 0
        if self._agreeing < _SURE_AFTER:
            return None
        self._reference, self._home, self._agreeing = background_of(image, mask), None, 0
        return Change.BACK


def _mask(image: ImageArray, people: Sequence[Pose]) -> NDArray[np.bool_]:
    """(height, width), True where people are."""
    mask = np.zeros(image.shape[:2], bool)
    for pose in people:
        low, high = pose.landmarks_px.min(0), pose.landmarks_px.max(0)
        margin = _BODY_MARGIN * (high[1] - low[1])
        (x0, y0), (x1, y1) = np.maximum(low - margin, 0).astype(int), np.maximum(high + margin, 0).astype(int)
        mask[y0:y1, x0:x1] = True
    return mask
