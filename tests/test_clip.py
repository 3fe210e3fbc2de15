"""Clips: every frame with its own time; what is no clip says so in one line."""

from __future__ import annotations

import itertools
import json
import struct
import threading
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from fakes import number_of, numbered, write_video
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.clip import Stamps, open_clip
from rimward.live.errors import SourceError
from rimward.live.records import Frame, SourceInfo, SourceTrouble

INFO = SourceInfo("clip", 320, 240, 30.0, live=False)


def frames_of(path: Path) -> list[Frame]:
    clip = open_clip(path)
    try:
        items = list(clip)
    finally:
        clip.close()
    assert all(isinstance(item, Frame) for item in items), items
    return items


def with_box(data: bytes, route: tuple[str, ...], change: Callable[[bytes], bytes]) -> bytes:
    """An ISO base media file (ISO/IEC 14496-12) with the content of one box changed; only boxes after the media data
    may change their size."""
    out, at = b"", 0
    while at < len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        content = data[at + 8 : at + size]
        if kind.decode() == route[0]:
            content = change(content) if len(route) == 1 else with_box(content, route[1:], change)
        out += struct.pack(">I4s", len(content) + 8, kind) + content
        at += size
    return out


def with_durations(path: Path, durations: list[float]) -> None:
    """Give each frame its own duration, in units of the old one (the stts box)."""

    def change(old: bytes) -> bytes:
        _, _, _, ticks = struct.unpack(">IIII", old[:16])
        entries = b"".join(struct.pack(">II", 1, round(d * ticks)) for d in durations)
        return struct.pack(">II", 0, len(durations)) + entries

    data = path.read_bytes().replace(b"edts", b"free")  # the edit list would end the clip at its old length
    path.write_bytes(with_box(data, ("moov", "trak", "mdia", "minf", "stbl", "stts"), change))


def with_quarter_turn(path: Path) -> None:
    """The rotation flag of a phone held upright: show the picture turned by 90 degrees clockwise (the tkhd matrix)."""
    one = 1 << 16
    turned = struct.pack(">9i", 0, one, 0, -one, 0, 0, 0, 0, 1 << 30)
    path.write_bytes(with_box(path.read_bytes(), ("moov", "trak", "tkhd"), lambda old: old[:40] + turned + old[76:]))


@pytest.mark.parametrize("rate_hz", [15, 30, 60, 120])
def test_every_frame_comes_with_its_time(tmp_path, rate_hz):
    path = write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(40)), rate_hz)
    frames = frames_of(path)
    assert [frame.index for frame in frames] == list(range(40))
    np.testing.assert_allclose([frame.t_s for frame in frames], np.arange(40) / rate_hz, atol=1e-3)
    assert np.abs(np.array([number_of(frame.image) for frame in frames]) - np.arange(40)).max() <= 1


def test_a_variable_rate_clip_keeps_each_frames_own_time(tmp_path):
    path = write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(12)))
    durations = [1, 1, 2, 1, 5, 1, 1, 1, 3, 1, 1, 1]
    with_durations(path, durations)
    expected = np.concatenate([[0], np.cumsum(durations)[:-1]]) / 30
    np.testing.assert_allclose([frame.t_s for frame in frames_of(path)], expected, atol=1e-3)


def test_a_portrait_phone_clip_stands_upright(tmp_path):
    path = write_video(tmp_path / "phone.mp4", (numbered(n) for n in range(5)))
    with_quarter_turn(path)
    clip = open_clip(path)
    assert (clip.info.width, clip.info.height) == (240, 320)
    frame = next(item for item in clip if isinstance(item, Frame))
    clip.close()
    assert frame.size == (240, 320)
    # The white corner was top left; a quarter turn clockwise brings it to the top right.
    assert frame.image[:60, 200:].mean() > 200
    assert frame.image[:60, :100].mean() < 100


