"""The pose network: MediaPipe's PoseLandmarker in VIDEO mode, landmarks in pixels of the frame that came in."""

from __future__ import annotations

import os
import re
import tempfile
import threading
import weakref
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from . import pose_model
from .errors import PoseModelError
from .records import FloatArray, Frame, ImageArray, Pose
from .skeleton import COUNT

_LONGEST_PX = 1280
"""Larger pictures are shrunk first: the networks look at 256 pixels and less, so 4K would only be copied around.

On rendered 4K the joints' median error is 27.5 px shrunk and 27.8 px (of 4K) whole.
"""

_CLOSE_S = 3.0
"""How long `close` waits for a picture that is being looked at."""

_FRAME_MS = 33
"""Step that is assumed where times stand still or go back."""

_LOG_NOISE = re.compile(rb"(INFO|WARNING|ERROR): |[IWEF]\d{4} ")
"""How lines begin that the network's runtime (LiteRT, absl) writes straight to file descriptor 2.

Its errors too: they come as exceptions as well.
"""
_LOG_REST = re.compile(rb"\[[\w./]+\.(cc|h):\d+\] ")
"""How the rest of such a line begins, which is written apart from its beginning."""

_stderr_lock = threading.RLock()
"""One descriptor for the whole process: two threads that turn it aside at once would never give it back."""


class MediapipePose:
    """Follows one person, or two, from frame to frame (ports.PoseEstimator).

    One landmarker for each number of people, made when it is first asked for: two people cost about twice the time, so
    the second is paid for only while it is needed. Each keeps its own track of the people it follows.
    """

    def __init__(self, model: Path) -> None:
        """Check `model` (a .task bundle). Raises PoseModelError when it is missing or damaged."""
        pose_model.check(model)
        self._model = model
        self._lock = threading.Lock()
        self._landmarkers: dict[int, Any] = {}
        self._last_ms = {1: -1, 2: -1}
        self._shift_ms = {1: 0, 2: 0}
        self._spoken: set[int] = set()
        # Also at exit: the runtime's own clean-up fails noisily once modules are being torn down.
        self._finish = weakref.finalize(self, _close_all, self._landmarkers)

    def warm_up(self, people: int = 1) -> None:
        """Load the network and run it once, so that the first real frame does not wait (some 0.1 s)."""
        self._detect(np.zeros((720, 1280, 3), np.uint8), 0.0, people)

    def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
        """The landmarks of at most `people` (1 or 2) persons; a person with a NaN landmark is left out.

        Time may stand still or go backwards (the network only gets the order then). Raises PoseModelError when the
        network cannot be loaded, fails or is closed.
        """
        width, height = frame.size
        found = (pose_of(person, width, height) for person in self._detect(frame.image, frame.t_s, people))
        return tuple(pose for pose in found if pose is not None)

    def close(self) -> None:
        """Free the network; may be called twice. One that does not come back from a picture is left alone."""
        if self._lock.acquire(timeout=_CLOSE_S):
            try:
                self._finish()
            finally:
                self._lock.release()
        else:
            self._finish.detach()  # at exit it would be waited for

    def _detect(self, image: ImageArray, t_s: float, people: int) -> list[Any]:
        import mediapipe

        picture = mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=_network_input(image))
        with self._lock:
            landmarker = self._landmarker(people)
            at_ms = self._next_ms(people, round(t_s * 1000))
            try:
                if people in self._spoken:
                    people_found = landmarker.detect_for_video(picture, at_ms).pose_landmarks
                else:  # the runtime's once-only warnings come by the first person: of which network, chance decides
                    with without_log_noise():
                        people_found = landmarker.detect_for_video(picture, at_ms).pose_landmarks
                    if people_found:
                        self._spoken.add(people)
            except (RuntimeError, ValueError) as error:
                raise PoseModelError(
                    f"the pose network must run on each picture, it failed ({one_line(error)}); start again"
                ) from None
        return list(people_found)

    def _next_ms(self, people: int, t_ms: int) -> int:
        """Strictly increasing milliseconds, as the runtime demands."""
        at_ms, last_ms = t_ms + self._shift_ms[people], self._last_ms[people]
        if at_ms <= last_ms:
            # A whole frame on, and the later ones with it: the runtime smooths by these times, and steps of 1 ms would
            # make it lag far behind the body.
            self._shift_ms[people] += last_ms + _FRAME_MS - at_ms
            at_ms = last_ms + _FRAME_MS
        self._last_ms[people] = at_ms
        return at_ms

    @cached_property
    def _bundle(self) -> bytes:
        return pose_model.without_mask(self._model.read_bytes())

    def _landmarker(self, people: int) -> Any:
        if people not in (1, 2):
            raise ValueError(f"people must be 1 or 2, got {people}")
        if not self._finish.alive:
            raise PoseModelError("the pose network was closed; make a new one")
        if people not in self._landmarkers:
            from mediapipe.tasks.python import BaseOptions, vision

            options = vision.PoseLandmarkerOptions(
                # Bytes, not a path: the runtime cannot open non-Latin file names on every system.
                base_options=BaseOptions(model_asset_buffer=self._bundle),
                running_mode=vision.RunningMode.VIDEO,
                num_poses=people,
            )
            try:
                with without_log_noise():
                    self._landmarkers[people] = vision.PoseLandmarker.create_from_options(options)
            except (RuntimeError, ValueError, OSError) as error:
                raise PoseModelError(
                    f"the pose model {self._model} must be a pose landmarker bundle, it does not load"
                    f" ({one_line(error)}); run `rimward setup`"
                ) from None
        return self._landmarkers[people]


