"""Reps of invented players ready to be looked at: trace, measurements, and a film with frame numbers drawn into it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from builders import Form, View, film, mirrored, play, shot, shots_in, stand
from fakes import write_video

from rimward.live import measure
from rimward.live.figure import Take, take
from rimward.live.records import Rep
from rimward.live.reps import Reading
from rimward.live.settings import load_settings
from rimward.live.trace import trace_of

RATE_HZ = 30.0
VIEW = View()
BITS = 8
FORM = Form()


def rep_of(
    form: Form = FORM, view: View = VIEW, index: int = 1, name: str = "", path: str = "", flip: bool = False
) -> Take:
    """One shot of the story, read and measured as in practice; with `flip` seen in a mirror."""
    seen = film(play([stand(1.0), shot(form), stand(0.6)], form, RATE_HZ), view)
    if flip:
        seen = mirrored(seen, view.size[0])
    (reading,) = shots_in(seen, load_settings().phases, view)
    assert isinstance(reading, Reading)
    values = measure.measure(measure.shot(reading, form.stature_m, True))
    rep = Rep(index, reading.hand, reading.events, reading.motion, None, values)
    trace = replace(trace_of(reading, seen, view.px_per_m, view.size, None), film=path)
    return take(rep, trace, name or f"rep {index}")


def numbered_film(path: Path, count: int, size: tuple[int, int] = VIEW.size) -> Path:
    """A clip at the story's rate whose frames carry their number as black and white squares along the lower edge."""
    width, height = size

    def picture(k: int) -> np.ndarray:
        out = np.full((height, width, 3), 90, np.uint8)
        side = width // BITS
        for bit in range(BITS):
            out[height - 24 :, bit * side : (bit + 1) * side] = 255 if k >> bit & 1 else 0
        return out

    return write_video(path, map(picture, range(count)), RATE_HZ, size)


def number_in(picture: np.ndarray) -> int:
    """The number of a frame of `numbered_film`, whatever the size that it is shown in."""
    height, width = picture.shape[:2]
    row = picture[round(height * (1 - 10 / VIEW.size[1]))]
    side = width / BITS
    return sum(1 << bit for bit in range(BITS) if row[round((bit + 0.5) * side)].mean() > 127)
