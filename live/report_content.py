"""What a report says: three sentences, then the sections behind them. Columns of reps in, words and numbers out.

Nothing is claimed that chance or the measurement's own error could have made: every change comes with the interval of
stats.py, and all intervals of one section hold together with 95 %.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from . import stats
from .checks import BY_NAME
from .glossary import METRES, SECONDS, SPEED, decimals, number, term, with_error, with_unit
from .history import VERDICTS, Column, History, Note, SavedSession, Target
from .records import Band, FloatArray, Verdict
from .targets import InForce

LEVEL = 0.95
CLEAR_SIGMAS = 2.0
"""Outside a target by more of its own errors than this a value is clearly outside; the settings say so of bands."""
COACH = "coach"
"""Label of a band that the coach set."""
_OFTEN = 0.2
"""A check that is clearly out of its band in a larger share of its reps is worth a sentence."""
_LEAST_PANELS, _MOST_PANELS = 3, 6
"""Few enough pictures to be looked at; what has none stands in the table."""
_MINUS = "\N{MINUS SIGN}"
INSTANTS = (
    ("dip_s", "Dip"),
    ("set_s", "Set point"),
    ("release_s", "Release"),
    ("apex_s", "Top"),
    ("landing_s", "Landing"),
)
"""Of the timeline, by the names of records.Events."""

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class SessionLine:
    """One session of the period."""

    when: str
    drill: str
    shots: int
    made: str
    """"12 of 20", or why that is not known."""


@dataclass(frozen=True, slots=True)
class Row:
    """One measurement over the period."""

    name: str
    label: str
    definition: str
    seen: int
    median: str
    """With its error; empty when it was not seen."""
    half: str
    """Where the middle half of the reps lies."""
    scatter: str
    """From rep to rep within a session; empty for too few."""
    band: str
    band_label: str
    band_source: str
    inside: int = 0
    outside: int = 0
    unsure: int = 0
    verdicts: str = ""
    """How many reps were judged how; empty when none was."""

    def judged(self, counts: Mapping[Verdict, int], place: str) -> Row:
        """The same row with how its reps were judged."""
        said = {"in_band": f"in {place}", "below": "below", "above": "above", "unsure": "too near to the edge to tell"}
        return replace(
            self,
            inside=counts["in_band"],
            outside=counts["below"] + counts["above"],
            unsure=counts["unsure"],
            verdicts=", ".join(f"{count} {said[verdict]}" for verdict, count in counts.items() if count),
        )


@dataclass(frozen=True, slots=True)
class Claim:
    """A difference that neither chance nor the measurement's error explains."""

    name: str
    label: str
    text: str
    strength: float
    """Of the difference against half its interval."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """What was found of a kind of difference, and how it was looked for."""

    claims: tuple[Claim, ...]
    tested: int
    """Measurements with enough reps."""
    why_not: str
    """Why nothing could be tested; empty when something was."""


@dataclass(frozen=True, slots=True)
class Instant:
    """One instant of the shot against the release, over the period's reps."""

    label: str
    median_s: float
    low_s: float
    high_s: float
    """The middle half of the reps."""
    reps: int


@dataclass(frozen=True, slots=True)
class ChosenRep:
    """A rep to look at."""

    title: str
    session_id: str
    index: int
    when: str
    why: str
    shown: tuple[tuple[str, str], ...]
    """(label, value with error) of what is judged."""
    set_s: float
    release_s: float
    """On the session's clock."""


@dataclass(frozen=True, slots=True)
class NoteLine:
    """What coach or player wrote."""

    when: str
    about: str
    author: str
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class TargetLine:
    """Where the coach wants a value, and how the period's reps stand to it."""

    label: str
    wanted: str
    author: str
    name: str
    now: str
    inside: str


