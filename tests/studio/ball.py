"""The ball: launch velocity, drag-free flight, and bounces on ring, board, net and floor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .tracks import RATE_HZ

GRAVITY_MPS2 = 9.81
BALL_RADIUS_M = 9.5 * 0.0254 / 2  # size 7
RING_RADIUS_M = 9 * 0.0254  # inside edge
RING_TUBE_M = 0.625 * 0.0254 / 2
RING_HEIGHT_M = 3.048
BOARD_FROM_RING_M = 15 * 0.0254  # ring centre to the face of the board
BOARD_HALF_WIDTH_M = 0.9144
BOARD_BOTTOM_M, BOARD_TOP_M = 2.896, 3.962


@dataclass
class Flight:
    """Free path: positions (N, 3) at RATE_HZ in the asker's frame, sample of the first touch, and the result."""

    position: np.ndarray
    touch: int
    made: bool


def launch(start: np.ndarray, target: np.ndarray, angle_rad: float) -> np.ndarray:
    """Velocity (3,) m/s of a drag-free throw from start through target at a launch angle. ValueError if impossible."""
    d = target - start
    across = float(np.linalg.norm(d[:2]))
    room = across * np.tan(angle_rad) - d[2]
    if room <= 0:
        raise ValueError(f"release angle {np.degrees(angle_rad):.0f} deg is too flat for the target")
    speed = np.sqrt(GRAVITY_MPS2 * across**2 / (2 * np.cos(angle_rad) ** 2 * room))
    return np.append(speed * np.cos(angle_rad) * d[:2] / across, speed * np.sin(angle_rad))


def flight(
    start: np.ndarray,
    velocity: np.ndarray,
    n: int,
    ring: np.ndarray,
    court: np.ndarray | None = None,
    bounce: float = 0.72,
) -> Flight:
    """Ball path for n samples; `court` (3, 3) turns the caller's axes to the hoop's (x right, y into the board)."""
    court = np.eye(3) if court is None else court
    t = np.arange(n)[:, None] / RATE_HZ
    free = start + velocity * t - np.array([0, 0, GRAVITY_MPS2 / 2]) * t * t
    q = (free - ring) @ court.T
    hit = _ring_gap(q) < 0
    hit |= (q[:, 1] > BOARD_FROM_RING_M - BALL_RADIUS_M) & _on_board(q)
    hit |= free[:, 2] < BALL_RADIUS_M
    inside = (np.hypot(q[:, 0], q[:, 1]) < RING_RADIUS_M) & (q[:, 2] < 0) & (q[:, 2] > -0.4)
    first = np.flatnonzero(hit | inside)
    touch = int(first[0]) if len(first) else n - 1
    made = bool(len(first) and inside[touch])
    p, v = q[touch].copy(), court @ (velocity - np.array([0, 0, GRAVITY_MPS2]) * touch / RATE_HZ)
    for k in range(touch, n):
        q[k] = p
        p, v, through = _bounce_step(p, v, ring[2], bounce)
        made |= through
    return Flight(q @ court + ring, touch, made)


def _ring_gap(q: np.ndarray) -> np.ndarray:
    """Gap (m) between ball and ring tube for centres q (..., 3) relative to the ring's centre."""
    centre_line = RING_RADIUS_M + RING_TUBE_M
    return np.hypot(np.hypot(q[..., 0], q[..., 1]) - centre_line, q[..., 2]) - BALL_RADIUS_M - RING_TUBE_M


def _on_board(q: np.ndarray) -> np.ndarray:
    z = q[..., 2] + RING_HEIGHT_M
    return (
        (np.abs(q[..., 0]) < BOARD_HALF_WIDTH_M)
        & (z > BOARD_BOTTOM_M)
        & (z < BOARD_TOP_M)
        & (q[..., 1] < BOARD_FROM_RING_M + 0.2)
    )


def _bounce_step(p: np.ndarray, v: np.ndarray, height: float, bounce: float) -> tuple[np.ndarray, np.ndarray, bool]:
    """One sample of the ball after its first touch."""
    dt = 1 / RATE_HZ
    v = v - np.array([0, 0, GRAVITY_MPS2 * dt])
    in_net = np.hypot(p[0], p[1]) < 0.21 and -0.42 < p[2] < 0.0
    if in_net:
        v = v * np.array([0.90, 0.90, 1.0])
        v[2] = max(v[2], -3.2)
    q = p + v * dt
    if not in_net and _ring_gap(q) < 0:
        r = max(float(np.hypot(q[0], q[1])), 1e-6)
        c = (RING_RADIUS_M + RING_TUBE_M) / r
        v, q = _reflect(q, v, q - np.array([q[0] * c, q[1] * c, 0.0]), 0.55, p)
    if q[1] > BOARD_FROM_RING_M - BALL_RADIUS_M and _on_board(q) and v[1] > 0:
        v, q = _reflect(q, v, np.array([0.0, -1.0, 0.0]), 0.70, p)
    if q[2] < BALL_RADIUS_M - height and v[2] < 0:
        q[2] = BALL_RADIUS_M - height
        v = np.array([v[0] * 0.9, v[1] * 0.9, -v[2] * bounce if v[2] < -0.5 else 0.0])
    through = bool(in_net and p[2] > -0.2 >= q[2])
    return q, v, through


def _reflect(
    q: np.ndarray, v: np.ndarray, normal: np.ndarray, keep: float, back: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Reflect v on a surface; the ball stays where it was before the step."""
    n = normal / np.linalg.norm(normal)
    speed = float(v @ n)
    return (v - (1 + keep) * speed * n, back.copy()) if speed < 0 else (v, q)
