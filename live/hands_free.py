"""What the player says with the arms while nobody stands at the keyboard, and what the screen answers. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from .gestures import Gesture, GestureWatch, Held
from .records import Phase, Pose, View
from .words import Words, text

_SAID_S = 2.0
"""So long the answer to a signal or key stays in the big place."""
_SHOOTING = (Phase.RELEASE, Phase.FOLLOW_THROUGH)
"""Not the lift before: no signal looks like one, and a hand held out is now and then taken for the ball."""


@dataclass(slots=True)
class HandsFree:
    """Signals, pause and the words about them. Feed every frame in order of time."""

    watch: GestureWatch | None
    """None: signals are switched off; pause and words still work."""
    words: Words
    paused: bool = False
    station: bool = False
    """Somebody else may come next."""
    _held: Held | None = None
    _said: str = ""
    _said_until_s: float = field(default=float("-inf"))

    def update(self, t_s: float, pose: Pose | None, size: tuple[int, int], phase: Phase, reps: int) -> Gesture | None:
        """The signal that was held to its end at this instant; `reps` is how many there are to speak of.

        While paused only the one that goes on counts.
        """
        self._held = None
        if self.watch is None:
            return None
        held = self.watch.update(t_s, pose, size, shooting=phase in _SHOOTING and not self.paused)
        if held is None or not self._heeds(held.gesture, reps):
            return None
        self._held = None if held.confirmed else held
        return held.gesture if held.confirmed else None

    def _heeds(self, gesture: Gesture, reps: int) -> bool:
        if gesture is Gesture.PAUSE:
            return True
        return not self.paused and (self.station if gesture is Gesture.NEXT else reps > 0)

    def leave(self) -> None:
        """Somebody else's turn: a pause is over, and arms that are still up belong to nobody who comes back later."""
        self.paused, self._held = False, None
        if self.watch is not None:
            self.watch = GestureWatch(self.watch.hold_s)

    def say(self, t_s: float, words: str) -> None:
        """Answer in the big place for a moment."""
        self._said, self._said_until_s = words, t_s + _SAID_S

    def dressed(self, view: View) -> View:
        """The view with what there is to say about signals and pause. A trouble goes first, but not before the answer
        to a key: nobody should change the count unseen.
        """
        if self._held is not None and not view.trouble:
            shown = text(self.words, "signal_go_on" if self.paused else f"signal_{self._held.gesture.value}")
            return replace(view, prompt=shown, answers=True, progress=self._held.progress)
        if self.paused and not view.trouble:
            return replace(view, prompt=text(self.words, "paused"), answers=True)
        if view.t_s < self._said_until_s:
            return replace(view, prompt=self._said, answers=True)
        return view
