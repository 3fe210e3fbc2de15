"""The ball's outline in the picture to a fraction of a pixel: its radius tells how far away the ball is.

The search for the ball knows its size only roughly. Here rays are laid out from its centre, the outline is looked for
on each of them, and a circle is fitted that most of the rays agree on: hands hide parts of the ball and seams make
edges inside it, so those that disagree are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .records import Ball, FloatArray, ImageArray

FloatMap = NDArray[np.float32]

_RAYS = 72
_STEPS = 60
_NEAR, _FAR = 0.70, 1.40
"""The outline lies within these shares of the rough radius."""
_CENTRE_SHARE = 0.25
_SOFT_SHARE = 0.03
"""How far from the circle an edge may lie, of the radius, to count half."""
_LEAST_SHARE_OF_RAYS = 0.35
_FITS = 6


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A circle and how much of it was seen."""

    ball: Ball
    seen: float
    """0..1: share of the outline that showed as an edge."""


def outline(image: ImageArray, ball: Ball) -> Outline | None:
    """The circle near `ball` in a BGR image, or None when too little of it shows."""
    rough = ball.radius_px
    reach = int(np.ceil(rough * (_FAR + _CENTRE_SHARE))) + 3
    x0, y0 = (int(np.floor(v)) - reach for v in ball.centre_px)
    height, width = image.shape[:2]
    left, top, right, bottom = max(0, x0), max(0, y0), min(width, x0 + 2 * reach), min(height, y0 + 2 * reach)
    if right - left < 8 or bottom - top < 8 or rough < 4.0:
        return None
    lab = cv2.cvtColor(image[top:bottom, left:right], cv2.COLOR_BGR2Lab).astype(np.float32)
    # leather differs from most of a hall in colour more than in lightness, and its own shading is lightness
    lab[..., 0] *= 0.5
    lab = np.asarray(cv2.GaussianBlur(lab, (0, 0), 0.8), np.float32)
    strength = _edge_strength(lab)
    centre = np.array(ball.centre_px, float) - (left, top)
    angle = np.arange(_RAYS) * 2 * np.pi / _RAYS
    ways = np.stack([np.cos(angle), np.sin(angle)], -1)
    best = _vote(strength, ways, centre, rough)
    c, radius = best
    share = 0.0
    for _ in range(_FITS):
        found = _fit(strength, ways, c, radius)
        if found is None:
            return None
        c, radius, share = found
    if share < _LEAST_SHARE_OF_RAYS or not _NEAR * rough < radius < _FAR * rough:
        return None
    return Outline(Ball(c + (left, top), radius, ball.score), share)


def _vote(strength: FloatMap, ways: FloatArray, centre: FloatArray, rough: float) -> tuple[FloatArray, float]:
    """The circle of a coarse grid whose outline has the most edge on it."""
    step = np.linspace(-1, 1, 5) * 0.12 * rough
    centres = centre + np.stack(np.meshgrid(step, step, indexing="ij"), -1).reshape(-1, 2)
    radii = rough * np.linspace(0.82, 1.22, 17)
    points = centres[:, None, None] + radii[None, :, None, None] * ways
    votes = _along(strength, points.reshape(-1, len(ways), 2).transpose(1, 0, 2), ways).mean(0)
    best = int(votes.argmax())
    return centres[best // len(radii)], float(radii[best % len(radii)])


def _edge_strength(lab: FloatMap) -> FloatMap:
    """(h, w, 2): gradient of the colour, each channel's weighed by its size; saturates so that no edge outshouts."""
    gx = np.stack([cv2.Sobel(lab[..., i], cv2.CV_32F, 1, 0, ksize=3) for i in range(3)], -1) / 8
    gy = np.stack([cv2.Sobel(lab[..., i], cv2.CV_32F, 0, 1, ksize=3) for i in range(3)], -1) / 8
    # structure tensor: the direction of the strongest change over all channels
    a, b, d = (gx * gx).sum(-1), (gx * gy).sum(-1), (gy * gy).sum(-1)
    half = np.sqrt(((a - d) / 2) ** 2 + b * b)
    size = np.sqrt((a + d) / 2 + half)
    theta = 0.5 * np.arctan2(2 * b, a - d)
    size = size / (size + 4.0)
    return np.stack([size, np.cos(2 * theta), np.sin(2 * theta)], -1).astype(np.float32)


def _along(strength: FloatMap, points: FloatArray, ways: FloatArray) -> FloatArray:
    """(rays, n): how much of an edge square to the ray there is at points (rays, n, 2)."""
    at = (points - 0.5).astype(
        np.float32
    )  # (0, 0) is the corner of the picture here, the middle of its first pixel there
    maps = cv2.remap(
        strength, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0)
    )
    double = np.stack([ways[:, 0] ** 2 - ways[:, 1] ** 2, 2 * ways[:, 0] * ways[:, 1]], -1)
    agree = (maps[..., 1] * double[:, None, 0] + maps[..., 2] * double[:, None, 1] + 1) / 2
    return np.asarray(maps[..., 0] * agree**2, np.float64)


def _fit(
    strength: FloatMap, ways: FloatArray, centre: FloatArray, radius: float
) -> tuple[FloatArray, float, float] | None:
    """One round: the best edge near the circle on every ray, then the circle through those that agree."""
    radii = radius * np.linspace(0.88, 1.12, _STEPS)
    edges = _along(strength, centre + ways[:, None] * radii[:, None], ways)
    near = np.exp(-0.5 * ((radii / radius - 1) / (1.6 * _SOFT_SHARE)) ** 2)
    weight = edges**2 * near
    total = weight.sum(1)
    seen = (edges * near).max(1) > 0.25
    if seen.sum() < 8:
        return None
    at = (weight * radii).sum(1) / np.maximum(total, 1e-9)
    off = (at - radius) / radius
    trust = seen / (1 + (off / _SOFT_SHARE) ** 2)
    points = centre + ways * at[:, None]
    # circle through weighted points (algebraic): x^2 + y^2 = 2 a x + 2 b y + c
    local = (points - centre) / radius
    m = np.column_stack([2 * local, np.ones(len(local))])
    q = (local**2).sum(1)
    w = trust[:, None]
    normal = m.T @ (w * m) + np.diag([0.02, 0.02, 0.0]) * trust.sum()
    a, b, c = np.linalg.solve(normal, m.T @ (trust * q))
    return (
        centre + radius * np.array([a, b]),
        float(radius * np.sqrt(max(c + a * a + b * b, 1e-6))),
        float(trust.mean()),
    )
