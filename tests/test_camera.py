"""The camera keeps the session going whatever the device does."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable

import cv2
import numpy as np
import pytest
from fakes import FakeCapture, clip_camera, number_of, numbered, steadily, write_video

from rimward.live.camera import Camera, backends, open_camera
from rimward.live.records import Frame, SourceTrouble

BLACK = np.zeros((240, 320, 3), np.uint8)


def changing(start: int = 0):
    return (numbered(number % 60) for number in itertools.count(start))


@pytest.fixture
def start():
    """Opens cameras that retry fast, and closes them; a camera that says nothing for long is closed too, so that a
    broken one fails its test instead of hanging it."""
    cameras: list[Camera] = []
    guards: list[threading.Timer] = []

    def started(factory: Callable[..., FakeCapture], **options) -> Camera:
        settings = {"retry_s": 0.05, "stale_s": 0.2, "repeat_s": 60.0} | options
        cameras.append(open_camera(0, capture_factory=factory, **settings))
        guards.append(threading.Timer(20.0, cameras[-1].close))
        guards[-1].daemon = True
        guards[-1].start()
        return cameras[-1]

    yield started
    for guard, camera in zip(guards, cameras, strict=True):
        guard.cancel()
        camera.close()


def openings(*captures: Callable[[], FakeCapture]) -> Callable[..., FakeCapture]:
    """A factory that opens these one after the other, the last one for ever."""
    waiting = list(captures)
    return lambda device: (waiting.pop(0) if len(waiting) > 1 else waiting[0])()


def absent() -> FakeCapture:
    return FakeCapture((), opened=False)


def silent() -> FakeCapture:
    return FakeCapture(())


def playing(pictures) -> Callable[[], FakeCapture]:
    return lambda: FakeCapture(steadily(pictures))


def until(camera: Camera, wanted: Callable[[Frame | SourceTrouble], bool]) -> list[Frame | SourceTrouble]:
    seen = []
    for item in camera:
        seen.append(item)
        if wanted(item):
            return seen
    raise AssertionError(f"never came; seen: {seen[-5:]}")


def is_frame(item) -> bool:
    return isinstance(item, Frame)


def says(text: str) -> Callable[[Frame | SourceTrouble], bool]:
    return lambda item: isinstance(item, SourceTrouble) and text in item.message


def test_frames_come_in_order_from_time_zero_and_count_from_zero(start):
    camera = start(openings(playing(changing())))
    frames = list(itertools.islice(camera, 10))
    times = [frame.t_s for frame in frames]
    assert times[0] >= 0
    assert times[0] < 5
    assert all(a < b for a, b in itertools.pairwise(times))
    assert [frame.index for frame in frames] == list(range(10))


def test_a_slow_consumer_gets_the_newest_frame_and_the_rest_are_counted_as_dropped(start):
    taken: list[int] = []
    enough = threading.Event()

    class Counting(FakeCapture):
        def retrieve(self):
            ok, picture = super().retrieve()
            taken.append(number_of(picture))
            if len(taken) == 10:
                enough.set()
            return ok, picture

    camera = start(lambda device: Counting(steadily(numbered(n) for n in range(60))))
    assert enough.wait(10)
    frame = next(iter(camera))
    # The tenth may still have been on its way to the buffer.
    assert number_of(frame.image) >= taken[8]
    assert camera.dropped >= 8


def test_a_frame_is_stamped_at_the_grab_not_after_decoding(start):
    now = [100.0]

    class Slow(FakeCapture):
        def grab(self):
            now[0] = round(now[0] + 0.1, 6)
            return super().grab()

        def retrieve(self):
            now[0] = round(now[0] + 0.4, 6)
            return super().retrieve()

    camera = start(lambda device: Slow(steadily(changing())), clock=lambda: now[0], stale_s=1e9)
    times = [frame.t_s for frame in itertools.islice(camera, 5)]
    # A grab takes 0.1 s and decoding 0.4 s: whatever was dropped, stamps at the grab lie on multiples of 0.5 s.
    assert [round(t * 10) % 5 for t in times] == [0] * 5


def test_now_is_on_the_clock_of_the_frames(start):
    now = [100.0]

    class Ticking(FakeCapture):
        def grab(self):
            now[0] += 0.25
            return super().grab()

    only = [numbered(1)]
    camera = start(lambda device: Ticking(steadily(only)), clock=lambda: now[0], retry_s=60.0)
    assert camera.now_s() >= 0.0
    (frame, _) = until(camera, says("stopped giving pictures"))
    now[0] += 1000.0
    assert camera.now_s() - frame.t_s >= 1000.0


def test_it_asks_for_fast_720p_and_reports_what_it_got(start):
    limits = {cv2.CAP_PROP_FRAME_WIDTH: 320, cv2.CAP_PROP_FRAME_HEIGHT: 240, cv2.CAP_PROP_FPS: 30}
    capture = FakeCapture(steadily(changing()), most=limits)
    camera = start(lambda device: capture)
    assert (cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG")) in capture.asked
    assert (cv2.CAP_PROP_FRAME_WIDTH, 1280) in capture.asked
    assert (cv2.CAP_PROP_FRAME_HEIGHT, 720) in capture.asked
    assert (cv2.CAP_PROP_FPS, 60.0) in capture.asked
    assert (camera.info.width, camera.info.height, camera.info.rate_hz) == (320, 240, 30)
    assert camera.info.live
    assert camera.info.frame_count is None


def test_info_follows_the_pictures_when_the_driver_promised_another_size(start):
    camera = start(openings(playing(changing())))  # takes 1280x720 for granted, gives 320x240
    until(camera, is_frame)
    until(camera, is_frame)
    assert (camera.info.width, camera.info.height) == (320, 240)


def test_without_a_camera_it_says_what_to_do_and_goes_on_when_one_is_plugged_in(start):
    camera = start(openings(absent, absent, playing(changing())))
    assert next(iter(camera)).message == (
        "No camera found at 0: plug one in, or close the program that uses it; trying again every 0.05 s"
    )
    until(camera, is_frame)


def test_a_driver_that_throws_is_a_missing_camera(start):
    def broken(device):
        raise cv2.error("no such device")

    assert says("No camera found")(next(iter(start(broken))))


def test_a_busy_camera_opens_and_gives_nothing(start):
    camera = start(openings(silent, playing(changing())))
    assert says("opens but gives no pictures, close the other program")(next(iter(camera)))
    until(camera, is_frame)


def test_unplugged_and_plugged_in_again_time_goes_on(start):
    camera = start(openings(playing([numbered(n) for n in range(10)]), absent, playing(changing())))
    before = until(camera, says("stopped giving pictures: check its cable"))
    gap = until(camera, says("is gone: plug it in again"))
    after = until(camera, is_frame) + until(camera, is_frame)
    times = [item.t_s for item in before + gap + after]
    assert times == sorted(times)
    frames = [item for item in before + gap + after if is_frame(item)]
    assert all(a.t_s < b.t_s for a, b in itertools.pairwise(frames))
    assert [frame.index for frame in frames] == list(range(len(frames)))


def test_one_failed_grab_is_no_trouble(start):
    def hiccup():
        yield from (numbered(n) for n in range(10))
        yield None
        yield from changing(20)

    seen = until(start(openings(playing(hiccup()))), lambda item: not is_frame(item) or number_of(item.image) > 25)
    assert all(map(is_frame, seen))


def test_black_pictures_are_said_in_place_of_frames_until_the_lens_is_free(start):
    free = threading.Event()

    def covered():
        yield from (numbered(n) for n in range(5))
        while not free.is_set():
            yield BLACK
        yield from changing()

    camera = start(openings(playing(covered())), retry_s=60.0)
    until(camera, says("gives only black pictures: uncover its lens"))
    free.set()
    until(camera, is_frame)


def test_sensor_noise_on_a_covered_lens_is_black_too(start):
    noise = np.random.default_rng(1)
    noisy = (noise.integers(0, 4, (240, 320, 3), dtype=np.uint8) for _ in itertools.count())
    until(start(openings(playing(noisy))), says("black"))


def test_a_dim_gym_is_not_black(start):
    noise = np.random.default_rng(1)
    dim = (noise.integers(5, 25, (240, 320, 3), dtype=np.uint8) for _ in range(60))
    seen = until(start(openings(playing(dim))), lambda item: not is_frame(item))
    assert says("stopped giving pictures")(seen[-1])


def test_a_frozen_picture_is_said_and_the_camera_opened_anew(start):
    camera = start(openings(playing(itertools.repeat(numbered(7))), playing(changing())))
    until(camera, says("is frozen, its picture does not change"))
    until(camera, is_frame)


def test_a_covered_lens_does_not_look_well_after_each_new_try(start):
    opened = []

    def factory(device):
        opened.append(device)
        return FakeCapture(steadily(itertools.repeat(BLACK)))

    camera = start(factory, retry_s=0.01, repeat_s=0.05)
    until(camera, says("black"))
    later = until(camera, lambda item: len(opened) > 3)
    assert not any(map(is_frame, later))


def test_a_lasting_trouble_is_repeated_at_its_pace(start):
    frames = [numbered(n) for n in range(3)]
    camera = start(openings(playing(frames), absent), repeat_s=0.3)
    until(camera, says("is gone"))
    again = [item for item, _ in zip(camera, range(3), strict=False)]
    assert all(map(says("is gone"), again))
    assert all(b.t_s - a.t_s >= 0.3 for a, b in itertools.pairwise(again))


def test_a_device_that_hangs_is_said_and_does_not_hold_up_closing(start):
    late, hanging, go_on = [0.0], threading.Event(), threading.Event()

    class Hanging(FakeCapture):
        def grab(self):
            hanging.set()
            go_on.wait(30)
            return False

    camera = start(lambda device: Hanging(()), clock=lambda: late[0])
    assert hanging.wait(10)
    late[0] = 10.0
    assert says("does not answer: unplug it and plug it in again")(next(iter(camera)))
    camera.close()
    assert list(camera) == []
    go_on.set()


def test_a_device_that_hangs_is_left_alone_and_opened_anew(start):
    go_on, devices = threading.Event(), []

    class Hanging(FakeCapture):
        """Its second picture does not come until it is let go, and then comes late."""

        grabs = 0

        def grab(self):
            self.grabs += 1
            if self.grabs > 1:
                go_on.wait(30)
            return super().grab()

    def open_one(device):
        devices.append((Hanging if not devices else FakeCapture)(steadily(changing())))
        return devices[-1]

    camera = start(open_one, hung_s=0.2, retry_s=0.05)
    items = iter(camera)
    assert is_frame(next(items))
    assert says("does not answer: it is opened anew")(next(items))
    seen = until(camera, is_frame)[-1:]
    assert len(devices) == 2
    go_on.set()
    assert devices[0].released.wait(10)
    seen += [next(items) for _ in range(5)]
    assert all(is_frame(item) for item in seen)
    assert [item.index for item in seen] == list(range(1, 7))
    assert all(b.t_s > a.t_s for a, b in itertools.pairwise(seen))


def test_a_camera_that_hangs_each_time_is_not_opened_for_ever(start):
    go_on, opened = threading.Event(), []

    class Hanging(FakeCapture):
        def grab(self):
            go_on.wait(30)
            return False

    def open_one(device):
        opened.append(Hanging(()))
        return opened[-1]

    camera = start(open_one, hung_s=0.1, retry_s=0.01, repeat_s=0.05)
    items = iter(camera)
    for _ in range(10):
        next(items)
    go_on.set()
    assert 1 < len(opened) <= 4


def test_closing_while_there_is_no_camera_ends_the_loop(start):
    camera = start(openings(absent))
    threading.Timer(0.1, camera.close).start()
    assert all(says("No camera found")(item) for item in camera)


def test_close_releases_the_device(start):
    capture = FakeCapture(steadily(changing()))
    camera = start(lambda device: capture)
    until(camera, is_frame)
    camera.close()
    assert capture.released.is_set()


@pytest.mark.parametrize(("given", "opened"), [("1", 1), (2, 2), ("/dev/video2", "/dev/video2")])
def test_digits_are_a_device_number(given, opened):
    asked = []
    camera = open_camera(given, capture_factory=lambda device: asked.append(device) or absent())
    camera.close()
    assert asked[0] == opened


def test_a_clip_played_as_a_camera_keeps_its_pace(start, tmp_path):
    path = write_video(tmp_path / "clip.mp4", (numbered(n) for n in range(30)))
    seen = until(start(clip_camera(path)), lambda item: not is_frame(item))
    frames = seen[:-1]
    # The last picture is due 29/30 s after the first; the first may have come late.
    assert number_of(frames[-1].image) >= 28  # lossy coding moves a grey level a little
    assert frames[-1].t_s - frames[0].t_s <= 29 / 30 + 0.5
    assert frames[-1].t_s > 0.5


@pytest.mark.parametrize(
    ("platform", "device", "expected"),
    [
        ("linux", 0, (cv2.CAP_V4L2,)),
        ("linux", "/dev/video2", (cv2.CAP_V4L2,)),
        ("darwin", 0, (cv2.CAP_AVFOUNDATION,)),
        ("win32", 0, (cv2.CAP_DSHOW, cv2.CAP_MSMF)),
        ("win32", "rtsp://192.0.2.1/stream", (cv2.CAP_FFMPEG,)),
    ],
)
def test_each_system_has_its_backend(platform, device, expected):
    assert backends(platform, device) == expected


def test_a_real_device_number_that_does_not_exist_is_missing():
    camera = open_camera(63, retry_s=0.05)
    assert says("No camera found at 63")(next(iter(camera)))
    camera.close()
