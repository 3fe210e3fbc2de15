"""The pictures of a report as SVG text: shots in order, sessions in order, the shot's timeline, a drawn body.

The same content gives the same text, byte for byte. Words stay words in the SVG, so that they can be read aloud, found
and enlarged. Blue and orange stay apart for every kind of colour blindness (Okabe & Ito 2008), and so do the shapes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from html import escape
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from .records import Ball, FloatArray, Pose
from .report_records import Instant, Mask, Panel
from .skeleton import BONES, INDEX

INK, QUIET, GRID = "#0d1219", "#4a5866", "#8a96a3"
IN, OUT, BAND = "#00618f", "#a24a00", "#d9effb"
"""The screens' blue and orange, dark enough for white paper."""
MOST_MARKS = 240
"""More shots than this are drawn as medians of neighbours: single dots would run into each other."""
MOST_SESSIONS = 40
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "rimward",
    "font.family": ["DejaVu Sans"],  # comes with matplotlib; the page's own font takes its place
    "font.size": 9.0,
    "axes.edgecolor": GRID,
    "axes.labelcolor": QUIET,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "path.simplify": False,
}
_BLANK = dict.fromkeys(("Date", "Creator", "Format", "Type"))


def shots(panel: Panel, key: str) -> str:
    """Each shot of the period in order, the band behind them. `key` makes the ids of several pictures differ."""
    with matplotlib.rc_context(_STYLE):
        figure, axes = _axes()
        number = np.arange(1.0, len(panel.values) + 1)
        seen = np.isfinite(panel.values)
        _band(axes, panel)
        if len(panel.starts) <= MOST_SESSIONS:
            between = np.array(panel.starts[1:]) + 0.5
            everywhere = axes.get_xaxis_transform()
            axes.vlines(between, 0, 1, GRID, (0, (2, 2)), linewidth=0.8, transform=everywhere)
        if len(panel.values) <= MOST_MARKS:
            _marks(axes, panel, number[seen], panel.values[seen], 4)
        else:
            _blocks(axes, panel, number, seen)
        axes.set_xlim(0.2, len(panel.values) + 0.8)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=6, min_n_ticks=1))
        axes.set_xlabel("shot")
        return _svg(figure, f"{panel.label}, shot by shot", panel.alt, key)


def sessions(panel: Panel, key: str) -> str:
    """The median of each session with its error, those of the period filled."""
    with matplotlib.rc_context(_STYLE):
        figure, axes = _axes()
        _band(axes, panel)
        at = np.flatnonzero(np.isfinite(panel.medians))[-MOST_SESSIONS:]
        place = np.arange(1, len(at) + 1)
        for now in (False, True):
            which = panel.current[at] == now
            axes.errorbar(
                place[which],
                panel.medians[at][which],
                panel.sigmas[at][which],
                fmt="o",
                color=IN if now else QUIET,
                markerfacecolor=IN if now else "white",
                markersize=5,
                elinewidth=1.2,
            )
        axes.set_xlim(0.4, len(at) + 0.6)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=6, min_n_ticks=1))
        axes.set_xlabel("session, median with its error")
        return _svg(figure, f"{panel.label}, session by session", panel.alt, key)


def timeline(instants: Sequence[Instant], alt: str, key: str) -> str:
    """The instants of the shot, one under the other, in seconds from the release; bars are the middle half of shots."""
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(4.8, 0.55 + 0.24 * len(instants)))
        bottom = 0.45 / figure.get_figheight()
        axes = figure.add_axes((0.16, bottom, 0.82, 0.98 - bottom))
        axes.axvline(0, color=GRID, linewidth=1)
        for k, one in enumerate(instants):
            release = one.label == "Release"
            colour = OUT if release else IN
            axes.plot([one.low_s, one.high_s], [k, k], color=colour, linewidth=6, alpha=0.35)
            axes.plot(one.median_s, k, "D" if release else "o", color=colour, markersize=6)
        axes.set_ylim(len(instants) - 0.4, -0.6)
        axes.set_yticks(range(len(instants)), [one.label for one in instants], color=INK)
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(nbins=6))
        axes.set_xlabel("seconds from the release")
        return _svg(figure, "The shot's timeline", alt, key)


