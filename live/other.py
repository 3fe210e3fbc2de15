"""Another laptop's database: read in a copy that is brought up to date, and saved from damage if need be."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Connection, Engine

from .errors import StoreError
from .plausible import Strange, keep_plausible, refuse_strange
from .plural import counted
from .schema import METADATA, VERSION, NotOurDatabase, bring_up_to_date, is_current
from .sqlite_file import DATABASE_ERRORS, DRIVER_ERRORS, copy_database, sqlite_engine, why, writing

_HEADER = b"SQLite format 3\x00"
_KEYS = {"measurements": ("rep", "name"), "findings": ("rep", "position")}
"""What the rows of a table are ordered by, first and second; the others by their rowid."""
_GREATEST_KEY = 10**9
"""A damaged page may hold any."""
_LONGEST_HURT = 20_000
"""So many keys in a row without a readable one are taken for the end of the table: twice a history of 10,000 reps."""


@contextmanager
def opened_copy(path: Path, notice: Callable[[str], None]) -> Iterator[Connection]:
    """A reading connection to a copy of the database at `path`, which itself is not changed.

    Of a damaged one what can still be read is given, and that is said. Raises StoreError, one line, for what is no
    database of Rimward or that of a newer program.
    """
    try:
        with path.open("rb") as file:
            header = file.read(len(_HEADER))
    except OSError as error:
        raise StoreError(f"{path} {why(error)}") from None
    if header != _HEADER:
        raise StoreError(f"{path} must be a database of rimward (SQLite), found another kind of file")
    with TemporaryDirectory(prefix="rimward-", ignore_cleanup_errors=True) as folder:
        copy = Path(folder) / "copy.db"
        try:
            copy_database(path, copy)
            engine = _ready(copy, path)
            if engine is not None:
                _only_plausible(copy, path, notice)
        except DATABASE_ERRORS as error:
            if not _is_damage(error):
                raise StoreError(f"{path} {why(error)}") from None
            engine = _saved(path, Path(folder), notice)
        except (NotOurDatabase, Strange) as error:
            why_not = f" ({error})" if isinstance(error, Strange) else ""
            raise StoreError(f"{path} is a database, but not one of rimward{why_not}") from None
        except OSError as error:
            raise StoreError(f"{path} cannot be copied to {folder}: {why(error)}") from None
        if engine is None:
            engine = _saved(path, Path(folder), notice)
        try:
            with engine.connect() as connection:
                yield connection
        finally:
            engine.dispose()


def made_ready(copy: Path, path: Path, notice: Callable[[str], None]) -> None:
    """Bring a copy of `path` up to date and take out what cannot be of Rimward. Raises StoreError."""
    try:
        engine = _ready(copy, path)
        if engine is None:
            raise StoreError(f"{path} is damaged")
        engine.dispose()
        _only_plausible(copy, path, notice)
    except (NotOurDatabase, Strange) as error:
        why_not = f" ({error})" if isinstance(error, Strange) else ""
        raise StoreError(f"{path} is a database, but not one of rimward{why_not}") from None
    except DATABASE_ERRORS as error:
        raise StoreError(f"{path} {why(error)}") from None


def _only_plausible(copy: Path, path: Path, notice: Callable[[str], None]) -> None:
    with closing(sqlite3.connect(copy)) as connection:
        removed = keep_plausible(connection)
    if removed:
        notice(f"{path}: {counted(removed, 'row')} cannot be of rimward and stay out")


def _ready(copy: Path, path: Path) -> Engine | None:
    """None when the copy is damaged. Raises Strange, NotOurDatabase, StoreError."""
    with closing(sqlite3.connect(copy)) as connection:
        refuse_strange(connection)
    engine = sqlite_engine(copy)
    try:
        with engine.connect() as connection:
            if connection.exec_driver_sql("PRAGMA quick_check(1)").scalar() != "ok":
                engine.dispose()
                return None
            current = is_current(connection)
        if not current:
            with writing(engine) as connection:
                bring_up_to_date(connection)
    except StoreError as error:
        engine.dispose()
        raise StoreError(f"{path}: {error}") from None
    except BaseException:
        engine.dispose()
        raise
    return engine


def _is_damage(error: BaseException) -> bool:
    return why(error) == "is damaged"


def _saved(path: Path, folder: Path, notice: Callable[[str], None]) -> Engine:
    """A new database with the rows of a damaged one that can still be read."""
    copy = folder / "saved.db"
    engine = sqlite_engine(copy)
    with writing(engine) as connection:
        METADATA.create_all(connection)
    engine.dispose()
    with (
        closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as old,
        closing(sqlite3.connect(copy)) as new,
    ):
        old.execute("PRAGMA writable_schema = ON")  # a table that is described wrong does not hide the others
        broken = [table for table in METADATA.tables if not _rows_over(old, new, table)]
        for child, key, parent in (
            ("sessions", "player_id", "players (id)"),
            ("reps", "session_id", "sessions (id)"),
            ("notes", "session_id", "sessions (id)"),
            ("targets", "player_id", "players (id)"),
            *((table, "rep", "reps (number)") for table in ("measurements", "findings", "cues")),
        ):
            whole, column = parent.removesuffix(")").split(" (")
            new.execute(f"DELETE FROM {child} WHERE {key} NOT IN (SELECT {column} FROM {whole})")
        for table, column in (
            ("measurements", "name"), ("findings", '"check"'), ("findings", "verdict"), ("findings", "measurement"),
            ("cues", '"check"'), ("cues", "text"),
        ):  # fmt: skip
            new.execute(f"DELETE FROM {table} WHERE {column} NOT IN (SELECT id FROM terms)")
        new.execute(f"PRAGMA user_version = {VERSION}")
        new.commit()
    _only_plausible(copy, path, lambda _line: None)
    notice(f"{path} is damaged: what can still be read of it is taken over ({', '.join(broken) or 'all tables'} hurt)")
    return sqlite_engine(copy)


def _rows_over(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> bool:
    """Copy what lies before, between and behind the damage; False when there was some."""
    try:
        theirs = [row[1] for row in old.execute(f"PRAGMA table_info({table})")]
    except DRIVER_ERRORS:
        return False
    ours = [row[1] for row in new.execute(f"PRAGMA table_info({table})")]
    shared = [f'"{name}"' for name in ours if name in theirs]
    if not shared:
        return False
    key, within = _KEYS.get(table, ("rowid", "rowid"))
    rows = f"SELECT {key}, {', '.join(shared)} FROM {table}"
    insert = f"INSERT OR IGNORE INTO {table} ({', '.join(shared)}) VALUES ({', '.join('?' for _ in shared)})"
    at, tried = 0, 0

    def copied(which: str, *values: int) -> bool:
        """False when there is damage on the way."""
        nonlocal at, tried
        for row in _until_damage(old, f"{rows} {which}", values):
            if row is None:
                return False
            new.execute(insert, row[1:])
            if isinstance(row[0], int) and at < row[0] < _GREATEST_KEY:
                at, tried = row[0], 0
        return True

    if copied(f"ORDER BY {key}"):
        return True
    # a search for a key that lies behind the damage finds its way there: the end of the damage is looked for key by key
    while tried < _LONGEST_HURT:
        copied(f"WHERE {key} = ? ORDER BY {within} DESC", at)
        at, tried = at + 1, tried + 1
        if copied(f"WHERE {key} >= ? ORDER BY {key}", at):
            break
    copied(f"ORDER BY {key} DESC")
    return False


def _until_damage(old: sqlite3.Connection, query: str, values: tuple[int, ...]) -> Iterator[tuple[object, ...] | None]:
    """The rows, and None after them where damage ends them."""
    read = 0
    try:
        for row in old.execute(query, values):
            read += 1
            yield row
    except DRIVER_ERRORS:
        # Python's driver steps ahead before it gives a row, and keeps the last one to itself when that step fails
        with suppress(*DRIVER_ERRORS):
            yield from old.execute(f"{query} LIMIT 1 OFFSET {read}", values)
        yield None
