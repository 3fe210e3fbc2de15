"""The ball's flight after release: gravity, where the picture shows it, and that a shot is aimed at the ring.

Without drag, which is a tenth of the ball's weight at 7 m/s (computed: drag coefficient 0.5, 0.62 kg). The angle at
release hardly suffers. But a path without air from the hand to the ring is slower and flatter than a real one: at the
free-throw line by 3 to 4 percent and 2 to 3 degrees at the ring, from farther off by half as much again. Both are given
as of a path without air, which is what the tables of shooting angles hold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from ..calibration.geometry import sigma_of
from ..calibration.record import Calibration
from .arc import GRAVITY_MPS2, clean_entry_deg, launch_deg
from .lifting import AT, LiftedTrack, Seen
from .records import FloatArray

_SEEN_S = 0.9
_LEAST_FRAMES = 1
_PX_M = 0.015
"""Error of the ball's centre in the picture, metres at the ball: outline, frame times, motion blur."""
_AIM_M = 0.40
"""A shot meets the ring's plane within about this of the ring's centre (one standard deviation, each way)."""
_LAUNCH_DEG, _LAUNCH_SPREAD_DEG = 52.0, 7.0
"""How shots are launched (references of physics: 48 to 56 degrees from the line), steeper near the ring, where a flat
one cannot go in; so one sight of the ball gives speed, which hardly depends on the angle, while an angle that is not
much better known than this is not given."""
_NEAREST_M = 0.5
_DRAG_SPEED = 0.03
_BEYOND = 2.0
"""So many of its own errors a speed may lie below the least that reaches the ring."""
_FAR_OFF, _LEAST_HALVED = 3.0, 4
_PUSH_M = 0.05
"""How well the hand's last push is known."""
_SMALL = 0.01
_FREE_S = 0.01
"""From so long after the release no finger pushes the ball any more."""


@dataclass(frozen=True, slots=True, eq=False)
class Flight:
    """Where and how the ball left, or why that is not believed."""

    position_m: FloatArray
    """(3,), the ball's centre at release."""
    velocity_mps: FloatArray
    """(3,)"""
    values: dict[str, tuple[float | None, float]]
    """name -> value, sigma."""
    frames: int
    refused: str | None = None


def least_speed_mps(distance_m: float, rise_m: float) -> float:
    """The least drag-free speed that reaches a point: sqrt(g (h + sqrt(h^2 + L^2)))."""
    return float(np.sqrt(GRAVITY_MPS2 * (rise_m + np.hypot(rise_m, distance_m))))


def derived(position: FloatArray, velocity: FloatArray, ring: FloatArray) -> tuple[float, float, float, float | None]:
    """Height, speed, launch angle and entry angle at the ring's plane (None when the path does not reach it)."""
    level = float(np.hypot(velocity[0], velocity[1]))
    fall = float(velocity[2] ** 2 + 2 * GRAVITY_MPS2 * (position[2] - ring[2]))
    entry = float(np.degrees(np.arctan2(np.sqrt(fall), level))) if fall > 0 else None
    return float(position[2]), float(np.linalg.norm(velocity)), float(np.degrees(np.arctan2(velocity[2], level))), entry


