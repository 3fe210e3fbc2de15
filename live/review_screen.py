"""The window of the review: a rep frame by frame, alone, beside another one or with another one laid on it.

`ReviewPainter` draws the desk on any surface, so that it is tested without a screen. `ReviewWindow` turns keys into the
desk's actions and runs on the main thread.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from .annotate import OTHER, Picture, annotated
from .desk import ACTIONS, SPEED, Cell, Desk, Said, cue_of, fitting, rows
from .figure import Figure, Region, Take, figure, moved, overlaid, region
from .layout import Box
from .overlay import Colour
from .records import ImageArray, Mark
from .screen import Brush, Display
from .timeline import STOPS, stops

if TYPE_CHECKING:
    import pygame

KEYS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "forward": ("right",),
        "back": ("left",),
        "play": ("space",),
        "dip": ("d",),
        "set": ("s",),
        "release": ("r",),
        "landing": ("l",),
        "next": ("down", "page down"),
        "previous": ("up", "page up"),
        "next_out": ("x",),
        "previous_out": ("shift+x",),
        "compare": ("tab",),
        "other": ("o",),
        "good": ("g",),
        "bad": ("b",),
        "note": ("n",),
        "measures": ("m",),
        "picture": ("p",),
        "keep": ("e",),
        "fullscreen": ("f",),
        "keys": ("h", "?"),
        "quit": ("q", "escape"),
    }
)
"""Names of the keys (pygame's) of each action, with "shift+" before the name where Shift is held."""
_WINDOW_WORDS = {"fullscreen": "full screen", "keys": "show or hide the keys", "quit": "end"}
KEY_TABLE: Final = tuple(
    (
        " or ".join("+".join(part.capitalize() for part in key.split("+")) for key in keys),
        (ACTIONS | _WINDOW_WORDS)[action],
    )
    for action, keys in KEYS.items()
)
_MARKS = {True: (Mark.IN_BAND, "GOOD"), False: (Mark.OUT_OF_BAND, "NOT GOOD")}
_FPS: Final = 60
_HINT: Final = " \N{MIDDLE DOT} ".join(
    ("G good", "B not good", "N note", "X next out of band", "Tab compare", "H keys"),
)
_VALUES: Final = 0.032
"""Largest size of the values, in window heights..."""
_LEAST_PX: Final = 14.0
"""...and the least, in pixels, to which they shrink so that all are shown."""
_GAP: Final = 0.45
"""Between two values, in lines."""


@dataclass(frozen=True, slots=True)
class _Layout:
    margin: int
    bar: Box
    stage: Box
    """Where the pictures are."""
    time: Box
    side: Box
    foot: Box


def _arrange(width: int, height: int) -> _Layout:
    """Pictures with the values beside them (narrow windows: below), time under the pictures, words along the foot."""
    margin = max(6, round(0.02 * min(width, height)))
    inner = width - 2 * margin
    bar = Box(margin, margin // 2, inner, round(0.055 * height))
    top = bar.y + bar.h + margin // 2
    foot_h, time_h = round(0.11 * height), round(0.07 * height)
    foot = Box(margin, height - margin - foot_h, inner, foot_h)
    if width >= 1.2 * height:
        side_w = round(0.25 * inner)
        stage = Box(margin, top, inner - side_w - margin, foot.y - 2 * margin - time_h - top)
        side = Box(stage.x + stage.w + margin, top, side_w, foot.y - margin - top)
    else:
        stage = Box(margin, top, inner, min(round(0.62 * height), round(inner * 9 / 16)))
        below = stage.y + stage.h + 2 * margin + time_h
        side = Box(margin, below, inner, foot.y - margin - below)
    return _Layout(margin, bar, stage, Box(stage.x, stage.y + stage.h + margin, stage.w, time_h), side, foot)


class ReviewPainter(Brush):
    """Draws the desk."""

    def draw(self, surface: pygame.Surface, desk: Desk, picture: Picture, *, keys: bool = False) -> None:
        """Draw everything; `picture` gives the film's frames."""
        surface.fill(self._style.ground)
        layout = _arrange(*surface.get_size())
        shown = picture if desk.picture else _no_picture
        self._draw_bar(surface, layout, desk)
        if desk.mode == "beside" and desk.second is not None:
            half = (layout.stage.w - layout.margin) // 2
            left = Box(layout.stage.x, layout.stage.y, half, layout.stage.h)
            right = Box(layout.stage.x + layout.stage.w - half, layout.stage.y, half, layout.stage.h)
            self._draw_take(surface, left, desk.take, self._figure(desk, desk.take, desk.sample), desk.sample, shown)
            self._draw_second(surface, right, desk, desk.second, shown)
        else:
            drawn = self._figure(desk, desk.take, desk.sample)
            if desk.mode == "over" and desk.second is not None and desk.placement is not None:
                drawn = overlaid(drawn, desk.second, desk.second_sample, desk.placement)
            self._draw_take(surface, layout.stage, desk.take, drawn, desk.sample, shown)
        self._draw_time(surface, layout.time, desk)
        self._draw_values(surface, layout.side, desk)
        self._draw_foot(surface, layout, desk)
        if keys:
            self._draw_keys(surface, KEY_TABLE)

    @staticmethod
    def _figure(desk: Desk, take: Take, k: int) -> Figure:
        return figure(take, k, measured=desk.measures)

    def _draw_bar(self, surface: pygame.Surface, layout: _Layout, desk: Desk) -> None:
        bar, style = layout.bar, self._style
        middle = bar.y + bar.h // 2
        words = desk.take.title
        share = 0.8 if desk.second is None else 0.45
        size, (left,) = self._fit(words, share * bar.w, bar.h, 1, 0.8 * bar.h)
        self._write(surface, left, size, style.accent if desk.mode != "one" else style.ink, bar.x, middle, middle=True)
        right = f"{desk.current + 1} of {len(desk.takes)}"
        colour: Colour = style.quiet
        if desk.second is not None:
            on = "on it: " if desk.mode == "over" else ""
            right, colour = f"{on}{desk.second.title}", OTHER
        size, (right,) = self._fit(right, (0.9 - share) * bar.w, bar.h, 1, 0.8 * bar.h)
        self._write(surface, right, size, colour, bar.x + bar.w, middle, right=True, middle=True)

    def _draw_second(self, surface: pygame.Surface, area: Box, desk: Desk, second: Take, picture: Picture) -> None:
        k = desk.second_sample
        if k is None:
            self._draw_panel(surface, area, self._style.panel)
            words = "Not watched so long " + ("before" if desk.head.now_s < desk.take.rep.events.release_s else "after")
            self._words_in(surface, f"{words} its release", area.inset(area.w // 10), self._style.quiet, 3, centre=True)
            return
        self._draw_take(surface, area, second, self._figure(desk, second, k), k, picture)

    def _draw_take(
        self, surface: pygame.Surface, area: Box, take: Take, drawn: Figure, k: int, picture: Picture
    ) -> None:
        box, image, source = area.holding(*take.trace.size), picture(take, k), take.trace.size
        if box.h < 0.8 * area.h:  # the whole picture would be a small one: the player's part of it
            part = region(take, area.w, area.h)
            image = None if image is None else _cut(image, part, self._style.panel)
            box, source, drawn = area, (part.w, part.h), moved(drawn, -part.x, -part.y)
        surface.fill(self._style.panel, (area.x, area.y, area.w, area.h))
        canvas = annotated(image, drawn, source, (box.w, box.h), style=self._style)
        surface.blit(self._picture_surface(canvas), (box.x, box.y))
        self._round_corners(surface, area)

    def _draw_time(self, surface: pygame.Surface, box: Box, desk: Desk) -> None:
        """A line with the stops on it, and where one is."""
        style, take = self._style, desk.take
        t_s, release_s = take.t_s, take.rep.events.release_s
        thick = max(3, box.h // 10)
        y = box.y + box.h // 4
        span = max(float(t_s[-1] - t_s[0]), 1e-9)

        def x(instant_s: float) -> int:
            return box.x + round((instant_s - float(t_s[0])) / span * (box.w - 1))

        surface.fill(style.faint, (box.x, y - thick // 2, box.w, thick))
        now = x(desk.head.now_s)
        surface.fill(style.accent, (box.x, y - thick // 2, now - box.x, thick))
        size, last = 0.42 * box.h, -box.w
        for name, k in sorted(stops(take.rep.events, t_s).items(), key=lambda stop: stop[1]):
            here = x(float(t_s[k]))
            reached = t_s[k] <= desk.head.now_s + 1e-6
            surface.fill(style.accent if reached else style.quiet, (here - 1, y - box.h // 5, 3, 2 * box.h // 5))
            words = STOPS[name]
            wide = round(self._advance(words) * size)
            left = min(max(here - wide // 2, box.x), box.x + box.w - wide)
            if left > last:  # words that would lie on others are left out: the tick is there
                self._write(surface, words, size, style.quiet, left, box.y + box.h // 2)
                last = left + wide + round(0.6 * size)
        knob = self._shape("dot", round(0.45 * box.h), style.ink)
        surface.blit(knob, (now - knob.get_width() // 2, y - knob.get_height() // 2))
        words = f"{float(t_s[desk.sample]) - release_s:+.2f} s"
        if desk.head.playing:
            words += f"  at {SPEED:g}x"
        wide = round(self._advance(words) * size)
        left = min(max(now - wide // 2, box.x), box.x + box.w - wide)
        self._write(surface, words, size, style.ink, left, box.y + box.h - round(0.16 * box.h))

    def _draw_values(self, surface: pygame.Surface, box: Box, desk: Desk) -> None:
        """What was said, then name and value with its error; in comparison the second rep's below in its colour."""
        style, line = self._style, self._line
        self._draw_panel(surface, box, style.panel)
        inner = box.inset(max(6, box.w // 22))
        takes = [desk.take] if desk.second is None else [desk.take, desk.second]
        colours = (style.ink,) if len(takes) == 1 else (style.accent, OTHER)
        listed = rows(takes)
        if not listed:
            self._words_in(surface, "Nothing could be measured in this view", inner, style.quiet, 4)
            return
        cue_lines, value_lines = 1 + 2 * len(takes) + _GAP, 1 + len(takes) + _GAP
        most_lines = cue_lines + value_lines * max(1, sum(row.out for row in listed)) + 1  # and the hint
        largest = min(_VALUES * surface.get_height(), inner.w / 13, inner.h / (line * most_lines))
        # smaller where all would fit then, but never too small to be read at the table
        all_lines = cue_lines + value_lines * len(listed)
        size = min(largest, max(_LEAST_PX, inner.h / (line * all_lines)))
        y = float(inner.y)
        self._write(surface, "Cue or praise", 0.85 * size, style.quiet, inner.x, round(y))
        y += 0.95 * line * size
        for take, colour in zip(takes, colours, strict=True):
            small, lines = self._fit(cue_of(take.rep) or "none", inner.w, 2 * line * size, 2, size)
            for words in lines:
                self._write(surface, words, small, colour, inner.x, round(y))
                y += line * small
        y += (0.05 + _GAP) * line * size
        room = max(1, int((inner.y + inner.h - y + _GAP * line * size) / (value_lines * line * size)))
        hidden = len(listed) - room
        if hidden > 0:  # the hint takes a place of its own
            hint_h = 0.85 * line * size
            room = max(1, int((inner.y + inner.h - hint_h - y + _GAP * line * size) / (value_lines * line * size)))
            hidden = len(listed) - room
            words = f"+ {hidden} more in a larger window (F)"
            small, (words,) = self._fit(words, inner.w, hint_h, 1, 0.85 * size)
            self._write(surface, words, small, style.quiet, inner.x, round(inner.y + inner.h - hint_h))
        for row in fitting(listed, room):
            self._write(surface, row.label, 0.85 * size, style.quiet, inner.x, round(y))
            for i, (cell, colour) in enumerate(zip(row.cells, colours, strict=True)):
                place = Box(inner.x, round(y + (i + 0.95) * line * size), inner.w, round(line * size))
                self._draw_cell(surface, place, cell, size, colour)
            y += value_lines * line * size

    def _draw_cell(self, surface: pygame.Surface, place: Box, cell: Cell, size: float, colour: Colour) -> None:
        """A value, and behind it the sign and the word for what is the matter."""
        style = self._style
        signs = {Mark.OUT_OF_BAND: style.alarm, Mark.UNSURE: style.quiet}
        if cell.mark is Mark.OUT_OF_BAND and colour == style.ink:  # in comparison the colour tells whose value it is
            colour = style.alarm
        self._write(surface, cell.words, size, colour, place.x, place.y)
        if cell.mark is None or cell.mark not in signs:
            return
        marked = signs[cell.mark]
        side, gap = round(0.8 * place.h), round(0.3 * size)
        middle = place.y + place.h // 2
        left = place.x + round(self._advance(cell.words) * size) + gap
        surface.blit(self._shape(cell.mark.value, side, marked), (left, middle - side // 2))
        left += side + gap
        small, (words,) = self._fit(cell.fault, place.x + place.w - left, place.h, 1, size)
        self._write(surface, words, small, marked, left, middle, middle=True)

    def _draw_foot(self, surface: pygame.Surface, layout: _Layout, desk: Desk) -> None:
        style, foot = self._style, layout.foot
        self._draw_panel(surface, foot, style.panel)
        inner = foot.inset(max(6, foot.h // 7))
        largest = 0.05 * surface.get_height()
        if desk.typing is not None:
            self._draw_panel(surface, foot, style.accent)
            self._draw_panel(surface, foot.inset(3), style.panel)
            hint = "Enter keeps, Escape leaves it"
            wide = round(self._advance(hint) * 0.5 * largest) + layout.margin
            self._write(surface, hint, 0.5 * largest, style.quiet, inner.x + inner.w, inner.y, right=True)
            room = Box(inner.x, inner.y, inner.w - wide, inner.h)
            self._words_in(surface, f"{desk.typing}_", room, style.ink, 3, largest=largest)
            return
        remark, left = desk.remark, inner.x
        if remark.good is not None:
            shape, words = _MARKS[remark.good]
            colour = style.accent if remark.good else style.alarm
            surface.blit(self._shape(shape.value, inner.h, colour), (left, inner.y))
            left += inner.h + layout.margin
            size = min(0.5 * inner.h, largest)
            self._write(surface, words, size, colour, left, inner.y + inner.h // 2, middle=True)
            left += round(self._advance(words) * size) + 2 * layout.margin
        rest = Box(left, inner.y, inner.x + inner.w - left, inner.h)
        said = desk.words or remark.note
        if said:
            colour = style.alarm if desk.words else style.ink
            self._words_in(surface, said, rest, colour, 3, largest=largest)
        else:
            size, (hint,) = self._fit(_HINT, rest.w, rest.h, 1, 0.7 * largest)
            self._write(surface, hint, size, style.quiet, rest.x, rest.y + rest.h // 2, middle=True)


def _cut(image: ImageArray, part: Region, ground: Colour) -> ImageArray:
    """A part of a picture; what lies beside the picture is plain."""
    height, width = image.shape[:2]
    out: ImageArray = np.empty((part.h, part.w, 3), np.uint8)
    out[:] = ground[::-1]
    x0, y0 = max(0, part.x), max(0, part.y)
    x1, y1 = min(width, part.x + part.w), min(height, part.y + part.h)
    if x0 < x1 and y0 < y1:
        out[y0 - part.y : y1 - part.y, x0 - part.x : x1 - part.x] = image[y0:y1, x0:x1]
    return out


def _no_picture(take: Take, k: int) -> None:
    return None


class ReviewWindow:
    """Made, run and closed on the main thread. Raises DisplayError when there is no screen."""

    def __init__(self, title: str = "Rimward review", *, full_screen: bool = False) -> None:
        self._display = Display(title, full_screen=full_screen, instead="--annotate and --pictures work without one")
        import pygame

        self._pygame = pygame
        self._painter = ReviewPainter()
        self._action_of = {key: action for action, keys in KEYS.items() for key in keys}
        self._keys_shown = False

    def run(
        self,
        desk: Desk,
        picture: Picture,
        keep: Callable[[Said], str],
        keep_pictures: Callable[[Take], str],
        stop: threading.Event,
    ) -> None:
        """Draw and read keys until the person ends, or `stop` is set.

        `keep` is called with what the coach says of a rep, at once; `keep_pictures` writes a rep's key pictures. Both
        return words for the person, empty when there is nothing to say.
        """
        pygame = self._pygame
        pygame.key.set_repeat(350, 40)  # a held arrow walks on
        changed, last_s = True, time.monotonic()
        while not stop.is_set():
            event = pygame.event.wait(1000 // _FPS if desk.head.playing else 100)
            for one in [] if event.type == pygame.NOEVENT else [event, *pygame.event.get()]:
                changed = True
                if not self._handle(one, desk, keep, keep_pictures):
                    return
            now_s = time.monotonic()
            before = desk.sample
            desk.pass_time(now_s - last_s)
            last_s = now_s
            if changed or desk.sample != before:
                changed = False
                self._painter.draw(self._display.surface, desk, picture, keys=self._keys_shown)
                pygame.display.flip()

    def close(self) -> None:
        """Close the window; may be called twice."""
        self._display.close()

    def _handle(
        self,
        event: pygame.event.Event,
        desk: Desk,
        keep: Callable[[Said], str],
        keep_pictures: Callable[[Take], str],
    ) -> bool:
        """What the person did; False when they end."""
        pygame = self._pygame
        if event.type == pygame.QUIT:
            return False
        if event.type == pygame.VIDEORESIZE:
            self._display.resized(event.w, event.h)
        if event.type != pygame.KEYDOWN:
            return True
        name = pygame.key.name(event.key)
        if desk.typing is not None:
            said = _typed(desk, name, event.unicode)
            if said is not None:
                desk.words = keep(said)
            return True
        # "?" is no key of its own on most keyboards, only a character
        action = self._action_of.get(name) or self._action_of.get(event.unicode)
        if event.mod & pygame.KMOD_SHIFT:
            action = self._action_of.get(f"shift+{name}", action)
        if action == "quit":
            if not self._keys_shown or name == "q":
                return False
            self._keys_shown = False
        elif action == "keys":
            self._keys_shown = not self._keys_shown
        elif action == "fullscreen":
            self._display.toggle_full_screen()
        elif action == "keep":
            desk.words = keep_pictures(desk.take)
        elif action is not None:
            said = desk.act(action)
            if said is not None:
                desk.words = keep(said)
        return True


def _typed(desk: Desk, name: str, letters: str) -> Said | None:
    """A key while a note is written."""
    if name in ("return", "enter"):
        return desk.finish_note(keep=True)
    if name == "escape":
        return desk.finish_note(keep=False)
    if name == "backspace":
        desk.erase()
    else:
        desk.type_text(letters)
    return None
