"""The screens around the practice: set-up, rest, station, end. They share its look and its places."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Final

from .brush import STYLE, Brush, Style
from .layout import Box, Layout
from .overlay import Colour
from .records import Advice, ImageArray, Mark, Sight, Standing, View
from .signs import ring_mask
from .words import Words, count_of_reps, text

if TYPE_CHECKING:
    import pygame

_MOST_ROWS: Final = 8
"""More players stand in two columns: a row must be read from 4 m."""
_LEAST_ROWS: Final = 5
"""Two players do not get rows of half the window."""
_NAME_GAP: Final = 0.25
"""Least room between a name and the numbers of its row, in row heights."""
READABLE: Final = 0.0625
"""Least size of a font that is read from 4 m, in window heights: its capitals are half as high, 6 mm in a window of
19 cm, and normal sight reads 5.8 (ISO 8596: 5 minutes of arc at visus 1.0, from memory)."""
_ROW: Final = 1.6
"""Distance of the rows of the help, in sizes of its letters..."""
_APART: Final = 2.2
"""...and of its two tables."""


def mixed(a: Colour, b: Colour, part_of_b: float) -> Colour:
    """A colour between two."""
    red, green, blue = (round((1 - part_of_b) * p + part_of_b * q) for p, q in zip(a, b, strict=True))
    return red, green, blue


def around(*boxes: Box) -> Box:
    """The smallest box that holds them all."""
    x, y = min(box.x for box in boxes), min(box.y for box in boxes)
    return Box(x, y, max(box.x + box.w for box in boxes) - x, max(box.y + box.h for box in boxes) - y)


def column(layout: Layout) -> Box:
    """The part beside (in narrow windows below) the picture."""
    return around(layout.count, layout.notes) if layout.notes.w and layout.notes.h else layout.count


def minutes(seconds: int) -> str:
    """1:05, and under a minute the seconds alone."""
    return str(seconds) if seconds < 60 else f"{seconds // 60}:{seconds % 60:02d}"


class Scenes(Brush):
    """Draws what takes the place of picture and count on the other screens."""

    def __init__(self, words: Words, style: Style = STYLE) -> None:
        super().__init__(style)
        self._table = words

    def draw_checklist(self, surface: pygame.Surface, layout: Layout, advice: Sequence[Advice]) -> None:
        """A cell for each thing that the view must give: its drawing, its name, and whether it is right, wrong, or not
        known yet. Each keeps its place.
        """
        style, box = self._style, column(layout)
        self._draw_panel(surface, box, style.panel)
        good = {one.sight: one.good for one in advice}
        across = 3 if box.w > 1.15 * box.h else 2
        down = -(-len(Sight) // across)
        gap = max(3, layout.margin // 2)
        w, h = (box.w - (across + 1) * gap) // across, (box.h - (down + 1) * gap) // down
        looks = {
            True: (style.faint, style.ink, Mark.IN_BAND, style.accent),
            False: (style.alarm, style.outline, Mark.OUT_OF_BAND, style.outline),
            None: (style.faint, style.quiet, Mark.UNSURE, style.quiet),
        }
        for at, sight in enumerate(Sight):
            cell = Box(box.x + gap + at % across * (w + gap), box.y + gap + at // across * (h + gap), w, h)
            ground, ink, mark, colour = looks[good.get(sight)]
            self._draw_panel(surface, cell, ground)
            inner = cell.inset(gap)
            words = Box(inner.x, inner.y + round(0.66 * inner.h), inner.w, round(0.34 * inner.h))
            self._words_in(surface, text(self._table, f"sight_{sight.value}"), words, ink, 1, centre=True)
            side = min(round(0.60 * inner.h), round(0.48 * inner.w))
            left, top = inner.x + (inner.w - 2 * side) // 2, inner.y + (round(0.66 * inner.h) - side) // 2
            surface.blit(self._shape(sight.value, side, ink), (left, top))
            small = round(0.62 * side)
            badge = self._shape(mark.value, small, colour)
            surface.blit(badge, (left + side + (side - small) // 2, top + (side - small) // 2))

    def draw_clock(self, surface: pygame.Surface, box: Box, clock: tuple[int, int], below: str = "") -> None:
        """A ring that empties, the time to go inside it, a few words below."""
        style = self._style
        self._draw_panel(surface, box, style.panel)
        pad = max(6, round(0.05 * min(box.w, box.h)))
        inner = box.inset(pad)
        foot = round(0.18 * inner.h) if below else 0
        side = min(inner.w, inner.h - foot)
        left, top = inner.x + (inner.w - side) // 2, inner.y + (inner.h - foot - side) // 2
        to_go, whole = clock
        share = min(1.0, max(0.0, to_go / max(whole, 1)))
        for part, colour in ((1.0, style.faint), (share, style.accent)):
            mask = partial(ring_mask, side, part)
            ring = self._keep(("ring", side, round(360 * part), colour), partial(self._made, mask, colour))
            surface.blit(ring, (left, top))
        hole = Box(left, top, side, side).inset(round(0.22 * side))
        self._words_in(surface, minutes(to_go), hole, style.ink, 1, centre=True)
        if below:
            words = Box(inner.x, inner.y + inner.h - foot, inner.w, foot)
            self._words_in(surface, below, words, style.ink, 1, centre=True)

    def _made(self, mask: Callable[[], ImageArray], colour: Colour) -> pygame.Surface:
        return self._stamp(mask(), colour)

    def draw_board(self, surface: pygame.Surface, box: Box, board: Sequence[Standing]) -> None:
        """A row for each player: whose turn it is, name, way to the goal, and beside it the makes, or the reps that
        they took.
        """
        columns = 1 if len(board) <= _MOST_ROWS else 2
        rows = max(_LEAST_ROWS, -(-len(board) // columns))
        gap = max(3, round(0.012 * box.h))
        width = (box.w - (columns - 1) * 3 * gap) // columns
        height = (box.h - (rows - 1) * gap) // rows
        names = self._name_size(board, width, height, READABLE * min(surface.get_size()))
        room = self._name_room(board, width, height)
        for k, one in enumerate(board):
            across, down = divmod(k, rows)
            place = Box(box.x + across * (width + 3 * gap), box.y + down * (height + gap), width, height)
            self._draw_standing(surface, place, one, names, room)

    def _name_room(self, board: Sequence[Standing], width: int, height: int) -> int:
        """From the row's left edge to the numbers, as wide as they can become."""
        most = "000" if all(one.goal is None for one in board) else f"{max(one.goal or 0 for one in board)}/000"
        size, _ = self._fit(most, 0.22 * width, height, 1, 0.86 * height)
        return round(0.79 * width - size * self._advance(most) - _NAME_GAP * height)

    def _name_size(self, board: Sequence[Standing], width: int, height: int, least: float) -> float:
        """One size for all names, small enough for the longest while it can be read from 4 m: then that is cut."""
        widest = max(self._advance(one.name) for one in board)
        room = self._name_room(board, width, height) - self._name_left(height)
        return min(0.8 * height, max(least, room / max(widest, 1e-6)))

    @staticmethod
    def _name_left(height: int) -> int:
        return 2 * max(3, round(0.12 * height)) + round(0.5 * height)

    def _draw_standing(
        self, surface: pygame.Surface, box: Box, one: Standing, name_size: float, name_room: int
    ) -> None:
        style = self._style
        self._draw_panel(surface, box, mixed(style.panel, style.accent, 0.30) if one.turn else style.panel)
        pad = max(3, round(0.12 * box.h))
        sign = round(0.5 * box.h)
        middle = box.y + box.h // 2
        if one.turn:
            surface.blit(self._shape("turn", sign, style.accent), (box.x + pad, middle - sign // 2))
        x = box.x + self._name_left(box.h)
        name = self._cut(one.name, name_size, name_room - self._name_left(box.h))
        self._write(surface, name, name_size, style.ink, x, middle, middle=True)
        makes = Box(box.x + round(0.80 * box.w), box.y, round(0.20 * box.w) - 2 * pad, box.h)
        count = Box(box.x + round(0.57 * box.w), box.y, round(0.22 * box.w), box.h)
        number = self._reached(one)
        size, _ = self._fit(number, count.w, count.h, 1, 0.86 * box.h)
        self._write(surface, number, size, style.ink, count.x + count.w, middle, right=True, middle=True)
        told = "" if one.makes is None else text(self._table, "made", made=one.makes)
        if one.goal is not None and one.of_makes:
            told = count_of_reps(self._table, one.reps)
        if told:
            size, _ = self._fit(told, makes.w, makes.h, 1, 0.6 * box.h)
            self._write(surface, told, size, style.quiet, makes.x + makes.w, middle, right=True, middle=True)
        if one.goal:
            track = Box(x, box.y + box.h - max(3, round(0.09 * box.h)), round(0.74 * box.w), max(2, box.h // 16))
            surface.fill(style.faint, (track.x, track.y, track.w, track.h))
            done = round(min(1.0, one.towards / one.goal) * track.w)
            surface.fill(style.accent, (track.x, track.y, done, track.h))

    @staticmethod
    def _reached(one: Standing) -> str:
        """Not 10/3: whoever shoots on has reached the goal."""
        return str(one.reps) if one.goal is None else f"{min(one.towards, one.goal)}/{one.goal}"

    def _cut(self, text: str, size: float, width: float) -> str:
        shown = text
        while len(shown) > 1 and self._advance(shown) * size > width:
            shown = shown[:-2].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
        return shown

    def draw_upper(self, surface: pygame.Surface, layout: Layout, view: View) -> None:
        """The board in place of picture and count, beside the clock when there is one."""
        side = column(layout)
        whole = around(layout.picture, layout.phases, side)
        if view.clock is None:
            self.draw_board(surface, whole, view.board)
            return
        left = around(layout.picture, layout.phases)
        self.draw_board(surface, left, view.board)
        self.draw_clock(surface, side, view.clock)

    def draw_help(
        self, surface: pygame.Surface, keys: Sequence[tuple[str, str]], arms: Sequence[tuple[str, str]]
    ) -> None:
        """Keys and what they do; beside or below them, wherever the letters are larger, the same of the arms."""
        style, (width, height) = self._style, surface.get_size()
        head = text(self._table, "arms")
        names = 1.2 + max(self._advance(key) for key, _ in keys)
        keys_w, keys_h = names + max(self._advance(words) for _, words in keys), _ROW * len(keys)
        arms_w = max(self._advance(words) for words in (head, *(one for row in arms for one in row))) if arms else 0.0
        arms_h = _ROW * (1 + 2 * len(arms)) if arms else 0.0
        apart = _APART if arms else 0.0
        ways = (
            (keys_w + apart + arms_w, max(keys_h, arms_h), True),
            (max(keys_w, arms_w), keys_h + apart + arms_h, False),
        )
        sizes = [min(0.05 * height, 0.86 * height / h, 0.88 * width / w) for w, h, _ in ways]
        size = max(sizes)
        w, h, beside = ways[sizes.index(size)]
        pad = round(1.0 * size)
        box_w, box_h = round(w * size) + 2 * pad, round((h - 0.8) * size) + 2 * pad
        box = Box((width - box_w) // 2, (height - box_h) // 2, box_w, box_h)
        self._draw_panel(surface, Box(box.x - 3, box.y - 3, box.w + 6, box.h + 6), style.accent)
        self._draw_panel(surface, box, style.panel)

        def write(words: str, colour: Colour, x: float, y: float) -> None:
            self._write(surface, words, size, colour, round(box.x + pad + x * size), round(box.y + pad + y * size))

        for k, (key, words) in enumerate(keys):
            write(key, style.accent, 0, _ROW * k)
            write(words, style.ink, names, _ROW * k)
        if not arms:
            return
        x, y = (keys_w + apart, 0.0) if beside else (0.0, keys_h + apart)
        write(head, style.quiet, x, y)
        for k, (held, words) in enumerate(arms):
            write(held, style.accent, x, y + _ROW * (1.3 + 2 * k))
            write(words, style.ink, x, y + _ROW * (1.3 + 2 * k) + 1.1)

    def draw_end(self, surface: pygame.Surface, layout: Layout, view: View) -> None:
        """What the session came to, in place of the picture: the one thing that changed."""
        style = self._style
        left = around(layout.picture, layout.phases)
        self._draw_panel(surface, left, style.panel)
        inner = left.inset(2 * layout.margin)
        bar = max(4, round(0.016 * left.h))
        surface.fill(style.accent, (inner.x, inner.y, round(0.16 * inner.w), bar))
        words = Box(inner.x, inner.y + 3 * bar, inner.w, inner.h - 3 * bar)
        self._words_in(surface, view.cue or "", words, style.ink, 4, largest=0.11 * surface.get_height())