def fit_flight(
    seen: Seen, calibration: Calibration, lifted: LiftedTrack, free_s: float, free_sigma_s: float, ball_radius_m: float
) -> Flight | None:
    """Least squares over the first part of the flight; None when the ball was seen too few times.

    `free_s` is when the ball left the hand: within one frame it rises by 18 cm.
    """
    ring = calibration.ring_centre_m
    at = int(np.argmin(np.abs(lifted.t_s - free_s)))
    held = np.flatnonzero(lifted.held[: at + 1])
    last = int(held[-1]) if len(held) else at
    hand_ball = lifted.points[last, AT["ball"]]
    use = (seen.t_s >= free_s + _FREE_S) & (seen.t_s <= free_s + _SEEN_S)
    use &= np.isfinite(seen.ball_px).all(1)
    frames = int(use.sum())
    if frames < _LEAST_FRAMES:
        return None
    t, px = seen.t_s[use] - free_s, seen.ball_px[use]
    radius, share = seen.ball_radius_px[use], seen.ball_radius_sigma[use]
    sized = share < 0.05
    spread = np.sqrt(np.mean((lifted.draws[:, last, AT["ball"]] - hand_ball) ** 2, axis=0)) + _PUSH_M
    gap = free_s - float(lifted.t_s[last])

    toward = ring - hand_ball
    distance_m = max(float(np.hypot(*toward[:2])), _NEAREST_M)
    usual_deg = max(_LAUNCH_DEG, launch_deg(clean_entry_deg(), distance_m, float(toward[2])))

    def residual(q: FloatArray, n: int, by: Calibration) -> FloatArray:
        """Of the first n sightings through a camera: pixels first, then sizes, then what is known of shots."""
        k, rotation, shift = by.camera_matrix, by.R, by.t
        position, velocity = q[:3], q[3:]
        path = position + np.outer(t[:n], velocity) - np.outer(t[:n] ** 2, [0.0, 0.0, GRAVITY_MPS2 / 2])
        camera = path @ rotation.T + shift
        z = np.maximum(camera[:, 2], 0.3)
        off = (camera[:, :2] / z[:, None] * [k[0, 0], k[1, 1]] + k[:2, 2] - px[:n]) / (_PX_M * k[0, 0] / z)[:, None]
        off = np.sign(off) * np.sqrt(9.0 * np.log1p(off**2 / 9.0))
        deep = ((k[0, 0] * ball_radius_m / radius[:n] - z) / (2.5 * share[:n] * z))[sized[:n]]
        deep = np.sign(deep) * np.sqrt(4.0 * np.log1p(deep**2 / 4.0))
        up = velocity[2] ** 2 + 2 * GRAVITY_MPS2 * (position[2] - ring[2])
        down_s = (velocity[2] + np.sqrt(max(up, 0.0))) / GRAVITY_MPS2
        aim = (position[:2] + velocity[:2] * down_s - ring[:2]) / _AIM_M
        short = [
            min(up, 0.0),
            (np.degrees(np.arctan2(velocity[2], np.hypot(*velocity[:2]))) - usual_deg) / _LAUNCH_SPREAD_DEG,
        ]
        # the ball speeds up while it leaves the hand: it is a hand's push farther than it was when last held
        hand = (position - velocity * gap * 0.8 - hand_ball) / spread
        return np.concatenate([off.ravel(), deep, aim, short, hand])

    start = np.concatenate([hand_ball, [toward[0] / 1.0, toward[1] / 1.0, toward[2] / 1.0 + GRAVITY_MPS2 / 2]])
    while True:
        found = least_squares(residual, start, args=(frames, calibration), method="lm", max_nfev=200)
        falls_freely = float(np.sqrt(np.mean(found.fun[: 2 * frames] ** 2))) <= _FAR_OFF
        if falls_freely or frames < _LEAST_HALVED:
            break
        # the ball has left the picture, or bounced, and something else passes for it: what came first is the flight
        frames //= 2
    position, velocity = found.x[:3], found.x[3:]
    try:
        covariance = np.linalg.inv(found.jac.T @ found.jac)
    except np.linalg.LinAlgError:
        return None
    base = derived(position, velocity, ring)

    def through(camera: Calibration) -> FloatArray:
        """(4,): what the same pixels tell through a camera that stands a little otherwise, to first order."""
        q = found.x - covariance @ found.jac.T @ (residual(found.x, frames, camera) - found.fun)
        return np.array(derived(q[:3], q[3:], ring), float)

    # a small part of the camera's error, as far as the solution answers in proportion
    nearly = replace(calibration, covariance=_SMALL**2 * calibration.covariance)
    by_camera = np.nan_to_num(sigma_of(nearly, through) / _SMALL, nan=np.inf)
    names = ("release_height_m", "release_speed_mps", "release_angle_deg", "entry_angle_deg")
    own = (
        float(np.hypot(0.02, free_sigma_s * velocity[2])),
        _DRAG_SPEED * base[1],
        float(np.hypot(0.6, np.degrees(GRAVITY_MPS2 * free_sigma_s / base[1]))),
        0.8,
    )
    draws = np.random.default_rng(0).multivariate_normal(found.x, covariance, size=64)
    others = [derived(q[:3], q[3:], ring) for q in draws]
    values: dict[str, tuple[float | None, float]] = {}
    for i, name in enumerate(names):
        every = [value for one in others if (value := one[i]) is not None]
        spread_of = float(np.std(every)) if len(every) > 32 else float("inf")
        values[name] = base[i], float(np.hypot(np.hypot(spread_of, own[i]), by_camera[i]))
    refused = None
    distance, rise = float(np.linalg.norm(toward[:2])), float(ring[2] - position[2])
    if base[1] + _BEYOND * values["release_speed_mps"][1] < least_speed_mps(distance, rise):
        refused = "the ball's path is too slow to reach the ring, so it is not believed"
    if not falls_freely:
        refused = "the ball's path does not fall freely, so it is not believed"
    return Flight(position, velocity, values, frames, refused)
