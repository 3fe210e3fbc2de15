"""Reading what was saved: sessions, reps as records, many reps as columns of numbers, notes, targets.

`read_history` gives the measurements of ten thousand reps as NumPy columns in a fraction of a second; `read_reps` gives
the reps of one session as the records that were saved.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Select, func, select

from . import listing
from .records import Cue, Events, Finding, FloatArray, Measurement, Rep, Verdict
from .roster import Player
from .schema import cues, findings, measurements, notes, players, reps, targets, terms
from .session_records import SavedSession

IntArray = NDArray[np.int64]
NoteKind = Literal["note", "good", "bad", "best", "ask"]
"""A remark; a rep that the coach calls good or bad, or the one to show; a question to come back to."""
NOTE_KINDS: tuple[NoteKind, ...] = ("note", "good", "bad", "best", "ask")
VERDICTS: tuple[Verdict, ...] = ("in_band", "below", "above", "unsure")
_MOST_VALUES = 900
"""SQLite takes so many values in one statement whatever its version."""


@dataclass(frozen=True, slots=True)
class Note:
    """What coach or player wrote about a rep or a whole session."""

    id: str
    """UUID."""
    session_id: str
    rep_index: int | None
    """None: about the session."""
    kind: NoteKind
    text: str
    """May be empty for a mark without words."""
    t_s: float | None
    """An instant of the session's clock that is meant, if one is."""
    author: str
    created_utc: datetime


@dataclass(frozen=True, slots=True)
class Target:
    """Where a coach wants a player's measurement to lie; either end may be open."""

    id: str
    """UUID."""
    player_id: str
    measurement: str
    low: float | None
    high: float | None
    name: str
    locked: bool
    """Set by the coach, and not to be moved by what the player's own reps say."""
    author: str
    created_utc: datetime

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("a target needs a low or a high end")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"a target's low end must be below its high end, got {self.low} and {self.high}")


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One measurement over R reps."""

    value: FloatArray
    """(R,), NaN where it was not measured."""
    sigma: FloatArray
    """(R,), one standard deviation of each value's own error; NaN with the value."""
    basis: IntArray
    reason: IntArray
    """(R,) each: places in History.words, -1 for none. A rep that lacks the measurement altogether has neither."""


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """R reps as columns, in order of time: sessions oldest first, reps in their order. Discarded reps are left out."""

    sessions: tuple[SavedSession, ...]
    """Also those without reps."""
    session: IntArray
    """(R,), places in `sessions`."""
    index: IntArray
    """(R,), the rep's index within its session."""
    made: FloatArray
    """(R,), 1 made, 0 missed, NaN not known."""
    left_handed: NDArray[np.bool_]
    """(R,)"""
    events: Mapping[str, FloatArray]
    """By the names of records.Events, (R,) each, the session's clock; NaN where not seen."""
    measurements: Mapping[str, Column]
    """By name, in the order in which they were measured."""
    verdicts: Mapping[str, IntArray]
    """By check, (R,): places in VERDICTS, -1 where the check gave none."""
    cues: IntArray
    """(R,), places in `words`, -1 where nothing was said."""
    words: tuple[str, ...]

    def reasons(self, name: str) -> dict[str, int]:
        """Why a measurement is missing, most often first: reason -> how many reps."""
        missing = self.measurements[name].reason
        places, counts = np.unique(missing[missing >= 0], return_counts=True)
        order = np.argsort(-counts, kind="stable")
        return {self.words[places[k]]: int(counts[k]) for k in order}


def read_sessions(
    connection: Connection,
    player_id: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    ids: Sequence[str] | None = None,
) -> list[SavedSession]:
    """Sessions, oldest first; of one player, that began from `since` on and before `until`, or of these ids."""
    values = listing.asked(player_id, since, until, ids)
    return [listing.session_of(row) for row in connection.exec_driver_sql(listing.SESSIONS, values).mappings()]


def read_players(connection: Connection) -> list[Player]:
    """All players by name; those that turned out to be another one are counted there."""
    return listing.players_of(connection.exec_driver_sql(listing.PLAYERS).mappings())


