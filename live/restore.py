"""`rimward restore`: everything as it was when a backup was made; what is there now is backed up first.

But who was forgotten since stays forgotten: a backup cannot know of it, and nobody would remember who had asked.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from .errors import StoreError
from .rep_files import MEDIA

if TYPE_CHECKING:
    from .backup import Contents
    from .store import Store


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("file", type=Path, metavar="BACKUP", help="what rimward backup made")
    parser.add_argument(
        "--with-forgotten",
        action="store_true",
        help="bring back players who were forgotten since the backup as well, for one that was forgotten by mistake",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Put a backup back; returns the exit status. Raises RimwardError; then everything is as it was."""
    from .options import opened_store

    with opened_store(args, say) as store:
        contents, kept = restore(store, args.file, say, with_forgotten=args.with_forgotten)
    made = f"{contents.made_utc.astimezone():%Y-%m-%d %H:%M}"
    say(f"Restored {contents}, as of {made}; what was there is kept as {kept}")
    if args.json:
        print(
            json.dumps(
                {
                    "kind": "restore",
                    "file": str(args.file),
                    "kept_as": str(kept),
                    "players": contents.players,
                    "sessions": contents.sessions,
                    "reps": contents.reps,
                }
            )
        )
    return 0


def restore(
    store: Store, path: Path, say: Callable[[str], None] = lambda _line: None, *, with_forgotten: bool = False
) -> tuple[Contents, Path]:
    """Gives what was restored, and where the state before that is kept."""
    from .backup import DATABASE, make, new_name, unpack
    from .other import made_ready
    from .sqlite_file import DRIVER_ERRORS, copy_pages, why

    kept = new_name(store, "before-restore")
    with TemporaryDirectory(prefix="restore-", dir=store.folder, ignore_cleanup_errors=True) as name:
        folder = Path(name)
        contents = unpack(path, folder)
        # of a newer program, or no database of rimward: found out before anything is touched
        made_ready(folder / DATABASE, path, say)
        named = _forget_again(_forgotten(store), folder, with_forgotten)
        make(store, kept)
        store.close()
        media, moved = store.folder / MEDIA, []
        try:
            for old_place, new_place in ((media, folder / "replaced"), (folder / MEDIA, media)):
                if old_place.exists():
                    old_place.rename(new_place)
                    moved.append((old_place, new_place))
            # over the pages of the same file, not a file over the file: another program may hold it open
            with closing(sqlite3.connect(folder / DATABASE)) as old, closing(sqlite3.connect(store.path)) as new:
                copy_pages(old, new)
        except (OSError, *DRIVER_ERRORS) as error:
            for old_place, new_place in reversed(moved):
                new_place.rename(old_place)
            what = getattr(error, "filename", None) or store.path
            raise StoreError(f"{what} {why(error)}; what was there is kept as {kept}") from None
    for name in named:
        say(
            f"{name} was forgotten since that backup and is back; rimward forget {name} takes the player out again"
            if with_forgotten
            else f"{name} was forgotten since that backup and stays so; --with-forgotten brings such players back"
        )
    if named and not with_forgotten:
        practised = store.sessions()
        reps = sum(one.reps for one in practised)
        contents = replace(contents, players=len(store.players()), sessions=len(practised), reps=reps)
    return contents, kept


def _forgotten(store: Store) -> set[str]:
    """UUIDs of whoever was forgotten here, also according to damaged databases that were kept aside."""
    from .other import opened_copy
    from .removal import all_forgotten

    gone = store.forgotten()
    for damaged in store.folder.glob("rimward.damaged-*.db"):
        with suppress(StoreError), opened_copy(damaged, lambda _line: None) as kept:
            gone |= all_forgotten(kept)
    return gone


def _forget_again(gone: set[str], folder: Path, with_forgotten: bool) -> list[str]:
    """Carry what was forgotten here over to the unpacked backup, which is changed; names whom of it this concerns.
    `with_forgotten` leaves those of the backup as they are, and opens no way back for others.
    """
    from .backup import DATABASE
    from .removal import forget, remember_gone
    from .rep_files import session_folder
    from .roster import show_name
    from .sqlite_file import DATABASE_ERRORS, sqlite_engine, why, writing

    engine = sqlite_engine(folder / DATABASE)
    try:
        with writing(engine, secure=True) as connection:
            people = connection.exec_driver_sql("SELECT id, name FROM players WHERE same_as IS NULL ORDER BY name")
            named = [show_name(name) for player_id, name in people if player_id in gone]
            if with_forgotten:
                there = connection.exec_driver_sql("SELECT id FROM players UNION SELECT id FROM sessions").scalars()
                remember_gone(connection, sorted(gone - set(there)))
                return named
            _, gone_sessions = forget(connection, gone)
    except DATABASE_ERRORS as error:
        raise StoreError(f"the unpacked backup {why(error)}") from None
    finally:
        engine.dispose()
    for session_id in gone_sessions:
        shutil.rmtree(session_folder(folder, session_id), ignore_errors=True)
    return named
