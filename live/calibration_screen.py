"""The window of the guided calibration: picture, the next mark in words and drawing, magnifier, the court drawn back.

`CalibrationPainter` draws one state of the wizard on any surface, so that it is tested without a screen.
`CalibrationWindow` turns mouse and keys into calls of the wizard and runs on the main thread.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from rimward.calibration.court_overlay import court_overlay
from rimward.calibration.mark_map import mark_map
from rimward.calibration.record import Calibration
from rimward.calibration.wizard import WAYS, Way, Wizard, is_good, result_words
from rimward.calibration.wizard import Mark as Wanted

from .layout import Box
from .overlay import Colour, draw_guides, scaled
from .records import FloatArray, ImageArray, Mark
from .screen import Brush, Display

if TYPE_CHECKING:
    import pygame

ZOOM: Final = 6
"""Of the magnifier, in pixels of the screen for one of the picture as it is shown."""
CLOSER: Final = 4.0
"""How much larger the picture is shown on request: the mouse then points in parts of its pixels."""
HOLD_S: Final = 5.0
"""From the key to the picture that is held, so that one person alone can walk into it."""
_HINT: Final = 0.022
"""Radius of the circle round the place where a mark is expected, as a share of the width: the person finds the mark."""
_FPS: Final = 30
_COARSE_PX: Final = 1.0
_FINE_PX: Final = 0.25

TITLES: Final[Mapping[Way, str]] = MappingProxyType(
    {"hoop": "Hoop", "lines": "Court lines", "tape": "Tape marks", "target": "Printed target", "standing": "Standing"}
)

QUESTION_HINTS: Final[Mapping[Way, str]] = MappingProxyType(
    {
        "hoop": "Nothing need be typed on a court of the rule book",
        "lines": "Nothing need be typed on a court of the rule book",
        "tape": "Metres, with blanks between: right of the line to the hoop (left: -), from below the ring, height",
        "target": "Measure along the floor",
        "standing": "The whole player upright in the picture; Space holds it, P finds head and feet",
    }
)
CHOICE_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {"us": "NBA", "us_college": "US college", "us_high_school": "US high school", "fiba": "FIBA"}
    | {"a4": "A4", "letter": "Letter", "a3": "A3"}
)

PHOTO_NEEDED: Final = (
    "Photos are off (screen.photo), but marks can only be pointed at in the picture. It is shown while you calibrate"
    " and not kept; nobody needs to stand in it."
)

KEY_TABLE: Final = (
    ("Click", "put the mark there"),
    ("Arrows", "move it 1 px, with Shift 0.25 px"),
    ("S", "skip: it cannot be seen"),
    ("Tab", "another mark (Shift: back)"),
    ("U or Backspace", "undo"),
    ("Z or wheel", "the picture larger round the pointer, and back"),
    ("Space", "hold the picture in 5 s, or let it run"),
    ("P", "standing player: find head and feet"),
    ("L", "court lines on or off"),
    ("Enter", "go on, keep the calibration"),
    ("Escape", "one step back; at the start: end"),
    ("F", "full screen"),
    ("H or ?", "show or hide the keys"),
)


@dataclass(frozen=True, slots=True)
class Region:
    """A part of the picture in its pixels, of the picture's own shape."""

    x: float
    y: float
    w: float
    h: float

    @classmethod
    def around(cls, px: tuple[float, float], size: tuple[int, int], times: float) -> Region:
        """The part that is shown `times` larger, with `px` where it was on the screen."""
        return cls(px[0] * (1 - 1 / times), px[1] * (1 - 1 / times), size[0] / times, size[1] / times)


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What is shown beside the wizard's own state."""

    image: ImageArray | None
    """(height, width, 3) BGR, or None while there is none."""
    trouble: str = ""
    """What the camera says is wrong."""
    pointer: tuple[int, int] | None = None
    """Where the mouse is, in pixels of the window."""
    lines: bool = True
    """The court is drawn over the picture."""
    hold_in_s: float | None = None
    """Seconds until the picture is held."""
    held: bool = False
    region: Region | None = None
    """The part of the picture that is shown large; None: all of it."""
    replaces: str = ""
    """Name of the earlier file that accepting replaces."""
    note: str = ""
    """What to know before the first picture is shown."""

    def looks_like(self, other: Scene) -> bool:
        """True when drawing this one again would change nothing."""
        return all(
            getattr(self, field.name) is getattr(other, field.name)
            or (field.name != "image" and getattr(self, field.name) == getattr(other, field.name))
            for field in fields(self)
        )


@dataclass(frozen=True, slots=True)
class _Layout:
    margin: int
    bar: Box
    picture: Box
    side: Box
    foot: Box


