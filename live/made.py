"""Made or missed, where the ring is in the picture and the camera is calibrated. Never guessed. Pure.

A small picture round the ring is kept of every frame. Some two seconds after a release the ball is looked for in them:
what differs from the picture before the shot, is round and has the ball's size at the ring. Its flight is fitted in
space (gravity tells the depth that one camera does not), which says where it met the ring's plane and how sure that is.
Made: it came down inside the ring and then fell on through the net. Missed: it met the plane clear of the ring, or fell
past it beside the ring. Everything else stays unknown: a ball that danced on the ring, that somebody hid, or that came
too near to the edge for this camera.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from rimward.calibration.geometry import camera_centre, project, undistorted
from rimward.calibration.record import Calibration

from .arc import GRAVITY_MPS2
from .records import FloatArray, ImageArray, Result

RING_RADIUS_M: Final = 0.2286
"""18 in across, inside (rule-book table, second-hand)."""
STEEL_M: Final = 0.016
"""Of the ring: 16 to 20 mm thick (rule book, from memory)."""
AFTER_S: Final = 2.2
"""So long after a release the ring is asked: a flight takes 0.7 to 1.4 s, the fall through the net a quarter more."""
_ASIDE_M, _ABOVE_M, _BELOW_M = 1.2, 1.7, 1.0
_LEAST_RADIUS_PX: Final = 3.0
_WORK_RADIUS_PX: Final = 8.0
_BEFORE_S: Final = (0.3, 1.5)
"""The picture without the ball is the median from so long to so long before the release."""
_DIFFERENT: Final = 22.0
"""Grey levels; sensor noise is 2 to 6."""
_DRAG: Final = 0.011
"""Per metre: half of what a ball has (0.022: drag coefficient 0.5, from memory), with an error as large."""
_CENTRE_SIGMA: Final = 0.08
"""Error of the ball's centre near the ring, in ball radii."""
_SEEN_SIGMA_PX: Final = 4.0
_START_SIGMA_M: Final = 0.35
_LEAST_SIGHTS: Final = 4
_TRIES: Final = 80
_THROUGH_S: Final = 0.25
"""The ball is seen below the ring this soon after it met the plane."""
_LIKELY_IN, _SURE_IN, _SURE_OUT = 0.50, 0.90, 0.98
"""Least shares of what the fit leaves possible. For a make half is enough, because a ball that was seen to fall on
through the net without being thrown up or aside touched nothing on its way: of those simulated that met the plane
outside the ring, none came near this share (python -m tests.makes)."""


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """Something of the ball's size and shape near the ring."""

    t_s: float
    centre_px: FloatArray
    """(2,) in the whole picture."""


@dataclass(frozen=True, slots=True, eq=False)
class Crossing:
    """Where the ball's centre came down through the ring's plane."""

    t_s: float
    fall_mps: float
    """How fast it came down, positive."""
    draws_m: FloatArray
    """(N, 2), from the ring's axis: what the fit leaves possible."""
    board_m: float
    """From the ring's axis to the face of the board."""

    @property
    def inside(self) -> float:
        """How likely the centre was inside the ring."""
        return float(np.mean(np.linalg.norm(self.draws_m, axis=1) < RING_RADIUS_M))

    def clear(self, ball_radius_m: float) -> float:
        """How likely the ball touched neither ring nor board before it was below them."""
        away = np.linalg.norm(self.draws_m, axis=1) > RING_RADIUS_M + STEEL_M + ball_radius_m
        short_of_board = self.draws_m[:, 1] < self.board_m - ball_radius_m
        return float(np.mean(away & short_of_board))