@dataclass(frozen=True, slots=True)
class Unseen:
    """Why values are missing, and which."""

    reason: str
    labels: tuple[str, ...]
    reps: int
    """The most that any of them is missing in."""


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """What is drawn of one judged measurement, in the unit that is shown."""

    name: str
    label: str
    unit: str
    low: float | None
    high: float | None
    """The band."""
    values: FloatArray
    """(R,) of the period's reps in order, NaN where not seen."""
    starts: tuple[int, ...]
    """Where a session begins in `values`."""
    whens: tuple[str, ...]
    medians: FloatArray
    sigmas: FloatArray
    """(S,) of each session of the player, NaN where not seen."""
    current: Mask
    """(S,), whether the session belongs to the period."""
    alt: str


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """Everything that the page shows, in its order."""

    player: str
    period: str
    scope: str
    generated: str
    summary: tuple[str, ...]
    sessions: tuple[SessionLine, ...]
    made: str
    made_change: str
    targets: tuple[TargetLine, ...]
    notes: tuple[NoteLine, ...]
    panels: tuple[tuple[Row, Panel], ...]
    """What stands out among the measurements that have a band, with its pictures' content."""
    others: tuple[Row, ...]
    """The rest of them."""
    earlier: str
    """What the period is compared with; empty when there is nothing."""
    change: Comparison
    scatter: Comparison
    fatigue: Comparison
    timeline: tuple[Instant, ...]
    timeline_alt: str
    best: ChosenRep | None
    worst: ChosenRep | None
    rows: tuple[Row, ...]
    """Every measurement that was seen."""
    unseen: tuple[Unseen, ...]
    shots: int


@dataclass(frozen=True, slots=True, eq=False)
class _Reps:
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


def content(
    history: History,
    period: Mask,
    *,
    player: str,
    held: Sequence[InForce],
    names: Mapping[str, str],
    targets: Sequence[Target],
    notes: Sequence[Note],
    generated: datetime,
    zone: tzinfo | None = None,
) -> Report:
    """The report on the sessions of `period`, (S,) of the history's; the sessions before them are compared with.

    `held` is what the player was held against (targets.in_force), `names` the checks in words. Times are shown in
    `zone`, by default the machine's own.
    """
    first = int(np.flatnonzero(period)[0]) if period.any() else len(history.sessions)
    reps = _Reps(history, period, ~period & (np.arange(len(period)) < first))
    chosen = [session for session, inside in zip(history.sessions, period, strict=True) if inside]
    shots = int(reps.rows(period).sum())
    checked = _aims(held, targets)
    aims = {name: band for name, (band, _) in checked.items()}
    rows = {name: _row(reps, name, *checked.get(name, (None, ""))) for name in history.measurements}
    judged = [rows[name] for name in aims if name in rows and rows[name].seen]
    on_axes = {check for _, check in checked.values()}
    made_of = [row for one in held if one.check not in on_axes and (row := _made_of(reps, one, names)).verdicts]
    change, scatter, fatigue = _change(reps, aims), _scatter(reps), _fatigue(reps)
    shown = _standing_out(judged, targets, (*change.claims, *fatigue.claims, *scatter.claims))
    known = _results(reps, period), _results(reps, reps.before)
    labels = [_when(session, zone) for session in history.sessions]
    earlier = int(reps.rows(reps.before).sum())
    compared = (
        f"{_count(int(_used(reps, reps.before)), 'earlier session')} ({_count(earlier, 'shot')})" if earlier else ""
    )
    best, worst = _best_and_worst(reps, aims, notes, labels)
    return Report(
        player=player,
        period=_span(chosen, zone),
        scope=f"{_count(len(chosen), 'session')}, {_count(shots, 'shot')}",
        generated=_day(generated.astimezone(zone)),
        summary=_summary(player, chosen, shots, known[0], (*judged, *made_of), change, fatigue, compared, zone),
        sessions=tuple(_session_line(session, zone) for session in chosen),
        made=_made(known[0]),
        made_change=_made_change(*known),
        targets=tuple(_target_line(reps, target, rows) for target in targets),
        notes=tuple(_note_line(note, history, period, labels) for note in notes),
        panels=tuple((row, _panel(reps, row, aims[row.name], labels)) for row in shown),
        others=(*(row for row in judged if row not in shown), *made_of),
        earlier=compared,
        change=change,
        scatter=scatter,
        fatigue=fatigue,
        timeline=(timeline := _timeline(reps)),
        timeline_alt=_timeline_alt(timeline),
        best=best,
        worst=worst,
        rows=tuple(row for row in rows.values() if row.seen),
        unseen=_unseen(reps),
        shots=shots,
    )


