"""Looks now and then whether the camera still stands where it stood, on a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable

from rimward.calibration.bump import Features

from .camera_place import CameraPlace, Change
from .records import View


class BumpWatch:
    """Give it every view; `moved` is called with a time, from another thread, once for each time the camera moves, and
    `back` when it stands again where it stood before. `calibrated` is for CameraPlace.
    """

    def __init__(
        self,
        moved: Callable[[float], None],
        back: Callable[[float], None],
        calibrated: Features | None = None,
    ) -> None:
        self._tell = {Change.MOVED: moved, Change.BACK: back}
        self._place = CameraPlace(calibrated)
        self._job: View | None = None
        self._wake, self._closed = threading.Event(), False
        self._thread = threading.Thread(target=self._work, name="bump watch", daemon=True)
        self._thread.start()

    def look(self, view: View) -> None:
        """Take the view if it is time for one; returns at once."""
        if view.image is None or self._job is not None or not self._place.due(view.t_s):
            return
        self._job = view
        self._wake.set()

    @property
    def busy(self) -> bool:
        """Whether a view is being looked at; others are passed over meanwhile."""
        return self._job is not None

    def start_over(self) -> None:
        """What is seen next is the place where the camera stands."""
        self._place.start_over()

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
                change = self._place.look(view.image, [] if view.pose is None else [view.pose])
                if change is not None:
                    self._tell[change](view.t_s)
            self._job = None
