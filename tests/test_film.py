"""The frame that is shown is the frame that was asked for: against frame numbers drawn into a synthetic clip, and
against decoding from the first frame on, in whatever order.
"""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import numpy as np
import pytest
from fakes import write_video
from hypothesis import given
from hypothesis import strategies as st
from program import CLIPS

from rimward.live.clip import open_clip
from rimward.live.errors import SourceError
from rimward.live.film import Film
from rimward.live.records import Frame

BITS, SIDE = 8, 40
COUNT = 200


def numbered(k: int) -> np.ndarray:
    """The number as white and black squares: survives compression."""
    picture = np.full((240, 320, 3), 90, np.uint8)
    for bit in range(BITS):
        picture[100 : 100 + SIDE, bit * SIDE : (bit + 1) * SIDE] = 255 if k >> bit & 1 else 0
    return picture


def number_in(picture: np.ndarray) -> int:
    middle = picture[110 : 90 + SIDE]
    return sum(1 << bit for bit in range(BITS) if middle[:, bit * SIDE + 10 : (bit + 1) * SIDE - 10].mean() > 127)


@pytest.fixture(scope="module")
def clip(tmp_path_factory) -> Path:
    """29.97 frames a second: their times are no round numbers."""
    folder = tmp_path_factory.mktemp("numbered")
    return write_video(folder / "clip.mp4", map(numbered, range(COUNT)), 30000 / 1001)


@pytest.fixture(scope="module")
def frames(clip) -> list[Frame]:
    return all_frames(clip)


def all_frames(path: Path) -> list[Frame]:
    return [item for item in open_clip(path) if isinstance(item, Frame)]


@pytest.mark.parametrize("counted", [False, True])
def test_any_frame_in_any_order(clip, frames, counted):
    film = Film(clip, counted=counted)
    wishes = [*range(20, 5, -1), COUNT - 1, 0, 1, *random.Random(1).sample(range(COUNT), 25)]
    assert [number_in(film.frame(k, frames[k].t_s)) for k in wishes] == wishes
    film.close()


@given(st.lists(st.integers(0, COUNT - 1), min_size=1, max_size=4))
def test_a_film_just_opened(clip, frames, wishes):
    film = Film(clip)
    assert [number_in(film.frame(k, frames[k].t_s)) for k in wishes] == wishes
    film.close()


def test_a_little_memory_changes_nothing(clip, frames, monkeypatch):
    monkeypatch.setattr("rimward.live.film._BUDGET", 500_000)
    film = Film(clip)
    wishes = [50, 49, 48, 150, 47, 48, 49]
    assert [number_in(film.frame(k, frames[k].t_s)) for k in wishes] == wishes


@pytest.mark.parametrize("name", ["good_free_throw.mp4", "variable_rate.mp4", "portrait_rotated.mp4", "fps_120.mp4"])
def test_rendered_clips(name):
    """H.264 with its key frames seconds apart; one with a variable rate, one held upright."""
    frames = all_frames(CLIPS / name)
    film = Film(CLIPS / name)
    for k in [len(frames) - 1, len(frames) // 2, len(frames) // 2 - 1, 0, len(frames) // 3, 2 * len(frames) // 3]:
        assert np.array_equal(film.frame(k, frames[k].t_s), frames[k].image), k


def test_a_jump_that_lands_too_late_is_found_out(clip, frames, monkeypatch):
    """What some libraries do with some files: here every jump goes a second too far."""
    honest = Film._jump

    def late(self: Film, t_s: float) -> None:
        honest(self, t_s + 1.0)

    monkeypatch.setattr(Film, "_jump", late)
    film = Film(clip)
    wishes = [150, 40, 90, 10]
    assert [number_in(film.frame(k, frames[k].t_s)) for k in wishes] == wishes


def test_another_clip_in_its_place_is_refused(clip, frames, tmp_path):
    short = write_video(tmp_path / "clip.mp4", map(numbered, range(20)), 30000 / 1001)
    with pytest.raises(SourceError, match="must be the clip that the rep was read from, it has no frame 100"):
        Film(short).frame(100, frames[100].t_s)


def test_a_film_that_is_gone(tmp_path):
    with pytest.raises(SourceError, match="there is nothing at"):
        Film(tmp_path / "gone.mp4")


def test_a_name_that_is_no_latin(clip, frames, tmp_path):
    copy = tmp_path / "投篮 №1 50% a:b.mp4"
    shutil.copy(clip, copy)
    assert number_in(Film(copy).frame(77, frames[77].t_s)) == 77
