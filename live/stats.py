"""What many reps come to: medians with errors, spread, change against earlier sessions, fatigue, shares. Pure.

A session is an array of one measurement's values in the order of the reps, NaN where it was not seen, with the error
(one standard deviation) of each. An error counts as shared by all reps of a session: camera, view and network are the
same, so it does not shrink with the number of reps. It cancels within a session, and not between sessions.

Bootstrap intervals (Efron 1979; percentile method) need no resampling here. The order statistics of a resample are the
values at the order statistics of uniform numbers, and those are drawn directly from beta distributions, so that a
median of ten thousand reps costs no more than one of ten. Reps count as independent of each other. A bootstrap never
looks beyond the reps that there are: of few reps it tells no more than these can bear (`Estimate.reach`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import count
from math import exp, lgamma
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from .evidence import SHARED
from .records import FloatArray, require_shape

DRAWS = 20_000
LEAST_REPS = 5
"""Fewer reps have a median, but no interval worth the name: resamples of three values know nothing beyond them."""
LEAST_FOR_SCATTER = 15
"""Resamples of fewer reps show too little of how much their middle half varies: of 100 simulated reports that compare
forty values, none of which changed, 70 told of another scatter with 5 reps against 100, 15 with 10 and 4 with 15."""
_NOW, _BEFORE, _ERROR = 20, 21, 22
"""Seeds: the same reps give the same report."""
_RESOLVED = 1e-3
"""Values that differ by less than this part of their error are equal: instants that fall on the same frame."""
_HALF = (0.25, 0.75)
_SIGMAS_IN_HALF = 2 * NormalDist().inv_cdf(0.75)
"""Width of the middle half of a normal distribution in standard deviations: 1.349."""


@dataclass(frozen=True, eq=False)
class Session:
    """One measurement over the reps of one session."""

    values: FloatArray
    """(n,) in the order of the reps, NaN where not seen."""
    sigmas: FloatArray
    """(n,) error of each value, NaN where not seen."""

    def __post_init__(self) -> None:
        require_shape("values", self.values, (None,))
        require_shape("sigmas", self.sigmas, self.values.shape)

    @cached_property
    def seen(self) -> FloatArray:
        """The values that are there, (k,)."""
        return self.values[np.isfinite(self.values)]

    @cached_property
    def sigma(self) -> float:
        """The error that the session's values share."""
        return _median(self.sigmas[np.isfinite(self.values)])

    @cached_property
    def median(self) -> float:
        """Of the values that are there."""
        return _median(self.seen)


