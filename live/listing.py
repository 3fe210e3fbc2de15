"""The lists of sessions and players: one query each, for the store, and for a command that only prints a list.

Such a command asks SQLite's own driver: to load the libraries of store and settings takes 0.4 s of the processor, the
list 0.01 s.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from .places import DATABASE, pending_folders
from .roster import Player, find, name_key
from .session_records import SavedSession, SessionStart, SessionSummary

VERSION = 3
"""Of the tables that these queries know (schema.VERSION)."""
_WAIT_S = 1.0

_OF_SESSION = ", ".join(
    f"sessions.{name}" for name in (*SessionStart.__slots__, *SessionSummary.__slots__) if name != "player"
)
_OF_PLAYER = ", ".join(
    f"root.{name}"
    for name in ("id", "name", "created_utc", "hand", "stature_m", "birth_year", "minor", "pictures", "notes")
)
"""By name: of a file that lacks one, SQLite says so itself."""

SESSIONS = f"""
SELECT {_OF_SESSION}, root.id AS root_id, root.name AS player,
       coalesce(shot.kept, 0) AS kept, coalesce(shot.made, 0) AS made, coalesce(shot.missed, 0) AS missed
FROM sessions
JOIN players AS own ON own.id = sessions.player_id
JOIN players AS root ON root.id = coalesce(own.same_as, own.id)
LEFT JOIN (
    SELECT session_id, count(*) AS kept, sum(result = 'made') AS made, sum(result = 'missed') AS missed
    FROM reps
    WHERE NOT discarded AND (:ids IS NULL OR session_id IN (SELECT value FROM json_each(:ids)))
    GROUP BY session_id
) AS shot ON shot.session_id = sessions.id
WHERE (:player_id IS NULL OR root.id = :player_id)
  AND (:since IS NULL OR sessions.started_utc >= :since)
  AND (:until IS NULL OR sessions.started_utc < :until)
  AND (:ids IS NULL OR sessions.id IN (SELECT value FROM json_each(:ids)))
ORDER BY sessions.started_utc, sessions.id
"""

PLAYERS = f"""
SELECT {_OF_PLAYER}, count(sessions.id) AS sessions, coalesce(sum(shot.kept), 0) AS reps,
       max(sessions.started_utc) AS last_utc
FROM players AS root
JOIN players AS own ON coalesce(own.same_as, own.id) = root.id
LEFT JOIN sessions ON sessions.player_id = own.id
LEFT JOIN (SELECT session_id, count(*) AS kept FROM reps WHERE NOT discarded GROUP BY session_id) AS shot
       ON shot.session_id = sessions.id
WHERE root.same_as IS NULL
GROUP BY root.id
"""


class Lists(Protocol):
    """What a list can be made of: the store, or a glance at its file."""

    def players(self) -> list[Player]:
        """Everybody, by name."""

    def sessions(self, player: str | None = None, since: datetime | None = None) -> list[SavedSession]:
        """Sessions, oldest first. Raises StoreError when there is no such player."""


class Glance:
    """The lists of a database that needs nothing done to it (Lists). All methods raise sqlite3.Error."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def players(self) -> list[Player]:
        """Everybody, by name."""
        return players_of(self._connection.execute(PLAYERS))

    def sessions(self, player: str | None = None, since: datetime | None = None) -> list[SavedSession]:
        """Sessions, oldest first. Raises StoreError when there is no such player."""
        player_id = None if player is None else find(self.players(), player).id
        return [session_of(row) for row in self._connection.execute(SESSIONS, asked(player_id, since))]


@contextmanager
def glance(data: Path) -> Iterator[Glance]:
    """The lists of this data folder. Raises sqlite3.Error where only the store can help: there is no database yet, an
    older or a newer one, a damaged one, or side files wait to be merged.
    """
    if any(path.is_file() for folder in pending_folders(data) for path in folder.glob("*")):
        raise sqlite3.NotSupportedError("side files wait")
    uri = f"{(data / DATABASE).absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True, timeout=_WAIT_S)) as connection:
        connection.row_factory = sqlite3.Row
        if connection.execute("PRAGMA user_version").fetchone()[0] != VERSION:
            raise sqlite3.NotSupportedError("other tables")
        try:
            yield Glance(connection)
        except UnicodeDecodeError:  # the driver's own, of a damaged schema (sqlite_file.DRIVER_ERRORS)
            raise sqlite3.DatabaseError("damaged") from None


def asked(
    player_id: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    ids: Sequence[str] | None = None,
) -> dict[str, str | None]:
    """The values of SESSIONS: of one player, that began from `since` on and before `until`, or of these ids."""
    return {
        "player_id": player_id,
        "since": None if since is None else since.astimezone(UTC).isoformat(),
        "until": None if until is None else until.astimezone(UTC).isoformat(),
        "ids": None if ids is None else json.dumps(list(ids)),
    }


def session_of(row: Any) -> SavedSession:
    """One row of SESSIONS, its columns by name."""
    start = SessionStart(
        **{name: row[name] for name in SessionStart.__slots__ if name != "started_utc"},
        started_utc=datetime.fromisoformat(row["started_utc"]),
    )
    ended = row["frames"] is not None
    summary = SessionSummary(**{name: row[name] for name in SessionSummary.__slots__}) if ended else None
    return SavedSession(start, row["kept"], summary, row["root_id"], row["made"], row["missed"])


def players_of(rows: Iterable[Any]) -> list[Player]:
    """The rows of PLAYERS, their columns by name, as players in the order of their names."""
    found = [
        Player(
            id=row["id"],
            name=row["name"],
            created_utc=datetime.fromisoformat(row["created_utc"]),
            hand=row["hand"],
            stature_m=row["stature_m"],
            birth_year=row["birth_year"],
            minor=None if row["minor"] is None else bool(row["minor"]),
            pictures=bool(row["pictures"]),
            notes=row["notes"],
            sessions=row["sessions"],
            reps=row["reps"],
            last_utc=None if row["last_utc"] is None else datetime.fromisoformat(row["last_utc"]),
        )
        for row in rows
    ]
    return sorted(found, key=lambda player: (name_key(player.name), player.created_utc))
