"""From marks with known places to the camera: every solution that fits, refined, with its covariance.

Cost of a camera: squared distances of the marks in pixels plus, where the focal length is not known, its squared
distance from the belief about the lens. Both in standard deviations, so the covariance follows from the Jacobian.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from .lens import Lens
from .record import PARAMETERS

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlacedMark:
    """A mark, where it is in the hoop frame and where it was seen."""

    name: str
    world_m: tuple[float, float, float]
    px: tuple[float, float]


# A mark placed by hand with a magnifier is good to less than a pixel of 1280 (from memory); the residuals have their
# say as soon as there are more than a few of them.
MARK_SIGMA: Final = 0.8 / 1280
"""Expected error of a mark, as a share of the picture's width."""
_BELIEF_WEIGHT: Final = 4.0
"""How many residuals that expectation is worth."""

_STEPS: Final = 40
_NEXT, _LAST = [1, 2, 0], [2, 0, 1]
"""Axes of a cross product."""
_FOCAL_STARTS: Final = (0.0, -1.0, 1.0, -2.0, 2.0)
"""In standard deviations of the belief about the lens."""
_REFINED: Final = 6
"""So many of the best starts are refined."""


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """One camera that the marks allow."""

    R: FloatArray
    t: FloatArray
    ln_focal: float
    """Change of ln(focal length) from the lens that was believed."""
    cost: float
    """Sum of squares, in standard deviations of MARK_SIGMA and of the belief about the lens."""
    residuals_px: FloatArray
    """(N, 2), seen minus projected."""

    @property
    def centre(self) -> FloatArray:
        """(3,), the camera in the hoop frame."""
        return np.asarray(-self.R.T @ self.t, dtype=np.float64)

    @property
    def rms_px(self) -> float:
        """Root mean square distance of the marks."""
        return float(np.sqrt((self.residuals_px**2).sum(axis=1).mean()))


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Marks and lens as arrays."""

    world: FloatArray
    """(N, 3)."""
    px: FloatArray
    """(N, 2)."""
    lens: Lens

    @classmethod
    def of(cls, marks: Sequence[PlacedMark], lens: Lens) -> Problem:
        """The arrays of these marks."""
        world = np.array([mark.world_m for mark in marks], dtype=np.float64)
        px = np.array([mark.px for mark in marks], dtype=np.float64)
        return cls(world.reshape(-1, 3), px.reshape(-1, 2), lens)

    @property
    def sigma_px(self) -> float:
        """Expected error of a mark in pixels."""
        return MARK_SIGMA * self.lens.image_size[0]

    @property
    def focal_free(self) -> bool:
        """True when the focal length is solved for."""
        return self.lens.sigma_focal > 0

    def matrix(self, ln_focal: float) -> FloatArray:
        """The camera matrix with the focal length changed by exp(ln_focal)."""
        k = self.lens.camera_matrix.copy()
        k[[0, 1], [0, 1]] *= np.exp(ln_focal)
        return k


def rotation(vector: FloatArray) -> FloatArray:
    """(3, 3) of a rotation vector (3,), rad. OpenCV's: it takes microseconds, and the solver asks hundreds of times."""
    matrix: Any = cv2.Rodrigues(vector)[0]
    return np.asarray(matrix, dtype=np.float64)


def linearised(problem: Problem, R: FloatArray, t: FloatArray, ln_focal: float) -> tuple[FloatArray, FloatArray]:
    """Projections (N, 2) and their Jacobian (2N, 7) in the order of record.PARAMETERS."""
    k = problem.matrix(ln_focal)
    in_camera = problem.world @ R.T + t
    found: Any = cv2.projectPoints(in_camera, np.zeros(3), np.zeros(3), k, problem.lens.distortion)
    pixels, partial = found[0].reshape(-1, 2), found[1]
    by_point = partial[:, 3:6].reshape(-1, 2, 3)
    jacobian = np.empty((2 * len(pixels), PARAMETERS))
    # a turn w of the camera moves a point X of the camera frame by w x X, and p . (w x X) = w . (X x p)
    x, p = in_camera[:, None, :], by_point
    jacobian[:, 0:3] = (x[..., _NEXT] * p[..., _LAST] - x[..., _LAST] * p[..., _NEXT]).reshape(-1, 3)
    jacobian[:, 3:6] = -(by_point @ R).reshape(-1, 3)
    jacobian[:, 6] = partial[:, 6] * k[0, 0] + partial[:, 7] * k[1, 1]
    return np.asarray(pixels, dtype=np.float64), jacobian


def evaluated(problem: Problem, R: FloatArray, t: FloatArray, ln_focal: float) -> Pose:
    """This camera held against the marks; its cost is infinite when a mark is not in front of it."""
    in_camera = problem.world @ R.T + t
    found: Any = cv2.projectPoints(
        in_camera, np.zeros(3), np.zeros(3), problem.matrix(ln_focal), problem.lens.distortion
    )[0]
    residuals = problem.px - found.reshape(-1, 2)
    cost = float((residuals**2).sum()) / problem.sigma_px**2
    if (in_camera[:, 2] <= 0).any() or not np.isfinite(cost):
        cost = np.inf
    if problem.focal_free:
        cost += (ln_focal / problem.lens.sigma_focal) ** 2
    return Pose(R, t, ln_focal, cost, residuals)


