"""Shapes of the window as masks of opacity, (height, width) from 0 to 255.

Each sign has an outline of its own (disc, triangle, ring, octagon), so that it is told apart from afar without colour.
"""

from __future__ import annotations

import cv2
import numpy as np

from .records import ImageArray, Mark


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
    """A sign in a square: a value of Mark, "dot", or "trouble" for everything else."""
    big = 4 * side
    mask = np.zeros((big, big), np.uint8)

    def at(*points: tuple[float, float]) -> np.ndarray:
        return np.array([(x * big, y * big) for x, y in points], np.int32)

    def stroke(points: np.ndarray, width: float, level: int) -> None:
        cv2.polylines(mask, [points], False, level, round(width * big))
        for point in points:  # round ends
            cv2.circle(mask, (int(point[0]), int(point[1])), round(width * big / 2), level, cv2.FILLED)

    centre = (big // 2, big // 2)
    if name == "dot":
        cv2.circle(mask, centre, big // 2 - 2, 255, cv2.FILLED)
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
