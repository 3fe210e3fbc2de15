"""The window of the guided calibration, driven by synthetic mouse and keys, measured in the pixels that are drawn."""

import argparse
import itertools
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import cv2
import numpy as np
import pytest
from calibration_scenes import SIZE, direction_error_deg, position_error_m
from calibration_screens import PICTURES, TARGET, Known, begun, demo, known, marked, seen_at, states, tape_answers
from fakes import FakeCapture
from hypothesis import given
from hypothesis import strategies as st

from rimward.calibration import command
from rimward.calibration.bump import Verdict, moved_since
from rimward.calibration.errors import CalibrationError
from rimward.calibration.geometry import camera_centre, project
from rimward.calibration.lens import Lens
from rimward.calibration.record import Calibration
from rimward.calibration.storage import lens_file, load_background, load_calibration, save_lens
from rimward.calibration.wizard import WAYS, Wizard
from rimward.live import calibrate, calibration_screen
from rimward.live.calibrate import FILE_NAME, LENSES, Newest, calibrate_in_window, wants_window
from rimward.live.calibration_screen import (
    CLOSER,
    CalibrationPainter,
    CalibrationWindow,
    Region,
    Scene,
    magnified,
)
from rimward.live.camera import open_camera
from rimward.live.errors import DisplayError
from rimward.live.screen import STYLE, Display
from rimward.live.settings import load_settings

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame

SIZES = [(1280, 720), (640, 360), (1024, 768), (720, 1280), (3840, 2160)]
WINDOW = (1088, 612)


def pixels(surface: pygame.Surface) -> np.ndarray:
    """(height, width, 3), RGB."""
    return pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(int)


def drawn(wizard: Wizard | None, scene: Scene, size: tuple[int, int] = (1280, 720), **more: bool) -> np.ndarray:
    surface = pygame.Surface(size, 0, 32)
    CalibrationPainter().draw(surface, wizard, scene, **more)
    return pixels(surface)


