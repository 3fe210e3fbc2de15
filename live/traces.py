"""Traces on disk: one small file a rep beside the database (rep_files.py says where), without a picture.

DATA_FOLDER/media/SESSION_UUID/REP_trace.npz
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import zipfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .errors import StoreError
from .records import FloatArray
from .rep_files import rep_file, session_folder
from .trace import Space, Trace

TRACE = "trace"
_FILM = "film"
"""Beside the traces of a session, and no file of a rep: it stays out of backups and exchange (rep_files)."""
_SCHEMA = 1
_UNSEEN = int(np.iinfo(np.int16).min)
_STEPS = 16000
"""Steps over the longer side of the picture: 0.08 px at 1280, and room for landmarks that lie outside."""
_SPACE_STEP_M = 0.0005
"""Up to 16 m from the hoop."""


def save_trace(data_folder: Path, session_id: str, rep: int, trace: Trace | bytes) -> Path:
    """Keep the trace of a rep (or what `packed` made of it), whole or not at all; gives the file. Raises StoreError."""
    path = rep_file(data_folder, session_id, rep, TRACE, "npz")
    aside = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        aside.write_bytes(trace if isinstance(trace, bytes) else packed(trace))
        aside.replace(path)
    except OSError as error:
        if aside.is_file():
            aside.unlink()
        raise StoreError(f"{path} must be written, it cannot be ({_words(error)}); make room on the disk") from None
    return path


def load_trace(data_folder: Path, session_id: str, rep: int) -> Trace | None:
    """The trace of a rep; None when none was kept. Raises StoreError for a file that is none."""
    path = rep_file(data_folder, session_id, rep, TRACE, "npz")
    try:
        return unpacked(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile) as error:
        raise StoreError(f"{path} must be a trace that rimward kept, it cannot be read ({_words(error)})") from None


def packed(trace: Trace) -> bytes:
    """A compressed .npz without pickles; pixels in steps of a 16,000th of the picture's longer side, metres in
    steps of half a millimetre.
    """
    unit_px, space = max(trace.size) / _STEPS, trace.space
    in_space: dict[str, NDArray[np.generic]] = {}
    if space is not None:
        in_space = {
            "space_t_s": space.t_s,
            "space_points": _steps(space.points_m, _SPACE_STEP_M),
            "space_sigma": _steps(space.sigma_m, _SPACE_STEP_M),
            "space_names": np.array(space.names),
        }
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        allow_pickle=False,
        schema=np.array(_SCHEMA),
        size=np.array(trace.size, np.int32),
        px_per_m=np.array(trace.px_per_m),
        frames=trace.frames.astype(np.int32),
        t_s=trace.t_s,
        landmarks=_steps(trace.landmarks_px, unit_px),
        trust=np.round(np.clip(trace.trust, 0, 1) * 255).astype(np.uint8),
        ball=_steps(trace.ball_px, unit_px),
        film=np.array(trace.film),
        counted=np.array(trace.counted),
        **in_space,
    )
    return buffer.getvalue()


def unpacked(content: bytes) -> Trace:
    """The trace again. Raises ValueError or KeyError for a file that is none."""
    with np.load(io.BytesIO(content), allow_pickle=False) as file:
        if (schema := int(file["schema"])) > _SCHEMA:
            raise ValueError(f"its version {schema} is newer than this program's {_SCHEMA}; update rimward")
        width, height = (int(side) for side in file["size"])
        unit_px, space = max(width, height) / _STEPS, None
        if "space_t_s" in file:
            space = Space(
                t_s=np.asarray(file["space_t_s"], float),
                points_m=_unsteps(file["space_points"], _SPACE_STEP_M),
                sigma_m=_unsteps(file["space_sigma"], _SPACE_STEP_M),
                names=tuple(str(name) for name in file["space_names"]),
            )
        return Trace(
            size=(width, height),
            px_per_m=float(file["px_per_m"]),
            frames=np.asarray(file["frames"], np.int64),
            t_s=np.asarray(file["t_s"], float),
            landmarks_px=_unsteps(file["landmarks"], unit_px),
            trust=np.asarray(file["trust"], float) / 255,
            ball_px=_unsteps(file["ball"], unit_px),
            space=space,
            film=str(file["film"]),
            counted=bool(file["counted"]),
        )


def note_film(data_folder: Path, session_id: str, film: Path) -> None:
    """Remember on this machine which of its files a session was read from: other machines get the film's name only, in
    its traces. A film that was found elsewhere does not take the place of one that still is where it was.
    """
    note = session_folder(data_folder, session_id) / _FILM
    if not Path(noted_film(data_folder, session_id)).is_file():
        with contextlib.suppress(OSError):  # the session is worth more than the way back to its film
            note.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            note.write_bytes(os.fsencode(film.absolute()))


def noted_film(data_folder: Path, session_id: str) -> str:
    """What `note_film` remembered; empty where nothing was."""
    try:
        return os.fsdecode((session_folder(data_folder, session_id) / _FILM).read_bytes())
    except OSError:
        return ""


def content_digest(path: Path) -> str:
    """SHA-256 of a file's content, in hex. Raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _steps(values: FloatArray, unit: float) -> NDArray[np.int16]:
    steps = np.round(np.clip(values / unit, _UNSEEN + 1, -_UNSEEN - 1))
    return np.where(np.isfinite(values), steps, _UNSEEN).astype(np.int16)


def _unsteps(steps: NDArray[np.generic], unit: float) -> FloatArray:
    values = np.asarray(steps, np.float64)
    return np.where(values == _UNSEEN, np.nan, values * unit)


def _words(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or " ".join(str(error).split())[:120]