def read_reps(connection: Connection, session_id: str, discarded: bool) -> list[Rep]:
    """The reps of a session in order, equal to what was saved, with later results."""
    chosen = reps.c.session_id == session_id
    if not discarded:
        chosen &= ~reps.c.discarded
    text: dict[int | None, str] = {row.id: row.text for row in connection.execute(select(terms))}
    measured: dict[int, dict[str, Measurement]] = defaultdict(dict)
    query = select(measurements).join(reps).where(chosen).order_by(measurements.c.rep, measurements.c.position)
    for row in connection.execute(query):
        basis: Any = text.get(row.basis)
        measured[row.rep][text[row.name]] = Measurement(row.value, row.sigma, basis, text.get(row.reason))
    found: dict[int, list[Finding]] = defaultdict(list)
    query = select(findings).join(reps).where(chosen).order_by(findings.c.rep, findings.c.position)
    for row in connection.execute(query):
        verdict: Any = text[row.verdict]
        found[row.rep].append(Finding(text[row.check], verdict, text[row.measurement], row.excess_sigmas))
    said = {
        row.rep: Cue(text[row.text], text[row.check])
        for row in connection.execute(select(cues).join(reps).where(chosen))
    }
    return [
        Rep(
            index=row.rep_index,
            hand=row.hand,
            events=Events(**{instant: getattr(row, instant) for instant in Events.__slots__}),
            motion=row.motion,
            release_phase=row.release_phase,
            measurements=measured[row.number],
            findings=tuple(found[row.number]),
            cue=said.get(row.number),
            result=row.result,
            praise=text.get(row.praise),
            answer=text.get(row.answer),
        )
        for row in connection.execute(select(reps).where(chosen).order_by(reps.c.rep_index))
    ]


def read_history(connection: Connection, chosen: Sequence[SavedSession]) -> History:
    """The reps of these sessions as columns."""
    place = {session.start.id: k for k, session in enumerate(chosen)}
    instants = tuple(Events.__slots__)
    shot = select(
        reps.c.number,
        reps.c.session_id,
        reps.c.rep_index,
        reps.c.hand,
        reps.c.result,
        *(reps.c[instant] for instant in instants),
    ).where(~reps.c.discarded)
    rows = [row for row in _of_sessions(connection, shot, place) if row[1] in place]
    rows.sort(key=lambda row: (place[row[1]], row[2]))
    numbers = np.array([row[0] for row in rows], np.int64)
    texts = connection.execute(select(terms.c.id, terms.c.text).order_by(terms.c.id)).all()
    word = {row.id: k for k, row in enumerate(texts)}
    words = tuple(row.text for row in texts)
    # dense tables from local numbers and ids to places in the columns
    row_of = np.full(int(numbers.max(initial=0)) + 1, -1)
    row_of[numbers] = np.arange(len(numbers))
    word_of = np.full(max(word, default=0) + 1, -1)
    word_of[list(word)] = list(word.values())
    times = np.array([row[5:] for row in rows], float).reshape(len(rows), len(instants))
    query = select(
        measurements.c.rep,
        measurements.c.name,
        measurements.c.position,
        measurements.c.value,
        measurements.c.sigma,
        measurements.c.basis,
        measurements.c.reason,
    )
    measured = _table(_of_reps(connection, query, measurements.c.rep, place), 7, row_of)
    judged = _table(
        _of_reps(connection, select(findings.c.rep, findings.c.check, findings.c.verdict), findings.c.rep, place),
        3,
        row_of,
    )
    said = _table(_of_reps(connection, select(cues.c.rep, cues.c.text), cues.c.rep, place), 2, row_of)
    return History(
        sessions=tuple(chosen),
        session=np.array([place[row[1]] for row in rows], np.int64),
        index=np.array([row[2] for row in rows], np.int64),
        made=np.array([{"made": 1.0, "missed": 0.0}.get(row[4], np.nan) for row in rows]),
        left_handed=np.array([row[3] == "left" for row in rows], bool),
        events={instant: times[:, k] for k, instant in enumerate(instants)},
        measurements=_columns(measured, len(rows), words, word_of),
        verdicts=_verdicts(judged, len(rows), words, word_of),
        cues=_placed(said[:, 0], _places(said[:, 1], word_of), len(rows)),
        words=words,
    )


def read_names(connection: Connection, ids: Sequence[str]) -> set[str]:
    """Names of what was measured in these sessions."""
    query = select(terms.c.text).join(measurements, measurements.c.name == terms.c.id).distinct()
    if len(ids) <= _MOST_VALUES:
        query = query.join(reps, reps.c.number == measurements.c.rep).where(reps.c.session_id.in_(ids))
    return set(connection.scalars(query))