def differs(a: np.ndarray, b: np.ndarray) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of what differs."""
    ys, xs = np.nonzero(np.abs(a - b).max(axis=2) > 40)
    return int(xs.min()), int(ys.min()), int(xs.max()), int(ys.max())


def share_of(image: np.ndarray, colour: tuple[int, int, int]) -> float:
    return float((np.abs(image - colour).max(axis=2) < 12).mean())


# ---- what is drawn


@pytest.fixture(scope="module")
def all_states() -> Mapping[str, tuple[Wizard | None, Scene]]:
    return states()


@pytest.mark.parametrize("size", SIZES)
def test_every_state_can_be_drawn_in_every_window(all_states, size: tuple[int, int]) -> None:
    painter, surface = CalibrationPainter(), pygame.Surface(size, 0, 32)
    images = set()
    for wizard, scene in all_states.values():
        painter.draw(surface, wizard, scene)
        images.add(pygame.image.tobytes(surface, "RGB"))
    assert len(images) == len(all_states)


@pytest.mark.parametrize("size", SIZES)
def test_what_is_wrong_takes_the_lower_edge_in_the_alarm_colour(all_states, size: tuple[int, int]) -> None:
    assert share_of(drawn(*all_states["swapped"], size), STYLE.alarm) > 0.07
    assert share_of(drawn(*all_states["result"], size), STYLE.alarm) < 0.02


def test_who_wants_no_photos_is_told_why_one_is_shown(screen: None) -> None:
    told, untold = CalibrationWindow(photo=False)._scene, CalibrationWindow()._scene
    assert "nobody needs to stand in it" in told.note
    assert differs(drawn(Wizard(SIZE), told), drawn(Wizard(SIZE), untold))[1] > 0.75 * 720


@pytest.mark.parametrize("size", [(1280, 720), (640, 360), (1024, 768)])
def test_the_mark_to_click_is_in_big_words(size: tuple[int, int]) -> None:
    """Capitals of 1/25 of the window: on a laptop's 19 cm 7.5 mm, read from the board's side of a table."""
    first, second = begun(SIZE, "hoop", {}), begun(SIZE, "hoop", {})
    second.skip()
    scene = Scene(np.full((720, 1280, 3), 90, np.uint8))
    image = drawn(first, scene, size)
    left, top, right, bottom = differs(
        image[round(0.78 * size[1]) :], drawn(second, scene, size)[round(0.78 * size[1]) :]
    )
    words = np.abs(image[round(0.78 * size[1]) :, size[0] // 4 :] - STYLE.ink).max(axis=2) < 40
    rows = np.flatnonzero(words.any(axis=1))
    assert rows.max() - rows.min() >= size[1] / 25
    assert right > left
    assert bottom > top


def test_the_court_is_drawn_back_only_over_the_picture_and_can_be_taken_off(all_states) -> None:
    wizard, scene = all_states["result"]
    with_lines = drawn(wizard, scene)
    without = drawn(wizard, Scene(scene.image, lines=False))
    left, top, right, bottom = differs(with_lines, without)
    assert right < 0.75 * 1280
    assert bottom < 0.8 * 720
    assert left >= 0
    assert top > 0.05 * 720
    assert share_of(with_lines, STYLE.accent) > share_of(without, STYLE.accent) + 0.002


def test_the_drawn_court_follows_a_nudge(all_states) -> None:
    gym = known("gym_hoop")
    wizard = marked(gym, begun(SIZE, "hoop", {}, gym.lens), most=6)
    before = drawn(wizard, Scene(gym.image))
    wizard.nudge(6, 0)
    assert wizard.outcome.calibration is not None
    assert (np.abs(before - drawn(wizard, Scene(gym.image))).max(axis=2) > 40).sum() > 500


def test_a_click_lands_where_the_magnifier_shows() -> None:
    image = np.zeros((720, 1280, 3), np.uint8)
    image[300, 500] = 255  # its middle is (500.5, 300.5)
    crop = magnified(image, (500.5, 300.5), 25, 200)
    ys, xs = np.nonzero(crop[..., 0] > 60)
    assert (xs.min() + xs.max()) / 2 == pytest.approx(99.5, abs=0.51)
    assert (ys.min() + ys.max()) / 2 == pytest.approx(99.5, abs=0.51)
    assert 6 <= xs.max() - xs.min() <= 16  # a pixel is eight of the magnifier's


@pytest.mark.parametrize("pointer_x", [150, 700])
def test_the_magnifier_keeps_away_from_the_pointer(pointer_x: int) -> None:
    wizard = begun(SIZE, "hoop", {})
    rng = np.random.default_rng(0)
    image = rng.integers(0, 255, (720, 1280, 3), np.uint8)
    plain, with_pointer = drawn(wizard, Scene(image)), drawn(wizard, Scene(image, pointer=(pointer_x, 200)))
    left, _, right, _ = differs(plain, with_pointer)
    assert not left - 50 <= pointer_x <= right + 50


@given(
    size=st.sampled_from(SIZES),
    picture=st.sampled_from([(1280, 720), (640, 480), (720, 1280), (1920, 1080)]),
    x=st.floats(0.01, 0.99),
    y=st.floats(0.01, 0.99),
    closer=st.booleans(),
)
def test_window_and_picture_places_belong_together(
    size: tuple[int, int], picture: tuple[int, int], x: float, y: float, closer: bool
) -> None:
    painter, surface = CalibrationPainter(), pygame.Surface(size)
    px = (x * picture[0], y * picture[1])
    region = Region.around(px, picture, CLOSER) if closer else None
    at = painter.window_px(surface, picture, px, region)
    if closer:  # what was under the pointer stays there
        assert at == pytest.approx(painter.window_px(surface, picture, px))
    pos = (int(at[0]), int(at[1]))
    back = painter.picture_px(surface, picture, pos, region)
    assert back is not None
    left, right = (painter.window_px(surface, picture, (edge, 0), region)[0] for edge in (0, picture[0]))
    assert np.hypot(back[0] - px[0], back[1] - px[1]) <= 0.75 * picture[0] / (right - left)


def test_beside_the_picture_there_is_no_place() -> None:
    painter, surface = CalibrationPainter(), pygame.Surface((1280, 720))
    assert painter.picture_px(surface, SIZE, (1270, 300)) is None
    assert painter.picture_px(surface, SIZE, (300, 710)) is None


def test_the_table_of_keys_covers_the_rest(all_states) -> None:
    wizard, scene = all_states["result"]
    plain, keys = drawn(wizard, scene), drawn(wizard, scene, keys=True)
    left, top, right, bottom = differs(plain, keys)
    assert min(left, top) > 0
    assert right < 1279
    assert bottom < 719


# ---- the window, driven


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    yield
    pygame.display.quit()


def key(code: int, text: str = "", mod: int = 0) -> pygame.event.Event:
    return pygame.event.Event(pygame.KEYDOWN, key=code, unicode=text, mod=mod)


def typed(text: str) -> list[pygame.event.Event]:
    names = {" ": "SPACE", ".": "PERIOD", "-": "MINUS"}
    return [key(getattr(pygame, f"K_{names.get(c, c)}"), c) for c in text]


ENTER, ESCAPE, TAB = key(pygame.K_RETURN), key(pygame.K_ESCAPE), key(pygame.K_TAB)


class Person:
    """Does one thing at each turn of the window: keys from a script, and clicks at what the wizard asks for."""

    def __init__(self, image: np.ndarray | None, events: list[pygame.event.Event], trouble: str = "") -> None:
        self.image, self.events, self.trouble = image, list(events), trouble
        self.wizard: Wizard | None = None
        self.scene: Known | None = None
        self.ending: list[pygame.event.Event] = []
        self.stop = threading.Event()
        self.shots: list[np.ndarray] = []
        self._turns = 0
        self._painter = CalibrationPainter()
        self._rng = np.random.default_rng(5)

    def begin(self, lens=None, known_answers: Mapping[str, str] | None = None) -> Callable[[tuple[int, int]], Wizard]:
        def make(size: tuple[int, int]) -> Wizard:
            self.wizard = Wizard(size, lens, known=known_answers or {})
            return self.wizard

        return make

    def clicks(self, scene: Known, ending: list[pygame.event.Event]) -> None:
        """After the script: click what is asked for, where it is; skip what cannot be seen; then `ending`."""
        self.scene, self.ending = scene, ending

    def __call__(self) -> tuple[np.ndarray | None, str]:
        """As the window's source of pictures; called once a turn."""
        self._turns += 1
        if self._turns > 400:
            self.stop.set()
        # the first turns show the empty window and make the wizard
        if self._turns > 2:
            self._act()
        return self.image, self.trouble

    def _act(self) -> None:
        if self.events:
            pygame.event.post(self.events.pop(0))
        elif self.scene is not None and self.wizard is not None and self.wizard.stage == "marks" and self.wizard.asked:
            px = seen_at(self.scene.camera, self.wizard.asked)
            if px is None:
                pygame.event.post(key(pygame.K_s, "s"))
            else:
                # a careful hand, and the window's own whole pixels on top of it
                aimed = np.asarray(px) + self._rng.normal(0, 0.3, 2)
                at = self._painter.window_px(pygame.display.get_surface(), self.wizard.image_size, tuple(aimed))
                pos = (int(at[0]), int(at[1]))
                pygame.event.post(pygame.event.Event(pygame.MOUSEMOTION, pos=pos, rel=(0, 0), buttons=(0, 0, 0)))
                pygame.event.post(pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=pos, button=1))
        elif self.ending:
            pygame.event.post(self.ending.pop(0))


