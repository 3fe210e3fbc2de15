"""The one thing that changed within a session, for the last screen. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from . import glossary, stats
from .records import Rep
from .words import Words, decimals_of, text

_LEVEL: Final = 0.95


def what_changed(reps: Sequence[Rep], words: Words) -> str:
    """The clearest change from the first third of the reps to the last, in a few words.

    A change counts when an interval excludes no change, for all measurements together with 95 % (stats.py says how).
    """
    if len(reps) < 3 * stats.LEAST_REPS:
        return text(words, "few_reps", least=3 * stats.LEAST_REPS)
    found = {}
    for name in dict.fromkeys(name for rep in reps for name in rep.measurements):
        seen = [rep.measurements.get(name) for rep in reps]
        values = np.array([np.nan if one is None or one.value is None else one.value for one in seen])
        sigmas = np.array([np.nan if one is None or one.sigma is None else one.sigma for one in seen])
        estimate = stats.fatigue([stats.Session(values, sigmas)])
        if estimate is not None:
            found[name] = estimate
    intervals = stats.all_together(found, _LEVEL)
    least = 3 * stats.least_reps(stats.together(_LEVEL, len(found)))
    if found and not intervals and len(reps) < least:
        return text(words, "few_reps", least=least)
    clear = {name: one for name, one in intervals.items() if one.excludes(0.0)}
    if not clear:
        return text(words, "no_change")
    name = max(clear, key=lambda name: abs(clear[name].value) / max(clear[name].high - clear[name].low, 1e-12))
    return _told(name, clear[name], words)


def _told(name: str, change: stats.Interval, words: Words) -> str:
    term = glossary.term(name)
    value, width = change.value * term.factor, (change.high - change.low) * term.factor
    shown = decimals_of(words, glossary.number(abs(value), glossary.decimals(max(width / 4, 1e-9))))
    (label,) = words.get(("measurements", name), (term.label,))
    return text(words, "more" if value > 0 else "less", name=label, value=glossary.with_unit(shown, term.unit))
