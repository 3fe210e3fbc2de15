"""What a player is held against: the shipped bands, the player's own in their place, above all the coach's. Pure.

The best band is the player's own: after enough reps their median and spread. A habit outside the shipped band is no
target by itself, only when a coach has called such reps good. Physics is not replaced by habit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from .checks import CHECKS, Check, of_measurement
from .evidence import LEAST_REPS
from .records import Band, Rep

_WIDE = 2.0
"""An own band reaches so many spreads to each side of the median, to hold nineteen of twenty of the player's reps."""
_FEW, _LOST = 4.5, 2
"""Median and spread of n reps are themselves uncertain, and the median deviation of few comes out too small (Croux &
Rousseeuw 1992): with 1 + 4.5 / (n - 2) times as many spreads the band holds as many of the reps to come, by simulation
(tests/test_targets.py). With 2 spreads 26 of 100 lay outside after 5 reps, 9 after 20."""
_MAD_TO_SD = 1.4826
"""Median absolute deviation to standard deviation for a normal distribution."""
_FIXED = ("physics", "own", "coach")
"""Labels of bands that habit does not replace; `own` is what a person wrote into the settings."""
MOST_REPS = 60
"""Older reps than these are another player's by now (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class CoachTarget:
    """What a coach set for a measurement."""

    measurement: str
    band: Band
    """Label `coach`."""
    locked: bool = False
    """Not to be moved by what the player's own reps say."""
    name: str = ""
    author: str = ""


def set_by_coach(
    measurement: str, low: float | None, high: float | None, *, name: str, locked: bool, author: str
) -> CoachTarget:
    """A coach's target. Its source says who set it and whether it is locked: two coaches may share a player."""
    source = ", ".join(part for part in (name, "locked" if locked else "", f"set by {author or 'the coach'}") if part)
    source = source if name else source[0].upper() + source[1:]
    return CoachTarget(measurement, Band(low, high, "coach", source), locked, name, author)


@dataclass(frozen=True, slots=True)
class Targets:
    """All that the bands of a session are made of."""

    defaults: Mapping[str, Band]
    """By check: what ships or stands in the settings."""
    coach: Sequence[CoachTarget] = ()
    reps: Sequence[Rep] = ()
    """The player's earlier reps, oldest first."""
    good: Sequence[Rep] = ()
    """Those that a coach called good, oldest first."""
    after_reps: int = 0
    """So many reps make an own band; 0: never."""
    good_reps: int = 0
    """So many good ones do; 0: never."""
    _checks: Sequence[Check] = field(default=CHECKS, repr=False)

    def bands(self, more_good: Sequence[Rep] = ()) -> dict[str, Band]:
        """By check, or by measurement where the coach spoke of one (checks.judge). `more_good` are this session's."""
        coach = {target.measurement: target for target in self.coach}
        bands: dict[str, Band] = {}
        for check in self._checks:
            said = of_measurement(check, coach)
            if said is not None and said.locked:
                bands[check.measurement] = said.band
                continue
            default = self.defaults.get(check.name)
            own = None if default is None else self._own(check, default, (*self.good, *more_good))
            if own is not None:
                bands[check.name] = own
            elif said is not None:
                bands[check.measurement] = said.band
            elif default is not None:
                bands[check.name] = default
        return bands

    def _own(self, check: Check, default: Band, good: Sequence[Rep]) -> Band | None:
        if default.label in _FIXED:
            return None
        if self.good_reps and (called := _around(check, good, self.good_reps, default)) is not None:
            band, count = called
            return _labelled(band, f"The middle and the spread of {count} reps that the coach called good")
        if self.after_reps and (usual := _around(check, self.reps, self.after_reps, default)) is not None:
            band, count = usual
            if not default.holds(_middle(check, self.reps)):
                return None
            inside = _within(band, default)
            if (inside.low, inside.high) != (default.low, default.high):
                return _labelled(inside, f"The middle and the spread of the player's last {count} reps")
        return None


def _labelled(band: Band, source: str) -> Band:
    return Band(band.low, band.high, "own", source)


def _within(band: Band, default: Band) -> Band:
    """Cut to the default: half of what a player does lies outside of the spread's middle, and what lies outside of the
    shipped band is no target by being done often.
    """
    low = band.low if band.low is None or default.low is None else max(band.low, default.low)
    high = band.high if band.high is None or default.high is None else min(band.high, default.high)
    return Band(low, high, band.label, band.source)


def _values(check: Check, reps: Sequence[Rep]) -> list[tuple[float, float]]:
    found = [check.of(rep) for rep in reps]
    return [(one.value, one.sigma) for one in found if one.value is not None and one.sigma is not None][-MOST_REPS:]


def _middle(check: Check, reps: Sequence[Rep]) -> float:
    return median(value for value, _ in _values(check, reps))


def _around(check: Check, reps: Sequence[Rep], least: int, default: Band) -> tuple[Band, int] | None:
    """Median and spread, at the ends that the default has; never narrower than the measurement can tell."""
    values = _values(check, reps)
    if len(values) < max(least, LEAST_REPS):
        return None
    middle = median(value for value, _ in values)
    spread = _MAD_TO_SD * median(abs(value - middle) for value, _ in values)
    spread *= 1.0 + _FEW / (len(values) - _LOST)
    half = _WIDE * max(spread, median(sigma for _, sigma in values))
    low = None if default.low is None else middle - half
    high = None if default.high is None else middle + half
    return Band(low, high, "own", ""), len(values)


@dataclass(frozen=True, slots=True)
class InForce:
    """A check and what it is held against."""

    check: str
    measurement: str
    band: Band
    plain: bool
    """The band holds the measurement itself, not something made of it."""


def in_force(bands: Mapping[str, Band]) -> list[InForce]:
    """Every check that is judged, in the order of the table."""
    found = []
    for check in CHECKS:
        said = of_measurement(check, bands)
        band = said or bands.get(check.name)
        if band is not None:
            plain = said is not None or not (check.relative or check.outward)
            found.append(InForce(check.name, check.measurement, band, plain))
    return found