@pytest.mark.parametrize(
    "name", ["fps_15", "fps_60", "fps_120", "good_free_throw", "variable_rate", "portrait_rotated"]
)
def test_rendered_clips_come_with_their_own_times_and_upright(name):
    """An outside reference: the renderer's own times and an encoder other than OpenCV's."""
    path = Path(__file__).parent / "clips" / f"{name}.mp4"
    truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    frames = frames_of(path)
    rendered_s = truth.get("t_s", np.arange(truth["frames"]) / truth["fps"])
    np.testing.assert_allclose([frame.t_s for frame in frames], rendered_s, atol=1e-3)
    assert {frame.size for frame in frames} == {(truth["camera"]["width"], truth["camera"]["height"])}


def test_info_says_what_the_file_claims(tmp_path):
    path = write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(10)), 25.0)
    clip = open_clip(path)
    clip.close()
    assert clip.info == SourceInfo("clip.mp4", 320, 240, 25.0, live=False, frame_count=10)
    assert clip.dropped == 0


def test_a_clip_of_one_frame_is_a_clip(tmp_path):
    (frame,) = frames_of(write_video(tmp_path / "one.mp4", [numbered(3)]))
    assert (frame.index, frame.t_s) == (0, 0.0)


def test_4k(tmp_path):
    size = (3840, 2160)
    frames = frames_of(write_video(tmp_path / "4k.mp4", (numbered(n, size) for n in range(6)), size=size))
    assert [frame.size for frame in frames] == [size] * 6


@pytest.mark.parametrize("name", ["my best shots.mp4", "Wurf 1 – größer.mp4", "シュート.mp4", "100%d:1.mp4"])
def test_any_file_name(tmp_path, name):
    plain = write_video(tmp_path / "plain.mp4", (numbered(n) for n in range(3)))
    assert len(frames_of(plain.rename(tmp_path / name))) == 3


def test_a_slow_consumer_loses_nothing(tmp_path):
    path = write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(20)))
    clip = open_clip(path)
    seen = []
    pause = threading.Event()
    for item in clip:
        pause.wait(0.02)
        seen.append(item.index)
    clip.close()
    assert seen == list(range(20))


def test_a_second_loop_goes_on_where_the_first_stopped(tmp_path):
    clip = open_clip(write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(10))))
    first = [item.index for item in itertools.islice(clip, 4)]
    rest = [item.index for item in clip]
    assert first + rest == list(range(10))
    assert list(clip) == []
    clip.close()


def test_a_clip_cut_short_gives_what_is_there_and_says_so(tmp_path):
    noise = np.random.default_rng(1)
    pictures = (noise.integers(0, 255, (240, 320, 3), dtype=np.uint8) for _ in range(60))
    path = write_video(tmp_path / "cut.avi", pictures, codec="MJPG")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    clip = open_clip(path)
    *frames, last = clip
    clip.close()
    assert all(isinstance(frame, Frame) for frame in frames)
    assert 20 < len(frames) < 40
    assert isinstance(last, SourceTrouble)
    assert "its header promises 2.0 s: it may be cut short" in last.message


def test_stamps_that_stand_still_are_repaired_and_said_once(tmp_path):
    path = write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(12)))
    with_durations(path, [1, 1, 1, 0, 0, 1, 1, 1, 1, 1, 1, 1])
    clip = open_clip(path)
    items = list(clip)
    clip.close()
    times = [item.t_s for item in items if isinstance(item, Frame)]
    assert len(times) == 12
    assert all(a < b for a, b in itertools.pairwise(times))
    (trouble,) = [item for item in items if isinstance(item, SourceTrouble)]
    assert "time stamps of clip.mp4 stand still or go backwards at 0." in trouble.message


def test_a_failure_while_decoding_reaches_the_consumer(tmp_path, monkeypatch):
    clip = open_clip(write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(10))))

    class Failing:
        """A capture whose decoder throws, as OpenCV's does for some damaged files."""

        def __init__(self, capture):
            self._capture = capture

        def __getattr__(self, name):
            return getattr(self._capture, name)

        def retrieve(self):
            raise cv2.error("bad\nmacroblock")

    monkeypatch.setattr(clip, "_capture", Failing(clip._capture))
    with pytest.raises(SourceError, match=r"the clip clip.mp4 must decode, it does not \(bad macroblock\)"):
        list(clip)
    clip.close()


