"""The whole program as a person or a script starts it, on clips of tests/clips and in a data folder of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from fakes import clip_frames, write_video

from rimward.live import places
from rimward.live.errors import PoseModelError
from rimward.live.pose_model import check, hands_path, model_path
from rimward.live.records import Rep
from rimward.live.session_records import SavedSession
from rimward.live.store import open_store

ROOT = Path(__file__).resolve().parents[1]
CLIPS = ROOT / "tests" / "clips"
LIMIT_S = 120
"""For broken code; nothing here comes near it."""


def prepared_model() -> Path:
    """The pose model of this machine; the test is skipped where `rimward setup` has not run."""
    path = model_path(places.data_folder())
    try:
        check(path)
    except PoseModelError as error:
        pytest.skip(str(error))
    return path


def data_folder(folder: Path, model: Path) -> Path:
    """A data folder with the models in it, so that no test writes into the user's own database."""
    folder.mkdir(parents=True, exist_ok=True)
    model_path(folder).symlink_to(model)
    if (hands := hands_path(model.parent)).exists():
        hands_path(folder).symlink_to(hands)
    return folder


@dataclass(frozen=True)
class Said:
    """What a run of the program came to."""

    status: int
    out: str
    err: str

    @property
    def lines(self) -> list[dict]:
        """Standard output, each line of which must be JSON."""
        return [json.loads(line) for line in self.out.splitlines()]

    @property
    def reps(self) -> list[dict]:
        return [line for line in self.lines if line["kind"] == "rep"]

    @property
    def session(self) -> dict:
        (line,) = [line for line in self.lines if line["kind"] == "session"]
        assert self.lines[-1] == line
        return line

    @property
    def error(self) -> str:
        """The one line on standard error."""
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        return lines[0]


def environment(data: Path, **more: str) -> dict[str, str]:
    """No screen and no sound unless given; no settings of the user's own."""
    hidden = ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER", "SDL_AUDIODRIVER", "RIMWARD_SETTINGS")
    kept = {name: value for name, value in os.environ.items() if name not in hidden}
    return kept | {"RIMWARD_DATA_DIR": str(data), "XDG_CONFIG_HOME": str(data / "no-config")} | more


def start(*options: object, data: Path, **env: str) -> subprocess.Popen[str]:
    # `data` as folder: from the checkout's own folder its packages could be imported by the wrong names
    data.mkdir(exist_ok=True, parents=True)
    return subprocess.Popen(
        [sys.executable, "-m", "rimward.live", *map(str, options)],
        env=environment(data, **env),
        cwd=data,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ended(process: subprocess.Popen[str]) -> Said:
    try:
        out, err = process.communicate(timeout=LIMIT_S)
    finally:
        process.kill()
    return Said(process.returncode, out, err)


def run(*options: object, data: Path, **env: str) -> Said:
    """In a process of its own."""
    return ended(start(*options, data=data, **env))


def eventually(condition: Callable[[], object], limit_s: float = 60.0) -> bool:
    """Whether the condition comes true; the limit is for broken code, not a measure."""
    end = time.monotonic() + limit_s
    while not condition() and time.monotonic() < end:
        time.sleep(0.01)
    return bool(condition())


def saved(data: Path) -> list[tuple[SavedSession, list[Rep]]]:
    """Sessions and their reps, as the next start of the program finds them."""
    notices: list[str] = []
    store = open_store(data, notices.append)
    try:
        return [(session, store.reps(session.start.id)) for session in store.sessions()]
    finally:
        store.close()


def pictures(clip: str, count: int | None = None) -> Iterator[np.ndarray]:
    for k, (_, picture) in enumerate(clip_frames(CLIPS / clip)):
        if k == count:
            return
        yield picture


def written(path: Path, frames: Iterable[np.ndarray], rate_hz: float = 30.0) -> Path:
    """A clip of these pictures, all of the first one's size."""
    frames = list(frames)
    height, width = frames[0].shape[:2]
    return write_video(path, frames, rate_hz, (width, height))


def enlarged(picture: np.ndarray, width: int, height: int) -> np.ndarray:
    return cv2.resize(picture, (width, height), interpolation=cv2.INTER_LINEAR)
