"""Where sessions are kept: SQLite in the user's data folder, and a side file when the database cannot take a rep.

A rep is committed with its measurements, findings and cue in one transaction, with write-ahead logging and full
synchronisation: once `save` has returned, neither a killed program nor a power cut takes it away. When the database is
locked, full, read-only or damaged, the session goes on in a side file (side_file.py), which joins at the next start.
"""

from __future__ import annotations

import shutil
import sys
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

from sqlalchemy import ColumnElement, Connection, Engine, Table, func, insert, select, update

from . import history, player_rows, removal, rep_files, roster, side_file
from .errors import StoreError
from .history import History, Note, NoteKind, Target
from .places import DATABASE, pending_folders
from .plural import counted
from .records import Rep, Result
from .roster import Player
from .schema import notes, players, reps, sessions, targets
from .session_records import Hand, SavedSession, SessionStart, SessionSummary
from .session_rows import apply, number
from .side_file import Change
from .sqlite_file import DATABASE_ERRORS, Notice, from_sqlite, is_full, open_engine, why, writing


def open_store(folder: Path, notice: Notice | None = None) -> Store:
    """Open or create the database in `folder` and merge what earlier sessions left in side files.

    Practice must be possible whatever the disk does: a damaged database is moved aside and a new one begun, and one
    that cannot be opened leaves a store whose sessions go to side files. Both are said through `notice`, one line each,
    to standard error by default. Raises StoreError only for a database of a newer program.
    """
    notice = notice or _to_standard_error
    path = folder / DATABASE
    engine, trouble = None, ""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        engine = open_engine(path, notice)
    except (OSError, *DATABASE_ERRORS) as error:
        trouble = f"{path} {why(error)}"
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
        self._pending = pending_folders(path.parent)

    @property
    def folder(self) -> Path:
        """The data folder: database, side files, backups, media (rep_files.py)."""
        return self.path.parent

    # ---- sessions and reps

    @property
    def readable(self) -> bool:
        """Whether the database could be opened; its sessions go to side files otherwise."""
        return self.engine is not None

    def start_session(
        self,
        *,
        player: str,
        hand: Hand,
        source: str,
        settings_digest: str,
        app_version: str,
        stature_m: float | None = None,
        drill: str | None = None,
        calibration: str | None = None,
        view: str | None = None,
        film: str | None = None,
        started_utc: datetime | None = None,
    ) -> SessionWriter:
        """Begin a session now, or at `started_utc` for a recording; an unknown player is a new one. Always succeeds:
        what cannot go to the database goes to a side file.
        """
        try:
            name = roster.clean_name(player)
        except StoreError:  # practice must be possible whatever the name; it can be changed afterwards
            name = roster.UNNAMED
        start = SessionStart(
            id=str(uuid4()),
            player=name,
            hand=hand,
            source=_printable(source),
            settings_digest=settings_digest,
            app_version=app_version,
            started_utc=started_utc or datetime.now(UTC),
            stature_m=stature_m,
            drill=drill,
            calibration=calibration,
            view=view,
            film=film,
        )
        return SessionWriter(start, self.path, self.engine, self._trouble, self._pending, self._notice)

    def sessions(self, player: str | None = None, since: datetime | None = None) -> list[SavedSession]:
        """Sessions, oldest first: all, or those of one player (name or beginning of the UUID), or those that began at
        `since` or later. Raises StoreError when the database cannot be read, or there is no such player.
        """
        player_id = None if player is None else self.player(player).id
        with self.reading() as connection:
            return history.read_sessions(connection, player_id, since)

    def session(self, asked: str) -> SavedSession:
        """One session, by its UUID, the beginning of it (four letters or more), or "last". Raises StoreError when
        there is none, or more than one.
        """
        with self.reading() as connection:
            query = select(sessions.c.id).where(sessions.c.id == asked.lower())
            if asked == "last":
                query = select(sessions.c.id).order_by(sessions.c.started_utc.desc()).limit(1)
            elif len(asked) < 36:
                query = select(sessions.c.id).where(sessions.c.id.startswith(asked.lower(), autoescape=True)).limit(3)
            found = list(connection.scalars(query)) if len(asked) >= 4 else []
            if len(found) == 1:
                return history.read_sessions(connection, ids=found)[0]
        what = roster.show_name(asked)
        if found:
            raise StoreError(f"more than one session begins with {what}; give more letters")
        raise StoreError(f"{self.path} has no session {what}; rimward sessions lists them")

    def sessions_of_film(self, film: str) -> list[SavedSession]:
        """The sessions that came from this recording (SessionStart.film), oldest first."""
        with self.reading() as connection:
            found = list(connection.scalars(select(sessions.c.id).where(sessions.c.film == film)))
            return history.read_sessions(connection, ids=found)

    def reps(self, session_id: str, *, discarded: bool = False) -> list[Rep]:
        """The reps of a session in order, equal to what was saved, with later results; on request the discarded ones
        too. Raises StoreError when there is no session of this id.
        """
        self.session(session_id)
        with self.reading() as connection:
            return history.read_reps(connection, session_id, discarded)

    def discarded(self, session_id: str) -> set[int]:
        """Indices of the reps that were taken out of a session."""
        with self.reading() as connection:
            query = select(reps.c.rep_index).where(reps.c.session_id == session_id, reps.c.discarded)
            return set(connection.scalars(query))

    def history(
        self,
        player: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        ids: Sequence[str] | None = None,
    ) -> History:
        """The reps of many sessions as NumPy columns: of one player, of a span of time, or of these sessions."""
        player_id = None if player is None else self.player(player).id
        with self.reading() as connection:
            chosen = history.read_sessions(connection, player_id, since, until, ids)
            return history.read_history(connection, chosen)

    def measured(self, session_ids: Sequence[str]) -> set[str]:
        """Names of what was measured in these sessions."""
        with self.reading() as connection:
            return history.read_names(connection, session_ids)

    def remove_session(self, session_id: str) -> None:
        """Take one session out for good, with its reps, notes and files. Raises StoreError."""
        with self.changing() as connection:
            removal.remove_session(connection, session_id, remember=True)
        self.remove_files([session_id])

    # ---- players

    def players(self) -> list[Player]:
        """Everybody, by name. Raises StoreError when the database cannot be read."""
        with self.reading() as connection:
            return history.read_players(connection)

    def player(self, asked: str) -> Player:
        """A player by name, or by the first letters of the UUID. Raises StoreError that names who is similar."""
        return roster.find(self.players(), asked)

    def forgotten(self) -> set[str]:
        """UUIDs of players and sessions that were taken out for good. Raises StoreError."""
        with self.reading() as connection:
            return removal.all_forgotten(connection)

    def add_player(self, name: str, **facts: object) -> Player:
        """A new player; facts as in roster.FACTS. Raises StoreError for a taken name or a fact that cannot be."""
        name = roster.clean_name(name)
        with self.changing() as connection:
            if player_rows.namesake(connection, name) is not None:
                raise StoreError(f"there is a player {name} already; choose a name that tells the two apart")
            player_id = player_rows.add(connection, name, roster.now_utc(), facts)
        return self.player(player_id)

    def edit_player(self, player_id: str, **facts: object) -> Player:
        """Change facts (roster.FACTS; None: not known) or the `name`. Raises StoreError."""
        with self.changing() as connection:
            player_rows.edit(connection, player_id, facts)
        return self.player(player_id)

    def unite_players(self, player_id: str, other_id: str) -> Player:
        """Two records of one person become one, the first. Raises StoreError."""
        if player_id == other_id:
            raise StoreError("a player cannot be united with himself or herself; name two")
        with self.changing() as connection:
            player_rows.unite(connection, player_id, other_id)
        return self.player(player_id)

    def remove_player(self, player_id: str, *, everywhere: bool) -> None:
        """Take a player out: database, files, and what deleting leaves in the file's unused pages. With `everywhere`
        the UUIDs stay among the forgotten: other databases then forget the player at the next exchange; without it
        an exchange may bring the player back. Raises StoreError.
        """
        with self.changing(secure=True) as connection:
            ids = removal.ids_of(connection, player_id)
            gone = removal.sessions_of(connection, ids)
            removal.remove_players(connection, ids, remember=everywhere)
        self.remove_files(gone)
        self._compact()

    # ---- notes and targets

    def notes(self, session_id: str, rep_index: int | None = None) -> list[Note]:
        """The notes on a session and its reps, oldest first; with `rep_index` only those on that rep."""
        with self.reading() as connection:
            found = history.read_notes(connection, [session_id])
        return [note for note in found if rep_index is None or note.rep_index == rep_index]

    def add_note(
        self,
        session_id: str,
        text: str = "",
        *,
        rep_index: int | None = None,
        kind: NoteKind = "note",
        t_s: float | None = None,
        author: str = "",
    ) -> Note:
        """Keep a remark or a mark on a session or one of its reps. Raises StoreError when that does not exist."""
        note = {
            "id": str(uuid4()),
            "session_id": session_id,
            "rep_index": rep_index,
            "kind": kind,
            "text": _printable(text).replace("\x00", ""),
            "t_s": number(t_s),
            "author": _printable(author).replace("\x00", ""),
            "created_utc": roster.now_utc(),
        }
        with self.changing() as connection:
            which = reps.c.session_id == session_id
            known = select(sessions.c.id).where(sessions.c.id == session_id)
            if rep_index is not None:
                known = select(reps.c.number).where(which, reps.c.rep_index == rep_index)
            if connection.scalar(known) is None:
                what = f"session {session_id}" if rep_index is None else f"rep {rep_index} in session {session_id}"
                raise StoreError(f"{self.path} has no {what} to write a note on")
            connection.execute(insert(notes).values(note))
        created = datetime.fromisoformat(str(note["created_utc"]))
        return Note(**(note | {"created_utc": created}))  # type: ignore[arg-type]

    def edit_note(self, note_id: str, text: str) -> None:
        """Write other words. Raises StoreError when there is no such note."""
        self._change_row(notes, note_id, text=_printable(text).replace("\x00", ""))

    def remove_note(self, note_id: str) -> None:
        """Take a note back. Raises StoreError when there is no such note."""
        self._change_row(notes, note_id, removed=True, text="")

    def targets(self, player_id: str) -> list[Target]:
        """Where the coach wants this player's measurements."""
        with self.reading() as connection:
            return history.read_targets(connection, player_id)

    def set_target(
        self,
        player_id: str,
        measurement: str,
        low: float | None,
        high: float | None,
        *,
        name: str = "",
        locked: bool = False,
        author: str = "",
    ) -> Target:
        """Set where a measurement should lie, in place of an earlier target for it. Raises StoreError, ValueError."""
        created = roster.now_utc()
        target = Target(
            id=str(uuid4()),
            player_id=player_id,
            measurement=measurement,
            low=number(low),
            high=number(high),
            name=_printable(name),
            locked=locked,
            author=_printable(author),
            created_utc=datetime.fromisoformat(created),
        )
        with self.changing() as connection:
            old = _targets_for(connection, player_id, measurement)
            connection.execute(update(targets).where(old).values(removed=True, changed_utc=created))
            values = {column: getattr(target, column) for column in Target.__slots__} | {"created_utc": created}
            connection.execute(insert(targets).values(values))
        return target

    def remove_target(self, target_id: str) -> None:
        """Take a target back, and those that it holds in place of. Raises StoreError when there is no such target."""
        with self.changing() as connection:
            asked = select(targets).where(targets.c.id == target_id, ~targets.c.removed)
            if (row := connection.execute(asked).one_or_none()) is None:
                raise StoreError(f"{self.path} has no target {target_id}")
            old = _targets_for(connection, row.player_id, row.measurement)
            connection.execute(update(targets).where(old).values(removed=True, changed_utc=roster.now_utc()))

    # ---- the file itself

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
            self._notice(f"{counted(merged, 'rep')} of an earlier session joined {self.path}")
        return merged

    def close(self) -> None:
        """Let go of the file; may be called twice."""
        if self.engine is not None:
            self.engine.dispose()

    def _merge(self, engine: Engine, path: Path) -> int:
        try:
            changes, damaged = side_file.read(path)
            with writing(engine) as connection:
                new = sum(apply(connection, change) and change.rep is not None for change in changes)
        except OSError as error:
            self._notice(f"{path} {why(error)}; it stays and is merged at a later start")
            return 0
        except DATABASE_ERRORS as error:
            self._notice(f"{self.path} {why(error)}; {path} stays and is merged at a later start")
            return 0
        try:
            if damaged:
                kept = path.rename(path.with_suffix(side_file.DAMAGED))
                self._notice(
                    f"{counted(damaged, 'line')} of a side file could not be read; all of it is kept as {kept}"
                )
            else:
                path.unlink(missing_ok=True)
        except OSError as error:
            self._notice(f"{path} was merged but {why(error)}; it may be deleted")
        return new

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database. Raises StoreError."""
        if self.engine is None:
            raise StoreError(self._trouble)
        try:
            with self.engine.connect() as connection:
                yield connection
        except DATABASE_ERRORS as error:
            if not from_sqlite(error):  # the server's side of an exchange, which has its own words
                raise
            raise StoreError(f"{self.path} {why(error)}") from None

    @contextmanager
    def changing(self, *, secure: bool = False) -> Iterator[Connection]:
        """One transaction, whole or not at all; `secure` overwrites what is deleted. Raises StoreError."""
        if self.engine is None:
            raise StoreError(f"{self._trouble}; nothing was changed")
        try:
            with writing(self.engine, secure=secure) as connection:
                yield connection
        except DATABASE_ERRORS as error:
            if not from_sqlite(error):
                raise
            raise StoreError(f"{self.path} {why(error)}; nothing was changed") from None

    def _change_row(self, table: Table, row_id: str, **values: object) -> None:
        which = (table.c.id == row_id) & ~table.c.removed
        with self.changing() as connection:
            values["changed_utc"] = roster.now_utc()
            if connection.execute(update(table).where(which).values(values)).rowcount == 0:
                raise StoreError(f"{self.path} has no {table.name.removesuffix('s')} {row_id}")

    def remove_files(self, session_ids: Iterable[str]) -> None:
        """Delete the files of these sessions. Raises StoreError that names what could not be deleted."""
        left = []
        for session_id in session_ids:
            folder = rep_files.session_folder(self.folder, session_id)
            try:
                if folder.exists():
                    shutil.rmtree(folder)
            except OSError:
                left.append(str(folder))
        if left:
            raise StoreError(f"taken out of the database, but these files stay and must be deleted: {', '.join(left)}")

    def _compact(self) -> None:
        """Write the file anew, so that neither it nor its log holds anything of what was deleted."""
        assert self.engine is not None
        trouble = ""
        try:
            with closing(self.engine.raw_connection()) as raw:
                raw.execute("VACUUM")
                (busy, _, _) = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                trouble = "is held by another program" if busy else ""
        except DATABASE_ERRORS as error:
            trouble = why(error)
        if trouble:
            self._notice(
                f"{self.path} {trouble}: what was taken out is gone, but its bytes stay in the file until other "
                "programs of rimward have ended and rimward is started once more"
            )


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
        self._reps_aside: set[int] = set()
        self.full = False
        """The disk had no room when the database, or a side file, was to take something."""
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

    @property
    def aside(self) -> bool:
        """Whether the session goes on in a side file, which joins the database at the next start."""
        return self._told is not None

    @property
    def reps_aside(self) -> frozenset[int]:
        """Indices of the reps that wait there."""
        return frozenset(self._reps_aside)

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

    def note_answer(self, index: int, answer: str) -> None:
        """Keep what was said when somebody asked about the rep (Rep.answer). Raises StoreError for an unknown rep."""
        if not self._write(Change(self.start, answer_of=index, answer=answer)):
            raise StoreError(f"the session has no rep {index}")

    def discard_rep(self, index: int) -> None:
        """Mark a rep that was none; it stays in the database. Raises StoreError for an unknown rep."""
        if not self._write(Change(self.start, discarded=index)):
            raise StoreError(f"the session has no rep {index}")

    def restore_rep(self, index: int) -> None:
        """A rep that was marked as none is one after all. Raises StoreError for an unknown rep."""
        if not self._write(Change(self.start, restored=index)):
            raise StoreError(f"the session has no rep {index}")

    def seen_from(self, view: str) -> None:
        """Keep from where the camera looks (viewpoint.py), which is known once somebody has shot. Raises StoreError."""
        self._write(Change(self.start, view=view))

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
                    with writing(self._engine) as connection:
                        return apply(connection, change)
                except DATABASE_ERRORS as error:
                    # for the rest of the session: waiting for a lock at each rep would make every cue late
                    self._engine = None
                    self._trouble, self.full = f"{self._path} {why(error)}", is_full(error)
            self._write_aside(change)
            if change.rep is not None:
                self._reps_aside.add(change.rep.index)
            return True

    def _write_aside(self, change: Change) -> None:
        """To the first folder that takes it, and never back to an earlier one: files are merged in this order."""
        troubles = []
        for position, path in enumerate(self._side_files):
            try:
                side_file.append(path, change)
            except OSError as error:
                self.full = self.full or is_full(error)
                troubles.append(f"{path} {why(error)}")
                continue
            del self._side_files[:position]
            if path != self._told:
                self._told = path
                # many systems empty the folder for temporary files when they start
                soon = "" if path.is_relative_to(self._path.parent) else ", which must be before this computer restarts"
                self._notice(f"{self._trouble}; this session goes on in {path} and joins at the next start{soon}")
            return
        raise StoreError(f"{troubles[0]}; make room on the disk or set another storage.folder")


def _targets_for(connection: Connection, player_id: str, measurement: str) -> ColumnElement[bool]:
    """Whatever was set for this measurement, for any record of the player."""
    root = select(func.coalesce(players.c.same_as, players.c.id)).where(players.c.id == player_id)
    ids = removal.ids_of(connection, connection.scalar(root) or player_id)
    return targets.c.player_id.in_(ids) & (targets.c.measurement == measurement) & ~targets.c.removed


def _printable(text: str) -> str:
    """File names may hold bytes that are no text in the system's encoding; no database takes them."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _to_standard_error(message: str) -> None:
    print(message, file=sys.stderr)
