"""From the call to the sound device: how late a sound is, measured without a sound card.

SDL's disk driver writes to a file, at the pace of a sound card, what the card would have got. A thread notes when each
part of the file arrived; the first loud sample after a call says how late it was. The file is written through a buffer
of 4096 bytes (two blocks of the mixer), so what is measured is up to 12 ms too long, never too short.
"""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from .records import Tone
from .speaker import RATE_HZ, Mixer

_FRAME_BYTES = 4  # two channels of 16 bits
_LOUD = 0.01
_POLL_S = 0.001
_VARIABLES = ("SDL_AUDIODRIVER", "SDL_DISKAUDIOFILE")


class Loopback:
    """What a sound card would have got, and when. Times are those of time.perf_counter."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._arrived: list[tuple[float, int]] = []
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="loopback", daemon=True)
        self._thread.start()

    def first_loud_s(self, after_s: float, wait_s: float = 2.0) -> float | None:
        """When the first loud sample of those that came after `after_s` arrived; None when none does in `wait_s`."""
        end_s = time.perf_counter() + wait_s
        while time.perf_counter() < end_s:
            parts = list(self._arrived)
            before = max((size for t_s, size in parts if t_s <= after_s), default=0)
            samples = np.frombuffer(self._bytes(before, wait_s), "<i2").astype(float) / 32768
            loud = np.flatnonzero(np.abs(samples) > _LOUD)
            if len(loud):
                place = before + 2 * int(loud[0])
                came = [t_s for t_s, size in parts if size > place]
                if came:
                    return came[0]
            time.sleep(_POLL_S)
        return None

    def close(self) -> None:
        """Stop watching."""
        self._ended.set()
        self._thread.join()

    def _bytes(self, start: int, seconds: float) -> bytes:
        """What came from a place in the file on, for so long at most: after an hour the file is large."""
        if not self._path.exists():
            return b""
        with self._path.open("rb") as file:
            file.seek(start)
            raw = file.read(round(seconds * RATE_HZ) * _FRAME_BYTES)
        return raw[: len(raw) // _FRAME_BYTES * _FRAME_BYTES]

    def _watch(self) -> None:
        last = 0
        while not self._ended.wait(_POLL_S):
            size = self._path.stat().st_size if self._path.exists() else 0
            if size > last:
                self._arrived.append((time.perf_counter(), size))
                last = size


@contextmanager
def loopback() -> Iterator[Loopback]:
    """Sound devices opened inside go to a file that is watched. None may be open before, in the whole program."""
    before = {name: os.environ.get(name) for name in _VARIABLES}
    with tempfile.TemporaryDirectory(prefix="rimward-", ignore_cleanup_errors=True) as folder:
        path = Path(folder) / "sound.raw"
        os.environ.update(zip(_VARIABLES, ("disk", str(path)), strict=True))
        watched = Loopback(path)
        try:
            yield watched
        finally:
            watched.close()
            for name, value in before.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value


def tone_latencies_s(count: int = 20) -> list[float]:
    """Seconds from asking for a tone to its first loud sample at the device, `count` times.

    Raises pygame.error where SDL has no disk driver.
    """
    return _latencies_s(count, lambda mixer: mixer.play_tone(Tone.COUNT), lambda mixer: None)


def hold_latencies_s(count: int = 20) -> list[float]:
    """The same for the hold tone."""
    return _latencies_s(count, lambda mixer: mixer.hold(True), lambda mixer: mixer.hold(False))


def _latencies_s(count: int, begin: Callable[[Mixer], object], end: Callable[[Mixer], object]) -> list[float]:
    latencies = []
    with loopback() as watched:
        mixer = Mixer()
        try:
            for k in range(count):
                # apart enough to be silent between, and at ever another place in the mixer's block
                time.sleep(0.4 + 0.0013 * k)
                asked_s = time.perf_counter()
                begin(mixer)
                heard_s = watched.first_loud_s(asked_s)
                end(mixer)
                if heard_s is not None:
                    latencies.append(heard_s - asked_s)
        finally:
            mixer.close()
    return latencies
