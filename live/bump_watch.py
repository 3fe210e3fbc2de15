"""Looks now and then whether the camera still stands where it stood, on a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rimward.calibration.bump import Background, Features, Verdict, background_of, bumped, moved_since

from .records import ImageArray, Pose, View

_EVERY_S = 2.0
_SURE_AFTER = 2
"""Looks in a row that must agree: a door that opens moves a part of the picture once."""
_LOOKS_BACK = 15
"""After so many looks that leave open whether this is the place that was calibrated, it stays open."""
_BODY_MARGIN = 0.25
"""Of the body's height, round its landmarks: hair, ball and clothes belong to it."""


class BumpWatch:
    """Give it every view; `moved` is called with a time, from another thread, once for each time the camera moves, and
    `back` when it stands again where it stood before.

    With what was kept of the picture that was `calibrated` the first looks say whether the camera stands there at all:
    it may be another day.
    """

    def __init__(
        self,
        moved: Callable[[float], None],
        back: Callable[[float], None],
        calibrated: Features | None = None,
    ) -> None:
        self._moved, self._back = moved, back
        self._calibrated = calibrated
        self._next_s = -np.inf
        self._job: View | None = None
        self._wake, self._closed = threading.Event(), False
        self._reference: Background | None = None
        self._home: Background | Features | None = None
        """While the camera stands elsewhere: how it looks from where it was calibrated."""
        self._agreeing = self._elsewhere = self._looks_back = 0
        self._thread = threading.Thread(target=self._work, name="bump watch", daemon=True)
        self._thread.start()

    def look(self, view: View) -> None:
        """Take the view if it is time for one; returns at once."""
        if view.image is None or view.t_s < self._next_s or self._job is not None:
            return
        self._next_s = view.t_s + _EVERY_S
        self._job = view
        self._wake.set()

    @property
    def busy(self) -> bool:
        """Whether a view is being looked at; others are passed over meanwhile."""
        return self._job is not None

    def start_over(self) -> None:
        """What is seen next is the place where the camera stands."""
        self._reference = self._calibrated = self._home = None

    def close(self) -> None:
        """End the thread; may be called twice."""
        self._closed = True
        self._wake.set()
        self._thread.join()

    def _work(self) -> None:
        while True:
            self._wake.wait()
            self._wake.clear()
            if self._closed:
                return
            view = self._job
            if view is not None and view.image is not None:
                self._compare(view.t_s, view.image, _people(view.image, view.pose))
            self._job = None

    def _compare(self, t_s: float, image: ImageArray, people: NDArray[np.bool_]) -> None:
        reference, home = self._reference, self._home
        if home is not None:
            self._look_for(home, t_s, image, people)
            return
        if reference is None or reference.image_size != (image.shape[1], image.shape[0]):
            self._reference, self._agreeing = background_of(image, people), 0
        else:
            self._agreeing = self._agreeing + 1 if bumped(reference, image, people).verdict is Verdict.MOVED else 0
            if self._agreeing == _SURE_AFTER:
                self._leave(reference, t_s)
                return
        if self._calibrated is not None:
            self._recognise(self._calibrated, t_s, image, people)

    def _recognise(self, calibrated: Features, t_s: float, image: ImageArray, people: NDArray[np.bool_]) -> None:
        """Hold a look against the picture that was calibrated, until it is clear whether the camera stands there."""
        verdict = moved_since(calibrated, image, people).verdict
        self._looks_back += 1
        self._elsewhere = self._elsewhere + 1 if verdict is Verdict.MOVED else 0
        if self._elsewhere == _SURE_AFTER:
            self._leave(calibrated, t_s)
        elif verdict is Verdict.STILL or self._looks_back == _LOOKS_BACK:
            self._calibrated = None

    def _leave(self, home: Background | Features, t_s: float) -> None:
        self._home, self._calibrated, self._agreeing = home, None, 0
        self._moved(t_s)

    def _look_for(self, home: Background | Features, t_s: float, image: ImageArray, people: NDArray[np.bool_]) -> None:
        """Whether somebody has put the camera back: then nobody has to judge lines."""
        seen = moved_since(home, image, people) if isinstance(home, Features) else bumped(home, image, people)
        self._agreeing = self._agreeing + 1 if seen.verdict is Verdict.STILL else 0
        if self._agreeing == _SURE_AFTER:
            self._reference, self._home, self._agreeing = background_of(image, people), None, 0
            self._back(t_s)


def _people(image: ImageArray, pose: Pose | None) -> NDArray[np.bool_]:
    """(height, width), True where the shooter is."""
    mask = np.zeros(image.shape[:2], bool)
    if pose is not None:
        low, high = pose.landmarks_px.min(0), pose.landmarks_px.max(0)
        margin = _BODY_MARGIN * (high[1] - low[1])
        (x0, y0), (x1, y1) = np.maximum(low - margin, 0).astype(int), np.maximum(high + margin, 0).astype(int)
        mask[y0:y1, x0:x1] = True
    return mask
