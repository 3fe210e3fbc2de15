"""Hands-free control: five held arm signals, made for nobody to show them by accident. Pure.

The player faces the screen and holds still; progress is shown meanwhile, so that a signal begun by chance is seen and
dropped in time. The signals keep the arms straight and away from the body, because that is where the pose network is
sure (arms crossed over the chest it swaps; measured on rendered clips), and each has the two arms in unlike directions
or wide apart, because shots, rebounds, stretches and celebrations bring both hands together or up.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from .body import in_picture, point, seen, stature_px
from .records import FloatArray, Pose
from .skeleton import SIDES, Side


class Gesture(StrEnum):
    """What a player can say with the arms."""

    PAUSE = "pause"
    """Both arms up and wide, a Y: pause, and go on."""
    MADE = "made"
    """The right arm straight out to the side, the left down: the last one went in."""
    GOOD = "good"
    """The left arm straight out to the side, the right down: that one was good."""
    DISCARD = "discard"
    """One arm straight up, the other straight out to the side: take that rep out."""
    NEXT = "next"
    """One arm half up and wide, the other straight out to the side: the next player, at a station."""


@dataclass(frozen=True, slots=True)
class Held:
    """What the arms say at one instant."""

    gesture: Gesture
    progress: float
    """0..1 of the time that it must be held."""
    confirmed: bool = False
    """True at the one instant at which it counts."""


FACING: Final = 0.12
"""Shoulder width over stature in the picture: 0.19 for who faces the camera (rendered clips), so turned by 50 degrees
at most. From behind it is negative."""
STRAIGHT: Final = 0.88
"""Shoulder to wrist over upper arm plus forearm, in the picture."""
LONG: Final = 0.20
"""Shoulder to wrist over stature; less points at the camera."""
STILL: Final = 0.06
"""A wrist that moves farther than this part of the stature from where the hold began starts it anew."""
GAP_S: Final = 0.20
"""A signal lost for this long is still the same one: the network's arms flicker."""
SHOWN_FROM_S: Final = 0.3
"""Progress is shown from here on: arms on their way elsewhere make no flicker on the screen."""
QUIET_S: Final = 0.3
"""Both hands must have been low for this long since the last shot."""


def signal(pose: Pose, size: tuple[int, int]) -> Gesture | None:
    """The signal that a pose shows, None for any other; `size` is the picture's (width, height)."""
    stature = stature_px(pose)
    arms = ("left_shoulder", "right_shoulder", "left_elbow", "right_elbow", "left_wrist", "right_wrist")
    if stature is None or not seen(pose, *arms) or not in_picture(pose, size, *arms):
        return None
    if point(pose, "left_shoulder")[0] - point(pose, "right_shoulder")[0] < FACING * stature:
        return None
    ways = [_way(pose, side, stature) for side in SIDES]
    if ways == ["wide", "wide"]:
        return Gesture.PAUSE
    if ways == ["down", "out"]:
        return Gesture.MADE
    if ways == ["out", "down"]:
        return Gesture.GOOD
    first, second = sorted(ways)
    return {("out", "up"): Gesture.DISCARD, ("out", "wide"): Gesture.NEXT}.get((first, second))


def hands_low(pose: Pose, stature: float) -> bool:
    """Both wrists clearly below the shoulders."""
    return all(point(pose, f"{s}_wrist")[1] - point(pose, f"{s}_shoulder")[1] > 0.10 * stature for s in SIDES)


def _way(pose: Pose, side: Side, stature: float) -> str:
    """Where an arm points: "up", "wide" (half up), "out", "down", or "" for none of them or a bent arm."""
    shoulder, elbow, wrist = (point(pose, f"{side}_{joint}") for joint in ("shoulder", "elbow", "wrist"))
    outward = 1.0 if side == "left" else -1.0  # who faces the camera has the left arm on the right of the picture
    arm = (wrist - shoulder) / stature
    angle = float(np.degrees(np.arctan2(-arm[1], outward * arm[0])))
    if -130 < angle < -50 and -arm[1] < -0.15:
        return "down"  # bent or straight: the ball may be under this arm
    upper, fore = np.linalg.norm(elbow - shoulder), np.linalg.norm(wrist - elbow)
    reach = float(np.linalg.norm(wrist - shoulder))
    if reach < LONG * stature or reach < STRAIGHT * float(upper + fore):
        return ""
    if -25 < angle < 25:
        return "out"
    if 32 < angle < 74:
        return "wide"
    return "up" if 74 <= angle < 115 else ""


@dataclass(slots=True)
class GestureWatch:
    """Waits for a signal to be held. Feed every frame in order of time."""

    hold_s: float = 1.5
    _gesture: Gesture | None = None
    _since_s: float = 0.0
    _last_s: float = 0.0
    _wrists: FloatArray | None = None
    _done: bool = False
    """It was held to the end: it counts again only after it was let go."""
    _low_since_s: float | None = None
    _ready: bool = False

    def update(self, t_s: float, pose: Pose | None, size: tuple[int, int], *, shooting: bool) -> Held | None:
        """What is being held at this instant; None while there is nothing to show.

        `shooting` is true from the release to the end of the follow-through: no signal counts then, nor afterwards
        until both hands were low.
        """
        if shooting:
            self._ready, self._gesture, self._low_since_s = False, None, None
            return None
        if pose is None:
            return self._lost(t_s)
        stature = stature_px(pose)
        self._note_low(t_s, stature is not None and hands_low(pose, stature))
        now = signal(pose, size) if self._ready else None
        if now is None or stature is None:
            return self._lost(t_s)
        wrists = np.stack([point(pose, f"{side}_wrist") for side in SIDES])
        moved = self._wrists is None or float(np.abs(wrists - self._wrists).max()) > STILL * stature
        if now is not self._gesture or moved:
            if self._gesture is None or now is not self._gesture:
                self._done = False
            self._gesture, self._since_s, self._wrists = now, t_s, wrists
        self._last_s = t_s
        return self._held(t_s)

    def _note_low(self, t_s: float, low: bool) -> None:
        if not low:
            self._low_since_s = None
        elif self._low_since_s is None:
            self._low_since_s = t_s
        elif t_s - self._low_since_s >= QUIET_S:
            self._ready = True

    def _lost(self, t_s: float) -> Held | None:
        if self._gesture is not None and t_s - self._last_s > GAP_S:
            self._gesture = None
        return self._held(t_s) if self._gesture is not None and not self._done else None

    def _held(self, t_s: float) -> Held | None:
        assert self._gesture is not None
        held_s = self._last_s - self._since_s
        if self._done or held_s < SHOWN_FROM_S:
            return None
        if held_s >= self.hold_s and t_s == self._last_s:
            self._done = True
            return Held(self._gesture, 1.0, confirmed=True)
        return Held(self._gesture, min(held_s / self.hold_s, 1.0))
