"""What a player's own camera and clips can be like, through the whole program: graceful, or one line that helps.

Files that are no clip, wrong settings, a missing model and Ctrl-C are in test_cli.py; cameras that fail in
test_window_live.py; the parts' own tests have the finer cases.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from fakes import clip_frames
from program import (
    CLIPS,
    Said,
    data_folder,
    enlarged,
    environment,
    pictures,
    prepared_model,
    run,
    saved,
    written,
)

from rimward.live import cli, mediapipe_pose
from rimward.live.practice import Options, practise
from rimward.live.records import Frame, SourceInfo, SourceTrouble
from rimward.live.settings import load_settings

pytestmark = pytest.mark.network

RELEASE_S = 1.5208
"""Of the free throw in all these clips (their sidecars)."""


class Court:
    """Runs the command line in this process, in a data folder of its own."""

    def __init__(self, data: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.data, self._capsys = data, capsys

    def practise(self, clip: Path, *more: object) -> Said:
        status = cli.main(["practice", "--clip", str(clip), "--headless", "--json", *map(str, more)])
        return Said(status, *self._capsys.readouterr())

    def practise_with(self, source: Scripted) -> Said:
        said: list[str] = []
        status = practise(load_settings(), Options(headless=True, json=True), said.append, source)
        return Said(status, self._capsys.readouterr().out, "\n".join(said))


@pytest.fixture
def court(tmp_path, monkeypatch, capsys) -> Court:
    data = data_folder(tmp_path / "data", prepared_model())
    for name, value in environment(data).items():
        monkeypatch.setenv(name, value)
    monkeypatch.delenv("RIMWARD_SETTINGS", raising=False)
    return Court(data, capsys)


class Scripted:
    """A source (ports.FrameSource) that hands over what it is given."""

    dropped = 0

    def __init__(self, items: Iterable[Frame | SourceTrouble], size: tuple[int, int], *, live: bool = False) -> None:
        self._items = items
        self.info = SourceInfo("script", *size, rate_hz=15.0, live=live)

    def __iter__(self) -> Iterator[Frame | SourceTrouble]:
        return iter(self._items)

    def close(self) -> None:
        pass


def the_free_throw(said: Said, within_s: float) -> dict:
    """The one rep of a good run."""
    assert said.status == 0
    assert said.err == ""
    (rep,) = said.reps
    assert rep["t_release_s"] == pytest.approx(RELEASE_S, abs=within_s)
    assert said.session["reps"] == 1
    return rep


# ---- clips of every kind


@pytest.mark.parametrize(("clip", "within_s"), [("fps_15.mp4", 1 / 15), ("fps_120.mp4", 0.034)])
def test_slow_and_fast_clips(court, clip, within_s):
    the_free_throw(court.practise(CLIPS / clip), within_s)


def test_a_variable_rate(court):
    """Its steps are up to 0.1 s long (sidecar)."""
    times = json.loads((CLIPS / "variable_rate.json").read_text())["t_s"]
    the_free_throw(court.practise(CLIPS / "variable_rate.mp4"), max(np.diff(times)))


def test_a_phone_held_upright(court):
    """Lying in the file, with a flag that says how it was held."""
    said = court.practise(CLIPS / "portrait_rotated.mp4")
    rep = the_free_throw(said, 0.05)
    assert rep["measurements"]["knee_min_deg"]["value"] > 90  # lying, it would not even be a person


def test_4k(court, tmp_path):
    frames = (enlarged(picture, 3840, 2176) for picture in pictures("fps_15.mp4", 38))
    clip = written(tmp_path / "4k.mp4", frames, 15.0)
    the_free_throw(court.practise(clip), 1 / 15)


def test_one_frame(court, tmp_path):
    said = court.practise(written(tmp_path / "one.mp4", pictures("fps_15.mp4", 1)))
    assert (said.status, said.err) == (0, "")
    assert said.session["frames"] == 1
    assert said.reps == []


def test_a_picture_of_a_few_pixels(court, tmp_path):
    frames = (enlarged(picture, 32, 18) for picture in pictures("fps_15.mp4", 10))
    said = court.practise(written(tmp_path / "tiny.mp4", frames))
    assert (said.status, said.err) == (0, "")
    assert said.session["frames"] == 10
    assert said.reps == []


def test_a_clip_of_which_half_is_missing(court, tmp_path):
    """Its index stands in front, so what is left is played and the end is said."""
    whole = (CLIPS / "fps_15.mp4").read_bytes()
    (tmp_path / "half.mp4").write_bytes(whole[: len(whole) // 2])
    said = court.practise(tmp_path / "half.mp4")
    assert said.status == 0
    assert 0 < said.session["frames"] < 49
    assert "half.mp4 ends after" in said.error


def test_a_clip_that_was_cut_off_while_it_was_written(court, tmp_path):
    """Its index would have come last."""
    whole = written(tmp_path / "whole.mp4", pictures("fps_15.mp4", 20)).read_bytes()
    (tmp_path / "cut.mp4").write_bytes(whole[: len(whole) // 2])
    said = court.practise(tmp_path / "cut.mp4")
    assert (said.status, said.out) == (2, "")
    assert "cut.mp4 cannot be read" in said.error


# ---- who is in the picture


def test_nobody(court, tmp_path):
    """Noise, seeded: bright enough to be no dead camera, nothing that could be a person."""
    noise = np.random.default_rng(1)
    frames = [noise.integers(0, 255, (272, 480, 3)).astype(np.uint8) for _ in range(20)]
    said = court.practise(written(tmp_path / "noise.mp4", frames))
    assert (said.status, said.err) == (0, "")
    assert said.session["frames"] == 20
    assert said.reps == []


def test_people_who_walk_by(court):
    """The shooter's rep is found, and neither walker's."""
    truth = json.loads((CLIPS / "passer_by.json").read_text())
    said = court.practise(CLIPS / "passer_by.mp4")
    assert (said.status, said.err) == (0, "")
    (rep,) = said.reps
    assert rep["t_release_s"] == pytest.approx(truth["reps"][0]["events_s"]["t_release"], abs=0.05)


def sliding(out_from: int, out_by: int, back_from: int | None = None) -> Iterator[np.ndarray]:
    """The free throw with a camera that turns away: the player slides out of the picture, on request back in."""
    frames = list(pictures("fps_15.mp4"))
    width = frames[0].shape[1]
    for k, picture in enumerate(frames):
        part = np.clip((k - out_from) / (out_by - out_from), 0, 1)
        if back_from is not None and k >= back_from:
            part = 0.0
        shift = round(part * width)
        wall = np.broadcast_to(picture[:, :1], picture.shape)
        yield np.concatenate([wall[:, :shift], picture[:, : width - shift]], axis=1)


def test_a_player_who_leaves_the_picture_before_the_shot(court, tmp_path):
    """Frame 15 is 1.0 s: half a second before the release nobody is left to be seen."""
    said = court.practise(written(tmp_path / "left.mp4", sliding(8, 15), 15.0))
    assert (said.status, said.err) == (0, "")
    assert said.session["frames"] == 49
    assert said.reps == []


def test_a_player_who_leaves_the_picture_after_the_shot(court, tmp_path):
    """From 2.0 s on, half a second into the follow-through: the rep counts, its follow-through is not known."""
    said = court.practise(written(tmp_path / "left.mp4", sliding(30, 33), 15.0))
    rep = the_free_throw(said, 1 / 15)
    follow_through = rep["measurements"]["follow_through_s"]
    assert follow_through["value"] is None
    assert follow_through["reason"]


# ---- what devices and the network may hand over


def test_landmarks_that_are_no_numbers(court, monkeypatch):
    """The real network, but every eighth picture has a NaN among its landmarks: that pose is left out, the rep not."""
    detect = mediapipe_pose.MediapipePose._detect
    count = itertools.count()

    def broken(self: object, *args: object) -> list[list[SimpleNamespace]]:
        found = detect(self, *args)  # type: ignore[arg-type]
        if next(count) % 8 == 3:
            marks = [
                [SimpleNamespace(x=m.x, y=m.y, z=m.z, visibility=m.visibility) for m in person] for person in found
            ]
            for person in marks:
                person[14].y = math.nan
            return marks
        return found

    monkeypatch.setattr(mediapipe_pose.MediapipePose, "_detect", broken)
    the_free_throw(court.practise(CLIPS / "good_free_throw.mp4"), 0.05)
    assert next(count) > 90


def frames_at(change: Callable[[int, float], float]) -> Iterator[Frame]:
    for k, (t_s, picture) in enumerate(clip_frames(CLIPS / "good_free_throw.mp4")):
        yield Frame(k, change(k, t_s), picture)


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda k, t_s: t_s - 0.5 if k in (20, 21, 60) else t_s, id="backwards"),
        pytest.param(lambda k, t_s: t_s - t_s % 0.066 if k in (20, 21, 60) else t_s, id="standing still"),
    ],
)
def test_times_that_do_not_move_on(court, change):
    said = court.practise_with(Scripted(frames_at(change), (1280, 720)))
    the_free_throw(said, 0.05)
    assert said.session["frames"] == 97


def test_a_long_hole_in_time(court):
    """The lid was closed after the shot: the rep of before is read, nothing is made up for the hour between."""
    said = court.practise_with(Scripted(frames_at(lambda k, t_s: t_s if k < 75 else t_s + 3600.0), (1280, 720)))
    the_free_throw(said, 0.05)


def test_the_picture_changes_its_size_in_the_middle(court):
    """A camera that was plugged in again at another resolution, with its word on it."""
    first = [Frame(k, t_s, picture) for k, (t_s, picture) in enumerate(clip_frames(CLIPS / "good_free_throw.mp4"))]
    again = (
        Frame(len(first) + k, 4.0 + t_s, enlarged(picture, 640, 360))
        for k, (t_s, picture) in enumerate(clip_frames(CLIPS / "good_free_throw.mp4"))
    )
    items = [*first, SourceTrouble(3.5, "Camera 0 is gone"), *again]
    said = court.practise_with(Scripted(items, (1280, 720)))
    assert said.err == "Camera 0 is gone"
    assert [rep["t_release_s"] for rep in said.reps] == pytest.approx([RELEASE_S, 4.0 + RELEASE_S], abs=0.05)


# ---- where sessions are kept


def test_a_data_folder_that_cannot_be_written(tmp_path):
    """The session goes on in a side file, says where, and joins the database at the next start that has one."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    (tmp_path / "temp").mkdir()
    temp = {"TMPDIR": str(tmp_path / "temp"), "RIMWARD_DATA_DIR": str(blocked / "data")}
    options = ("practice", "--clip", CLIPS / "fps_15.mp4", "--headless", "--json", "--pose-model", prepared_model())
    said = run(*options, data=tmp_path / "start", **temp)
    assert said.status == 0
    assert len(said.reps) == 1
    assert said.session["reps"] == 1
    assert str(blocked / "data" / "rimward.db") in said.error
    assert "joins at the next start" in said.error

    elsewhere = temp | {"RIMWARD_DATA_DIR": str(tmp_path / "elsewhere")}
    assert run("sessions", data=tmp_path / "start", **elsewhere).err == ""  # another data folder does not take it
    blocked.unlink()
    again = run(*options, data=tmp_path / "start", **temp)
    assert again.status == 0
    assert "1 rep of an earlier session joined" in again.error
    assert [len(reps) for _, reps in saved(blocked / "data")] == [1, 1]


def test_a_data_folder_that_can_take_neither_model_nor_sessions(tmp_path):
    """Found out before a download."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    where = {"RIMWARD_DATA_DIR": str(blocked / "data")}
    for command in (("setup",), ("practice", "--clip", CLIPS / "fps_15.mp4", "--headless")):
        said = run(*command, data=tmp_path / "start", **where)
        assert (said.status, said.out) == (2, "")
        assert str(blocked) in said.error
        assert "must be writable" in said.error


def test_a_damaged_database(court):
    court.data.joinpath("rimward.db").write_bytes(b"\x00garbage" * 1000)
    said = court.practise(CLIPS / "fps_15.mp4")
    assert said.status == 0
    assert "is kept as rimward.damaged-" in said.error
    assert len(said.reps) == 1
    assert len(saved(court.data)[0][1]) == 1
