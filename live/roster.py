"""Who is known: players with their facts, found by name, by the beginning of their UUID, never by a guess.

Two names are the same name when they differ only in case, in spaces, or in how Unicode writes them.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import Connection, Row, func, insert, select, update

from .errors import StoreError
from .plural import counted
from .schema import players, reps, sessions
from .skeleton import Side

ADULT_YEARS = 18
LONGEST_NAME = 80
_LEAST_ID = 4
_STATURE_M = (1.0, 2.4)
"""The range of the settings' player.stature_m."""
_JOINERS = "\u200c\u200d"
"""Invisible, and part of how Persian, Indian scripts and emoji are written."""


@dataclass(frozen=True, slots=True)
class Player:
    """A player and what is known of him or her; None is not known."""

    id: str
    """UUID."""
    name: str
    created_utc: datetime
    hand: Side | None = None
    stature_m: float | None = None
    """Without shoes."""
    birth_year: int | None = None
    minor: bool | None = None
    """None: told from the birth year, where that is known."""
    pictures: bool = False
    """Whether this player allows pictures to be kept. Ask `pictures_allowed`, which knows of minors too."""
    notes: str = ""
    sessions: int = 0
    reps: int = 0
    """Without the discarded ones."""
    last_utc: datetime | None = None
    """When the last session began."""

    def is_minor(self, on: date) -> bool:
        """Whether the player must be treated as a minor: in the year of the 18th birthday still."""
        if self.minor is not None:
            return self.minor
        return self.birth_year is not None and on.year - self.birth_year <= ADULT_YEARS

    def pictures_allowed(self, on: date) -> bool:
        """Whether pictures of this player may be kept or shown; else the skeleton only."""
        return self.pictures and not self.is_minor(on)


FACTS = ("hand", "stature_m", "birth_year", "minor", "pictures", "notes")
"""What can be said of a player besides the name."""


def clean_name(text: str) -> str:
    """A name as it is kept: one spelling of each letter, single spaces, nothing that would steer a terminal.

    Raises StoreError when nothing is left, or when it is too long.
    """
    name = _visible(unicodedata.normalize("NFC", text.encode("utf-8", "replace").decode("utf-8")))
    if not 1 <= len(name) <= LONGEST_NAME:
        raise StoreError(f"a player's name must have 1 to {LONGEST_NAME} letters that can be shown, got {name[:100]!r}")
    return name


def name_key(name: str) -> str:
    """Equal for two spellings of the same name."""
    return _visible(unicodedata.normalize("NFKC", name)).casefold()


def _visible(text: str) -> str:
    shown = "".join(
        " " if unicodedata.category(letter) in ("Cc", "Zl", "Zp") else letter
        for letter in text
        if unicodedata.category(letter) != "Cf" or letter in _JOINERS
    )
    return " ".join(shown.split())


def read_players(connection: Connection) -> list[Player]:
    """All players by name; those that turned out to be another one are counted there."""
    root = func.coalesce(players.c.same_as, players.c.id)
    shot = select(reps.c.session_id, func.count().label("kept")).where(~reps.c.discarded).group_by(reps.c.session_id)
    kept = shot.subquery()
    query = (
        select(
            root.label("root"),
            func.count(sessions.c.id).label("sessions"),
            func.coalesce(func.sum(kept.c.kept), 0).label("reps"),
            func.max(sessions.c.started_utc).label("last_utc"),
        )
        .select_from(players)
        .join(sessions, sessions.c.player_id == players.c.id)
        .outerjoin(kept, kept.c.session_id == sessions.c.id)
        .group_by(root)
    )
    counts = {row.root: row for row in connection.execute(query)}
    found = [
        _player(row, counts.get(row.id))
        for row in connection.execute(select(players).where(players.c.same_as.is_(None)))
    ]
    return sorted(found, key=lambda player: (name_key(player.name), player.created_utc))


def find(everybody: Sequence[Player], asked: str) -> Player:
    """The player of this name, or whose UUID begins so. Raises StoreError that names who is meant or similar."""
    namesakes = [player for player in everybody if name_key(player.name) == name_key(asked)]
    if not namesakes and len(asked) >= _LEAST_ID:
        namesakes = [player for player in everybody if player.id.startswith(asked.lower())]
    if len(namesakes) == 1:
        return namesakes[0]
    shown = show_name(asked)
    if namesakes:
        which = ", ".join(f"{player.id[:8]} ({_told(player)})" for player in namesakes)
        raise StoreError(f"{len(namesakes)} players are called {shown}: {which}; name one by these letters")
    close = similar(everybody, asked)
    hint = f"did you mean {' or '.join(map(show_name, close))}?" if close else "rimward players lists who is known"
    raise StoreError(f"there is no player {shown}; {hint}")


def similar(everybody: Sequence[Player], name: str) -> list[str]:
    """Names that could be meant, nearest first, without the name itself."""
    keys = {name_key(player.name): player.name for player in everybody}
    keys.pop(name_key(name), None)
    return [keys[key] for key in difflib.get_close_matches(name_key(name), keys, n=3, cutoff=0.65)]


def show_name(text: str) -> str:
    """A name as it may stand in a line for people: whatever steers a terminal is shown as what it is."""
    return "".join(letter if letter.isprintable() or letter in _JOINERS else f"\\x{ord(letter):02x}" for letter in text)


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


def now_utc() -> str:
    """Now, as times stand in the database."""
    return datetime.now(UTC).isoformat()


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


def _told(player: Player) -> str:
    hand = f"{player.hand}-handed, " if player.hand else ""
    return f"{hand}{counted(player.sessions, 'session')}"


def _player(row: Row[Any], count: Row[Any] | None) -> Player:
    return Player(
        id=row.id,
        name=row.name,
        created_utc=datetime.fromisoformat(row.created_utc),
        hand=row.hand,
        stature_m=row.stature_m,
        birth_year=row.birth_year,
        minor=row.minor,
        pictures=row.pictures,
        notes=row.notes,
        sessions=0 if count is None else count.sessions,
        reps=0 if count is None else int(count.reps),
        last_utc=None if count is None else datetime.fromisoformat(count.last_utc),
    )
