"""Stations: who shoots there one after the other, with what goal, hand and stature. Pure.

A station is a TOML file that a coach writes; every error names the file, the line and the key::

    name = "Station 2"
    drill = "free_throws"    # optional: a shipped drill or a file
    minutes = 3              # optional: the turn goes to the next player by itself

    [[players]]
    name = "Ada"
    hand = "left"            # optional, like the three below
    stature_m = 1.62
    reps = 20                # this player's own goal; or
    makes = 10
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from .drills import Drill
from .errors import SettingsError
from .skeleton import Side
from .toml_text import parse, place, shows

_KEYS: Final = ("name", "drill", "minutes", "players")
_PLAYER_KEYS: Final = ("name", "hand", "stature_m", "reps", "makes")
_MOST_PLAYERS: Final = 24
"""More rows cannot be read on the screen from 4 m."""
_LONGEST_NAME: Final = 80
"""Who is known by a name may stand at a station with it (roster.LONGEST_NAME)."""
_LEAST_QUIET: Final = 2
"""Fewer reps without feedback tell nothing of what stayed (common practice, no source)."""
Key = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class StationPlayer:
    """Somebody at the station; None: as stored of the player, or not known."""

    name: str
    hand: Side | None = None
    stature_m: float | None = None
    reps: int | None = None
    makes: int | None = None

    def drill(self, drill: Drill | None) -> Drill | None:
        """The station's drill with this player's own goal; the goal alone goes by the player's name.

        The drill's reps without feedback keep their share of the goal: a short one must not be all silence. A share of
        one rep is none, for one rep shows nothing of what stayed.
        """
        if self.reps is None and self.makes is None:
            return drill
        if drill is None:
            return Drill({"en": self.name}, reps=self.reps, makes=self.makes)
        quiet = 0
        if self.reps is not None and drill.reps is not None:
            quiet = min(drill.quiet_reps, drill.quiet_reps * self.reps // drill.reps)
            quiet = quiet if quiet >= _LEAST_QUIET or quiet == drill.quiet_reps else 0
        return replace(drill, reps=self.reps, makes=self.makes, quiet_reps=quiet)


@dataclass(frozen=True, slots=True)
class Station:
    """One station, as it stands in its file."""

    name: str
    players: tuple[StationPlayer, ...]
    drill: str | None = None
    minutes: float | None = None


class _Wrong(Exception):
    """A value that cannot be: its key, and what must be."""

    def __init__(self, key: Key, what: str) -> None:
        super().__init__(what)
        self.key = key


def read_station(text: str, file: str) -> Station:
    """Read a station's file. Raises SettingsError, one line: file, line, key, what must be, what was found."""
    data = parse(text, file)
    try:
        return _station(data)
    except _Wrong as wrong:
        key = ".".join(str(part + 1) if isinstance(part, int) else part for part in wrong.key)
        raise SettingsError(f"{place(text, file, wrong.key)}: {key} {wrong}") from None


def _station(data: Mapping[str, Any]) -> Station:
    _known((), data, _KEYS)
    listed = data.get("players")
    if not isinstance(listed, list) or not 1 <= len(listed) <= _MOST_PLAYERS:
        raise _Wrong(("players",), f"must be 1 to {_MOST_PLAYERS} tables ([[players]]), got {_found(listed)}")
    players = tuple(_player(("players", k), one) for k, one in enumerate(listed))
    names: dict[str, int] = {}
    for k, player in enumerate(players):
        if (first := names.setdefault(player.name.casefold(), k)) != k:
            raise _Wrong(("players", k, "name"), f"must be another one than that of player {first + 1}: {player.name}")
    drill, minutes = data.get("drill"), data.get("minutes")
    return Station(
        name=_text(("name",), data.get("name")),
        players=players,
        drill=None if drill is None else _text(("drill",), drill, 300),
        minutes=None if minutes is None else _number(("minutes",), minutes, 0.25, 120),
    )


def _player(at: Key, table: object) -> StationPlayer:
    if not isinstance(table, dict):
        raise _Wrong(at, f"must be a table ([[players]]), got {_found(table)}")
    _known(at, table, _PLAYER_KEYS)
    hand, stature = table.get("hand"), table.get("stature_m")
    if hand not in (None, "left", "right"):
        raise _Wrong((*at, "hand"), f'must be "left" or "right", got {_found(hand)}')
    if "reps" in table and "makes" in table:
        raise _Wrong((*at, "makes"), "must not stand beside reps: a player has one goal")
    return StationPlayer(
        name=_text((*at, "name"), table.get("name"), _LONGEST_NAME),
        hand=hand,
        stature_m=None if stature is None else _number((*at, "stature_m"), stature, 1.0, 2.4),
        reps=_goal((*at, "reps"), table.get("reps")),
        makes=_goal((*at, "makes"), table.get("makes")),
    )


def _found(value: object) -> str:
    shown = "nothing" if value is None else repr(value)
    return shown if len(shown) <= 40 else shown[:37] + "..."


def _known(at: Key, table: Mapping[str, object], keys: Sequence[str]) -> None:
    for key in table:
        if key not in keys:
            near = difflib.get_close_matches(key, keys, n=1)
            what = f"did you mean {near[0]}?" if near else f"known here: {', '.join(keys)}"
            raise _Wrong((*at, key), f"is no key of a station, {what}")


def _text(at: Key, value: object, most: int = 60) -> str:
    if not isinstance(value, str) or not shows(value) or len(value) > most:
        raise _Wrong(at, f"must be printable text of 1 to {most} characters, got {_found(value)}")
    return value.strip()


def _number(at: Key, value: object, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise _Wrong(at, f"must be a number between {least:g} and {most:g}, got {_found(value)}")
    return float(value)


def _goal(at: Key, value: object) -> int | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 10_000:
        raise _Wrong(at, f"must be a whole number between 1 and 10000, got {_found(value)}")
    return value