# --------------------------------------------------------------------------------------------------- one measurement
def _aims(held: Sequence[InForce], targets: Sequence[Target]) -> dict[str, tuple[Band, str]]:
    """Where each measurement should lie and the check that says so, in the order of the checks, then of the targets
    without one. Checks of something made of a measurement have no place on its axis and are left out.
    """
    aims: dict[str, tuple[Band, str]] = {}
    for one in held:
        if one.plain and BY_NAME[one.check].value is None:
            aims.setdefault(one.measurement, (one.band, one.check))
    for target in targets:
        band = Band(target.low, target.high, COACH, target.name or "Set by the coach")
        aims.setdefault(target.measurement, (band, ""))
    return aims


def _made_of(reps: _Reps, one: InForce, names: Mapping[str, str]) -> Row:
    """A check of something made of measurements: its verdicts alone."""
    return Row(
        name=one.check,
        label=names.get(one.check, one.check).capitalize(),
        definition="",
        seen=0,
        median="",
        half="",
        scatter="",
        band=_range(one.measurement, one.band),
        band_label=one.band.label,
        band_source=one.band.source,
    ).judged(_as_shot(reps, one.check), "band")


def _row(reps: _Reps, name: str, aim: Band | None, check: str) -> Row:
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
        band="" if aim is None else _range(name, aim),
        band_label="" if aim is None else aim.label,
        band_source="" if aim is None else aim.source,
    )
    if aim is not None and aim.label == COACH:
        return row.judged(_against(reps, name, aim), "target")
    return row.judged(_as_shot(reps, check), "band")


def _against(reps: _Reps, name: str, aim: Band) -> dict[Verdict, int]:
    """How the period's reps stand to a target, which may have been set after they were shot."""
    column, mine = reps.history.measurements[name], reps.rows(reps.now)
    seen = mine & np.isfinite(column.value)
    far = _short_and_beyond(aim, column.value[seen]) / column.sigma[seen]
    short, beyond = (int((side > CLEAR_SIGMAS).sum()) for side in far)
    inside = int((far.max(axis=0) <= 0).sum())
    return {
        "in_band": inside,
        "below": short,
        "above": beyond,
        "unsure": int(seen.sum()) - inside - short - beyond,
    }


def _as_shot(reps: _Reps, check: str) -> dict[Verdict, int]:
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


def _range(name: str, band: Band) -> str:
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


def _panel(reps: _Reps, row: Row, aim: Band, labels: Sequence[str]) -> Panel:
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
        f"{row.label} of {_count(row.seen, 'shot')} in order: median {row.median}, "
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
def _tested(reps: _Reps, estimate: Callable[[str], stats.Estimate | None]) -> dict[str, stats.Interval]:
    """Every measurement's interval at the level at which all of them hold together."""
    found = {name: got for name in reps.history.measurements if (got := estimate(name)) is not None}
    level = stats.together(LEVEL, len(found))
    return {name: got.interval(level) for name, got in found.items()}


def _change(reps: _Reps, aims: Mapping[str, Band]) -> Comparison:
    tested = _tested(reps, lambda name: stats.change(reps.of(name, reps.now), reps.of(name, reps.before)))
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
            f"A change needs {stats.LEAST_REPS} shots before and now."
            if reps.before.any()
            else "There are no earlier sessions to compare with yet."
        )
    return Comparison(_strongest(claims), len(tested), why_not)


def _toward(aim: Band | None, old: float, new: float) -> str:
    if aim is None:
        return ""
    far = [max(0.0, *_short_and_beyond(aim, np.array([value]))[:, 0].tolist()) for value in (old, new)]
    if far[0] == far[1]:
        return ""
    return ", toward the band" if far[1] < far[0] else ", away from the band"


def _short_and_beyond(aim: Band, value: FloatArray) -> FloatArray:
    """(2, n): how far values lie below and above the band; negative inside."""
    nowhere = np.full(len(value), -np.inf)
    return np.stack(
        [nowhere if aim.low is None else aim.low - value, nowhere if aim.high is None else value - aim.high]
    )


def _scatter(reps: _Reps) -> Comparison:
    tested = _tested(reps, lambda name: stats.scatter_change(reps.of(name, reps.now), reps.of(name, reps.before)))
    claims = []
    for name, found in tested.items():
        if found.excludes(1.0):
            how = "steadier" if found.value < 1 else "less steady"
            value, low, high = (number(end, 2) for end in (found.value, found.low, found.high))
            text = f"{how}: {value} times the earlier scatter (between {low} and {high})"
            claims.append(Claim(name, term(name).label, text, abs(float(np.log(found.value)))))
    why_not = "" if tested else "There are too few shots to compare the scatter with earlier sessions."
    return Comparison(_strongest(claims), len(tested), why_not)


