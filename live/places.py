"""Where things lie on this machine: the user's settings, the data folder and what is in it."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path

import platformdirs

APP = "rimward"
DATABASE = "rimward.db"
_PENDING = "pending"


def settings_file(given: Path | None = None) -> Path | None:
    """The user's settings file: `given` (--settings), else $RIMWARD_SETTINGS, else settings.toml in the system's folder
    for user configuration, if there is one. The first two need not exist here: `load_settings` says so.
    """
    if given is not None:
        return given
    if from_environment := os.environ.get("RIMWARD_SETTINGS"):
        return Path(from_environment).expanduser()
    usual = platformdirs.user_config_path(APP, appauthor=False) / "settings.toml"
    return usual if usual.exists() else None


def data_folder(wanted: str = "") -> Path:
    """Where sessions, models and calibrations are kept: $RIMWARD_DATA_DIR, else `wanted` (storage.folder), else the
    system's folder for user data. Not created here.
    """
    if from_environment := os.environ.get("RIMWARD_DATA_DIR"):
        return Path(from_environment).expanduser()
    return Path(wanted).expanduser() if wanted else platformdirs.user_data_path(APP, appauthor=False)


def pending_folders(data: Path) -> list[Path]:
    """Where side files of this data folder wait for its database, in the order in which they are written and merged:
    beside it and, where the data folder refuses them, in the system's folder for temporary files.
    """
    return [data / _PENDING, *_pending_in_temp(data)]


def _pending_in_temp(data: Path) -> list[Path]:
    """Empty when somebody else sits on the name."""
    try:
        temp = Path(tempfile.gettempdir())
    except OSError:  # no folder that could be written, for instance on a full disk
        return []
    folder = temp / (f"{APP}-{os.getuid()}" if hasattr(os, "getuid") else APP)
    # each data folder has its own: a session must not join the database of whoever starts next
    own = folder / hashlib.sha256(os.fsencode(data.absolute())).hexdigest()[:16]
    try:
        seen = folder.lstat()
    except OSError:  # not there yet; or not readable, which the first side file will say
        return [own]
    ours = not hasattr(os, "getuid") or (seen.st_uid == os.getuid() and not folder.is_symlink())
    return [own] if ours else []
