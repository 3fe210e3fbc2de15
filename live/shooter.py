"""Which of the people in the picture is the shooter, and how many people the network must be asked for.

The shooter is the largest person at first; whoever holds the ball before anybody has shot takes over, and so does
somebody who stands while the one who was taken for the shooter walks by; after that the lock is on place and size. Once
the shooter was lost, and with a calibration, whoever stands on the spot of the last shot comes first. A second person
costs the network almost twice the time, so two are asked for only while the shooter is not sure: at the start, while
somebody else is near, when the track jumps, and for a look round now and then.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from .body import hand_centre, middle, stature_px, upper_stature_px
from .records import Ball, FloatArray, Pose

_LOOK_ROUND_S = 2.0
_ASTRAY_S = 0.5
"""The same while the one who is followed is away from the spot of the last shot."""
_ALONE_S = 1.5
"""Seen alone for this long, one person is asked for again."""
_JUMP = 0.35
"""Somebody who moves farther than this part of the body's height between two looks is somebody else."""
_RESIZE = 1.69
"""So many times larger or smaller from one look to the next is somebody else too."""
_LOST_S = 1.0
_TAKE_OVER_S = 0.3
_WALKS = 0.5
"""Farther than this part of the height within a second is walking by."""
_HOLDS = 0.15
"""A ball this near to a hand, in heights, is in it."""
_STANDS = 0.10
_STANDS_S = 0.8
_ON_SPOT_M = 1.0
"""The next shot comes from within a step or two of the last one."""


