"""Whether the body in the picture can be that of the player whose turn it is. Pure.

With a calibration the size is metres, from the floor under the feet; without one it is the size in the picture, and
only bodies on the same spot of the picture are held against each other. What cannot be compared is not asked about.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from rimward.calibration.geometry import floor_from_image, project
from rimward.calibration.record import Calibration

from .body import in_picture, point, seen, stature_px
from .records import FloatArray, Pose
from .skeleton import FEET

OVER_STATURE: Final = 1.05
"""Size in metres over stature: 0.99 to 1.11 on seven renders of two bodies from the side, half front and front (the
network's joints lie wider than the table of limbs)."""
OFF_STATURE: Final = 0.12
"""Farther than this from a stated stature is another body: twice the spread of those renders."""
OFF_OWN: Final = 0.07
"""Farther than this from what was seen of the same player: within one render nine of ten sizes lie within 3 % of the
middle, side and half front differ by up to 8 %."""
_SPAN_S: Final = 3.0
_LEAST_S: Final = 0.7
_QUANTILE: Final = 0.8
_SAME_SPOT: Final = (0.15, 0.03)
"""Across and down, in heights of the picture: 3 % further down is a body about 5 % larger."""


@dataclass(frozen=True, slots=True, eq=False)
class Size:
    """How large a standing body was seen."""

    value: float
    """Metres, or heights of the picture."""
    metric: bool
    spot: FloatArray
    """(2,) of the feet, in heights of the picture."""

    def comparable(self, other: Size) -> bool:
        """Whether a difference would be one of the bodies."""
        if self.metric or other.metric:
            return self.metric and other.metric
        return bool((np.abs(self.spot - other.spot) <= _SAME_SPOT).all())


def size_of(pose: Pose, picture: tuple[int, int], calibration: Calibration | None) -> Size | None:
    """The size of one pose in a picture of (width, height); None where the feet are not seen."""
    tall_px = stature_px(pose)
    if tall_px is None or not (seen(pose, "left_heel") | seen(pose, "right_heel")):
        return None
    if not in_picture(pose, picture, *FEET):
        return None
    feet = np.mean([point(pose, name) for name in FEET], axis=0)
    spot: FloatArray = feet / picture[1]
    if calibration is None:
        return Size(tall_px / picture[1], False, spot)
    x, y, _ = floor_from_image(calibration, feet)
    low, high = project(calibration, np.array([[x, y, 0.5], [x, y, 1.5]]))
    metre_px = float(np.linalg.norm(high - low))
    return Size(tall_px / metre_px, True, spot) if np.isfinite(metre_px) and metre_px > 0 else None


@dataclass(slots=True)
class SizeWatch:
    """What was seen of each player, by name. Feed the instants at which the player holds the ball."""

    statures_m: Mapping[str, float | None]
    _known: dict[str, Size] = field(default_factory=dict)
    _lately: deque[tuple[float, Size]] = field(default_factory=deque)

    def begin(self) -> None:
        """Another turn: what was seen lately was another body."""
        self._lately.clear()

    def look(self, t_s: float, size: Size | None) -> None:
        """Take in one instant."""
        if size is not None:
            self._lately.append((t_s, size))
        while self._lately and self._lately[0][0] < t_s - _SPAN_S:
            self._lately.popleft()

    @property
    def now(self) -> Size | None:
        """The size over the last seconds; None before enough was seen."""
        if len(self._lately) < 2 or self._lately[-1][0] - self._lately[0][0] < _LEAST_S:
            return None
        last = self._lately[-1][1]
        values = [size.value for _, size in self._lately if size.comparable(last)]
        return Size(float(np.quantile(values, _QUANTILE)), last.metric, last.spot)

    def fits(self, name: str) -> bool | None:
        """Whether this can be that player; None when nothing is known to say so by."""
        now = self.now
        if now is None:
            return None
        own = self._known.get(name)
        if own is not None and own.comparable(now):
            return abs(now.value / own.value - 1) <= OFF_OWN
        stature = self.statures_m.get(name)
        if stature is None:
            return None
        if now.metric:
            return abs(now.value / (OVER_STATURE * stature) - 1) <= OFF_STATURE
        for other, size in self._known.items():
            others = self.statures_m.get(other)
            if others is not None and size.comparable(now):
                return abs(now.value / size.value / (stature / others) - 1) <= OFF_OWN
        return None

    def confirm(self, name: str) -> None:
        """This was that player: so large he or she is."""
        if (now := self.now) is not None:
            self._known[name] = now
