"""The tables of the session database, and how an older database becomes a current one.

Players, sessions and reps carry UUIDs, so that databases of several laptops can be united without doubles. What hangs
on a rep refers to its local number instead, and words that come back (names, reasons) stand once in `terms`: a season
of ten thousand reps would otherwise be mostly repeated text.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Float,
    ForeignKey,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    inspect,
)

from .errors import StoreError

VERSION = 1
"""Kept in the file's `user_version`. Raise it with every change of the tables and add the step to MIGRATIONS."""

MIGRATIONS: dict[int, Callable[[Connection], None]] = {}
"""MIGRATIONS[n] turns a database of version n into one of version n + 1; all steps run in one transaction."""

METADATA = MetaData()

terms = Table(
    "terms",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("text", Text, nullable=False, unique=True),
)

players = Table(
    "players",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("created_utc", Text, nullable=False),
)

sessions = Table(
    "sessions",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("player_id", Text, ForeignKey("players.id"), nullable=False, index=True),
    Column("hand", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("settings_digest", Text, nullable=False),
    Column("app_version", Text, nullable=False),
    Column("started_utc", Text, nullable=False),
    # null until the session is closed: one that was killed keeps its reps and has no summary
    Column("frames", Integer),
    Column("dropped", Integer),
    Column("duration_s", Float),
    Column("processing_fps", Float),
    Column("latency_p50_ms", Float),
    Column("latency_p95_ms", Float),
)

reps = Table(
    "reps",
    METADATA,
    Column("number", Integer, primary_key=True),
    Column("id", Text, nullable=False, unique=True),
    Column("session_id", Text, ForeignKey("sessions.id"), nullable=False),
    Column("rep_index", Integer, nullable=False),
    Column("hand", Text, nullable=False),
    Column("pickup_s", Float),
    Column("dip_s", Float),
    Column("knee_min_s", Float),
    Column("set_s", Float, nullable=False),
    Column("release_s", Float, nullable=False),
    Column("apex_s", Float),
    Column("landing_s", Float),
    Column("motion", Text),
    Column("release_phase", Text),
    Column("result", Text),
    Column("discarded", Boolean, nullable=False, default=False),
    UniqueConstraint("session_id", "rep_index"),
)

measurements = Table(
    "measurements",
    METADATA,
    Column("rep", Integer, ForeignKey("reps.number"), primary_key=True),
    Column("name", Integer, ForeignKey("terms.id"), primary_key=True),
    Column("position", Integer, nullable=False),
    Column("value", Float),
    Column("sigma", Float),
    Column("basis", Integer, ForeignKey("terms.id")),
    Column("reason", Integer, ForeignKey("terms.id")),
    sqlite_with_rowid=False,
)

findings = Table(
    "findings",
    METADATA,
    Column("rep", Integer, ForeignKey("reps.number"), primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("check", Integer, ForeignKey("terms.id"), nullable=False),
    Column("verdict", Integer, ForeignKey("terms.id"), nullable=False),
    Column("measurement", Integer, ForeignKey("terms.id"), nullable=False),
    Column("excess_sigmas", Float, nullable=False),
    sqlite_with_rowid=False,
)

cues = Table(
    "cues",
    METADATA,
    Column("rep", Integer, ForeignKey("reps.number"), primary_key=True),
    Column("check", Integer, ForeignKey("terms.id"), nullable=False),
    Column("text", Integer, ForeignKey("terms.id"), nullable=False),
)


class NotOurDatabase(Exception):
    """A readable SQLite file whose tables are not those of Rimward."""


def is_current(connection: Connection) -> bool:
    """Whether the database can be used as it is."""
    version = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
    return bool(version == VERSION) and METADATA.tables.keys() <= set(inspect(connection).get_table_names())


def bring_up_to_date(connection: Connection) -> None:
    """Create the tables in a new file, or migrate an older one; inside the caller's write transaction.

    Raises StoreError for a database of a newer program, NotOurDatabase for somebody else's.
    """
    version = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
    if version > VERSION:
        raise StoreError(
            f"the database has version {version}, this program reads up to {VERSION}; update rimward to open it"
        )
    present = set(inspect(connection).get_table_names())
    if version == 0:
        if present:
            raise NotOurDatabase
        METADATA.create_all(connection)
    for step in range(version or VERSION, VERSION):
        MIGRATIONS[step](connection)
    connection.exec_driver_sql(f"PRAGMA user_version = {VERSION}")
    if not is_current(connection):
        raise NotOurDatabase
