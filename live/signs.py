"""Shapes of the window as masks of opacity, (height, width) from 0 to 255.

Each sign has an outline of its own (disc, triangle, ring, octagon), so that it is told apart from afar without colour.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from .records import ImageArray, Mark, Sight

Points = NDArray[np.int32]
_At = Callable[..., Points]
_Stroke = Callable[[Points, float, int], None]


def panel_mask(width: int, height: int, radius: int) -> ImageArray:
    """A rectangle with round corners."""
    mask = np.zeros((height, width), np.uint8)
    r = max(1, min(radius, width // 2 - 1, height // 2 - 1))
    mask[r : height - r, :] = 255
    mask[:, r : width - r] = 255
    for x in (r, width - 1 - r):
        for y in (r, height - 1 - r):
            cv2.circle(mask, (x, y), r, 255, cv2.FILLED, cv2.LINE_AA)
    return mask


def corner_mask(radius: int) -> ImageArray:
    """What lies outside a round top-left corner."""
    mask = np.full((radius, radius), 255, np.uint8)
    cv2.circle(mask, (radius, radius), radius, 0, cv2.FILLED, cv2.LINE_AA)
    return mask


def sign_mask(name: str, side: int) -> ImageArray:
    """A sign in a square: a value of Mark or Sight, "dot", "turn", or "trouble" for everything else."""
    big = 4 * side
    mask = np.zeros((big, big), np.uint8)

    def at(*points: tuple[float, float]) -> Points:
        return np.array([(x * big, y * big) for x, y in points], np.int32)

    def stroke(points: Points, width: float, level: int) -> None:
        cv2.polylines(mask, [points], False, level, round(width * big))
        for point in points:  # round ends
            cv2.circle(mask, (int(point[0]), int(point[1])), round(width * big / 2), level, cv2.FILLED)

    centre = (big // 2, big // 2)
    if name == "dot":
        cv2.circle(mask, centre, big // 2 - 2, 255, cv2.FILLED)
    elif name == "turn":
        cv2.fillPoly(mask, [at((0.15, 0.05), (0.95, 0.5), (0.15, 0.95))], 255)
    elif name in _DRAWINGS:
        _DRAWINGS[name](at, stroke, mask)
    elif name == Mark.IN_BAND:
        cv2.circle(mask, centre, round(0.48 * big), 255, cv2.FILLED)
        stroke(at((0.28, 0.52), (0.44, 0.68), (0.73, 0.36)), 0.11, 0)
    elif name == Mark.OUT_OF_BAND:
        corners = at((0.5, 0.12), (0.94, 0.88), (0.06, 0.88))
        cv2.fillPoly(mask, [corners], 255)
        stroke(np.vstack([corners, corners[:1]]), 0.09, 255)
        stroke(at((0.5, 0.40), (0.5, 0.60)), 0.11, 0)
        cv2.circle(mask, (big // 2, round(0.77 * big)), round(0.065 * big), 0, cv2.FILLED)
    elif name == Mark.UNSURE:
        cv2.circle(mask, centre, round(0.43 * big), 255, round(0.09 * big))
        stroke(at((0.32, 0.5), (0.68, 0.5)), 0.11, 255)
    else:
        corners = at(*((0.5 + 0.48 * np.cos(a), 0.5 + 0.48 * np.sin(a)) for a in np.pi * (np.arange(8) + 0.5) / 4))
        cv2.fillPoly(mask, [corners], 255)
        stroke(at((0.5, 0.26), (0.5, 0.54)), 0.12, 0)
        cv2.circle(mask, (big // 2, round(0.73 * big)), round(0.07 * big), 0, cv2.FILLED)
    return np.asarray(cv2.resize(mask, (side, side), interpolation=cv2.INTER_AREA), np.uint8)


def ring_mask(side: int, share: float) -> ImageArray:
    """A ring in a square, from the top clockwise as far as `share` (0..1) says."""
    big = 4 * side
    mask = np.zeros((big, big), np.uint8)
    if share > 0:
        centre, radius = (big // 2, big // 2), round(0.44 * big)
        cv2.ellipse(mask, centre, (radius, radius), -90, 0, 360 * share, 255, round(0.10 * big))
    return np.asarray(cv2.resize(mask, (side, side), interpolation=cv2.INTER_AREA), np.uint8)


def _body(at: _At, stroke: _Stroke, mask: ImageArray) -> None:
    """A body with raised arms, and the corners of the picture round it."""
    big = len(mask)
    for x, y in ((0.04, 0.04), (0.96, 0.04), (0.04, 0.96), (0.96, 0.96)):
        inward = (0.18 if x < 0.5 else -0.18), (0.18 if y < 0.5 else -0.18)
        stroke(at((x + inward[0], y), (x, y), (x, y + inward[1])), 0.06, 255)
    cv2.circle(mask, (big // 2, round(0.34 * big)), round(0.09 * big), 255, cv2.FILLED)
    stroke(at((0.5, 0.48), (0.5, 0.66)), 0.09, 255)
    stroke(at((0.30, 0.18), (0.34, 0.44), (0.5, 0.5), (0.66, 0.44), (0.70, 0.18)), 0.07, 255)
    stroke(at((0.38, 0.90), (0.5, 0.66), (0.62, 0.90)), 0.08, 255)


def _distance(at: _At, stroke: _Stroke, mask: ImageArray) -> None:
    """An arrow to both sides between two posts."""
    for x in (0.06, 0.94):
        stroke(at((x, 0.18), (x, 0.82)), 0.09, 255)
    stroke(at((0.22, 0.5), (0.78, 0.5)), 0.09, 255)
    for tip, back in ((0.18, 0.34), (0.82, 0.66)):
        stroke(at((back, 0.33), (tip, 0.5), (back, 0.67)), 0.09, 255)


def _light(at: _At, stroke: _Stroke, mask: ImageArray) -> None:
    """A sun."""
    big = len(mask)
    cv2.circle(mask, (big // 2, big // 2), round(0.21 * big), 255, cv2.FILLED)
    for angle in np.pi * np.arange(8) / 4:
        way = np.array([np.cos(angle), np.sin(angle)])
        stroke(at(tuple(0.5 + 0.32 * way), tuple(0.5 + 0.45 * way)), 0.08, 255)


def _rate(at: _At, stroke: _Stroke, mask: ImageArray) -> None:
    """Pictures one behind the other."""
    for k, level in ((2, 255), (1, 0), (1, 255), (0, 0), (0, 255)):
        x, y = 0.06 + 0.15 * k, 0.36 - 0.14 * k
        corners = at((x, y), (x + 0.58, y), (x + 0.58, y + 0.5), (x, y + 0.5))
        if level == 0:
            stroke(np.vstack([corners, corners[:1]]), 0.16, 0)
            cv2.fillPoly(mask, [corners], 0)
        elif k == 0:
            cv2.fillPoly(mask, [corners], 255)
        else:
            stroke(np.vstack([corners, corners[:1]]), 0.06, 255)


def _level(at: _At, stroke: _Stroke, mask: ImageArray) -> None:
    """A spirit level."""
    big = len(mask)
    corners = at((0.05, 0.32), (0.95, 0.32), (0.95, 0.68), (0.05, 0.68))
    stroke(np.vstack([corners, corners[:1]]), 0.08, 255)
    cv2.circle(mask, (big // 2, big // 2), round(0.10 * big), 255, cv2.FILLED)
    for x in (0.34, 0.66):
        stroke(at((x, 0.40), (x, 0.60)), 0.05, 255)


def _side(at: _At, stroke: _Stroke, mask: ImageArray) -> None:
    """A camera and what it sees."""
    big = len(mask)
    cv2.fillPoly(mask, [at((0.04, 0.36), (0.34, 0.36), (0.34, 0.64), (0.04, 0.64))], 255)
    stroke(at((0.44, 0.44), (0.92, 0.14)), 0.06, 255)
    stroke(at((0.44, 0.56), (0.92, 0.86)), 0.06, 255)
    cv2.circle(mask, (round(0.80 * big), big // 2), round(0.13 * big), 255, cv2.FILLED)


_DRAWINGS: Mapping[str, Callable[[_At, _Stroke, ImageArray], None]] = {
    Sight.BODY: _body,
    Sight.DISTANCE: _distance,
    Sight.LIGHT: _light,
    Sight.RATE: _rate,
    Sight.LEVEL: _level,
    Sight.SIDE: _side,
}
