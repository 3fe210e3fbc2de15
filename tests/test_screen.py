"""The window as a person 4 m away needs it, measured in the pixels that are drawn."""

import itertools
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.assets import config_text, english
from rimward.live.cautions import CAUTIONS
from rimward.live.errors import DisplayError
from rimward.live.gestures import Gesture
from rimward.live.layout import Box, arrange, fit_text
from rimward.live.overlay import Ink, draw_people, scaled
from rimward.live.records import Advice, Ball, Mark, Phase, Pose, Scene, Sight, Standing, View
from rimward.live.screen import STYLE, Painter, Window, arm_table, key_table, screen_available
from rimward.live.signs import sign_mask
from rimward.live.skeleton import INDEX, NAMES
from rimward.live.words import LANGUAGES, read_words, text

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame

SIZES = [(1280, 720), (640, 360), (1024, 768), (800, 800), (720, 1280), (1680, 720)]
FOUR_K = (3840, 2160)
INK = Ink(limbs=(0, 200, 255), unseen=(90, 90, 90), joints=(255, 255, 255), ball=(250, 250, 250), outline=(5, 5, 5))


def standing(x: float = 640, top: float = 150, height: float = 450, visibility: float = 0.95) -> Pose:
    """A person seen from the front, arms hanging."""
    heights = {
        "nose": 0.07, "eye": 0.05, "ear": 0.06, "mouth": 0.09, "shoulder": 0.18, "elbow": 0.36, "wrist": 0.50,
        "pinky": 0.53, "index": 0.54, "thumb": 0.52, "hip": 0.53, "knee": 0.75, "ankle": 0.95, "heel": 0.98,
        "foot": 1.0,
    }  # fmt: skip
    points = []
    for name in NAMES:
        part = next(part for part in heights if part in name)
        aside = 0.0 if part == "nose" else 0.03 if heights[part] < 0.1 else 0.12
        side = 1 if "left" in name else -1
        points.append((x + side * aside * height, top + heights[part] * height))
    return Pose(np.array(points), np.full(len(NAMES), visibility), np.zeros(len(NAMES)))


def picture(level: int = 120, width: int = 1280, height: int = 720) -> np.ndarray:
    return np.full((height, width, 3), level, np.uint8)


def a_view(**changes: object) -> View:
    start = View(
        0.0,
        picture(),
        standing(),
        Ball(np.array([700.0, 120.0]), 20.0, 0.9),
        Phase.SET,
        12,
        status="Tracking",
        title="Sam",
    )
    return replace(start, **changes)  # type: ignore[arg-type]


def pixels(surface: pygame.Surface) -> np.ndarray:
    """(height, width, 3), RGB."""
    return pygame.surfarray.array3d(surface).transpose(1, 0, 2)


def drawn(view: View, size: tuple[int, int] = (1280, 720), painter: Painter | None = None) -> np.ndarray:
    surface = pygame.Surface(size, 0, 32)
    (painter or Painter()).draw(surface, view)
    return pixels(surface)


def extent(changed: np.ndarray) -> tuple[int, int, int, int]:
    """Left, top, width, height of what is True."""
    ys, xs = np.nonzero(changed)
    return int(xs.min()), int(ys.min()), int(xs.max() - xs.min() + 1), int(ys.max() - ys.min() + 1)


def where_differs(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.abs(a.astype(int) - b).max(axis=2) > 60


def share_of(image: np.ndarray, colour: tuple[int, int, int]) -> float:
    return float((np.abs(image.astype(int) - colour).max(axis=2) < 12).mean())


# ---- what is read from 4 m


@pytest.mark.parametrize(("size", "digits"), [*itertools.product(SIZES, [1, 2, 3]), (FOUR_K, 2)])
def test_the_count_is_at_least_a_fifth_of_the_window_high(size: tuple[int, int], digits: int) -> None:
    painter = Painter()
    ones, eights = (drawn(a_view(count=int(digit * digits)), size, painter) for digit in "18")
    left, _, width, height = extent(where_differs(ones, eights))
    assert height >= size[1] / 5
    assert left >= 0
    assert left + width <= size[0]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "cue", ["Hold the follow-through", "Elbow under the ball", "Ellbogen gerade unter den Ball bringen"]
)
def test_the_cue_is_big_wherever_the_window_is(size: tuple[int, int], cue: str) -> None:
    """A letter of 1/25 of a window 19 cm high is 7.5 mm, more than twice the 2.9 mm (2.5 minutes of arc at 4 m) that
    normal sight tells from others (ISO 8596: 5 minutes of arc for a letter at visus 1.0, from memory).
    """
    image = drawn(a_view(mark=Mark.OUT_OF_BAND, cue=cue), size)
    box = arrange(*size, count_width=1.6).verdict
    inked = np.abs(image[box.y :].astype(int) - STYLE.ink).max(axis=2) < 30
    rows = np.flatnonzero(np.diff(np.pad(inked.any(axis=1).astype(int), 1)))
    first_line_height = rows[1] - rows[0]
    assert first_line_height >= size[1] / 25
    assert len(rows) <= 2 * 2  # lines; descenders may join them


