"""The places, a gym and a driveway, each with a hoop, as triangle meshes in the hoop frame.

Court marks (drawn by shaders/scene.frag) follow the US court: far edge of the free-throw line 4.191 m from the ring's
centre, face of the board 0.381 m beyond it, ring 3.048 m high.
"""

from __future__ import annotations

import numpy as np

from .ball import (
    BOARD_BOTTOM_M,
    BOARD_FROM_RING_M,
    BOARD_HALF_WIDTH_M,
    BOARD_TOP_M,
    RING_HEIGHT_M,
    RING_RADIUS_M,
    RING_TUBE_M,
)
from .materials import ASPHALT, BALL, BRICK, CLOTH, GRASS, SHOE, WOOD

Part = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]
"""Vertices (n, 3), triangles (m, 3), normals (n, 3), colours (n, 3), materials (n,)."""

LIGHT = {
    "gym": {"amb": 0.46, "sun": 0.60, "toward": (0.55, 0.35, 1.15), "sky": (0.6, 0.65, 0.7)},
    "driveway": {"amb": 0.46, "sun": 0.72, "toward": (0.75, 0.45, 1.0), "sky": (0.62, 0.76, 0.92)},
}


def quad(p, u, v, colour, material) -> Part:
    """A parallelogram with corner p and edges u, v (each (3,) m)."""
    p, u, v = (np.asarray(a, float) for a in (p, u, v))
    n = np.cross(u, v)
    return (
        np.array([p, p + u, p + u + v, p + v]),
        np.array([[0, 1, 2], [0, 2, 3]]),
        np.tile(n / np.linalg.norm(n), (4, 1)),
        np.tile(colour, (4, 1)),
        np.full(4, float(material)),
    )


def _box(low, high, colour, material=CLOTH) -> list[Part]:
    low, high = np.asarray(low, float), np.asarray(high, float)
    ex, ey, ez = np.diag(high - low)
    sides = [(low, ey, ex), (low + ez, ex, ey), (low, ex, ez), (low + ey, ez, ex), (low, ez, ey), (low + ex, ey, ez)]
    return [quad(p, u, v, colour, material) for p, u, v in sides]


def _grid_faces(nu: int, nv: int, wrap: bool) -> np.ndarray:
    i, j = np.meshgrid(np.arange(nu if wrap else nu - 1), np.arange(nv if wrap else nv - 1), indexing="ij")
    a, b = i * nv + j, (i + 1) % nu * nv + j
    c, d = (i + 1) % nu * nv + (j + 1) % nv, i * nv + (j + 1) % nv
    return np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])


def _torus(centre, radius: float, tube: float, colour, material=SHOE, nu: int = 48, nv: int = 10) -> Part:
    u, v = np.meshgrid(
        np.linspace(0, 2 * np.pi, nu, endpoint=False), np.linspace(0, 2 * np.pi, nv, endpoint=False), indexing="ij"
    )
    n = np.stack([np.cos(u) * np.cos(v), np.sin(u) * np.cos(v), np.sin(v)], -1).reshape(-1, 3)
    p = np.asarray(centre) + np.stack([np.cos(u), np.sin(u), 0 * u], -1).reshape(-1, 3) * radius + tube * n
    return p, _grid_faces(nu, nv, True), n, np.tile(colour, (len(p), 1)), np.full(len(p), float(material))


def _tube(a, b, radius: float, colour, material=CLOTH, n: int = 6) -> Part:
    a, b = np.asarray(a, float), np.asarray(b, float)
    d = (b - a) / np.linalg.norm(b - a)
    s = np.cross(d, [0, 0, 1.0] if abs(d[2]) < 0.9 else [1.0, 0, 0])
    s /= np.linalg.norm(s)
    th = np.arange(n) * 2 * np.pi / n
    normal = np.cos(th)[:, None] * s + np.sin(th)[:, None] * np.cross(d, s)
    k, j = np.arange(n), (np.arange(n) + 1) % n
    f = np.concatenate([np.stack([k, j, n + j], 1), np.stack([k, n + j, n + k], 1)])
    points = np.vstack([a + radius * normal, b + radius * normal])
    return points, f, np.vstack([normal, normal]), np.tile(colour, (2 * n, 1)), np.full(2 * n, float(material))


