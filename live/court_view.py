"""The court over the practice picture, and what is said when the camera was moved. Pure: times and records in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimward.calibration.court_overlay import court_overlay
from rimward.calibration.record import Calibration

from .records import FloatArray, View
from .words import Words, text

_TROUBLE_S = 6.0
"""So long the words take the big place, counted while they have it: on another day they come while nobody stands in the
picture yet. Then they stay small, so that the cues are seen again."""
_SAME_SPOT_M = 0.05


class CourtView:
    """Adds to views what a calibrated practice shows.

    The court is drawn on request, and by itself while nobody has said whether the camera still stands where it stood.
    """

    def __init__(self, calibration: Calibration | None, words: Words) -> None:
        self._calibration, self._words = calibration, words
        self._wanted = False
        self._moved_s: float | None = None
        self._large_left_s = 0.0
        self._large_seen_s: float | None = None
        """Of the last view, if the words had the big place in it."""
        self._drawn: tuple[FloatArray, ...] = ()
        self._drawn_for: FloatArray | None = None
        self._stale = True

    @property
    def trusted(self) -> bool:
        """Whether values may use the calibration now."""
        return self._calibration is not None and self._moved_s is None

    @property
    def shows_lines(self) -> bool:
        """Whether the court is drawn now."""
        return self._calibration is not None and (self._wanted or self._moved_s is not None)

    def toggle(self) -> None:
        """Draw the court, or stop drawing it."""
        self._wanted = not self._wanted

    def moved(self, t_s: float) -> None:
        """The background no longer matches: the camera was moved at this time."""
        if self._calibration is not None and self._moved_s is None:
            self._moved_s, self._large_left_s, self._large_seen_s = t_s, _TROUBLE_S, None

    def confirm(self) -> None:
        """The person looked at the lines: the calibration still fits."""
        self._moved_s = None

    def dressed(self, view: View, spot_m: FloatArray | None = None) -> View:
        """The view with the court over it, where it is to be drawn, and the words after the camera was moved.

        `spot_m` ((2,) or (3,), hoop frame): where the shooter stands, for the line to the hoop.
        """
        if self._calibration is None:
            return view
        if self.shows_lines:
            view = replace(view, guides=self._lines(self._calibration, spot_m))
        return view if self._moved_s is None else self._warned(view)

    def _warned(self, view: View) -> View:
        """Another trouble goes first; the lines never stand there without a word."""
        words = text(self._words, "moved")
        if self._large_seen_s is not None:
            self._large_left_s -= max(0.0, view.t_s - self._large_seen_s)
        large = self._large_left_s > 0 and not view.trouble
        self._large_seen_s = view.t_s if large else None
        return replace(view, notice=words) if view.trouble else replace(view, status=words, trouble=large)

    def _lines(self, calibration: Calibration, spot_m: FloatArray | None) -> tuple[FloatArray, ...]:
        """Drawn anew only when the shooter has moved on."""
        spot = None if spot_m is None or not np.isfinite(spot_m).all() else np.asarray(spot_m, dtype=np.float64)[:2]
        before = self._drawn_for
        same = spot is before or (
            spot is not None and before is not None and float(np.linalg.norm(spot - before)) < _SAME_SPOT_M
        )
        if self._stale or not same:
            self._drawn, self._drawn_for, self._stale = tuple(court_overlay(calibration, spot)), spot, False
        return self._drawn
