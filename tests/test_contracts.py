"""What every source of frames must keep to (ports.FrameSource), whatever is behind it."""

from __future__ import annotations

import itertools
import threading

import pytest
from fakes import clip_camera, numbered, write_video

from rimward.live.camera import open_camera
from rimward.live.clip import open_clip
from rimward.live.records import Frame


def a_clip(path):
    return open_clip(path)


def a_camera(path):
    return open_camera(0, capture_factory=clip_camera(path, loop=True))


@pytest.fixture(params=[a_clip, a_camera])
def source(request, tmp_path):
    path = write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(60)))
    source = request.param(path)
    guard = threading.Timer(20.0, source.close)  # a source that hangs fails its test
    guard.daemon = True
    guard.start()
    yield source
    guard.cancel()
    source.close()


def test_frames_are_numbered_from_zero_and_time_strictly_increases(source):
    frames = [item for item in itertools.islice(source, 30) if isinstance(item, Frame)]
    assert len(frames) == 30
    assert [frame.index for frame in frames] == list(range(30))
    assert all(0 <= a.t_s < b.t_s for a, b in itertools.pairwise(frames))


def test_the_pictures_have_the_size_that_info_says(source):
    items = list(itertools.islice(source, 5))
    assert (source.info.width, source.info.height) == items[-1].size


def test_frames_stay_as_they_were_handed_over(source):
    first = next(iter(source))
    kept = first.image.copy()
    for _ in itertools.islice(source, 5):
        pass
    assert (first.image == kept).all()


def test_close_may_be_called_twice_and_ends_the_loop(source):
    next(iter(source))
    source.close()
    source.close()
    assert list(source) == []


def test_close_before_the_first_frame(source):
    source.close()
    assert list(source) == []


def test_close_from_another_thread_ends_the_loop(source):
    started, seen = threading.Event(), []

    def consume():
        for item in source:
            seen.append(item)
            started.set()
            if len(seen) == 5:
                closed.wait(10)

    closed = threading.Event()
    consumer = threading.Thread(target=consume)
    consumer.start()
    assert started.wait(10)
    source.close()
    closed.set()
    consumer.join(10)
    assert not consumer.is_alive()
