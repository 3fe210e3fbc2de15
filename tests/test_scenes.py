"""The screens around the practice: what they tell, in which place, and that nobody needs to see colours for it."""

from __future__ import annotations

import itertools
import os
from dataclasses import replace

import cv2
import numpy as np
import pytest

from rimward.live.assets import english
from rimward.live.cautions import CAUTIONS
from rimward.live.known_player import is_minor
from rimward.live.layout import arrange
from rimward.live.records import Advice, Mark, Scene, Sight, Standing, View
from rimward.live.screen import STYLE, Painter
from rimward.live.signs import ring_mask, sign_mask
from rimward.live.store import open_store

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame

SIZES = [(1280, 720), (720, 1280), (1920, 1080)]
GOOD = tuple(Advice(sight, True, f"{sight} is right") for sight in Sight)
WRONG = (Advice(Sight.LIGHT, False, "It is dark: switch on more light"), *(one for one in GOOD if one.sight != "light"))
BOARD = tuple(Standing(name, reps, goal=10, turn=reps == 3) for reps, name in enumerate(("Ada", "Ben", "Cleo", "Dan")))

BLINDNESS = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
}
"""On linear RGB. Machado, Oliveira & Fernandes 2009, "A physiologically-based model for simulation of color vision
deficiency", IEEE Trans. Vis. Comput. Graph. 15(6), table of matrices, severity 1."""


def drawn(view: View, size=(1280, 720), **more) -> np.ndarray:
    """(height, width, 3), RGB."""
    surface = pygame.Surface(size)
    Painter(**more).draw(surface, view)
    return pygame.surfarray.array3d(surface).swapaxes(0, 1)


def share_of(image: np.ndarray, colour: tuple[int, int, int]) -> float:
    return float((np.abs(image.astype(int) - colour).max(axis=2) < 12).mean())


def linear(colour) -> np.ndarray:
    """IEC 61966-2-1."""
    c = np.asarray(colour, float) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def as_seen(colour, kind: str) -> np.ndarray:
    """CIE L*a*b* of a colour as somebody of this kind sees it."""
    seen = np.clip(np.array(BLINDNESS[kind]) @ linear(colour), 0, 1)
    display = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    return cv2.cvtColor(display.astype(np.float32)[None, None], cv2.COLOR_RGB2LAB)[0, 0]


