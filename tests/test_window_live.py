"""The whole program with its window open: on a clip, on cameras made of software, and on a real X server."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import struct
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from fakes import FakeCapture, clip_camera, clip_frames
from program import CLIPS, Said, data_folder, ended, eventually, prepared_model, saved, start
from test_practice_calibrated import true_camera
from xvfb import x_server as started_x_server

from rimward.calibration.storage import save_calibration
from rimward.live import devices, ending
from rimward.live.assets import tone_wav
from rimward.live.camera import Camera, open_camera
from rimward.live.practice import Options, practise
from rimward.live.records import Feedback, Tone, View
from rimward.live.screen import STYLE, Window
from rimward.live.settings import load_settings
from rimward.live.sightings import LIVE_AHEAD
from rimward.live.speaker import Speaker
from rimward.live.store import open_store

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame

pytestmark = pytest.mark.network

ONE_REP = CLIPS / "fps_15.mp4"
RATE_HZ = 44_100


class Stage:
    """A practice with a window that nobody sees and a sound card that writes to a file; it watches both."""

    def __init__(self, data: Path, sound: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.data, self.sound = data, sound
        self.views: list[View] = []
        self.played: list[tuple[Feedback, int]] = []
        """Feedback, and how many reps the database held at that instant."""
        self.said: list[str] = []
        self.muted: list[bool] = []
        self._capsys = capsys
        self.at_view: Callable[[View], None] = lambda view: None
        self.at_play: Callable[[], None] = lambda: None

    def practise(self, helper: Callable[[], None] | None = None, **options: object) -> Said:
        """Runs to its end; `helper` is the person at the keyboard. A practice that does not end fails its test."""
        source = options.pop("source", None)
        settings = load_settings(None, {"sound": {"speech": False}})
        guard = threading.Timer(90.0, press, ["q"])
        guard.daemon = True
        guard.start()
        person = threading.Thread(target=helper, daemon=True) if helper is not None else None
        if person is not None:
            person.start()
        status = practise(settings, Options(json=True, **options), self.said.append, source)  # type: ignore[arg-type]
        assert guard.is_alive(), f"did not end by itself; said {self.said}"
        guard.cancel()
        if person is not None:
            person.join(10)
            assert not person.is_alive()
        out, err = self._capsys.readouterr()
        return Said(status, out, err)

    @property
    def view(self) -> View:
        return self.views[-1]

    def count_is(self, count: int) -> bool:
        return bool(self.views) and self.view.count >= count

    def heard_s(self) -> float:
        """Seconds with sound in them, in steps of 10 ms."""
        return loud_s(np.frombuffer(self.sound.read_bytes(), "<i2")[::2])


def loud_s(samples: np.ndarray) -> float:
    step = RATE_HZ // 100
    blocks = samples[: len(samples) // step * step].reshape(-1, step).astype(int)
    return float(np.count_nonzero(np.abs(blocks).max(axis=1) > 300)) / 100


def press(key: str) -> None:
    """As from the keyboard."""
    code = pygame.key.key_code(key) if pygame.display.get_init() else ord(key)
    with contextlib.suppress(pygame.error):  # the window is gone already
        pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=code, unicode=key if len(key) == 1 else ""))


@pytest.fixture
def stage(tmp_path, monkeypatch, capsys) -> Iterator[Stage]:
    data = data_folder(tmp_path / "data", prepared_model())
    sound = tmp_path / "sound.raw"
    for name, value in {
        "RIMWARD_DATA_DIR": str(data),
        "SDL_VIDEODRIVER": "dummy",
        "SDL_AUDIODRIVER": "disk",
        "SDL_DISKAUDIOFILE": str(sound),
    }.items():
        monkeypatch.setenv(name, value)
    watched = Stage(data, sound, capsys)

    class WatchedWindow(Window):
        def show(self, view: View) -> None:
            super().show(view)
            watched.views.append(view)
            watched.at_view(view)

        def stay(self, view: View, stop: threading.Event, seconds: float) -> None:
            watched.views.append(view)
            super().stay(view, stop, seconds)

    class WatchedSpeaker(Speaker):
        def play(self, feedback: Feedback) -> None:
            watched.played.append((feedback, sum(len(reps) for _, reps in saved(data))))
            super().play(feedback)
            watched.at_play()

        def toggle_mute(self) -> bool:
            watched.muted.append(super().toggle_mute())
            return watched.muted[-1]

    monkeypatch.setattr(devices, "Window", WatchedWindow)
    monkeypatch.setattr(ending, "END_SHOWN_S", 0.1)
    monkeypatch.setattr("rimward.live.speaker.Speaker", WatchedSpeaker)
    before = set(threading.enumerate())
    yield watched
    assert eventually(lambda: {t for t in threading.enumerate() if t.is_alive()} <= before, 10), threading.enumerate()


def play_once_then_end(stage: Stage) -> Said:
    return stage.practise(clip=ONE_REP)


def test_a_clip_with_a_window(stage):
    """Every frame is worked on and shown, the rep is on disk before its tone begins, the end is said."""
    said = play_once_then_end(stage)
    assert said.status == 0
    assert said.session["frames"] == 49
    assert said.session["dropped"] == 0
    ((feedback, on_disk),) = stage.played
    assert on_disk == 1
    assert feedback.cue is None
    assert stage.view.status == "The end: 1 rep saved. Any key closes"
    assert stage.view.count == 1
    assert stage.view.scene == "end"
    assert stage.view.mark is not None  # of the last rep
    assert len(stage.views) == 49 + 1
    ((session, reps),) = saved(stage.data)
    assert session.summary is not None
    assert len(reps) == 1
    assert stage.said == []


def test_a_full_disk_is_said_on_the_screen_and_its_reps_are_not_called_saved(stage, monkeypatch):
    @contextlib.contextmanager
    def none_left(engine: object) -> Iterator[None]:
        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise error
        yield

    monkeypatch.setattr("rimward.live.store.writing", none_left)
    said = play_once_then_end(stage)
    assert said.status == 0
    large = [view for view in stage.views if view.trouble and "disk is full" in view.status]
    assert large
    assert all(view.notice == "Disk full: reps wait in a side file" for view in large)
    assert stage.view.scene == "end"
    assert stage.view.status.startswith("The end: 1 rep, of which 1 in a side file")
    monkeypatch.undo()
    assert [len(reps) for _, reps in saved(stage.data)] == [1]


def test_the_last_tone_sounds_to_its_end(stage):
    """The person ends the practice at the very moment at which the tone begins."""
    stage.at_play = lambda: press("q")
    said = stage.practise(clip=ONE_REP)
    assert said.status == 0
    ((feedback, _),) = stage.played
    tone = np.frombuffer(tone_wav(feedback.tone)[44:], "<i2")
    assert stage.heard_s() >= loud_s(tone) - 0.03


def test_a_key_is_answered_while_a_clip_is_held(stage):
    def person() -> None:
        assert eventually(lambda: stage.count_is(1))
        press("space")
        assert eventually(lambda: stage.view.prompt.startswith("Paused"))
        press("1")
        assert eventually(lambda: stage.view.prompt == "Rep 1: made")
        press("backspace")
        assert eventually(lambda: stage.view.prompt == "Rep 1 taken out")
        assert stage.view.count == 0
        assert stage.view.status.startswith("Paused")
        assert stage.view.pose is not None
        press("u")
        assert eventually(lambda: stage.view.prompt == "Rep 1 counts again")
        assert stage.view.count == 1
        press("backspace")
        assert eventually(lambda: stage.view.prompt == "Rep 1 taken out")
        press("space")

    assert stage.practise(person, clip=CLIPS / "good_free_throw.mp4").status == 0
    assert (stage.view.scene, stage.view.mark) == ("end", None)


def test_keys(stage):
    """Discard, mute, pause and quit, while a camera plays the same shot again and again."""
    camera = open_camera(0, capture_factory=clip_camera(ONE_REP, loop=True))
    paused: list[int] = []

    def person() -> None:
        assert eventually(lambda: stage.count_is(1))
        press("backspace")
        assert eventually(lambda: stage.view.count == 0)
        press("m")
        assert eventually(lambda: stage.muted == [True])
        press("space")
        assert eventually(lambda: stage.view.prompt.startswith("Paused"))
        frames = len(stage.views)
        # the whole clip again, and part of a third time: the picture goes on, and no shot counts
        assert eventually(lambda: len(stage.views) - frames > 1.5 * 50)
        paused.append(stage.view.count)
        press("space")
        assert eventually(lambda: not stage.view.prompt.startswith("Paused"))
        press("q")

    said = stage.practise(person, source=camera)
    assert said.status == 0
    assert paused == [0]
    ((session, reps),) = saved(stage.data)
    assert session.summary is not None
    assert reps == []
    assert [line["index"] for line in said.reps] == [1]
    assert said.session["reps"] == 0


def test_what_was_asked_and_from_where_the_camera_saw_is_kept(stage, tmp_path):
    """With a calibration: the view of the clip's own sidecar, 90 degrees from the hoop's direction."""
    save_calibration(tmp_path / "gym.toml", true_camera())
    camera = open_camera(0, capture_factory=clip_camera(CLIPS / "good_free_throw.mp4", loop=True))

    def person() -> None:
        assert eventually(lambda: stage.count_is(1))
        press("t")
        assert eventually(lambda: len(stage.played) >= 2)
        press("q")

    said = stage.practise(person, source=camera, calibration=tmp_path / "gym.toml")
    assert said.status == 0
    ((session, reps),) = saved(stage.data)
    assert session.start.view == "side"
    answer = stage.played[1][0].spoken or ""
    assert reps[0].answer == answer
    assert {"kind": "answer", "index": 1, "answer": answer} in said.lines


def test_a_station_with_a_key_for_the_next_player(stage, tmp_path):
    """A shot by each of two players: a session of each, the name is spoken and shown large, the end has both."""
    file = tmp_path / "station.toml"
    names = ("Ada", "Ben", "Cleo")
    file.write_text('name = "Station 2"\n' + "".join(f'[[players]]\nname = "{name}"\n' for name in names), "utf-8")
    camera = open_camera(0, capture_factory=clip_camera(ONE_REP, loop=True))

    def person() -> None:
        assert eventually(lambda: stage.count_is(1))
        press("n")
        assert eventually(lambda: stage.view.prompt == "Ben")
        assert eventually(lambda: any(view.count == 1 for view in stage.views if view.title.endswith("Ben")))
        press("q")

    said = stage.practise(person, source=camera, station=file)
    assert said.status == 0
    assert [(line["player"], line["index"]) for line in said.reps][:2] == [("Ada", 1), ("Ben", 1)]
    kept = {session.start.player: len(reps) for session, reps in saved(stage.data)}
    assert kept.keys() == {"Ada", "Ben"}
    assert all(session.summary is not None for session, _ in saved(stage.data))
    assert "Next: Ben" in [feedback.prompt for feedback, _ in stage.played]
    assert stage.view.scene == "end"
    assert [(row.name, row.reps) for row in stage.view.board] == [
        ("Ada", kept["Ada"]),
        ("Ben", kept["Ben"]),
        ("Cleo", 0),
    ]


def test_a_muted_practice_is_silent(stage):
    stage.at_view = lambda view: press("m") if len(stage.views) == 3 else None
    play_once_then_end(stage)
    assert stage.muted == [True]
    assert len(stage.played) == 1
    assert stage.heard_s() == 0


def test_a_camera_keeps_pace_with_the_window_open(stage, record_property):
    """30 frames a second of 1280x720. How many of them are worked on depends on the machine: reported, not asserted."""
    taken = []

    def camera(device: int | str) -> FakeCapture:
        class Counting(FakeCapture):
            def retrieve(self):
                taken.append(time.perf_counter())
                return super().retrieve()

        return Counting(clip_frames(CLIPS / "good_free_throw.mp4", loop=True))

    def person() -> None:
        assert eventually(lambda: stage.count_is(2))
        press("q")

    said = stage.practise(person, source=open_camera(0, capture_factory=camera))
    assert said.status == 0
    session = said.session
    assert session["reps"] >= 2
    assert [on_disk for _, on_disk in stage.played] == list(range(1, session["reps"] + 1))
    # every frame that the camera gave was worked on or counted as dropped; the last ones were under way at the end,
    # as many as the network may be ahead on a busy machine, one at the camera and one at the judge
    assert abs(len(taken) - session["frames"] - session["dropped"]) <= LIVE_AHEAD + 2
    assert 5 * session["frames"] > session["dropped"]
    rate_hz = session["frames"] / session["duration_s"]
    for name, value in {"worked_hz": rate_hz, "camera_hz": len(taken) / session["duration_s"], **session}.items():
        record_property(name, value)


def test_a_camera_that_is_unplugged_and_comes_back(stage):
    """Its clip is played, then every grab fails; each time it is opened again the clip begins anew."""
    camera = open_camera(0, capture_factory=clip_camera(ONE_REP), retry_s=0.2)

    def person() -> None:
        assert eventually(lambda: stage.count_is(2))
        press("q")

    said = stage.practise(person, source=camera)
    assert said.status == 0
    ((session, reps),) = saved(stage.data)
    assert [rep.index for rep in reps] == [1, 2]
    assert reps[1].events.release_s - reps[0].events.release_s > 3.2
    assert session.summary is not None
    assert any("stopped giving pictures" in line for line in stage.said)
    troubled = [view for view in stage.views if view.trouble and "stopped giving pictures" in view.status]
    assert troubled
    assert troubled[-1].count == 1


def test_who_sees_the_ball_go_in_presses_while_the_arm_is_still_up(stage):
    """The rep that is counted after that has the result and the note; its line has it too."""

    def press_once(view: View) -> None:
        if view.phase == "follow_through" and not pressed:
            pressed.extend("1g")
            press("1")
            press("g")

    pressed: list[str] = []
    stage.at_view = press_once
    camera = open_camera(0, capture_factory=clip_camera(ONE_REP, loop=True))

    def person() -> None:
        assert eventually(lambda: any(view.count == 0 and view.prompt == "Rep 1: good" for view in stage.views))
        assert eventually(lambda: stage.count_is(1))
        press("q")

    said = stage.practise(person, source=camera)
    assert said.status == 0
    assert [line["kind"] for line in said.lines] == ["rep", "session"]
    assert said.reps[0]["result"] == "made"
    ((session, reps),) = saved(stage.data)
    assert [rep.result for rep in reps] == ["made"]
    assert session.made == 1
    with contextlib.closing(open_store(stage.data, stage.said.append)) as store:
        ((note),) = store.notes(session.start.id)
        assert (note.kind, note.rep_index) == ("good", 1)
    assert [feedback.tone for feedback, _ in stage.played[:2]] == [Tone.MADE, Tone.CONFIRM]


def test_a_key_is_answered_while_the_camera_gives_nothing(stage):
    camera = open_camera(0, capture_factory=clip_camera(ONE_REP), retry_s=3600)

    def person() -> None:
        assert eventually(lambda: stage.count_is(1) and stage.view.trouble)
        assert stage.view.title == "Sam"
        press("backspace")
        assert eventually(lambda: stage.view.prompt == "Rep 1 taken out")
        assert (stage.view.trouble, stage.view.count) == (True, 0)
        press("u")
        assert eventually(lambda: stage.view.prompt == "Rep 1 counts again")
        press("q")

    said = stage.practise(person, source=camera, title="Sam")
    assert said.status == 0
    assert [line["kind"] for line in said.lines] == ["rep", "discard", "restore", "session"]


def test_without_a_camera_the_window_says_so_and_can_be_closed(stage):
    def person() -> None:
        assert eventually(lambda: bool(stage.views))
        press("escape")

    said = stage.practise(person, source=open_camera(0, capture_factory=lambda device: FakeCapture((), opened=False)))
    assert said.status == 0
    assert said.session["frames"] == 0
    assert saved(stage.data) == []
    assert stage.view.trouble
    assert "No camera found" in stage.view.status


def test_the_network_is_loaded_before_the_camera_starts(stage, monkeypatch):
    """Else its first frames would be old before anybody looked at them."""
    order: list[str] = []

    class Network(devices.MediapipePose):
        def warm_up(self, people: int = 1) -> None:
            super().warm_up(people)
            order.append("network")

    def camera(*args: object, **more: object) -> Camera:
        order.append("camera")
        return open_camera(0, capture_factory=clip_camera(ONE_REP, loop=True))

    monkeypatch.setattr(devices, "MediapipePose", Network)
    monkeypatch.setattr(devices, "open_camera", camera)
    stage.at_view = lambda view: press("q")
    stage.practise()
    assert order == ["network", "camera"]


# ---- on a real X server


class Screen:
    """Xvfb with its picture in a file."""

    def __init__(self, display: str, picture: Path) -> None:
        self.display, self._picture = display, picture

    def shot(self) -> np.ndarray:
        """(height, width, 3), RGB. XWD file format: header of big-endian 32-bit words, colour table, pixels BGRX."""
        raw = self._picture.read_bytes()
        words = struct.unpack(">25I", raw[:100])
        header_size, width, height, stride, colours = words[0], words[4], words[5], words[12], words[19]
        start = header_size + 12 * colours
        rows = np.frombuffer(raw, np.uint8, stride * height, start).reshape(height, stride)
        return rows[:, : 4 * width].reshape(height, width, 4)[..., 2::-1]


@pytest.fixture
def x_server(tmp_path) -> Iterator[Screen]:
    with started_x_server("-fbdir", str(tmp_path)) as display:
        if display is None:
            pytest.skip("Xvfb is not installed or does not start (Debian, Ubuntu: apt install xvfb)")
        yield Screen(display, tmp_path / "Xvfb_screen0")


def share_of(image: np.ndarray, colour: tuple[int, int, int]) -> float:
    return float((np.abs(image.astype(int) - colour).max(axis=2) < 12).mean())


def test_the_real_window(x_server, tmp_path):
    """Splash with the cautions first, then the practice; a Ctrl-C in the terminal ends it and all is saved."""
    data = data_folder(tmp_path / "data", prepared_model())
    env = {"DISPLAY": x_server.display, "SDL_AUDIODRIVER": "dummy"}
    process = start("demo", "--json", "--mute", data=data, **env)
    assert eventually(lambda: share_of(x_server.shot(), STYLE.ground) > 0.4)
    splash = x_server.shot()
    assert process.stdout is not None
    line = process.stdout.readline()
    assert '"kind": "rep"' in line
    assert eventually(lambda: share_of(x_server.shot(), STYLE.ink) > 0.004)
    live = x_server.shot()
    process.send_signal(signal.SIGINT)
    said = ended(process)
    assert said.status == 130
    assert said.session["reps"] == 1
    assert len(saved(data)[0][1]) == 1
    assert share_of(splash, STYLE.ink) > 0.005
    # the hall is grey and brown: the accent's blue comes from skeleton, steps and sign alone
    assert share_of(live, STYLE.accent) > 0.004
    assert share_of(live, STYLE.ground) < share_of(splash, STYLE.ground)
