"""A camera as a source of frames: its own thread, the newest frame wins, troubles are said and waited out."""

from __future__ import annotations

import math
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any, Protocol

import cv2
import numpy as np

from .clip import hush_opencv
from .records import Frame, ImageArray, SourceInfo, SourceTrouble

_FIRST_RETRY_S = 0.5
"""After a failure the first try comes soon (a loose plug), the next ones at `retry_s`."""
_FAILING_S = 0.5
"""A single failed grab is a hiccup of the bus; failing this long is a camera that is gone."""
_PAUSE_S = 0.02
"""Between failed grabs, which may return at once."""
_SILENT_S = 4.0
"""A grab that hangs this long is said; some drivers block for ten seconds when their device vanishes."""
_JOIN_S = 2.0
"""How long `close` waits for a grab that hangs."""
_LOOK_S = 0.1
"""How often the consumer looks while no frame comes."""
_MOST_HUNG = 3
"""So many threads may hang in the driver at once; with more the camera is only waited for."""

_LONGEST_RETRIES = 8
"""Longest wait between two reopenings of a camera with bad pictures, in units of `retry_s`."""

_TICK_S = 1e-6
"""Least step between two frames, should the clock stand still."""

_DEVICE_ERRORS = (cv2.error, OSError, RuntimeError)

_BLACK_MEAN, _BLACK_SPREAD = 8.0, 4.0
"""Grey levels. A covered lens gives 0 to 3 with a little noise; a dim gym is far above (own measure, no source)."""


class Capture(Protocol):
    """The part of cv2.VideoCapture that is used."""

    def isOpened(self) -> bool:  # noqa: D102
        ...

    def grab(self) -> bool:  # noqa: D102
        ...

    def retrieve(self) -> tuple[bool, Any]:  # noqa: D102
        ...

    def get(self, prop: int, /) -> float:  # noqa: D102
        ...

    def set(self, prop: int, value: float, /) -> bool:  # noqa: D102
        ...

    def release(self) -> None:  # noqa: D102
        ...


CaptureFactory = Callable[[int | str], Capture]


def backends(platform: str, device: int | str) -> tuple[int, ...]:
    """OpenCV's capture backends to try, best first, for a `sys.platform` and a device number, path or address."""
    if isinstance(device, str) and "://" in device:
        return (cv2.CAP_FFMPEG,)
    if platform == "darwin":
        return (cv2.CAP_AVFOUNDATION,)
    if platform == "win32":
        return (cv2.CAP_DSHOW, cv2.CAP_MSMF)  # DirectShow opens in a moment, Media Foundation can take many seconds
    return (cv2.CAP_V4L2,)


def open_capture(device: int | str) -> Capture:
    """The first backend's capture that opens, or the last one's that did not."""
    hush_opencv()
    for backend in backends(sys.platform, device):
        capture = cv2.VideoCapture(device, backend)
        if capture.isOpened():
            break
    return capture


def open_camera(
    device: int | str,
    *,
    width: int = 1280,
    height: int = 720,
    rate_hz: float = 60.0,
    capture_factory: CaptureFactory = open_capture,
    clock: Callable[[], float] = time.perf_counter,
    retry_s: float = 2.0,
    stale_s: float = 2.0,
    repeat_s: float = 5.0,
    hung_s: float = 10.0,
) -> Camera:
    """Start a camera: a number, a device path or an address; digits in a string are a number.

    Asks for MJPG (the only way most webcams give 720p fast), the size and the rate; `info` says what came of it.
    Without a camera a Camera comes back all the same: it says so and keeps trying every `retry_s`. Black or unchanging
    pictures are trouble after `stale_s`; a trouble that lasts is said again every `repeat_s`. A driver that does not
    come back for `hung_s` is left alone and the camera opened anew. `clock` must be monotonic (perf_counter: on Windows
    time.monotonic ticks only every 16 ms before Python 3.13).
    """
    if isinstance(device, str) and device.isdecimal():
        device = int(device)
    return Camera(device, (width, height, rate_hz), capture_factory, clock, retry_s, stale_s, repeat_s, hung_s)


