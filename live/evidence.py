"""When a value outside its band is a fault: one rep that is clearly out, or a pattern over recent reps.

A fault must survive the measurement's own error. One rep decides when it lies more than `clear_sigmas` standard
deviations beyond the band. Less than that is unsure, and only a pattern settles it: the mean of the recent reps must be
as clearly out, with the error of a mean. A rep that is clear by itself counts in it for no more than clear (Winsor's
mean, from memory), or one that was read wrongly would be a pattern with any others. The error shrinks less than by the
square root of their number, since reps from one camera place share much of it. What lies outside a band that is
narrower than the error is unsure as well: a wide error makes nothing right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from .records import Band, Verdict

SHARED = 0.8
"""Share of the error's variance that the reps of one session have in common: against exact truth the median over the
measurements is 0.76 without and 0.84 with a calibration in the six reps of the bundled clip (python -m
tests.shared_error), 0.83 in 24 sessions of five rendered shots from four sides (tests.studio.fault_shots)."""
LEAST_REPS, MOST_REPS = 3, 5
"""So many reps make a pattern, and older ones are not looked at (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value lies against a band."""

    inside: bool
    """It lies in the band as it is stated."""
    beyond: tuple[float, float]
    """How far beyond the low and the high end a fault begins to count, in standard deviations; negative before it."""


def place(value: float, sigma: float, band: Band, clear_sigmas: float) -> Place:
    """Where a value lies.

    For faults a band narrower than the measurement can tell apart is widened about its middle.
    """
    low, high = band.low, band.high
    if low is not None and high is not None and high - low < 2 * clear_sigmas * sigma:
        middle = (low + high) / 2
        low, high = middle - clear_sigmas * sigma, middle + clear_sigmas * sigma
    below = -math.inf if low is None else (low - value) / sigma
    above = -math.inf if high is None else (value - high) / sigma
    return Place(band.holds(value), (below, above))


def weigh(now: Place, before: Sequence[Place], clear_sigmas: float) -> tuple[Verdict, float]:
    """The verdict on a rep in the light of those before it (oldest first), and how many sigmas it is out."""
    if now.inside:
        return "in_band", 0.0
    end: Literal["below", "above"] = "below" if now.beyond[0] > now.beyond[1] else "above"
    at = 0 if end == "below" else 1
    if now.beyond[at] > clear_sigmas:
        return end, now.beyond[at]
    recent = [min(one.beyond[at], clear_sigmas) for one in (*before, now)][-MOST_REPS:]
    n = len(recent)
    together = sum(recent) / n / math.sqrt(SHARED + (1 - SHARED) / n)
    if n >= LEAST_REPS and together > clear_sigmas:
        return end, together
    return "unsure", max(0.0, now.beyond[at])
