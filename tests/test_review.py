"""`rimward review` from clips to sessions: the results of practice, in parallel, broken off and started again."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from accuracy import exact
from fakes import write_video
from program import CLIPS, Said, data_folder, ended, prepared_model, run, saved, start
from test_film import all_frames

from rimward.calibration.bump import features_of
from rimward.live import batch, review
from rimward.live.batch import FailedClip, KnownClip, ReadClip, Work, read_clip, read_clips
from rimward.live.cli import main
from rimward.live.records import Frame, SourceInfo
from rimward.live.rep_files import files_of
from rimward.live.settings import load_settings
from rimward.live.store import open_store
from rimward.live.timeline import key_instant_s
from rimward.live.traces import content_digest, load_trace, noted_film

pytestmark = pytest.mark.network

ONE_REP = CLIPS / "fps_15.mp4"


def copy_of(path: Path, number: int = 0) -> Path:
    """The same film with another digest: an empty box at the end of an MP4 is skipped (ISO/IEC 14496-12, 8.1.2)."""
    path.write_bytes(ONE_REP.read_bytes() + number * b"\0\0\0\x08free")
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("films")


@pytest.fixture(scope="module")
def films(folder) -> list[Path]:
    """A good clip whose name is hard to type, one in which nobody is, one that is no film, one that is not there."""
    empty = np.full((240, 320, 3), 120, np.uint8)
    (folder / "notes.mp4").write_text("no film")
    return [
        copy_of(folder / "Übung [b] 投篮 №1.mp4"),
        write_video(folder / "hall.mp4", [empty] * 8, 30.0, (320, 240)),
        folder / "notes.mp4",
        folder / "gone.mp4",
    ]


@pytest.fixture(scope="module")
def reviewed(films, folder) -> tuple[Said, Path]:
    data = data_folder(folder / "data", prepared_model())
    coached(data)
    return run("review", *films, "--player", "Sam", "--json", data=data), data


def coached(data: Path) -> None:
    """Sam with a target of the coach that no knee keeps."""
    with closing(open_store(data, pytest.fail)) as store:
        store.set_target(store.add_player("Sam").id, "knee_min_deg", 20.0, 30.0, locked=True)


def of_kind(said: Said, kind: str) -> list[dict]:
    return [line for line in said.lines if line["kind"] == kind]


def without_speed(lines: list[dict]) -> list[dict]:
    dropped = ("clip", "session", "processing_fps", "latency_ms")
    return [{key: value for key, value in line.items() if key not in dropped} for line in lines]


def test_a_clip_gives_what_practice_gives(reviewed, films, tmp_path):
    said, _ = reviewed
    data = data_folder(tmp_path / "data", prepared_model())
    coached(data)
    practised = run("practice", "--clip", films[0], "--headless", "--json", "--player", "Sam", data=data)
    given = [line for line in said.lines if line.get("clip") == str(films[0])]
    assert without_speed(given) == without_speed(practised.lines)
    (rep,) = of_kind(said, "rep")
    assert "Target: " in said.err
    assert [one["verdict"] for one in rep["findings"] if one["measurement"] == "knee_min_deg"] == ["above"]


def test_each_bad_clip_costs_one_line_and_the_others_go_on(reviewed, films):
    said, _ = reviewed
    assert said.status == 2
    lines = said.err.splitlines()
    for film, words in zip(
        films[1:], ("nobody was seen in its 8 frames", "cannot be read as one", "nothing at"), strict=True
    ):
        (line,) = [line for line in lines if str(film) in line]
        assert words in line
    assert {line["clip"] for line in of_kind(said, "error")} == set(map(str, films[1:]))
    assert sum("Übung [b] 投篮 №1.mp4: 1 rep" in line for line in lines) == 1
    assert len(lines) == 5  # with what Sam is held against


def test_a_clips_name_steers_no_terminal():
    said: list[str] = []
    path = Path("a\x1b[2Jb.mp4")
    review._Watch(1, said.append).done(path, review.Reviewed(path, "an id", 2))
    assert said == ["1/1 a\\x1b[2Jb.mp4: 2 reps"]


def test_what_is_saved(reviewed, films):
    """The session of the film with its trace and without a picture: nobody allowed one."""
    _, data = reviewed
    ((session, (rep,)),) = saved(data)
    assert session.start.player == "Sam"
    assert session.start.source == films[0].name
    assert session.summary is not None
    assert session.summary.frames == 49
    assert session.start.started_utc.timestamp() == pytest.approx(films[0].stat().st_mtime, abs=1)
    trace = load_trace(data, session.start.id, rep.index)
    assert trace is not None
    assert trace.film == films[0].name  # where it lies is this machine's own affair
    assert noted_film(data, session.start.id) == str(films[0])
    assert [path.suffix for path in files_of(data, session.start.id)] == [".npz"]


def test_a_clip_that_is_done_is_not_done_again(reviewed, films, folder):
    """Nor a copy of it under another name; the same lines come, from the database."""
    said, data = reviewed
    copy = folder / "copy.mp4"
    shutil.copy(films[0], copy)
    again = run("review", films[0], copy, "--player", "Sam", "--json", data=data)
    assert again.status == 0
    assert again.err.count("done before") == 2
    first = [line for line in said.lines if line.get("clip") == str(films[0])]
    for film in (films[0], copy):
        given = [line for line in again.lines if line["clip"] == str(film)]
        assert [line | {"clip": ""} for line in given] == [line | {"clip": ""} for line in first]
    assert len(saved(data)) == 1


def test_key_pictures_and_an_annotated_clip(reviewed, films, tmp_path, monkeypatch, capsys):
    """Skeletons, since nobody allowed a picture; with permission the film's own frames."""
    _, data = reviewed
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(data))
    options = [
        "review",
        "--session",
        "last",
        "--pictures",
        str(tmp_path / "p"),
        "--annotate",
        str(tmp_path / "out.mp4"),
    ]
    assert main(options) == 0
    assert "no pictures of Sam are kept" in capsys.readouterr().err
    names = sorted(path.name for path in (tmp_path / "p").iterdir())
    assert names == [f"{films[0].stem}_rep01_{what}.png" for what in ("follow_through", "release", "set")]
    assert colours(tmp_path / "p" / names[2]) < 100
    assert main(options) == 2
    assert capsys.readouterr().err.endswith("out.mp4 is there already; --force writes over it\n")

    store = open_store(data)
    sam = store.player("Sam").id
    store.edit_player(sam, pictures=True, birth_year=1990)
    assert main([*options, "--force"]) == 0
    assert "keleton" not in capsys.readouterr().err
    assert colours(tmp_path / "p" / names[2]) > 200
    (frame, *_), trace = all_frames(tmp_path / "out.mp4"), load_trace(data, store.session("last").start.id, 1)
    assert trace is not None
    assert np.unique(frame.image[:40].reshape(-1, 3), axis=0).shape[0] > 100

    store.edit_player(sam, minor=True)
    assert main([*options, "--force"]) == 0
    assert "no pictures of Sam are kept; of minors there never are any" in capsys.readouterr().err
    assert colours(tmp_path / "p" / names[2]) < 100
    store.edit_player(sam, minor=None, pictures=False)
    store.close()


