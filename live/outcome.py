"""The one thing that changed within a session, for the last screen. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from . import glossary, stats
from .records import Rep

_LEVEL: Final = 0.95
_TOO_FEW: Final = "What changed shows from {least} reps on"
_NOTHING: Final = "No change that is more than chance"


def what_changed(reps: Sequence[Rep]) -> str:
    """The clearest change from the first third of the reps to the last, in a few words.

    A change counts when an interval excludes no change, for all measurements together with 95 % (stats.py says how).
    """
    if len(reps) < 3 * stats.LEAST_REPS:
        return _TOO_FEW.format(least=3 * stats.LEAST_REPS)
    found = {}
    for name in dict.fromkeys(name for rep in reps for name in rep.measurements):
        seen = [rep.measurements.get(name) for rep in reps]
        values = np.array([np.nan if one is None or one.value is None else one.value for one in seen])
        sigmas = np.array([np.nan if one is None or one.sigma is None else one.sigma for one in seen])
        estimate = stats.fatigue([stats.Session(values, sigmas)])
        if estimate is not None:
            found[name] = estimate
    level = stats.together(_LEVEL, len(found))
    intervals = {name: estimate.interval(level) for name, estimate in found.items()}
    clear = {name: one for name, one in intervals.items() if one.excludes(0.0)}
    if not clear:
        return _NOTHING
    name = max(clear, key=lambda name: abs(clear[name].value) / max(clear[name].high - clear[name].low, 1e-12))
    return _told(name, clear[name])


def _told(name: str, change: stats.Interval) -> str:
    words = glossary.term(name)
    value, width = change.value * words.factor, (change.high - change.low) * words.factor
    shown = glossary.number(abs(value), glossary.decimals(max(width / 4, 1e-9)))
    way = "more" if value > 0 else "less"
    return f"{words.label}: {glossary.with_unit(shown, words.unit)} {way} than at the start"
