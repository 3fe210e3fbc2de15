"""How devices meet the pure middle: three small protocols. Each device module implements one; tests bring their own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from .records import Feedback, Frame, Pose, Rep, SourceInfo, SourceTrouble, View


class FrameSource(Protocol):
    """A camera or a clip. Iterating gives frames in order of time; a live source also says its troubles."""

    @property
    def info(self) -> SourceInfo:
        """What was opened."""
        ...

    @property
    def dropped(self) -> int:
        """Frames that were taken but replaced by a newer one before anybody asked; 0 for a clip."""
        ...

    def __iter__(self) -> Iterator[Frame | SourceTrouble]:
        """Frames until the clip ends or `close` is called."""
        ...

    def close(self) -> None:
        """Let go of the device; may be called twice and from another thread."""
        ...


class PoseEstimator(Protocol):
    """The pose network."""

    def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
        """The landmarks of at most `people` (1 or 2) persons; empty when nobody is seen. Frames in order of time."""
        ...

    def close(self) -> None:
        """Free the network; may be called twice."""
        ...


class FeedbackSink(Protocol):
    """Tones and speech. Never blocks."""

    def play(self, feedback: Feedback) -> None:
        """Sound the tone at once and speak the cue after it, unless it is stale by then."""
        ...

    def close(self) -> None:
        """Finish or cut short what is sounding; may be called twice."""
        ...


class ViewSink(Protocol):
    """The window. `show` is called from the loop's thread and only stores the newest view."""

    def show(self, view: View) -> None:
        """Hand over the newest view; older ones that were not drawn are forgotten."""
        ...


class RepSink(Protocol):
    """Where reps are kept."""

    def save(self, rep: Rep) -> None:
        """Return only when the rep is safe on disk."""
        ...

    def close(self) -> None:
        """Finish the session; may be called twice."""
        ...
