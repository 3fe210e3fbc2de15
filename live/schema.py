"""The tables of the session database, on each laptop (SQLite) and on a shared server (PostgreSQL).

Players, sessions, reps, notes and targets carry UUIDs, so that the databases of several laptops can be united without
doubles. What hangs on a rep refers to its local number instead, and words that come back (names, reasons) stand once in
`terms`: a season of ten thousand reps would otherwise be mostly repeated text.

What can change later carries `changed_utc`; where two databases differ, the later change holds (exchange.py). What was
taken away for good leaves its UUID, and nothing else, in `forgotten`: another laptop must not bring it back.
"""

from __future__ import annotations

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
    false,
    inspect,
    text,
)

from .errors import StoreError

VERSION = 3
"""Raise it with every change of the tables and add the step to migrations.py. Version 1 had no facts about players, no
notes, no targets and nothing for the exchange; version 2 had neither praise nor answers."""

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
    Column("hand", Text),
    Column("stature_m", Float),
    Column("birth_year", Integer),
    Column("minor", Boolean),  # null: told from the birth year, where that is known
    Column("pictures", Boolean, nullable=False, server_default=false()),
    Column("notes", Text, nullable=False, server_default=text("''")),
    # the UUID of the player that this one turned out to be: two laptops may meet the same person independently. No
    # foreign key, because on an exchange either of the two may arrive first
    Column("same_as", Text),
    Column("changed_utc", Text),
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
    Column("stature_m", Float),  # as it was used, which is not always the player's of today
    Column("drill", Text),
    Column("calibration", Text),
    Column("view", Text),
    Column("film", Text, index=True),  # digest of the recording and of how it was read; null for a camera
    Column("changed_utc", Text),
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
    Column("praise", Integer, ForeignKey("terms.id")),
    Column("answer", Integer, ForeignKey("terms.id")),
    Column("discarded", Boolean, nullable=False, default=False),
    Column("changed_utc", Text),  # null until result, answer or `discarded` changed after the rep was saved
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


notes = Table(
    "notes",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("session_id", Text, ForeignKey("sessions.id"), nullable=False, index=True),
    Column("rep_index", Integer),  # null: about the whole session
    Column("kind", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("t_s", Float),  # an instant of the session's own clock
    Column("author", Text, nullable=False),
    Column("created_utc", Text, nullable=False),
    Column("changed_utc", Text),
    Column("removed", Boolean, nullable=False, server_default=false()),
)

targets = Table(
    "targets",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("player_id", Text, ForeignKey("players.id"), nullable=False, index=True),
    Column("measurement", Text, nullable=False),
    Column("low", Float),
    Column("high", Float),
    Column("name", Text, nullable=False),
    Column("locked", Boolean, nullable=False, server_default=false()),
    Column("author", Text, nullable=False),
    Column("created_utc", Text, nullable=False),
    Column("changed_utc", Text),
    Column("removed", Boolean, nullable=False, server_default=false()),
)

forgotten = Table(
    "forgotten",
    METADATA,
    Column("id", Text, primary_key=True),  # a player's or a session's
    Column("forgotten_utc", Text, nullable=False),
)

_SERVER_VERSION = "alembic_version"
"""SQLite files have a place for a version in their header; on a server it stands where alembic keeps it."""
_OLDEST_TABLES = {"terms", "players", "sessions", "reps", "measurements", "findings", "cues"}
"""What every version has had."""


class NotOurDatabase(Exception):
    """A readable database whose tables are not those of Rimward."""


def is_current(connection: Connection) -> bool:
    """Whether the database can be used as it is."""
    return _version(connection) == VERSION and METADATA.tables.keys() <= set(inspect(connection).get_table_names())


def is_older(connection: Connection) -> bool:
    """Whether opening the database will migrate it."""
    return 0 < _version(connection) < VERSION and set(inspect(connection).get_table_names()) >= _OLDEST_TABLES


def bring_up_to_date(connection: Connection) -> None:
    """Create the tables in a new database, or migrate an older one; inside the caller's write transaction.

    Raises StoreError for a database of a newer program, NotOurDatabase for somebody else's.
    """
    version = _version(connection)
    if version > VERSION:
        raise StoreError(
            f"the database has version {version}, this program reads up to {VERSION}; update rimward to open it"
        )
    if version < 0:
        raise NotOurDatabase
    present = set(inspect(connection).get_table_names())
    if version == 0:
        if present:
            raise NotOurDatabase
        METADATA.create_all(connection)
    elif version < VERSION:
        if not present >= _OLDEST_TABLES:
            raise NotOurDatabase
        from .migrations import migrate  # alembic takes its time to load, and most starts need none of it

        migrate(connection, version, VERSION)
    _note_version(connection)
    if not is_current(connection):
        raise NotOurDatabase


def _version(connection: Connection) -> int:
    """0 for a database without tables of ours."""
    if connection.dialect.name == "sqlite":
        return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
    if not inspect(connection).has_table(_SERVER_VERSION):
        return 0
    found = str(connection.exec_driver_sql(f"SELECT version_num FROM {_SERVER_VERSION}").scalar_one())
    if not found.isdecimal():
        raise NotOurDatabase
    return int(found)


def _note_version(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA user_version = {VERSION}")
        return
    connection.exec_driver_sql(
        f"CREATE TABLE IF NOT EXISTS {_SERVER_VERSION} (version_num VARCHAR(32) NOT NULL PRIMARY KEY)"
    )
    connection.exec_driver_sql(f"DELETE FROM {_SERVER_VERSION}")
    connection.exec_driver_sql(f"INSERT INTO {_SERVER_VERSION} VALUES ('{VERSION}')")
