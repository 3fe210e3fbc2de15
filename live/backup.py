"""`rimward backup`: database and files of the reps in one archive, checked before it counts as made.

The archive is a plain ZIP: `rimward.db` (SQLite), `media/SESSION/FILE` and `manifest.json` with a SHA-256 of each.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import shutil
import sqlite3
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import IO, TYPE_CHECKING, Any

from .errors import StoreError, UsageError
from .plural import counted
from .rep_files import MEDIA, is_media_name

if TYPE_CHECKING:
    from .store import Store

MANIFEST = "manifest.json"
DATABASE = "rimward.db"
KIND = "rimward backup"
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_CHUNK = 1 << 20
_LONGEST_MANIFEST = 64 * _CHUNK


@dataclass(frozen=True, slots=True)
class Contents:
    """What a backup says of itself."""

    made_utc: datetime
    players: int
    sessions: int
    reps: int
    sums: Mapping[str, str]
    """SHA-256 of each file in it, by name."""

    def __str__(self) -> str:
        files = len(self.sums) - 1
        more = f" and {counted(files, 'file')}" if files else ""
        counts = ((self.players, "player"), (self.sessions, "session"), (self.reps, "rep"))
        return ", ".join(counted(count, noun) for count, noun in counts) + more


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="where to; a new file in the data folder")
    parser.add_argument("--check", type=Path, metavar="BACKUP", help="only look whether an earlier backup is whole")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Make or check a backup; returns the exit status. Raises RimwardError."""
    from .options import opened_store

    if args.check is not None:
        if args.file is not None:
            raise UsageError("--check names the one backup to look at; leave out the other file")
        path = args.check
        with TemporaryDirectory(prefix="rimward-", ignore_cleanup_errors=True) as folder:
            contents = unpack(path, Path(folder))
        say(f"{path} is whole: {contents}, made {contents.made_utc.astimezone():%Y-%m-%d %H:%M}")
    else:
        with opened_store(args, say) as store:
            path = args.file or new_name(store)
            contents = make(store, path)
        say(f"Backed up {contents} to {path}")
    if args.json:
        print(
            json.dumps(
                {
                    "kind": "backup",
                    "file": str(path),
                    "made_utc": contents.made_utc.isoformat(),
                    "players": contents.players,
                    "sessions": contents.sessions,
                    "reps": contents.reps,
                    "files": len(contents.sums) - 1,
                }
            )
        )
    return 0


def new_name(store: Store, stem: str = "rimward") -> Path:
    """Where a backup goes when nobody says."""
    from .sqlite_file import BACKUPS, stamp

    folder, name = store.folder / BACKUPS, f"{stem}-{stamp()}"
    numbered = (folder / f"{name}{'' if k == 1 else f'-{k}'}.zip" for k in count(1))
    return next(path for path in numbered if not path.exists())


def make(store: Store, path: Path) -> Contents:
    """Write a backup and read it back. Other programs may go on meanwhile. Raises StoreError; then there is none."""
    from .sqlite_file import BACKUPS, DRIVER_ERRORS, copy_database, why

    if path.exists():
        raise StoreError(f"{path} is there already; name a new file, nothing is overwritten")
    if not path.parent.is_dir() and path.parent != store.folder / BACKUPS:
        # made on the way, a mistyped name of a stick would be a folder on this very disk, told as a success
        raise StoreError(
            f"{path} must lie in a folder that is there, found no {path.parent}; make it, or mend the name; "
            "no backup was made"
        )
    people, practised = store.players(), store.sessions()
    part = path.with_name(f"{path.name}.part")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with TemporaryDirectory(prefix="rimward-", dir=path.parent, ignore_cleanup_errors=True) as folder:
            copy = Path(folder) / DATABASE
            copy_database(store.path, copy)
            files = {DATABASE: copy} | {
                f"{MEDIA}/{file.parent.name}/{file.name}": file for file in _media_files(store.folder)
            }
            sums = {name: _sum_of(file) for name, file in files.items()}
            made = datetime.now(UTC)
            contents = Contents(made, len(people), len(practised), sum(one.reps for one in practised), sums)
            part.touch(mode=0o600)
            with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr(MANIFEST, _manifest(contents))
                for name, file in files.items():
                    packed = zipfile.ZIP_DEFLATED if name == DATABASE else zipfile.ZIP_STORED
                    archive.write(file, name, packed)
            unpack(part, Path(folder) / "check")
        part.replace(path)
    except (OSError, *DRIVER_ERRORS) as error:
        raise StoreError(f"{path} {why(error)}; no backup was made") from None
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return contents


