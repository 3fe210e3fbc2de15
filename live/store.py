"""Where sessions are kept: SQLite in the user's data folder, and a side file when the database cannot take a rep.

A rep is committed with its measurements, findings and cue in one transaction, with write-ahead logging and full
synchronisation: once `save` has returned, neither a killed program nor a power cut takes it away. When the database is
locked, full, read-only or damaged, the session goes on in a side file (side_file.py), which joins at the next start.
"""

from __future__ import annotations

import os
import sqlite3
import sys
import tempfile
import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4, uuid5

from sqlalchemy import URL, Connection, Engine, Row, Select, create_engine, event, func, insert, select, update
from sqlalchemy.dialects.sqlite import insert as insert_or_skip
from sqlalchemy.exc import SQLAlchemyError

from . import side_file
from .errors import StoreError
from .records import Cue, Events, Finding, Measurement, Rep, Result, SessionSummary
from .schema import (
    NotOurDatabase,
    bring_up_to_date,
    cues,
    findings,
    is_current,
    measurements,
    players,
    reps,
    sessions,
    terms,
)
from .side_file import Change, Hand, SessionStart

FILE = "rimward.db"
PENDING = "pending"
LOCK_TIMEOUT_S = 1.0
"""How long a rep waits for another program's transaction; ours take milliseconds, so longer means that it hangs."""

Notice = Callable[[str], None]
_DATABASE_ERRORS = (SQLAlchemyError, sqlite3.Error)
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_REASONS = {
    sqlite3.SQLITE_BUSY: "is held by another program",
    sqlite3.SQLITE_LOCKED: "is held by another program",
    sqlite3.SQLITE_FULL: "cannot grow, the disk is full",
    sqlite3.SQLITE_READONLY: "cannot be written",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened",
    sqlite3.SQLITE_CORRUPT: "is damaged",
    sqlite3.SQLITE_NOTADB: "is damaged",
}


@dataclass(frozen=True, slots=True)
class SavedSession:
    """A session as it stands in the database."""

    start: SessionStart
    reps: int
    """Without the discarded ones."""
    summary: SessionSummary | None
    """None when the program was killed before the end, or is still running."""


def open_store(folder: Path, notice: Notice | None = None) -> Store:
    """Open or create the database in `folder` and merge what earlier sessions left in side files.

    Practice must be possible whatever the disk does: a damaged database is moved aside and a new one begun, and one
    that cannot be opened leaves a store whose sessions go to side files. Both are said through `notice`, one line each,
    to standard error by default. Raises StoreError only for a database of a newer program.
    """
    notice = notice or _to_standard_error
    path = folder / FILE
    engine, trouble = None, ""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        engine = _open_engine(path, notice)
    except (OSError, *_DATABASE_ERRORS) as error:
        trouble = f"{path} {_why(error)}"
    store = Store(path, engine, trouble, notice)
    store.merge_pending()
    return store


