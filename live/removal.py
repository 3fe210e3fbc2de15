"""Taking players and sessions out of a database, here only or for good.

What is forgotten for good leaves its UUID: without that another laptop, or the server, would bring back at the next
exchange what was taken out here.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, delete, insert, select

from .roster import now_utc
from .schema import cues, findings, forgotten, measurements, notes, players, reps, sessions, targets


def ids_of(connection: Connection, player_id: str) -> list[str]:
    """The player's UUID and those of the players who turned out to be the same."""
    known = (players.c.id == player_id) | (players.c.same_as == player_id)
    return list(connection.scalars(select(players.c.id).where(known)))


def sessions_of(connection: Connection, player_ids: Sequence[str]) -> list[str]:
    """UUIDs of all sessions of these players."""
    return list(connection.scalars(select(sessions.c.id).where(sessions.c.player_id.in_(player_ids))))


def remove_players(connection: Connection, player_ids: Sequence[str], *, remember: bool) -> None:
    """Take out these players with everything that is theirs; with `remember` so that no exchange brings them back."""
    for session_id in sessions_of(connection, player_ids):
        remove_session(connection, session_id, remember=remember)
    for player_id in player_ids:
        connection.execute(delete(targets).where(targets.c.player_id == player_id))
        connection.execute(delete(players).where(players.c.id == player_id))
    if remember:
        remember_gone(connection, player_ids)


def remove_session(connection: Connection, session_id: str, *, remember: bool) -> None:
    """Take out one session with its reps and notes."""
    numbers = select(reps.c.number).where(reps.c.session_id == session_id)
    for table in (measurements, findings, cues):
        connection.execute(delete(table).where(table.c.rep.in_(numbers)))
    connection.execute(delete(notes).where(notes.c.session_id == session_id))
    connection.execute(delete(reps).where(reps.c.session_id == session_id))
    connection.execute(delete(sessions).where(sessions.c.id == session_id))
    if remember:
        remember_gone(connection, [session_id])


def forget(connection: Connection, gone_ids: set[str]) -> tuple[int, list[str]]:
    """Take out all of these players and sessions that are here, for good. Gives how many persons went, and the UUIDs of
    the sessions that did: their files must go too.
    """
    gone_players = sorted(gone_ids & set(connection.scalars(select(players.c.id))))
    gone_sessions = sessions_of(connection, gone_players)
    persons = select(players.c.id).where(players.c.same_as.is_(None), players.c.id.in_(gone_players))
    count = len(connection.scalars(persons).all())
    remove_players(connection, gone_players, remember=True)
    for session_id in sorted(gone_ids & set(connection.scalars(select(sessions.c.id)))):
        remove_session(connection, session_id, remember=True)
        gone_sessions.append(session_id)
    remember_gone(connection, sorted(gone_ids))
    return count, gone_sessions


def remember_gone(connection: Connection, gone_ids: Sequence[str]) -> None:
    """Keep the UUIDs of what was taken out."""
    for gone_id in gone_ids:
        if not is_forgotten(connection, gone_id):
            connection.execute(insert(forgotten).values(id=gone_id, forgotten_utc=now_utc()))


def is_forgotten(connection: Connection, known_id: str) -> bool:
    """Whether the player or session of this UUID was taken out for good."""
    return connection.scalar(select(forgotten.c.id).where(forgotten.c.id == known_id)) is not None


def all_forgotten(connection: Connection) -> set[str]:
    """UUIDs of players and sessions that were taken out for good."""
    return set(connection.scalars(select(forgotten.c.id)))
