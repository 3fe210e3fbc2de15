"""Settings as one command line means them: the files, and the given options over them."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from .places import data_folder, settings_file

if TYPE_CHECKING:
    from .listing import Lists
    from .settings import Settings
    from .store import Store

T = TypeVar("T")


def settings_of(args: argparse.Namespace, *, chosen: bool = True, **more: dict[str, object]) -> Settings:
    """The settings files with the options of the command line, and `more` by section, over them. Below the user's own
    file lies what `rimward bench --choose` left in the data folder, unless `chosen` is False.

    Raises SettingsError, one line that names file or option, key, value found and what is allowed.
    """
    given: dict[str, dict[str, object]] = {
        "player": {
            "name": getattr(args, "player", None),
            "hand": getattr(args, "hand", None),
            "stature_m": getattr(args, "stature_m", None),
        },
        "cues": {"focus": getattr(args, "focus", None)},
        "camera": {"device": getattr(args, "device", None)},
        "pose": {"model": getattr(args, "pose_model", None), "close": getattr(args, "close", False) or None},
        "sound": {"mute": getattr(args, "mute", False) or None},
        "screen": {"full_screen": getattr(args, "full_screen", False) or None},
    }
    for section, values in more.items():
        given.setdefault(section, {}).update(values)
    options = {
        section: kept
        for section, values in given.items()
        if (kept := {key: value for key, value in values.items() if value is not None})
    }
    from .settings import load_settings, machine_file

    user = settings_file(args.settings)
    machine = machine_file(data_folder(load_settings(user).storage.folder)) if chosen else None
    return load_settings(user, options, machine)


@contextmanager
def opened_store(args: argparse.Namespace, say: Callable[[str], None]) -> Iterator[Store]:
    """The database that the settings files name, closed afterwards. Raises SettingsError, StoreError."""
    from .store import open_store

    store = open_store(_data_folder(args), say)
    try:
        yield store
    finally:
        store.close()


def listed(args: argparse.Namespace, say: Callable[[str], None], read: Callable[[Lists], T]) -> T:
    """What `read` makes of the lists of the database that the settings files name: at a glance, or through the store
    where that has something to mend, to merge or to say. Raises SettingsError, StoreError.
    """
    import sqlite3

    from .listing import glance

    try:
        with glance(_data_folder(args)) as lists:
            return read(lists)
    except sqlite3.Error:
        with opened_store(args, say) as store:
            return read(store)


def _data_folder(args: argparse.Namespace) -> Path:
    user = settings_file(args.settings)
    if user is None:  # the shipped settings name no folder, and checking them takes a while
        return data_folder()
    from .settings import load_settings

    # not settings_of: a --player or --hand of these commands is asked about, and sets nothing
    return data_folder(load_settings(user).storage.folder)
