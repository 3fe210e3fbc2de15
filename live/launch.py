"""When the ball began to fall freely, from its path alone: physics, whatever the hand was like that let go of it.

In the hand the ball is pushed, afterwards only gravity acts on it. The path of both is one line of points whose
acceleration changes at an instant; every instant is tried and the likeliest is the launch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .arc import GRAVITY_MPS2
from .records import FloatArray

_BEFORE_S, _AFTER_S = 0.13, 0.17
_EARLIER_S, _LATER_S, _STEP_S = 0.10, 0.14, 0.004
_BALL_M = 0.012
"""Error of the ball's centre in the picture."""
_PUSH_MPS2, _CHANGE_MPS3 = 40.0, 1500.0
"""How hard a hand pushes (a ball reaches 7 m/s in a tenth of a second or two), and how that changes meanwhile."""
_NEARER_MPS2 = 2.0
"""What a ball that comes nearer or goes away seems to gain or lose beside gravity."""
_LEAST_SEEN, _LEAST_FLYING = 5, 2
_FITS = 6.0
"""Mean square of the errors beyond which something else passes for the ball."""


@dataclass(frozen=True, slots=True)
class Launch:
    """When the ball was let go, and the error of that; seconds."""

    t_s: float
    sigma_s: float


def launch(t_s: FloatArray, ball_m: FloatArray, about_s: float, about_sigma_s: float) -> Launch | None:
    """The instant near `about_s` (an estimate from elsewhere and its error) from which the ball falls freely.

    `t_s` (T,) and `ball_m` (T, 2), to the right and up, in metres at the player; NaN where it was not seen. None where
    it was seen too few times, or where no instant makes a flight of what was seen.
    """
    use = np.isfinite(ball_m).all(1) & (t_s >= about_s - _BEFORE_S) & (t_s <= about_s + _AFTER_S)
    t, ball = t_s[use], ball_m[use]
    if len(t) < _LEAST_SEEN:
        return None
    instants = about_s + np.arange(-_EARLIER_S, _LATER_S, _STEP_S)
    instants = instants[(t[:, None] > instants + _STEP_S).sum(axis=0) >= _LEAST_FLYING]
    if not len(instants):
        return None
    misfit = np.array([_misfit(t - instant_s, ball) for instant_s in instants])
    cost = misfit + ((instants - about_s) / about_sigma_s) ** 2
    best = int(cost.argmin())
    if misfit[best] > _FITS * 2 * len(t):
        return None
    likely = np.exp(-0.5 * (cost - cost[best]))
    likely /= likely.sum()
    mean_s = float(likely @ instants)
    return Launch(mean_s, float(np.hypot(np.sqrt(likely @ (instants - mean_s) ** 2), _STEP_S / 2)))


def _misfit(since_s: FloatArray, ball: FloatArray) -> float:
    """Squared errors, in units of their own, of the best path that is pushed until 0 and falls freely from then on."""
    pushed, falling = np.minimum(since_s, 0.0), np.maximum(since_s, 0.0)
    still = ball + np.outer(falling**2, [0.0, GRAVITY_MPS2 / 2])
    terms = np.column_stack(
        [np.ones(len(since_s)), since_s, pushed**2 / 2, pushed**3 / 6, falling**2 / 2],
    )
    usual = np.diag([0.0, 0.0, 1 / _PUSH_MPS2, 1 / _CHANGE_MPS3, 1 / _NEARER_MPS2])[2:]
    a = np.concatenate([terms / _BALL_M, usual])
    b = np.concatenate([still / _BALL_M, np.zeros((len(usual), ball.shape[1]))])
    found = np.linalg.lstsq(a, b, rcond=None)[0]
    return float(((b - a @ found) ** 2).sum())