@dataclass(slots=True)
class ShooterLock:
    """Keeps to one person. Feed the people of every frame in order of time."""

    most_people: int = 2
    close: bool = False
    """The picture ends below the chest: shoulders tell where somebody is, since hips there are guessed and jump."""
    locked: bool = False
    """Set once the person has shot: the ball in other hands does not move the lock any more."""
    switched: bool = False
    """The person chosen last is not the one chosen before, or was away for too long to be sure."""
    _place: FloatArray | None = None
    _height_px: float = 0.0
    _seen_s: float | None = None
    _others_s: float | None = None
    _looked_s: float | None = None
    _unsure: bool = True
    _other_holds_since_s: float | None = None
    _way: deque[tuple[float, FloatArray]] = field(default_factory=deque)
    """Where the one who is followed was during the last second."""
    _standing: tuple[FloatArray, float, float] | None = None
    """Somebody else who stands: where, since when, last seen."""
    _held_s: float | None = None
    """When the one who is followed last had the ball in reach of the hands."""
    _on_spot_since_s: float | None = None
    _astray: bool = False
    """The one who is followed is away from the spot of the last shot."""

    def people_wanted(self, t_s: float, shooting: bool = False) -> int:
        """How many people to ask the network for in the frame after this instant: 1 or 2. No look round during a shot.

        The network's two modes place moving joints up to a frame apart, and a shot must be seen in one of them.
        """
        if self.most_people < 2:
            return 1
        company = self._others_s is not None and t_s - self._others_s < _ALONE_S
        every_s = _ASTRAY_S if self._astray else _LOOK_ROUND_S
        look_round = self._looked_s is None or (not shooting and t_s - self._looked_s >= every_s)
        if look_round:
            self._looked_s = t_s  # at the asking: the answer comes a frame later, and one look is enough
        return 2 if self._unsure or company or look_round else 1

    def choose(
        self,
        t_s: float,
        people: tuple[Pose, ...],
        asked: int,
        ball: Ball | None,
        off_spot_m: Callable[[Pose], float | None] = lambda pose: None,
    ) -> Pose | None:
        """The shooter among the people of this frame, None when not there.

        `ball` is where the ball was last seen; `off_spot_m` tells how far somebody stands from the spot of the last
        shot, where the court is known and somebody has shot.
        """
        self.switched = False
        if asked > 1:
            self._looked_s = t_s
            if len(people) > 1:
                self._others_s = t_s
        if self._seen_s is not None and t_s - self._seen_s > _LOST_S and self._place is not None:
            self._place = None
            self.locked = False  # whoever is taken next must earn it with a shot
            self._way.clear()
        sized = [(person, height) for person in people if (height := self._size_px(person)) is not None]
        if not sized:
            self._unsure = True
            return None
        if self._place is None:
            best = max(sized, key=lambda item: (_on_spot(item[0], off_spot_m), item[1]))
            self.switched = self._seen_s is not None
            self._unsure = asked < 2 and self.most_people > 1
        else:
            best = min(sized, key=self._strangeness)
            followed = self._strangeness(best) <= 1.0
            stander = self._stander(t_s, best if followed else None, sized)
            if stander is not None:
                best, self.switched, self._unsure = stander, True, False
                self._way.clear()
                return self._follow(t_s, best, ball)
            if not followed:
                # somebody, but not the shooter: look for both before believing it
                self._unsure = True
                return None
            holder = self._on_spot_again(t_s, self._ball_holder(t_s, best, sized, ball), sized, off_spot_m)
            astray = off_spot_m(best[0])
            self._astray = astray is not None and astray >= _ON_SPOT_M
            self.switched = holder is not best
            best = holder
            self._unsure = False
        return self._follow(t_s, best, ball)

    def _where(self, pose: Pose) -> FloatArray:
        return middle(pose, "shoulder" if self.close else "hip")

    def _size_px(self, pose: Pose) -> float | None:
        return upper_stature_px(pose) if self.close else stature_px(pose)

    def _follow(self, t_s: float, best: tuple[Pose, float], ball: Ball | None) -> Pose:
        pose, height = best
        if self.switched:
            self._way.clear()
        self._place, self._height_px, self._seen_s = self._where(pose), height, t_s
        self._way.append((t_s, self._place))
        while self._way[0][0] < t_s - 1.0:
            self._way.popleft()
        if ball is not None and _reach(best, ball) < _HOLDS:
            self._held_s = t_s
        return pose

    def _stander(
        self, t_s: float, best: tuple[Pose, float] | None, sized: list[tuple[Pose, float]]
    ) -> tuple[Pose, float] | None:
        """Somebody who stands, while the one who is followed walks by without the ball and nobody has shot yet."""
        others = [item for item in sized if item is not best]
        if self.locked or not others:
            return None
        if self._standing is not None and t_s - self._standing[2] > _LOST_S:
            self._standing = None
        tallest = max(others, key=lambda item: item[1])
        if self._standing is None:
            self._standing = self._where(tallest[0]), t_s, t_s
            return None
        place, since_s, _ = self._standing
        there = [item for item in others if np.linalg.norm(self._where(item[0]) - place) < _STANDS * item[1]]
        if not there:
            self._standing = self._where(tallest[0]), t_s, t_s
            return None
        self._standing = place, since_s, t_s
        moved = max((float(np.linalg.norm(self._way[-1][1] - way)) for _, way in self._way), default=0.0)
        walks = moved > _WALKS * self._height_px
        holds = self._held_s is not None and t_s - self._held_s < _LOST_S
        return there[0] if walks and not holds and t_s - since_s >= _STANDS_S else None

    def _on_spot_again(
        self,
        t_s: float,
        best: tuple[Pose, float],
        sized: list[tuple[Pose, float]],
        off_spot_m: Callable[[Pose], float | None],
    ) -> tuple[Pose, float]:
        """Whoever is on the spot of the last shot, when somebody else was taken for the shooter meanwhile.

        That may be who walked by before the shooter and took the lock along; who has the ball is left alone.
        """
        back = [item for item in sized if item is not best and _on_spot(item[0], off_spot_m)]
        holds = self.locked and self._held_s is not None and t_s - self._held_s < _LOST_S
        if holds or not back or off_spot_m(best[0]) is None or _on_spot(best[0], off_spot_m):
            self._on_spot_since_s = None
            return best
        if self._on_spot_since_s is None:
            self._on_spot_since_s = t_s
        if t_s - self._on_spot_since_s < _TAKE_OVER_S:
            return best
        self.locked = False  # the ball may still say that this was wrong
        return back[0]

    def _strangeness(self, item: tuple[Pose, float]) -> float:
        """Above 1 when a person cannot be the one that was followed."""
        pose, height = item
        assert self._place is not None
        way = float(np.linalg.norm(self._where(pose) - self._place))
        if self.close:
            # upper arms and shoulders turn, so no length says that this is somebody else; and a body that the picture
            # cuts off is at first found far too small
            return way / max(self._height_px, height, 1.0) / _JUMP
        away = way / max(self._height_px, 1.0)
        grown = abs(np.log(height / max(self._height_px, 1.0)))
        return float(max(away / _JUMP, grown / np.log(_RESIZE)))

    def _ball_holder(
        self, t_s: float, best: tuple[Pose, float], sized: list[tuple[Pose, float]], ball: Ball | None
    ) -> tuple[Pose, float]:
        """Whoever holds the ball, as long as nobody has shot yet."""
        if self.locked or ball is None or len(sized) < 2:
            self._other_holds_since_s = None
            return best

        holder = min(sized, key=lambda item: _reach(item, ball))
        if holder is best or _reach(holder, ball) > _HOLDS:
            self._other_holds_since_s = None
            return best
        if self._other_holds_since_s is None:
            self._other_holds_since_s = t_s
        return holder if t_s - self._other_holds_since_s >= _TAKE_OVER_S else best


def _reach(item: tuple[Pose, float], ball: Ball) -> float:
    """From the ball to the nearer hand, in heights of the person."""
    pose, height = item
    hands = (hand_centre(pose, "left"), hand_centre(pose, "right"))
    return min(float(np.linalg.norm(ball.centre_px - hand)) for hand in hands) / height


def _on_spot(pose: Pose, off_spot_m: Callable[[Pose], float | None]) -> bool:
    off = off_spot_m(pose)
    return off is not None and off < _ON_SPOT_M
