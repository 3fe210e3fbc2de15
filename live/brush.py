"""Writes words and draws shapes in the program's one look. Every window draws with it."""

from __future__ import annotations

import os
import warnings
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .layout import Box, fit_text
from .overlay import Colour
from .records import ImageArray
from .signs import corner_mask, panel_mask, sign_mask

if TYPE_CHECKING:
    import pygame

# pygame greets on standard output when it is imported, where only JSON may go, and warns of its own dependency
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
warnings.filterwarnings("ignore", category=UserWarning, module=r"pygame\.pkgdata")


@dataclass(frozen=True, slots=True)
class Style:
    """Colours (RGB). Blue and orange stay apart for every kind of colour blindness (Okabe & Ito 2008); so do light and
    dark, and the shapes of the signs.
    """

    ground: Colour = (13, 18, 25)
    panel: Colour = (24, 32, 42)
    ink: Colour = (246, 243, 236)
    quiet: Colour = (150, 163, 177)
    faint: Colour = (52, 64, 78)
    accent: Colour = (86, 200, 255)
    """The shooter, the phase, what is in band."""
    alarm: Colour = (255, 162, 51)
    """What is out of band, and troubles."""
    outline: Colour = (8, 12, 18)


STYLE = Style()
BGRX = (0xFF0000, 0xFF00, 0xFF, 0)
"""Masks of a surface whose bytes are those of OpenCV's pictures, and one more."""


