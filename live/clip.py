"""A recorded clip as a source of frames: every frame, in order, with the time stamp that its file gives it."""

from __future__ import annotations

import math
import os
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from .errors import SourceError
from .records import Frame, SourceInfo, SourceTrouble

_JOIN_S = 2.0
"""How long `close` waits for a disk that does not give the next piece of the file."""

_AHEAD = 4
"""Frames decoded ahead of the consumer: enough to ride over its slow moments, 100 MB at 4K."""

_END_SHARE = 0.9
"""A clip that delivers less than this share of the promised time is reported as cut short..."""
_END_GAP_S = 0.5
"""...when at least this much is missing: headers are often wrong by a frame or two."""

_LEAST_STEP_S = 1e-6
"""Stamps closer together than this stand still; no container counts finer."""

_RATE_LIMIT_HZ = 1000.0
"""Rates above it are no rates but time bases that a file gives for one."""


def open_clip(path: Path, *, alone: bool = True) -> Clip:
    """Open a video file. Raises SourceError when it is missing, no video, or without a single frame.

    The picture is turned upright where the file says how it was held, and `info` has the size as delivered. Not
    `alone`, it is decoded on one thread: with every processor busy more of them cost 0.1 ms a frame and gain nothing.
    """
    _require_content(path)
    hush_opencv()
    # FFmpeg only: other backends read numbered pictures as one video. Absolute: a colon in a name is no protocol then.
    threads = [] if alone else [cv2.CAP_PROP_N_THREADS, 1]
    capture = cv2.VideoCapture(str(path.absolute()), cv2.CAP_FFMPEG, threads)
    if not capture.isOpened():
        raise SourceError(f"a clip must be a video file, {path} cannot be read as one; convert it to MP4 (H.264)")
    if not capture.grab():
        capture.release()
        raise SourceError(f"a clip must have at least one frame, {path} has none that can be read; record it again")
    return Clip(capture, path.name, timed=not _is_bare_stream(path))


class Clip:
    """An opened clip (ports.FrameSource): a thread decodes a few frames ahead while the consumer works on this one.

    Times start at 0 and strictly increase. Says SourceTrouble when stamps had to be repaired, or when the file ends
    before its header's promise. Damage in the middle ends the clip; what was decoded before it is handed over.
    """

    def __init__(self, capture: cv2.VideoCapture, name: str, *, timed: bool = True) -> None:
        """Take over a capture whose first frame has been grabbed (`open_clip` does).

        `timed` False: the file has no time stamps of its own, frames are spread evenly at the rate it claims.
        """
        self._capture = capture
        self._timed = timed
        self.counted = not timed
        """Whether times were made, not read: then a frame is found again only by counting from the first."""
        self.info = _info(capture, name)
        self._changed = threading.Condition()
        self._queue: deque[Frame | SourceTrouble | SourceError | None] = deque()
        """None marks the end."""
        self._closed = False
        self._over = False
        self._decoder: threading.Thread | None = None

    @property
    def dropped(self) -> int:
        """Always 0: a clip waits for its consumer."""
        return 0

    def __iter__(self) -> Iterator[Frame | SourceTrouble]:
        """Each frame once (a second loop goes on where the first stopped). Raises SourceError when decoding fails."""
        with self._changed:
            if self._decoder is None and not self._closed:
                self._decoder = threading.Thread(target=self._decode, name="clip", daemon=True)
                self._decoder.start()
        while (item := self._next()) is not None:
            if isinstance(item, SourceError):
                raise item
            yield item

    def close(self) -> None:
        """Stop decoding and free the file; may be called twice and from another thread."""
        with self._changed:
            self._closed = True
            decoder = self._decoder
            self._changed.notify_all()
        if decoder is not None:
            decoder.join(_JOIN_S)
            if decoder.is_alive():
                return  # it holds the file; releasing it under its hands would crash
        self._capture.release()

    def _next(self) -> Frame | SourceTrouble | SourceError | None:
        with self._changed:
            self._changed.wait_for(lambda: self._queue or self._closed or self._over)
            if self._closed or not self._queue:
                return None
            item = self._queue.popleft()
            if item is None or isinstance(item, SourceError):
                self._over = True
            self._changed.notify_all()
            return item

    def _put(self, item: Frame | SourceTrouble | SourceError | None) -> bool:
        """Wait for room; False when the clip was closed meanwhile."""
        with self._changed:
            self._changed.wait_for(lambda: len(self._queue) < _AHEAD or self._closed)
            if self._closed:
                return False
            self._queue.append(item)
            self._changed.notify_all()
            return True

    def _decode(self) -> None:
        try:
            self._decode_all()
        except SourceError as error:
            self._put(error)
        except (cv2.error, MemoryError, ValueError) as error:
            said = " ".join(str(error).split())[:200]
            self._put(SourceError(f"the clip {self.info.name} must decode, it does not ({said}); convert it to MP4"))

    def _decode_all(self) -> None:
        stamps = Stamps(self.info)
        index = 0
        grabbed = True  # by open_clip
        while grabbed:
            stamp_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
            ok, image = self._capture.retrieve()
            if not ok:
                break
            if not self._timed and self.info.rate_hz:
                stamp_s = index / self.info.rate_hz
            t_s = stamps.repaired(stamp_s)
            if stamps.repairs == 1:
                self.counted = True
                stamps.repairs += 1  # said once, not for every frame
                self._put(SourceTrouble(t_s, _BAD_STAMPS.format(name=self.info.name, t_s=t_s)))
            if not self._put(Frame(index, t_s, np.asarray(image, np.uint8))):
                return
            index += 1
            grabbed = self._capture.grab()
        if index == 0:
            raise SourceError(f"a clip must have at least one frame, {self.info.name} has none that can be decoded")
        early = _early_end(self.info, index, stamps.last_s + stamps.step_s)
        if early is not None:
            self._put(SourceTrouble(stamps.last_s, early))
        self._put(None)