def contrast(a, b) -> float:
    """WCAG 2.2."""
    light, dark = sorted((float(linear(c) @ (0.2126, 0.7152, 0.0722)) for c in (a, b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("kind", BLINDNESS)
def test_the_colours_that_mean_something_stay_apart_for_the_colour_blind(kind):
    """A CIE 1976 difference of 2.3 is just noticeable (Mahy et al. 1994); ten times that is seen from afar."""
    meaning = {name: as_seen(getattr(STYLE, name), kind) for name in ("accent", "alarm", "ground", "faint")}
    for a, b in itertools.combinations(meaning, 2):
        if {a, b} != {"ground", "faint"}:
            assert np.linalg.norm(meaning[a] - meaning[b]) > 23, (a, b)


def test_words_and_signs_stand_out_from_what_they_are_drawn_on():
    """WCAG 2.2, 1.4.3 and 1.4.11: 4.5 for text, 3 for large text and signs."""
    for ink in (STYLE.ink, STYLE.accent, STYLE.alarm, STYLE.quiet):
        for on in (STYLE.ground, STYLE.panel):
            assert contrast(ink, on) > 4.5
    assert contrast(STYLE.outline, STYLE.alarm) > 4.5
    assert contrast(STYLE.ink, STYLE.faint) > 4.5


def test_every_sign_has_a_shape_of_its_own():
    masks = {name: sign_mask(name, 64) > 127 for name in (*Sight, *Mark, "dot", "turn", "trouble")}
    for a, b in itertools.combinations(masks, 2):
        assert np.count_nonzero(masks[a] != masks[b]) > 0.05 * 64 * 64, (a, b)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 1.0])
def test_a_clock_is_as_full_as_the_time_to_go(share):
    full = np.count_nonzero(ring_mask(200, 1.0) > 127)
    assert np.count_nonzero(ring_mask(200, share) > 127) == pytest.approx(share * full, abs=0.04 * full)


@pytest.mark.parametrize("size", SIZES)
def test_what_is_wrong_with_the_view_is_shown_in_the_alarm_colour_and_not_otherwise(size):
    view = View(0.0, None, scene=Scene.SET_UP, status="Ready")
    right, wrong = (drawn(View(0.0, None, scene=Scene.SET_UP, advice=told), size) for told in (GOOD, WRONG))
    assert share_of(right, STYLE.alarm) == 0
    assert share_of(wrong, STYLE.alarm) > 0.005
    assert share_of(right, STYLE.accent) > 0.002
    assert view.count == 0


@pytest.mark.parametrize("size", SIZES)
def test_what_is_not_known_of_a_view_keeps_its_place(size):
    """A clip that begins with a shot shows nobody its rate."""
    told = tuple(one for one in GOOD if one.sight != Sight.RATE)
    whole, part = (drawn(View(0.0, None, scene=Scene.SET_UP, advice=advice), size) for advice in (GOOD, told))
    differs = np.abs(whole.astype(int) - part).max(axis=2) > 60
    assert 0 < differs.mean() < 1 / 6 / 4  # one of six tiles, and a quarter of the window at most
    assert share_of(part, STYLE.accent) < share_of(whole, STYLE.accent)
    assert share_of(part, STYLE.faint) == pytest.approx(share_of(whole, STYLE.faint), rel=0.02)


@pytest.mark.parametrize("size", SIZES)
def test_a_goal_of_makes_shows_how_far_it_is(size):
    """Not the reps that it took, which stand beside it."""

    def board(*rows):
        return drawn(View(0.0, None, scene=Scene.STATION, board=rows), size)

    of_makes = board(Standing("Ada", 5, 3, 2, of_makes=True))
    layout = arrange(*size, 1.1)
    number = slice(None), slice(0, layout.margin + round(0.79 * (size[0] - 2 * layout.margin)))
    assert np.array_equal(of_makes[number], board(Standing("Ada", 2, 3))[number])
    assert not np.array_equal(of_makes, board(Standing("Ada", 9, 3, 2, of_makes=True)))
    assert np.array_equal(
        board(Standing("Ada", 0, 3, None, of_makes=True))[number], board(Standing("Ada", 0, 3))[number]
    )


@pytest.mark.parametrize("size", SIZES)
def test_a_board_shows_everybody_and_whose_turn_it_is(size):
    """Each further player adds words; the row of the one who shoots is lit."""
    layout = arrange(*size, 1.1)
    whole, two, nobody = (
        drawn(View(0.0, None, scene=Scene.STATION, board=board), size)[: layout.verdict.y]
        for board in (BOARD, BOARD[:2], tuple(Standing(one.name, one.reps) for one in BOARD))
    )
    assert share_of(whole, STYLE.ink) > 1.2 * share_of(two, STYLE.ink)
    assert share_of(whole, STYLE.accent) > share_of(nobody, STYLE.accent)


@pytest.mark.parametrize("goal", [None, 10, 500])
def test_a_long_name_does_not_run_into_the_count(goal):
    def board(name: str) -> np.ndarray:
        rows = (Standing(name, 88, goal), *BOARD)
        return drawn(View(0.0, None, scene=Scene.STATION, board=rows))

    inked = (np.abs(board("W").astype(int) - STYLE.ink).max(axis=2) < 12).any(axis=0)
    left = np.nonzero(inked[400:])[0].min() + 400  # short names end before that
    assert np.array_equal(board("W" * 60)[:, left - 8 :], board("W")[:, left - 8 :])


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080)])
def test_a_name_is_cut_only_where_it_could_not_be_read_any_more(size):
    """Twenty letters fit into a row; the last one is seen."""
    left, right = (
        drawn(View(0.0, None, scene=Scene.STATION, board=(Standing(f"Bartholomaeus Hohe{end}", 7), *BOARD[:2])), size)
        for end in "HI"
    )
    assert np.any(left != right)
    name, other = (
        drawn(View(0.0, None, scene=Scene.STATION, board=(Standing("H" * 60, 7), Standing(last, 7))), size)
        for last in "HI"
    )
    high = np.nonzero((np.abs(name.astype(int) - other).max(axis=2) > 60).any(axis=1))[0]
    assert len(high) >= 0.45 * 0.0625 * min(size)  # the capitals of what is read from 4 m


@pytest.mark.parametrize("size", SIZES)
def test_a_goal_that_is_passed_is_a_goal_that_is_reached(size):
    passed, reached = (
        drawn(View(0.0, None, scene=Scene.STATION, board=(Standing("Ada", n, 3),)), size) for n in (10, 3)
    )
    assert np.array_equal(passed, reached)


