"""The files that ship inside the package. Nothing else opens package data: when a file moves, only this changes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np

from . import demo
from .joints import JointNetwork, Together
from .records import Tone
from .words import Words, read_words


def config_text(name: str) -> str:
    """Text of a file in rimward.config, for instance "default.toml"; FileNotFoundError when it does not ship."""
    return files("rimward.config").joinpath(name).read_text("utf-8")


@cache
def english() -> Words:
    """The words in English, for who has chosen no language."""
    return read_words(config_text("words_en.toml"), "words_en.toml")


@cache
def joint_network() -> JointNetwork:
    """Where joints lie against landmarks, as learned by tests/studio/learn_joints.py."""
    with files("rimward.live").joinpath("joints.npz").open("rb") as file, np.load(file) as data:
        arrays = {name: np.asarray(data[name], float) for name in data.files}
    together = Together(*(arrays.pop(f"together_{name}") for name in ("ways", "spread", "give")))
    return JointNetwork(**arrays, together=together)


def config_names(prefix: str) -> list[str]:
    """What ships as PREFIXname.toml in rimward.config, in order of the alphabet."""
    files_there = (path.name for path in files("rimward.config").iterdir())
    return sorted(
        name.removeprefix(prefix).removesuffix(".toml")
        for name in files_there
        if name.startswith(prefix) and name.endswith(".toml")
    )


def tone_wav(tone: Tone) -> bytes:
    """A tone as a whole WAV file: 44.1 kHz, 16 bit, mono."""
    return files("rimward.sounds").joinpath(f"{tone.value}.wav").read_bytes()


@contextmanager
def demo_clip() -> Iterator[Path]:
    """Path of the bundled clip, for as long as the context lasts (OpenCV reads files, not bytes)."""
    with as_file(files("rimward.live").joinpath(demo.CLIP)) as path:
        yield path


def demo_player() -> dict[str, object]:
    """Hand and stature of the invented player of the bundled clip, as settings of the section `player`."""
    player = json.loads(files("rimward.live").joinpath("demo_clip.json").read_text("utf-8"))["player"]
    return {"name": demo.PLAYER, "hand": player["hand"], "stature_m": player["stature_m"]}


def report_template() -> str:
    """The page of `rimward report`, a Jinja template."""
    return files("rimward.live").joinpath("report.html").read_text("utf-8")