_BAD_STAMPS = (
    "The time stamps of {name} stand still or go backwards at {t_s:.2f} s: times from there on are estimated;"
    " convert it to MP4 if they matter"
)


@dataclass
class Stamps:
    """Makes stamps start at 0 and strictly increase."""

    info: SourceInfo
    first_s: float | None = None
    raw_s: float = 0.0
    last_s: float = 0.0
    step_s: float = 0.0
    """The last step that was read, not made."""
    repairs: int = 0

    def repaired(self, stamp_s: float) -> float:
        """The time of the next frame.

        A stamp that does not move on gets the step of the frames before it (one frame's time when there are none yet);
        stamps that start again from a lower value, as in joined recordings, go on with their own steps.
        """
        if not math.isfinite(stamp_s):
            stamp_s = self.raw_s
        if self.first_s is None:
            self.first_s = self.raw_s = stamp_s
            self.step_s = 1.0 / self.info.rate_hz if self.info.rate_hz > 0 else 0.0
            return 0.0
        t_s, moved_s = stamp_s - self.first_s, stamp_s - self.raw_s
        if t_s > self.last_s + _LEAST_STEP_S:
            self.step_s = t_s - self.last_s
        else:
            self.repairs += 1
            step_s = moved_s if moved_s > _LEAST_STEP_S else self.step_s
            if step_s == 0:
                raise SourceError(
                    f"a clip must say when its frames were taken, {self.info.name} has neither time stamps nor a"
                    " frame rate; convert it to MP4"
                )
            t_s = self.last_s + step_s
        self.raw_s, self.last_s = stamp_s, t_s
        return t_s


def _require_content(path: Path) -> None:
    if not path.exists():
        raise SourceError(f"a clip must be a video file, there is nothing at {path}; check the name")
    if path.is_dir():
        raise SourceError(f"a clip must be a video file, {path} is a folder; name the file in it")
    try:
        with path.open("rb") as file:
            if not file.read(1):
                raise SourceError(f"a clip must be a video file, {path} is empty; copy or record it again")
    except OSError as error:
        raise SourceError(f"a clip must be readable, {path} is not ({error.strerror}); check its permissions") from None


def _is_bare_stream(path: Path) -> bool:
    """Whether the file is a coded stream without a container round it: it begins with a start code (ISO/IEC 14496-2
    and -10, annex B; from memory). Stamps that the decoder makes up for it contradict the rate that it claims. A
    program stream (pack header 0xBA) begins alike and has stamps.
    """
    with path.open("rb") as file:
        head = file.read(5)
    start = head.find(b"\0\0\1")
    return start in (0, 1) and head[start + 3 : start + 4] != b"\xba"


def hush_opencv() -> None:
    """OpenCV and FFmpeg would print their own complaints about what is reported here in one line."""
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)


def _info(capture: cv2.VideoCapture, name: str) -> SourceInfo:
    rate_hz, count = capture.get(cv2.CAP_PROP_FPS), capture.get(cv2.CAP_PROP_FRAME_COUNT)
    return SourceInfo(
        name=name,
        width=int(capture.get(cv2.CAP_PROP_FRAME_WIDTH)),
        height=int(capture.get(cv2.CAP_PROP_FRAME_HEIGHT)),
        rate_hz=rate_hz if 0 < rate_hz <= _RATE_LIMIT_HZ else 0.0,
        live=False,
        frame_count=int(count) if 0 < count < 1e9 else None,
    )


def _early_end(info: SourceInfo, frames: int, end_s: float) -> str | None:
    # By time, not by frames: for variable rates the claimed number is only a guess from duration and top rate.
    if info.frame_count is None or info.rate_hz == 0 or frames >= info.frame_count:
        return None
    promised_s = info.frame_count / info.rate_hz
    if end_s > promised_s * _END_SHARE or promised_s - end_s < _END_GAP_S:
        return None
    return (
        f"{info.name} ends after {end_s:.1f} s though its header promises {promised_s:.1f} s:"
        " it may be cut short; copy it again if something is missing"
    )