@pytest.mark.parametrize("size", SIZES)
def test_the_cautions_of_a_first_turn_are_all_there_under_the_players_name(size):
    words = dict(english())

    def page(player: str, *cautions: str) -> np.ndarray:
        return drawn(
            View(0.0, None, scene=Scene.CAUTIONS, player=player),
            size,
            words={**words, ("screen", "cautions"): cautions},
        )

    shown = page("Ada", *CAUTIONS)
    assert not np.array_equal(shown, page("Ben", *CAUTIONS))
    for k in range(len(CAUTIONS)):
        assert not np.array_equal(shown, page("Ada", *CAUTIONS[:k], "-", *CAUTIONS[k + 1 :]))


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("player", ["Ada", "Bartholomäus von Hohenstein"])
def test_a_speaker_that_is_muted_is_seen_on_the_page_of_cautions_too(size, player):
    """On a panel of its own, clear of the name; everything else stays."""
    views = [View(0.0, None, scene=Scene.CAUTIONS, player=player, sound_off=off) for off in (False, True)]
    plain, muted = (drawn(view, size) for view in views)
    signs = np.abs(muted.astype(int) - STYLE.alarm).max(axis=2) < 12
    assert signs.mean() > 0.005
    rows, columns = np.nonzero(signs)
    assert rows.max() < 0.25 * size[1]
    changed = np.nonzero((muted != plain).any(axis=2))[0]
    assert changed.max() <= rows.max() + 2
    left = np.abs(muted[: rows.max(), : columns.min()].astype(int) - STYLE.ink).max(axis=2) < 60
    assert columns.min() - np.nonzero(left)[1].max() > 0.01 * size[0]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("goal", ["left corner \N{MIDDLE DOT} 0/4", ""])
def test_whose_turn_it_is_is_read_from_4_m(size, goal):
    """Beside the picture, with spots as well: its capitals as high as those of the goal."""
    one, other = (drawn(View(0.0, None, player=name, goal=goal, title="Station 1"), size) for name in ("HHH", "III"))
    rows = np.nonzero((np.abs(one.astype(int) - other).max(axis=2) > 60).any(axis=1))[0]
    assert rows.max() - rows.min() + 1 >= 0.45 * 0.0625 * min(size)
    whole = (
        drawn(View(0.0, None, player="Ada", goal=of, title="Station 1"), size)
        for of in ("Ada \N{MIDDLE DOT} 1/3", "1/3")
    )
    assert not np.array_equal(*whole)


def test_the_end_stays_calm_and_tells_the_count():
    view = View(0.0, None, count=24, tally="made 15 of 22", status="24 reps saved", cue="Knee deeper", scene=Scene.END)
    image = drawn(view)
    assert share_of(image, STYLE.ink) > 0.02
    assert share_of(image, STYLE.alarm) == 0


@pytest.mark.parametrize("size", SIZES)
def test_the_end_still_shows_the_last_rep(size):
    view = View(0.0, None, count=24, status="24 reps saved", cue="Knee deeper", scene=Scene.END)
    last = View(0.0, None, count=24, status="24 reps saved", cue="Hold it", mark=Mark.OUT_OF_BAND)
    layout = arrange(*size, 1.1)
    low = slice(layout.verdict.y, None)
    shown = drawn(replace(view, mark=Mark.OUT_OF_BAND, prompt="Hold it"), size)
    assert np.array_equal(shown[low], drawn(last, size)[low])
    assert share_of(shown[: layout.bar.y + layout.bar.h], STYLE.ink) > 0.005  # what was saved
    above = slice(layout.picture.y, layout.picture.y + layout.picture.h)
    assert np.array_equal(shown[above], drawn(view, size)[above])  # what changed


@pytest.mark.parametrize("where", ["painter", "view"])
def test_without_photo_nothing_of_the_picture_is_drawn(where):
    """Neither where the setting says so nor where the player may not be shown."""
    pink = np.full((720, 1280, 3), (200, 60, 220), np.uint8)
    shown = drawn(View(0.0, pink))
    hidden = drawn(View(0.0, pink, photo=where != "view"), photo=where != "painter")
    assert share_of(shown, (220, 60, 200)) > 0.2
    assert share_of(hidden, (220, 60, 200)) == 0


@pytest.mark.parametrize(
    ("facts", "minor"),
    [({}, False), ({"minor": True}, True), ({"birth_year": 2000}, False), ({"pictures": True}, False)],
)
def test_who_is_known_as_a_minor_is_shown_without_photo(tmp_path, facts, minor):
    """However the name is spelled; nobody known of that name is no minor."""
    store = open_store(tmp_path)
    store.add_player("Sam", **facts)
    assert is_minor(store, "sam") is minor
    assert not is_minor(store, "Samuel")
    store.close()