class Store:
    """The database; or, with `engine` None and the `trouble` that led there, only the side files."""

    def __init__(self, path: Path, engine: Engine | None, trouble: str, notice: Notice) -> None:
        self.path = path
        self.engine = engine
        self._trouble = trouble
        self._notice = notice
        self._pending = [path.parent / PENDING, *_folder_in_temp()]

    def start_session(
        self, *, player: str, hand: Hand, source: str, settings_digest: str, app_version: str
    ) -> SessionWriter:
        """Begin a session now. Always succeeds: what cannot go to the database goes to a side file."""
        start = SessionStart(
            id=str(uuid4()),
            player=_printable(player),
            hand=hand,
            source=_printable(source),
            settings_digest=settings_digest,
            app_version=app_version,
            started_utc=datetime.now(UTC),
        )
        return SessionWriter(start, self.path, self.engine, self._trouble, self._pending, self._notice)

    def sessions(self) -> list[SavedSession]:
        """All sessions, oldest first. Raises StoreError when the database cannot be read."""
        with self._reading() as connection:
            return [_session_of(row) for row in connection.execute(_all_sessions())]

    def session(self, session_id: str) -> SavedSession:
        """One session. Raises StoreError when there is none of this id."""
        with self._reading() as connection:
            row = connection.execute(_all_sessions().where(sessions.c.id == session_id)).one_or_none()
            if row is None:
                raise StoreError(f"{self.path} has no session {session_id}")
            return _session_of(row)

    def reps(self, session_id: str, *, discarded: bool = False) -> list[Rep]:
        """The reps of a session in order, equal to what was saved, with later results; on request the discarded ones
        too. Raises StoreError when there is no session of this id.
        """
        self.session(session_id)
        with self._reading() as connection:
            return _read_reps(connection, session_id, discarded)

    def merge_pending(self) -> int:
        """Merge side files into the database; how many reps were new. Merging a line twice changes nothing.

        A side file goes away only after the commit; one with damaged lines is kept as *.damaged, and said.
        """
        if self.engine is None:
            return 0
        merged = 0
        for folder in self._pending:
            for path in side_file.claim(folder):
                merged += self._merge(self.engine, path)
        if merged:
            self._notice(f"{_count(merged, 'rep')} of an earlier session joined {self.path}")
        return merged

    def close(self) -> None:
        """Let go of the file; may be called twice."""
        if self.engine is not None:
            self.engine.dispose()

    def _merge(self, engine: Engine, path: Path) -> int:
        try:
            changes, damaged = side_file.read(path)
            with _writing(engine) as connection:
                new = sum(_apply(connection, change) and change.rep is not None for change in changes)
        except OSError as error:
            self._notice(f"{path} {_why(error)}; it stays and is merged at a later start")
            return 0
        except _DATABASE_ERRORS as error:
            self._notice(f"{self.path} {_why(error)}; {path} stays and is merged at a later start")
            return 0
        try:
            if damaged:
                kept = path.rename(path.with_suffix(side_file.DAMAGED))
                self._notice(f"{_count(damaged, 'line')} of a side file could not be read; all of it is kept as {kept}")
            else:
                path.unlink(missing_ok=True)
        except OSError as error:
            self._notice(f"{path} was merged but {_why(error)}; it may be deleted")
        return new

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        if self.engine is None:
            raise StoreError(self._trouble)
        try:
            with self.engine.connect() as connection:
                yield connection
        except _DATABASE_ERRORS as error:
            raise StoreError(f"{self.path} {_why(error)}") from None


class SessionWriter:
    """Keeps the reps of one session (ports.RepSink). May be used from several threads."""

    def __init__(
        self,
        start: SessionStart,
        path: Path,
        engine: Engine | None,
        trouble: str,
        pending: Iterable[Path],
        notice: Notice,
    ) -> None:
        self.start = start
        self._path = path
        self._engine = engine
        self._trouble = trouble
        self._side_files = [folder / f"{start.id}{side_file.WRITING}" for folder in pending]
        self._told: Path | None = None
        self._notice = notice
        self._lock = threading.Lock()
        self._closed = False
        try:
            self._write(Change(start))
        except StoreError as error:  # each rep will be tried again: space may be made meanwhile
            notice(str(error))

    @property
    def id(self) -> str:
        """UUID of the session."""
        return self.start.id

    def save(self, rep: Rep) -> None:
        """Return only when the rep is safe on disk, in the database or a side file.

        Raises StoreError when the session already has a rep of this index, or when nothing at all can be written.
        """
        if not self._write(Change(self.start, rep=rep)):
            raise StoreError(f"the session already has a rep {rep.index}")

    def update_rep_result(self, index: int, result: Result | None) -> None:
        """Say afterwards whether the shot went in; None takes it back. Raises StoreError for an unknown rep."""
        if not self._write(Change(self.start, result_of=index, result=result)):
            raise StoreError(f"the session has no rep {index}")

    def discard_rep(self, index: int) -> None:
        """Mark a rep that was none; it stays in the database. Raises StoreError for an unknown rep."""
        if not self._write(Change(self.start, discarded=index)):
            raise StoreError(f"the session has no rep {index}")

    def close(self, summary: SessionSummary | None = None) -> None:
        """Finish the session and keep its summary; from the second call on nothing happens."""
        if not self._closed:
            self._closed = True
            if summary is not None:
                self._write(Change(self.start, summary=summary))

    def _write(self, change: Change) -> bool:
        """False when the database holds the rep already, or lacks the rep that is to change."""
        with self._lock:
            if self._engine is not None:
                try:
                    with _writing(self._engine) as connection:
                        return _apply(connection, change)
                except _DATABASE_ERRORS as error:
                    # for the rest of the session: waiting for a lock at each rep would make every cue late
                    self._engine = None
                    self._trouble = f"{self._path} {_why(error)}"
            self._write_aside(change)
            return True

    def _write_aside(self, change: Change) -> None:
        """To the first folder that takes it, and never back to an earlier one: files are merged in this order."""
        troubles = []
        for position, path in enumerate(self._side_files):
            try:
                side_file.append(path, change)
            except OSError as error:
                troubles.append(f"{path} {_why(error)}")
                continue
            del self._side_files[:position]
            if path != self._told:
                self._told = path
                self._notice(f"{self._trouble}; this session goes on in {path} and joins at the next start")
            return
        raise StoreError(f"{troubles[0]}; make room on the disk or set another storage.folder")