def _of_sessions(connection: Connection, query: Select[Any], place: Mapping[str, int]) -> list[Any]:
    """Rows of the sessions asked for: by their ids where these are few, else all, which is faster than asking twice."""
    if len(place) <= _MOST_VALUES:
        query = query.where(reps.c.session_id.in_(list(place)))
    return list(connection.execute(query).all())


def _of_reps(connection: Connection, query: Select[Any], rep: Any, place: Mapping[str, int]) -> list[Any]:
    if len(place) <= _MOST_VALUES:
        query = query.where(rep.in_(select(reps.c.number).where(reps.c.session_id.in_(list(place)))))
    # the driver's own tuples: making a named row of each of 300,000 costs more than reading them
    return list(connection.execute(query).cursor.fetchall())


def _table(rows: Iterable[Any], columns: int, row_of: IntArray) -> FloatArray:
    """(n, columns) with NaN for null, rep numbers replaced by their places; rows of other reps left out."""
    table = np.array(list(rows), float).reshape(-1, columns)
    known = table[:, 0] < len(row_of)
    table = table[known]
    table[:, 0] = row_of[table[:, 0].astype(np.int64)]
    kept: FloatArray = table[table[:, 0] >= 0]
    return kept


def _places(ids: FloatArray, word_of: IntArray) -> IntArray:
    known = np.isfinite(ids)
    places = np.full(len(ids), -1)
    places[known] = word_of[ids[known].astype(np.int64)]
    return places


def _placed(at: FloatArray, what: IntArray, count: int) -> IntArray:
    column = np.full(count, -1)
    column[at.astype(np.int64)] = what
    return column


def _columns(measured: FloatArray, count: int, words: Sequence[str], word_of: IntArray) -> dict[str, Column]:
    names = _places(measured[:, 1], word_of)
    order = np.lexsort((names, measured[:, 2]))
    seen: dict[int, None] = dict.fromkeys(names[order].tolist())
    columns = {}
    for name in seen:
        part = measured[names == name]
        at = part[:, 0].astype(np.int64)
        value, sigma = np.full(count, np.nan), np.full(count, np.nan)
        value[at], sigma[at] = part[:, 3], part[:, 4]
        basis = _placed(part[:, 0], _places(part[:, 5], word_of), count)
        reason = _placed(part[:, 0], _places(part[:, 6], word_of), count)
        columns[words[name]] = Column(value, sigma, basis, reason)
    return columns


def _verdicts(judged: FloatArray, count: int, words: Sequence[str], word_of: IntArray) -> dict[str, IntArray]:
    checks, verdicts = _places(judged[:, 1], word_of), _places(judged[:, 2], word_of)
    code = np.array([VERDICTS.index(word) if word in VERDICTS else -1 for word in words], np.int64)
    return {
        words[check]: _placed(judged[checks == check, 0], code[verdicts[checks == check]], count)
        for check in dict.fromkeys(checks.tolist())
    }


def read_notes(connection: Connection, ids: Sequence[str]) -> list[Note]:
    """The notes on these sessions, oldest first, without those that were taken back."""
    query = select(notes).where(~notes.c.removed).order_by(notes.c.created_utc, notes.c.id)
    if len(ids) <= _MOST_VALUES:
        query = query.where(notes.c.session_id.in_(ids))
    wanted = set(ids)
    return [
        Note(
            id=row.id,
            session_id=row.session_id,
            rep_index=row.rep_index,
            kind=row.kind if row.kind in NOTE_KINDS else "note",
            text=row.text,
            t_s=row.t_s,
            author=row.author,
            created_utc=datetime.fromisoformat(row.created_utc),
        )
        for row in connection.execute(query)
        if row.session_id in wanted
    ]


def read_targets(connection: Connection, player_id: str) -> list[Target]:
    """The targets of a player that hold, by measurement. Where several were set, on laptops that were united or for two
    records of one player, the last one holds, and a lock of any.
    """
    root = func.coalesce(players.c.same_as, players.c.id)
    query = (
        select(targets)
        .join(players, players.c.id == targets.c.player_id)
        .where(~targets.c.removed, root == player_id)
        .order_by(targets.c.measurement, targets.c.created_utc)
    )
    found: dict[str, Target] = {}
    for row in connection.execute(query):
        before = found.get(row.measurement)
        found[row.measurement] = Target(
            id=row.id,
            player_id=player_id,
            measurement=row.measurement,
            low=row.low,
            high=row.high,
            name=row.name,
            locked=row.locked or (before is not None and before.locked),
            author=row.author,
            created_utc=datetime.fromisoformat(row.created_utc),
        )
    return list(found.values())
