"""`rimward restore`: everything as it was when a backup was made; what is there now is backed up first."""

from __future__ import annotations

import argparse
import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
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
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Put a backup back; returns the exit status. Raises RimwardError; then everything is as it was."""
    from .options import opened_store

    with opened_store(args, say) as store:
        contents, kept = restore(store, args.file, say)
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


def restore(store: Store, path: Path, say: Callable[[str], None] = lambda _line: None) -> tuple[Contents, Path]:
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
        back = _forgotten_since(store, folder / DATABASE)
        make(store, kept)
        store.close()
        try:
            # over the pages of the same file, not a file over the file: another program may hold it open
            with closing(sqlite3.connect(folder / DATABASE)) as old, closing(sqlite3.connect(store.path)) as new:
                copy_pages(old, new)
            media, aside = store.folder / MEDIA, folder / "replaced"
            if media.exists():
                media.rename(aside)
            if (folder / MEDIA).exists():
                shutil.move(folder / MEDIA, media)
        except (OSError, *DRIVER_ERRORS) as error:
            raise StoreError(f"{store.path} {why(error)}; what was there is kept as {kept}") from None
    for name in back:
        say(
            f"{name} had been forgotten since that backup and is back; rimward forget {name} takes the player out again"
        )
    return contents, kept


def _forgotten_since(store: Store, backup: Path) -> list[str]:
    """Names of the players in a backup who have been forgotten here, which the backup cannot know."""
    from .roster import show_name

    gone = store.forgotten()
    with closing(sqlite3.connect(backup)) as old:
        known = old.execute("SELECT id, name FROM players WHERE same_as IS NULL ORDER BY name").fetchall()
    return [show_name(name) for player_id, name in known if player_id in gone]
