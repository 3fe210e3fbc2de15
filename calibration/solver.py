"""From marks with known places to the camera: every solution that fits, refined, with its covariance.

Cost of a camera: squared distances of the marks in pixels plus, where the focal length or the lens's bending of lines
is not known, their squared distances from the belief about the lens. All in standard deviations, so the covariance
follows from the Jacobian.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
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
"""Expected error of a mark, as a share of the picture's longer side."""
_BELIEF_WEIGHT: Final = 4.0
"""How many residuals that expectation is worth."""

STRAIGHT_K1: Final = 0.01
"""What the bending of a lens that is corrected in the camera may still be (from memory)."""
SOLVED: Final = PARAMETERS + 1
"""Parameters of the solver: those of the record, then k1."""
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
    k1: float
    """Change of the first radial coefficient from the lens that was believed."""
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
        return MARK_SIGMA * max(self.lens.image_size)

    @property
    def focal_free(self) -> bool:
        """True when the focal length is solved for."""
        return self.lens.sigma_focal > 0

    @property
    def beliefs(self) -> FloatArray:
        """(2,): standard deviations of ln(focal length) and of k1 before any mark is seen; 0 for what is known."""
        return np.array([self.lens.sigma_focal, self.lens.sigma_k1])

    @property
    def free(self) -> NDArray[np.intp]:
        """Which of the solver's parameters (record.PARAMETERS, then k1) are solved for."""
        return np.flatnonzero(np.append(np.ones(PARAMETERS - 1), self.beliefs) > 0)

    @property
    def belief_information(self) -> FloatArray:
        """(free,): what is believed of each free parameter, as one over its variance; 0 for the camera's place."""
        full = np.zeros(SOLVED)
        known = self.beliefs > 0
        full[PARAMETERS - 1 :][known] = self.beliefs[known] ** -2
        return np.asarray(full[self.free], dtype=np.float64)

    def matrix(self, ln_focal: float) -> FloatArray:
        """The camera matrix with the focal length changed by exp(ln_focal)."""
        k = self.lens.camera_matrix.copy()
        k[[0, 1], [0, 1]] *= np.exp(ln_focal)
        return k

    def bending(self, k1: float) -> FloatArray:
        """(5,), the distortion with its first coefficient changed by `k1`."""
        distortion = self.lens.distortion.copy()
        distortion[0] += k1
        return distortion


def rotation(vector: FloatArray) -> FloatArray:
    """(3, 3) of a rotation vector (3,), rad. OpenCV's: it takes microseconds, and the solver asks hundreds of times."""
    matrix: Any = cv2.Rodrigues(vector)[0]
    return np.asarray(matrix, dtype=np.float64)


def linearised(problem: Problem, pose: Pose) -> tuple[FloatArray, FloatArray]:
    """Projections (N, 2) and their Jacobian (2N, 8) in the order of record.PARAMETERS, then k1."""
    k = problem.matrix(pose.ln_focal)
    in_camera = problem.world @ pose.R.T + pose.t
    found: Any = cv2.projectPoints(in_camera, np.zeros(3), np.zeros(3), k, problem.bending(pose.k1))
    pixels, partial = found[0].reshape(-1, 2), found[1]
    by_point = partial[:, 3:6].reshape(-1, 2, 3)
    jacobian = np.empty((2 * len(pixels), SOLVED))
    # a turn w of the camera moves a point X of the camera frame by w x X, and p . (w x X) = w . (X x p)
    x, p = in_camera[:, None, :], by_point
    jacobian[:, 0:3] = (x[..., _NEXT] * p[..., _LAST] - x[..., _LAST] * p[..., _NEXT]).reshape(-1, 3)
    jacobian[:, 3:6] = -(by_point @ pose.R).reshape(-1, 3)
    jacobian[:, 6] = partial[:, 6] * k[0, 0] + partial[:, 7] * k[1, 1]
    jacobian[:, 7] = partial[:, 10]
    return np.asarray(pixels, dtype=np.float64), jacobian


def evaluated(problem: Problem, R: FloatArray, t: FloatArray, ln_focal: float, k1: float) -> Pose:
    """This camera held against the marks; its cost is infinite when a mark is not in front of it."""
    in_camera = problem.world @ R.T + t
    found: Any = cv2.projectPoints(in_camera, np.zeros(3), np.zeros(3), problem.matrix(ln_focal), problem.bending(k1))[
        0
    ]
    residuals = problem.px - found.reshape(-1, 2)
    cost = float((residuals**2).sum()) / problem.sigma_px**2
    if (in_camera[:, 2] <= 0).any() or not np.isfinite(cost):
        cost = np.inf
    for change, sigma in zip((ln_focal, k1), problem.beliefs, strict=True):
        if sigma > 0:
            cost += (change / sigma) ** 2
    return Pose(R, t, ln_focal, k1, cost, residuals)