def _fatigue(reps: _Reps) -> Comparison:
    tested = _tested(reps, lambda name: stats.fatigue(reps.of(name, reps.now)))
    claims = [
        _claim(name, found, f"{_difference(name, found)} in the last third")
        for name, found in tested.items()
        if found.excludes(0.0)
    ]
    why_not = "" if tested else f"This needs a session of {3 * stats.LEAST_REPS} shots or more."
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


# ----------------------------------------------------------------------------------------------------- makes, timeline
def _results(reps: _Reps, sessions: Mask) -> tuple[int, int]:
    """(made, known)"""
    made = reps.history.made[reps.rows(sessions)]
    return int(np.nansum(made)), int(np.isfinite(made).sum())


def _used(reps: _Reps, sessions: Mask) -> int:
    return len(np.unique(reps.history.session[reps.rows(sessions)]))


def _made(known: tuple[int, int]) -> str:
    made, of = known
    if not of:
        return ""
    found = stats.share(made, of, LEVEL)
    return f"{made} of {of} went in: {_percent(found.value)} (between {_percent(found.low)} and {_percent(found.high)})"


def _made_change(now: tuple[int, int], before: tuple[int, int]) -> str:
    if not now[1] or not before[1]:
        return ""
    found = stats.share_change(now, before, LEVEL)
    if not found.excludes(0.0):
        return f"No clear change against {before[0]} of {before[1]} in earlier sessions."
    how = "More" if found.value > 0 else "Fewer"
    low, high = (number(100 * end, 0) for end in (found.low, found.high))
    return (
        f"{how} than the {before[0]} of {before[1]} in earlier sessions: "
        f"{number(100 * found.value, 0)} points (between {low} and {high})."
    )


def _percent(part: float) -> str:
    return f"{100 * part:.0f}\N{NO-BREAK SPACE}%"


def _timeline(reps: _Reps) -> tuple[Instant, ...]:
    mine = reps.rows(reps.now)
    release = reps.history.events["release_s"][mine]
    found = []
    for name, label in INSTANTS:
        after = reps.history.events[name][mine] - release
        after = after[np.isfinite(after)]
        if len(after):
            low, median, high = np.quantile(after, (0.25, 0.5, 0.75))
            found.append(Instant(label, float(median), float(low), float(high), len(after)))
    return tuple(found)


def _timeline_alt(timeline: Sequence[Instant]) -> str:
    parts = []
    for one in timeline:
        if one.label != "Release":
            side = "before" if one.median_s < 0 else "after"
            parts.append(f"{one.label.lower()} {abs(one.median_s):.2f} s {side}")
    return f"The shot's instants against the release: {', '.join(parts)}." if parts else ""


# --------------------------------------------------------------------------------------------------------- chosen reps
def _best_and_worst(
    reps: _Reps, aims: Mapping[str, Band], notes: Sequence[Note], labels: Sequence[str]
) -> tuple[ChosenRep | None, ChosenRep | None]:
    """The rep nearest to its bands and the one farthest out; among equals, what is nearest to the usual form."""
    rows = np.flatnonzero(reps.rows(reps.now))
    names = [name for name in aims if name in reps.history.measurements]
    if not len(rows) or not names:
        return None, None
    out, unusual = np.full((len(names), len(rows)), np.nan), np.full((len(names), len(rows)), np.nan)
    for k, name in enumerate(names):
        column, aim = reps.history.measurements[name], aims[name]
        value, sigma = column.value[rows], column.sigma[rows]
        if np.isfinite(value).any():
            out[k] = np.maximum(0.0, _short_and_beyond(aim, value).max(axis=0)) / sigma
            unusual[k] = np.abs(value - np.nanmedian(value)) / sigma
    seen = np.isfinite(out).sum(axis=0)
    # a rep of which little was seen is neither: half of what the best-seen rep shows must be there
    able = np.flatnonzero((seen > 0) & (2 * seen >= seen.max()))
    if not len(able):
        return None, None
    excess, distance = (np.nansum(what[:, able], axis=0) / seen[able] for what in (out, unusual))
    order = able[np.lexsort((distance, excess))]
    marked = _marked(reps, notes, rows)
    if marked is None:
        best = _chosen(reps, rows[order[0]], "Nearest to the bands", _why(out[:, order[0]], names), names, labels)
    else:
        best = _chosen(reps, rows[marked], "The one to show", "the coach's choice", names, labels)
    last = int(order[-1])
    if len(able) < 2 or rows[last] == rows[order[0] if marked is None else marked]:
        return best, None
    title = "Farthest from the bands" if np.nanmax(out[:, last]) > 0 else "Farthest from the usual form"
    return best, _chosen(reps, rows[last], title, _why(out[:, last], names), names, labels)


