"""What a report says of measurements: medians against bands, changes, scatter, fatigue. Columns in, words out.

Nothing is claimed that chance or the measurement's own error could have made: every change comes with the interval of
stats.py, and all intervals of one section hold together with 95 %.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from . import stats
from .checks import BY_NAME
from .evidence import place, weigh
from .glossary import METRES, SECONDS, SPEED, decimals, number, term, with_error, with_unit
from .history import VERDICTS, Column, History, Target
from .records import Band, FloatArray, Verdict
from .report_records import Claim, Comparison, Mask, Panel, Row
from .targets import InForce, set_by_coach

LEVEL = 0.95
CLEAR_SIGMAS = 2.0
"""Outside a target by more of its own errors than this a value is clearly outside; the settings say so of bands."""
COACH = "coach"
"""Label of a band that the coach set."""
_MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True, eq=False)
class PeriodReps:
    """The history, which of it the report is about, and what that is compared with."""

    history: History
    now: Mask
    before: Mask
    """(S,) of the sessions."""
    _kept: dict[tuple[str, bytes], list[stats.Session]] = field(default_factory=dict)

    def rows(self, sessions: Mask) -> Mask:
        """(R,): the reps of these sessions."""
        found: Mask = sessions[self.history.session]
        return found

    def of(self, name: str, sessions: Mask) -> list[stats.Session]:
        """One measurement, a stats.Session for each of these sessions that has reps."""
        if (known := self._kept.get((name, sessions.tobytes()))) is not None:
            return known
        column = self.history.measurements[name]
        edges = np.searchsorted(self.history.session, np.arange(len(sessions) + 1))
        found = [
            stats.Session(column.value[first:end], column.sigma[first:end])
            for first, end in zip(edges[:-1][sessions], edges[1:][sessions], strict=True)
            if end > first
        ]
        self._kept[name, sessions.tobytes()] = found
        return found


def aims_of(held: Sequence[InForce], targets: Sequence[Target]) -> dict[str, tuple[Band, str]]:
    """Where each measurement should lie and the check that says so, in the order of the checks, then of the targets
    without one. Checks of something made of a measurement have no place on its axis and are left out.
    """
    aims: dict[str, tuple[Band, str]] = {}
    for one in held:
        if one.plain and BY_NAME[one.check].value is None:
            aims.setdefault(one.measurement, (one.band, one.check))
    for target in targets:
        said = set_by_coach(
            target.measurement, target.low, target.high, name=target.name, locked=target.locked, author=target.author
        )
        aims.setdefault(target.measurement, (said.band, ""))
    return aims


def verdicts_row(reps: PeriodReps, one: InForce, names: Mapping[str, str], first: Mapping[str, Band]) -> Row:
    """A check of something made of measurements: its verdicts alone. `first` are the period's first bands, by check."""
    return Row(
        name=one.check,
        label=names.get(one.check, one.check).capitalize(),
        definition="",
        seen=0,
        median="",
        half="",
        scatter="",
        band=band_in_words(one.measurement, one.band),
        band_label=one.band.label,
        band_source=one.band.source,
        check=one.check,
        band_changed=_at_first(one.measurement, one.band, first.get(one.check)),
    ).judged(_as_shot(reps, one.check), "band")


def value_row(reps: PeriodReps, name: str, aim: Band | None, check: str, *, first: Mapping[str, Band]) -> Row:
    """A measurement over the period; `check` is the one whose verdicts are counted, empty for none. `first` are the
    period's first bands, by check.
    """
    words = term(name)
    found = stats.summarise(reps.of(name, reps.now))
    if found is None:
        return Row(name, words.label, words.definition, 0, "", "", "", "", "", "")
    places = decimals(found.sigma * words.factor)
    scatter = ""
    if found.scatter is not None:
        # no finer than a tenth of the error: equal instants on equal frames differ by nothing but arithmetic
        shown = min(decimals(found.scatter * words.factor or 1.0), decimals(found.sigma * words.factor) + 1)
        scatter = with_unit(number(found.scatter * words.factor, shown), words.unit)
    row = Row(
        name=name,
        label=words.label,
        definition=words.definition,
        seen=found.reps,
        median=with_error(name, found.median, found.sigma),
        half=_between(name, found.low, found.high, places),
        scatter=scatter,
        band="" if aim is None else band_in_words(name, aim),
        band_label="" if aim is None else aim.label,
        band_source="" if aim is None else aim.source,
        check=check,
    )
    if aim is not None and aim.label == COACH:
        return row.judged(_against(reps, name, aim), "target")
    if aim is not None and not _explain(reps, name, [aim], check):
        began = first.get(check, aim)
        known = _at_first(name, aim, began) if _explain(reps, name, [aim, began], check) else ""
        row = replace(row, band_changed=known or "some shots by another")
    return row.judged(_as_shot(reps, check), "band")