class RingWatch:
    """Watches the ring after a release. Feed every picture in order of time."""

    def __init__(self, calibration: Calibration, ball_radius_m: float) -> None:
        self._calibration, self._ball_m = calibration, ball_radius_m
        self._board_m = calibration.court_measures.board_y_m
        ring = calibration.ring_centre_m
        self._range_m = float(np.linalg.norm(ring - camera_centre(calibration)))
        self._depth_m = float((calibration.R @ ring + calibration.t)[2])
        self._radius_px = float(calibration.camera_matrix[0, 0] * ball_radius_m / max(self._depth_m, 0.1))
        self._box = self._around_ring()
        self._scale = min(1.0, _WORK_RADIUS_PX / self._radius_px)
        self._before: deque[tuple[float, ImageArray]] = deque()
        self._still: NDArray[np.float32] | None = None
        self._release_s: float | None = None
        self._sights: list[Sight] = []

    @property
    def sees_ring(self) -> bool:
        """Whether the ring with room for the ball round it is in the picture, and not too far off."""
        return self._box is not None

    @property
    def box(self) -> tuple[int, int, int, int] | None:
        """(left, top, right, bottom) of the part of the picture that is watched."""
        return self._box

    @property
    def release_s(self) -> float | None:
        """The release that is being watched, None while none is."""
        return self._release_s

    @property
    def sights(self) -> tuple[Sight, ...]:
        """What was seen since that release."""
        return tuple(self._sights)

    def look(self, t_s: float, image: ImageArray) -> None:
        """Take in what is seen round the ring."""
        if self._box is None:
            return
        left, top, right, bottom = self._box
        part = image[top:bottom, left:right]
        if self._scale < 1:
            half = cv2.resize(part, None, fx=self._scale, fy=self._scale, interpolation=cv2.INTER_AREA)
            part = np.asarray(half, np.uint8)
        if self._release_s is None:
            self._before.append((t_s, part.copy()))
            while self._before[0][0] < t_s - _BEFORE_S[1]:
                self._before.popleft()
        elif self._still is not None and t_s - self._release_s > 0.3:
            self._sights += self._round_things(t_s, part, self._still)

    def released(self, release_s: float) -> None:
        """A ball left the hands then: watch from now on, in place of an earlier one that is still watched."""
        before = [part for t, part in self._before if t < release_s - _BEFORE_S[0]]
        if self._box is not None and len(before) >= 3:
            self._still = np.median(np.stack(before[:: max(1, len(before) // 9)]), axis=0).astype(np.float32)
        self._release_s, self._sights = release_s, []

    def due(self, t_s: float) -> bool:
        """Whether it is time to ask for the result."""
        return self._release_s is not None and t_s - self._release_s >= AFTER_S

    def result(self, spot_m: FloatArray, release_height_m: float, seen: Sequence[Sight]) -> Result | None:
        """What became of the shot, None where this cannot be told; the watch is over.

        `spot_m` (2,) is where the ball left the hands, seen from above, `release_height_m` about how high, `seen` the
        ball as it was followed after the release.
        """
        release_s, sights = self._release_s, self._sights
        self._release_s, self._sights, self._still = None, [], None
        self._before.clear()
        if release_s is None:
            return None
        crossing = self.crossing(release_s, spot_m, release_height_m, seen, sights)
        return None if crossing is None else self.judge(crossing, sights)

    def judge(self, crossing: Crossing, sights: Sequence[Sight]) -> Result | None:
        """What the crossing and what was seen after it say together."""
        after = [(sight.t_s, *self._from_ring(sight.centre_px)) for sight in sights if sight.t_s > crossing.t_s]
        through = _falls([(t, up) for t, aside, up in after if abs(aside) < 0.20 and -0.8 < up < -0.12])
        beside = _falls([(t, up) for t, aside, up in after if abs(aside) > RING_RADIUS_M + 0.6 * self._ball_m])
        thrown_up = sum(up > 0.25 for t, _, up in after if t > crossing.t_s + 0.10) >= 2
        if crossing.clear(self._ball_m) >= _SURE_OUT and not thrown_up:
            return "missed"
        # a ball that crossed inside and is beside the ring at once may have slipped through a wide net
        if through is None and beside is not None and (thrown_up or crossing.inside < 1 - _SURE_IN):
            return "missed"
        if through is None or thrown_up or through - crossing.t_s > _THROUGH_S:
            return None
        return "made" if crossing.inside >= _LIKELY_IN and crossing.clear(self._ball_m) < _LIKELY_IN / 2 else None

    def _around_ring(self) -> tuple[int, int, int, int] | None:
        """(left, top, right, bottom) of the part of the picture that is kept."""
        if self._depth_m < 1.0 or self._radius_px < _LEAST_RADIUS_PX:
            return None
        calibration, ring = self._calibration, self._calibration.ring_centre_m
        aside = calibration.R[0] * [1.0, 1.0, 0.0]
        aside = aside / max(float(np.linalg.norm(aside)), 1e-6)
        up = np.array([0.0, 0.0, 1.0])
        needed = np.array([ring + a * aside + h * up for a in (-0.45, 0.45) for h in (-0.6, 0.25)])
        wanted = np.array([ring + a * aside + h * up for a in (-_ASIDE_M, _ASIDE_M) for h in (-_BELOW_M, _ABOVE_M)])
        needed_px, wanted_px = project(calibration, needed), project(calibration, wanted)
        size = np.array(calibration.image_size)
        if not (np.isfinite(wanted_px).all() and (needed_px >= 0).all() and (needed_px < size).all()):
            return None
        left, top = np.clip(np.floor(wanted_px.min(axis=0)), 0, size).astype(int)
        right, bottom = np.clip(np.ceil(wanted_px.max(axis=0)), 0, size).astype(int)
        return int(left), int(top), int(right), int(bottom)

    def _from_ring(self, centre_px: FloatArray) -> tuple[float, float]:
        """Metres aside of the ring's axis and above its plane, for something as far away as the ring."""
        here = project(self._calibration, self._calibration.ring_centre_m)
        k = self._calibration.camera_matrix
        aside = (centre_px[0] - here[0]) / k[0, 0] * self._depth_m
        return float(aside), float(-(centre_px[1] - here[1]) / k[1, 1] * self._depth_m)

    def _round_things(self, t_s: float, part: ImageArray, still: NDArray[np.float32]) -> list[Sight]:
        """What differs from before the shot, is round and has the ball's size at the ring."""
        assert self._box is not None
        area = np.pi * (self._radius_px * self._scale) ** 2
        differs = (np.abs(part.astype(np.float32) - still).max(axis=2) > _DIFFERENT).astype(np.uint8)
        differs = np.asarray(cv2.morphologyEx(differs, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)), np.uint8)
        differs = np.asarray(cv2.morphologyEx(differs, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
        count, _, stats, centres = cv2.connectedComponentsWithStats(differs)
        found = []
        for k in range(1, count):
            width, height, filled = (int(stats[k, n]) for n in (2, 3, 4))
            round_enough = max(width, height) < 2.2 * min(width, height) and filled > 0.55 * width * height
            if 0.4 * area < filled < 2.0 * area and round_enough:
                # components count whole pixels, pictures are continuous: half a pixel between the two
                found.append(Sight(t_s, (np.asarray(centres[k]) + 0.5) / self._scale + np.array(self._box[:2])))
        return found

    def crossing(
        self,
        release_s: float,
        spot_m: FloatArray,
        release_height_m: float,
        seen: Sequence[Sight],
        sights: Sequence[Sight],
    ) -> Crossing | None:
        """The flight through the sights; None where too few of them lie on one."""
        ring = self._calibration.ring_centre_m
        prior = np.array([*spot_m, release_height_m])
        q = self._first_guess(release_s, prior, seen, sights)
        if q is None:
            return None
        covariance = None
        for gate in (1.5, 1.0):
            use = self._on_path(q, release_s, sights, gate)
            if len(use) < _LEAST_SIGHTS:
                return None
            q, covariance = self._fit(q, release_s, prior, seen, use)
        if covariance is None:
            return None
        draws = np.random.default_rng(0).multivariate_normal(q, covariance, size=200)
        down_s = self._down_s(q)
        places = [self._path(draw, np.array([self._down_s(draw)]))[0, :2] for draw in draws]
        own_m = np.hypot(0.015, np.radians(self._calibration.sigma_direction_deg) * self._range_m)
        noise = np.random.default_rng(1).normal(0.0, own_m, (len(draws), 2))
        late = self._path(q, np.array([down_s, down_s + 0.01]))[:, 2]
        fall_mps = float(late[0] - late[1]) / 0.01
        return Crossing(release_s + down_s, fall_mps, np.asarray(places) - ring[:2] + noise, self._board_m)

    def _first_guess(
        self, release_s: float, prior: FloatArray, seen: Sequence[Sight], sights: Sequence[Sight]
    ) -> FloatArray | None:
        """The path on which most sights lie: through every two of them, what was seen before and the place of release.

        Without drag the pixels are linear in start and velocity, so each try is one small linear system.
        """
        fixed_rows, fixed_values = self._rows(release_s, _near(seen, release_s), _SEEN_SIGMA_PX)
        fixed_rows = np.vstack([fixed_rows, np.eye(6)[:3] / _START_SIGMA_M])
        fixed_values = np.append(fixed_values, prior / _START_SIGMA_M)
        best: tuple[int, FloatArray | None] = _LEAST_SIGHTS - 1, None
        early = [sight for sight in sights if sight.t_s < release_s + 1.5]
        pairs = [(a, b) for a, b in combinations(early, 2) if 0.06 < b.t_s - a.t_s < 0.5]
        chosen = np.random.default_rng(0).permutation(len(pairs))[:_TRIES]
        for k in chosen:
            rows, values = self._rows(release_s, pairs[k], 1.0)
            found = np.linalg.lstsq(np.vstack([fixed_rows, rows]), np.append(fixed_values, values), rcond=None)[0]
            if np.linalg.norm(found[:3] - prior) > 3 * _START_SIGMA_M or not 3.0 < np.linalg.norm(found[3:]) < 13.0:
                continue
            q = np.append(found, 0.0)
            count = len(self._on_path(q, release_s, sights, 1.5))
            if count > best[0]:
                best = count, q
        return best[1]

    def _rows(self, release_s: float, sights: Sequence[Sight], sigma_px: float) -> tuple[FloatArray, FloatArray]:
        """(2N, 6) and (2N,): what the sights say of start and velocity, in units of their error."""
        if not sights:
            return np.zeros((0, 6)), np.zeros(0)
        k, rotation, shift = (self._calibration.camera_matrix, self._calibration.R, self._calibration.t)
        times = np.array([sight.t_s for sight in sights]) - release_s
        pixels = undistorted(self._calibration, np.array([sight.centre_px for sight in sights]))
        slopes = (pixels - k[:2, 2]) / [k[0, 0], k[1, 1]]
        # X_camera - slope * Z_camera = 0 in both directions of the picture
        across = rotation[None, :2] - slopes[:, :, None] * rotation[None, 2:3]
        weight = k[0, 0] / (sigma_px * self._range_m)
        rows = np.concatenate([across, across * times[:, None, None]], axis=2) * weight
        fallen = np.einsum("nij,j->ni", across, [0.0, 0.0, -GRAVITY_MPS2 / 2]) * times[:, None] ** 2
        values = -(fallen + shift[:2] - slopes * shift[2]) * weight
        return rows.reshape(-1, 6), values.ravel()

    def _on_path(self, q: FloatArray, release_s: float, sights: Sequence[Sight], gate: float) -> list[Sight]:
        """For each frame the sight nearest to the path, if within `gate` ball radii, while the ball touches nothing."""
        if not sights:
            return []
        times = np.array([sight.t_s for sight in sights]) - release_s
        path = self._path(q, times)
        short_m = self._board_m - self._ball_m - 0.02
        clear = (path[:, 2] > self._calibration.rim_height_m + 0.16) & (path[:, 1] < short_m)
        off = np.linalg.norm(project(self._calibration, path) - np.array([s.centre_px for s in sights]), axis=1)
        nearest: dict[float, tuple[float, Sight]] = {}
        for k in map(int, np.flatnonzero(clear & (off < gate * self._radius_px))):
            t_s = sights[k].t_s
            if t_s not in nearest or off[k] < nearest[t_s][0]:
                nearest[t_s] = float(off[k]), sights[k]
        return [sight for _, sight in nearest.values()]

    def _fit(
        self, q: FloatArray, release_s: float, prior: FloatArray, seen: Sequence[Sight], use: Sequence[Sight]
    ) -> tuple[FloatArray, FloatArray | None]:
        """Least squares for start, velocity and drag; the covariance grows with misfit."""
        near = _near(seen, release_s)
        times = np.array([sight.t_s for sight in (*near, *use)]) - release_s
        pixels = np.array([sight.centre_px for sight in (*near, *use)])
        sigma = np.array([_SEEN_SIGMA_PX] * len(near) + [max(0.8, _CENTRE_SIGMA * self._radius_px)] * len(use))

        def residual(p: FloatArray) -> FloatArray:
            off = (project(self._calibration, self._path(p, times)) - pixels) / sigma[:, None]
            off = np.nan_to_num(off, nan=100.0)
            off = np.sign(off) * np.sqrt(9.0 * np.log1p(off**2 / 9.0))
            start = (p[:3] - prior) / _START_SIGMA_M
            return np.concatenate([off.ravel(), start, [(p[6] - _DRAG) / _DRAG]])

        found = least_squares(residual, q, x_scale=[1, 1, 1, 1, 1, 1, 0.01], max_nfev=60)
        try:
            covariance = np.linalg.inv(found.jac.T @ found.jac)
        except np.linalg.LinAlgError:
            return found.x, None
        misfit = float(np.mean(residual(found.x)[: 2 * len(times)] ** 2))
        return found.x, np.asarray(covariance * max(1.0, misfit))

    def _path(self, q: FloatArray, times_s: FloatArray) -> FloatArray:
        """(N, 3) places at these times after the release: gravity, and drag to first order."""
        step = np.linspace(0.0, max(float(times_s.max()), 0.1), 48)
        speed = q[3:6] - np.outer(step, [0.0, 0.0, GRAVITY_MPS2])
        slowed = -q[6] * np.linalg.norm(speed, axis=1, keepdims=True) * speed
        dt = step[1] - step[0]
        lost_speed = np.vstack([np.zeros(3), np.cumsum((slowed[1:] + slowed[:-1]) / 2 * dt, axis=0)])
        lost = np.vstack([np.zeros(3), np.cumsum((lost_speed[1:] + lost_speed[:-1]) / 2 * dt, axis=0)])
        free = q[:3] + np.outer(times_s, q[3:6]) - np.outer(times_s**2, [0.0, 0.0, GRAVITY_MPS2 / 2])
        drag = np.stack([np.interp(times_s, step, lost[:, k]) for k in range(3)], axis=1)
        return np.asarray(free + drag)

    def _down_s(self, q: FloatArray) -> float:
        """When the path comes down through the ring's plane; the top of the path when it never gets there."""
        times = np.linspace(0.2, 2.2, 201)
        height = self._path(q, times)[:, 2] - self._calibration.rim_height_m
        falls = np.flatnonzero((height[:-1] >= 0) & (height[1:] < 0))
        if not len(falls):
            return float(times[int(np.argmax(height))])
        k = int(falls[-1])
        return float(times[k] + (times[1] - times[0]) * height[k] / (height[k] - height[k + 1]))


def _near(seen: Sequence[Sight], release_s: float) -> list[Sight]:
    """The ball free of the hand and not yet at the edge of what the tracker follows."""
    return [sight for sight in seen if 0.03 < sight.t_s - release_s < 0.4]


def _falls(places: Sequence[tuple[float, float]]) -> float | None:
    """When a run of at least three places that go down at a falling ball's speed began; None when there is none.

    `places` are (time, height) with heights in metres from the ring.
    """
    run, began_s = 1, 0.0
    below = [(t, up) for t, up in places if up < 0.0]
    for (t0, up0), (t1, up1) in pairwise(below):
        gap = t1 - t0
        # one block a frame; slower than a net's hold, or faster than a fall from the rafters, is something else
        if 0 < gap < 0.12 and 0.8 < (up0 - up1) / gap < 9.0:
            began_s = t0 if run == 1 else began_s
            run += 1
            if run >= 3:
                return began_s
        elif gap > 0:
            run = 1
    return None
