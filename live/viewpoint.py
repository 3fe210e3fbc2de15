"""From where the camera sees a shooter, in a word. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from rimward.calibration.record import Calibration

from .records import FloatArray
from .trace import Trace

_UP_TO_DEG = {"front": 25.0, "half front": 68.0, "side": 112.0, "behind": 180.0}
"""Between the ways from the shooter to the hoop and to the camera. The errors in the README are told by these views."""


def viewpoint(calibration: Calibration, trace: Trace) -> str | None:
    """The view of one shot, front to behind; None where it was not solved in space."""
    if trace.space is None:
        return None
    hips = [trace.space.names.index(f"{side}_hip") for side in ("left", "right")]
    return view_of(calibration, np.median(trace.space.points_m[:, hips, :2].mean(axis=1), axis=0))


def view_of(calibration: Calibration, spot: FloatArray) -> str:
    """The view of who shoots from a spot on the floor, (2,) metres in the hoop frame."""
    camera = (-calibration.R.T @ calibration.t)[:2]
    to_hoop, to_camera = (np.arctan2(x, y) for x, y in (-spot, camera - spot))
    off_deg = abs(np.degrees(np.angle(np.exp(1j * (to_camera - to_hoop)))))
    return next(view for view, most in _UP_TO_DEG.items() if off_deg <= most)


def commonest(views: Sequence[str | None]) -> str | None:
    """The view of most shots, of equally many the first one; None where it is known of none."""
    known = Counter(view for view in views if view is not None)
    return known.most_common(1)[0][0] if known else None