def _arrange(width: int, height: int) -> _Layout:
    """Picture with a column beside it (narrow windows: below it), the words to act on along the whole lower edge."""
    margin = max(6, round(0.02 * min(width, height)))
    inner = width - 2 * margin
    if width >= 1.2 * height:
        bar = Box(margin, margin // 2, inner, round(0.06 * height))
        top = bar.y + bar.h + margin // 2
        foot_h = round(0.20 * height)
        high = height - top - foot_h - 2 * margin
        wide = min(round(high * 16 / 9), round(0.74 * inner))
        picture = Box(margin, top, wide, high)
        side = Box(margin + wide + margin, top, inner - wide - margin, high)
    else:
        bar = Box(margin, margin // 2, inner, round(0.045 * height))
        top = bar.y + bar.h + margin // 2
        foot_h = round(0.15 * height)
        high = min(round(inner * 9 / 16), round(0.5 * height))
        picture = Box(margin, top, inner, high)
        below = top + high + margin
        side = Box(margin, below, inner, height - below - foot_h - 2 * margin)
    return _Layout(margin, bar, picture, side, Box(margin, height - margin - foot_h, inner, foot_h))


class CalibrationPainter(Brush):
    """Draws the wizard's states."""

    def draw(self, surface: pygame.Surface, wizard: Wizard | None, scene: Scene, *, keys: bool = False) -> None:
        """Draw everything; `wizard` is None until the first picture has come."""
        surface.fill(self._style.ground)
        layout = _arrange(*surface.get_size())
        if wizard is None:
            self._draw_bar(surface, layout, "Calibration", "")
            self._draw_picture(surface, layout, None, scene)
            self._say(surface, layout, scene.trouble or "Waiting for the camera", alarm=bool(scene.trouble))
        elif wizard.stage == "way":
            self._draw_ways(surface, layout, scene.note)
        elif wizard.stage == "questions":
            self._draw_questions(surface, layout, wizard)
        else:
            self._draw_bar(surface, layout, TITLES[wizard.way], "H: keys")
            self._draw_picture(surface, layout, wizard, scene)
            self._draw_side(surface, layout.side, wizard)
            self._draw_foot(surface, layout, wizard, scene)
        if keys:
            self._draw_keys(surface, KEY_TABLE)

    # ---- where things are

    def way_at(self, surface: pygame.Surface, pos: tuple[int, int]) -> Way | None:
        """The way whose row is at this place of the window."""
        rows = _rows(_arrange(*surface.get_size()), len(WAYS))
        return next((way for way, row in zip(WAYS, rows, strict=True) if _within(row, pos)), None)

    def question_at(self, surface: pygame.Surface, wizard: Wizard, pos: tuple[int, int]) -> int | None:
        """The question whose row is at this place of the window."""
        rows = _rows(_arrange(*surface.get_size()), len(wizard.questions))
        return next((i for i, row in enumerate(rows) if _within(row, pos)), None)

    def picture_px(
        self, surface: pygame.Surface, size: tuple[int, int], pos: tuple[int, int], region: Region | None = None
    ) -> tuple[float, float] | None:
        """The place of a picture of this size that is shown at a place of the window; None beside it."""
        box = _arrange(*surface.get_size()).picture.holding(*size)
        if not _within(box, pos):
            return None
        part = region or Region(0, 0, *size)
        # the middle of the pixel under the pointer
        return part.x + (pos[0] + 0.5 - box.x) * part.w / box.w, part.y + (pos[1] + 0.5 - box.y) * part.h / box.h

    def window_px(
        self, surface: pygame.Surface, size: tuple[int, int], px: tuple[float, float], region: Region | None = None
    ) -> tuple[float, float]:
        """Where in the window a place of a picture of this size is shown, or would be beside it."""
        box = _arrange(*surface.get_size()).picture.holding(*size)
        part = region or Region(0, 0, *size)
        return box.x + (px[0] - part.x) * box.w / part.w, box.y + (px[1] - part.y) * box.h / part.h

    # ---- before the marks

    def _draw_bar(self, surface: pygame.Surface, layout: _Layout, left: str, right: str) -> None:
        bar, style = layout.bar, self._style
        middle = bar.y + bar.h // 2
        size, (left,) = self._fit(left, 0.6 * bar.w, bar.h, 1, 0.85 * bar.h)
        self._write(surface, left, size, style.ink, bar.x, middle, middle=True)
        size, (right,) = self._fit(right, 0.35 * bar.w, bar.h, 1, 0.6 * bar.h)
        self._write(surface, right, size, style.quiet, bar.x + bar.w, middle, right=True, middle=True)

    def _draw_ways(self, surface: pygame.Surface, layout: _Layout, note: str) -> None:
        style = self._style
        self._draw_bar(surface, layout, "What does the camera see?", "Press the number or click")
        for i, (row, (words, hint)) in enumerate(zip(_rows(layout, len(WAYS)), WAYS.values(), strict=True)):
            self._draw_panel(surface, row, style.panel)
            digit = Box(row.x, row.y, round(1.1 * row.h), row.h)
            size = 0.6 * row.h
            self._write(
                surface,
                str(i + 1),
                size,
                style.accent,
                digit.x + digit.w // 2,
                row.y + row.h // 2,
                centre=True,
                middle=True,
            )
            text_w = row.w - digit.w - layout.margin
            big, (line,) = self._fit(words, text_w, 0.6 * row.h, 1, 0.46 * row.h)
            small, (below,) = self._fit(hint, text_w, 0.4 * row.h, 1, 0.29 * row.h)
            self._write(surface, line, big, style.ink, digit.x + digit.w, row.y + round(0.36 * row.h), middle=True)
            self._write(surface, below, small, style.quiet, digit.x + digit.w, row.y + round(0.74 * row.h), middle=True)
        self._say(surface, layout, "From now on the camera stays where it is", note)

    def _draw_questions(self, surface: pygame.Surface, layout: _Layout, wizard: Wizard) -> None:
        style = self._style
        self._draw_bar(surface, layout, TITLES[wizard.way], "Tab: next line")
        for i, (row, question) in enumerate(zip(_rows(layout, len(wizard.questions)), wizard.questions, strict=True)):
            active = i == wizard.active
            if active:
                self._draw_panel(surface, Box(row.x - 3, row.y - 3, row.w + 6, row.h + 6), style.accent)
            self._draw_panel(surface, row, style.panel)
            inner = row.inset(layout.margin // 2 + 2)
            label_w, middle = round(0.62 * inner.w), row.y + row.h // 2
            size, lines = self._fit(question.words, label_w, inner.h, 2, 0.42 * row.h)
            top = middle - self._line * size * len(lines) / 2
            for n, line in enumerate(lines):
                self._write(surface, line, size, style.ink, inner.x, round(top + n * self._line * size))
            value = CHOICE_WORDS.get(question.value, question.value)
            value += "_" if active and not question.choices else ""
            if question.choices:
                value = f"< {value} >" if active else value
            size, (value,) = self._fit(value, inner.w - label_w - layout.margin, inner.h, 1, 0.55 * row.h)
            self._write(surface, value, size, style.accent, inner.x + inner.w, middle, right=True, middle=True)
        if wizard.complaint:
            self._say(surface, layout, wizard.complaint, alarm=True)
        else:
            self._say(surface, layout, "Enter: go on", QUESTION_HINTS[wizard.way])

    def _say(
        self, surface: pygame.Surface, layout: _Layout, words: str, small: str = "", *, alarm: bool = False
    ) -> None:
        """Words along the lower edge: what to do now, or with `alarm` what is wrong, and what else there is to know."""
        style, foot = self._style, layout.foot
        self._draw_panel(surface, foot, style.alarm if alarm else style.panel)
        inner = foot.inset(layout.margin)
        if alarm:
            sign = self._shape("trouble", inner.h, style.outline)
            surface.blit(sign, (inner.x, inner.y))
            inner = Box(inner.x + inner.h + layout.margin, inner.y, inner.w - inner.h - layout.margin, inner.h)
        ink, quiet = (style.outline, style.outline) if alarm else (style.ink, style.quiet)
        self._big_and_small(surface, inner, words, small, ink, quiet)

    def _big_and_small(
        self, surface: pygame.Surface, box: Box, big: str, small: str, ink: Colour, quiet: Colour
    ) -> None:
        height = surface.get_height()
        upper = Box(box.x, box.y, box.w, round((0.62 if small else 1.0) * box.h))
        lower = Box(box.x, box.y + upper.h, box.w, box.h - upper.h)
        self._words_in(surface, big, upper, ink, 1 if small else 2, largest=0.08 * height)
        if small:
            self._words_in(surface, small, lower, quiet, 2, largest=0.042 * height)

    # ---- the picture

    def _draw_picture(self, surface: pygame.Surface, layout: _Layout, wizard: Wizard | None, scene: Scene) -> None:
        style, area = self._style, layout.picture
        if scene.image is None or wizard is None:
            self._draw_panel(surface, area, style.panel)
            return
        size = (scene.image.shape[1], scene.image.shape[0])
        box = area.holding(*size)
        part = scene.region or Region(0, 0, *size)
        canvas = scaled(scene.image, box.w, box.h) if scene.region is None else _enlarged(scene.image, part, box)
        shown, corner = (part.w, part.h), np.array([part.x, part.y])
        calibration = wizard.outcome.calibration
        thick = max(2.0, 0.004 * box.h)
        if calibration is not None and scene.lines:
            # while marks are still clicked as thin as can be: the edges in the picture must stay visible
            width, edge = (thick, style.outline) if wizard.asked is None else (0.0, style.accent)
            court = [line - corner for line in court_overlay(calibration)]
            draw_guides(canvas, court, shown, style.accent, edge, thick=width)
        around = [np.vstack([page, page[:1]]) for page in wizard.pages.values()]
        if wizard.expected is not None:
            around.append(_circle(wizard.expected, _HINT * size[0]))
        draw_guides(canvas, [line - corner for line in around], shown, style.alarm, style.outline, thick=1.5 * thick)
        surface.blit(self._picture_surface(canvas), (box.x, box.y))
        placed = [mark.px for mark in wizard.marks if mark.px is not None]
        middle = self.window_px(surface, size, np.mean(placed, axis=0), scene.region) if placed else (0.0, 0.0)
        for number, mark in enumerate(wizard.marks, 1):
            if mark.px is not None:
                place = self.window_px(surface, size, mark.px, scene.region)
                if _within(box, (round(place[0]), round(place[1]))):
                    self._draw_mark(surface, box, wizard, number, mark, place, middle)
        if scene.pointer is not None and wizard.marks:
            at = self.picture_px(surface, size, scene.pointer, scene.region)
            if at is not None:
                self._draw_magnifier(surface, box, scene, at)
        if scene.hold_in_s is not None:
            self._write(
                surface,
                f"{scene.hold_in_s:.0f}",
                0.4 * box.h,
                style.alarm,
                box.x + box.w // 2,
                box.y + box.h // 2,
                centre=True,
                middle=True,
            )
        said = scene.trouble or ("Picture held" if scene.held else "")
        if said:
            self._tag(surface, box, said, (box.x + layout.margin, box.y + box.h - layout.margin), style.alarm)

    def _draw_mark(
        self,
        surface: pygame.Surface,
        box: Box,
        wizard: Wizard,
        number: int,
        mark: Wanted,
        at: tuple[float, float],
        middle: tuple[float, float],
    ) -> None:
        """A cross that leaves its middle free, with the mark's number away from the middle of all marks.

        The one that the arrow keys move has its name, once no other is waiting to be clicked, perhaps close by.
        """
        style, draw = self._style, self._pygame.draw
        touched = wizard.touched is not None and mark.name == wizard.touched.name
        colour = style.alarm if touched else style.ink
        reach, gap = max(8, round(0.016 * surface.get_height())), 3
        x, y = int(at[0]), int(at[1])
        for width, ink in ((4, style.outline), (2, colour)):
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                start, end = (x + gap * dx, y + gap * dy), (x + reach * dx, y + reach * dy)
                draw.line(surface, ink, start, end, width)
        named = touched and (wizard.asked is None or wizard.asked.name == mark.name)
        words = f"{number} {mark.words}" if named else str(number)
        self._tag(
            surface, box, words, at, colour, left=at[0] < middle[0], above=at[1] < middle[1], reach=reach // 2 + 1
        )

    def _tag(
        self,
        surface: pygame.Surface,
        box: Box,
        words: str,
        at: tuple[float, float],
        colour: Colour,
        *,
        left: bool = False,
        above: bool = True,
        reach: int = 0,
    ) -> None:
        """Words on a dark ground beside a place, kept inside the box."""
        size = max(12.0, 0.03 * surface.get_height())
        text = self._words(words, size, colour)
        pad = max(2, round(0.15 * size))
        width, height = text.get_width() + 2 * pad, text.get_height() + pad
        x = round(at[0]) - reach - width if left else round(at[0]) + reach
        y = round(at[1]) - reach - height if above else round(at[1]) + reach
        x = max(box.x, min(x, box.x + box.w - width))
        y = max(box.y, min(y, box.y + box.h - height))
        surface.fill(self._style.outline, (x, y, width, height))
        surface.blit(text, (x + pad, y + pad // 2))

    def _draw_magnifier(self, surface: pygame.Surface, box: Box, scene: Scene, at: tuple[float, float]) -> None:
        """The picture round the pointer, in the upper corner that is farther from it."""
        assert scene.image is not None
        style, draw = self._style, self._pygame.draw
        side = round(0.36 * box.h)
        assert scene.pointer is not None
        right = scene.pointer[0] < box.x + box.w / 2
        corner = (box.x + box.w - side if right else box.x, box.y)
        shown_w = scene.image.shape[1] if scene.region is None else scene.region.w
        pixels = max(9.0, side / ZOOM * shown_w / box.w)
        crop = magnified(scene.image, at, pixels, side)
        surface.blit(
            self._pygame.image.frombuffer(np.ascontiguousarray(crop[..., ::-1]).tobytes(), (side, side), "RGB"), corner
        )
        draw.rect(surface, style.accent, (*corner, side, side), 2)
        middle = (corner[0] + side // 2, corner[1] + side // 2)
        for width, ink in ((3, style.outline), (1, style.alarm)):
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                start = (middle[0] + dx * side // 14, middle[1] + dy * side // 14)
                draw.line(surface, ink, start, (middle[0] + dx * side // 4, middle[1] + dy * side // 4), width)

    # ---- marks and result

    def _draw_side(self, surface: pygame.Surface, box: Box, wizard: Wizard) -> None:
        """The marks with their state, and below them the result in words."""
        style = self._style
        self._draw_panel(surface, box, style.panel)
        inner = box.inset(max(6, round(0.02 * surface.get_height())))
        results = _results(wizard)
        rows = len(wizard.marks) if wizard.marks else 1
        size = min(0.036 * surface.get_height(), inner.h / (self._line * (rows + 2.2 * len(results) + 1.5)))
        y = float(inner.y)
        if wizard.marks:
            for number, mark in enumerate(wizard.marks, 1):
                self._draw_row(
                    surface, Box(inner.x, round(y), inner.w, round(self._line * size)), wizard, number, mark, size
                )
                y += self._line * size
        else:
            found = ", ".join(map(str, sorted(wizard.pages))) or "none yet"
            self._write(surface, f"Pages found: {found}", size, style.ink, inner.x, round(y))
            y += self._line * size
        if not results:
            return
        assert wizard.outcome.calibration is not None
        good = is_good(wizard.outcome.calibration)
        y += 0.5 * size
        colour = style.accent if good else style.quiet
        side = round(1.5 * size)
        surface.blit(self._shape((Mark.IN_BAND if good else Mark.UNSURE).value, side, colour), (inner.x, round(y)))
        words = "Good" if good else "Coarse"
        self._write(surface, words, 1.25 * size, colour, inner.x + round(1.4 * side), round(y + side / 2), middle=True)
        y += 1.3 * side
        for line in results:
            _, parts = self._wrap(line, inner.w, size)
            for part in parts:
                self._write(surface, part, min(size, inner.w / self._advance(part)), style.ink, inner.x, round(y))
                y += self._line * size
            y += 0.25 * size

    def _draw_row(
        self, surface: pygame.Surface, row: Box, wizard: Wizard, number: int, mark: Wanted, size: float
    ) -> None:
        style = self._style
        asked = wizard.asked is not None and mark.name == wizard.asked.name
        colour = style.alarm if asked else style.ink if mark.px is not None else style.quiet
        state = ">" if asked else "–" if mark.skipped else ""
        dot = round(0.5 * size)
        if mark.px is not None:
            surface.blit(self._shape("dot", dot, style.accent), (row.x, row.y + (row.h - dot) // 2))
        elif state:
            self._write(surface, state, size, colour, row.x, row.y)
        words = f"{number} {mark.words}"
        room = row.w - size
        self._write(
            surface,
            words,
            min(size, room / self._advance(words)),
            colour,
            row.x + round(size),
            row.y + row.h // 2,
            middle=True,
        )

    def _draw_foot(self, surface: pygame.Surface, layout: _Layout, wizard: Wizard, scene: Scene) -> None:
        outcome, asked = wizard.outcome, wizard.asked
        fix = (
            "click a mark to fix it, U undoes, Escape goes back" if wizard.marks else "U looks again, Escape goes back"
        )
        keep = f"Enter keeps it{f' (replaces {scene.replaces})' if scene.replaces else ''}"
        if outcome.wrong:
            now = fix[0].upper() + fix[1:] if asked is None else f"Now click: {asked.words}"
            self._say(surface, layout, outcome.reason, now, alarm=True)
        elif asked is not None:
            self._ask_for(surface, layout, wizard, asked, keep)
        elif outcome.calibration is None:
            self._say(surface, layout, outcome.reason)
        else:
            sees = (
                "Is the court drawn where it is?" if outcome.calibration.knows_hoop else "The hoop's place is a guess."
            )
            self._say(surface, layout, f"{sees} {keep}", f"If not: {fix}")

    def _ask_for(self, surface: pygame.Surface, layout: _Layout, wizard: Wizard, asked: Wanted, keep: str) -> None:
        style, outcome = self._style, wizard.outcome
        self._draw_panel(surface, layout.foot, style.panel)
        inner = layout.foot.inset(layout.margin // 2 + 2)
        side = Box(inner.x, inner.y, round(1.6 * inner.h), inner.h)
        self._draw_map(surface, side, wizard, asked)
        rest = Box(side.x + side.w + layout.margin, inner.y, inner.w - side.w - layout.margin, inner.h)
        after = f"{keep}, more marks make it surer" if outcome.calibration is not None else outcome.reason
        skip = "S skips it" if wizard.in_sight else "It seems to lie outside the picture: S skips it"
        small = f"{asked.hint}. {skip}. {after}"
        self._big_and_small(surface, rest, f"Click: {asked.words}", small, style.ink, style.quiet)

    def _draw_map(self, surface: pygame.Surface, box: Box, wizard: Wizard, mark: Wanted) -> None:
        """The small drawing of where the mark is."""
        style, chart = self._style, mark_map(mark, wizard.court)
        everything = np.vstack([*chart.lines, chart.dot[None]])
        low, high = everything.min(axis=0), everything.max(axis=0)
        margin = 0.1 * box.h
        scale = min((box.w - 2 * margin) / (high[0] - low[0]), (box.h - 2 * margin) / (high[1] - low[1]))
        middle = (low + high) / 2
        to_box = np.array([scale, -scale])
        canvas = np.empty((box.h, box.w, 3), np.uint8)
        cv2.rectangle(canvas, (0, 0), (box.w, box.h), style.panel[::-1], cv2.FILLED)
        lines = [(line - middle) * to_box + (box.w / 2, box.h / 2) for line in chart.lines]
        draw_guides(canvas, lines, (box.w, box.h), style.quiet, style.panel, thick=max(1.0, 0.015 * box.h))
        x, y = (chart.dot - middle) * to_box + (box.w / 2, box.h / 2)
        radius = max(4, round(0.07 * box.h))
        cv2.circle(canvas, (round(x), round(y)), radius, style.alarm[::-1], cv2.FILLED, cv2.LINE_AA)
        raw = np.ascontiguousarray(canvas[..., ::-1]).tobytes()
        surface.blit(self._pygame.image.frombuffer(raw, (box.w, box.h), "RGB"), (box.x, box.y))


def _results(wizard: Wizard) -> tuple[str, ...]:
    """What there is to say of the calibration, if there is one."""
    if wizard.outcome.calibration is None:
        return ()
    names = [mark.name for mark in wizard.marks]
    if wizard.outcome.worst not in names:
        return result_words(wizard.outcome.calibration)
    number = names.index(wizard.outcome.worst) + 1
    return (*result_words(wizard.outcome.calibration), f"Farthest off: {number} {wizard.marks[number - 1].words}")


def _circle(middle: tuple[float, float], radius: float) -> FloatArray:
    angles = np.linspace(0, 2 * np.pi, 33)
    return np.asarray(middle + radius * np.stack([np.cos(angles), np.sin(angles)], axis=1), dtype=np.float64)


def _rows(layout: _Layout, count: int) -> list[Box]:
    """Equal rows between the bar and the foot."""
    top, bottom = layout.bar.y + layout.bar.h + layout.margin, layout.foot.y - layout.margin
    step = min((bottom - top) / count, 0.2 * (bottom - top + layout.foot.h))
    gap = max(4, layout.margin // 2)
    return [Box(layout.bar.x, round(top + i * step), layout.bar.w, round(step) - gap) for i in range(count)]


def _is_typed(wizard: Wizard, text: str) -> bool:
    """Whether this belongs to a number that is being typed: 6ft is no wish for the full screen."""
    typing = wizard.stage == "questions" and not wizard.questions[wizard.active].choices
    return typing and text != "" and text.isprintable()


def _within(box: Box, pos: tuple[int, int]) -> bool:
    return box.x <= pos[0] < box.x + box.w and box.y <= pos[1] < box.y + box.h


def _enlarged(image: ImageArray, part: Region, box: Box) -> ImageArray:
    """The part of the picture, (box.h, box.w, 3)."""
    return _warped(image, (part.x, part.y), box.w / part.w, (0.0, 0.0), (box.w, box.h))


def magnified(image: ImageArray, at: tuple[float, float], pixels: float, side: int) -> ImageArray:
    """A square of `pixels` of the picture round `at`, (side, side, 3); the place `at` is exactly in its middle."""
    return _warped(image, at, side / pixels, (side / 2, side / 2), (side, side))


def _warped(
    image: ImageArray, at: tuple[float, float], scale: float, to: tuple[float, float], size: tuple[int, int]
) -> ImageArray:
    """The picture `scale` times larger, its place `at` at `to`, cut to `size` (width, height)."""
    # pixel centres lie at whole numbers for cv2 and at halves for us
    move = np.array([[scale, 0, to[0] - 0.5 - scale * (at[0] - 0.5)], [0, scale, to[1] - 0.5 - scale * (at[1] - 0.5)]])
    return np.asarray(
        cv2.warpAffine(image, move, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


class CalibrationWindow:
    """Made, run and closed on the main thread. Raises DisplayError when there is no screen."""

    def __init__(self, title: str = "Rimward calibration", *, full_screen: bool = False, photo: bool = True) -> None:
        """With `photo` False the person is told why the picture is shown here all the same."""
        self._display = Display(title, full_screen=full_screen, instead="--image with --points works without one")
        import pygame

        self._pygame = pygame
        self._painter = CalibrationPainter()
        self._scene = Scene(None, note="" if photo else PHOTO_NEEDED)
        self._keys_shown = False
        self._wizard: Wizard | None = None
        self._held: ImageArray | None = None
        self._hold_at_s: float | None = None
        self._find_player: Callable[[ImageArray], Mapping[str, FloatArray] | str] | None = None
        self._note = ""

    @property
    def shown(self) -> ImageArray | None:
        """The picture on the screen, as the camera gave it: on acceptance the one that was calibrated."""
        return self._scene.image

    def run(
        self,
        begin: Callable[[tuple[int, int]], Wizard],
        newest: Callable[[], tuple[ImageArray | None, str]],
        stop: threading.Event,
        *,
        live: bool = True,
        replaces: str = "",
        find_player: Callable[[ImageArray], Mapping[str, FloatArray] | str] | None = None,
    ) -> Calibration | None:
        """Draw and read mouse and keys until the person accepts (the calibration) or ends (None), or `stop` is set.

        `newest` gives the newest picture, or None, and the source's trouble in words; `begin` makes the wizard for
        pictures of a size (width, height). Without `live` the picture stands still and is not held. `find_player` gives
        the places of a standing player's marks in a picture, or says why it cannot.
        """
        pygame, self._find_player = self._pygame, find_player
        changed, next_s = True, 0.0
        while not stop.is_set():
            event = pygame.event.wait(8)
            for one in [] if event.type == pygame.NOEVENT else [event, *pygame.event.get()]:
                changed = True
                if not self._handle(one, live):
                    return None
                if self._wizard is not None and self._wizard.stage == "accepted":
                    return self._wizard.outcome.calibration
            now = time.monotonic()
            if now < next_s:
                continue
            image, trouble = newest()
            self._take(image, begin)
            hold_in_s = self._count_down(image, now)
            before, self._scene = (
                self._scene,
                replace(
                    self._scene,
                    image=image if self._held is None else self._held,
                    trouble=trouble or self._note,
                    hold_in_s=None if hold_in_s is None else float(np.ceil(hold_in_s)),
                    held=self._held is not None,
                    replaces=replaces,
                ),
            )
            if not changed and self._scene.looks_like(before):
                continue
            changed, next_s = False, now + 1 / _FPS
            self._painter.draw(self._display.surface, self._wizard, self._scene, keys=self._keys_shown)
            pygame.display.flip()
        return None

    def close(self) -> None:
        """Close the window; may be called twice."""
        self._display.close()

    def _take(self, image: ImageArray | None, begin: Callable[[tuple[int, int]], Wizard]) -> None:
        """Start the wizard with the first picture; look for the printed target in every new one."""
        if image is None:
            return
        size = (image.shape[1], image.shape[0])
        if self._wizard is None or self._wizard.image_size != size:
            self._wizard = begin(size)
        if image is not self._scene.image or not self._wizard.pages:
            self._wizard.look(image)

    def _count_down(self, image: ImageArray | None, now: float) -> float | None:
        if self._hold_at_s is None:
            return None
        if now < self._hold_at_s or image is None:
            return max(0.0, self._hold_at_s - now)
        self._held, self._hold_at_s = image, None
        return None

    def _handle(self, event: pygame.event.Event, live: bool) -> bool:
        """What the person did; False when they end."""
        pygame, wizard = self._pygame, self._wizard
        if event.type == pygame.QUIT:
            return False
        if event.type == pygame.VIDEORESIZE:
            self._display.resized(event.w, event.h)
        elif event.type == pygame.MOUSEMOTION:
            self._scene = replace(self._scene, pointer=(event.pos[0], event.pos[1]))
        elif event.type == pygame.MOUSEBUTTONDOWN and event.button == 1 and wizard is not None:
            self._scene = replace(self._scene, pointer=(event.pos[0], event.pos[1]))
            self._click(wizard, event.pos)
        elif event.type == pygame.MOUSEWHEEL and wizard is not None and wizard.stage == "marks":
            if (event.y > 0) == (self._scene.region is None):
                self._closer(wizard)
        elif event.type == pygame.KEYDOWN:
            return self._key(event, live)
        return True

    def _closer(self, wizard: Wizard) -> None:
        """Show the picture round the pointer larger, or all of it again."""
        region = None
        if self._scene.region is None and self._scene.pointer is not None:
            px = self._painter.picture_px(self._display.surface, wizard.image_size, self._scene.pointer)
            region = None if px is None else Region.around(px, wizard.image_size, CLOSER)
        self._scene = replace(self._scene, region=region)

    def _click(self, wizard: Wizard, pos: tuple[int, int]) -> None:
        surface = self._display.surface
        if wizard.stage == "way":
            way = self._painter.way_at(surface, pos)
            if way is not None:
                wizard.choose_way(way)
        elif wizard.stage == "questions":
            index = self._painter.question_at(surface, wizard, pos)
            if index is not None:
                wizard.ask(index)
                wizard.turn(1)
        elif wizard.stage == "marks" and self._scene.image is not None:
            image = self._scene.image
            px = self._painter.picture_px(surface, wizard.image_size, pos, self._scene.region)
            if px is None:
                return
            # the next mark is elsewhere; one that was only chosen is here
            if wizard.asked is not None:
                self._scene = replace(self._scene, region=None)
            wizard.click(px, np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), np.uint8))

    def _key(self, event: pygame.event.Event, live: bool) -> bool:
        pygame, wizard = self._pygame, self._wizard
        name = pygame.key.name(event.key)
        shift = bool(event.mod & pygame.KMOD_SHIFT)
        if wizard is not None and _is_typed(wizard, event.unicode):
            wizard.type_text(event.unicode)
        elif name == "f":
            self._display.toggle_full_screen()
        elif name == "h" or event.unicode == "?":
            self._keys_shown = not self._keys_shown
        elif wizard is None:
            return bool(name != "escape")
        elif name == "escape":
            if self._keys_shown:
                self._keys_shown = False
            else:
                self._scene = replace(self._scene, region=None)
                return wizard.back()
        elif wizard.stage == "way":
            number = event.unicode if event.unicode.isdecimal() else name.strip("[]")
            if number in (str(i + 1) for i in range(len(WAYS))):
                wizard.choose_way(tuple(WAYS)[int(number) - 1])
        elif wizard.stage == "questions":
            self._answer_key(wizard, name, event.unicode, shift)
        elif wizard.stage == "marks":
            self._mark_key(wizard, name, shift, live)
        return True

    def _answer_key(self, wizard: Wizard, name: str, typed: str, shift: bool) -> None:
        if name in ("return", "enter"):
            wizard.answered()
        elif name in ("tab", "down", "up"):
            wizard.go(-1 if name == "up" or (name == "tab" and shift) else 1)
        elif name in ("left", "right"):
            wizard.turn(1 if name == "right" else -1)
        elif name == "backspace":
            wizard.erase()
        else:
            wizard.type_text(typed)

    def _put_player(self, wizard: Wizard) -> None:
        """Head and feet where the pose network sees them; the person looks and confirms."""
        image = self._scene.image
        if wizard.way != "standing" or image is None or self._find_player is None:
            return
        found = self._find_player(image)
        if isinstance(found, str):
            self._note = found
        else:
            wizard.place(found)

    def _mark_key(self, wizard: Wizard, name: str, shift: bool, live: bool) -> None:
        self._note = ""
        steps = {"left": (-1, 0), "right": (1, 0), "up": (0, -1), "down": (0, 1)}
        if name in steps:
            step = _FINE_PX if shift else _COARSE_PX
            wizard.nudge(step * steps[name][0], step * steps[name][1])
        elif name in ("return", "enter"):
            wizard.accept()
        elif name in ("u", "backspace"):
            wizard.undo()
        elif name in ("s", "delete", "tab"):
            self._scene = replace(self._scene, region=None)
            if name == "tab":
                wizard.step(-1 if shift else 1)
            else:
                wizard.skip()
        elif name == "z":
            self._closer(wizard)
        elif name == "p":
            self._put_player(wizard)
        elif name == "l":
            self._scene = replace(self._scene, lines=not self._scene.lines)
        elif name == "space" and live:
            if self._held is not None or self._hold_at_s is not None:
                self._held = self._hold_at_s = None
            else:
                self._hold_at_s = time.monotonic() + HOLD_S
