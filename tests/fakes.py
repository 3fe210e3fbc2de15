"""Devices made of software: they keep real time and fail on request, so that the real sources run in tests."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import cv2
import numpy as np

from rimward.live.clip import hush_opencv

Picture = np.ndarray


class FakeCapture:
    """Plays (due time, picture) pairs in real time with the methods of cv2.VideoCapture that a camera needs.

    None in place of a picture is a failed grab, and after the last one every grab fails, like an unplugged camera. Like
    a camera it does not wait: a picture whose successor is already due is passed over.
    """

    def __init__(self, frames: Iterable[tuple[float, Picture | None]], *, opened: bool = True, most=None) -> None:
        """`most` limits what can be set: property -> greatest value."""
        self._frames = iter(frames)
        self._next = next(self._frames, None)
        self._start = time.perf_counter()
        self._picture: Picture | None = None
        self._opened = opened
        self._most = most or {}
        self.values: dict[int, float] = {}
        self.asked: list[tuple[int, float]] = []
        self.released = threading.Event()

    def isOpened(self) -> bool:
        return self._opened

    def set(self, prop: int, value: float) -> bool:
        self.asked.append((prop, value))
        self.values[prop] = min(value, self._most.get(prop, value))
        return self.values[prop] == value

    def get(self, prop: int) -> float:
        return self.values.get(prop, 0.0)

    def grab(self) -> bool:
        while self._next is not None:
            due, picture = self._next
            self._next = next(self._frames, None)
            if self._next is not None and picture is not None and self._next[0] <= self._now():
                continue
            if self.released.wait(max(0.0, due - self._now())):
                return False
            self._picture = picture
            return picture is not None
        return False

    def retrieve(self) -> tuple[bool, Picture | None]:
        return self._picture is not None, self._picture

    def release(self) -> None:
        self.released.set()

    def _now(self) -> float:
        return time.perf_counter() - self._start


def steadily(pictures: Iterable[Picture | None], rate_hz: float = 100.0) -> Iterator[tuple[float, Picture | None]]:
    return ((k / rate_hz, picture) for k, picture in enumerate(pictures))


def clip_frames(path: Path, loop: bool = False) -> Iterator[tuple[float, Picture]]:
    """The pictures of a clip with their times, for ever when `loop`."""
    offset = t_s = 0.0
    for _ in itertools.count() if loop else range(1):
        clip = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
        step = 1.0 / clip.get(cv2.CAP_PROP_FPS)
        while clip.grab():
            t_s = offset + clip.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
            yield t_s, clip.retrieve()[1]
        clip.release()
        offset = t_s + step


def clip_camera(path: Path, loop: bool = False) -> Callable[[int | str], FakeCapture]:
    """A capture factory: each opening plays the clip from its start in real time."""
    return lambda device: FakeCapture(clip_frames(path, loop))


def numbered(number: int, size: tuple[int, int] = (320, 240)) -> Picture:
    """A picture whose grey level tells its number (to 60), safe through lossy coding; never black."""
    width, height = size
    picture = np.full((height, width, 3), 20 + 3 * number, np.uint8)
    picture[: height // 4, : width // 4] = 255
    return picture


def number_of(picture: Picture) -> int:
    height, width = picture.shape[:2]
    return round((float(picture[height // 2 :, width // 2 :].mean()) - 20) / 3)


def write_video(
    path: Path, pictures: Iterable[Picture], rate_hz: float = 30.0, size: tuple[int, int] = (320, 240), codec="mp4v"
) -> Path:
    hush_opencv()  # FFmpeg takes its level once, at its first use
    writer = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*codec), rate_hz, size)
    assert writer.isOpened()
    for picture in pictures:
        writer.write(picture)
    writer.release()
    return path