def _at_first(name: str, aim: Band, first: Band | None) -> str:
    """The band with which the period began; empty when it reads the same."""
    if first is None or band_in_words(name, first) == band_in_words(name, aim):
        return ""
    return f"at first {band_in_words(name, first)}, {first.label}"


def _explain(reps: PeriodReps, name: str, bands: Sequence[Band], check: str) -> bool:
    """Whether each verdict can have been made by one of these bands: just what lies inside it was called so. Bands
    follow the player's own reps from session to session, and a drill or the settings may have had others.
    """
    history, mine = reps.history, reps.rows(reps.now)
    verdicts = history.verdicts.get(check)
    if verdicts is None:
        return True
    value = history.measurements[name].value[mine]
    judged = (verdicts[mine] >= 0) & np.isfinite(value)
    inside = np.array([(short_and_beyond(band, value) <= 0).all(axis=0) for band in bands])
    said = verdicts[mine] == VERDICTS.index("in_band")
    return bool((inside == said).any(axis=0)[judged].all())


def _against(reps: PeriodReps, name: str, aim: Band) -> dict[Verdict, int]:
    """How the period's reps, each by itself, stand to a target, which may have been set after they were shot."""
    column, mine = reps.history.measurements[name], reps.rows(reps.now)
    seen = mine & np.isfinite(column.value)
    counts: dict[Verdict, int] = dict.fromkeys(VERDICTS, 0)
    for value, sigma in zip(column.value[seen].tolist(), column.sigma[seen].tolist(), strict=True):
        counts[weigh(place(value, sigma, aim, CLEAR_SIGMAS), (), CLEAR_SIGMAS)[0]] += 1
    return counts


def _as_shot(reps: PeriodReps, check: str) -> dict[Verdict, int]:
    """How the period's reps were judged when they were shot."""
    verdicts = reps.history.verdicts.get(check)
    if verdicts is None:
        return dict.fromkeys(VERDICTS, 0)
    mine = verdicts[reps.rows(reps.now)]
    return {verdict: int((mine == k).sum()) for k, verdict in enumerate(VERDICTS)}


def _between(name: str, low: float, high: float, places: int) -> str:
    words = term(name)
    ends = [number(end * words.factor, places) for end in (low, high)]
    return with_unit(ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}", words.unit)


def band_in_words(name: str, band: Band) -> str:
    """The ends of a band in the unit that is shown."""
    words = term(name)

    fine = words.unit in (SECONDS, METRES, SPEED)

    def end(value: float) -> str:
        # a band that ships is shown as it was written, one made of reps as fine as makes sense
        shown, most = value * words.factor, 2 if fine else 1
        written = (places for places in range(most + 1) if abs(round(shown, places) - shown) < 1e-9)
        return number(shown, next(written, most if fine else 0))

    if band.low is None and band.high is not None:
        return f"up to {with_unit(end(band.high), words.unit)}"
    if band.high is None and band.low is not None:
        return f"{with_unit(end(band.low), words.unit)} or more"
    assert band.low is not None
    assert band.high is not None
    return with_unit(f"{end(band.low)} to {end(band.high)}", words.unit)


def panel_of(reps: PeriodReps, row: Row, aim: Band, labels: Sequence[str]) -> Panel:
    """What is drawn of a measurement; `labels` name the sessions, (S,)."""
    words, column = term(row.name), reps.history.measurements[row.name]
    mine = reps.rows(reps.now)
    sessions = reps.history.session[mine]
    starts = [0, *(np.flatnonzero(np.diff(sessions)) + 1).tolist()] if len(sessions) else []
    every = [stats.summarise(_one(column, reps.history.session == k)) for k in range(len(labels))]
    seen = [k for k, one in enumerate(every) if one is not None]
    medians = np.full(len(labels), np.nan)
    sigmas = np.full(len(labels), np.nan)
    for k in seen:
        one = every[k]
        assert one is not None
        medians[k], sigmas[k] = one.median * words.factor, one.sigma * words.factor
    alt = (
        f"{row.label} of {counted(row.seen, 'shot')} in order: median {row.median}, "
        f"middle half {row.half}; band {row.band}."
    )
    if len(seen) > 1:
        first, last = every[seen[0]], every[seen[-1]]
        assert first is not None
        assert last is not None
        alt += (
            f" By session, from {labels[seen[0]]}: median {with_error(row.name, first.median, first.sigma)}"
            f" to {with_error(row.name, last.median, last.sigma)} on {labels[seen[-1]]}."
        )
    return Panel(
        name=row.name,
        label=row.label,
        unit=words.unit,
        low=None if aim.low is None else aim.low * words.factor,
        high=None if aim.high is None else aim.high * words.factor,
        values=column.value[mine] * words.factor,
        starts=tuple(starts),
        whens=tuple(labels),
        medians=medians,
        sigmas=sigmas,
        current=reps.now,
        alt=alt,
    )


