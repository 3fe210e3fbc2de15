"""A figure drawn on a picture, with its words; key pictures and annotated clips as files. Colours and lines are those
of the practice window.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .clip import hush_opencv
from .errors import UsageError
from .figure import Corner, Figure, SetPoint, Take, figure
from .overlay import Colour, Ink, draw_guides, draw_people, scaled
from .records import FloatArray, ImageArray
from .screen import STYLE, Style
from .timeline import KEY_PICTURES, key_instant_s, nearest

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

Picture = Callable[[Take, int], ImageArray | None]
"""Gives the film's frame of a rep's sample; None when only the skeleton may be shown or no film is there."""

OTHER: Colour = (255, 162, 51)
"""The second of two bodies: orange beside blue (screen.Style)."""
_LINE = 0.006
"""Width of the measuring lines, in heights of the picture."""


def annotated(
    picture: ImageArray | None,
    drawn: Figure,
    source: tuple[int, int],
    size: tuple[int, int],
    *,
    caption: str = "",
    style: Style = STYLE,
) -> ImageArray:
    """A new picture of `size` (width, height): a rep's frame, or a plain ground, with the figure and its words on it.

    `source` is the size of the picture that the figure's pixels belong to.
    """
    width, height = size
    if picture is None:
        canvas: ImageArray = np.empty((height, width, 3), np.uint8)
        canvas[:] = style.panel[::-1]
    else:
        canvas = scaled(picture, width, height)
    thick = max(2.0, 0.010 * height)
    scale = np.array([width, height]) / np.array(source)
    if drawn.path is not None:
        draw_guides(canvas, [drawn.path], source, style.ink, style.outline, thick=0.4 * thick)
    if drawn.other is not None or drawn.other_ball is not None:
        second = Ink(OTHER, style.quiet, style.ink, OTHER, style.outline)
        draw_people(canvas, drawn.other, drawn.other_ball, source, second, thick=0.8 * thick)
    draw_people(
        canvas,
        drawn.pose,
        drawn.ball,
        source,
        Ink(style.accent, style.quiet, style.ink, style.ink, style.outline),
        thick=thick,
    )
    if drawn.set_point is not None:
        _draw_set_point(canvas, drawn.set_point, scale, style)
    for corner in drawn.corners:
        _draw_corner(canvas, corner, scale, style)
    if caption:
        write(canvas, caption, 0.02 * height, 0.02 * height, 0.042 * height, style.ink, style.outline)
    return canvas


def _draw_corner(canvas: ImageArray, corner: Corner, scale: FloatArray, style: Style) -> None:
    """An arc inside the angle, and its degrees beside the joint, away from the limbs."""
    height = canvas.shape[0]
    at = corner.at * scale
    arms = [end * scale - at for end in corner.ends]
    lengths = [float(np.linalg.norm(arm)) for arm in arms]
    if min(lengths) < 1e-6:
        return
    first, second = (float(np.arctan2(arm[1], arm[0])) for arm in arms)
    turn = (second - first + np.pi) % (2 * np.pi) - np.pi
    radius = min(0.4 * min(lengths), 0.06 * height)
    steps = first + turn * np.linspace(0.0, 1.0, 24)
    arc = at + radius * np.column_stack([np.cos(steps), np.sin(steps)])
    shown = (float(canvas.shape[1]), float(height))
    draw_guides(canvas, [arc], shown, style.alarm, style.outline, thick=max(2.0, _LINE * height))
    size = 0.036 * height
    away = -(arms[0] / lengths[0] + arms[1] / lengths[1])
    norm = float(np.linalg.norm(away))
    # a straight limb has no outside: its words go square to it
    away = away / norm if norm > 0.2 else np.array([-arms[0][1], arms[0][0]]) / lengths[0]
    words = f"{corner.degrees:.0f}\N{DEGREE SIGN}"
    wide = text_width(words, size)
    place = at + away * (0.03 * height + 0.5 * max(size, wide * abs(float(away[0])))) - np.array([wide, size]) / 2
    write(canvas, words, float(place[0]), float(place[1]), size, style.ink, style.outline)


def _draw_set_point(canvas: ImageArray, point: SetPoint, scale: FloatArray, style: Style) -> None:
    """Two levels, the eyes' and the ball's, the height between them, and its value."""
    height, width = canvas.shape[:2]
    ball, eyes = point.ball * scale, point.eyes * scale
    half, shown = 0.11 * height, (float(width), float(height))
    x = float(ball[0] + eyes[0]) / 2
    levels = [np.array([[x - half, y], [x + half, y]]) for y in (float(ball[1]), float(eyes[1]))]
    side = x - half
    between = np.array([[side, float(ball[1])], [side, float(eyes[1])]])
    thick = max(1.5, 0.5 * _LINE * height)
    draw_guides(canvas, [*levels, between], shown, style.alarm, style.outline, thick=thick)
    if point.words:
        size = 0.036 * height
        wide = text_width(point.words, size)
        left = float(np.clip(side - wide - 0.4 * size, 0.0, width - wide))
        top = float(ball[1] + eyes[1]) / 2 - size / 2
        write(canvas, point.words, left, top, size, style.ink, style.outline)


# ---- words


def write(canvas: ImageArray, words: str, x: float, y: float, size: float, ink: Colour, outline: Colour) -> None:
    """Words on a BGR picture, in place: (x, y) is the top-left corner, `size` the height of a line in pixels. What lies
    outside the picture is cut off.
    """
    inside, around = _letters(words, max(6, round(size)))
    high, wide = inside.shape
    left, top = round(x), round(y)
    x0, y0 = max(0, left), max(0, top)
    x1, y1 = min(canvas.shape[1], left + wide), min(canvas.shape[0], top + high)
    if x0 >= x1 or y0 >= y1:
        return
    part = canvas[y0:y1, x0:x1].astype(np.float32)
    for mask, colour in ((around, outline), (inside, ink)):
        alpha = mask[y0 - top : y1 - top, x0 - left : x1 - left, None].astype(np.float32) / 255
        part += alpha * (np.array(colour[::-1], np.float32) - part)
    canvas[y0:y1, x0:x1] = np.round(part).astype(np.uint8)


def text_width(words: str, size: float) -> int:
    """How wide `write` makes these words, in pixels."""
    return int(_letters(words, max(6, round(size)))[0].shape[1])


@lru_cache(512)
def _letters(words: str, size: int) -> tuple[ImageArray, ImageArray]:
    """Two masks of opacity (height, width): the letters, and the letters with an edge round them."""
    from PIL import Image, ImageDraw

    font, edge = _font(size), max(1, round(0.09 * size))
    left, _, right, _ = font.getbbox(words, stroke_width=edge)
    shape = (max(1, round(right - left)), round(1.25 * size) + 2 * edge)
    masks = []
    for stroke in (0, edge):
        mask = Image.new("L", shape, 0)
        ImageDraw.Draw(mask).text((edge, edge), words, 255, font, stroke_width=stroke)
        masks.append(np.asarray(mask, np.uint8))
    return masks[0], masks[1]


@lru_cache(32)
def _font(size: int) -> FreeTypeFont:
    """DejaVu Sans, which comes with matplotlib: it has Latin, Greek and Cyrillic letters, and every sign used here."""
    import matplotlib
    from PIL import ImageFont

    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), size)


# ---- files


def key_pictures(taken: Take, picture: Picture) -> dict[str, ImageArray]:
    """Set, release and follow-through, those of them that the rep's trace holds; in the size of the film."""
    found = {}
    for name, words in KEY_PICTURES.items():
        instant_s = key_instant_s(taken.rep.events, name)
        if taken.t_s[0] <= instant_s <= taken.t_s[-1]:
            k, size = nearest(taken.t_s, instant_s), taken.trace.size
            caption = f"{taken.name}  {words}".strip()
            found[name] = annotated(picture(taken, k), figure(taken, k), size, size, caption=caption)
    return found


