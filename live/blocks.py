"""Least squares over a window of time: unknowns of each instant, tied to two neighbours, and unknowns shared by all.

The normal matrix is block-pentadiagonal (second differences) with a border (what all instants share). It is factored
block by block, so a window costs time in proportion to its length, and random draws of the solution's own error come
from the same factors. Golub and Van Loan, Matrix Computations, on block Cholesky; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg.lapack import dpotrf, dtrtri

from .records import FloatArray


class NotPositiveError(ArithmeticError):
    """The normal matrix has no Cholesky factor: something in the window is not tied to anything."""


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """Normal equations. Of T instants with n unknowns each and G shared unknowns."""

    diagonal: FloatArray
    """(T, n, n)"""
    next_one: FloatArray
    """(T, n): couples each unknown with the same one an instant later; the last row is not used."""
    next_two: FloatArray
    """(T, n): the same, two instants later; the last two rows are not used."""
    border: FloatArray
    """(T, n, G)"""
    shared: FloatArray
    """(G, G)"""
    gradient: FloatArray
    """(T, n)"""
    shared_gradient: FloatArray
    """(G,)"""


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """Cholesky factor of Normal: inverses of its diagonal blocks, its two lower blocks, and what the border became."""

    inverse: FloatArray
    one: FloatArray
    two: FloatArray
    border: FloatArray
    """(T, n, G), forward-substituted."""
    gradient: FloatArray
    """(T, n), forward-substituted."""
    shared_inverse: FloatArray
    """(G, G), inverse of the lower Cholesky factor of the Schur complement."""
    shared_gradient: FloatArray
    """(G,)"""

    def step(self) -> tuple[FloatArray, FloatArray]:
        """The change of the unknowns that the normal equations ask for: (T, n), (G,)."""
        shared = -self.shared_inverse.T @ (self.shared_inverse @ self.shared_gradient)
        return self._back((-self.gradient - self.border @ shared)[..., None])[..., 0], shared

    def draws(self, count: int, seed: int = 0) -> FloatArray:
        """(count, T, n): random errors of the instants' unknowns, with the covariance of the solution."""
        t, n, g = self.border.shape
        random = np.random.default_rng(seed)
        # pairs of opposite sign: the mean of the draws is exactly zero and so is every odd moment
        half = (count + 1) // 2
        shared = self.shared_inverse.T @ random.standard_normal((g, half))
        white = random.standard_normal((t, n, half)) - self.border @ shared
        found = np.moveaxis(self._back(white), -1, 0)
        return np.concatenate([found, -found])[:count]

    def _back(self, right: FloatArray) -> FloatArray:
        """Backward substitution of (T, n, k)."""
        out = np.empty_like(right)
        for t in range(len(right) - 1, -1, -1):
            rest = right[t]
            if t + 1 < len(right):
                rest = rest - self.one[t].T @ out[t + 1]
            if t + 2 < len(right):
                rest = rest - self.two[t].T @ out[t + 2]
            out[t] = self.inverse[t].T @ rest
        return out


def factor(normal: Normal, damping: float = 0.0) -> Factor:
    """Factor the normal equations, their diagonal raised by `damping` times itself (Levenberg and Marquardt).

    Raises NotPositiveError where they have no unique solution.
    """
    count, n, _ = normal.diagonal.shape
    inverse, one, two = (np.zeros((count, n, n)) for _ in range(3))
    right = np.concatenate([normal.border, normal.gradient[..., None]], axis=-1)
    forward = np.empty_like(right)
    place = np.arange(n)
    for t in range(count):
        block, rest = normal.diagonal[t].copy(), right[t]
        block[place, place] *= 1.0 + damping
        if t >= 1:
            block -= one[t - 1] @ one[t - 1].T
            rest = rest - one[t - 1] @ forward[t - 1]
        if t >= 2:
            block -= two[t - 2] @ two[t - 2].T
            rest = rest - two[t - 2] @ forward[t - 2]
        inverse[t] = _inverse_factor(block)
        forward[t] = inverse[t] @ rest
        if t + 1 < count:
            lower = -two[t - 1] @ one[t - 1].T if t >= 1 else np.zeros((n, n))
            lower[place, place] += normal.next_one[t]
            one[t] = lower @ inverse[t].T
        if t + 2 < count:
            two[t] = normal.next_two[t][:, None] * inverse[t].T
    border, gradient = forward[..., :-1], forward[..., -1]
    flat = border.reshape(count * n, -1)
    schur = normal.shared - flat.T @ flat
    at = np.arange(len(schur))
    schur[at, at] += damping * normal.shared[at, at]
    return Factor(
        inverse,
        one,
        two,
        border,
        gradient,
        _inverse_factor(schur),
        normal.shared_gradient - flat.T @ gradient.reshape(-1),
    )


def _inverse_factor(matrix: FloatArray) -> FloatArray:
    """Inverse of the lower Cholesky factor."""
    lower: Any
    lower, failed = dpotrf(matrix, lower=1, clean=1)
    if failed:
        raise NotPositiveError("the normal equations have no unique solution")
    found: Any = dtrtri(lower, lower=1)[0]
    return np.asarray(found, np.float64)
