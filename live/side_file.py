"""What a session writes when the database cannot take it: JSON Lines, one change a line, each safe on disk at once.

Every line names its whole session, so that any line can be merged without the others: lines may be torn by a crash or
spread over two files.

A file may be merged by a second program while the session still writes. The merging side first renames the file, then
reads it; the writing side opens it by name for each line and afterwards looks whether the name still leads to what it
wrote. So a line is either read by the merger or written once more, and merging a line twice changes nothing.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

from pydantic import TypeAdapter, ValidationError

from .records import Rep, Result
from .session_records import SessionStart, SessionSummary

WRITING = ".jsonl"
MERGING = ".merging"
DAMAGED = ".damaged"


@dataclass(frozen=True, slots=True)
class Change:
    """One line: a session began, one of its reps was saved, called made or missed, asked about, discarded or put
    back, its view became known, or it ended.
    """

    start: SessionStart
    rep: Rep | None = None
    result_of: int | None = None
    result: Result | None = None
    answer_of: int | None = None
    answer: str = ""
    discarded: int | None = None
    restored: int | None = None
    view: str | None = None
    summary: SessionSummary | None = None


_CHANGE = TypeAdapter(Change)


def append(path: Path, change: Change) -> None:
    """Return when the line is safe on disk. Raises OSError; then the file is as it was."""
    line = json.dumps(change, default=_plain, allow_nan=False).encode() + b"\n"
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    written = False
    while not written:
        new = not path.exists()
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o600)
        try:
            _append_whole(descriptor, line)
            written = _same_file(descriptor, path)
        finally:
            os.close(descriptor)
    if new:
        _sync_folder(path.parent)


def claim(folder: Path) -> Iterator[Path]:
    """Rename each side file so that no writer adds to it, and give it; also those whose merge broke off before."""
    for path in sorted(folder.glob(f"*{WRITING}")):
        claimed = path.with_name(f"{path.stem}.{uuid4().hex[:8]}{MERGING}")
        try:
            path.rename(claimed)
        except OSError:  # gone to another merger, or (Windows) open in its writer: the next start comes back to it
            continue
    yield from sorted(folder.glob(f"*{MERGING}"))


def read(path: Path) -> tuple[list[Change], int]:
    """The changes in order, and how many lines were damaged. Raises OSError."""
    changes, damaged = [], 0
    for line in path.read_bytes().split(b"\n"):
        if not line.strip():
            continue
        try:
            changes.append(_CHANGE.validate_json(line))
        except ValidationError:
            damaged += 1
    return changes, damaged


def _plain(value: Any) -> Any:
    """For the JSON writer, which knows neither records nor NumPy's numbers."""
    if is_dataclass(value):
        return {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, Mapping):
        return dict(value)
    return value.isoformat() if isinstance(value, datetime) else float(value)


def _append_whole(descriptor: int, line: bytes) -> None:
    before = os.fstat(descriptor).st_size
    try:
        rest = memoryview(line)
        while rest:
            rest = rest[os.write(descriptor, rest) :]
        os.fsync(descriptor)
    except OSError:  # a full disk: half a line would spoil the next one
        os.ftruncate(descriptor, before)
        raise


def _same_file(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False


def _sync_folder(folder: Path) -> None:
    """The new file's name must survive a power cut as well; Windows does this by itself and cannot open folders."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