def _why(out: FloatArray, names: Sequence[str]) -> str:
    """In words: what lies outside its band, farthest first."""
    order = [k for k in np.argsort(-np.nan_to_num(out)) if out[k] > 0]
    if not order:
        return "everything seen lies in its band"
    listed = " and ".join(term(names[k]).label.lower() for k in order[:2])
    return f"{listed} outside the band" + (f", and {len(order) - 2} more" if len(order) > 2 else "")


def _marked(reps: _Reps, notes: Sequence[Note], rows: NDArray[np.int64]) -> int | None:
    """Place in `rows` of the rep that was last marked as the one to show."""
    ids = [session.start.id for session in reps.history.sessions]
    for note in reversed(notes):
        if note.kind == "best" and note.rep_index is not None and note.session_id in ids:
            session = ids.index(note.session_id)
            found = np.flatnonzero(
                (reps.history.session[rows] == session) & (reps.history.index[rows] == note.rep_index)
            )
            if len(found):
                return int(found[0])
    return None


def _chosen(reps: _Reps, row: int, title: str, why: str, names: Sequence[str], labels: Sequence[str]) -> ChosenRep:
    history = reps.history
    session, index = int(history.session[row]), int(history.index[row])
    values = []
    for name in names:
        value, sigma = float(history.measurements[name].value[row]), float(history.measurements[name].sigma[row])
        if np.isfinite(value):
            values.append((term(name).label, with_error(name, value, sigma)))
    return ChosenRep(
        title=title,
        session_id=history.sessions[session].start.id,
        index=index,
        when=labels[session],
        why=why,
        shown=tuple(values),
        set_s=float(history.events["set_s"][row]),
        release_s=float(history.events["release_s"][row]),
    )


# --------------------------------------------------------------------------------------------- notes, targets, unseen
def _note_line(note: Note, history: History, period: Mask, labels: Sequence[str]) -> NoteLine:
    when = next((labels[k] for k, s in enumerate(history.sessions) if s.start.id == note.session_id), "")
    about = "the session" if note.rep_index is None else f"shot {note.rep_index}"
    kinds = {"note": "", "good": "good", "bad": "to change", "best": "the one to show", "ask": "question"}
    return NoteLine(when, about, note.author, kinds[note.kind], note.text)


def _target_line(reps: _Reps, target: Target, rows: Mapping[str, Row]) -> TargetLine:
    row = rows.get(target.measurement)
    inside = ""
    if row is not None and row.seen:
        value = reps.history.measurements[target.measurement].value[reps.rows(reps.now)]
        value = value[np.isfinite(value)]
        low, high = (-np.inf if target.low is None else target.low), (np.inf if target.high is None else target.high)
        inside = f"{int(((value >= low) & (value <= high)).sum())} of {len(value)}"
    return TargetLine(
        label=term(target.measurement).label,
        wanted=_range(target.measurement, Band(target.low, target.high, COACH, "target")),
        author=target.author,
        name=target.name,
        now="" if row is None else row.median,
        inside=inside,
    )


def _unseen(reps: _Reps) -> tuple[Unseen, ...]:
    mine = reps.rows(reps.now)
    names: dict[str, list[str]] = defaultdict(list)
    most: dict[str, int] = defaultdict(int)
    for name, column in reps.history.measurements.items():
        places, counts = np.unique(column.reason[mine & (column.reason >= 0)], return_counts=True)
        for place, count in zip(places, counts, strict=True):
            # what needs the same is said once, not for each measurement in words of its own
            _, needs, what = reps.history.words[place].rpartition(" needs ")
            reason = f"{needs.lstrip()}{what}"
            names[reason].append(term(name).label)
            most[reason] = max(most[reason], int(count))
    order = sorted(names, key=lambda reason: (-most[reason] * len(names[reason]), reason))
    return tuple(Unseen(reason, tuple(names[reason]), most[reason]) for reason in order)