class Brush:
    """Writes words and draws shapes. Keeps what it rendered, since rendering is slow and words change seldom."""

    def __init__(self, style: Style = STYLE) -> None:
        import pygame
        import pygame.font

        pygame.font.init()
        self._pygame = pygame
        self._style = style
        self._kept: OrderedDict[tuple[object, ...], pygame.Surface] = OrderedDict()
        self._picture = pygame.Surface((1, 1), 0, 32, BGRX)
        self._fonts: dict[int, pygame.font.Font] = {}
        self._measure = pygame.font.Font(None, 200)
        self._fit = lru_cache(256)(self._fit_uncached)

    # ---- words

    def _words_in(
        self,
        surface: pygame.Surface,
        text: str,
        box: Box,
        ink: Colour,
        most_lines: int,
        *,
        largest: float = 1e9,
        centre: bool = False,
    ) -> None:
        """As big as fits, in the middle of the height; a line more rather than too small for 4 m."""
        smallest = 0.06 * surface.get_height()
        size, lines = self._fit(text, box.w, box.h, most_lines, min(largest, 0.8 * box.h))
        if size < smallest:
            size, lines = self._fit(text, box.w, box.h, most_lines + 1, min(largest, 0.8 * box.h))
        y = box.y + (box.h - self._line * size * len(lines)) / 2
        for i, line in enumerate(lines):
            x = box.x + box.w // 2 if centre else box.x
            self._write(surface, line, size, ink, x, round(y + i * self._line * size), centre=centre)

    @property
    def _line(self) -> float:
        """Distance of lines at size 1."""
        return self._measure.get_linesize() / 200

    def _advance(self, text: str) -> float:
        """Width of a text at size 1."""
        return self._measure.size(text)[0] / 200

    def _fit_uncached(
        self, text: str, width: float, height: float, most_lines: int, largest: float
    ) -> tuple[float, tuple[str, ...]]:
        return fit_text(
            text, width, height, advance=self._advance, line=self._line, most_lines=most_lines, largest=largest
        )

    def _wrap(self, text: str, width: float, size: float) -> tuple[float, tuple[str, ...]]:
        """The lines that a text needs at this size."""
        for most_lines in (1, 2, 3):
            got, lines = self._fit(text, width, 1e9, most_lines, size)
            if got >= 0.99 * size:
                break
        return got, lines

    def _font(self, size: float) -> pygame.font.Font:
        pixels = max(6, int(size))
        if pixels not in self._fonts:
            self._fonts[pixels] = self._pygame.font.Font(None, pixels)
        return self._fonts[pixels]

    def _keep(self, key: tuple[object, ...], make: Callable[[], pygame.Surface]) -> pygame.Surface:
        """From the store, else made; the longest unused go."""
        if key in self._kept:
            self._kept.move_to_end(key)
        else:
            self._kept[key] = make()
            if len(self._kept) > 128:
                self._kept.popitem(last=False)
        return self._kept[key]

    def _words(self, text: str, size: float, colour: Colour) -> pygame.Surface:
        return self._keep(("words", text, int(size), colour), lambda: self._render(text, size, colour))

    def _render(self, text: str, size: float, colour: Colour) -> pygame.Surface:
        # Fonts are fitted to whole pixels letter by letter, which tears words apart at small sizes: drawn big and
        # shrunk they keep their rhythm.
        finer = max(1, min(4, round(400 / size)))
        big = self._font(finer * size).render(text, True, colour)
        if finer == 1:
            return big
        return self._pygame.transform.smoothscale(big, (max(1, big.get_width() // finer), big.get_height() // finer))

    def _trimmed(self, text: str, size: float, colour: Colour) -> pygame.Surface:
        """Without the room that a font leaves above and below."""

        def make() -> pygame.Surface:
            words = self._render(text, size, colour)
            return words.subsurface(words.get_bounding_rect())

        return self._keep(("trimmed", text, int(size), colour), make)

    def _write(
        self,
        surface: pygame.Surface,
        text: str,
        size: float,
        colour: Colour,
        x: int,
        y: int,
        *,
        right: bool = False,
        centre: bool = False,
        middle: bool = False,
    ) -> None:
        if not text or size < 1:
            return
        words = self._words(text, size, colour)
        left = x - words.get_width() if right else x - words.get_width() // 2 if centre else x
        surface.blit(words, (left, y - words.get_height() // 2 if middle else y))

    # ---- shapes

    def _draw_panel(self, surface: pygame.Surface, box: Box, colour: Colour) -> None:
        if box.w > 0 and box.h > 0:
            radius = self._radius(surface)
            panel = self._keep(
                ("panel", box.w, box.h, radius, colour), lambda: self._stamp(panel_mask(box.w, box.h, radius), colour)
            )
            surface.blit(panel, (box.x, box.y))

    def _draw_keys(self, surface: pygame.Surface, keys: Sequence[tuple[str, str]]) -> None:
        style = self._style
        width, height = surface.get_size()
        size = min(0.05 * height, 0.82 * height / (len(keys) * 1.7))
        column = max(self._advance(key) for key, _ in keys)
        widest = column + 1.2 + max(self._advance(words) for _, words in keys)
        size = min(size, 0.8 * width / widest)
        step, pad = 1.7 * size, round(1.2 * size)
        box_w, box_h = round(widest * size) + 2 * pad, round(len(keys) * step) + 2 * pad - round(0.9 * size)
        box = Box((width - box_w) // 2, (height - box_h) // 2, box_w, box_h)
        self._draw_panel(surface, Box(box.x - 3, box.y - 3, box.w + 6, box.h + 6), style.accent)
        self._draw_panel(surface, box, style.panel)
        for i, (key, words) in enumerate(keys):
            y = round(box.y + pad + i * step)
            self._write(surface, key, size, style.accent, box.x + pad, y)
            self._write(surface, words, size, style.ink, round(box.x + pad + (column + 1.2) * size), y)

    def _round_corners(self, surface: pygame.Surface, box: Box) -> None:
        """Lay the ground over the corners of a picture, so that it looks like the panels."""
        radius = self._radius(surface)
        corner = self._keep(("corner", radius), lambda: self._stamp(corner_mask(radius), self._style.ground))
        flip = self._pygame.transform.flip
        for right in (False, True):
            for low in (False, True):
                piece = self._keep(("corner", radius, right, low), partial(flip, corner, right, low))
                surface.blit(piece, (box.x + right * (box.w - radius), box.y + low * (box.h - radius)))

    @staticmethod
    def _radius(surface: pygame.Surface) -> int:
        return max(3, round(0.02 * min(surface.get_size())))

    def _shape(self, name: str, side: int, colour: Colour) -> pygame.Surface:
        side = max(8, side)
        return self._keep(("shape", name, side, colour), lambda: self._stamp(sign_mask(name, side), colour))

    def _stamp(self, mask: ImageArray, colour: Colour) -> pygame.Surface:
        """A surface of one colour, as opaque as the mask says."""
        height, width = mask.shape
        rgba = np.empty((height, width, 4), np.uint8)
        rgba[..., :3] = colour
        rgba[..., 3] = mask
        return self._pygame.image.frombuffer(rgba.tobytes(), (width, height), "RGBA")

    def _picture_surface(self, canvas: ImageArray) -> pygame.Surface:
        """The picture in the format of the screen: a blit that need not convert is several times faster."""
        height, width, _ = canvas.shape
        if self._picture.get_size() != (width, height):
            self._picture = self._pygame.Surface((width, height), 0, 32, BGRX)
        pixels = np.asarray(self._picture.get_view("0")).view(np.uint8).reshape(height, width, 4)
        cv2.cvtColor(canvas, cv2.COLOR_BGR2BGRA, pixels)
        return self._picture