def _open_engine(path: Path, notice: Notice) -> Engine:
    engine = _engine(path)
    try:
        _check(engine)
    except StoreError as error:
        engine.dispose()
        raise StoreError(f"{path}: {error}") from None
    except (NotOurDatabase, *_DATABASE_ERRORS) as error:
        engine.dispose()
        if not isinstance(error, NotOurDatabase) and _code(error) not in (
            sqlite3.SQLITE_CORRUPT,
            sqlite3.SQLITE_NOTADB,
        ):
            raise
        kept = _move_aside(path)
        notice(f"{path} is damaged or no database of rimward; it is kept as {kept.name} and a new one is begun")
        engine = _engine(path)
        _check(engine)
    return engine


def _engine(path: Path) -> Engine:
    engine = create_engine(URL.create("sqlite", database=str(path)), connect_args={"timeout": LOCK_TIMEOUT_S})

    @event.listens_for(engine, "connect")
    def _connected(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # the driver's own BEGIN comes too late for DDL; ours is below
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begun(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


@contextmanager
def _writing(engine: Engine) -> Iterator[Connection]:
    """One transaction that holds the write lock from its start, so that what it reads stays true until it commits."""
    with engine.execution_options(writes=True).begin() as connection:
        yield connection


def _check(engine: Engine) -> None:
    """Find damage, then create or migrate the tables where need be; a current database is only read."""
    with engine.connect() as connection:
        if connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() != "ok":
            raise NotOurDatabase
        current = is_current(connection)
    if not current:
        with _writing(engine) as connection:
            bring_up_to_date(connection)


def _move_aside(path: Path) -> Path:
    """Rename the database and its companions, which may hold its last transactions; gives the new name."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    kept = path.with_name(f"{path.stem}.damaged-{stamp}{path.suffix}")
    if kept.exists():
        kept = path.with_name(f"{path.stem}.damaged-{stamp}-{uuid4().hex[:8]}{path.suffix}")
    for companion in ("", "-wal", "-shm"):
        if (old := path.with_name(path.name + companion)).exists():
            old.rename(kept.with_name(kept.name + companion))
    return kept


def _apply(connection: Connection, change: Change) -> bool:
    """False when the rep is there already, or the rep that is to change is not."""
    _ensure_session(connection, change.start)
    if change.rep is not None:
        return _insert_rep(connection, change.start, change.rep)
    if change.result_of is not None:
        return _update_rep(connection, change.start, change.result_of, result=change.result)
    if change.discarded is not None:
        return _update_rep(connection, change.start, change.discarded, discarded=True)
    if change.summary is not None:
        values = {name: getattr(change.summary, name) for name in SessionSummary.__slots__}
        connection.execute(update(sessions).where(sessions.c.id == change.start.id).values(values))
    return True


def _ensure_session(connection: Connection, start: SessionStart) -> None:
    if connection.scalar(select(sessions.c.id).where(sessions.c.id == start.id)) is not None:
        return
    namesakes = select(players.c.id).where(players.c.name == start.player).order_by(players.c.created_utc).limit(1)
    player = connection.scalar(namesakes)
    started_utc = start.started_utc.astimezone(UTC).isoformat()
    if player is None:
        player = str(uuid4())
        connection.execute(insert(players).values(id=player, name=start.player, created_utc=started_utc))
    connection.execute(
        insert(sessions).values(
            id=start.id,
            player_id=player,
            hand=start.hand,
            source=start.source,
            settings_digest=start.settings_digest,
            app_version=start.app_version,
            started_utc=started_utc,
        )
    )


def _update_rep(connection: Connection, start: SessionStart, index: int, **values: object) -> bool:
    which = (reps.c.session_id == start.id) & (reps.c.rep_index == index)
    return connection.execute(update(reps).where(which).values(values)).rowcount > 0


def _insert_rep(connection: Connection, start: SessionStart, rep: Rep) -> bool:
    which = (reps.c.session_id == start.id) & (reps.c.rep_index == rep.index)
    if connection.scalar(select(reps.c.number).where(which)) is not None:
        return False
    inserted = connection.execute(
        insert(reps).values(
            id=str(uuid5(UUID(start.id), str(rep.index))),  # the same rep gets the same id wherever it is merged
            session_id=start.id,
            rep_index=rep.index,
            hand=rep.hand,
            motion=rep.motion,
            release_phase=rep.release_phase,
            result=rep.result,
            discarded=False,
            **{instant: _number(getattr(rep.events, instant)) for instant in Events.__slots__},
        )
    )
    assert inserted.inserted_primary_key is not None
    number = inserted.inserted_primary_key[0]
    term = _term_ids(connection, _texts(rep))
    if rep.measurements:
        connection.execute(
            insert(measurements),
            [
                {
                    "rep": number,
                    "position": position,
                    "name": term[name],
                    "value": _number(measured.value),
                    "sigma": _number(measured.sigma),
                    "basis": term.get(measured.basis),
                    "reason": term.get(measured.reason),
                }
                for position, (name, measured) in enumerate(rep.measurements.items())
            ],
        )
    if rep.findings:
        connection.execute(
            insert(findings),
            [
                {
                    "rep": number,
                    "position": position,
                    "check": term[finding.check],
                    "verdict": term[finding.verdict],
                    "measurement": term[finding.measurement],
                    "excess_sigmas": _number(finding.excess_sigmas),
                }
                for position, finding in enumerate(rep.findings)
            ],
        )
    if rep.cue is not None:
        connection.execute(insert(cues).values(rep=number, check=term[rep.cue.check], text=term[rep.cue.text]))
    return True


def _texts(rep: Rep) -> set[str]:
    texts: set[str | None] = set(rep.measurements)
    for measured in rep.measurements.values():
        texts |= {measured.basis, measured.reason}
    for finding in rep.findings:
        texts |= {finding.check, finding.verdict, finding.measurement}
    if rep.cue is not None:
        texts |= {rep.cue.check, rep.cue.text}
    return {text for text in texts if text is not None}


def _term_ids(connection: Connection, texts: set[str]) -> dict[str | None, int]:
    if not texts:
        return {}
    connection.execute(insert_or_skip(terms).on_conflict_do_nothing(), [{"text": text} for text in sorted(texts)])
    found = connection.execute(select(terms.c.text, terms.c.id).where(terms.c.text.in_(texts)))
    return {row.text: row.id for row in found}


def _all_sessions() -> Select[Any]:
    kept = select(func.count()).where(reps.c.session_id == sessions.c.id, ~reps.c.discarded).scalar_subquery()
    query = select(sessions, players.c.name.label("player"), kept.label("kept")).join(players)
    return query.order_by(sessions.c.started_utc)


def _session_of(row: Row[Any]) -> SavedSession:
    started = datetime.fromisoformat(row.started_utc)
    start = SessionStart(row.id, row.player, row.hand, row.source, row.settings_digest, row.app_version, started)
    ended = row.frames is not None
    summary = SessionSummary(**{name: getattr(row, name) for name in SessionSummary.__slots__}) if ended else None
    return SavedSession(start, row.kept, summary)


def _read_reps(connection: Connection, session_id: str, discarded: bool) -> list[Rep]:
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
        )
        for row in connection.execute(select(reps).where(chosen).order_by(reps.c.rep_index))
    ]


def _number(value: float | None) -> float | None:
    """SQLite's driver refuses NumPy's own types."""
    return None if value is None else float(value)


def _printable(text: str) -> str:
    """File names may hold bytes that are no text in the system's encoding; no database takes them."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _folder_in_temp() -> list[Path]:
    """Where side files go when the data folder refuses; empty when somebody else sits on the name."""
    try:
        temp = Path(tempfile.gettempdir())
    except OSError:  # no folder that could be written, for instance on a full disk
        return []
    folder = temp / (f"rimward-{os.getuid()}" if hasattr(os, "getuid") else "rimward")
    try:
        seen = folder.lstat()
    except OSError:  # not there yet; or not readable, which the first side file will say
        return [folder]
    ours = not hasattr(os, "getuid") or (seen.st_uid == os.getuid() and not folder.is_symlink())
    return [folder] if ours else []


def _code(error: BaseException) -> int:
    """SQLite's primary result code; 0 when the error has none."""
    cause = getattr(error, "orig", None) or error
    return int(getattr(cause, "sqlite_errorcode", 0)) & 0xFF


def _why(error: BaseException) -> str:
    if (code := _code(error)) in _REASONS:
        return _REASONS[code]
    cause = getattr(error, "orig", None) or error
    what = (cause.strerror if isinstance(cause, OSError) else None) or str(cause).partition("\n")[0]
    return f"cannot be used ({what})"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _to_standard_error(message: str) -> None:
    print(message, file=sys.stderr)
