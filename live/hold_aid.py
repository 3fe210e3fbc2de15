"""The hold tone: when the ball is held at the set point, frame by frame. Pure.

An aid while it happens, against the rule of silence during the shot, so it is off unless asked for. It begins when the
ball has come up and slows, and lasts until the ball has left the hands or goes down again. The push to release looks
like a rise once more; the tone goes on through it, so that its end says "gone".
"""

from __future__ import annotations

from dataclasses import dataclass

from .records import Phase

LONGEST_S = 3.0
"""Longer than any hold: a player who rests with the ball overhead is not to be hummed at."""


@dataclass(slots=True)
class HoldAid:
    """Whether the tone sounds. Feed the phase of every frame in order of time."""

    _since_s: float | None = None
    _rose: bool = False

    def update(self, t_s: float, phase: Phase) -> bool:
        """Whether the tone sounds from this instant on."""
        if phase is Phase.RISE:
            self._rose = True
        elif phase is Phase.SET:
            if self._rose and self._since_s is None:
                self._since_s = t_s
        else:
            self._rose, self._since_s = False, None
        return self._since_s is not None and t_s - self._since_s <= LONGEST_S