def letters_high(image: np.ndarray, box: Box, colour: tuple[int, int, int]) -> list[int]:
    """Heights of the lines in this colour, from the top; a line's letters hang together from left to right."""
    part = image[box.y : box.y + box.h, box.x : box.x + box.w]
    inked = (np.abs(part.astype(int) - colour).max(axis=2) < 30).any(axis=1)
    edges = np.flatnonzero(np.diff(np.pad(inked.astype(int), 1)))
    return list(np.diff(edges)[::2])


WIDE = [size for size in SIZES if size[0] > size[1]]
LONG = "Maximilian Mustermann-Musterfrau the younger of that name"


@pytest.mark.parametrize("size", WIDE)
@pytest.mark.parametrize("tally", ["", "made 6 of 11 known"])
@pytest.mark.parametrize("name", ["Sam", LONG])
def test_spot_and_goal_are_read_from_4_m_whatever_the_name(size: tuple[int, int], tally: str, name: str) -> None:
    """5 minutes of arc at 4 m are 5.8 mm, 1/33 of a window 19 cm high: what normal sight reads at visus 1.0 (ISO 8596,
    from memory). The count loses nothing by it.
    """
    title, goals = f"{name} · Five spots", [f"{spot} · 12/50" for spot in ("right corner", "left corner")]
    painter = Painter()
    right, left = (drawn(a_view(title=title, goal=goal, tally=tally), size, painter) for goal in goals)
    where = arrange(*size, count_width=1.6)
    x, y, _, _ = extent(where_differs(right, left))
    assert x >= where.count.x
    assert y >= where.count.y + where.count.h / 2
    lines = letters_high(left, Box(where.count.x, y, where.count.w, where.verdict.y - y), STYLE.ink)
    assert min(lines) >= size[1] / 33
    ones, eights = (drawn(a_view(count=n, title=title, goal=goals[0], tally=tally), size, painter) for n in (11, 88))
    assert extent(where_differs(ones, eights))[3] >= size[1] / 5


@pytest.mark.parametrize("size", WIDE)
def test_a_long_name_is_shortened_rather_than_its_letters(size: tuple[int, int]) -> None:
    bar = arrange(*size, count_width=1.6).bar
    ground = np.array(STYLE.ground)
    for title in ("MAX", f"STATION 2 · {LONG.upper()} · FIVE SPOTS"):
        upper = drawn(a_view(status="", title=title), size)[: bar.y + bar.h]
        left, _, width, height = extent(where_differs(upper, np.broadcast_to(ground, upper.shape)))
        assert height >= size[1] / 33
        assert left > bar.x + bar.w // 2
        assert left + width <= bar.x + bar.w


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scene", [Scene.SET_UP, Scene.REST, Scene.STATION])
def test_where_the_count_is_not_shown_the_goal_stands_above_and_leaves_the_status_its_room(
    size: tuple[int, int], scene: Scene
) -> None:
    advice = tuple(Advice(sight, True, "Right") for sight in Sight)
    board = (Standing("Sam", 3, 50, turn=True),)
    view = a_view(
        scene=scene,
        advice=advice,
        board=board,
        clock=(20, 60),
        prompt="Sam",
        title=f"{LONG} · Five spots",
        goal="top · 3/50",
    )
    one, other = drawn(view, size), drawn(replace(view, goal="top · 4/50"), size)
    bar = arrange(*size, count_width=1.6).bar
    left, up, _, high = extent(where_differs(one, other))
    assert up + high <= bar.y + bar.h
    without = drawn(replace(view, title="", goal=""), size)
    assert extent(where_differs(one, without))[0] >= bar.x + bar.w // 2
    assert left > bar.x + bar.w // 2