@dataclass(frozen=True, slots=True)
class Summary:
    """A measurement over one or several sessions."""

    reps: int
    """In which it was seen."""
    median: float
    sigma: float
    """Standard error of the median: the measurement's own error and the chance of which reps were shot."""
    low: float
    high: float
    """The middle half of the reps lies between them."""
    scatter: float | None
    """From rep to rep within a session, as a standard deviation; None for too few reps. It holds the tremble of the
    measurement as well, so the player's own scatter is at most this.
    """


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate and where the true value lies with the level that was asked for."""

    value: float
    low: float
    high: float

    def excludes(self, null: float) -> bool:
        """Whether the data contradict this value."""
        return not self.low <= null <= self.high


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """An estimate with what resampling made of it."""

    value: float
    draws: FloatArray
    """(D,)"""
    reach: float = 1.0
    """At a higher level than this so few reps contradict nothing, however they lie."""

    def interval(self, level: float) -> Interval:
        """By the percentiles of the draws, widened to hold the estimate itself."""
        tail = (1.0 - level) / 2
        low, high = np.quantile(self.draws, (tail, 1.0 - tail))
        return Interval(self.value, min(float(low), self.value), max(float(high), self.value))


def summarise(sessions: Sequence[Session]) -> Summary | None:
    """All reps of the sessions together; None when the measurement was not seen once."""
    sessions = _with_values(sessions)
    if not sessions:
        return None
    values = np.concatenate([session.seen for session in sessions])
    low, median, high = np.quantile(values, (_HALF[0], 0.5, _HALF[1]))
    chance = 0.0
    if (n := len(values)) > 1:
        chance = float(np.std(resampled_quantiles(values, (0.5,), _NOW, 2_000)[0]))
        if n == 2:  # their median is a mean, and resamples of a mean vary less than it by this much (textbooks)
            chance *= np.sqrt(2.0)
    centred = _centred(sessions)
    scatter = None if centred is None else float(np.subtract(*np.quantile(centred, _HALF[::-1]))) / _SIGMAS_IN_HALF
    sigma = float(np.hypot(_shared_sigma(sessions, 0.0), chance))
    return Summary(len(values), float(median), sigma, float(low), float(high), scatter)


def change(now: Sequence[Session], before: Sequence[Session]) -> Estimate | None:
    """Median of `now` minus median of `before`, with what chance and the measurement's error leave open.

    Each session brings an error of its own: the stated one, or what the sessions differ by among themselves where that
    is more (the day, the player, where the camera stood). None with too few reps on either side.
    """
    now, before = _with_values(now), _with_values(before)
    new, old = (np.concatenate([s.seen for s in group]) if group else np.empty(0) for group in (now, before))
    if min(len(new), len(old)) < LEAST_REPS:
        return None
    between = _between(now, before)
    draws = resampled_quantiles(new, (0.5,), _NOW)[0] - resampled_quantiles(old, (0.5,), _BEFORE)[0]
    own = np.hypot(_shared_sigma(now, between), _shared_sigma(before, between))
    draws = draws + own * _normal()
    return Estimate(float(np.median(new) - np.median(old)), draws, reach(len(new), len(old)))


def scatter_change(now: Sequence[Session], before: Sequence[Session]) -> Estimate | None:
    """Scatter from rep to rep of `now` over that of `before` (below 1: steadier). Errors shared by a session cancel.

    The rest of the error trembles, and is part of the scatter: where it is another one (the camera stood elsewhere),
    what that makes of the scatter stays open. None with too few reps, or when half of the reps on one side are equal as
    far as they can be told apart.
    """
    widths, draws, sigmas = [], [], []
    for group, seed in ((now, _NOW), (before, _BEFORE)):
        centred = _centred(_with_values(group))
        if centred is None or len(centred) < LEAST_FOR_SCATTER:
            return None
        low, high = np.quantile(centred, _HALF)
        drawn = resampled_quantiles(centred, _HALF, seed)
        sigmas.append(float(np.median([session.sigma for session in _with_values(group)])))
        if high - low <= _RESOLVED * sigmas[-1]:
            return None
        widths.append(np.log(high - low))
        draws.append(np.log(np.maximum(drawn[1] - drawn[0], 1e-9 * (high - low))))
    least = int(np.argmin(sigmas))
    tremble = (1.0 - SHARED) * (max(sigmas) ** 2 - min(sigmas) ** 2) * _SIGMAS_IN_HALF**2
    own = np.log1p(tremble / np.exp(2.0 * widths[least])) / 2
    return Estimate(float(np.exp(widths[0] - widths[1])), np.exp(draws[0] - draws[1] + own * _normal()))


def fatigue(sessions: Sequence[Session]) -> Estimate | None:
    """Median of the last thirds of the sessions minus that of their first thirds, each about its session's median.

    The shared error cancels as far as it is equal in both thirds; where it differs (the player moved to another spot)
    the difference stays. Sessions with too few reps in their thirds are left out; None when no session has enough.
    """
    firsts, lasts, differences, reps = [], [], [], []
    for session in sessions:
        third = len(session.values) // 3
        first, last = (
            Session(session.values[part], session.sigmas[part]) for part in (slice(third), slice(-third or None, None))
        )
        if not third or min(len(first.seen), len(last.seen)) < LEAST_REPS:
            continue
        middle = session.median
        firsts.append(first.seen - middle)
        lasts.append(last.seen - middle)
        differences.append(last.sigma - first.sigma)
        reps.append(len(first.seen) + len(last.seen))
    if not firsts:
        return None
    first_all, last_all = np.concatenate(firsts), np.concatenate(lasts)
    own = np.sqrt(np.sum((np.array(reps) / np.sum(reps) * differences) ** 2))
    draws = resampled_quantiles(last_all, (0.5,), _NOW)[0] - resampled_quantiles(first_all, (0.5,), _BEFORE)[0]
    apart = float(np.median(last_all) - np.median(first_all))
    return Estimate(apart, draws + own * _normal(), reach(len(first_all), len(last_all)))


def share(hits: int, of: int, level: float = 0.95) -> Interval:
    """A share and its interval by Wilson's score (Wilson 1927; Brown, Cai & DasGupta 2001 recommend it)."""
    if not 0 <= hits <= of or of == 0:
        raise ValueError(f"a share needs 0 <= hits <= of and of above 0, got {hits} of {of}")
    z = NormalDist().inv_cdf(0.5 + level / 2)
    p, z2 = hits / of, z * z
    middle = (p + z2 / (2 * of)) / (1 + z2 / of)
    half = z / (1 + z2 / of) * np.sqrt(p * (1 - p) / of + z2 / (4 * of * of))
    return Interval(p, max(0.0, float(middle - half)), min(1.0, float(middle + half)))