def _one(column: Column, rows: Mask) -> list[stats.Session]:
    return [stats.Session(column.value[rows], column.sigma[rows])] if rows.any() else []


# ----------------------------------------------------------------------------------------------------------- changes
def _tested(
    reps: PeriodReps, estimate: Callable[[str], stats.Estimate | None]
) -> tuple[dict[str, stats.Interval], int]:
    """Every measurement's interval at the level at which all of them hold together, and how many reps that needs."""
    found = {name: got for name in reps.history.measurements if (got := estimate(name)) is not None}
    return stats.all_together(found, LEVEL), stats.least_reps(stats.together(LEVEL, len(found)))


def changes(reps: PeriodReps, aims: Mapping[str, Band]) -> Comparison:
    """The period against the sessions before it."""
    tested, least = _tested(reps, lambda name: stats.change(reps.of(name, reps.now), reps.of(name, reps.before)))
    claims = []
    for name, found in tested.items():
        if found.excludes(0.0):
            old = stats.summarise(reps.of(name, reps.before))
            new = stats.summarise(reps.of(name, reps.now))
            assert old is not None
            assert new is not None
            text = (
                f"from {with_error(name, old.median, old.sigma)} to {with_error(name, new.median, new.sigma)}: "
                f"{_difference(name, found)}{_toward(aims.get(name), old.median, new.median)}"
            )
            claims.append(_claim(name, found, text))
    why_not = ""
    if not tested:
        why_not = (
            f"A change needs {least} shots before and now."
            if reps.before.any()
            else "There are no earlier sessions to compare with yet."
        )
    return Comparison(_strongest(claims), len(tested), why_not)


def _toward(aim: Band | None, old: float, new: float) -> str:
    if aim is None:
        return ""
    far = [max(0.0, *short_and_beyond(aim, np.array([value]))[:, 0].tolist()) for value in (old, new)]
    if far[0] == far[1]:
        return ""
    return ", toward the band" if far[1] < far[0] else ", away from the band"


def short_and_beyond(aim: Band, value: FloatArray) -> FloatArray:
    """(2, n): how far values lie below and above the band; negative inside."""
    nowhere = np.full(len(value), -np.inf)
    return np.stack(
        [nowhere if aim.low is None else aim.low - value, nowhere if aim.high is None else value - aim.high]
    )


def scatter_changes(reps: PeriodReps) -> Comparison:
    """How steady the period was against the sessions before it."""
    tested, _ = _tested(reps, lambda name: stats.scatter_change(reps.of(name, reps.now), reps.of(name, reps.before)))
    claims = []
    for name, found in tested.items():
        if found.excludes(1.0):
            how = "steadier" if found.value < 1 else "less steady"
            value, low, high = (number(end, 2) for end in (found.value, found.low, found.high))
            text = f"{how}: {value} times the earlier scatter (between {low} and {high})"
            claims.append(Claim(name, term(name).label, text, abs(float(np.log(found.value)))))
    why_not = "" if tested else "There are too few shots to compare the scatter with earlier sessions."
    return Comparison(_strongest(claims), len(tested), why_not)


def fatigue_of(reps: PeriodReps) -> Comparison:
    """The last thirds of the period's sessions against their first thirds."""
    tested, least = _tested(reps, lambda name: stats.fatigue(reps.of(name, reps.now)))
    claims = [
        _claim(name, found, f"{_difference(name, found)} in the last third")
        for name, found in tested.items()
        if found.excludes(0.0)
    ]
    why_not = "" if tested else f"This needs a session of {3 * least} shots or more."
    return Comparison(_strongest(claims), len(tested), why_not)


def _claim(name: str, found: stats.Interval, text: str) -> Claim:
    return Claim(name, term(name).label, text, abs(found.value) / max(found.high - found.low, 1e-12))


def _strongest(claims: Iterable[Claim]) -> tuple[Claim, ...]:
    return tuple(sorted(claims, key=lambda claim: -claim.strength))


def _difference(name: str, found: stats.Interval) -> str:
    words = term(name)
    ends = [end * words.factor for end in (found.value, found.low, found.high)]
    places = decimals(max((ends[2] - ends[1]) / 4, 1e-9))
    while places < 4 and any(round(end, places) == 0.0 for end in ends[1:]):  # an end that reads 0 would deny the claim
        places += 1
    value, low, high = (number(end, places) for end in ends)
    more = "" if value.startswith(_MINUS) else "+"
    return f"{with_unit(more + value, words.unit)} (between {low} and {high})"


def counted(count: int, noun: str) -> str:
    """1 shot, 2 shots."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