def encoded(image: ImageArray, suffix: str) -> bytes:
    """The content of a .png or .jpg file."""
    done, content = cv2.imencode(suffix, image)
    if not done:
        raise ValueError(f"a picture must be a .png or .jpg, got {suffix}")
    return content.tobytes()


def save_picture(path: Path, image: ImageArray) -> None:
    """Write a PNG or JPEG, as the name ends, whole or not at all. Raises UsageError when that cannot be."""
    _whole(path, lambda aside: aside.write_bytes(encoded(image, path.suffix)))


def save_clip(path: Path, takes: Iterable[Take], picture: Picture, *, most_height: int = 1080) -> int:
    """Write one rep after the other as an MP4 (MPEG-4 part 2) at the film's own speed; returns the number of frames.

    The first rep gives size and rate; the picture is shrunk to `most_height`. Raises UsageError when the file cannot be
    written, or there is no rep.
    """
    queue = list(takes)
    if not queue:
        raise UsageError(f"an annotated clip must show a rep, there is none for {path}")
    hush_opencv()
    first = queue[0].trace
    shrink = min(1.0, most_height / first.size[1])
    size = (max(2, 2 * round(first.size[0] * shrink / 2)), max(2, 2 * round(first.size[1] * shrink / 2)))
    rate_hz = 1.0 / float(np.median(np.diff(first.t_s)))
    count = 0

    def encode(aside: Path) -> None:
        nonlocal count
        writer = cv2.VideoWriter(str(aside), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*"mp4v"), rate_hz, size)
        if not writer.isOpened():
            raise OSError(0, "it cannot be opened as a video file")
        try:
            for frame in _frames(queue, picture, rate_hz, size):
                writer.write(frame)
                count += 1
        finally:
            writer.release()
        if not aside.exists() or aside.stat().st_size == 0:
            raise OSError(0, "nothing could be written")

    _whole(path, encode)
    return count


def _frames(takes: Iterable[Take], picture: Picture, rate_hz: float, size: tuple[int, int]) -> Iterator[ImageArray]:
    """At an even rate: of a clip with a variable one each instant shows the frame that stood then."""
    for taken in takes:
        release_s = taken.rep.events.release_s
        for now_s in np.arange(taken.t_s[0], taken.t_s[-1] + 0.5 / rate_hz, 1.0 / rate_hz):
            k = nearest(taken.t_s, float(now_s))
            caption = f"{taken.name}  {taken.t_s[k] - release_s:+.2f} s from release"
            yield annotated(picture(taken, k), figure(taken, k), taken.trace.size, size, caption=caption)


def _whole(path: Path, write_to: Callable[[Path], object]) -> None:
    aside = path.with_name(f".{os.getpid()}.{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_to(aside)
        aside.replace(path)
    except OSError as error:
        raise UsageError(f"{path} must be writable, it is not ({error.strerror}); name another place") from None
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
