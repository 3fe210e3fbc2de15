"""Players in the database: found, added, changed and united, inside the caller's transaction."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import Connection, insert, select, update

from .errors import StoreError
from .roster import FACTS, clean_name, name_key, now_utc
from .schema import players

_STATURE_M = (1.0, 2.4)
"""The range of the settings' player.stature_m."""


def namesake(connection: Connection, name: str) -> str | None:
    """The UUID of the first player of this name."""
    wanted = name_key(name)
    query = select(players.c.id, players.c.name).where(players.c.same_as.is_(None)).order_by(players.c.created_utc)
    return next((row.id for row in connection.execute(query) if name_key(row.name) == wanted), None)


def add(connection: Connection, name: str, created_utc: str, facts: Mapping[str, object]) -> str:
    """A new player; gives the UUID. Raises StoreError for a fact that cannot be."""
    player_id = str(uuid4())
    known = _checked(facts)
    connection.execute(insert(players).values(id=player_id, name=name, created_utc=created_utc, **known))
    return player_id


def edit(connection: Connection, player_id: str, facts: Mapping[str, object]) -> None:
    """Change facts, or the `name`. Raises StoreError for a fact that cannot be, or another player's name."""
    values = _checked({key: value for key, value in facts.items() if key != "name"})
    if "name" in facts:
        values["name"] = clean_name(str(facts["name"]))
        other = namesake(connection, values["name"])
        if other not in (None, player_id):
            raise StoreError(f"there is a player {values['name']} already; choose another name, or unite the two")
    connection.execute(update(players).where(players.c.id == player_id).values(values | {"changed_utc": now_utc()}))


def unite(connection: Connection, player_id: str, other_id: str) -> None:
    """From now on `other_id` is the same person as `player_id`, whose facts hold and are filled in where unknown."""
    rows = {row.id: row for row in connection.execute(select(players).where(players.c.id.in_((player_id, other_id))))}
    kept, given = rows[player_id], rows[other_id]
    filled = {
        fact: getattr(given, fact)
        for fact in ("hand", "stature_m", "birth_year", "minor")
        if getattr(kept, fact) is None and getattr(given, fact) is not None
    }
    if given.notes and given.notes not in kept.notes:
        filled["notes"] = f"{kept.notes}\n{given.notes}".strip()
    if filled:
        edit(connection, player_id, filled)
    connection.execute(
        update(players)
        .where((players.c.id == other_id) | (players.c.same_as == other_id))
        .values(same_as=player_id, changed_utc=now_utc())
    )


def _checked(facts: Mapping[str, object]) -> dict[str, Any]:
    known: dict[str, Any] = dict(facts)
    if unknown := known.keys() - set(FACTS):
        raise StoreError(f"of a player can be said {', '.join(FACTS)}, got {', '.join(sorted(unknown))}")
    if known.get("hand") not in (None, "left", "right"):
        raise StoreError(f"a player's hand must be left or right, got {known['hand']!r}")
    stature, low, high = known.get("stature_m"), *_STATURE_M
    if stature is not None and not low <= float(stature) <= high:
        raise StoreError(f"a stature must be between {low:g} and {high:g} m, got {stature}")
    year, newest = known.get("birth_year"), datetime.now(UTC).year
    if year is not None and not 1900 <= int(year) <= newest:
        raise StoreError(f"a birth year must be between 1900 and {newest}, got {year}")
    if "notes" in known:
        known["notes"] = str(known["notes"]).encode("utf-8", "replace").decode("utf-8").replace("\x00", "")
    return known