def unpack(path: Path, folder: Path) -> Contents:
    """Take a backup apart into a folder, checking each file. Raises StoreError for anything that is not whole."""
    from .sqlite_file import DRIVER_ERRORS, why

    try:
        with zipfile.ZipFile(path) as archive:
            contents = _contents(archive, path)
            room = sum(entry.file_size for entry in archive.infolist())
            folder.mkdir(parents=True, exist_ok=True)
            if (free := shutil.disk_usage(folder).free) < room:
                raise StoreError(f"{path} needs {room / 1e6:.0f} MB of room in {folder}, found {free / 1e6:.0f} MB")
            for name, wanted in contents.sums.items():
                target = folder.joinpath(*PurePosixPath(name).parts)
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(name) as source, target.open("wb") as sink:
                    if _copy(source, sink) != wanted:
                        raise StoreError(f"{path} is damaged: {name} is not what was backed up")
    except (zipfile.BadZipFile, KeyError, EOFError, NotImplementedError, ValueError, RuntimeError) as error:
        raise StoreError(f"{path} must be a backup that rimward made, it cannot be read ({error})") from None
    except OSError as error:
        raise StoreError(f"{path} {why(error)}") from None
    except Exception as error:  # zlib's own error is no ValueError
        if type(error).__module__ == "zlib":
            raise StoreError(f"{path} is damaged ({error})") from None
        raise
    try:
        with closing(sqlite3.connect(folder / DATABASE)) as connection:
            (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    except DRIVER_ERRORS as error:
        raise StoreError(f"{path} is damaged: its database {why(error)}") from None
    if verdict != "ok":
        raise StoreError(f"{path} is damaged: its database says {verdict}")
    return contents


@contextmanager
def database_in(path: Path) -> Iterator[tuple[Path, Path | None]]:
    """The database file and the folder of its media for what a person named: a database, a data folder or a backup."""
    if path.is_dir():
        yield path / DATABASE, path
    elif zipfile.is_zipfile(path):
        with TemporaryDirectory(prefix="rimward-", ignore_cleanup_errors=True) as folder:
            unpack(path, Path(folder))
            yield Path(folder) / DATABASE, Path(folder)
    else:
        yield path, path.parent


def _media_files(folder: Path) -> Iterator[Path]:
    media = folder / MEDIA
    if media.is_dir():
        for session in sorted(media.iterdir()):
            if _UUID.fullmatch(session.name) and session.is_dir():
                yield from sorted(file for file in session.iterdir() if is_media_name(file.name))


def _manifest(contents: Contents) -> str:
    return json.dumps(
        {
            "kind": KIND,
            "version": 1,
            "made_utc": contents.made_utc.isoformat(),
            "players": contents.players,
            "sessions": contents.sessions,
            "reps": contents.reps,
            "sha256": dict(contents.sums),
        }
    )


def _contents(archive: zipfile.ZipFile, path: Path) -> Contents:
    if archive.getinfo(MANIFEST).file_size > _LONGEST_MANIFEST:
        raise ValueError("its list of files is too long")
    said: Any = json.loads(archive.read(MANIFEST))
    if not isinstance(said, dict) or said.get("kind") != KIND:
        raise ValueError(f"its {MANIFEST} is not that of a backup")
    if said.get("version") != 1:
        raise StoreError(f"{path} was made by a newer program (version {said.get('version')}); update rimward")
    sums: Any = said["sha256"]
    if not isinstance(sums, dict) or DATABASE not in sums or not all(map(_is_ours, sums)):
        raise ValueError("it names files that no backup holds")
    people, practised, shot = (said[name] for name in ("players", "sessions", "reps"))
    if not all(isinstance(count, int) for count in (people, practised, shot)):
        raise ValueError("its counts are no numbers")
    return Contents(datetime.fromisoformat(said["made_utc"]), people, practised, shot, sums)


def _is_ours(name: str) -> bool:
    """Nothing else is ever written from an archive: a name could lead out of the folder."""
    parts = name.split("/")
    return name == DATABASE or (
        len(parts) == 3 and parts[0] == MEDIA and _UUID.fullmatch(parts[1]) is not None and is_media_name(parts[2])
    )


def _sum_of(file: Path) -> str:
    with file.open("rb") as source:
        return _copy(source, None)


def _copy(source: IO[bytes], sink: IO[bytes] | None) -> str:
    """Copy to the end; gives the SHA-256."""
    digest = hashlib.sha256()
    while block := source.read(_CHUNK):
        digest.update(block)
        if sink is not None:
            sink.write(block)
    return digest.hexdigest()