def test_the_hoop_from_the_first_key_to_the_last(screen: None) -> None:
    gym = known("gym_hoop")
    window, person = CalibrationWindow(), Person(gym.image, [key(pygame.K_1, "1"), ENTER])
    person.clicks(gym, [ENTER])
    found = window.run(person.begin(gym.lens), person, person.stop, live=False)
    assert found is not None
    assert position_error_m(found, gym.camera) < 0.03
    assert direction_error_deg(found, gym.camera) < 0.25


@pytest.mark.parametrize(
    ("name", "keys", "answers"),
    [
        ("gym_hoop", "2", {}),
        ("driveway_tape", "3", tape_answers()),
        ("driveway_pages", "4", TARGET),
    ],
)
def test_the_other_ways(screen: None, name: str, keys: str, answers: Mapping[str, str]) -> None:
    scene = known(name)
    window = CalibrationWindow()
    person = Person(scene.image, [*typed(keys), ENTER])
    person.clicks(scene, [ENTER])
    found = window.run(person.begin(scene.lens, answers), person, person.stop, live=False)
    assert found is not None
    assert position_error_m(found, scene.camera) < 0.12
    assert direction_error_deg(found, scene.camera) < 1.0


def test_a_standing_player(screen: None) -> None:
    player = demo()
    window = CalibrationWindow()
    painter = CalibrationPainter()
    answers = [*typed("5"), *typed("1.84"), TAB, TAB, *typed("4.4"), ENTER]
    person = Person(player.image, answers)
    surface = pygame.display.get_surface()
    for px in ((570, 290), (562, 655)):
        x, y = painter.window_px(surface, SIZE, px)
        person.events.append(pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(int(x), int(y)), button=1))
    person.events.append(ENTER)
    found = window.run(person.begin(player.lens), person, person.stop, live=False)
    assert found is not None
    assert not found.knows_hoop
    assert position_error_m(found, player.camera) < 2 * found.sigma_position_m


