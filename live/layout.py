"""Where things stand in the window. Whole pixels, (0, 0) is the top-left corner."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

COUNT_HEIGHT = 0.215
"""Least height of the digits in window heights: a player 4 m away reads a fifth of a laptop's window at a glance."""
COUNT_HEIGHT_MOST = 0.30


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle."""

    x: int
    y: int
    w: int
    h: int

    def inset(self, by: int) -> Box:
        """Smaller by this much on every side."""
        return Box(self.x + by, self.y + by, max(0, self.w - 2 * by), max(0, self.h - 2 * by))

    def holding(self, width: float, height: float) -> Box:
        """The largest box of this shape that lies in the middle of this one."""
        scale = min(self.w / width, self.h / height)
        w, h = max(1, int(width * scale)), max(1, int(height * scale))
        return Box(self.x + (self.w - w) // 2, self.y + (self.h - h) // 2, w, h)


@dataclass(frozen=True, slots=True)
class Layout:
    """The parts of the practice screen."""

    margin: int
    bar: Box
    """Status on the left, title on the right."""
    picture: Box
    phases: Box
    count: Box
    notes: Box
    verdict: Box
    """Sign and words of the last rep, or the trouble."""

    @property
    def moving(self) -> Box:
        """The part that changes at every frame."""
        return Box(self.picture.x, self.picture.y, self.picture.w, self.phases.y + self.phases.h - self.picture.y)


def arrange(width: int, height: int, count_width: float) -> Layout:
    """Divide the window; `count_width` is the width of the count's digits over their height.

    Wide windows have the count beside the picture, narrow ones below it. The sign and the cue always run along the
    whole lower edge, where the words have the most room.
    """
    margin = max(6, round(0.025 * min(width, height)))
    strip = max(3, round(0.014 * height))
    inner = width - 2 * margin
    least_column = round(count_width * COUNT_HEIGHT * height) + 2 * margin
    if width >= 0.95 * height:
        bar = Box(margin, margin, inner, round(0.07 * height))
        top = bar.y + bar.h + margin // 2
        picture_h = min(round(0.57 * height), round((inner - margin - least_column) * 9 / 16))
        picture = Box(margin, top, round(picture_h * 16 / 9), picture_h)
        left = picture.x + picture.w + margin
        column = width - margin - left
        digits_h = min(COUNT_HEIGHT_MOST * height, (column - 2 * margin) / count_width, 0.72 * picture_h)
        count = Box(left, top, column, round(max(digits_h, COUNT_HEIGHT * height)) + 4 * margin)
        notes_y = count.y + count.h + margin
        below = max(picture.y + picture.h + strip + margin, notes_y)
        notes = Box(left, notes_y, column, max(0, below - margin - notes_y))
    else:
        bar = Box(margin, margin, inner, round(0.05 * height))
        top = bar.y + bar.h + margin // 2
        count_h = round(COUNT_HEIGHT * height) + 4 * margin
        room = height - top - strip - count_h - 3 * margin - round(0.22 * height)
        picture = Box(margin, top, inner, min(room, round(inner * 9 / 16)))
        row = picture.y + picture.h + strip + margin
        column = min(inner, max(round(0.5 * inner), least_column))
        count = Box(margin, row, column, count_h)
        notes = Box(margin + column + margin, row, max(0, inner - column - margin), count.h)
        below = count.y + count.h + margin
    phases = Box(picture.x, picture.y + picture.h, picture.w, strip)
    verdict = Box(margin, below, inner, height - margin - below)
    return Layout(margin, bar, picture, phases, count, notes, verdict)


def fit_text(
    text: str,
    width: float,
    height: float,
    *,
    advance: Callable[[str], float],
    line: float,
    most_lines: int,
    largest: float,
) -> tuple[float, tuple[str, ...]]:
    """The largest size at which `text` fits, and its lines.

    `advance` gives the width of a text at size 1 and `line` the distance of lines at size 1. Lines break at spaces, so
    that the widest is as narrow as can be.
    """
    best: tuple[float, tuple[str, ...]] = (0.0, ())
    for lines in _line_breaks(text.split(), most_lines):
        widest = max(advance(part) for part in lines)
        size = min(largest, width / max(widest, 1e-9), height / (len(lines) * line))
        if size > best[0] * 1.02:  # fewer lines unless more are worth it
            best = size, lines
    return best


def _line_breaks(words: list[str], most_lines: int) -> Iterator[tuple[str, ...]]:
    """For each number of lines the text in lines of about equal length."""
    if not words:
        yield ("",)
        return
    for count in range(1, min(most_lines, len(words)) + 1):
        yield tuple(" ".join(part) for part in _split(words, count))


def _split(words: list[str], count: int) -> list[list[str]]:
    """The words in `count` parts, so that the longest part has as few letters as can be."""
    if count == 1:
        return [words]
    options = ([words[:i], *_split(words[i:], count - 1)] for i in range(1, len(words) - count + 2))
    return min(options, key=lambda parts: max(len(" ".join(part)) for part in parts))
