"""Unites two databases: what the one has and the other lacks goes over, and of what both have the later change holds.

The same function serves a merge of laptops (SQLite to SQLite) and both ways of the exchange with a server. It compares
UUIDs first and carries over only what differs, in batches that are each one transaction: it may break off at any point,
be run again, and be run as often as one likes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Any

from sqlalchemy import Connection, Table, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from . import player_rows, removal, roster
from .schema import cues, findings, forgotten, measurements, notes, players, reps, sessions, targets, terms

_CLOCKS_DIFFER = timedelta(days=1)
"""More than a wrong time zone does."""

BATCH = 250
"""Reps in one transaction: a rep has some 40 rows, and another program waits no longer than for these."""

Writing = Callable[[], AbstractContextManager[Connection]]
Progress = Callable[[int, int], None]
"""Called after each batch with the reps that went over and how many there are to go."""


@dataclass(slots=True)
class Brought:
    """What went over."""

    players: int = 0
    sessions: int = 0
    reps: int = 0
    notes: int = 0
    targets: int = 0
    changed: int = 0
    """Rows that both had, and of which the source knew a later change."""
    forgotten: int = 0
    """Players and sessions that were taken out because the source had forgotten them."""
    lines: list[str] = field(default_factory=list)
    """What a person should know of players of the same name."""
    gone_sessions: list[str] = field(default_factory=list)
    """UUIDs of sessions that were taken out: their files must go too."""

    def add(self, more: Brought) -> None:
        """Count what a second attempt brought as well."""
        for name in ("players", "sessions", "reps", "notes", "targets", "changed", "forgotten"):
            setattr(self, name, getattr(self, name) + getattr(more, name))
        self.lines += [line for line in more.lines if line not in self.lines]
        self.gone_sessions += more.gone_sessions


def unite(source: Connection, writing: Writing, brought: Brought, progress: Progress | None = None) -> None:
    """Carry over to the database that `writing` opens transactions on. `brought` counts as batches are committed."""
    with writing() as target:
        step = Brought()
        _forget(source, target, step)
        _players(source, target, step)
        word = _words(source, target)
    brought.add(step)
    with writing() as target:
        step = Brought()
        own = _sessions(source, target, step)
    brought.add(step)
    _reps(source, writing, own, word, brought, progress or (lambda _done, _all: None))
    with writing() as target:
        step = Brought()
        step.notes = _later_rows(source, target, notes, notes.c.session_id, own, step)
        known = set(target.scalars(select(players.c.id)))
        step.targets = _later_rows(source, target, targets, targets.c.player_id, known, step)
    brought.add(step)


# ---------------------------------------------------------------------------------------------- players and sessions


def _forget(source: Connection, target: Connection, step: Brought) -> None:
    gone = removal.all_forgotten(source) - removal.all_forgotten(target)
    if gone:
        step.forgotten, step.gone_sessions = removal.forget(target, gone)


def _players(source: Connection, target: Connection, step: Brought) -> None:
    gone = set(target.scalars(select(forgotten.c.id)))
    mine = {row.id: row for row in target.execute(select(players))}
    demo = _demo(source) - mine.keys()
    added = False
    for row in source.execute(select(players).order_by(players.c.created_utc, players.c.id)):
        if row.id in gone or row.id in demo:
            continue
        values = dict(row._mapping)
        if values["same_as"] in gone:
            values["same_as"] = None
        if row.id not in mine:
            target.execute(insert(players).values(values))
            step.players += values["same_as"] is None  # two records of one person are one player
            added = True
        elif _later(row.changed_utc, mine[row.id].changed_utc):
            target.execute(update(players).where(players.c.id == row.id).values(values))
            step.changed += 1
            added = True
    if added:
        _untangle(target)
        _namesakes(target, step)


def _demo(source: Connection) -> set[str]:
    """The demo's player, who is left out, and the sessions with it: they would be a player of everybody's."""
    by_player: dict[str, set[str]] = defaultdict(set)
    for player_id, came_from in source.execute(select(sessions.c.player_id, sessions.c.source).distinct()):
        by_player[player_id].add(came_from)
    names = source.execute(select(players.c.id, players.c.name))
    return {player_id for player_id, name in names if roster.is_demo(name, by_player[player_id])}


def _untangle(target: Connection) -> None:
    """Two laptops may have said A is B and B is C: everybody leads straight to the one that is kept."""
    rows = {row.id: row for row in target.execute(select(players))}
    for row in rows.values():
        if row.same_as is None:
            continue
        seen, root = {row.id}, row.same_as
        while root in rows and rows[root].same_as is not None and root not in seen:
            seen.add(root)
            root = rows[root].same_as
        if root in seen:  # said both ways round: the oldest is kept
            root = min(seen, key=lambda one: (rows[one].created_utc, one))
        same_as = None if root == row.id or root not in rows else root
        if same_as != row.same_as:
            target.execute(
                update(players).where(players.c.id == row.id).values(same_as=same_as, changed_utc=roster.now_utc())
            )


def _namesakes(target: Connection, step: Brought) -> None:
    """Equal names are one person unless what is known of them contradicts; every laptop must come to the same."""
    by_name: dict[str, list[Any]] = defaultdict(list)
    for row in target.execute(
        select(players).where(players.c.same_as.is_(None)).order_by(players.c.created_utc, players.c.id)
    ):
        by_name[roster.name_key(row.name)].append(row)
    for same in list(by_name.values()):
        for other in same[1:]:
            kept = target.execute(select(players).where(players.c.id == same[0].id)).one()
            why = _contradiction(kept, other)
            shown = roster.show_name(kept.name)
            if why is None:
                player_rows.unite(target, kept.id, other.id)
                step.lines.append(f"{shown} on both sides is taken for one player")
            else:
                name = _free_name(other.name, by_name)
                player_rows.edit(target, other.id, {"name": name})
                by_name[roster.name_key(name)].append(other)
                step.lines.append(
                    f"there are two players {shown}, {why}: the later one is now {roster.show_name(name)}"
                )


def _contradiction(one: Any, other: Any) -> str | None:
    if None not in (one.hand, other.hand) and one.hand != other.hand:
        return f"one {one.hand}-handed, one {other.hand}-handed"
    if None not in (one.birth_year, other.birth_year) and one.birth_year != other.birth_year:
        return f"born {one.birth_year} and {other.birth_year}"
    return None


def _free_name(name: str, taken: Mapping[str, object]) -> str:
    stem = name[: roster.LONGEST_NAME - 6]
    return next(candidate for k in range(2, 1000) if roster.name_key(candidate := f"{stem} ({k})") not in taken)


def _sessions(source: Connection, target: Connection, step: Brought) -> set[str]:
    """Gives the sessions that both have now."""
    gone = set(target.scalars(select(forgotten.c.id)))
    known = set(target.scalars(select(players.c.id)))
    mine = {row.id: row.changed_utc for row in target.execute(select(sessions.c.id, sessions.c.changed_utc))}
    both, new = set(), []
    for row in source.execute(select(sessions)):
        if row.id in gone or row.player_id not in known:
            continue
        both.add(row.id)
        if row.id not in mine:
            new.append(dict(row._mapping))
        elif _later(row.changed_utc, mine[row.id]):
            target.execute(update(sessions).where(sessions.c.id == row.id).values(dict(row._mapping)))
            step.changed += 1
    if new:
        target.execute(insert(sessions), new)
        step.sessions = len(new)
    return both


# ------------------------------------------------------------------------------------------------------------- reps


def _reps(
    source: Connection, writing: Writing, own: set[str], word: dict[int, int], brought: Brought, progress: Progress
) -> None:
    with writing() as target:
        mine = {row.id: row.changed_utc for row in target.execute(select(reps.c.id, reps.c.changed_utc))}
        new, step = [], Brought()
        query = select(reps.c.number, reps.c.id, reps.c.session_id, reps.c.changed_utc).order_by(reps.c.number)
        for row in source.execute(query):
            if row.session_id not in own:
                continue
            if row.id not in mine:
                new.append(row.number)
            elif _later(row.changed_utc, mine[row.id]):
                later = source.execute(select(reps).where(reps.c.number == row.number)).one()
                values = {name: getattr(later, name) for name in ("result", "discarded", "changed_utc")}
                values["answer"] = word.get(later.answer)
                target.execute(update(reps).where(reps.c.id == row.id).values(values))
                step.changed += 1
    brought.add(step)
    done = 0
    for numbers in _batches(new):
        with writing() as target:
            _insert_reps(source, target, numbers, word)
        done += len(numbers)
        brought.reps += len(numbers)
        progress(done, len(new))


def _insert_reps(source: Connection, target: Connection, numbers: Sequence[int], word: dict[int, int]) -> None:
    rows = [dict(row._mapping) for row in source.execute(select(reps).where(reps.c.number.in_(numbers)))]
    there = {row["id"]: row.pop("number") for row in rows}
    for row in rows:
        row |= {name: word.get(row[name]) for name in ("praise", "answer")}
    # another program may have brought some of them since they were compared
    present = set(target.scalars(select(reps.c.id).where(reps.c.id.in_(list(there)))))
    rows = [row for row in rows if row["id"] not in present]
    if not rows:
        return
    target.execute(insert(reps), rows)
    chosen = [row["id"] for row in rows]
    here = {
        there[row.id]: row.number
        for row in target.execute(select(reps.c.id, reps.c.number).where(reps.c.id.in_(chosen)))
    }
    _copy(source, target, measurements, here, ("name", "basis", "reason"), word)
    _copy(source, target, findings, here, ("check", "verdict", "measurement"), word)
    _copy(source, target, cues, here, ("check", "text"), word)


def _copy(
    source: Connection,
    target: Connection,
    table: Table,
    here: Mapping[int, int],
    worded: Sequence[str],
    word: dict[int, int],
) -> None:
    """Rows of reps, with numbers of reps and words translated. In the driver's own tuples: these are the many rows."""
    names = [column.name for column in table.columns]
    result = source.execute(select(table).where(table.c.rep.in_(list(here))))
    rows = result.cursor.fetchall()
    at_rep = names.index("rep")
    at_words = {names.index(name) for name in worded}
    translated = [
        tuple(
            here[value] if k == at_rep else word[value] if k in at_words and value is not None else value
            for k, value in enumerate(row)
        )
        for row in rows
    ]
    if not translated:
        return
    quoted = target.dialect.identifier_preparer.quote
    columns = f"{quoted(table.name)} ({', '.join(map(quoted, names))})"
    if target.dialect.name == "postgresql":
        driver: Any = target.connection.driver_connection
        with driver.cursor() as cursor, cursor.copy(f"COPY {columns} FROM STDIN") as stream:
            for row in translated:
                stream.write_row(row)
    else:
        target.exec_driver_sql(f"INSERT INTO {columns} VALUES ({', '.join('?' * len(names))})", translated)


