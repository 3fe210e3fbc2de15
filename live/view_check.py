"""Before the first rep: is this view good enough, what can it measure, and what to move to see more. Pure.

Feed every frame while the player waits; `advice` says what was seen over the last seconds, the most pressing first.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace

import numpy as np

from .body import in_picture, middle, point, seen, stature_px, turned_deg
from .records import Advice, FloatArray, ImageArray, Pose, Scene, Sight, View
from .words import Words, text

REACH_OF_STATURE = 1.38
"""How high the top of a ball in raised arms is, over stature: shoulder 0.818, upper arm 0.186, forearm 0.146, hand
0.108 (Drillis and Contini as printed by Winter, from memory) and a ball of 0.24 m over a body of 1.80 m, less what the
hand overlaps it."""
_EYES_OF_STATURE = 0.936
"""Height of the eyes over stature (the same table, from memory)."""

_SMALL, _LARGE = 0.33, 0.72
"""Share of the picture's height that the upright body takes: with less the wrist's error grows beyond 3 cm, with more
there is no room for raised arms (1 / 1.38)."""
_DIM, _BRIGHT = 45.0, 235.0
"""Mean grey of the player: darker or lighter and the network loses the hands (own measure, no source)."""
_AGAINST_LIGHT = 0.45
"""Player's grey over the surroundings': a window behind the player."""
_SLOW_HZ = 24.0
"""The elbow opens 12 degrees a frame at 30 a second."""
_TILT_DEG = 4.0
"""A camera held crooked turns every angle against the vertical by as much."""
_SPAN_S = 2.0
_KEPT_S = 1.0
"""Words stay this long: nobody reads what changes with every picture."""


_Found = tuple[Sight, bool, str, dict[str, str]]
"""What was looked at, whether it is right, which words say so, and what they fill in."""


@dataclass(slots=True)
class ViewCheck:
    """What was seen of the waiting player over the last seconds."""

    words: Words
    calibrated: bool = False
    _seen: deque[tuple[float, FloatArray]] = field(default_factory=deque)
    _stamps: deque[float] = field(default_factory=deque)
    _rated: _Found | None = None
    """What was said of the rate last; holes between pictures do not change it."""
    _told: tuple[Advice, ...] = ()
    _told_s: float | None = None

    def look(self, t_s: float, image: ImageArray, pose: Pose | None) -> None:
        """Take in one frame; poses of a player who moves about are welcome."""
        self._stamps.append(t_s)
        while self._stamps[0] < t_s - _SPAN_S:
            self._stamps.popleft()
        while self._seen and self._seen[0][0] < t_s - _SPAN_S:
            self._seen.popleft()
        if pose is not None and (facts := _facts(pose, image)) is not None:
            self._seen.append((t_s, facts))

    def advice(self) -> tuple[Advice, ...]:
        """What is wrong first, in the order in which it must be mended; empty before anybody was seen."""
        if not self._seen:
            return ()
        facts = np.median([facts for _, facts in self._seen], axis=0)
        found = (
            _body(facts),
            _distance(facts),
            _light(facts),
            self._rate(),
            _level(facts),
            _side(facts, self.calibrated),
        )
        told = [
            Advice(sight, good, text(self.words, name, **filled))
            for sight, good, name, filled in (one for one in found if one is not None)
        ]
        return (*(one for one in told if not one.good), *(one for one in told if one.good))

    def interrupt(self) -> None:
        """The next frame that is taken in does not follow at once: somebody shoots meanwhile."""
        self._stamps.clear()

    def dressed(self, view: View) -> View:
        """The view with the advice instead of a count that is nought; troubles and signals go first."""
        if self._told_s is None or not 0 <= view.t_s - self._told_s < _KEPT_S:
            self._told, self._told_s = self.advice(), view.t_s
        if not self._told or view.trouble or view.prompt:
            return view
        return replace(view, scene=Scene.SET_UP, advice=self._told)

    def _rate(self) -> _Found | None:
        if len(self._stamps) < 5 or self._stamps[-1] - self._stamps[0] < _SPAN_S / 2:
            return self._rated
        # the median step: a frame that was passed over makes one long step, a slow camera makes them all long
        rate_hz = 1 / max(float(np.median(np.diff(self._stamps))), 1e-3)
        good = rate_hz >= _SLOW_HZ
        self._rated = Sight.RATE, good, "view_rate" if good else "view_slow", {"rate": f"{rate_hz:.0f}"}
        return self._rated


# Places in the array of facts.
_HEIGHT, _ROOM, _FEET, _PLAYER, _AROUND, _LEAN, _TURN = range(7)


def _facts(pose: Pose, image: ImageArray) -> FloatArray | None:
    """(7,): the body's height and the room above the head (shares of the picture and of the body), feet inside, greys
    of player and surroundings, lean and turn in degrees. None when the body is not seen well enough to say.
    """
    tall_px = stature_px(pose)
    if tall_px is None or not seen(pose, "left_shoulder", "right_shoulder", "left_hip", "right_hip"):
        return None
    height, width = image.shape[:2]
    feet = in_picture(pose, (width, height), "left_ankle", "right_ankle", "left_foot_index", "right_foot_index")
    eyes = (point(pose, "left_eye") + point(pose, "right_eye")) / 2
    room = (eyes[1] + (_EYES_OF_STATURE - REACH_OF_STATURE) * tall_px) / height
    trunk = middle(pose, "shoulder") - middle(pose, "hip")
    lean = np.degrees(np.arctan2(trunk[0], -trunk[1]))
    across = abs(point(pose, "left_shoulder")[0] - point(pose, "right_shoulder")[0])
    turn = turned_deg(across / tall_px)
    player, around = _greys(pose, image)
    return np.array([tall_px / height, room, float(feet), player, around, lean, turn])


def _greys(pose: Pose, image: ImageArray) -> tuple[float, float]:
    """Mean grey of the trunk and of the picture's upper half around the player."""
    corners = np.array([point(pose, f"{side}_{joint}") for side in ("left", "right") for joint in ("shoulder", "hip")])
    height, width = image.shape[:2]
    (x0, y0), (x1, y1) = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int)
    pad = max(2, (y1 - y0) // 8)
    trunk = image[max(0, y0) : max(1, y1), max(0, x0 - pad) : max(1, x1 + pad)]
    around = image[: height // 2 : 8, :: max(1, width // 160)]
    return (float(trunk.mean()) if trunk.size else np.nan, float(around.mean()))


def _body(facts: FloatArray) -> _Found:
    if facts[_FEET] < 0.5:
        return Sight.BODY, False, "view_feet", {}
    if facts[_ROOM] < 0:
        return Sight.BODY, False, "view_no_room", {}
    return Sight.BODY, True, "view_body", {}


def _distance(facts: FloatArray) -> _Found | None:
    if facts[_HEIGHT] < _SMALL:
        return Sight.DISTANCE, False, "view_far", {}
    if facts[_HEIGHT] > _LARGE:
        return Sight.DISTANCE, False, "view_near", {}
    return Sight.DISTANCE, True, "view_distance", {}


def _light(facts: FloatArray) -> _Found | None:
    player, around = facts[_PLAYER], facts[_AROUND]
    if not np.isfinite(player):
        return None
    if player < _AGAINST_LIGHT * around and around > 2 * _DIM:
        return Sight.LIGHT, False, "view_against_light", {}
    if player < _DIM and around < 2 * _DIM:
        return Sight.LIGHT, False, "view_dark", {}
    if player > _BRIGHT:
        return Sight.LIGHT, False, "view_glare", {}
    return Sight.LIGHT, True, "view_light", {}


def _level(facts: FloatArray) -> _Found:
    # from the side a trunk may lean, and some do; only a lean that no waiting player has is the camera's
    limit = _TILT_DEG if facts[_TURN] > 45 else 3 * _TILT_DEG
    if abs(facts[_LEAN]) > limit:
        # no way to turn it is named: who faces a laptop sees it the other way round than who stands behind a camera
        return Sight.LEVEL, False, "view_crooked", {}
    return Sight.LEVEL, True, "view_level", {}


def _side(facts: FloatArray, calibrated: bool) -> _Found:
    turn = facts[_TURN]
    if turn <= 35:
        return Sight.SIDE, True, "view_side" if calibrated else "view_side_alone", {}
    if calibrated:
        return Sight.SIDE, True, "view_turned", {}
    return Sight.SIDE, False, "view_front", {}