def refine(problem: Problem, start: Pose) -> Pose:
    """The nearest least-cost camera (Levenberg-Marquardt with the rotation updated on its own group)."""
    best, damping = start, 1e-3
    free, belief = problem.free, problem.belief_information
    for _ in range(_STEPS):
        _, jacobian = linearised(problem, best)
        j = jacobian[:, free] / problem.sigma_px
        normal = j.T @ j + np.diag(belief)
        changes = np.append(np.zeros(PARAMETERS - 1), (best.ln_focal, best.k1))[free]
        gradient = j.T @ (best.residuals_px.ravel() / problem.sigma_px) - belief * changes
        scale = np.diag(normal) + 1e-12
        improved = False
        while damping < 1e8:
            step = np.zeros(SOLVED)
            step[free] = np.linalg.solve(normal + np.diag(damping * scale), gradient)
            turned = rotation(step[:3]) @ best.R
            trial = evaluated(
                problem, turned, -turned @ (best.centre + step[3:6]), best.ln_focal + step[6], best.k1 + step[7]
            )
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
    return evaluated(problem, R, seen_from - R @ middle, pose.ln_focal, pose.k1)


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
            pose = evaluated(problem, R, np.ravel(translation), ln_focal, 0.0)
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
    freedom = max(0.0, pose.residuals_px.size - _spent(problem, pose))
    total = _BELIEF_WEIGHT * problem.sigma_px**2 + float((pose.residuals_px**2).sum())
    return float(np.sqrt(total / (_BELIEF_WEIGHT + freedom)))


def _spent(problem: Problem, pose: Pose) -> float:
    """How many residuals' worth the parameters take up: one each, less where a belief holds them instead."""
    _, jacobian = linearised(problem, pose)
    j = jacobian[:, problem.free] / problem.sigma_px
    information = j.T @ j
    return float(np.trace(np.linalg.pinv(information + np.diag(problem.belief_information)) @ information))


def covariance(problem: Problem, pose: Pose) -> FloatArray:
    """(7, 7), in the order of record.PARAMETERS, with k1 averaged out; zeros for a focal length that is known."""
    _, jacobian = linearised(problem, pose)
    free = problem.free
    j = jacobian[:, free] / noise_px(problem, pose)
    full = np.zeros((SOLVED, SOLVED))
    full[np.ix_(free, free)] = np.linalg.pinv(j.T @ j + np.diag(problem.belief_information), hermitian=True)
    full = full[:PARAMETERS, :PARAMETERS]
    return (full + full.T) / 2


def averaged(problem: Problem, pose: Pose) -> tuple[Pose, FloatArray]:
    """The camera and its covariance (7, 7), averaged over two beliefs where the lens's bending is not known.

    Many webcams straighten their pictures, some bend lines a lot. So the belief is a mixture: with even odds k1 is next
    to nothing, or anything within the lens's `sigma_k1`; how well each explains the marks (its evidence) says how much
    it counts. One wide belief would cost a straight lens accuracy, one narrow belief a bent one its honesty.
    """
    if problem.lens.sigma_k1 == 0:
        return pose, covariance(problem, pose)
    beliefs = [replace(problem, lens=replace(problem.lens, sigma_k1=s)) for s in (problem.lens.sigma_k1, STRAIGHT_K1)]
    found = [pose, refine(beliefs[1], evaluated(beliefs[1], pose.R, pose.t, pose.ln_focal, pose.k1))]
    scale = noise_px(problem, pose) / problem.sigma_px
    surprise, spread = [], []
    for belief, one in zip(beliefs, found, strict=True):
        j = linearised(belief, one)[1][:, belief.free] / (scale * belief.sigma_px)
        information = j.T @ j + np.diag(belief.belief_information)
        cost = float((one.residuals_px**2).sum()) / (scale * belief.sigma_px) ** 2
        held = np.array([one.ln_focal, one.k1])[belief.beliefs > 0] / belief.beliefs[belief.beliefs > 0]
        volume = float(np.linalg.slogdet(information)[1]) + 2 * float(np.log(belief.lens.sigma_k1))
        surprise.append(cost + float(held @ held) + volume)
        spread.append(float(np.linalg.inv(information)[-1, -1]))
    k1, variance = mixed_k1(surprise, [one.k1 for one in found], spread)
    fixed = replace(problem, lens=replace(problem.lens, distortion=problem.bending(k1), sigma_k1=0.0))
    settled = refine(fixed, evaluated(fixed, pose.R, pose.t, pose.ln_focal, 0.0))
    among = covariance(fixed, settled)
    jacobian = linearised(fixed, settled)[1] / noise_px(fixed, settled)
    by_k1 = -among @ jacobian[:, :PARAMETERS].T @ jacobian[:, PARAMETERS]
    return replace(settled, k1=k1), among + variance * np.outer(by_k1, by_k1)


def mixed_k1(surprise: Sequence[float], k1: Sequence[float], variance: Sequence[float]) -> tuple[float, float]:
    """Mean and variance of k1 over beliefs, each with what it finds of it.

    `surprise` is minus twice the logarithm of how likely each makes what was seen, up to a constant.
    """
    odds = np.exp(-(np.array(surprise) - min(surprise)) / 2)
    odds /= odds.sum()
    mean = float(odds @ np.array(k1))
    return mean, float(odds @ (np.array(variance) + (np.array(k1) - mean) ** 2))


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