def refine(problem: Problem, start: Pose) -> Pose:
    """The nearest least-cost camera (Levenberg-Marquardt with the rotation updated on its own group)."""
    best, damping = start, 1e-3
    free = PARAMETERS if problem.focal_free else PARAMETERS - 1
    for _ in range(_STEPS):
        _, jacobian = linearised(problem, best.R, best.t, best.ln_focal)
        j = jacobian[:, :free] / problem.sigma_px
        normal = j.T @ j
        gradient = j.T @ (best.residuals_px.ravel() / problem.sigma_px)
        if problem.focal_free:
            normal[6, 6] += problem.lens.sigma_focal**-2
            gradient[6] -= best.ln_focal / problem.lens.sigma_focal**2
        scale = np.diag(normal) + 1e-12
        improved = False
        while damping < 1e8:
            step = np.zeros(PARAMETERS)
            step[:free] = np.linalg.solve(normal + np.diag(damping * scale), gradient)
            turned = rotation(step[:3]) @ best.R
            trial = evaluated(problem, turned, -turned @ (best.centre + step[3:6]), best.ln_focal + step[6])
            if trial.cost < best.cost:
                improved = best.cost - trial.cost > 1e-9 * (1 + best.cost)
                best, damping = trial, damping / 10
                break
            damping *= 10
        if not improved:
            break
    return best


def _flipped(problem: Problem, pose: Pose) -> Pose:
    """The depth-reversed reading of nearly flat marks: mirrored in their own plane, then along the line of sight."""
    middle = problem.world.mean(axis=0)
    normal = np.linalg.svd(problem.world - middle)[2][2]
    seen_from = pose.R @ middle + pose.t
    sight = seen_from / np.linalg.norm(seen_from)
    R = (np.eye(3) - 2 * np.outer(sight, sight)) @ pose.R @ (np.eye(3) - 2 * np.outer(normal, normal))
    return evaluated(problem, R, seen_from - R @ middle, pose.ln_focal)


def flatness(points: FloatArray) -> FloatArray:
    """Extents of points (N, 3) along their principal axes, largest first, as root mean squares in metres."""
    centred = points - points.mean(axis=0)
    values: FloatArray = np.linalg.svd(centred, compute_uv=False) / np.sqrt(len(points))
    return values


def _starts(problem: Problem, ln_focal: float) -> list[Pose]:
    """Closed-form cameras for this focal length, with their flips."""
    k = problem.matrix(ln_focal)
    methods = [cv2.SOLVEPNP_SQPNP]
    if flatness(problem.world)[2] < 1e-6:
        methods.append(cv2.SOLVEPNP_IPPE)
    poses = []
    for method in methods:
        try:
            found: Any = cv2.solvePnPGeneric(problem.world, problem.px, k, problem.lens.distortion, flags=method)
        except cv2.error:
            continue  # the closed form has no answer for these marks; the other one or the gates speak
        for turn, translation in zip(found[1], found[2], strict=True):
            R = rotation(np.ravel(turn))
            pose = evaluated(problem, R, np.ravel(translation), ln_focal)
            poses += [pose, _flipped(problem, pose)]
    return poses


def solutions(problem: Problem) -> tuple[Pose, ...]:
    """Every camera that is a least-cost fit with all marks in front of it, best first; empty when there is none."""
    spread = _FOCAL_STARTS if problem.focal_free else (0.0,)
    starts = [pose for step in spread for pose in _starts(problem, step * problem.lens.sigma_focal)]
    starts = sorted((pose for pose in starts if np.isfinite(pose.cost)), key=lambda pose: pose.cost)
    chosen: list[Pose] = []
    for start in starts:
        if len(chosen) < _REFINED and not any(_same(start, other, 0.05, 0.05) for other in chosen):
            chosen.append(start)
    refined: list[Pose] = []
    for pose in sorted((refine(problem, start) for start in chosen), key=lambda pose: pose.cost):
        if np.isfinite(pose.cost) and not any(_same(pose, other, 1e-3, 1e-3) for other in refined):
            refined.append(pose)
    return tuple(refined)


def _same(a: Pose, b: Pose, metres: float, radians: float) -> bool:
    turn = np.arccos(np.clip((np.trace(a.R.T @ b.R) - 1) / 2, -1, 1))
    return bool(turn < radians and np.linalg.norm(a.centre - b.centre) < metres and abs(a.ln_focal - b.ln_focal) < 0.02)


def noise_px(problem: Problem, pose: Pose) -> float:
    """Estimated standard deviation of a mark: what was expected, corrected by what the residuals show."""
    unknowns = PARAMETERS if problem.focal_free else PARAMETERS - 1
    freedom = max(0, pose.residuals_px.size - unknowns)
    total = _BELIEF_WEIGHT * problem.sigma_px**2 + float((pose.residuals_px**2).sum())
    return float(np.sqrt(total / (_BELIEF_WEIGHT + freedom)))


def covariance(problem: Problem, pose: Pose) -> FloatArray:
    """(7, 7), in the order of record.PARAMETERS; zeros for a focal length that is known."""
    _, jacobian = linearised(problem, pose.R, pose.t, pose.ln_focal)
    free = PARAMETERS if problem.focal_free else PARAMETERS - 1
    j = jacobian[:, :free] / noise_px(problem, pose)
    information = j.T @ j
    if problem.focal_free:
        information[6, 6] += problem.lens.sigma_focal**-2
    full = np.zeros((PARAMETERS, PARAMETERS))
    full[:free, :free] = np.linalg.pinv(information, hermitian=True)
    return (full + full.T) / 2


def one_sigma(block: FloatArray) -> float:
    """Half the radius around the estimate that holds the truth in 95 of 100 cases, for a covariance (3, 3).

    For an error along one line this is its standard deviation; a cloud in three directions gets its due. The radius is
    that of a scaled chi-square with the same mean and variance (Satterthwaite 1946).
    """
    values = np.linalg.eigvalsh(block)
    total, squares = float(values.sum()), float((values**2).sum())
    if total <= 0 or squares <= 0:
        return 0.0
    radius = np.sqrt(squares / total * chi2.ppf(0.95, total**2 / squares))
    return float(radius / 2)
