"""`rimward merge`: what other laptops recorded joins this one, without doubles."""

from __future__ import annotations

import argparse
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from .errors import StoreError
from .plural import counted

if TYPE_CHECKING:
    from .exchange import Brought
    from .store import Store


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="OTHER",
        help="a rimward.db of another laptop, its data folder, a backup, or a damaged database that was kept",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Merge each file; returns the exit status. Raises RimwardError; what was merged before that stays merged."""
    from .options import opened_store

    with opened_store(args, say) as store:
        for path in args.files:
            brought = merge(store, path, say)
            say(f"{path}: {told(brought)}")
            if args.json:
                print(brought_line("merge", str(path), brought))
    return 0


def merge(store: Store, path: Path, say: Callable[[str], None]) -> Brought:
    """Take over what the other database has and this one lacks. The other is only read. Raises StoreError."""
    from .backup import database_in
    from .exchange import Brought, unite
    from .other import opened_copy

    brought = Brought()
    with database_in(path) as (database, media_of):
        if not database.exists():
            raise StoreError(f"{path} must be a database, data folder or backup of rimward, found nothing there")
        if store.path.exists() and database.samefile(store.path):
            raise StoreError(f"{path} is this laptop's own database; name another one")
        with opened_copy(database, say) as other:
            unite(other, store.changing, brought)
        for line in brought.lines:
            say(line)
        store.remove_files(brought.gone_sessions)
        if media_of is not None:
            copied = _media_over(store, media_of)
            if copied:
                say(f"{counted(copied, 'file')} of reps came along")
    return brought


def told(brought: Brought, where: str = "here") -> str:
    """What came, for people; `where` it came to."""
    counts = {
        "player": brought.players,
        "session": brought.sessions,
        "rep": brought.reps,
        "note": brought.notes,
        "target": brought.targets,
    }
    new = [counted(count, f"new {what}") for what, count in counts.items() if count]
    new += [counted(brought.changed, "later change")] if brought.changed else []
    new += [f"{brought.forgotten} forgotten {where} too"] if brought.forgotten else []
    return ", ".join(new) or "nothing new"


def brought_line(kind: str, where: str, brought: Brought) -> str:
    """The same as a JSON line."""
    names = ("players", "sessions", "reps", "notes", "targets", "changed", "forgotten")
    return json.dumps(
        {"kind": kind, "from" if kind != "push" else "to": where} | {n: getattr(brought, n) for n in names}
    )


def _media_over(store: Store, other: Path) -> int:
    """Files of reps that are here now and whose files are not."""
    from .rep_files import files_of, session_folder

    count = 0
    for session in store.sessions():
        mine = session_folder(store.folder, session.start.id)
        for file in files_of(other, session.start.id):
            target = mine / file.name
            if target.exists():
                continue
            part = target.with_name(f"{target.name}.part")
            try:
                mine.mkdir(mode=0o700, parents=True, exist_ok=True)
                shutil.copyfile(file, part)
                part.replace(target)
            except OSError as error:
                raise StoreError(f"{target} cannot be written ({error.strerror}); run the same command again") from None
            count += 1
    return count