def _network_input(image: ImageArray) -> ImageArray:
    scale = min(1.0, _LONGEST_PX / max(image.shape[:2]))
    size = (max(1, round(image.shape[1] * scale)), max(1, round(image.shape[0] * scale)))
    small = image if scale == 1.0 else cv2.resize(image, size, interpolation=cv2.INTER_LINEAR)  # area costs 8 ms more
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2RGB), np.uint8)


def pose_of(person: list[Any], width: int, height: int) -> Pose | None:
    """Scale by the frame's own size: the network's coordinates are fractions of the picture, z of its width."""
    rows: FloatArray = np.array([(mark.x, mark.y, mark.z, mark.visibility) for mark in person], dtype=np.float64)
    if rows.shape != (COUNT, 4) or not np.isfinite(rows).all():
        return None
    # The network's z is negative toward the camera, which is ours already.
    return Pose(landmarks_px=rows[:, :2] * (width, height), visibility=rows[:, 3].copy(), depth_px=rows[:, 2] * width)


def _close_all(landmarkers: dict[int, Any]) -> None:
    with without_log_noise():
        for landmarker in landmarkers.values():
            landmarker.close()
    landmarkers.clear()


@contextmanager
def without_log_noise() -> Iterator[None]:
    """Keep the runtime's log lines off standard error; what others write there meanwhile comes out afterwards."""
    with _stderr_lock, ExitStack() as stack:
        try:
            kept = os.dup(2)
            stack.callback(os.close, kept)
            aside = stack.enter_context(tempfile.TemporaryFile())
        except OSError:  # a windowed program without standard error, or a full disk: noise is the lesser evil
            yield
            return
        os.dup2(aside.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            aside.seek(0)
            if rest := _of_others(aside):
                os.write(2, rest)


def _of_others(lines: Iterable[bytes]) -> bytes:
    """What is left without the runtime's lines, also where another's line came between the two parts of one."""
    kept: list[bytes] = []
    joined: tuple[int, bytes] | None = None
    for line in lines:
        if begun := _LOG_NOISE.match(line):
            joined = len(kept), line[begun.end() :]
        elif _LOG_REST.match(line):
            if joined is not None:
                kept.insert(*joined)
            joined = None
        else:
            kept.append(line)
    return b"".join(kept)


def one_line(error: Exception) -> str:
    """What an error says, for a line of its own."""
    return " ".join(str(error).split())[:300]