def share_change(now: tuple[int, int], before: tuple[int, int], level: float = 0.95) -> Interval:
    """Share of `now` minus share of `before`, each (hits, of), with the interval of Newcombe (1998, method 10)."""
    new, old = share(*now, level), share(*before, level)
    difference = new.value - old.value
    low = difference - float(np.hypot(new.value - new.low, old.high - old.value))
    high = difference + float(np.hypot(new.high - new.value, old.value - old.low))
    return Interval(difference, low, high)


def together(level: float, number: int) -> float:
    """Level of each of `number` intervals so that all hold together with `level` or more (Bonferroni)."""
    return 1.0 - (1.0 - level) / max(1, number)


def reach(one: int, other: int) -> float:
    """The highest level at which so many reps can differ from so many others.

    That all of one side lie above all of the other happens by chance in one of (one + other)! / one! / other! orders,
    and no test of ranks tells more (Mann & Whitney 1947).
    """
    return 1.0 - 2.0 * exp(lgamma(one + 1) + lgamma(other + 1) - lgamma(one + other + 1))


def least_reps(level: float) -> int:
    """The least number of reps on either side that can differ at this level."""
    return next(n for n in count(LEAST_REPS) if reach(n, n) >= level)


def all_together(estimates: Mapping[str, Estimate], level: float) -> dict[str, Interval]:
    """The intervals that hold together with `level`, of those estimates that have enough reps for that."""
    each = together(level, len(estimates))
    return {name: found.interval(each) for name, found in estimates.items() if found.reach >= each}


def resampled_quantiles(values: FloatArray, quantiles: Sequence[float], seed: int, draws: int = DRAWS) -> FloatArray:
    """Quantiles (linear between ranks, as numpy.quantile) of resamples with replacement: (len(quantiles), draws)."""
    ordered, n = np.sort(values), len(values)
    at = np.asarray(quantiles, float) * (n - 1)
    below, above = np.floor(at).astype(int), np.ceil(at).astype(int)
    ranks = tuple(sorted({*below.tolist(), *above.tolist()}))
    drawn = dict(zip(ranks, ordered[_resampled_places(n, ranks, seed, draws)], strict=True))
    part = at - below
    return np.stack([(1 - p) * drawn[lo] + p * drawn[hi] for p, lo, hi in zip(part, below, above, strict=True)])


@lru_cache(32)  # a report asks for the same ones for each measurement
def _resampled_places(n: int, ranks: tuple[int, ...], seed: int, draws: int) -> NDArray[np.int64]:
    """(len(ranks), draws): which of n ordered values come to these ranks of a resample."""
    rng = np.random.default_rng(seed)
    places = np.empty((len(ranks), draws), np.int64)
    last, passed = np.zeros(draws), 0
    for k, rank in enumerate(ranks):
        # given the order statistic before it, the next is that of the uniform numbers which are left above it
        last = last + (1.0 - last) * rng.beta(rank + 1 - passed, n - rank, draws)
        passed = rank + 1
        places[k] = np.minimum((n * last).astype(np.int64), n - 1)
    return places


@lru_cache(1)
def _normal() -> FloatArray:
    return np.random.default_rng(_ERROR).standard_normal(DRAWS)


def _median(values: FloatArray) -> float:
    """Of finite values; NumPy's own takes ten times as long over the fifty values of a session."""
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def _with_values(sessions: Sequence[Session]) -> list[Session]:
    return [session for session in sessions if len(session.seen)]


def _shared_sigma(sessions: Sequence[Session], least: float) -> float:
    """Error of the joint median from errors that each session has for itself, in proportion to its reps."""
    reps = np.array([len(session.seen) for session in sessions], float)
    own = np.maximum([session.sigma for session in sessions], least)
    return float(np.sqrt(np.sum((reps / reps.sum() * own) ** 2)))


def _between(*groups: Sequence[Session]) -> float:
    """Standard deviation of the medians of sessions about those of their group; 0 where no group has two."""
    squares, freedom = 0.0, 0
    for group in groups:
        medians = [session.median for session in group if len(session.seen) >= LEAST_REPS]
        if len(medians) >= 2:
            squares += float(np.sum((np.array(medians) - np.mean(medians)) ** 2))
            freedom += len(medians) - 1
    return float(np.sqrt(squares / freedom)) if freedom else 0.0


def _centred(sessions: Sequence[Session]) -> FloatArray | None:
    """Values about their session's median, (n,), for sessions with enough reps; None when there is none."""
    parts = []
    for session in sessions:
        seen = session.seen
        if (n := len(seen)) >= LEAST_REPS:
            # a median follows its own values: as with a mean, distances from it come out short by this much
            parts.append((seen - session.median) * np.sqrt(n / (n - 1)))
    return np.concatenate(parts) if parts else None