@pytest.mark.parametrize("size", SIZES)
def test_everything_changes_only_in_its_own_place(size: tuple[int, int]) -> None:
    """The words of a cue do not reach into the picture or the count, however long they are."""
    painter = Painter()
    short = drawn(a_view(mark=Mark.IN_BAND, cue="Good"), size, painter)
    long = drawn(
        a_view(mark=Mark.IN_BAND, cue="Incomprehensibilities notwithstanding straighten everything"), size, painter
    )
    _, top, _, _ = extent(where_differs(short, long))
    layout = arrange(*size, count_width=1.6)
    assert top >= layout.verdict.y
    assert layout.verdict.y >= layout.phases.y + layout.phases.h
    assert layout.verdict.y >= layout.count.y + layout.count.h


def test_the_three_signs_differ_in_shape_alone() -> None:
    masks = {name: sign_mask(name, 80) > 127 for name in [*Mark, "trouble"]}
    for a, b in itertools.combinations(masks.values(), 2):
        assert (a & b).sum() / (a | b).sum() < 0.75


def test_the_three_signs_differ_in_words_and_colour_and_are_not_red_against_green() -> None:
    painter = Painter()
    images = {mark: drawn(a_view(mark=mark), painter=painter) for mark in Mark}
    for a, b in itertools.combinations(images.values(), 2):
        assert where_differs(a, b).any()
    # in band and out of band stay apart in blue, which red-green blindness leaves alone
    assert STYLE.accent[2] - STYLE.alarm[2] > 150


def test_the_words_of_the_mark_stay_beside_a_cue() -> None:
    named, unnamed = (Painter({**english(), ("screen", "out_of_band"): (word,)}) for word in ("OUT", ""))
    view = a_view(mark=Mark.OUT_OF_BAND, cue="Start with your legs")
    assert where_differs(drawn(view, painter=named), drawn(view, painter=unnamed)).any()


def test_trouble_dims_the_picture_and_takes_the_verdicts_place_in_the_alarm_colour() -> None:
    calm = drawn(a_view(mark=Mark.IN_BAND, pose=None, ball=None))
    trouble = drawn(
        a_view(
            mark=Mark.IN_BAND, pose=None, ball=None, status="The camera is unplugged: plug it in again", trouble=True
        )
    )
    layout = arrange(1280, 720, count_width=1.6)
    centre_y, centre_x = layout.picture.y + layout.picture.h // 2, layout.picture.x + layout.picture.w // 2
    assert trouble[centre_y, centre_x].max() < 0.5 * calm[centre_y, centre_x].max()
    assert share_of(trouble, STYLE.alarm) > 0.1
    assert share_of(calm, STYLE.alarm) == 0


def test_as_long_as_there_is_no_rep_the_state_is_what_is_big() -> None:
    waiting = drawn(a_view(count=0, status="Waiting for you"))
    tracking = drawn(a_view(count=0, status="Tracking"))
    _, top, _, height = extent(where_differs(waiting, tracking))
    assert height > 720 / 15
    assert top > 720 / 2


def test_the_phase_lights_one_step_after_another() -> None:
    painter = Painter()
    lit = [share_of(drawn(a_view(phase=phase, pose=None), painter=painter), STYLE.accent) for phase in Phase]
    assert lit == sorted(lit)
    assert lit[0] == 0


def test_notes_for_the_coach_are_drawn_where_there_is_room() -> None:
    bare = drawn(a_view())
    noted = drawn(a_view(lines=("Elbow at set 76° ± 5", "Knee bend 118° ± 6")))
    left, _, _, _ = extent(where_differs(bare, noted))
    assert left > 640


@pytest.mark.parametrize("size", [(1280, 720), (1024, 768), (1680, 720)])
def test_a_long_note_is_broken_and_does_not_make_the_others_small(size: tuple[int, int]) -> None:
    def capital(*before: str) -> int:
        values = ("elbow at set 76 ± 5 deg", "deepest knee 118 ± 6 deg")
        one, other = (drawn(a_view(lines=(*before, *values, letter)), size) for letter in ("H", "I"))
        return extent(where_differs(one, other))[3]

    long = "Ellbogenlinie: dazu braucht es den Platz der Kamera (rimward calibrate)"
    assert capital(long) >= 0.6 * capital("elbow at set")


