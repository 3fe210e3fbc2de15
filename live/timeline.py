"""The time of a rep: its stops, another rep beside it at the release, a playhead. Pure; on the clock of the source."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from .records import Events, FloatArray

STOPS: Final = {
    "pickup": "pick-up",
    "dip": "dip",
    "set": "set",
    "release": "release",
    "apex": "top of the jump",
    "landing": "landing",
}
"""Names of the instants to jump to, and their words."""
FOLLOW_THROUGH_S: Final = 0.3
"""The arm is straight and the hand has bent by this long after the release: the picture of the follow-through."""
KEY_PICTURES: Final = {"set": "set point", "release": "release", "follow_through": "follow-through"}


def nearest(t_s: FloatArray, instant_s: float) -> int:
    """The sample of times (T,) that is nearest to an instant."""
    return int(np.abs(t_s - instant_s).argmin())


def stops(events: Events, t_s: FloatArray) -> dict[str, int]:
    """Sample of each instant that was seen, in the order of STOPS; those outside the times (T,) are left out."""
    found = {}
    for name in STOPS:
        instant_s: float | None = getattr(events, f"{name}_s")
        if instant_s is not None and t_s[0] <= instant_s <= t_s[-1]:
            found[name] = nearest(t_s, instant_s)
    return found


def key_instant_s(events: Events, name: str) -> float:
    """The instant of one of KEY_PICTURES."""
    if name == "follow_through":
        return events.release_s + FOLLOW_THROUGH_S
    return events.set_s if name == "set" else events.release_s


def partner(t_s: FloatArray, release_s: float, k: int, other_t_s: FloatArray, other_release_s: float) -> int | None:
    """The sample of another rep that is as long before or after its release as sample k of this one; None where the
    other rep was not being watched.
    """
    wanted_s = other_release_s + float(t_s[k]) - release_s
    half_frame_s = 0.5 * float(np.median(np.diff(other_t_s))) if len(other_t_s) > 1 else 0.0
    if not other_t_s[0] - half_frame_s <= wanted_s <= other_t_s[-1] + half_frame_s:
        return None
    return nearest(other_t_s, wanted_s)


@dataclass(frozen=True, slots=True)
class Playhead:
    """Where in a rep one is."""

    now_s: float
    playing: bool = False

    def stepped(self, t_s: FloatArray, frames: int) -> Playhead:
        """So many frames on (or back), no farther than the ends; stepping stops the playing."""
        k = int(np.clip(nearest(t_s, self.now_s) + frames, 0, len(t_s) - 1))
        return Playhead(float(t_s[k]))

    def at(self, t_s: FloatArray, k: int) -> Playhead:
        """At sample k, standing still."""
        return Playhead(float(t_s[k]))

    def toggled(self, t_s: FloatArray) -> Playhead:
        """Play or stand still; at the end playing begins again."""
        if self.playing:
            return replace(self, playing=False)
        return Playhead(float(t_s[0]) if self.now_s >= t_s[-1] else self.now_s, True)

    def advanced(self, t_s: FloatArray, elapsed_s: float, speed: float) -> Playhead:
        """After `elapsed_s` seconds of a clock, at `speed` times the speed of life; stands still at the end."""
        if not self.playing:
            return self
        now_s = self.now_s + elapsed_s * speed
        return replace(self, now_s=now_s) if now_s < t_s[-1] else Playhead(float(t_s[-1]))

    def sample(self, t_s: FloatArray) -> int:
        """The sample that is shown: the last one that has come."""
        return max(0, int(np.searchsorted(t_s, self.now_s + 1e-6, side="right")) - 1)