def _words(source: Connection, target: Connection) -> dict[int, int]:
    """Number of each word of the source in the target, where missing ones are added."""
    theirs = {row.text: row.id for row in source.execute(select(terms))}
    missing = sorted(theirs.keys() - set(target.scalars(select(terms.c.text))))
    if missing:
        dialect = sqlite if target.dialect.name == "sqlite" else postgresql
        target.execute(dialect.insert(terms).on_conflict_do_nothing(), [{"text": text} for text in missing])
    return {theirs[row.text]: row.id for row in target.execute(select(terms)) if row.text in theirs}


# ----------------------------------------------------------------------------------------------- notes and targets


def _later_rows(
    source: Connection, target: Connection, table: Table, owner: Any, owners: set[str], step: Brought
) -> int:
    mine = {row.id: row.changed_utc for row in target.execute(select(table.c.id, table.c.changed_utc))}
    new = []
    for row in source.execute(select(table)):
        values = dict(row._mapping)
        if values[owner.name] not in owners:
            continue
        if row.id not in mine:
            new.append(values)
        elif _later(row.changed_utc, mine[row.id]):
            target.execute(update(table).where(table.c.id == row.id).values(values))
            step.changed += 1
    if new:
        target.execute(insert(table), new)
    return len(new)


def _later(one: str | None, other: str | None) -> bool:
    """Whether the first change came after the second; None: never changed."""
    return _rank(one) > _rank(other)


def _rank(stamp: str | None) -> tuple[int, str]:
    """A change that is dated the day after tomorrow comes from a clock that is wrong and would win for years: it counts
    more than none, and less than any other.
    """
    if stamp is None:
        return 0, ""
    return (2 if stamp < (datetime.now(UTC) + _CLOCKS_DIFFER).isoformat() else 1), stamp


def _batches(numbers: Iterable[int]) -> Iterator[list[int]]:
    left = iter(numbers)
    while batch := list(islice(left, BATCH)):
        yield batch
