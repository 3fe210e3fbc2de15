"""The window for a person 4 m away: picture, count, sign and words of the last rep, state. It only draws.

`Painter` draws a view on any surface, so that it is tested without a screen. `Window` owns the screen and the keys and
runs on the main thread, as the window systems demand.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .assets import english
from .brush import BGRX, STYLE, Brush, Style
from .errors import DisplayError
from .gestures import Gesture
from .layout import COUNT_HEIGHT, Box, Layout, arrange
from .overlay import Colour, Ink, draw_guides, draw_people, scaled
from .records import ImageArray, Mark, Phase, Scene, View
from .scenes import READABLE, Scenes, column, mixed
from .words import Words, count_of_reps, text

if TYPE_CHECKING:
    import pygame

__all__ = [
    "KEYS",
    "STYLE",
    "WINDOW_ACTIONS",
    "Brush",
    "Display",
    "Painter",
    "Style",
    "Window",
    "arm_table",
    "key_table",
    "screen_available",
]

KEYS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "pause": ("space",),
        "good": ("g", "page up"),
        "made": ("1",),
        "missed": ("0",),
        "tell": ("t",),
        "discard": ("backspace", "page down"),
        "restore": ("u",),
        "next": ("n", "b", "."),
        "same": ("y",),
        "mute": ("m",),
        "court": ("c",),
        "still_fits": ("k",),
        "fullscreen": ("f",),
        "keys": ("h", "?"),
        "quit": ("q", "escape"),
    }
)
"""Names of the keys (pygame's) of each action; the page keys are those of a presenter remote."""

WINDOW_ACTIONS = ("fullscreen", "keys", "quit")
"""What the window can do by itself."""

_LEAST_LETTERS = 4
"""Less of a name tells nothing."""
_GAP = 0.45
"""Room between two sentences of the splash, in sizes of its letters."""
_PHASES = tuple(phase for phase in Phase if phase is not Phase.WAITING)
_DIMMED = 0.4
_NO_PICTURE_SIZE = (1280, 720)
_FPS = 60
_DOT = " \N{MIDDLE DOT} "
"""Between the parts of a title."""
_NOTES = 0.042
"""Largest size of the values for the coach who stands near, in window heights."""
_LEAST_NOTES = 0.03
"""Values that would be smaller for want of height are left out, the last ones first."""
_LONG = 1.5
"""A note so many times as long as the middle one is broken."""
_BELOW = 0.10
"""Height of the makes below the count, in window heights."""


class Painter(Scenes):
    """Draws views.

    With `photo` False the picture is left out and only the skeleton and the ball are drawn.
    """

    def __init__(self, words: Words | None = None, style: Style = STYLE, *, photo: bool = True) -> None:
        """`words` are those of a language; None: English."""
        super().__init__(english() if words is None else words, style)
        self._photo = photo
        self._still = self._pygame.Surface((1, 1), 0, 32, BGRX)
        self._still_shown: tuple[object, ...] = ()
        self._digit = self._trimmed("0", 200, style.ink).get_height() / 200
        self._ink = Ink(style.accent, style.quiet, style.ink, style.ink, style.outline)

    # ---- what can be drawn

    def draw(
        self,
        surface: pygame.Surface,
        view: View,
        keys: Sequence[tuple[str, str]] = (),
        arms: Sequence[tuple[str, str]] = (),
        *,
        over_last: bool = False,
    ) -> Box:
        """Draw the practice screen, with tables of keys and arm signals and what they do over it when `keys` is not
        empty.

        `over_last` promises that `surface` still shows what the last call drew. Returns the part that was drawn.
        """
        width, height = surface.get_size()
        count = str(view.count)
        # room for two digits from the start: the picture must not jump at the tenth rep
        layout = arrange(width, height, self._advance("0" * max(2, len(count))) / self._digit)
        changed = self._draw_still(surface, layout, view, count)
        if over_last and not changed and not keys:
            drawn = layout.moving
        else:
            drawn = Box(0, 0, width, height)
            surface.blit(self._still, (0, 0))
        if view.scene not in (Scene.STATION, Scene.CAUTIONS, Scene.END):
            self._draw_picture(surface, layout.picture, view)
            self._draw_phases(surface, layout.phases, view.phase)
        if keys:
            self.draw_help(surface, keys, arms)
        return drawn

    def _draw_still(self, surface: pygame.Surface, layout: Layout, view: View, count: str) -> bool:
        """Draw and keep all but the picture, which alone changes at every frame. Returns whether anything is new."""
        words = (
            view.title,
            view.notice,
            view.player,
            view.goal,
            view.status,
            view.cue,
            view.lines,
            view.prompt,
            view.tally,
        )
        others = (view.scene, view.advice, view.board, view.clock)
        shown = (layout, words, view.trouble, view.count, view.mark, view.progress, view.sound_off, others)
        if shown == self._still_shown:
            return False
        if self._still.get_size() != surface.get_size():
            self._still = self._pygame.Surface(surface.get_size(), 0, surface)
        if view.scene is Scene.CAUTIONS:
            cautions = self._table.get(("screen", "cautions"), ())
            self.draw_splash(self._still, view.player, cautions, sound_off=view.sound_off)
        else:
            self._still.fill(self._style.ground)
            self._draw_bar(self._still, layout, view)
            self._draw_parts(self._still, layout, view, count)
            self._draw_verdict(self._still, layout, view)
        self._still_shown = shown
        return True

    def _draw_parts(self, surface: pygame.Surface, layout: Layout, view: View, count: str) -> None:
        """What stands beside or in place of the picture."""
        if view.scene is Scene.SET_UP:
            self.draw_checklist(surface, layout, view.advice)
        elif view.board and view.scene in (Scene.STATION, Scene.END):
            self.draw_upper(surface, layout, view)
        elif view.scene is Scene.REST and view.clock is not None:
            reps = count_of_reps(self._table, view.count)
            below = f"{reps}, {view.tally}" if view.tally else reps
            self.draw_clock(surface, column(layout), view.clock, below)
        else:
            # a goal of the player's own goes by the name already
            player = "" if view.goal.startswith(f"{view.player}{_DOT}") else view.player
            layout = _with_room(layout, surface.get_height(), view.goal or player, view.tally)
            self._draw_count(surface, layout, count, view.tally)
            self._draw_notes(surface, layout.notes, player, view.goal, view.lines)
            if view.scene is Scene.END:
                self.draw_end(surface, layout, view)

    def draw_splash(
        self, surface: pygame.Surface, title: str, lines: Sequence[str], foot: str = "", *, sound_off: bool = False
    ) -> None:
        """Draw a title, sentences that everybody should read, and a small line below; `sound_off`: the sign for that
        beside the title.
        """
        style = self._style
        width, height = surface.get_size()
        surface.fill(style.ground)
        margin = round(0.07 * min(width, height))
        inner = Box(margin, margin, width - 2 * margin, height - 2 * margin)
        title_size = min(0.11 * height, 0.13 * width)
        title_w = inner.w
        if sound_off:
            sign_h = round(0.65 * title_size)
            sign_w = round(sign_h * (0.6 * self._advance(text(self._table, "sound_off")) + 1.0))
            sign_y = inner.y + round(0.5 * (self._line * title_size - sign_h))
            self._draw_sound_off(surface, Box(inner.x + inner.w - sign_w, sign_y, sign_w, sign_h))
            title_w -= sign_w + sign_h
        self._write(surface, self._cut(title, title_size, title_w), title_size, style.ink, inner.x, inner.y)
        line_y = inner.y + round(1.25 * title_size)
        surface.fill(style.accent, (inner.x, line_y, round(1.2 * title_size), max(3, round(0.09 * title_size))))
        foot_size = 0.042 * min(height, width)
        top = line_y + round(0.5 * title_size)
        room = inner.y + inner.h - round(2 * foot_size) - top
        indent = round(0.06 * min(width, height))
        each = room / max(1, len(lines))
        fits = [self._fit(line, inner.w - indent, round(0.86 * each), 3, 0.085 * height) for line in lines]
        size = min((size for size, _ in fits), default=0)
        while sum(self._taken(line, inner.w - indent, size) for line in lines) > room:
            size *= 0.97
        y = float(top)
        for line in lines:
            _, parts = self._wrap(line, inner.w - indent, size)
            dot = self._shape("dot", max(4, round(0.36 * size)), style.accent)
            surface.blit(dot, (inner.x, round(y + (0.5 * self._line - 0.18) * size)))
            for part in parts:
                self._write(surface, part, size, style.ink, inner.x + indent, round(y))
                y += self._line * size
            y += _GAP * size
        if foot:
            self._write(surface, foot, foot_size, style.quiet, inner.x, inner.y + inner.h - round(1.2 * foot_size))

    def _taken(self, line: str, width: int, size: float) -> float:
        """The height of a sentence of the splash, and of the room below it."""
        return (self._line * len(self._wrap(line, width, size)[1]) + _GAP) * size

    # ---- parts of the practice screen

    def _draw_bar(self, surface: pygame.Surface, layout: Layout, view: View) -> None:
        bar, style = layout.bar, self._style
        title_w = round(0.4 * bar.w)
        if view.sound_off:
            box = Box(bar.x + bar.w - title_w, bar.y, title_w, bar.h)
            self._draw_sound_off(surface, box)
        elif view.title or view.goal:
            readable = min(0.9 * bar.h, READABLE * min(surface.get_size()))
            title = self._title(view, title_w / readable)
            size, _ = self._fit(title, title_w, bar.h, 1, readable)
            self._write(surface, title, size, style.quiet, bar.x + bar.w, bar.y + bar.h // 2, right=True, middle=True)
        room = bar.w - title_w - 2 * layout.margin
        if view.notice:
            size, (line,) = self._fit(view.notice, room, bar.h, 1, 0.9 * bar.h)
            self._write(surface, line, size, style.alarm, bar.x, bar.y + bar.h // 2, middle=True)
        elif view.status and (view.prompt or view.scene is Scene.SET_UP or not self._status_is_verdict(view)):
            size, (line,) = self._fit(view.status, room, bar.h, 1, 0.9 * bar.h)
            self._write(surface, line, size, style.ink, bar.x, bar.y + bar.h // 2, middle=True)

    def _draw_sound_off(self, surface: pygame.Surface, box: Box) -> None:
        style, inner = self._style, box.inset(box.h // 8)
        self._draw_panel(surface, box, style.alarm)
        self._words_in(surface, text(self._table, "sound_off"), inner, style.outline, 1, centre=True)

    def _title(self, view: View, width: float) -> str:
        """The title for the bar: names are shortened until it fits at size 1. Where no count is shown the goal, which
        stands beside it, is in the bar as well, and never shortened.
        """
        goal = view.goal if view.scene in (Scene.SET_UP, Scene.REST, Scene.STATION) else ""
        parts = [part for part in view.title.split(_DOT) if part]
        while parts:
            for most in range(max(_LEAST_LETTERS, *map(len, parts)), _LEAST_LETTERS - 1, -1):
                shown = _DOT.join([*(_at_most(part, most) for part in parts), *([goal] if goal else [])])
                if self._advance(shown) <= width:
                    return shown
            parts = parts[1:]
        return goal

    def _draw_picture(self, surface: pygame.Surface, area: Box, view: View) -> None:
        style = self._style
        source = _NO_PICTURE_SIZE if view.image is None else (view.image.shape[1], view.image.shape[0])
        box = area.holding(*source)
        if box.w < area.w or box.h < area.h:
            surface.fill(style.panel, (area.x, area.y, area.w, area.h))
        photo = view.image is not None and self._photo and view.photo
        if view.image is not None and photo:
            canvas = scaled(view.image, box.w, box.h)
            if view.trouble:
                cv2.convertScaleAbs(canvas, canvas, alpha=_DIMMED)
        else:
            canvas = _plain(box.w, box.h, style.panel)
        # to be seen from 4 m, whatever the size of the window; without the photo the skeleton is all there is to see
        thick = max(2.0, (0.015 if photo else 0.021) * box.h)
        draw_guides(canvas, view.guides, source, style.alarm, style.outline, thick=0.3 * thick)
        draw_people(canvas, view.pose, view.ball, source, self._ink, thick=thick)
        surface.blit(self._picture_surface(canvas), (box.x, box.y))
        self._round_corners(surface, area)

    def _draw_phases(self, surface: pygame.Surface, box: Box, phase: Phase) -> None:
        """One step for each phase of the shot, lit up to the present one: shows that the shot is being followed."""
        reached = _PHASES.index(phase) + 1 if phase in _PHASES else 0
        gap = max(2, box.h // 2)
        for i in range(len(_PHASES)):
            left = box.x + i * (box.w + gap) // len(_PHASES)
            right = box.x + (i + 1) * (box.w + gap) // len(_PHASES) - gap
            colour = self._style.accent if i < reached else self._style.faint
            surface.fill(colour, (left, box.y + gap, right - left, box.h - gap))

    def _draw_count(self, surface: pygame.Surface, layout: Layout, count: str, tally: str) -> None:
        style, box = self._style, layout.count
        self._draw_panel(surface, box, style.panel)
        below = round(_BELOW * surface.get_height()) if tally else 0
        room = box.h - 4 * layout.margin - max(0, below - layout.margin)
        size = min(room / self._digit, (box.w - layout.margin) / self._advance(count))
        digits = self._trimmed(count, size, style.ink)
        top = box.y + (box.h - below - digits.get_height()) // 2
        surface.blit(digits, (box.x + (box.w - digits.get_width()) // 2, top))
        if tally:
            foot = Box(box.x, box.y + box.h - below - layout.margin, box.w, below).inset(2)
            self._words_in(surface, tally, foot, style.accent, 1, centre=True)

    def _draw_notes(self, surface: pygame.Surface, box: Box, player: str, goal: str, lines: Sequence[str]) -> None:
        """Whose turn it is, spot and goal, to be read from 4 m; below them values for the coach who stands near."""
        readable = READABLE * min(surface.get_size())
        if player:
            size = max(readable, min(1.2 * readable, box.w / self._advance(player)))
            self._write(surface, self._cut(player, size, box.w), size, self._style.accent, box.x, box.y)
            box = Box(box.x, box.y + round(self._line * size), box.w, box.h - round(self._line * size))
        if goal:
            for most_lines in (1, 2, 3):
                size, broken = self._fit(goal, box.w, box.h, most_lines, 1.2 * readable)
                if size >= readable:
                    break
            for i, line in enumerate(broken):
                self._write(surface, line, size, self._style.ink, box.x, round(box.y + i * self._line * size))
            taken = round(self._line * size * len(broken))
            box = Box(box.x, box.y + taken, box.w, box.h - taken)
        if not lines or box.h < 12 or box.w < 40:
            return
        size, shown = self._notes(lines, box, _NOTES * surface.get_height())
        # where name, goal and makes leave little room: a few that can be read
        least = _LEAST_NOTES * surface.get_height()
        while len(lines) > 1 and size < least and box.h < 1.02 * len(shown) * self._line * size:
            lines = lines[:-1]
            size, shown = self._notes(lines, box, _NOTES * surface.get_height())
        for i, line in enumerate(shown):
            self._write(surface, line, size, self._style.quiet, box.x, round(box.y + i * self._line * size))

    def _notes(self, lines: Sequence[str], box: Box, largest: float) -> tuple[float, list[str]]:
        """One size for all; a line far longer than the others is broken rather than making all of them small."""
        widths = sorted(self._advance(line) for line in lines)
        whole = [width for width in widths if width <= _LONG * widths[len(widths) // 2]]
        largest = min(largest, box.w / whole[-1])
        best: tuple[float, list[str]] = (0.0, [])
        for size in (largest * share for share in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5)):
            broken = [self._wrap(line, box.w, size) for line in lines]
            shown = [part for _, parts in broken for part in parts]
            fits = min(*(got for got, _ in broken), size, box.h / (len(shown) * self._line))
            if fits > best[0]:
                best = fits, shown
        return best

    def _status_is_verdict(self, view: View) -> bool:
        """Whether the status takes the big place: in trouble, and while there is no rep to speak of."""
        if view.scene is Scene.END:
            return view.mark is None
        return view.trouble or (view.mark is None and not view.cue)

    def _draw_verdict(self, surface: pygame.Surface, layout: Layout, view: View) -> None:
        style, box = self._style, layout.verdict
        # at the end the words of the session stand in the picture's place, those of its last rep here
        cue = view.prompt if view.scene is Scene.END else view.cue
        if view.prompt and view.scene is not Scene.END:
            self._draw_panel(surface, box, style.panel)
            inner = box.inset(layout.margin)
            bar_h = 0 if view.progress is None else inner.h // 4
            if view.progress is not None:
                low = Box(inner.x, inner.y + inner.h - bar_h, inner.w, bar_h)
                self._draw_panel(surface, low, style.faint)
                done = max(2 * self._radius(surface), round(view.progress * low.w))
                self._draw_panel(surface, Box(low.x, low.y, done, low.h), style.accent)
            above = Box(inner.x, inner.y, inner.w, inner.h - bar_h - (layout.margin // 2 if bar_h else 0))
            self._words_in(surface, view.prompt, above, style.ink, 2, centre=True)
        elif view.trouble:
            self._draw_panel(surface, box, style.alarm)
            self._draw_sign_and_words(surface, layout, "trouble", style.outline, "", view.status, style.outline, 3)
        elif view.scene is Scene.SET_UP:
            first = view.advice[0] if not view.advice[0].good else view.advice[-1]
            colour = style.accent if first.good else style.alarm
            self._draw_panel(surface, box, mixed(style.panel, colour, 0.16))
            self._draw_sign_and_words(surface, layout, first.sight.value, colour, "", first.words, style.ink, 2)
        elif self._status_is_verdict(view):
            self._draw_panel(surface, box, style.panel)
            self._words_in(
                surface, view.status, box.inset(layout.margin), style.ink, 2, largest=0.15 * surface.get_height()
            )
        elif view.mark is None:
            self._draw_panel(surface, box, style.panel)
            self._words_in(surface, cue or "", box.inset(layout.margin), style.ink, 2)
        else:
            colour = {Mark.IN_BAND: style.accent, Mark.OUT_OF_BAND: style.alarm, Mark.UNSURE: style.quiet}[view.mark]
            words = text(self._table, view.mark.value)
            self._draw_panel(surface, box, mixed(style.panel, colour, 0.16))
            if cue:
                self._draw_sign_and_words(surface, layout, view.mark.value, colour, words, cue, style.ink, 2)
            else:
                self._draw_sign_and_words(surface, layout, view.mark.value, colour, "", words, colour, 1)

    def _draw_sign_and_words(
        self,
        surface: pygame.Surface,
        layout: Layout,
        shape: str,
        colour: Colour,
        caption: str,
        words: str,
        ink: Colour,
        most_lines: int,
    ) -> None:
        """The sign with its small words below on the left, the big words on the right (narrow windows: below)."""
        box = layout.verdict.inset(layout.margin)
        if box.w > 2 * box.h:
            cell = Box(box.x, box.y, min(round(1.3 * box.h), round(0.27 * box.w)), box.h)
            rest = Box(cell.x + cell.w + 2 * layout.margin, box.y, box.w - cell.w - 2 * layout.margin, box.h)
        else:
            cell = Box(box.x, box.y, box.w, round(0.42 * box.h))
            rest = Box(box.x, cell.y + cell.h + layout.margin, box.w, box.h - cell.h - layout.margin)
        caption_h = 0
        if caption:
            size, lines = self._fit(caption, cell.w, round(0.4 * cell.h), 2, 0.23 * cell.h)
            caption_h = round(self._line * size * len(lines)) + round(0.04 * cell.h)
            y = cell.y + cell.h - caption_h + round(0.04 * cell.h)
            for i, line in enumerate(lines):
                self._write(
                    surface, line, size, colour, cell.x + cell.w // 2, round(y + i * self._line * size), centre=True
                )
        side = min(cell.w, cell.h - caption_h)
        sign = self._shape(shape, side, colour)
        surface.blit(sign, (cell.x + (cell.w - side) // 2, cell.y + (cell.h - caption_h - side) // 2))
        self._words_in(surface, words, rest, ink, most_lines, centre=rest.x == box.x)


def _at_most(name: str, letters: int) -> str:
    return name if len(name) <= letters else name[: letters - 1].rstrip() + "\N{HORIZONTAL ELLIPSIS}"


def _with_room(layout: Layout, height: int, goal: str, tally: str) -> Layout:
    """The count as high as it must be, no higher where spot and goal need room below it; beside it there is room."""
    count, notes = layout.count, layout.notes
    if notes.x != count.x:
        return layout
    makes = max(0, round(_BELOW * height) - layout.margin) if tally else 0
    least = round(COUNT_HEIGHT * height) + 4 * layout.margin + makes
    kept = least if goal else max(count.h, least)
    top = count.y + kept + layout.margin // 2
    notes = Box(notes.x, top, notes.w, notes.y + notes.h - top)
    return replace(layout, count=Box(count.x, count.y, count.w, kept), notes=notes)


def _plain(width: int, height: int, colour: Colour) -> ImageArray:
    canvas = np.empty((height, width, 3), np.uint8)
    cv2.rectangle(canvas, (0, 0), (width, height), colour[::-1], cv2.FILLED)
    return canvas


def screen_available() -> bool:
    """Whether there is a screen to open a window on.

    On Linux SDL falls back to a picture in memory when it finds no display server, so a window that opens proves
    nothing there. SDL_VIDEODRIVER set by the user counts as a screen.
    """
    if os.environ.get("SDL_VIDEODRIVER") or sys.platform in ("darwin", "win32"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def key_table(actions: Collection[str], words: Words) -> tuple[tuple[str, str], ...]:
    """Keys and words of these actions (names of KEYS) and of what the window does itself, for the table on screen.

    Raises ValueError for an action that has no key.
    """
    if unknown := set(actions) - set(KEYS):
        raise ValueError(f"actions must be among {', '.join(KEYS)}, got {', '.join(sorted(unknown))}")
    either = text(words, "or")
    return tuple(
        (f" {either} ".join(_key_name(key, words) for key in KEYS[action]), text(words, f"key_{action}"))
        for action in KEYS
        if action in (*actions, *WINDOW_ACTIONS)
    )


def _key_name(key: str, words: Words) -> str:
    """What stands on it: a letter, or a word of the language."""
    name = {".": "full_stop"}.get(key, key.replace(" ", "_"))
    return text(words, f"name_{name}") or key.capitalize()


def arm_table(actions: Collection[str], words: Words) -> tuple[tuple[str, str], ...]:
    """How the arms are held, and what that does, for those of these actions that have a signal."""
    return tuple((text(words, f"arms_{one}"), text(words, f"key_{one}")) for one in Gesture if one in actions)


class Display:
    """The one window of the program, on the main thread. Raises DisplayError when there is no screen.

    `instead` says in that error what works without one.
    """

    def __init__(self, title: str, *, full_screen: bool = False, instead: str = "--headless works without one") -> None:
        if not screen_available():
            raise DisplayError(f"no window: this machine has no screen (DISPLAY is not set); {instead}")
        import pygame

        self._pygame = pygame
        self._full_screen = full_screen
        try:
            pygame.display.init()
            if pygame.display.get_driver() == "offscreen" != os.environ.get("SDL_VIDEODRIVER"):
                raise pygame.error("the display server does not answer")
            pygame.display.set_caption(title)
            # a player who shoots touches neither mouse nor keyboard for long
            pygame.display.set_allow_screensaver(False)
            self._windowed_size = self._first_size()
            self._surface = self._open()
        except pygame.error as error:
            pygame.display.quit()
            raise DisplayError(f"no window can be opened ({error}); {instead}") from error

    @property
    def surface(self) -> pygame.Surface:
        """What is drawn on. A resized window has a new one."""
        self._surface = self._pygame.display.get_surface() or self._surface
        return self._surface

    def resized(self, width: int, height: int) -> None:
        """The person gave the window this size."""
        if not self._full_screen:
            self._windowed_size = (width, height)

    def show_picture(self, image: ImageArray) -> None:
        """A BGR picture scaled to the window, and nothing else."""
        module, surface = self._pygame, self.surface
        picture = module.image.frombuffer(image.tobytes(), image.shape[1::-1], "BGR")
        module.transform.scale(picture.convert(surface), surface.get_size(), surface)
        module.display.flip()
        module.event.pump()

    def toggle_full_screen(self) -> None:
        """Fill the screen, or go back to the window."""
        self._full_screen = not self._full_screen
        self._surface = self._open()

    def close(self) -> None:
        """Close the window; may be called twice. The sound device is left alone."""
        self._pygame.display.quit()

    def _first_size(self) -> tuple[int, int]:
        """Most of the desktop, in the shape of a camera's picture."""
        width, height = self._pygame.display.get_desktop_sizes()[0]
        unit = min(width * 0.85 / 16, height * 0.85 / 9)
        return round(16 * unit), round(9 * unit)

    def _open(self) -> pygame.Surface:
        module = self._pygame
        module.mouse.set_visible(not self._full_screen)
        size, flags = ((0, 0), module.FULLSCREEN) if self._full_screen else (self._windowed_size, module.RESIZABLE)
        surface: pygame.Surface = module.display.set_mode(size, flags)
        return surface


class Window:
    """ports.ViewSink. Made, run and closed on the main thread; only `show` may be called from another one.

    `actions` names what the program does on a key today; other keys do nothing. `signals`: some of them answer to the
    arms as well, which the table of keys shows. The `splash` lines are shown at once,
    for `splash_s` seconds or until a key. `words` are those of a language; None: English. Raises DisplayError when
    there is no screen.
    """

    def __init__(
        self,
        title: str = "Rimward",
        *,
        actions: Collection[str] = (),
        words: Words | None = None,
        splash: Sequence[str] = (),
        splash_s: float = 6.0,
        full_screen: bool = False,
        photo: bool = True,
        signals: bool = True,
        style: Style = STYLE,
    ) -> None:
        self._words = english() if words is None else words
        self._key_table = key_table(actions, self._words)
        self._arm_table = arm_table(actions, self._words) if signals else ()
        allowed = {*actions, *WINDOW_ACTIONS}
        self._action_of = {key: action for action, keys in KEYS.items() if action in allowed for key in keys}
        self._title = title
        self._splash = tuple(splash)
        self._newest: View | None = None
        self._keys_shown = False
        self._display = Display(title, full_screen=full_screen)
        import pygame

        self._pygame = pygame
        self._painter = Painter(self._words, style, photo=photo)
        self._splash_ends_s = time.monotonic() + splash_s if splash else 0.0
        self.splash_over = threading.Event()
        """Set while running, once the splash is gone: what is shown from then on is seen."""
        if splash:
            self._draw(None, over_last=False)  # something to read while the devices get ready

    def show(self, view: View) -> None:
        """Hand over the newest view; older ones that were not drawn are forgotten."""
        self._newest = view

    def run(
        self,
        stop: threading.Event,
        on_key: Callable[[str], None],
        on_drawn: Callable[[View, float], None] = lambda view, began_s: None,
    ) -> None:
        """Draw and read keys until `stop` is set; the person's wish to end sets it as well.

        `on_key` gets the names of actions: those given as `actions`, and "quit". `on_drawn` gets each view that is on
        the screen now, and when its drawing began (time.perf_counter).
        """
        pygame = self._pygame
        drawn: View | str | None = None
        splash_ends_s = self._splash_ends_s
        next_s = 0.0
        while not stop.is_set():
            # wakes at once for a key, else often enough for a new view
            event = pygame.event.wait(8)
            events = [] if event.type == pygame.NOEVENT else [event, *pygame.event.get()]
            for event in events:
                action = self._action(event)
                if action is not None:
                    splash_ends_s = 0.0
                    drawn = None
                if action == "quit":
                    on_key("quit")
                    stop.set()
                elif action == "fullscreen":
                    self._display.toggle_full_screen()
                elif action == "keys":
                    self._keys_shown = not self._keys_shown
                elif action is not None:
                    on_key(action)
                if event.type in (pygame.VIDEORESIZE, pygame.VIDEOEXPOSE):
                    drawn = None
                    if event.type == pygame.VIDEORESIZE:
                        self._display.resized(event.w, event.h)
                elif event.type == pygame.KEYDOWN:
                    splash_ends_s = 0.0
            now = time.monotonic()
            if now < next_s:
                continue
            if now >= splash_ends_s:
                self.splash_over.set()
            view = None if now < splash_ends_s else self._newest
            wanted = "splash" if view is None else view
            if wanted is drawn:
                continue
            began_s = time.perf_counter()
            self._draw(view, over_last=isinstance(drawn, View) and not self._keys_shown)
            if view is not None:
                on_drawn(view, began_s)
            drawn = wanted
            next_s = now + 1 / _FPS

    def stay(self, view: View, stop: threading.Event, seconds: float) -> None:
        """Show one view until a key, for `seconds` at most, or until `stop` is set."""
        pygame, until_s = self._pygame, time.monotonic() + seconds
        pygame.event.clear()
        wanted = True
        while not stop.is_set() and time.monotonic() < until_s:
            if wanted:
                self._keys_shown = False
                self._draw(view, over_last=False)
            event = pygame.event.wait(50)
            if event.type in (pygame.KEYDOWN, pygame.QUIT):
                return
            if event.type == pygame.VIDEORESIZE:
                self._display.resized(event.w, event.h)
            wanted = event.type in (pygame.VIDEORESIZE, pygame.VIDEOEXPOSE)

    def close(self) -> None:
        """Close the window; may be called twice. The sound device is left alone."""
        self._display.close()

    def _draw(self, view: View | None, *, over_last: bool) -> None:
        surface = self._display.surface
        if view is None:
            self._painter.draw_splash(surface, self._title, self._splash, text(self._words, "splash"))
            self._pygame.display.flip()
        else:
            keys, arms = (self._key_table, self._arm_table) if self._keys_shown else ((), ())
            box = self._painter.draw(surface, view, keys, arms, over_last=over_last)
            self._pygame.display.update((box.x, box.y, box.w, box.h))

    def _action(self, event: pygame.event.Event) -> str | None:
        if event.type == self._pygame.QUIT:
            return "quit"
        if event.type != self._pygame.KEYDOWN:
            return None
        # "?" is no key of its own on most keyboards, only a character
        return self._action_of.get(self._pygame.key.name(event.key)) or self._action_of.get(event.unicode)
