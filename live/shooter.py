"""Which of the people in the picture is the shooter, and how many people the network must be asked for.

The shooter is the largest person at first; whoever holds the ball before anybody has shot takes over; after that the
lock is on place and size. A second person costs the network almost twice the time, so two are asked for only while the
shooter is not sure: at the start, while somebody else is near, when the track jumps, and for a look round now and then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .body import hand_centre, middle, stature_px
from .records import Ball, FloatArray, Pose

_LOOK_ROUND_S = 2.0
_ALONE_S = 1.5
"""Seen alone for this long, one person is asked for again."""
_JUMP = 0.35
"""A hip that moves farther than this part of the body's height between two looks is somebody else's."""
_RESIZE = 0.30
_LOST_S = 1.0
_TAKE_OVER_S = 0.3


@dataclass(slots=True)
class ShooterLock:
    """Keeps to one person. Feed the people of every frame in order of time."""

    most_people: int = 2
    locked: bool = False
    """Set once the person has shot: the ball in other hands does not move the lock any more."""
    switched: bool = False
    """The person chosen last is not the one chosen before, or was away for too long to be sure."""
    _hips: FloatArray | None = None
    _height_px: float = 0.0
    _seen_s: float | None = None
    _others_s: float | None = None
    _looked_s: float | None = None
    _unsure: bool = True
    _other_holds_since_s: float | None = None

    def people_wanted(self, t_s: float, shooting: bool = False) -> int:
        """How many people to ask the network for in the frame after this instant: 1 or 2. No look round during a shot.

        The network's two modes place moving joints up to a frame apart, and a shot must be seen in one of them.
        """
        if self.most_people < 2:
            return 1
        company = self._others_s is not None and t_s - self._others_s < _ALONE_S
        look_round = self._looked_s is None or (not shooting and t_s - self._looked_s >= _LOOK_ROUND_S)
        if look_round:
            self._looked_s = t_s  # at the asking: the answer comes a frame later, and one look is enough
        return 2 if self._unsure or company or look_round else 1

    def choose(self, t_s: float, people: tuple[Pose, ...], asked: int, ball: Ball | None) -> Pose | None:
        """The shooter among the people of this frame, None when not there. `ball` is where the ball was last seen."""
        self.switched = False
        if asked > 1:
            self._looked_s = t_s
            if len(people) > 1:
                self._others_s = t_s
        if self._seen_s is not None and t_s - self._seen_s > _LOST_S:
            self._hips = None
        sized = [(person, height) for person in people if (height := stature_px(person)) is not None]
        if not sized:
            self._unsure = True
            return None
        if self._hips is None:
            best = max(sized, key=lambda item: item[1])
            self.switched = self._seen_s is not None
            self._unsure = asked < 2 and self.most_people > 1
        else:
            best = min(sized, key=self._strangeness)
            if self._strangeness(best) > 1.0:
                # somebody, but not the shooter: look for both before believing it
                self._unsure = True
                return None
            holder = self._ball_holder(t_s, best, sized, ball)
            self.switched = holder is not best
            best = holder
            self._unsure = False
        pose, height = best
        self._hips, self._height_px, self._seen_s = middle(pose, "hip"), height, t_s
        return pose

    def _strangeness(self, item: tuple[Pose, float]) -> float:
        """Above 1 when a person cannot be the one that was followed."""
        pose, height = item
        assert self._hips is not None
        away = float(np.linalg.norm(middle(pose, "hip") - self._hips)) / max(self._height_px, 1.0)
        grown = abs(np.log(height / max(self._height_px, 1.0)))
        return float(max(away / _JUMP, grown / np.log1p(_RESIZE) * 0.5))

    def _ball_holder(
        self, t_s: float, best: tuple[Pose, float], sized: list[tuple[Pose, float]], ball: Ball | None
    ) -> tuple[Pose, float]:
        """Whoever holds the ball, as long as nobody has shot yet."""
        if self.locked or ball is None or len(sized) < 2:
            self._other_holds_since_s = None
            return best

        def reach(item: tuple[Pose, float]) -> float:
            pose, height = item
            hands = (hand_centre(pose, "left"), hand_centre(pose, "right"))
            return min(float(np.linalg.norm(ball.centre_px - hand)) for hand in hands) / height

        holder = min(sized, key=reach)
        if holder is best or reach(holder) > 0.15:
            self._other_holds_since_s = None
            return best
        if self._other_holds_since_s is None:
            self._other_holds_since_s = t_s
        return holder if t_s - self._other_holds_since_s >= _TAKE_OVER_S else best