def sphere(n: int = 40, centre=(0, 0, 0), radius=(1, 1, 1), colour=(1, 1, 1), material: int = BALL) -> Part:
    """An ellipsoid; by default the unit sphere from which the ball is drawn."""
    u, v = np.meshgrid(np.linspace(0, np.pi, n // 2 + 1), np.linspace(0, 2 * np.pi, n + 1), indexing="ij")
    p = np.stack([np.sin(u) * np.cos(v), np.sin(u) * np.sin(v), np.cos(u)], -1).reshape(-1, 3)
    points = p * np.asarray(radius) + np.asarray(centre)
    return (
        points,
        _grid_faces(n // 2 + 1, n + 1, False),
        p,
        np.tile(colour, (len(p), 1)),
        np.full(len(p), float(material)),
    )


def hoop() -> list[Part]:
    """Board, ring, net and post."""
    face, inch = BOARD_FROM_RING_M, 0.0254
    ring = np.array([0, 0, RING_HEIGHT_M])
    out = _box(
        (-BOARD_HALF_WIDTH_M, face, BOARD_BOTTOM_M), (BOARD_HALF_WIDTH_M, face + 0.03, BOARD_TOP_M), (0.93, 0.93, 0.95)
    )
    for x0, x1, z0, z1 in ((-12, 12, 0, 2), (-12, 12, 16, 18), (-12, -10, 0, 18), (10, 12, 0, 18)):
        out += _box(
            (x0 * inch, face - 0.004, RING_HEIGHT_M + z0 * inch),
            (x1 * inch, face, RING_HEIGHT_M + z1 * inch),
            (0.85, 0.25, 0.10),
        )
    for x0, x1, z0, z1 in ((-36, 36, -6, -4), (-36, 36, 34, 36), (-36, -34, -6, 36), (34, 36, -6, 36)):
        out += _box(
            (x0 * inch, face - 0.004, RING_HEIGHT_M + z0 * inch),
            (x1 * inch, face, RING_HEIGHT_M + z1 * inch),
            (0.3, 0.3, 0.32),
        )
    out.append(_torus(ring, RING_RADIUS_M + RING_TUBE_M, RING_TUBE_M, (0.90, 0.28, 0.08)))
    out += _box((-0.06, RING_RADIUS_M, RING_HEIGHT_M - 0.03), (0.06, face, RING_HEIGHT_M + 0.005), (0.90, 0.28, 0.08))
    out.append(_tube((0, face + 1.2, 0), (0, face + 1.2, 3.35), 0.08, (0.2, 0.2, 0.22), n=10))
    out.append(_tube((0, face + 1.2, 3.35), (0, face + 0.03, 3.35), 0.06, (0.2, 0.2, 0.22), n=10))
    radii = (0.228, 0.19, 0.155, 0.13, 0.125)
    for k in range(12):
        for level in range(4):
            for sign in (-1, 1):
                a, b = np.pi / 6 * (k + 0.5 * level), np.pi / 6 * (k + 0.5 * level + 0.5 * sign)
                upper = np.array([radii[level] * np.cos(a), radii[level] * np.sin(a), -0.11 * level])
                lower = np.array([radii[level + 1] * np.cos(b), radii[level + 1] * np.sin(b), -0.11 * (level + 1)])
                out.append(_tube(ring + upper, ring + lower, 0.004, (0.95, 0.95, 0.95), n=4))
    return out


def gym() -> Part:
    """A sports hall with its hoop."""
    y0, y1, w = -14.7, 3.3, 10.0
    out = [
        quad((-w, y0, 0), (2 * w, 0, 0), (0, y1 - y0, 0), (0.72, 0.52, 0.32), WOOD),
        quad((-w, y1, 0), (2 * w, 0, 0), (0, 0, 8), (0.70, 0.72, 0.74), BRICK),
        quad((-w, y0, 0), (2 * w, 0, 0), (0, 0, 8), (0.70, 0.72, 0.74), BRICK),
        quad((-w, y0, 0), (0, y1 - y0, 0), (0, 0, 8), (0.68, 0.71, 0.75), BRICK),
        quad((w, y0, 0), (0, y1 - y0, 0), (0, 0, 8), (0.68, 0.71, 0.75), BRICK),
        quad((-w, y0, 8), (2 * w, 0, 0), (0, y1 - y0, 0), (0.55, 0.55, 0.57), CLOTH),
    ]
    colours = [(0.6, 0.1, 0.1), (0.1, 0.3, 0.5), (0.8, 0.7, 0.2), (0.15, 0.4, 0.25)]
    for k in range(5):
        out += _box((-w + 0.4, -10.7 + 2.4 * k, 0), (-w + 0.8, -8.7 + 2.4 * k, 0.45), (0.35, 0.25, 0.16))
    for k in range(4):
        out.append(quad((-w + 0.03, -11.7 + 4 * k, 3.2), (0, 1.6, 0), (0, 0, 2.2), colours[k], CLOTH))
        out.append(quad((-6 + 3.6 * k, y0 + 0.03, 2.8), (1.4, 0, 0), (0, 0, 2), colours[k - 1], CLOTH))
    for low, high, colour in (
        ((-9.5, -1.4, 0), (-9, -0.8, 0.35), (0.1, 0.1, 0.1)),
        ((-6.5, -14.2, 0), (-5, -13.6, 1.2), (0.25, 0.3, 0.4)),
        ((4, -14.3, 0), (5, -13.5, 0.9), (0.5, 0.2, 0.2)),
    ):
        out += _box(low, high, colour)
    return merge(hoop() + out)


def driveway() -> Part:
    """A driveway before a garage with its hoop."""
    out = [
        quad((-40, -40, -0.01), (80, 0, 0), (0, 80, 0), (0.24, 0.36, 0.14), GRASS),
        quad((-5, -14, 0), (10, 0, 0), (0, 17, 0), (0.38, 0.38, 0.39), ASPHALT),
    ]
    out += _box((-6.5, 3.2, 0), (6.5, 9, 3.4), (0.62, 0.56, 0.48), BRICK)
    out += _box((-2.6, 3.14, 0), (2.6, 3.2, 2.35), (0.86, 0.86, 0.84))
    for k in range(5):
        out += _box((-2.6, 3.12, 0.02 + 0.47 * k), (2.6, 3.14, 0.05 + 0.47 * k), (0.55, 0.55, 0.55))
    out += _box((-7, 2.8, 3.4), (7, 9.4, 3.6), (0.30, 0.20, 0.17))
    out += _box((3.6, 3.12, 1.0), (5.2, 3.2, 2.2), (0.25, 0.32, 0.40))
    for side in (-1, 1):
        for k in range(14):
            out += _box(
                (side * 9 - 0.03, -22 + 1.9 * k, 0), (side * 9 + 0.03, -20.2 + 1.9 * k, 1.7), (0.47, 0.36, 0.25)
            )
        for k, (y, s) in enumerate(((-13, 1.5), (-6, 1.1), (0, 1.8))):
            x = side * (11.5 + k)
            out.append(_tube((x, y, 0), (x, y, 2.6), 0.18, (0.30, 0.22, 0.15), n=8))
            out.append(sphere(14, (x, y, 3.6 + 0.3 * s), (1.5 * s, 1.4 * s, 1.6 * s), (0.14, 0.30, 0.10), GRASS))
    out += _box((-7, -22, 0), (-1.5, -20, 1.5), (0.5, 0.08, 0.08))
    out += _box((-6, -21.8, 1.5), (-2.5, -20.2, 2.1), (0.15, 0.17, 0.2))
    out += _box((-14, -34, 0), (12, -28, 4.5), (0.70, 0.66, 0.58), BRICK)
    out += _box((-15, -35, 4.5), (13, -27, 5.2), (0.33, 0.18, 0.14))
    return merge(hoop() + out)


def merge(parts: list[Part]) -> Part:
    """One mesh of many."""
    starts = np.cumsum([0] + [len(p[0]) for p in parts])
    return (
        np.vstack([p[0] for p in parts]),
        np.vstack([p[1] + s for p, s in zip(parts, starts, strict=False)]),
        np.vstack([p[2] for p in parts]),
        np.vstack([p[3] for p in parts]),
        np.concatenate([p[4] for p in parts]),
    )


PLACES = {"gym": gym, "driveway": driveway}
"""The places by name; each call builds the mesh."""
