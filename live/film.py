"""A recording in which any frame can be asked for, and the frame that comes is the frame that was asked for.

Jumping in a compressed file lands on some key frame before or after the wish, and what libraries say of a frame's
number after a jump is a guess. So a jump goes to well before the frame, reads the time stamp of where it landed, and
decodes forward until the stamp is that of the wanted frame. Where stamps are no guide (made up, standing still), frames
are counted from the first.
"""

from __future__ import annotations

from collections import OrderedDict
from pathlib import Path

import cv2
import numpy as np

from .clip import hush_opencv, open_clip
from .errors import SourceError
from .records import ImageArray

_SAME_S = 2e-4
"""Stamps nearer than this are one: the finest clip has a frame a millisecond."""
_LEAD_S = 0.5
"""A jump aims this far before the wanted frame, and farther each time that it still lands behind it."""
_NEAR_S = 2.0
"""A frame this far ahead is reached by decoding on; a jump would decode as much."""
_BUDGET = 400_000_000
"""Bytes of decoded frames that are kept, so that stepping back need not decode again: 5 s at 1280 x 720."""


class Film:
    """Frames by number and time, as `Clip` counted and stamped them. Not for several threads at once."""

    def __init__(self, path: Path, *, counted: bool = False) -> None:
        """`counted` as Clip.counted said of this file. Raises SourceError when it is missing or no video."""
        open_clip(path).close()  # says what is wrong with it in one line
        hush_opencv()
        self.path = path
        self._counted = counted
        self._capture = cv2.VideoCapture(str(path.absolute()), cv2.CAP_FFMPEG)
        self._kept: OrderedDict[int, ImageArray] = OrderedDict()
        """By microsecond, or by number when counted; the longest unused go first."""
        self._bytes = 0
        self._first_s: float | None = None
        self._at: tuple[int | None, float] | None = None
        """Number (None after a jump) and time of the frame that was grabbed last."""

    def frame(self, index: int, t_s: float) -> ImageArray:
        """(height, width, 3) BGR: the frame of this number, which `Clip` stamped with this time.

        Raises SourceError when the file has no such frame.
        """
        key = index if self._counted else round(t_s * 1e6)
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        image = self._by_number(index) if self._counted else self._by_stamp(index, t_s)
        if image is None:
            raise SourceError(
                f"{self.path} must be the clip that the rep was read from, it has no frame {index} at {t_s:.3f} s;"
                " review the clip again"
            )
        return image

    def close(self) -> None:
        """Free the file; may be called twice."""
        self._capture.release()
        self._kept.clear()

    def _by_stamp(self, index: int, t_s: float) -> ImageArray | None:
        if self._at is None or not self._at[1] < t_s <= self._at[1] + _NEAR_S:
            self._go_before(t_s)
        if self._at is not None and abs(self._at[1] - t_s) < _SAME_S:
            return self._retrieved(index, t_s)
        found = self._forward_to(t_s)
        # stamps that skip this frame: the file is not what it says, and only its first frame is certain
        return found if found is not None else self._by_number(index)

    def _go_before(self, t_s: float) -> None:
        """Stand at this time or before it."""
        lead_s = _LEAD_S
        while t_s - lead_s > 0:
            self._jump(t_s - lead_s)
            if self._at is not None and self._at[1] < t_s + _SAME_S:
                return
            lead_s *= 2
        self._rewind()

    def _forward_to(self, t_s: float) -> ImageArray | None:
        """Decode on to this time, keeping what comes by: the next wish is mostly the frame before."""
        image = None
        while self._grab():
            assert self._at is not None
            number, now_s = self._at
            if now_s > t_s + _SAME_S:
                return None
            if now_s > t_s - 1.0 or abs(now_s - t_s) < _SAME_S:
                image = self._retrieved(number if number is not None else -1, now_s)
            if abs(now_s - t_s) < _SAME_S:
                return image
        return None

    def _by_number(self, index: int) -> ImageArray | None:
        if self._at is None or self._at[0] is None or self._at[0] >= index:
            self._rewind()
        while self._at is not None:
            number, now_s = self._at
            assert number is not None  # counted since the rewind
            if number > index - 60:
                image = self._retrieved(number, now_s)
                if number == index:
                    return image
            if not self._grab():
                break
        return None

    def _rewind(self) -> None:
        """Open the file anew and grab the first frame, which is the only certain place."""
        self._capture.release()
        self._capture = cv2.VideoCapture(str(self.path.absolute()), cv2.CAP_FFMPEG)
        self._at = None
        if self._capture.isOpened() and self._capture.grab():
            self._first_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
            self._at = (0, 0.0)

    def _jump(self, t_s: float) -> None:
        if self._first_s is None:
            self._rewind()
        assert self._first_s is not None
        self._capture.set(cv2.CAP_PROP_POS_MSEC, 1000.0 * (t_s + self._first_s))
        if self._capture.grab():
            self._at = (None, self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0 - self._first_s)
        else:
            self._at = None

    def _grab(self) -> bool:
        assert self._at is not None
        assert self._first_s is not None
        if not self._capture.grab():
            self._at = None
            return False
        number = None if self._at[0] is None else self._at[0] + 1
        self._at = (number, self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0 - self._first_s)
        return True

    def _retrieved(self, number: int, t_s: float) -> ImageArray | None:
        key = number if self._counted else round(t_s * 1e6)
        if key in self._kept:
            return self._kept[key]
        ok, picture = self._capture.retrieve()
        if not ok:
            return None
        image: ImageArray = np.asarray(picture, np.uint8)
        self._kept[key] = image
        self._bytes += image.nbytes
        while self._bytes > _BUDGET and len(self._kept) > 1:
            self._bytes -= self._kept.popitem(last=False)[1].nbytes
        return image
