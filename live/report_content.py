"""What a report says, in the order in which it says it: three sentences, then the sections behind them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from . import stats
from .checks import BY_NAME
from .glossary import FAULTS, number, term, with_error
from .history import History, Note, Target
from .records import Band, FloatArray
from .report_records import (
    ChosenRep,
    Claim,
    Comparison,
    Instant,
    Mask,
    NoteLine,
    Report,
    Row,
    SessionLine,
    TargetLine,
    Unseen,
)
from .report_values import (
    COACH,
    LEVEL,
    PeriodReps,
    aims_of,
    band_in_words,
    changes,
    counted,
    fatigue_of,
    panel_of,
    scatter_changes,
    short_and_beyond,
    value_row,
    verdicts_row,
)
from .session_records import SavedSession
from .targets import InForce

_RARELY = 0.05
"""What is clearly out of its band in a smaller share of its reps is named, but not as what to work on (common practice,
no source)."""
_MOST_NEXT = 2
"""So many faults are named after the first: whoever reads all has the sections below."""
_IN_ORDER = {check: place for place, check in enumerate(BY_NAME)}
_LEAST_PANELS, _MOST_PANELS = 3, 6
"""Few enough pictures to be looked at; what has none stands in the table."""
_BLURRED = 2.0
"""A value whose error is so many times what it mostly is shows too little to make a rep the one to look at (common
practice, no source)."""
_MAD_TO_SD = 1.4826
"""Median absolute deviation to standard deviation for a normal distribution."""
INSTANTS = (
    ("dip_s", "Dip"),
    ("set_s", "Set point"),
    ("release_s", "Release"),
    ("apex_s", "Top"),
    ("landing_s", "Landing"),
)
"""Of the timeline, by the names of records.Events."""


def content(
    history: History,
    period: Mask,
    *,
    player: str,
    held: Sequence[InForce],
    held_first: Sequence[InForce],
    names: Mapping[str, str],
    targets: Sequence[Target],
    notes: Sequence[Note],
    generated: datetime,
    zone: tzinfo | None = None,
) -> Report:
    """The report on the sessions of `period`, (S,) of the history's; the sessions before them are compared with.

    `held` is what the player was held against (targets.in_force) at the end of the period, `held_first` as it began,
    `names` the checks in words. Times are shown in `zone`, by default the machine's own.
    """
    first = int(np.flatnonzero(period)[0]) if period.any() else len(history.sessions)
    reps = PeriodReps(history, period, ~period & (np.arange(len(period)) < first))
    chosen = [session for session, inside in zip(history.sessions, period, strict=True) if inside]
    shots = int(reps.rows(period).sum())
    checked = aims_of(held, targets)
    aims = {name: band for name, (band, _) in checked.items()}
    bands = {one.check: one.band for one in held_first}
    rows = {name: value_row(reps, name, *checked.get(name, (None, "")), first=bands) for name in history.measurements}
    judged = [rows[name] for name in aims if name in rows and rows[name].seen]
    on_axes = {check for _, check in checked.values()}
    apart = (verdicts_row(reps, one, names, bands) for one in held if one.check not in on_axes)
    made_of = [row for row in apart if row.verdicts]
    change, scatter, fatigue = changes(reps, aims), scatter_changes(reps), fatigue_of(reps)
    shown = _standing_out(judged, targets, (*change.claims, *fatigue.claims, *scatter.claims))
    makes = _results(reps, period), _results(reps, reps.before)
    labels = [_when(session, zone) for session in history.sessions]
    earlier = int(reps.rows(reps.before).sum())
    compared = (
        f"{counted(int(_used(reps, reps.before)), 'earlier session')} ({counted(earlier, 'shot')})" if earlier else ""
    )
    best, worst = _best_and_worst(reps, aims, notes, labels)
    return Report(
        player=player,
        period=_span(chosen, zone),
        scope=f"{counted(len(chosen), 'session')}, {counted(shots, 'shot')}",
        generated=_day(generated.astimezone(zone)),
        summary=_summary(player, chosen, makes[0], (*judged, *made_of), names, change, fatigue, compared, zone),
        sessions=tuple(_session_line(session, zone) for session in chosen),
        made=_made(makes[0]),
        made_change=_made_change(*makes),
        targets=tuple(_target_line(reps, target, rows) for target in targets),
        notes=tuple(_note_line(note, history, period, labels) for note in notes),
        panels=tuple((row, panel_of(reps, row, aims[row.name], labels)) for row in shown),
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


# ----------------------------------------------------------------------------------------------------- makes, timeline
@dataclass(frozen=True, slots=True)
class _Makes:
    """What is known of how many shots went in."""

    made: int
    known: int
    shots: int

    @property
    def most(self) -> int:
        """So many went in if every shot without a result did."""
        return self.made + self.shots - self.known

    def __str__(self) -> str:
        """ "7 of 10"; of six shots with one result "0 of 1" would read as if there had been one."""
        of = f"{self.known}" if self.known == self.shots else f"the {self.known} with a known result"
        return f"{self.made} of {of}"


def _results(reps: PeriodReps, sessions: Mask) -> _Makes:
    made = reps.history.made[reps.rows(sessions)]
    return _Makes(int(np.nansum(made)), int(np.isfinite(made).sum()), len(made))


def _used(reps: PeriodReps, sessions: Mask) -> int:
    return len(np.unique(reps.history.session[reps.rows(sessions)]))


def _made(makes: _Makes) -> str:
    if not makes.known:
        return ""
    found = stats.share(makes.made, makes.known, LEVEL)
    said = f"{makes} went in: {_percent(found.value)} (between {_percent(found.low)} and {_percent(found.high)})"
    if makes.known == makes.shots:
        return said
    # what stays unknown is no sample of all: a ball that danced on the ring is more often a miss (tests.makes)
    low, high = stats.share(makes.made, makes.shots, LEVEL).low, stats.share(makes.most, makes.shots, LEVEL).high
    return f"{said}; of all {makes.shots} between {_percent(low)} and {_percent(high)}, whatever the others were"


def _made_change(now: _Makes, before: _Makes) -> str:
    """More or fewer only where the shots without a result leave no doubt: bounds from the worst that these may have
    been (Manski 1989, from memory).
    """
    if not now.known or not before.known:
        return ""
    told = stats.share_change((now.made, now.known), (before.made, before.known), LEVEL)
    worst = stats.share_change((now.made, now.shots), (before.most, before.shots), LEVEL)
    best = stats.share_change((now.most, now.shots), (before.made, before.shots), LEVEL)
    found = stats.Interval(told.value, min(told.low, worst.low), max(told.high, best.high))
    if not found.excludes(0.0):
        why = " The shots without a result could make the difference." if told.excludes(0.0) else ""
        return f"No clear change against {before} in earlier sessions.{why}"
    how = "More" if found.value > 0 else "Fewer"
    low, high = (number(100 * end, 0) for end in (found.low, found.high))
    return (
        f"{how} than the {before} in earlier sessions: "
        f"{number(100 * found.value, 0)} points (between {low} and {high})."
    )


def _percent(part: float) -> str:
    return f"{100 * part:.0f}\N{NO-BREAK SPACE}%"


def _timeline(reps: PeriodReps) -> tuple[Instant, ...]:
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
    reps: PeriodReps, aims: Mapping[str, Band], notes: Sequence[Note], labels: Sequence[str]
) -> tuple[ChosenRep | None, ChosenRep | None]:
    """The rep nearest to its bands and the one farthest out.

    How near is told by the spread of the shots, not by each value's own error, and among equals the best-seen goes
    first: else the wider its error, the nearer a value would seem to be to anything. How far out is told by that error.
    """
    rows = np.flatnonzero(reps.rows(reps.now))
    names = [name for name in aims if name in reps.history.measurements]
    if not len(rows) or not names:
        return None, None
    beyond, off = np.full((len(names), len(rows)), np.nan), np.full((len(names), len(rows)), np.nan)
    sigma, usual = np.full((len(names), len(rows)), np.nan), np.full((len(names), 1), np.nan)
    clear = np.zeros(len(rows), int)
    for k, name in enumerate(names):
        column = reps.history.measurements[name]
        value, sigma[k] = column.value[rows], column.sigma[rows]
        if np.isfinite(value).any():
            beyond[k] = np.maximum(0.0, short_and_beyond(aims[name], value).max(axis=0))
            off[k] = np.abs(value - np.nanmedian(value))
            error = float(np.nanmedian(sigma[k]))
            usual[k] = max(error, _MAD_TO_SD * float(np.nanmedian(off[k])))
            clear += np.isfinite(value) & (sigma[k] <= _BLURRED * error)
    seen = np.isfinite(beyond).sum(axis=0)
    # a rep of which little was seen is neither: half of what the best-seen rep shows must be there
    able = np.flatnonzero((seen > 0) & (2 * seen >= seen.max()))
    if not len(able):
        return None, None

    def mean(what: FloatArray, which: NDArray[np.int64]) -> FloatArray:
        return np.asarray(np.nansum(what[:, which], axis=0) / seen[which], np.float64)

    sharp = able[2 * clear[able] >= clear[able].max()]
    order = (mean(off / usual, sharp), -clear[sharp], mean(beyond / usual, sharp))
    first = int(sharp[np.lexsort(order)[0]])
    last = int(able[np.lexsort((mean(off / sigma, able), mean(beyond / sigma, able)))[-1]])
    out = beyond / sigma
    marked = _marked(reps, notes, rows)
    if marked is None:
        best = _chosen(reps, rows[first], "Nearest to the bands", _why(out[:, first], names), names, labels)
    else:
        best = _chosen(reps, rows[marked], "The one to show", "the coach's choice", names, labels)
    if len(able) < 2 or rows[last] == rows[first if marked is None else marked]:
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


def _marked(reps: PeriodReps, notes: Sequence[Note], rows: NDArray[np.int64]) -> int | None:
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


def _chosen(reps: PeriodReps, row: int, title: str, why: str, names: Sequence[str], labels: Sequence[str]) -> ChosenRep:
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


def _target_line(reps: PeriodReps, target: Target, rows: Mapping[str, Row]) -> TargetLine:
    row = rows.get(target.measurement)
    inside = ""
    if row is not None and row.seen:
        value = reps.history.measurements[target.measurement].value[reps.rows(reps.now)]
        value = value[np.isfinite(value)]
        low, high = (-np.inf if target.low is None else target.low), (np.inf if target.high is None else target.high)
        inside = f"{int(((value >= low) & (value <= high)).sum())} of {len(value)}"
    return TargetLine(
        label=term(target.measurement).label,
        wanted=band_in_words(target.measurement, Band(target.low, target.high, COACH, "target")),
        author=target.author,
        locked=target.locked,
        name=target.name,
        now="" if row is None else row.median,
        inside=inside,
    )


def _unseen(reps: PeriodReps) -> tuple[Unseen, ...]:
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
    makes: _Makes,
    judged: Sequence[Row],
    names: Mapping[str, str],
    change: Comparison,
    fatigue: Comparison,
    compared: str,
    zone: tzinfo | None,
) -> tuple[str, ...]:
    """What was done, what stands out, what changed: one sentence each."""
    shots = makes.shots
    if not shots:
        return (f"Nothing has been recorded of {player} yet." if not chosen else f"No shot of {player} was counted.",)
    where = f"In {counted(len(chosen), 'session')}" if len(chosen) > 1 else f"On {_span(chosen, zone)}"
    first = f"{where}, {player} took {counted(shots, 'shot')}; {_first_sentence_made(makes)}."
    return (first, _stands_out(judged, names, shots), _what_changed(change, fatigue, compared))


def _standing_out(judged: Sequence[Row], targets: Sequence[Target], claims: Sequence[Claim]) -> list[Row]:
    """What the coach set, what was out (most often first), what changed; filled up in the order of the checks."""
    aimed, changed = {target.measurement for target in targets}, {claim.name for claim in claims}

    def rank(row: Row) -> tuple[int, int]:
        return 0 if row.name in aimed else 1 if row.outside else 2 if row.name in changed else 3, -row.outside

    first = sorted(judged, key=rank)
    count = sum(rank(row)[0] < 3 for row in judged)
    chosen = first[: min(_MOST_PANELS, max(_LEAST_PANELS, count))]
    return [row for row in judged if row in chosen]


def _first_sentence_made(makes: _Makes) -> str:
    if makes.known:
        return f"{makes} went in ({_percent(makes.made / makes.known)})"
    return f"whether {'it' if makes.shots == 1 else 'they'} went in was not noted"


def _stands_out(judged: Sequence[Row], names: Mapping[str, str], shots: int) -> str:
    """What was clearly out most often, with its count; what comes after it. Unsure is no fault."""
    if not any(row.known for row in judged):
        return "No value could be held against a band in this view."
    out = [row for row in judged if row.outside]
    if not out:
        return "As far as the errors allow to tell, form stayed inside its bands."
    worst, *others = sorted(out, key=lambda row: (-row.outside, _IN_ORDER.get(row.check, len(_IN_ORDER))))
    median = f"median {worst.median}, " if worst.median else ""
    changed = f", {worst.band_changed}" if worst.band_changed else ""
    how = f"{median}{_place(worst)} {worst.band}{changed}"
    head = "Rarely out" if worst.outside < _RARELY * worst.known else "To work on first"
    after = [_fault(row, names, "" if row.known == worst.known else _of_known(row, shots)) for row in others]
    more = [f"{len(after) - _MOST_NEXT} more"] if len(after) > _MOST_NEXT else []
    then = f" Next: {'; '.join([*after[:_MOST_NEXT], *more])}." if after else ""
    return f"{head}: {_fault(worst, names, _of_known(worst, shots))} ({how}).{then}"


def _fault(row: Row, names: Mapping[str, str], of: str) -> str:
    """ "the set point, low in 8 of 44 shots"."""
    name = names.get(row.check, row.label.lower())
    plain = f"below its {_place(row)}", f"above its {_place(row)}"
    # a target holds the measurement itself, whose ends are not always those of the check
    ends = plain if row.band_label == COACH else FAULTS.get(row.check, plain)
    counts = [f"{end} in {count}" for end, count in zip(ends, (row.below, row.above), strict=True) if count]
    return f"the {name}, {' and '.join(counts)}{of}"


def _place(row: Row) -> str:
    return "target" if row.band_label == COACH else "band"


def _of_known(row: Row, shots: int) -> str:
    if row.known == shots:
        return f" of {counted(shots, 'shot')}"
    return f" of the {counted(row.known, 'shot')} where it could be judged"


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
    made = f"{session.made} of {known}{'' if known == session.reps else ' known'}" if known else "not noted"
    return SessionLine(_when(session, zone), session.start.drill or "", session.start.view or "", session.reps, made)


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