def test_answers_are_typed_into_their_lines(screen: None) -> None:
    window = CalibrationWindow()
    events = [
        *typed("1"), key(pygame.K_RIGHT), TAB, *typed("2.65"), key(pygame.K_BACKSPACE),
        key(pygame.K_DOWN), *typed("4.2"),
        key(pygame.K_UP), key(pygame.K_TAB, mod=pygame.KMOD_SHIFT), ENTER, ESCAPE, ESCAPE, ESCAPE,
    ]  # fmt: skip
    person = Person(known("gym_hoop").image, events)
    assert window.run(person.begin(), person, person.stop, live=False) is None
    assert person.wizard is not None
    assert person.wizard.court.name == "us_college"
    assert person.wizard.court.rim_height_m == 2.6
    assert person.wizard.court.free_throw_y_m == pytest.approx(0.381 - 4.2)


def test_letters_typed_into_a_number_are_no_keys(screen: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who types feet must not find the window full screen; on a choice the keys are keys again."""
    toggled: list[str] = []

    def toggle(display: Display) -> None:
        assert person.wizard is not None
        toggled.append(person.wizard.questions[person.wizard.active].name)

    monkeypatch.setattr(Display, "toggle_full_screen", toggle)
    f, h = key(pygame.K_f, "f"), key(pygame.K_h, "h")
    events = [*typed("1"), TAB, *typed("2.6"), f, h, key(pygame.K_UP), f, ENTER, ESCAPE, ESCAPE, ESCAPE]
    person = Person(known("gym_hoop").image, events)
    assert CalibrationWindow().run(person.begin(), person, person.stop, live=False) is None
    assert toggled == ["court"]
    assert person.wizard is not None
    assert person.wizard.court.rim_height_m == 2.6


def test_ways_and_lines_can_be_clicked(screen: None) -> None:
    window = CalibrationWindow()
    surface, painter = pygame.display.get_surface(), CalibrationPainter()
    rows = {painter.way_at(surface, (200, y)): y for y in range(surface.get_height())}
    assert set(rows) == {*WAYS, None}
    choose = pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(200, rows["lines"]), button=1)
    person = Person(known("gym_hoop").image, [choose])
    answered = Wizard(SIZE)
    answered.choose_way("lines")
    lines = {painter.question_at(surface, answered, (200, y)): y for y in range(surface.get_height())}
    person.events.append(pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(200, lines[0]), button=1))
    person.events += [ENTER, ESCAPE, ESCAPE, ESCAPE]
    window.run(person.begin(), person, person.stop, live=False)
    assert person.wizard is not None
    assert person.wizard.way == "lines"
    assert person.wizard.questions[0].value == "us_college"


def test_undo_skip_tab_and_arrow_keys_reach_the_wizard(screen: None) -> None:
    window = CalibrationWindow()
    shift = pygame.KMOD_SHIFT
    click = pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(300, 200), button=1)
    events = [
        *typed("1"), ENTER, click, key(pygame.K_RIGHT), key(pygame.K_DOWN, mod=shift), *typed("s"),
        click, key(pygame.K_u, "u"), TAB, key(pygame.K_l, "l"), key(pygame.K_h, "h"), ESCAPE,
    ]  # fmt: skip
    person = Person(known("gym_hoop").image, events)
    person.ending = [pygame.event.Event(pygame.QUIT)]
    assert window.run(person.begin(), person, person.stop, live=False) is None
    assert person.wizard is not None
    first, second, third = person.wizard.marks[:3]
    assert first.px is not None
    plain = CalibrationPainter().picture_px(pygame.display.get_surface(), SIZE, (300, 200))
    assert plain is not None
    assert first.px == pytest.approx((plain[0] + 1, plain[1] + 0.25), abs=3.6)
    assert second.skipped
    assert third.px is None
    assert person.wizard.asked is person.wizard.marks[3]
    assert person.wizard.stage == "marks"  # the first Escape only put the keys away


def test_a_picture_shown_closer_lets_the_mouse_point_in_parts_of_a_pixel(screen: None) -> None:
    window, painter = CalibrationWindow(), CalibrationPainter()
    move = pygame.event.Event(pygame.MOUSEMOTION, pos=(400, 300), rel=(0, 0), buttons=(0, 0, 0))
    clicks = [pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(x, 300), button=1) for x in (401, 402)]
    wheel = pygame.event.Event(pygame.MOUSEWHEEL, x=0, y=1, flipped=False)
    plain_wall = np.full((720, 1280, 3), 90, np.uint8)
    events = [*typed("1"), ENTER, move, *typed("z"), clicks[0], move, wheel, wheel, clicks[1]]
    person = Person(plain_wall, events)
    person.ending = [pygame.event.Event(pygame.QUIT)]
    window.run(person.begin(), person, person.stop, live=False)
    assert person.wizard is not None
    first, second = (mark.px for mark in person.wizard.marks[:2])
    assert first is not None
    assert second is not None
    surface = pygame.display.get_surface()
    under = painter.picture_px(surface, SIZE, (400, 300))
    step = painter.picture_px(surface, SIZE, (401, 300))
    assert under is not None
    assert step is not None
    pixel = (step[0] - under[0]) / CLOSER
    assert pixel < 0.6
    assert second[0] - first[0] == pytest.approx(pixel)
    assert first == pytest.approx((under[0] + pixel, under[1]), abs=0.6)


def test_a_part_shown_closer_is_that_part_of_the_picture(all_states) -> None:
    gym = known("gym_hoop")
    wizard = begun(SIZE, "hoop", {}, gym.lens)
    region = Region.around((700.0, 160.0), SIZE, CLOSER)
    painter, surface = CalibrationPainter(), pygame.Surface((1280, 720), 0, 32)
    painter.draw(surface, wizard, Scene(gym.image, region=region))
    image = pixels(surface)
    x, y = (round(c) for c in painter.window_px(surface, SIZE, (720.0, 180.0), region))
    assert image[y, x] == pytest.approx(gym.image[180, 720, ::-1].astype(int), abs=12)


def test_right_and_middle_buttons_and_clicks_beside_the_picture_place_nothing(screen: None) -> None:
    window = CalibrationWindow()
    events = [*typed("1"), ENTER]
    events += [pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(300, 200), button=button) for button in (2, 3, 4)]
    events.append(pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(300, 600), button=1))
    person = Person(known("gym_hoop").image, events)
    person.ending = [pygame.event.Event(pygame.QUIT)]
    window.run(person.begin(), person, person.stop, live=False)
    assert person.wizard is not None
    assert all(mark.px is None for mark in person.wizard.marks)


def test_a_mark_can_be_fixed_after_the_result(screen: None) -> None:
    """One corner clicked 12 px off is refused by name; two clicks put it right."""
    gym = known("gym_hoop")
    window, painter = CalibrationWindow(), CalibrationPainter()
    person = Person(gym.image, [*typed("1"), ENTER])
    person.clicks(gym, [])
    refused: list[str] = []

    def spoil_and_fix() -> tuple[np.ndarray | None, str]:
        wizard = person.wizard
        if wizard is not None and wizard.stage == "marks" and wizard.asked is None and not refused:
            wizard.choose("board_top_right")
            corner = next(mark for mark in wizard.marks if mark.name == "board_top_right").px
            assert corner is not None
            wizard.click((corner[0] + 25, corner[1]))
            refused.append(wizard.outcome.reason)
            at = painter.window_px(pygame.display.get_surface(), SIZE, (corner[0] + 25, corner[1]))
            choose = pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(int(at[0]), int(at[1])), button=1)
            pygame.event.post(choose)  # after which the person clicks what is asked for, and then keeps the result
            person.ending = [ENTER]
            return person.image, ""
        return person()

    found = window.run(person.begin(gym.lens), spoil_and_fix, person.stop, live=False)
    assert '"Board, top right"' in refused[0]
    assert found is not None
    assert position_error_m(found, gym.camera) < 0.03


def test_enter_keeps_nothing_before_there_is_a_result(screen: None) -> None:
    window = CalibrationWindow()
    person = Person(known("gym_hoop").image, [*typed("1"), ENTER, ENTER, ENTER])
    person.ending = [pygame.event.Event(pygame.QUIT)]
    assert window.run(person.begin(), person, person.stop, live=False) is None


def test_a_camera_that_does_not_come_is_said_and_the_person_can_leave(screen: None) -> None:
    window = CalibrationWindow()
    person = Person(None, [key(pygame.K_1, "1")], trouble="No camera found at 0: plug one in")

    def watching() -> tuple[np.ndarray | None, str]:
        person.shots.append(pixels(pygame.display.get_surface()))
        return person()

    person.ending = [key(pygame.K_h, "h"), key(pygame.K_h, "h"), ESCAPE]
    assert window.run(person.begin(), watching, person.stop) is None
    assert person.wizard is None
    assert share_of(person.shots[2], STYLE.alarm) > 0.1


def test_a_held_picture_stays_while_the_camera_goes_on(screen: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(calibration_screen, "HOLD_S", 0.0)
    window = CalibrationWindow()
    person = Person(None, [*typed("1"), ENTER, key(pygame.K_SPACE, " ")])
    level = itertools.count(20, 2)
    shown: list[int] = []

    def live() -> tuple[np.ndarray | None, str]:
        surface = pygame.display.get_surface()
        shown.append(int(surface.get_at((300, 200))[0]))
        _, trouble = person()
        return np.full((720, 1280, 3), min(250, next(level)), np.uint8), trouble

    person.ending = [
        key(pygame.K_F15),
        key(pygame.K_F15),
        key(pygame.K_SPACE, " "),
        key(pygame.K_F15),
        pygame.event.Event(pygame.QUIT),
    ]
    window.run(person.begin(), live, person.stop)
    runs = [len(list(same)) for _, same in itertools.groupby(shown)]
    assert max(runs[3:]) >= 3  # held over several turns
    assert shown[-1] > shown[-4]  # and running again


def test_another_size_of_picture_starts_anew(screen: None) -> None:
    window = CalibrationWindow()
    person = Person(known("gym_hoop").image, [*typed("1"), ENTER])
    made: list[tuple[int, int]] = []

    def begin(size: tuple[int, int]) -> Wizard:
        made.append(size)
        return person.begin()(size)

    def changing() -> tuple[np.ndarray | None, str]:
        image, trouble = person()
        return (image if person.events else np.zeros((480, 640, 3), np.uint8)), trouble

    person.ending = [key(pygame.K_F15), pygame.event.Event(pygame.QUIT)]
    window.run(begin, changing, person.stop)
    assert made == [(1280, 720), (640, 480)]
    assert person.wizard is not None
    assert person.wizard.stage == "way"


# ---- from the options to the file


def options(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    return parser.parse_args(words)


@pytest.fixture
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path / "data"))
    return load_settings(None)


def acting(monkeypatch: pytest.MonkeyPatch, person: Person) -> None:
    """Let this person sit at every window; what the program hands to it is used otherwise."""
    run = CalibrationWindow.run

    def with_person(window, begin, newest, stop, **more) -> Calibration | None:
        def watched(size: tuple[int, int]) -> Wizard:
            person.wizard = begin(size)
            return person.wizard

        def next_picture() -> tuple[np.ndarray | None, str]:
            person()
            return newest()

        return run(window, watched, next_picture, person.stop, **more)

    monkeypatch.setattr(CalibrationWindow, "run", with_person)


def hoop_person(scene: Known) -> Person:
    person = Person(None, [*typed("1"), ENTER])
    person.clicks(scene, [ENTER])
    return person


def test_a_picture_is_calibrated_into_a_file(screen: None, settings, monkeypatch, tmp_path: Path) -> None:
    gym, said = known("gym_hoop"), list[str]()
    acting(monkeypatch, hoop_person(gym))
    out = tmp_path / "gym.toml"
    args = options("--image", str(PICTURES / "gym_hoop.jpg"), "--out", str(out), "--hfov-deg", f"{gym.hfov_deg}")
    assert wants_window(args)
    assert calibrate_in_window(args, settings, said.append) == 0
    found = load_calibration(out, SIZE)
    assert position_error_m(found, gym.camera) < 0.03
    assert said[-1] == f"Written to {out}."
    assert any("m above the floor" in line for line in said)


def test_the_first_picture_of_a_clip_will_do(screen: None, settings, monkeypatch, tmp_path: Path) -> None:
    player = demo()
    person = Person(None, [*typed("5"), ENTER])
    surface_size = WINDOW
    painter = CalibrationPainter()

    def clicks() -> Iterator[pygame.event.Event]:
        for px in ((570, 290), (562, 655)):
            x, y = painter.window_px(pygame.Surface(surface_size), SIZE, px)
            yield pygame.event.Event(pygame.MOUSEBUTTONDOWN, pos=(int(x), int(y)), button=1)

    acting(monkeypatch, person)
    monkeypatch.setattr("rimward.live.screen.Display._first_size", lambda _: surface_size)
    person.events += [*clicks(), ENTER]
    clip = Path(__file__).resolve().parents[1] / "live" / "demo_clip.mp4"
    out = tmp_path / "demo.toml"
    args = options(
        "--image", str(clip), "--out", str(out), "--stature-m", "1.84", "--camera-side", "right", "--distance-m", "4.4",
        "--hfov-deg", "74",
    )  # fmt: skip
    assert calibrate_in_window(args, settings, lambda _: None) == 0
    found = load_calibration(out, SIZE)
    assert found.method == "standing"
    assert camera_centre(found)[0] == pytest.approx(camera_centre(player.camera)[0], abs=2 * found.sigma_position_m)


@pytest.mark.network
def test_the_network_finds_head_and_feet_of_a_standing_player(
    screen: None, pose_bundle: Path, monkeypatch, tmp_path: Path
) -> None:
    player = demo()
    acting(monkeypatch, Person(None, [*typed("5"), ENTER, *typed("p"), ENTER]))
    picture, out = tmp_path / "player.png", tmp_path / "demo.toml"
    cv2.imwrite(str(picture), player.image)
    settings = load_settings(None, {"pose": {"model": str(pose_bundle)}, "storage": {"folder": str(tmp_path)}})
    args = options(
        "--image", str(picture), "--out", str(out), "--stature-m", "1.84", "--camera-side", "right",
        "--distance-m", "4.4", "--hfov-deg", "74",
    )  # fmt: skip
    assert calibrate_in_window(args, settings, lambda _: None) == 0
    found = load_calibration(out, SIZE)
    assert found.method == "standing"
    # clicked by hand: (570, 290) and (562, 655)
    head, feet = project(found, [(0, -4.4, 1.84), (0, -4.4, 0)])
    assert head == pytest.approx((570, 290), abs=15)
    assert feet == pytest.approx((562, 655), abs=15)
    assert position_error_m(found, player.camera) < 2 * found.sigma_position_m


def test_without_a_player_or_a_model_the_window_says_what_to_do(screen: None, settings) -> None:
    assert calibrate._standing_player(known("gym_hoop").image, settings) == (
        "Finding the player needs the pose model: run rimward setup once"
    )


def test_who_ends_without_keeping_leaves_no_file(screen: None, settings, monkeypatch, tmp_path: Path) -> None:
    said: list[str] = []
    acting(monkeypatch, Person(None, [ESCAPE]))
    out = tmp_path / "gym.toml"
    args = options("--image", str(PICTURES / "gym_hoop.jpg"), "--out", str(out))
    assert calibrate_in_window(args, settings, said.append) == 0
    assert said == ["No calibration was kept."]
    assert list(tmp_path.glob("**/*.toml")) == []


def test_the_own_file_is_replaced_after_it_was_said(screen: None, settings, monkeypatch, tmp_path: Path) -> None:
    gym = known("gym_hoop")
    own = tmp_path / "data" / FILE_NAME
    own.parent.mkdir()
    own.write_text("before")
    replaced: list[str] = []
    draw = CalibrationPainter.draw

    def watched(self, surface, wizard, scene, **more) -> None:
        replaced.append(scene.replaces)
        draw(self, surface, wizard, scene, **more)

    monkeypatch.setattr(CalibrationPainter, "draw", watched)
    acting(monkeypatch, hoop_person(gym))
    args = options("--image", str(PICTURES / "gym_hoop.jpg"))
    assert calibrate_in_window(args, settings, lambda _: None) == 0
    assert set(replaced) == {FILE_NAME}
    assert load_calibration(own, SIZE).method == "marks"


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (("--image", "{folder}/none.jpg"), r"none\.jpg: the picture cannot be read: No such file"),
        (("--image", "{folder}/taken.toml"), r"taken\.toml: this is no picture"),
        (("--out", "{folder}/taken.toml"), r"taken\.toml: this file exists and is not overwritten"),
        (("--out", "{folder}/nowhere/court.toml"), r"court\.toml: cannot be written: .*nowhere must be a folder"),
        (("--use-lens", "{folder}/none.toml"), r"none\.toml: cannot be read"),
    ],
)
def test_bad_options_are_found_before_any_window(
    settings, monkeypatch, tmp_path: Path, words: tuple[str, ...], error: str
) -> None:
    monkeypatch.setattr("rimward.live.calibrate.CalibrationWindow", lambda **_: pytest.fail("a window opened"))
    (tmp_path / "taken.toml").write_text("kept")
    args = options(*(word.format(folder=tmp_path) for word in words))
    with pytest.raises(CalibrationError, match=error):
        calibrate_in_window(args, settings, lambda _: None)
    assert (tmp_path / "taken.toml").read_text() == "kept"


def test_options_of_other_ways_and_machines_without_a_screen_want_no_window(monkeypatch) -> None:
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    assert wants_window(options())
    assert not wants_window(options("--image", "a.jpg", "--points", "b.json"))
    assert not wants_window(options("--print-target", "a.pdf"))
    assert not wants_window(options("--lens", "a.jpg"))
    if sys.platform.startswith("linux"):
        for name in ("SDL_VIDEODRIVER", "DISPLAY", "WAYLAND_DISPLAY"):
            monkeypatch.delenv(name, raising=False)
        assert not wants_window(options())


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems always have a screen")
def test_without_a_screen_one_line_names_the_way_out(monkeypatch) -> None:
    for name in ("SDL_VIDEODRIVER", "DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(DisplayError, match=r"no screen.*--points"):
        CalibrationWindow()


def test_a_live_camera_is_calibrated_and_named_in_the_file(screen: None, settings, monkeypatch, tmp_path: Path) -> None:
    """The picture comes from a camera made of software, which runs on while the person clicks."""
    gym = known("gym_hoop")
    endless = ((n / 30, gym.image ^ np.uint8(n % 2)) for n in itertools.count())
    camera = open_camera(0, capture_factory=lambda _: FakeCapture(endless))
    acting(monkeypatch, hoop_person(gym))
    out = tmp_path / "live.toml"
    args = options("--out", str(out), "--hfov-deg", "74")
    assert calibrate_in_window(args, settings, lambda _: None, camera) == 0
    found = load_calibration(out, SIZE, "camera 0")
    assert found.camera == "camera 0"
    assert position_error_m(found, gym.camera) < 0.03
    kept = load_background(out)
    assert kept is not None
    assert moved_since(kept, gym.image).verdict is Verdict.STILL
    with pytest.raises(CalibrationError, match="made with camera 'camera 0'"):
        load_calibration(out, SIZE, "camera 1")


def test_the_lens_measured_for_this_camera_is_taken_by_itself(
    screen: None, settings, monkeypatch, tmp_path: Path
) -> None:
    gym, said = known("gym_hoop"), list[str]()
    kept = lens_file(tmp_path / "data" / LENSES, "camera 0", SIZE)
    kept.parent.mkdir(parents=True)
    matrix = gym.camera.camera_matrix
    save_lens(kept, Lens(SIZE, matrix, np.zeros(5), 0.001, "calibrated", 0.2, "camera 0"))
    endless = ((n / 30, gym.image ^ np.uint8(n % 2)) for n in itertools.count())
    camera = open_camera(0, capture_factory=lambda _: FakeCapture(endless))
    acting(monkeypatch, hoop_person(gym))
    out = tmp_path / "live.toml"
    assert calibrate_in_window(options("--out", str(out)), settings, said.append, camera) == 0
    assert said[0] == f"Lens of camera 0 as it was measured: {kept}."
    assert load_calibration(out, SIZE).lens == "calibrated"


def test_the_newest_picture_and_the_trouble_of_a_camera() -> None:
    camera = open_camera(0, capture_factory=lambda _: FakeCapture([], opened=False), retry_s=0.05)
    newest = Newest(camera)
    try:
        waited = threading.Event()
        for _ in range(200):
            image, trouble = newest()
            if trouble:
                break
            waited.wait(0.02)
        assert image is None
        assert "No camera found" in trouble
    finally:
        camera.close()


@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="Xvfb is not installed (apt install xvfb)")
def test_on_a_real_x_server_the_window_comes_up_and_keeps_a_calibration(tmp_path: Path) -> None:
    script = (
        "import sys, itertools; sys.path.insert(0, sys.argv[1])\n"
        "import pygame\n"
        "from calibration_screens import known\n"
        "from test_calibration_screen import ENTER, Person, typed\n"
        "from rimward.live.calibration_screen import CalibrationWindow\n"
        "gym = known('gym_hoop')\n"
        "window = CalibrationWindow()\n"
        "person = Person(gym.image, [*typed('1'), ENTER, *typed('f'), *typed('f')])\n"
        "person.clicks(gym, [ENTER])\n"
        "print(pygame.display.get_driver(), *pygame.display.get_surface().get_size())\n"
        "def watched():\n"
        "    if person.wizard is not None and person.wizard.asked is None and person.wizard.marks:\n"
        "        pygame.image.save(pygame.display.get_surface(), sys.argv[2])\n"
        "    return person()\n"
        "found = window.run(person.begin(gym.lens), watched, person.stop, live=False)\n"
        "print(round(found.sigma_position_m, 3) < 0.02, window.close())\n"
    )
    read_end, write_end = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write_end), "-screen", "0", "1280x800x24"],
        pass_fds=[write_end],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(write_end)
    shot = Path(os.environ.get("RIMWARD_SCREENSHOT", tmp_path / "shot.png"))
    try:
        with os.fdopen(read_end) as numbers:
            display = ":" + numbers.readline().strip()
        env = {name: value for name, value in os.environ.items() if name not in ("SDL_VIDEODRIVER", "WAYLAND_DISPLAY")}
        done = subprocess.run(
            [sys.executable, "-c", script, str(Path(__file__).resolve().parent), str(shot)],
            env={**env, "DISPLAY": display},
            capture_output=True,
            text=True,
            timeout=120,
        )
    finally:
        server.terminate()
        server.wait()
    assert done.stdout.splitlines() == ["x11 1088 612", "True None"], done.stderr
    picture = cv2.imread(str(shot))
    assert picture is not None
    assert share_of(picture[..., ::-1].astype(int), STYLE.accent) > 0.003