class Camera:
    """A running camera (ports.FrameSource).

    While there is trouble, SourceTrouble comes in place of frames; the first frame after it means that all is well.
    """

    def __init__(
        self,
        device: int | str,
        wish: tuple[int, int, float],
        capture_factory: CaptureFactory,
        clock: Callable[[], float],
        retry_s: float,
        stale_s: float,
        repeat_s: float,
        hung_s: float,
    ) -> None:
        """Use `open_camera`."""
        self._device, self._wish = device, wish
        self._factory, self._clock = capture_factory, clock
        self._retry_s, self._repeat_s, self._hung_s = retry_s, repeat_s, hung_s
        self._picture = _PictureCheck(stale_s, retry_s)
        self._changed = threading.Condition()
        self._closed = False
        self._worked = False
        """A frame has come since the start."""
        self._newest: tuple[float, ImageArray] | None = None
        self._trouble: str | None = None
        self._said: str | None = None
        """The trouble that the consumer knows of."""
        self._said_s = 0.0
        self._dropped = 0
        self._index = 0
        self._first_s: float | None = None
        self._last_t_s = -math.inf
        self._alive_s = clock()
        """When the camera's thread was last seen to come back from the device."""
        self._looks = (self._alive_s, 0)
        """How often the consumer has looked since then. Not by the clock: a laptop that slept is no hanging driver."""
        self._hung: list[threading.Thread] = []
        self._grabber = threading.current_thread()
        """Whose words and pictures count: a thread that comes back after it was given up says nothing more."""
        self._info = SourceInfo(f"camera {device}", wish[0], wish[1], 0.0, live=True)
        # In the caller's thread: macOS asks the user for permission only from the main one.
        self._start(self._open())

    @property
    def info(self) -> SourceInfo:
        """What the camera gave at its last opening; the wish with rate 0 while none has been there."""
        return self._info

    @property
    def dropped(self) -> int:
        """Frames replaced by a newer one before anybody asked."""
        return self._dropped

    def now_s(self) -> float:
        """The present on the clock of the frames' t_s, for measuring how long after the grab something happens."""
        return 0.0 if self._first_s is None else self._clock() - self._first_s

    def __iter__(self) -> Iterator[Frame | SourceTrouble]:
        """The newest frame each time, or what is wrong; blocks in between, ends on `close`."""
        while True:
            with self._changed:
                if self._closed:
                    return
                now_s = self._clock()
                item: Frame | SourceTrouble | None = None
                trouble = self._trouble or self._silence(now_s)
                if self._newest is not None:
                    (t_s, image), self._newest = self._newest, None
                    item, self._said = Frame(self._index, t_s, image), None
                    self._index += 1
                elif trouble and (trouble != self._said or now_s - self._said_s >= self._repeat_s):
                    item = SourceTrouble(max(self.now_s(), self._last_t_s, 0.0), trouble)
                    self._said, self._said_s = trouble, now_s
                elif not self._opened_anew():
                    self._changed.wait(_LOOK_S)  # the time-outs above are checked at this pace; frames wake it at once
            if item is not None:
                yield item

    def close(self) -> None:
        """Release the camera; may be called twice and from another thread."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        if self._grabber is not threading.current_thread():
            self._grabber.join(_JOIN_S)

    def _start(self, capture: Capture | None) -> None:
        self._grabber = threading.Thread(target=self._run, args=(capture,), name="camera", daemon=True)
        self._grabber.start()

    def _opened_anew(self) -> bool:
        """Leave a thread that hangs in the driver to itself and start another one."""
        alive_s, looks = self._looks
        self._looks = (self._alive_s, looks + 1 if alive_s == self._alive_s else 0)
        self._hung = [thread for thread in self._hung if thread.is_alive()]
        if self._looks[1] * _LOOK_S < self._hung_s or len(self._hung) >= _MOST_HUNG:
            return False
        self._hung.append(self._grabber)
        self._alive_s = self._clock()
        self._looks = (self._alive_s, 0)
        self._trouble = f"Camera {self._device} does not answer: it is opened anew; {self._again}"
        self._start(None)
        return True

    # The rest runs in the camera's thread (the first `_open` excepted).

    @property
    def _at_work(self) -> bool:
        return not self._closed and threading.current_thread() is self._grabber

    def _run(self, capture: Capture | None) -> None:
        first_retry_s = retry_s = min(_FIRST_RETRY_S, self._retry_s)
        while self._at_work or capture is not None:
            if capture is not None:
                try:
                    if self._read(capture):
                        retry_s = first_retry_s
                finally:
                    capture.release()
                    capture = None
            with self._changed:
                self._changed.wait_for(lambda: not self._at_work, retry_s)
            retry_s = self._retry_s
            if self._at_work:
                self._alive_s = self._clock()
                capture = self._open()

    def _open(self) -> Capture | None:
        """An opened capture, set to the wish as far as the camera goes along; None and trouble when there is none."""
        width, height, rate_hz = self._wish
        try:
            capture = self._factory(self._device)
            if capture.isOpened():
                capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))
                capture.set(cv2.CAP_PROP_FRAME_WIDTH, width)
                capture.set(cv2.CAP_PROP_FRAME_HEIGHT, height)
                if not capture.set(cv2.CAP_PROP_FPS, rate_hz):
                    capture.set(cv2.CAP_PROP_FPS, min(30.0, rate_hz))  # some refuse a rate above theirs and stay slow
                capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)  # a driver's queue would make every frame old
                size = (capture.get(cv2.CAP_PROP_FRAME_WIDTH), capture.get(cv2.CAP_PROP_FRAME_HEIGHT))
                self._note_info(capture, round(size[0]), round(size[1]))
                return capture
            capture.release()
        except _DEVICE_ERRORS:
            pass
        if self._worked:
            self._say(f"Camera {self._device} is gone: plug it in again; {self._again}")
        else:
            self._say(
                f"No camera found at {self._device}: plug one in, or close the program that uses it; {self._again}"
            )
        return None

    def _read(self, capture: Capture) -> bool:
        """Take frames until the camera fails, must be opened anew or is closed; True when it gave a good one."""
        good = False
        failing_since_s: float | None = None
        while self._at_work:
            taken = self._grab(capture)
            if taken is None:
                failing_since_s = self._alive_s if failing_since_s is None else failing_since_s
                if self._alive_s - failing_since_s >= _FAILING_S:
                    state = "stopped giving pictures: check its cable" if good else "opens but gives no pictures"
                    self._say(f"Camera {self._device} {state}, close the other program that may use it; {self._again}")
                    return good
                time.sleep(_PAUSE_S)
                continue
            failing_since_s = None
            stamp_s, image = taken
            wrong = self._picture.trouble(image, stamp_s)
            if wrong is None:
                self._hand_over(stamp_s, image)
                if image.shape[1::-1] != (self._info.width, self._info.height):
                    self._note_info(capture, image.shape[1], image.shape[0])  # drivers promise what they do not give
                good = True
                continue
            self._say(f"Camera {self._device} {wrong}")
            if self._picture.wants_reopening(stamp_s):
                return good
        return good

    def _grab(self, capture: Capture) -> tuple[float, ImageArray] | None:
        try:
            ok = capture.grab()
            stamp_s = self._clock()
            if self._at_work:
                self._alive_s = stamp_s
            if not ok:
                return None
            ok, image = capture.retrieve()
        except _DEVICE_ERRORS:
            if self._at_work:
                self._alive_s = self._clock()
            return None
        good = ok and image is not None and image.ndim == 3 and self._at_work
        return (stamp_s, image) if good else None

    def _hand_over(self, stamp_s: float, image: ImageArray) -> None:
        with self._changed:
            if self._first_s is None:
                self._first_s = stamp_s
            self._worked, self._trouble = True, None
            self._last_t_s = max(stamp_s - self._first_s, self._last_t_s + _TICK_S)
            self._dropped += self._newest is not None
            self._newest = (self._last_t_s, image)
            self._changed.notify_all()

    def _say(self, trouble: str) -> None:
        with self._changed:
            if self._at_work:
                self._trouble = trouble
                self._changed.notify_all()

    def _note_info(self, capture: Capture, width: int, height: int) -> None:
        rate_hz = capture.get(cv2.CAP_PROP_FPS)
        rate_hz = rate_hz if math.isfinite(rate_hz) and rate_hz > 0 else 0.0
        if self._at_work:
            self._info = SourceInfo(f"camera {self._device}", width, height, rate_hz, live=True)

    # Both threads.

    @property
    def _again(self) -> str:
        return f"trying again every {self._retry_s:g} s"

    def _silence(self, now_s: float) -> str | None:
        silent_s = now_s - self._alive_s
        if silent_s < _SILENT_S:
            return None
        return f"Camera {self._device} does not answer: unplug it and plug it in again"


class _PictureCheck:
    """Tells pictures that are black, or the same byte for byte, for longer than `stale_s`.

    What it has seen outlives a reopening: a covered lens must not look well again for `stale_s` after each try.
    """

    def __init__(self, stale_s: float, retry_s: float) -> None:
        self._stale_s, self._retry_s = stale_s, retry_s
        self._last: ImageArray | None = None
        self._bright_s: float | None = None
        self._moved_s = 0.0
        self._wait_s = retry_s
        self._reopen_s: float | None = None

    def trouble(self, image: ImageArray, now_s: float) -> str | None:
        """What is wrong with the pictures up to this one, or None."""
        sample = image[::16, ::16]
        if self._bright_s is None or sample.mean() >= _BLACK_MEAN or sample.std() >= _BLACK_SPREAD:
            self._bright_s = now_s
        if self._last is None or not _same(self._last, image):
            self._moved_s = now_s
        self._last = image
        if now_s - self._bright_s > self._stale_s:
            return "gives only black pictures: uncover its lens, switch on the light"
        if now_s - self._moved_s > self._stale_s:
            return "is frozen, its picture does not change: unplug it and plug it in again"
        self._wait_s, self._reopen_s = self._retry_s, None
        return None

    def wants_reopening(self, now_s: float) -> bool:
        """True now and then while the trouble lasts: less and less often, opening makes the camera's lamp blink."""
        if self._reopen_s is None:
            self._reopen_s = now_s + self._wait_s
        if now_s < self._reopen_s:
            return False
        self._wait_s = min(2 * self._wait_s, _LONGEST_RETRIES * self._retry_s)
        self._reopen_s = now_s + self._wait_s
        return True


def _same(a: ImageArray, b: ImageArray) -> bool:
    # The sample first: comparing every byte of every frame would cost a millisecond each.
    return a.shape == b.shape and np.array_equal(a[::16, ::16], b[::16, ::16]) and np.array_equal(a, b)