def nothing_there(folder: Path) -> Path:
    return folder / "gone.mp4"


def a_folder(folder: Path) -> Path:
    return folder


def empty_file(folder: Path) -> Path:
    path = folder / "empty.mp4"
    path.touch()
    return path


def text_file(folder: Path) -> Path:
    path = folder / "notes.mp4"
    path.write_text("not a video\n" * 100)
    return path


def header_only(folder: Path) -> Path:
    """A video to which no frame was ever written."""
    return write_video(folder / "hollow.avi", [], codec="MJPG")


def no_index(folder: Path) -> Path:
    """An MP4 whose recording was interrupted: its index comes last and is missing."""
    path = write_video(folder / "torn.mp4", (numbered(n) for n in range(30)))
    path.write_bytes(path.read_bytes()[:-1500])
    return path


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (nothing_there, "there is nothing at .*gone.mp4; check the name"),
        (a_folder, "is a folder; name the file in it"),
        (empty_file, "empty.mp4 is empty; copy or record it again"),
        (text_file, "notes.mp4 cannot be read as one"),
        (header_only, "hollow.avi"),
        (no_index, "torn.mp4 cannot be read as one"),
    ],
)
def test_what_is_no_clip_says_so_in_one_line(tmp_path, capfd, make, match):
    with pytest.raises(SourceError, match=match) as caught:
        frames_of(make(tmp_path))
    assert "\n" not in str(caught.value)
    assert capfd.readouterr().err == ""


def repaired(stamps_s: list[float], info: SourceInfo = INFO) -> list[float]:
    stamps = Stamps(info)
    return [stamps.repaired(stamp) for stamp in stamps_s]


@given(st.lists(st.one_of(st.integers(-100_000, 100_000).map(lambda ms: ms / 1000), st.floats()), max_size=30))
def test_repaired_times_start_at_zero_and_strictly_increase(stamps_s):
    times = repaired([s for s in stamps_s if not abs(s) > 1e6 or s != s])
    assert times[:1] in ([], [0.0])
    assert all(a < b for a, b in itertools.pairwise(times))


@given(st.lists(st.integers(1, 10_000), min_size=1, max_size=30), st.integers(-1000, 1000))
def test_good_times_are_left_alone(steps_ms, first_ms):
    stamps = np.cumsum([first_ms, *steps_ms]) / 1000
    np.testing.assert_allclose(repaired(list(stamps)), stamps - stamps[0], atol=1e-9)


@pytest.mark.parametrize(
    ("stamps_s", "expected"),
    [
        ([0, 0.1, 0.2, 0.0, 0.4], [0, 0.1, 0.2, 0.3, 0.4]),  # one missing stamp, given as 0
        ([0, 0.1, 0.2, 0.2, 0.4], [0, 0.1, 0.2, 0.3, 0.4]),  # one stamp said twice
        ([5, 5.1, 5.2, 0.0, 0.1, 0.25], [0, 0.1, 0.2, 0.3, 0.4, 0.55]),  # joined recordings
        ([0, 0, 0], [0, 1 / 30, 2 / 30]),  # no stamps at all: the claimed rate
        ([0, 0.1, float("nan"), 0.3], [0, 0.1, 0.2, 0.3]),
    ],
)
def test_bad_times_get_the_step_of_the_frames_before(stamps_s, expected):
    np.testing.assert_allclose(repaired(stamps_s), expected, atol=1e-9)


def test_neither_stamps_nor_rate_is_hopeless():
    with pytest.raises(SourceError, match="has neither time stamps nor a frame rate; convert it to MP4"):
        repaired([0, 0], SourceInfo("clip", 320, 240, 0.0, live=False))
