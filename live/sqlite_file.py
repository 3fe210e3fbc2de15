"""The database's file: how it is opened, checked, copied and moved aside, and what is wrong with it in words."""

from __future__ import annotations

import errno
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import SQLAlchemyError

from .errors import StoreError
from .schema import VERSION, NotOurDatabase, bring_up_to_date, is_current, is_older

BACKUPS = "backups"
LOCK_TIMEOUT_S = 1.0
"""How long a rep waits for another program's transaction; ours take milliseconds, so longer means that it hangs."""

Notice = Callable[[str], None]
"""Takes one line for people."""

DRIVER_ERRORS = (sqlite3.Error, UnicodeDecodeError)
"""What Python's SQLite driver raises. It puts SQLite's message together as UTF-8, and of a damaged schema that message
quotes bytes that need be no text: what comes out then is a UnicodeDecodeError.
"""
DATABASE_ERRORS = (SQLAlchemyError, *DRIVER_ERRORS)
DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_REASONS = {
    sqlite3.SQLITE_BUSY: "is held by another program",
    sqlite3.SQLITE_LOCKED: "is held by another program",
    sqlite3.SQLITE_FULL: "cannot grow, the disk is full",
    sqlite3.SQLITE_READONLY: "cannot be written",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened",
    sqlite3.SQLITE_CORRUPT: "is damaged",
    sqlite3.SQLITE_NOTADB: "is damaged",
}


def open_engine(path: Path, notice: Notice) -> Engine:
    """Open or create; a damaged file is moved aside and a new one begun. Raises StoreError for a newer program's, and
    OSError or the database's own errors for what cannot be opened.
    """
    engine = sqlite_engine(path)
    try:
        check(engine, path, notice)
    except StoreError as error:
        engine.dispose()
        raise StoreError(f"{path}: {error}") from None
    except (NotOurDatabase, *DATABASE_ERRORS) as error:
        engine.dispose()
        if not isinstance(error, NotOurDatabase) and _code(error) not in DAMAGED:
            raise
        kept = move_aside(path)
        notice(
            f"{path} is damaged or no database of rimward; it is kept as {kept.name} and a new one is begun; "
            f"{_way_back(path.parent)}"
        )
        engine = sqlite_engine(path)
        check(engine, path, notice)
    return engine


def _way_back(folder: Path) -> str:
    backups = sorted((folder / BACKUPS).glob("*.zip"), key=lambda path: path.stat().st_mtime)
    if backups:
        return f"rimward restore {backups[-1]} brings back the last backup"
    return "rimward merge takes over what can still be read of it"


def sqlite_engine(path: Path) -> Engine:
    """How every file is opened: foreign keys, write-ahead log, full synchronisation, transactions of our own."""
    engine = create_engine(URL.create("sqlite", database=str(path)), connect_args={"timeout": LOCK_TIMEOUT_S})

    @event.listens_for(engine, "connect")
    def _connected(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # the driver's own BEGIN comes too late for DDL; ours is below
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begun(connection: Connection) -> None:
        options = connection.get_execution_options()
        if options.get("secure", False):
            connection.exec_driver_sql("PRAGMA secure_delete = ON")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get("writes", False) else "BEGIN")

    return engine


@contextmanager
def writing(engine: Engine, *, secure: bool = False) -> Iterator[Connection]:
    """One transaction that holds the write lock from its start, so that what it reads stays true until it commits."""
    with engine.execution_options(writes=True, secure=secure).begin() as connection:
        yield connection


def check(engine: Engine, path: Path, notice: Notice) -> None:
    """Find damage, then create or migrate the tables where need be; a current database is only read."""
    with engine.connect() as connection:
        if connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() != "ok":
            raise NotOurDatabase
        current, older = is_current(connection), is_older(connection)
    if current:
        return
    kept = path.with_name(f"{path.stem}.before-version-{VERSION}{path.suffix}")
    if older and not kept.exists():
        copy_database(path, kept)
        notice(f"{path} is brought up to date; as it was it is kept as {kept.name}")
    with writing(engine) as connection:
        bring_up_to_date(connection)


def copy_database(path: Path, copy: Path) -> None:
    """A copy that is whole although other programs may write meanwhile; `path` itself is only read.

    Raises OSError, sqlite3.Error.
    """
    part = copy.with_name(f"{copy.name}.part")
    part.unlink(missing_ok=True)
    try:
        with closing(_read_only(path)) as old, closing(sqlite3.connect(part)) as new:
            copy_pages(old, new)
        part.replace(copy)
    finally:
        part.unlink(missing_ok=True)


def copy_pages(old: sqlite3.Connection, new: sqlite3.Connection) -> None:
    """One whole database over another. Raises sqlite3.Error, also when a program holds either for too long: the
    driver by itself would wait for ever.
    """
    waiting_since: list[float] = []

    def not_for_ever(status: int, _remaining: int, _total: int) -> None:
        if status not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            waiting_since.clear()
            return
        waiting_since.append(time.monotonic())
        if waiting_since[-1] - waiting_since[0] > LOCK_TIMEOUT_S:
            held = sqlite3.OperationalError("database is locked")
            held.sqlite_errorcode = status
            raise held

    old.backup(new, progress=not_for_ever, sleep=0.05)


def _read_only(path: Path) -> sqlite3.Connection:
    uri = path.absolute().as_uri()
    connection = sqlite3.connect(f"{uri}?mode=ro", uri=True, timeout=LOCK_TIMEOUT_S)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.OperationalError:
        connection.close()
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size:
            raise
        # on a medium that cannot be written SQLite cannot make the companions of a log, and needs none
        connection = sqlite3.connect(f"{uri}?immutable=1", uri=True)
    except DRIVER_ERRORS:
        connection.close()
        raise
    return connection


def stamp() -> str:
    """Now, for names of files."""
    return datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")


def move_aside(path: Path) -> Path:
    """Rename the database and its companions, which may hold its last transactions; gives the new name."""
    kept = path.with_name(f"{path.stem}.damaged-{stamp()}{path.suffix}")
    if kept.exists():
        kept = path.with_name(f"{path.stem}.damaged-{stamp()}-{uuid4().hex[:8]}{path.suffix}")
    for companion in ("", "-wal", "-shm"):
        if (old := path.with_name(path.name + companion)).exists():
            old.rename(kept.with_name(kept.name + companion))
    return kept


def _code(error: BaseException) -> int:
    """SQLite's primary result code; 0 when the error has none."""
    cause = getattr(error, "orig", None) or error
    if isinstance(cause, UnicodeDecodeError) or str(cause).startswith("Could not decode to UTF-8"):
        return sqlite3.SQLITE_CORRUPT  # everything that we write is UTF-8
    return int(getattr(cause, "sqlite_errorcode", 0)) & 0xFF


def why(error: BaseException) -> str:
    """What is wrong with a file or database, as the end of a sentence that begins with its name."""
    if (code := _code(error)) in _REASONS:
        return _REASONS[code]
    cause = getattr(error, "orig", None) or error
    what = (cause.strerror if isinstance(cause, OSError) else None) or str(cause).partition("\n")[0]
    return f"cannot be used ({what})"


def is_full(error: BaseException) -> bool:
    """Whether it was for want of room that a file or database took nothing."""
    return _code(error) == sqlite3.SQLITE_FULL or getattr(error, "errno", None) == errno.ENOSPC


def from_sqlite(error: BaseException) -> bool:
    """Whether it was this laptop's database that failed, and not a server's."""
    return isinstance(getattr(error, "orig", None) or error, DRIVER_ERRORS)
