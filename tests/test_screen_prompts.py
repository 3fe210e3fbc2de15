"""Prompts, progress, makes and muted sound on the screen. Pixels are looked at, not calls."""

from __future__ import annotations

import os
from dataclasses import replace

import numpy as np
import pytest

from rimward.live.layout import Box, Layout, arrange
from rimward.live.records import Mark, View
from rimward.live.screen import STYLE, Painter

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame

SIZES = [(1280, 720), (640, 360), (720, 1280)]
REP = View(0.0, None, count=7, cue="Reach into the basket", mark=Mark.OUT_OF_BAND, status="Ready", title="Sam")


def drawn(size: tuple[int, int], **more: object) -> np.ndarray:
    """(height, width, 3) RGB."""
    surface = pygame.Surface(size)
    Painter().draw(surface, replace(REP, **more))
    return pygame.surfarray.array3d(surface).swapaxes(0, 1)


def layout(size: tuple[int, int]) -> Layout:
    """Where things stand; how wide the digits are does not move what is looked at here."""
    return arrange(*size, 1.6)


def share(picture: np.ndarray, box: Box, colour: tuple[int, int, int]) -> float:
    part = picture[box.y : box.y + box.h, box.x : box.x + box.w].astype(int)
    return float((np.abs(part - colour).max(axis=2) < 8).mean())


@pytest.mark.parametrize("size", SIZES)
def test_a_held_signal_fills_a_bar(size: tuple[int, int]) -> None:
    low = layout(size).verdict
    filled = [
        share(drawn(size, prompt="Hold still to pause", progress=p), low, STYLE.accent) for p in (0.1, 0.4, 0.7, 1.0)
    ]
    steps = np.diff(filled)
    assert (steps > 0.02).all()
    assert steps.max() - steps.min() < 0.01  # as much bar as time


@pytest.mark.parametrize("size", SIZES)
def test_a_prompt_takes_the_place_of_the_cue_and_leaves_the_rest(size: tuple[int, int]) -> None:
    before, after = drawn(size), drawn(size, prompt="Paused. Both arms up wide: go on")
    where = layout(size)
    assert share(before, where.verdict, STYLE.alarm) > 0.005
    assert share(after, where.verdict, STYLE.alarm) == 0
    assert share(after, where.verdict, STYLE.ink) > 0.01
    changed = np.abs(before.astype(int) - after).max(axis=2) > 0
    changed[where.verdict.y :] = False
    changed[: where.bar.y + where.bar.h] = False  # the state is said small meanwhile
    assert not changed.any()


@pytest.mark.parametrize("size", SIZES)
def test_sound_that_is_off_is_seen_at_once(size: tuple[int, int]) -> None:
    bar = layout(size).bar
    assert share(drawn(size), bar, STYLE.alarm) == 0
    assert share(drawn(size, sound_off=True), bar, STYLE.alarm) > 0.1


@pytest.mark.parametrize("size", SIZES)
def test_makes_stand_below_the_count_once_any_is_known(size: tuple[int, int]) -> None:
    where = layout(size)
    below = Box(where.count.x, where.count.y + where.count.h // 2, where.count.w, where.count.h // 2)
    assert share(drawn(size), below, STYLE.accent) == 0
    assert share(drawn(size, tally="made 6 of 8"), below, STYLE.accent) > 0.005