# ---- picture, skeleton, ball


def test_the_picture_keeps_its_shape_and_is_not_cut() -> None:
    upright = picture(width=360, height=640)
    upright[:8], upright[-8:] = 255, 255
    image = drawn(a_view(image=upright, pose=None, ball=None))
    white = np.abs(image[:, :700].astype(int) - 255).max(axis=2) < 20
    white[:80] = False  # the status
    _, _, width, height = extent(white[: 720 * 7 // 10])
    assert width / height == pytest.approx(360 / 640, rel=0.03)


def test_limbs_are_drawn_in_one_strong_colour_with_a_dark_edge() -> None:
    canvas = picture()
    pose = standing()
    draw_people(canvas, pose, None, (1280, 720), INK, thick=10)
    knee, ankle = pose.landmarks_px[[INDEX["left_knee"], INDEX["left_ankle"]]]
    x, y = ((knee + ankle) / 2).astype(int)
    assert tuple(canvas[y, x, ::-1]) == INK.limbs
    across = canvas[y, x : x + 12, ::-1]
    assert (across == INK.outline).all(axis=1).any()
    assert tuple(canvas[y, x + 14]) == (120, 120, 120)


def test_limbs_that_are_only_guessed_look_different() -> None:
    canvas = picture()
    pose = standing(visibility=0.3)
    draw_people(canvas, pose, None, (1280, 720), INK, thick=10)
    assert not (canvas[300:, :, ::-1] == INK.limbs).all(axis=2).any()
    assert (canvas[300:, :, ::-1] == INK.unseen).all(axis=2).any()


def test_the_ball_is_a_ring_that_leaves_the_ball_visible() -> None:
    canvas = picture()
    draw_people(canvas, None, Ball(np.array([400.0, 300.0]), 30.0, 0.9), (1280, 720), INK, thick=8)
    assert tuple(canvas[300, 400]) == (120, 120, 120)
    assert tuple(canvas[300, 430, ::-1]) == INK.ball


def test_places_follow_the_size_of_the_picture() -> None:
    canvas = scaled(picture(), 640, 360)
    draw_people(canvas, None, Ball(np.array([400.0, 300.0]), 30.0, 0.9), (1280, 720), INK, thick=4)
    left, top, width, height = extent(np.abs(canvas.astype(int) - 120).max(axis=2) > 60)
    assert left + width / 2 == pytest.approx(200, abs=1)
    assert top + height / 2 == pytest.approx(150, abs=1)


def test_landmarks_far_outside_the_picture_do_no_harm() -> None:
    canvas = picture()
    pose = standing(x=1e9)
    draw_people(canvas, pose, Ball(np.array([-1e9, 1e12]), 1e8, 0.1), (1280, 720), INK, thick=8)
    assert (canvas == 120).all()


def test_without_photo_nothing_of_the_picture_shows() -> None:
    noise = np.random.default_rng(1).integers(0, 255, (720, 1280, 3), dtype=np.uint8)
    painter = Painter(photo=False)
    one, other = (drawn(a_view(image=image), painter=painter) for image in (picture(255), noise))
    np.testing.assert_array_equal(one, other)
    without_image = drawn(a_view(image=None), painter=Painter())
    np.testing.assert_array_equal(one, without_image)
    assert share_of(one, STYLE.accent) > 0.005  # the skeleton is there


# ---- layout and words


@given(
    width=st.integers(480, 4096),
    height=st.integers(360, 2304),
    digits=st.integers(2, 3),
)
def test_the_parts_lie_inside_the_window_and_do_not_overlap(width: int, height: int, digits: int) -> None:
    if not 0.5 <= width / height <= 2.5:
        return
    layout = arrange(width, height, count_width=0.8 * digits)
    boxes = [layout.bar, layout.picture, layout.count, layout.verdict, layout.notes]
    for box in boxes:
        assert box.x >= 0
        assert box.y >= 0
        assert box.x + box.w <= width
        assert box.y + box.h <= height
    assert layout.verdict.h >= 0.15 * height
    assert layout.picture.h > 0.1 * height
    for a, b in itertools.combinations([box for box in boxes if box.w and box.h], 2):
        apart = a.x + a.w <= b.x or b.x + b.w <= a.x or a.y + a.h <= b.y or b.y + b.h <= a.y
        assert apart, (a, b)


@given(
    words=st.lists(st.text("abcdefghij", min_size=1, max_size=12), min_size=1, max_size=9),
    width=st.floats(50, 4000),
    height=st.floats(20, 1000),
    most=st.integers(1, 3),
)
def test_fitted_words_fit_and_none_is_lost(words: list[str], width: float, height: float, most: int) -> None:
    text = " ".join(words)
    size, lines = fit_text(
        text, width, height, advance=lambda t: 0.6 * len(t), line=1.2, most_lines=most, largest=200.0
    )
    assert " ".join(lines) == text
    assert 1 <= len(lines) <= most
    assert 0 < size <= 200
    assert max(0.6 * len(line) * size for line in lines) <= width * 1.0001
    assert len(lines) * 1.2 * size <= height * 1.0001


def test_a_box_holds_a_shape_in_its_middle() -> None:
    assert Box(10, 10, 400, 100).holding(16, 9) == Box(10 + (400 - 177) // 2, 10, 177, 100)


def test_the_cautions_are_shown_in_every_window() -> None:
    for size in SIZES:
        surface = pygame.Surface(size, 0, 32)
        Painter().draw_splash(surface, "Rimward", CAUTIONS, "Any key goes on.")
        image = pixels(surface)
        left, top, width, height = extent(where_differs(image, np.broadcast_to(np.array(STYLE.ground), image.shape)))
        assert min(left, top) > 0
        assert left + width < size[0]
        assert top + height < size[1]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("language", LANGUAGES)
def test_the_line_below_the_cautions_keeps_its_distance(size: tuple[int, int], language: str) -> None:
    table = read_words(config_text(f"words_{language}.toml"), language)
    surface = pygame.Surface(size, 0, 32)
    Painter(table).draw_splash(surface, "Rimward", table["screen", "cautions"], text(table, "splash"))
    image = pixels(surface)
    foot = np.abs(image.astype(int) - STYLE.quiet).max(axis=2) < 30
    above = np.abs(image.astype(int) - STYLE.ink).max(axis=2) < 30
    first = np.flatnonzero(foot.any(axis=1))[-1] - 0.042 * min(size)
    assert first - np.flatnonzero(above.any(axis=1))[-1] > 0.02 * min(size)


# ---- keys


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("language", LANGUAGES)
def test_the_help_shows_the_arm_signals_with_the_keys_inside_the_window(size: tuple[int, int], language: str) -> None:
    table = read_words(config_text(f"words_{language}.toml"), language)
    actions = ("pause", "made", "missed", "good", "discard", "next", "mute")
    keys, arms = key_table(actions, table), arm_table(actions, table)
    assert len(arms) == len(Gesture)
    painter, view = Painter(table), a_view(image=None, pose=None, ball=None, status="", title="", count=0)
    surface = pygame.Surface(size, 0, 32)
    painter.draw(surface, view)
    plain = pixels(surface)
    painter.draw(surface, view, keys, arms)
    whole = pixels(surface)
    left, top, width, height = extent(where_differs(whole, plain))
    for k, (held, words) in enumerate(arms):
        for one in ((held[:-1], words), (held, words[:-1])):
            painter.draw(surface, view, keys, (*arms[:k], one, *arms[k + 1 :]))
            assert where_differs(pixels(surface), whole).any()  # every letter can be read
    assert min(left, top) > 0
    assert left + width < size[0]
    assert top + height < size[1]


def test_only_signals_that_do_something_are_shown() -> None:
    """The words say what the README says of the arms."""
    assert arm_table(("pause", "mute", "missed"), english()) == (("both up and wide, a Y", "pause and go on"),)


def test_the_table_of_keys_shows_what_works_and_nothing_else() -> None:
    table = key_table(("pause", "discard"), english())
    assert table == (
        ("Space", "pause and go on"),
        ("Backspace or Page down", "take the last rep out"),
        ("F", "full screen"),
        ("H or ?", "show or hide the keys"),
        ("Q or Escape", "save and end"),
    )


def test_an_action_without_a_key_is_refused() -> None:
    with pytest.raises(ValueError, match=r"actions must be among pause.*got dance"):
        key_table(("dance",), english())


# ---- the window itself


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    yield
    pygame.display.quit()


def press(*keys: int, unicode: str = "") -> None:
    for key in keys:
        pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=key, unicode=unicode, mod=0))


def run_until(
    window: Window, done: Callable[[list[str], np.ndarray], bool], each_time: Callable[[], None]
) -> list[str]:
    """Run the window; a key that means "mute" is pressed again and again, and each time `done` looks at the screen."""
    stop, actions = threading.Event(), list[str]()

    def on_key(action: str) -> None:
        if action != "mute":
            actions.append(action)
        elif done(actions, pixels(pygame.display.get_surface())):
            stop.set()

    def feed() -> None:
        end = time.monotonic() + 20
        each_time()
        while not stop.wait(0.02):
            press(pygame.K_m)
            if time.monotonic() > end:
                stop.set()

    feeder = threading.Thread(target=feed)
    feeder.start()
    window.run(stop, on_key)
    stop.set()
    feeder.join()
    return actions


ALL = ("pause", "good", "discard", "next", "mute")


def test_keys_and_the_presenter_remote_become_actions(screen: None) -> None:
    window = Window(actions=ALL)
    keys = [pygame.K_SPACE, pygame.K_BACKSPACE, pygame.K_g, pygame.K_n, pygame.K_PAGEUP, pygame.K_PAGEDOWN]
    actions = run_until(window, lambda actions, _: len(actions) == 6, lambda: press(*keys))
    assert actions == ["pause", "discard", "good", "next", "good", "discard"]


def test_keys_of_actions_that_do_not_work_today_do_nothing(screen: None) -> None:
    window = Window(actions=("mute", "next"))
    actions = run_until(window, lambda actions, _: bool(actions), lambda: press(pygame.K_SPACE, pygame.K_g, pygame.K_n))
    assert actions == ["next"]


@pytest.mark.parametrize("key", [pygame.K_q, pygame.K_ESCAPE, None])
def test_the_wish_to_end_is_told_and_ends_the_window(screen: None, key: int | None) -> None:
    window, stop, actions = Window(), threading.Event(), list[str]()
    if key is None:
        pygame.event.post(pygame.event.Event(pygame.QUIT))
    else:
        press(key)
    window.run(stop, actions.append)
    assert actions == ["quit"]
    assert stop.is_set()
    window.close()
    window.close()


def test_the_newest_view_is_what_is_on_screen(screen: None) -> None:
    window = Window(actions=ALL)
    size = pygame.display.get_surface().get_size()
    for count in range(20):
        window.show(a_view(count=count))
    expected = drawn(a_view(count=19), size)
    run_until(window, lambda _, image: np.array_equal(image, expected), lambda: None)
    assert np.array_equal(pixels(pygame.display.get_surface()), expected)


def test_a_following_view_leaves_no_trace_of_the_one_before(screen: None) -> None:
    window = Window(actions=ALL)
    size = pygame.display.get_surface().get_size()
    views = [
        a_view(count=1, lines=("Elbow at set 76°",)),
        a_view(count=1, lines=("Elbow at set 76°",), pose=standing(x=300), ball=None, phase=Phase.LANDED),
        a_view(count=2, mark=Mark.UNSURE),
        a_view(count=2, mark=Mark.UNSURE, image=picture(60), pose=None),
    ]
    for view in views:
        expected = drawn(view, size)
        window.show(view)
        run_until(window, lambda _, image, expected=expected: np.array_equal(image, expected), lambda: None)
        assert np.array_equal(pixels(pygame.display.get_surface()), expected)


def test_the_table_of_keys_comes_and_goes_on_request(screen: None) -> None:
    window = Window(actions=ALL)
    view = a_view()
    plain = drawn(view, pygame.display.get_surface().get_size())
    window.show(view)
    run_until(window, lambda _, image: not np.array_equal(image, plain), lambda: press(pygame.K_h))
    with_keys = pixels(pygame.display.get_surface())
    assert share_of(with_keys, STYLE.panel) > share_of(plain, STYLE.panel)
    run_until(window, lambda _, image: np.array_equal(image, plain), lambda: press(pygame.K_SLASH, unicode="?"))
    assert np.array_equal(pixels(pygame.display.get_surface()), plain)


def test_the_cautions_stay_until_a_key_is_pressed(screen: None) -> None:
    window = Window(actions=ALL, splash=CAUTIONS, splash_s=3600)
    view = a_view()
    expected = drawn(view, pygame.display.get_surface().get_size())
    window.show(view)
    stop = threading.Event()
    threading.Timer(0.3, stop.set).start()
    window.run(stop, pytest.fail)
    splash = pixels(pygame.display.get_surface())
    assert not np.array_equal(splash, expected)
    assert share_of(splash, STYLE.ground) > 0.7
    run_until(window, lambda _, image: np.array_equal(image, expected), lambda: None)
    assert np.array_equal(pixels(pygame.display.get_surface()), expected)


def test_closing_the_window_leaves_the_sound_device_alone(screen: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")
    pygame.mixer.init()
    try:
        Window().close()
        assert pygame.mixer.get_init() is not None
    finally:
        pygame.mixer.quit()


linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems always have a screen")


@linux
def test_without_a_screen_one_line_says_so_and_names_the_way_out(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("SDL_VIDEODRIVER", "DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    assert not screen_available()
    with pytest.raises(DisplayError, match=r"no screen.*--headless"):
        Window()


@linux
def test_a_display_server_that_does_not_answer_is_no_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    """SDL falls back to a picture in memory there; nobody would see it."""
    monkeypatch.delenv("SDL_VIDEODRIVER", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.setenv("DISPLAY", ":987")
    with pytest.raises(DisplayError, match=r"no window can be opened.*--headless"):
        Window()


@linux
@pytest.mark.parametrize("name", ["DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"])
def test_a_display_server_or_a_driver_of_ones_own_is_a_screen(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    for other in ("SDL_VIDEODRIVER", "DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(other, raising=False)
    monkeypatch.setenv(name, "x")
    assert screen_available()


def test_nothing_of_this_writes_on_standard_output() -> None:
    """Only JSON lines may go there; pygame would greet."""
    script = "from rimward.live.screen import Painter; Painter()"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == ""


@linux
@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="Xvfb is not installed (apt install xvfb)")
def test_a_real_x11_window_opens_draws_fills_the_screen_and_ends() -> None:
    script = (
        "import threading, time, numpy as np\n"
        "from rimward.live.records import View\n"
        "from rimward.live.screen import Window\n"
        "import pygame\n"
        "window = Window(actions=('pause',))\n"
        "stop = threading.Event()\n"
        "window.show(View(0.0, np.full((720, 1280, 3), 200, np.uint8), count=3))\n"
        "def show_size(action):\n"
        "    surface = pygame.display.get_surface()\n"
        "    width, height = surface.get_size()\n"
        "    print(action, width, height, tuple(surface.get_at((width // 4, height // 3))[:3]))\n"
        "def press():\n"
        "    for key in (pygame.K_SPACE, pygame.K_f, pygame.K_SPACE, pygame.K_f, pygame.K_SPACE, pygame.K_q):\n"
        "        time.sleep(1)\n"
        "        pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=key, unicode='', mod=0))\n"
        "print(pygame.display.get_driver())\n"
        "threading.Thread(target=press).start()\n"
        "window.run(stop, show_size)\n"
        "window.close()\n"
    )
    read_end, write_end = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write_end), "-screen", "0", "1280x800x24"],
        pass_fds=[write_end],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(write_end)
    try:
        with os.fdopen(read_end) as numbers:
            display = ":" + numbers.readline().strip()
        env = {key: value for key, value in os.environ.items() if key not in ("SDL_VIDEODRIVER", "WAYLAND_DISPLAY")}
        done = subprocess.run(
            [sys.executable, "-c", script], env={**env, "DISPLAY": display}, capture_output=True, text=True, timeout=60
        )
    finally:
        server.terminate()
        server.wait()
    window = "pause 1088 612 (200, 200, 200)"
    full = "pause 1280 800 (200, 200, 200)"
    assert done.stdout.splitlines() == ["x11", window, full, window, "quit" + window[5:]], done.stderr
