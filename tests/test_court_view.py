"""What a calibrated practice shows: the court on request, and what is said after the camera was moved."""

from dataclasses import replace

import numpy as np
import pytest
from calibration_scenes import BEHIND

from rimward.calibration.court_overlay import court_overlay
from rimward.live.assets import english
from rimward.live.court_view import CourtView
from rimward.live.records import View
from rimward.live.screen import KEYS, Painter
from rimward.live.words import text

SPOT = np.array([0.2, -4.3])


def view(t_s: float = 10.0, **changes: object) -> View:
    start = View(t_s, np.full((720, 1280, 3), 120, np.uint8), status="Tracking", cue="Start with your legs")
    return replace(start, **changes)  # type: ignore[arg-type]


def test_the_court_comes_and_goes_on_request() -> None:
    court = CourtView(BEHIND, english())
    assert court.dressed(view()).guides == ()
    court.toggle()
    shown = court.dressed(view(), SPOT).guides
    expected = court_overlay(BEHIND, SPOT)
    assert len(shown) == len(expected)
    assert all(np.array_equal(a, b) for a, b in zip(shown, expected, strict=True))
    court.toggle()
    assert court.dressed(view()).guides == ()


def test_the_line_to_the_hoop_follows_the_shooter() -> None:
    court = CourtView(BEHIND, english())
    court.toggle()
    without = court.dressed(view()).guides
    first = court.dressed(view(), SPOT).guides
    a_little = court.dressed(view(), SPOT + 0.02).guides
    elsewhere = court.dressed(view(), SPOT + 0.5).guides
    assert len(first) == len(without) + 1
    assert a_little is first  # not drawn anew for a sway
    assert not np.array_equal(elsewhere[-1], first[-1])
    assert len(court.dressed(view(), np.array([np.nan, np.nan])).guides) == len(without)


def test_a_moved_camera_is_said_big_then_small_and_nothing_is_trusted_until_confirmed() -> None:
    court = CourtView(BEHIND, english())
    assert court.trusted
    court.moved(20.0)
    assert not court.trusted
    at_once, later = [court.dressed(view(t_s)) for t_s in (20.1, 23.0, 40.0)][::2]
    assert (at_once.status, at_once.trouble) == (text(english(), "moved"), True)
    assert (later.status, later.trouble) == (text(english(), "moved"), False)
    assert at_once.guides  # so that a person sees whether it still fits
    assert later.guides
    court.moved(39.0)  # said once more by the detection: no news
    assert not court.dressed(view(40.0)).trouble
    court.confirm()
    assert court.trusted
    assert court.dressed(view(41.0)).status == "Tracking"
    assert court.dressed(view(41.0)).guides == ()


def test_another_trouble_goes_first() -> None:
    """But the lines are not left without a word, and the words come back large for as long as they stand alone."""
    court = CourtView(BEHIND, english())
    court.moved(20.0)
    for t_s in (21.0, 60.0):
        shown = court.dressed(view(t_s, status="I cannot see you", trouble=True))
        assert (shown.status, shown.notice) == ("I cannot see you", text(english(), "moved"))
    large = [court.dressed(view(t_s)).trouble for t_s in (61.0, 64.0, 66.9, 67.1)]
    assert large == [True, True, True, False]
    assert court.dressed(view(68.0)).notice == ""


def test_without_a_calibration_nothing_changes() -> None:
    court = CourtView(None, english())
    court.toggle()
    court.moved(1.0)
    plain = view()
    assert court.dressed(plain) is plain
    assert not court.trusted


def test_its_actions_have_keys_of_their_own() -> None:
    assert KEYS["court"] == ("c",)
    assert KEYS["still_fits"] == ("k",)
    every = [key for keys in KEYS.values() for key in keys]
    assert len(every) == len(set(every))


@pytest.mark.parametrize("size", [(1280, 720), (640, 360)])
def test_the_screen_draws_the_guides_inside_the_picture(size: tuple[int, int]) -> None:
    import pygame

    court = CourtView(BEHIND, english())
    court.toggle()
    painter = Painter()
    images = []
    for shown in (view(), court.dressed(view(), SPOT)):
        surface = pygame.Surface(size, 0, 32)
        painter.draw(surface, shown)
        images.append(pygame.surfarray.array3d(surface).transpose(1, 0, 2).astype(int))
    ys, xs = np.nonzero(np.abs(images[0] - images[1]).max(axis=2) > 60)
    assert len(xs) > 100
    assert xs.max() < 0.75 * size[0]
    assert ys.max() < 0.72 * size[1]
