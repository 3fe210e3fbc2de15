"""What is stored of a player, where the command line says nothing; and what it says, remembered where nothing is."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import date
from typing import TYPE_CHECKING

from .errors import StoreError
from .settings import Settings

if TYPE_CHECKING:
    from .store import Store


def is_minor(store: Store, name: str) -> bool:
    """Whether the player of this name is known to be a minor. A database that cannot be read says nothing of it."""
    from .roster import name_key

    try:
        return any(one.is_minor(date.today()) for one in store.players() if name_key(one.name) == name_key(name))
    except StoreError:
        return False


def settings_for(store: Store, settings: Settings, said: Collection[str], say: Callable[[str], None]) -> Settings:
    """The settings with the stored hand and stature of their player.

    `said` names what the command line said ("hand", "stature_m"): that holds for this session, and is kept where the
    player had nothing yet. The player's own facts go over a settings file, which may have been written for another. A
    name that is not known but similar to known ones is mentioned and taken as it is. A database that cannot be read
    keeps nobody from practising. Who gave no name may be anybody: nothing is kept of that one.
    """
    from .roster import UNNAMED, name_key, similar
    from .tables import plain

    name = settings.player.name
    try:
        everybody = store.players()
        known = next((player for player in everybody if name_key(player.name) == name_key(name)), None)
        if known is None:
            if close := similar(everybody, name):
                say(f"{plain(name)} is a new player; known is {' and '.join(map(plain, close))}")
            return settings
        facts = {"hand": known.hand, "stature_m": known.stature_m}
        hand = settings.player.hand
        wanted = {"hand": None if hand == "auto" else hand, "stature_m": settings.player.stature_m}
        new = {fact: wanted[fact] for fact in said if facts.get(fact) is None and wanted.get(fact) is not None}
        if new and name != UNNAMED:
            store.edit_player(known.id, **new)
        stored = {fact: value for fact, value in facts.items() if value is not None and fact not in said}
    except StoreError:  # said when it was opened; the session goes on in a side file
        return settings
    return settings.model_copy(update={"player": settings.player.model_copy(update=stored)})
