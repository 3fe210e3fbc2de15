"""Settings as one command line means them: the files, and the given options over them."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from .settings import Settings, data_folder, load_settings, machine_file, settings_file

if TYPE_CHECKING:
    from .store import Store


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
        "pose": {"model": getattr(args, "pose_model", None)},
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
    user = settings_file(args.settings)
    machine = machine_file(data_folder(load_settings(user))) if chosen else None
    return load_settings(user, options, machine)


@contextmanager
def opened_store(args: argparse.Namespace, say: Callable[[str], None]) -> Iterator[Store]:
    """The database that the settings files name, closed afterwards. Raises SettingsError, StoreError."""
    from .store import open_store

    # not settings_of: a --player or --hand of these commands is asked about, and sets nothing
    store = open_store(data_folder(load_settings(settings_file(args.settings))), say)
    try:
        yield store
    finally:
        store.close()