# ------------------------------------------------------------------------------------------------------------ summary
def _summary(
    player: str,
    chosen: Sequence[SavedSession],
    shots: int,
    known: tuple[int, int],
    judged: Sequence[Row],
    change: Comparison,
    fatigue: Comparison,
    compared: str,
    zone: tzinfo | None,
) -> tuple[str, ...]:
    """What was done, what stands out, what changed: one sentence each."""
    if not shots:
        return (f"Nothing has been recorded of {player} yet." if not chosen else f"No shot of {player} was counted.",)
    where = f"In {_count(len(chosen), 'session')}" if len(chosen) > 1 else f"On {_span(chosen, zone)}"
    first = f"{where}, {player} took {_count(shots, 'shot')}; {_first_sentence_made(known)}."
    return (first, _stands_out(judged), _what_changed(change, fatigue, compared))


def _standing_out(judged: Sequence[Row], targets: Sequence[Target], claims: Sequence[Claim]) -> list[Row]:
    """What the coach set, what is often out, what changed; filled up in the order of the checks."""
    aimed, changed = {target.measurement for target in targets}, {claim.name for claim in claims}

    def rank(row: Row) -> int:
        return 0 if row.name in aimed else 1 if _often_out(row) else 2 if row.name in changed else 3

    first = sorted(judged, key=rank)
    count = sum(rank(row) < 3 for row in judged)
    chosen = first[: min(_MOST_PANELS, max(_LEAST_PANELS, count))]
    return [row for row in judged if row in chosen]


def _often_out(row: Row) -> bool:
    return row.outside > _OFTEN * (row.inside + row.outside + row.unsure)


def _first_sentence_made(known: tuple[int, int]) -> str:
    made, of = known
    return f"{made} of {of} went in ({_percent(made / of)})" if of else "whether they went in was not noted"


def _stands_out(judged: Sequence[Row]) -> str:
    verdicts = [row for row in judged if row.inside + row.outside + row.unsure]
    if not verdicts:
        return "No value could be held against a band in this view."
    often = [row for row in verdicts if _often_out(row)]
    if not often:
        return "As far as the errors allow to tell, form stayed inside its bands."
    worst = max(often, key=lambda row: row.outside)
    median = f"median {worst.median}, " if worst.median else ""
    return f"Most often outside its band: {worst.label.lower()}, {worst.verdicts} ({median}band {worst.band})."


def _what_changed(change: Comparison, fatigue: Comparison, compared: str) -> str:
    tired = (
        f" Within the sessions: {fatigue.claims[0].label.lower()} {fatigue.claims[0].text}." if fatigue.claims else ""
    )
    if change.claims:
        more = f", and {len(change.claims) - 1} more" if len(change.claims) > 1 else ""
        return f"Changed against {compared}: {change.claims[0].label.lower()} {change.claims[0].text}{more}.{tired}"
    if change.tested:
        return f"Against {compared}, no value changed by more than chance and its own error.{tired}"
    return f"{change.why_not}{tired}"


# -------------------------------------------------------------------------------------------------------------- dates
def _session_line(session: SavedSession, zone: tzinfo | None) -> SessionLine:
    known = session.made + session.missed
    made = f"{session.made} of {known}" if known else "not noted"
    return SessionLine(_when(session, zone), session.start.drill or "", session.reps, made)


def _when(session: SavedSession, zone: tzinfo | None) -> str:
    at = session.start.started_utc.astimezone(zone)
    return f"{_day(at)}, {at:%H:%M}"


def _day(day: date) -> str:
    # not strftime's %b: a program that embeds this one may have set a locale
    months = (
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    )
    return f"{day.day} {months[day.month - 1]} {day.year}"


def _span(chosen: Sequence[SavedSession], zone: tzinfo | None) -> str:
    if not chosen:
        return "no sessions"
    first, last = (_day(s.start.started_utc.astimezone(zone)) for s in (chosen[0], chosen[-1]))
    return first if first == last else f"{first} to {last}"


def _count(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