def body(pose: Pose, ball: Ball | None, alt: str) -> str:
    """A drawn skeleton with the ball, cut to what it fills."""
    points = pose.landmarks_px
    ends = [points] if ball is None else [points, ball.centre_px + ball.radius_px, ball.centre_px - ball.radius_px]
    corner, far = np.min(np.vstack(ends), axis=0), np.max(np.vstack(ends), axis=0)
    unit = 100.0 / float(max(far - corner))
    middle = (corner + far) / 2

    def place(point: FloatArray) -> tuple[str, str]:
        x, y = (point - middle) * unit + np.array([40.0, 55.0])
        return f"{x:.1f}", f"{y:.1f}"

    parts = []
    for a, b in BONES:
        (x1, y1), (x2, y2) = place(points[a]), place(points[b])
        parts.append(f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>')
    x, y = place((points[INDEX["left_ear"]] + points[INDEX["right_ear"]]) / 2)
    parts.append(f'<circle cx="{x}" cy="{y}" r="5" fill="{IN}"/>')
    if ball is not None:
        x, y = place(ball.centre_px)
        parts.append(f'<circle cx="{x}" cy="{y}" r="{ball.radius_px * unit:.1f}" fill="{OUT}" stroke="none"/>')
    return (
        f'<svg role="img" viewBox="0 0 80 110" xmlns="http://www.w3.org/2000/svg"><title>{escape(alt)}</title>'
        f'<g stroke="{IN}" stroke-width="2" stroke-linecap="round" fill="none">{"".join(parts)}</g></svg>'
    )


def _axes() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(4.8, 1.55))
    # by hand: matplotlib's own arrangement draws everything twice, and two pictures side by side must line up
    axes = figure.add_axes((0.10, 0.28, 0.89, 0.69))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=4))
    return figure, axes


def _band(axes: Axes, panel: Panel) -> None:
    """The band as a strip, and a range that shows the values rather than an end that lies far away."""
    values = np.concatenate([panel.values, panel.medians - panel.sigmas, panel.medians + panel.sigmas])
    values = values[np.isfinite(values)]
    low, high = float(values.min()), float(values.max())
    room = max(high - low, 1e-3 * max(abs(low), abs(high)), 1e-6)
    for end in (panel.low, panel.high):
        if end is not None and low - room < end < high + room:
            low, high = min(low, end), max(high, end)
    room = max(high - low, 1e-3 * max(abs(low), abs(high)), 1e-6)
    low, high = low - 0.1 * room, high + 0.1 * room
    axes.set_ylim(low, high)
    axes.axhspan(
        low if panel.low is None else max(low, min(high, panel.low)),
        high if panel.high is None else min(high, max(low, panel.high)),
        color=BAND,
        linewidth=0,
        zorder=0,
    )
    for end in (panel.low, panel.high):
        if end is not None and low < end < high:
            axes.axhline(end, color=IN, linewidth=0.8, zorder=0.5)


def _outside(panel: Panel, values: FloatArray) -> Mask:
    out = np.zeros(len(values), bool)
    if panel.low is not None:
        out |= values < panel.low
    if panel.high is not None:
        out |= values > panel.high
    return out


def _blocks(axes: Axes, panel: Panel, number: FloatArray, seen: Mask) -> None:
    """Medians of neighbours and their middle halves."""
    parts = [part for part in np.array_split(np.arange(len(number)), MOST_MARKS // 4) if seen[part].any()]
    at = np.array([number[part].mean() for part in parts])
    low, median, high = np.array([np.quantile(panel.values[part][seen[part]], (0.25, 0.5, 0.75)) for part in parts]).T
    colours = [OUT if out else IN for out in _outside(panel, median)]
    axes.vlines(at, low, high, colours, linewidth=1)
    _marks(axes, panel, at, median, 3.5)


def _marks(axes: Axes, panel: Panel, at: FloatArray, values: FloatArray, size: float) -> None:
    """Colour and shape say what lies outside the band."""
    out = _outside(panel, values)
    for which, shape, colour in ((~out, "o", IN), (out, "D", OUT)):
        axes.plot(at[which], values[which], shape, color=colour, markersize=size)


def _svg(figure: Figure, title: str, alt: str, key: str) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata=_BLANK)
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'<g id="[^"]*"', "<g", text)  # names of parts, the same in every picture
    # what refers to a definition must find the one of its own picture
    text = re.sub(r'(\bid="|xlink:href="#|url\(#)', rf"\g<1>{key}-", text)
    size = re.search(r'viewBox="[^"]*"', text)
    assert size is not None
    head = (
        f'<svg role="img" aria-labelledby="{key}-title {key}-desc" {size[0]} xmlns="http://www.w3.org/2000/svg" '
        f'xmlns:xlink="http://www.w3.org/1999/xlink"><title id="{key}-title">{escape(title)}</title>'
        f'<desc id="{key}-desc">{escape(alt)}</desc>'
    )
    return head + text[text.index(">") + 1 :].rstrip()
