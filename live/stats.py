"""What many reps come to: medians with errors, spread, change against earlier sessions, fatigue, shares. Pure.

A session is an array of one measurement's values in the order of the reps, NaN where it was not seen, with the error
(one standard deviation) of each. An error counts as shared by all reps of a session: camera, view and network are the
same, so it does not shrink with the number of reps. It cancels within a session, and not between sessions.

Bootstrap intervals (Efron 1979; percentile method) need no resampling here. The order statistics of a resample are the
values at the order statistics of uniform numbers, and those are drawn directly from beta distributions, so that a
median of ten thousand reps costs no more than one of ten. Reps count as independent of each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from .records import FloatArray, require_shape

DRAWS = 20_000
LEAST_REPS = 5
"""Fewer reps have a median, but no interval worth the name: resamples of three values know nothing beyond them."""
_SEED = 20
_HALF = (0.25, 0.75)
_SIGMAS_IN_HALF = 2 * NormalDist().inv_cdf(0.75)
"""Width of the middle half of a normal distribution in standard deviations: 1.349."""


@dataclass(frozen=True, slots=True, eq=False)
class Session:
    """One measurement over the reps of one session."""

    values: FloatArray
    """(n,) in the order of the reps, NaN where not seen."""
    sigmas: FloatArray
    """(n,) error of each value, NaN where not seen."""

    def __post_init__(self) -> None:
        require_shape("values", self.values, (None,))
        require_shape("sigmas", self.sigmas, self.values.shape)

    @property
    def seen(self) -> FloatArray:
        """The values that are there, (k,)."""
        return self.values[np.isfinite(self.values)]

    @property
    def sigma(self) -> float:
        """The error that the session's values share."""
        return float(np.median(self.sigmas[np.isfinite(self.values)]))


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


def summarise(sessions: Sequence[Session]) -> Summary | None:
    """All reps of the sessions together; None when the measurement was not seen once."""
    sessions = _with_values(sessions)
    if not sessions:
        return None
    values = np.concatenate([session.seen for session in sessions])
    low, median, high = np.quantile(values, (_HALF[0], 0.5, _HALF[1]))
    chance = 0.0
    if len(values) >= LEAST_REPS:
        chance = float(np.std(resampled_quantiles(values, (0.5,), np.random.default_rng(_SEED), 2_000)[0]))
    centred = _centred(sessions)
    scatter = None if centred is None else float(np.subtract(*np.quantile(centred, _HALF[::-1]))) / _SIGMAS_IN_HALF
    sigma = float(np.hypot(_shared_sigma(sessions, 0.0), chance))
    return Summary(len(values), float(median), sigma, float(low), float(high), scatter)


def change(now: Sequence[Session], before: Sequence[Session], level: float) -> Interval | None:
    """Median of `now` minus median of `before`, with the interval that chance and the measurement's error leave.

    Each session brings an error of its own: the stated one, or what the sessions differ by among themselves where that
    is more (the day, the player, where the camera stood). None with too few reps on either side.
    """
    now, before = _with_values(now), _with_values(before)
    new, old = (np.concatenate([s.seen for s in group]) if group else np.empty(0) for group in (now, before))
    if min(len(new), len(old)) < LEAST_REPS:
        return None
    rng = np.random.default_rng(_SEED)
    between = _between(now, before)
    draws = resampled_quantiles(new, (0.5,), rng)[0] - resampled_quantiles(old, (0.5,), rng)[0]
    own = np.hypot(_shared_sigma(now, between), _shared_sigma(before, between))
    draws = draws + own * rng.standard_normal(len(draws))
    return _interval(float(np.median(new) - np.median(old)), draws, level)


def scatter_change(now: Sequence[Session], before: Sequence[Session], level: float) -> Interval | None:
    """Scatter from rep to rep of `now` over that of `before` (below 1: steadier). Errors shared by a session cancel.

    None with too few reps, or when half of the reps on one side are equal.
    """
    rng = np.random.default_rng(_SEED)
    widths, draws = [], []
    for group in (now, before):
        centred = _centred(_with_values(group))
        if centred is None:
            return None
        low, high = np.quantile(centred, _HALF)
        drawn = resampled_quantiles(centred, _HALF, rng)
        if high - low <= 0:
            return None
        widths.append(np.log(high - low))
        draws.append(np.log(np.maximum(drawn[1] - drawn[0], 1e-9 * (high - low))))
    found = _interval(float(widths[0] - widths[1]), draws[0] - draws[1], level)
    return Interval(*(float(np.exp(end)) for end in (found.value, found.low, found.high)))


def fatigue(sessions: Sequence[Session], level: float) -> Interval | None:
    """Median of the last third of a session's reps minus that of its first third, over all sessions that have enough.

    The shared error cancels as far as it is equal in both thirds; where it differs (the player moved to another spot)
    the difference stays in the interval. None when no session has enough reps in its thirds.
    """
    rng = np.random.default_rng(_SEED)
    value, weights, draws = 0.0, 0, np.zeros(DRAWS)
    for session in sessions:
        third = len(session.values) // 3
        first, last = (
            Session(session.values[part], session.sigmas[part]) for part in (slice(third), slice(-third, None))
        )
        reps = min(len(first.seen), len(last.seen)) if third else 0
        if reps < LEAST_REPS:
            continue
        drawn = [resampled_quantiles(part.seen, (0.5,), rng)[0] for part in (last, first)]
        own = (last.sigma - first.sigma) * rng.standard_normal(DRAWS)
        draws += reps * (drawn[0] - drawn[1] + own)
        value += reps * float(np.median(last.seen) - np.median(first.seen))
        weights += reps
    return None if weights == 0 else _interval(value / weights, draws / weights, level)


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


def resampled_quantiles(
    values: FloatArray, quantiles: Sequence[float], rng: np.random.Generator, draws: int = DRAWS
) -> FloatArray:
    """Quantiles (linear between ranks, as numpy.quantile) of resamples with replacement: (len(quantiles), draws)."""
    ordered = np.sort(values)
    n = len(ordered)
    at = np.asarray(quantiles, float) * (n - 1)
    below = np.floor(at).astype(int)
    above = np.minimum(below + 1, n - 1)
    drawn: dict[int, FloatArray] = {}
    last, last_rank = np.zeros(draws), 0
    for rank in sorted({*below.tolist(), *above.tolist()}):
        # given the order statistic before it, the next is that of the uniform numbers which are left above it
        step = rank + 1 - last_rank
        last = last + (1.0 - last) * rng.beta(step, n - rank, draws)
        last_rank = rank + 1
        drawn[rank] = ordered[np.minimum((n * last).astype(int), n - 1)]
    part = at - below
    return np.stack([(1 - p) * drawn[lo] + p * drawn[hi] for p, lo, hi in zip(part, below, above, strict=True)])


def _interval(value: float, draws: FloatArray, level: float) -> Interval:
    tail = (1.0 - level) / 2
    low, high = np.quantile(draws, (tail, 1.0 - tail))
    return Interval(value, min(float(low), value), max(float(high), value))


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
        medians = [float(np.median(session.seen)) for session in group if len(session.seen) >= LEAST_REPS]
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
            parts.append((seen - np.median(seen)) * np.sqrt(n / (n - 1)))
    return np.concatenate(parts) if parts else None