def colours(path: Path) -> int:
    """Different ones in the upper left part of a picture, where the hall is, or plain ground."""
    picture = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
    return int(np.unique(picture[40:150, :150].reshape(-1, 3), axis=0).shape[0])


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signals between programs")
def test_broken_off_and_started_again(folder):
    """A Ctrl-C after the first of two clips: it is kept, and the second start does the other one."""
    data = data_folder(folder / "broken_off", prepared_model())
    clips = [copy_of(folder / f"{k}.mp4", k) for k in (1, 2)]
    process = start("review", *clips, "--json", "--jobs", 1, data=data)
    assert process.stdout is not None
    first = json.loads(process.stdout.readline())
    process.send_signal(signal.SIGINT)
    said = ended(process)
    assert said.status == 130
    assert "Traceback" not in said.err
    assert len(saved(data)) == 1

    again = run("review", *clips, "--json", "--jobs", 2, data=data)
    assert again.status == 0
    assert first["session"] in {line["session"] for line in again.reps}
    assert [len(reps) for _, reps in saved(data)] == [1, 1]
    assert {line["clip"] for line in again.reps} == set(map(str, clips))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "needs clips"),
        (("--session", "last"), "needs --open"),
        ((ONE_REP, "--annotate", "x.avi"), "must be called .mp4"),
        ((ONE_REP, "--open"), "no screen"),
        (("--session", "abcd", "--open"), "no session abcd"),
        (("--session", "last", "--rep", 7, "--pictures", "p"), "there must be a rep to look at, none 7 was kept"),
    ],
)
def test_what_cannot_be_is_said_before_the_work(reviewed, options, words, monkeypatch, capsys):
    _, data = reviewed
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(data))
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    if "abcd" in options:
        monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    assert main(["review", *map(str, options)]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1


# ---- in this process


@pytest.fixture(scope="module")
def work() -> Work:
    return Work(load_settings(), prepared_model())


def nothing(path: Path, frames: int, claimed: int | None) -> None:
    """Nobody looks at the progress."""


def test_a_process_that_dies_costs_its_clip_only(work, folder):
    """Killed from outside in the middle of the first clip, as a system without memory does."""
    clips = [copy_of(folder / f"killed_{k}.mp4", 10 + k) for k in (1, 2)]
    killed: list[int] = []

    def progress(path: Path, frames: int, claimed: int | None) -> None:
        assert claimed == 49
        if not killed:
            (child,) = [int(entry) for entry in children()]
            killed.append(child)
            os.kill(child, signal.SIGKILL)

    said = {one.path: one for one in read_clips(clips, work, {}, 1, progress)}
    lost = said[clips[0]]
    assert isinstance(lost, FailedClip)
    assert "was ended from outside" in lost.message
    read = said[clips[1]]
    assert isinstance(read, ReadClip)
    assert len(read.reps) == 1
    assert list(children()) == []


def children() -> Iterator[str]:
    """Processes that this one started to read clips."""
    path = Path(f"/proc/self/task/{os.getpid()}/children")
    if not path.exists():
        pytest.skip("this system does not list a process's children")
    for child in path.read_text().split():
        if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
            yield child


def test_the_key_knows_content_settings_and_calibration(work):
    digest = content_digest(ONE_REP)
    other = Work(load_settings(options={"player": {"stature_m": 1.9}}), work.model)
    placed = Work(work.settings, work.model, calibration_digest="c")
    assert len({work.key(digest), work.key("0" * 64), other.key(digest), placed.key(digest)}) == 4
    assert read_clip(ONE_REP, work, {work.key(digest): "s"}, nothing) == KnownClip(ONE_REP, work.key(digest), "s")


def test_a_clip_from_elsewhere_goes_without_the_calibration(work):
    """As in practice; the second look is two seconds into the clip, its release a little later."""
    clip = CLIPS / "jump_shot.mp4"
    _, first = cv2.VideoCapture(str(clip)).read()
    size = (first.shape[1], first.shape[0])
    camera = exact(json.loads(clip.with_suffix(".json").read_text("utf-8"))["camera"], size)
    for turned_px, trouble, given in ((0, [], True), (40, ["from 2 s on the camera stands elsewhere"], False)):
        calibrated = cv2.warpAffine(first, np.array([[1.0, 0, turned_px], [0, 1, 0]]), size)
        placed = replace(work, calibration=camera, background=features_of(calibrated))
        outcome = read_clip(clip, placed, {}, nothing)
        assert isinstance(outcome, ReadClip)
        (rep,) = (one.rep for one in outcome.reps)
        assert (rep.measurements["feet_heading_deg"].value is not None) == given
        assert [line.partition(" than ")[0] for line in outcome.troubles] == trouble


def test_pictures_of_who_allows_them_are_made_where_the_clip_is_read(work):
    """JPEGs of the three instants, in the film's size."""
    allowed = Work(work.settings, work.model, pictures=True)
    read = read_clip(ONE_REP, allowed, {}, nothing)
    assert isinstance(read, ReadClip)
    (one,) = read.reps
    assert set(one.pictures) == {"set", "release", "follow_through"}
    assert key_instant_s(one.rep.events, "set") < key_instant_s(one.rep.events, "follow_through")
    for content in one.pictures.values():
        assert content.startswith(b"\xff\xd8\xff")
        assert cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR).shape == (272, 480, 3)


def test_a_clip_that_changes_its_size(work, tmp_path, monkeypatch):
    """OpenCV's own reader scales such a file to its first size; other readers may not."""

    class Scripted:
        info = SourceInfo("two.mp4", 320, 240, 30.0, False)
        counted = False

        def __iter__(self) -> Iterator[Frame]:
            for k in range(4):
                size = (240, 320, 3) if k < 2 else (480, 640, 3)
                yield Frame(k, k / 30, np.zeros(size, np.uint8))

        def close(self) -> None:
            """Nothing is open."""

    path = copy_of(tmp_path / "two.mp4")
    monkeypatch.setattr(batch, "open_clip", lambda path, alone: Scripted())
    failed = read_clip(path, work, {}, nothing)
    assert isinstance(failed, FailedClip)
    assert "two.mp4: a clip must keep its size, this one changes from 320 x 240 to 640 x 480 at 0.1 s" in failed.message
