"""Who is known: players with their facts, found by name, by the beginning of their UUID, never by a guess.

Two names are the same name when they differ only in case, in spaces, or in how Unicode writes them.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from . import demo
from .errors import JOINERS, StoreError
from .plural import counted
from .skeleton import Side

ADULT_YEARS = 18
LONGEST_NAME = 80
_LEAST_ID = 4
UNNAMED = "player"
"""The name of whoever gave none (config/default.toml), and where a name cannot be kept. It may be anybody."""


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


_SAME_STATURE_M = 0.05
"""Two measures of one person differ by shoes, hair and the time of day (common practice, no source)."""


def contradictions(one: Player, other: Player, on: date) -> list[str]:
    """What is known of these two that cannot be true of one person, in words."""
    found = []
    if None not in (one.hand, other.hand) and one.hand != other.hand:
        found.append(f"one {one.hand}-handed, one {other.hand}-handed")
    if one.stature_m and other.stature_m and abs(one.stature_m - other.stature_m) > _SAME_STATURE_M:
        found.append(f"{one.stature_m:.2f} and {other.stature_m:.2f} m tall")
    if None not in (one.birth_year, other.birth_year) and one.birth_year != other.birth_year:
        found.append(f"born {one.birth_year} and {other.birth_year}")
    ages = [player.minor is not None or player.birth_year is not None for player in (one, other)]
    if all(ages) and one.is_minor(on) != other.is_minor(on):
        found.append("one a minor, one an adult")
    return found


def facts_of(player: Player, on: date) -> str:
    """What is known of a player, in words."""
    facts = [
        f"{player.hand}-handed" if player.hand else "",
        f"{player.stature_m:.2f} m tall" if player.stature_m else "",
        f"born {player.birth_year}" if player.birth_year else "",
        "a minor" if player.is_minor(on) else "an adult" if player.minor is False or player.birth_year else "",
    ]
    return ", ".join(fact for fact in facts if fact) or "nothing more known"


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
        if unicodedata.category(letter) != "Cf" or letter in JOINERS
    )
    return " ".join(shown.split())


def is_demo(name: str, sources: Collection[str]) -> bool:
    """Whether a player of this name whose sessions came from these sources is the demo's, and not one called so."""
    return name_key(name) == demo.PLAYER and set(sources) == {demo.CLIP}


def find(everybody: Sequence[Player], asked: str) -> Player:
    """The player of this name, or whose UUID begins so. Raises StoreError that names who is meant or similar."""
    if not name_key(asked):
        raise StoreError("a player must be named, got an empty name; rimward players lists who is known")
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
    return "".join(letter if letter.isprintable() or letter in JOINERS else f"\\x{ord(letter):02x}" for letter in text)


def now_utc() -> str:
    """Now, as times stand in the database."""
    return datetime.now(UTC).isoformat()


def _told(player: Player) -> str:
    hand = f"{player.hand}-handed, " if player.hand else ""
    return f"{hand}{counted(player.sessions, 'session')}"
