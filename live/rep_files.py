"""Where the files of a rep are kept, beside the database: key pictures, and what it looked like as numbers.

    DATA_FOLDER/media/SESSION_UUID/REP_set.jpg, REP_release.jpg, REP_follow_through.jpg   key pictures (JPEG)
    DATA_FOLDER/media/SESSION_UUID/REP_trace.npz                                           skeleton and ball over time

REP is the rep's index in four digits. Pictures may be kept only of a player who allows them (roster.Player); backup,
merge and forget take the folder along, push and pull leave it where it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from uuid import UUID

MEDIA = "media"
_NAME = re.compile(r"\d{4,}_[a-z0-9_]{1,40}\.(jpg|npz)")


def session_folder(data_folder: Path, session_id: str) -> Path:
    """Where the files of a session are, whether there are any or not. Raises ValueError unless the id is a UUID."""
    return data_folder / MEDIA / str(UUID(session_id))


def rep_file(data_folder: Path, session_id: str, rep: int, what: str, suffix: str) -> Path:
    """Path of one file of a rep, `what` in small letters (set, release, trace), suffix jpg or npz."""
    name = f"{rep:04d}_{what}.{suffix}"
    if not is_media_name(name):
        raise ValueError(f"a file of a rep must be called like 0001_release.jpg, got {name!r}")
    return session_folder(data_folder, session_id) / name


def is_media_name(name: str) -> bool:
    """Whether a file of this name can belong to a rep; nothing else is taken from a backup."""
    return _NAME.fullmatch(name) is not None


def files_of(data_folder: Path, session_id: str) -> Iterator[Path]:
    """The files of a session, by name."""
    folder = session_folder(data_folder, session_id)
    if folder.is_dir():
        yield from sorted(path for path in folder.iterdir() if is_media_name(path.name))
