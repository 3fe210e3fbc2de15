"""Find and follow the ball in the picture: colour, roundness, known size, nearness to the hands, free flight.

Each picture is searched round the shooter at a scale at which the ball is a few pixels wide, which makes the search
cheap and blind to texture. Every pixel gets a score from two colour histograms, ball against everything else; a round
template of the expected size, bright inside and dark outside, finds discs of ball colour. The ball's histogram starts
from a broad orange and learns from what was found, the other one from the rest of the picture. A ball of another colour
is learnt when the player holds it between both hands for a moment, if its colour sets it apart. Missing is None:
nothing is made up while the ball is hidden.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import dist, exp

import cv2
import numpy as np
from numpy.typing import NDArray

from .arc import GRAVITY_MPS2
from .body import BALL_RADIUS_M, hand_centre, middle, point, seen
from .records import Ball, FloatArray, ImageArray, Pose
from .skeleton import INDEX, SIDES, Side

_WORK_RADIUS_PX = 6.0
_SIZES = (0.82, 1.0, 1.2)
_BINS = 24
_LEAST_LEVEL, _MOST_GAIN = 80.0, 3.0
"""Mean of a picture below which it is brightened, and how much at most."""
_BALL_S, _REST_S, _SHOWN_S, _LEVEL_S = 0.32, 0.65, 0.15, 0.65
"""Time constants with which the colours of the ball, of what is none, of what is shown, and the light are followed."""
_FIRST_STEP_S, _LONGEST_STEP_S = 0.033, 0.1
"""What the first picture counts for, and one after a gap at most: a single picture may be an odd one."""
_IN = 0.7
_REACH_PX = int(np.ceil(1.6 * _WORK_RADIUS_PX * max(_SIZES)))
"""How far from its middle a template looks."""
_NEIGHBOURS = np.ones((7, 7), np.uint8)
_PARTS = {
    "head": ("left_ear", "right_ear"),
    "trunk": ("left_shoulder", "right_shoulder", "left_hip", "right_hip"),
    **{f"{side}_thigh": (f"{side}_hip", f"{side}_knee") for side in ("left", "right")},
    **{f"{side}_shank": (f"{side}_knee", f"{side}_ankle") for side in ("left", "right")},
}
"""Parts of the body with discs of hair, skin or cloth that go where the body goes, and the landmarks round each."""
_PALMS = ("left_wrist", "left_index", "right_wrist", "right_index")
FloatMap = NDArray[np.float32]
CellMap = NDArray[np.uint16]
_Hands = Sequence[FloatArray]
"""Centres of palms that may hold a ball in sight, in pixels."""
_HIDDEN = 0.25
"""A palm of less visibility is behind the body: from the side, half front and front not one in a hundred palms that
held a ball in sight was (rendered shots), from behind most."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    centre_px: FloatArray
    radius_px: float
    score: float
    doubtful: bool = False
    """Near a hand, but it was there before the hand was."""


@dataclass(frozen=True, slots=True)
class _Grid:
    """Where in the whole picture the pixels of the searched, smaller one lie."""

    origin: FloatArray
    step: FloatArray
    shape: tuple[int, ...]

    def squares_from(self, point_px: FloatArray) -> FloatArray:
        """(h, w): of each pixel's middle the squared distance from a point."""
        across = self.origin[0] + (np.arange(self.shape[1]) + 0.5) * self.step[0] - point_px[0]
        down = self.origin[1] + (np.arange(self.shape[0]) + 0.5) * self.step[1] - point_px[1]
        squares: FloatArray = across * across + (down * down)[:, None]
        return squares


@dataclass(slots=True)
class _Place:
    """Where something of the ball's colour is seen again and again, away from the hands."""

    on: str
    """What it keeps still to: the hall, or a part of the body (_PARTS)."""
    at_px: FloatArray
    """Counted from there."""
    since_s: float
    last_s: float
    hand_s: float = -np.inf
    """When a hand was last there."""
    score: float = -np.inf
    """The best while no hand was there."""
    fixed: bool = False
    """It was found to be no ball: it stayed when no hand was there."""


def _bins(image: ImageArray) -> CellMap:
    """Histogram cell of every pixel: 3 steps of lightness, 24 x 24 of the two chroma axes of CIE Lab."""
    light, a, b = cv2.split(cv2.cvtColor(image, cv2.COLOR_BGR2Lab))
    return np.asarray(cv2.LUT(light, _LIGHT) + cv2.LUT(a, _A) + cv2.LUT(b, _B), np.uint16)


def _tables() -> tuple[CellMap, CellMap, CellMap]:
    """What each value of the three channels adds to the cell's index."""
    value = np.arange(256)
    light = np.minimum(value * 3 // 256, 2) * _BINS * _BINS
    # chroma of everyday things lies within +-72 of grey; finer cells there tell ball from skin
    chroma = np.clip((value - 128 + 72) * _BINS // 144, 0, _BINS - 1)
    return light.astype(np.uint16), (chroma * _BINS).astype(np.uint16), chroma.astype(np.uint16)


_LIGHT, _A, _B = _tables()


def _smooth(histogram: FloatMap, wide: float = 0.9, share: float = 0.3) -> FloatMap:
    """Neighbouring cells share what was seen, so that a few hundred pixels are enough to learn from: over cells of
    chroma with a standard deviation of `wide`, and a `share` of each step of lightness with the two others.
    """
    layers = np.ascontiguousarray(histogram.reshape(3, -1).T).reshape(_BINS, _BINS, 3)
    soft = np.asarray(cv2.GaussianBlur(layers, (5, 5), wide), np.float32).reshape(-1, 3).T
    soft = soft + share * (soft.sum(0) - soft)
    return np.asarray(soft / max(float(soft.sum()), 1e-9), np.float32).reshape(-1)


def _orange() -> FloatMap:
    """Where a basketball's leather usually lies, indoors and outdoors: hue 4..32 degrees, saturated."""
    hue, saturation, value = np.meshgrid(np.arange(2, 17), np.arange(110, 256, 8), np.arange(60, 256, 8), indexing="ij")
    hsv = np.stack([hue, saturation, value], -1).reshape(1, -1, 3).astype(np.uint8)
    bgr = np.asarray(cv2.cvtColor(hsv, cv2.COLOR_HSV2BGR), np.uint8)
    counts = np.bincount(_bins(bgr).ravel(), minlength=3 * _BINS * _BINS)
    return _smooth(counts.astype(np.float32))


def _share(step_s: float, constant_s: float) -> float:
    """How much of a picture that came `step_s` after the last is taken in: as much in a second at any frame rate."""
    return 1.0 - exp(-step_s / constant_s)


class ColourModel:
    """How much each colour speaks for the ball: -1 (never) to 1 (only the ball)."""

    def __init__(self) -> None:
        self._prior = _orange()
        self._ball = self._prior.copy()
        self._rest = np.full_like(self._ball, 1.0 / self._ball.size)
        self._knows = False
        self._shown: FloatMap | None = None
        self._update_table()

    @property
    def knows_the_ball(self) -> bool:
        """Whether a ball has been learnt, not only supposed to be orange."""
        return self._knows

    def _update_table(self) -> None:
        # the prior keeps a share for ever: a ball that was wrongly learnt can be unlearnt
        self._table = self._against_rest(0.15 * self._prior + 0.85 * self._ball if self.knows_the_ball else self._prior)

    def _against_rest(self, ball: FloatMap) -> FloatMap:
        floor = 0.02 / self._ball.size
        # the ball covers about a fiftieth of what is searched; a higher prior would make skin pass for leather
        return np.asarray((ball - 1.5 * self._rest) / (ball + 1.5 * self._rest + floor), np.float32)

    def forget_shown(self) -> None:
        """The hands parted: what was between them no longer counts."""
        self._shown = None

    def show(self, cells: CellMap, disc: NDArray[np.bool_], step_s: float) -> FloatMap:
        """Take in what is between the hands; returns the score of every pixel if that were the ball."""
        now = _smooth(np.bincount(cells[disc], minlength=self._ball.size).astype(np.float32))
        self._shown = now if self._shown is None else self._shown + _share(step_s, _SHOWN_S) * (now - self._shown)
        return self._against_rest(self._shown).take(cells)

    def adopt_shown(self) -> None:
        """What was between the hands is the ball."""
        if self._shown is not None:
            self._ball, self._knows, self._shown = self._shown, True, None
            self._update_table()

    def score(self, cells: CellMap) -> FloatMap:
        """Score of every cell index, same shape."""
        return self._table.take(cells)

    def learn(self, cells: CellMap, disc: NDArray[np.bool_] | None, away: NDArray[np.bool_], step_s: float) -> None:
        """Take in one picture, `step_s` after the last: `disc` marks ball pixels (None: no ball), `away` others."""
        count = self._ball.size
        rest = np.bincount(cells[away], minlength=count).astype(np.float32)
        # there are thousands of these pixels: smoothed as widely, a shirt would take the ball's colour with it
        self._rest += _share(step_s, _REST_S) * (_smooth(rest, 0.4, 0.13) - self._rest)
        if disc is not None and disc.sum() >= 20:
            ball = _smooth(np.bincount(cells[disc], minlength=count).astype(np.float32))
            self._ball += _share(step_s, _BALL_S) * (ball - self._ball)
            self._knows = True
        self._update_table()


def _shrunk(image: ImageArray, width: int, height: int) -> ImageArray:
    """Smaller picture. Halving first is several times faster than averaging areas of an odd size, and as good."""
    while image.shape[1] >= 2 * width and image.shape[0] >= 2 * height:
        even = image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2]
        half = (even.shape[1] // 2, even.shape[0] // 2)
        image = np.asarray(cv2.resize(even, half, interpolation=cv2.INTER_AREA), np.uint8)
    return np.asarray(cv2.resize(image, (width, height), interpolation=cv2.INTER_LINEAR), np.uint8)


def _template(radius: float) -> FloatMap:
    """Disc minus surrounding annulus; the response to a perfect disc is 1."""
    half = int(np.ceil(1.6 * radius))
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    distance = np.hypot(x, y)
    inside = np.clip(radius + 0.5 - distance, 0, 1)
    outside = np.clip(distance - 1.12 * radius + 0.5, 0, 1) * np.clip(1.6 * radius + 0.5 - distance, 0, 1)
    return np.asarray(_IN * inside / inside.sum() - (1 - _IN) * outside / outside.sum(), np.float32)


def _where_discs_can_be(score: FloatMap, least: float) -> tuple[int, int, int, int] | None:
    """(x0, y0, x1, y1) outside of which no template answers with `least`, however dark the surroundings.

    A response is _IN times the mean inside minus the rest times the mean outside, which is -1 at the lowest.
    """
    bright = score > (least - (1 - _IN)) / _IN
    rows, columns = np.flatnonzero(bright.any(1)), np.flatnonzero(bright.any(0))
    if not rows.size:
        return None
    height, width = score.shape
    reach = int(np.ceil(_WORK_RADIUS_PX * max(_SIZES))) + 2  # the disc, its soft edge, and a neighbour for the parabola
    x0, x1 = max(0, int(columns[0]) - reach), min(width, int(columns[-1]) + reach + 1)
    y0, y1 = max(0, int(rows[0]) - reach), min(height, int(rows[-1]) + reach + 1)
    return x0, y0, x1, y1


@dataclass(frozen=True, slots=True)
class BallSettings:
    """Thresholds of the search; scores are 0..1, lengths metres at the shooter."""

    found: float = 0.34
    """Least score near where the ball is expected."""
    dim: float = 0.25
    """The same in light too dim for better: where nothing was `clear` for `dim_s`."""
    clear: float = 0.5
    dim_s: float = 0.3
    gone: float = 0.45
    gone_s: float = 1.5
    """The same for so long after it was `clear` in the air, or on its way out of the picture: what is faint in the
    hands then is not the ball that left them."""
    found_anywhere: float = 0.55
    """Least score elsewhere."""
    hand_reach_m: float = 0.20
    """A held ball's centre lies within about this of the palm's landmark."""
    side_m: float = 1.5
    above_m: float = 1.6
    lost_s: float = 0.4
    """A track without a sighting for this long is given up."""
    show_s: float = 0.8
    """Held between both hands this long, a ball of any colour is learnt."""
    show_apart_m: tuple[float, float] = (0.12, 0.45)
    """The palms are this far apart then: a ball's width and the hands' own."""
    fresh_s: float = 1.0
    """A ball that was in a hand within this time is the ball, and its colour may be learnt."""
    still_m: float = 0.10
    still_gap_s: float = 0.2
    still_s: float = 0.5
    """A disc that stays this near to one place for this long, away from the hands, is part of the hall, or of the
    player when it stays so on the body: at the top of its flight a ball falls out of 0.10 m within 0.35 s."""
    alone_s: float = 0.1
    """And no hand may be there for this long: a held ball stays still as well."""
    better: float = 0.1
    """So much more than what stays there must a ball score that is held before it."""
    on_body_m: float = 0.35
    """From the middle of a part of the body, to be a part of it."""


class BallTracker:
    """Follows one ball through the pictures. Feed every frame in order; state is only what was seen before."""

    def __init__(self, diameter_m: float = 2 * BALL_RADIUS_M, settings: BallSettings | None = None) -> None:
        self.settings = settings or BallSettings()
        self._radius_m = diameter_m / 2
        self.colour = ColourModel()
        self._last: tuple[float, Ball] | None = None
        self._velocity_px: FloatArray = np.zeros(2)
        self._in_hand_s: float | None = None
        self._clear_until_s = self._gone_until_s = -np.inf
        self._level: float | None = None
        self._looked_s: float | None = None
        self._shown_since_s: float | None = None
        self._places: list[_Place] = []
        self._templates = [_template(_WORK_RADIUS_PX * size) for size in _SIZES]

    def update(self, image: ImageArray, t_s: float, pose: Pose | None, px_per_m: float | None) -> Ball | None:
        """The ball in this picture, or None."""
        if pose is None or px_per_m is None:
            self._last = None
            return None
        s, radius_px = self.settings, self._radius_m * px_per_m
        step_s = _FIRST_STEP_S if self._looked_s is None else min(max(t_s - self._looked_s, 0.0), _LONGEST_STEP_S)
        self._looked_s = t_s
        expected = self._expected(t_s, px_per_m)
        box = self._box(image, pose, px_per_m, expected)
        if box is None:
            return None
        x0, y0, x1, y1 = box
        scale = min(1.0, _WORK_RADIUS_PX / radius_px)
        width, height = max(8, round((x1 - x0) * scale)), max(8, round((y1 - y0) * scale))
        small = _shrunk(image[y0:y1, x0:x1], width, height)
        cells = _bins(self._lit(small, step_s))
        step = np.array([(x1 - x0) / width, (y1 - y0) / height])
        origin = np.array([x0, y0], float)
        candidates = self._candidates(self.colour.score(cells), origin, step)
        hands = self._hands(pose, px_per_m)
        moving = self._without_fixtures(t_s, candidates, hands, pose, px_per_m)
        found = s.gone if t_s < self._gone_until_s else s.found if t_s < self._clear_until_s else s.dim
        best = self._choose(moving, hands, px_per_m, expected, found)
        in_hand = best is not None and _reach_m(best, hands, px_per_m) < s.hand_reach_m
        if best is not None and best.score >= s.clear:
            self._clear_until_s = t_s + s.dim_s
            self._gone_until_s = -np.inf if in_hand else t_s + s.gone_s
        elif best is None and t_s < self._clear_until_s and _flew_out(expected, radius_px, image):
            self._gone_until_s = t_s + s.gone_s
        if in_hand:
            self._in_hand_s = t_s
        self._learn(t_s, step_s, cells, origin, step, best, hands, radius_px, pose, px_per_m)
        if best is None:
            if self._last is not None and t_s - self._last[0] > s.lost_s:
                self._last = None
            return None
        ball = Ball(best.centre_px, best.radius_px, float(np.clip(best.score, 0.0, 1.0)))
        self._follow(t_s, ball)
        return ball

    def _hands(self, pose: Pose, px_per_m: float) -> _Hands:
        """The palms, but for those that a turned back hides: what is seen there is shirt."""
        trunk, near_px = _on(pose, "trunk"), self.settings.on_body_m * px_per_m
        turned = point(pose, "left_shoulder")[0] < point(pose, "right_shoulder")[0]
        both = [(hand_centre(pose, side), _visibility(pose, side)) for side in SIDES]
        return [hand for hand, sight in both if not turned or sight >= _HIDDEN or dist(hand, trunk) > near_px]

    def _lit(self, small: ImageArray, step_s: float) -> ImageArray:
        """The picture as bright as a usual one: in the dark all colours lie in a few cells."""
        now = float(small.mean())
        self._level = now if self._level is None else self._level + _share(step_s, _LEVEL_S) * (now - self._level)
        gain = min(_LEAST_LEVEL / max(self._level, 1.0), _MOST_GAIN)
        return small if gain <= 1.0 else np.asarray(cv2.convertScaleAbs(small, alpha=gain), np.uint8)

    def _expected(self, t_s: float, px_per_m: float) -> FloatArray | None:
        """Where free flight would take the last ball by now."""
        if self._last is None or t_s - self._last[0] > self.settings.lost_s:
            return None
        dt = t_s - self._last[0]
        fall = np.array([0.0, 0.5 * GRAVITY_MPS2 * px_per_m * dt * dt])
        expected: FloatArray = self._last[1].centre_px + self._velocity_px * dt + fall
        return expected

    def _follow(self, t_s: float, ball: Ball) -> None:
        if self._last is not None and t_s > self._last[0]:
            velocity = (ball.centre_px - self._last[1].centre_px) / (t_s - self._last[0])
            self._velocity_px = velocity
        else:
            self._velocity_px = np.zeros(2)
        self._last = (t_s, ball)

    def _box(
        self, image: ImageArray, pose: Pose, px_per_m: float, expected: FloatArray | None
    ) -> tuple[int, int, int, int] | None:
        """Part of the picture to search: the body, what it can reach, and where the ball should be by now."""
        s, (height, width) = self.settings, image.shape[:2]
        hips, head = middle(pose, "hip"), point(pose, "nose")
        x0, x1 = hips[0] - s.side_m * px_per_m, hips[0] + s.side_m * px_per_m
        y0 = min(head[1], hips[1]) - s.above_m * px_per_m
        y1 = max(pose.landmarks_px[:, 1].max(), hips[1] + px_per_m) + 0.15 * px_per_m
        if expected is not None:
            reach = 0.6 * px_per_m
            x0, x1 = min(x0, expected[0] - reach), max(x1, expected[0] + reach)
            y0, y1 = min(y0, expected[1] - reach), max(y1, expected[1] + reach)
        box = int(max(0, x0)), int(max(0, y0)), int(min(width, x1)), int(min(height, y1))
        return box if box[2] - box[0] >= 16 and box[3] - box[1] >= 16 else None

    def _candidates(self, score: FloatMap, origin: FloatArray, step: FloatArray) -> list[_Candidate]:
        """The best discs of ball colour, each once."""
        found: list[_Candidate] = []
        least = 0.6 * self.settings.dim
        part = _where_discs_can_be(score, least)
        if part is None:
            return found
        left, top_row, responses = self._responses(score, part)
        top = responses.max(0)
        peak = (top == cv2.dilate(top, _NEIGHBOURS)) & (top > least)
        for y, x in zip(*np.nonzero(peak), strict=True):
            size = int(responses[:, y, x].argmax())
            dx, dy = _parabola(top, y, x)
            centre = origin + (np.array([left + x + dx, top_row + y + dy]) + 0.5) * step
            radius = _WORK_RADIUS_PX * _SIZES[size] * float(step.mean())
            found.append(_Candidate(centre, radius, float(top[y, x])))
        return sorted(found, key=lambda c: -c.score)[:8]

    def _responses(self, score: FloatMap, part: tuple[int, int, int, int]) -> tuple[int, int, FloatMap]:
        """Left column, top row and (sizes, h, w) responses to the discs in a part of the picture."""
        x0, y0, x1, y1 = part
        height, width = score.shape
        reach = _REACH_PX
        left, top, right, bottom = (
            max(0, x0 - reach),
            max(0, y0 - reach),
            min(width, x1 + reach),
            min(height, y1 + reach),
        )
        around = np.ascontiguousarray(score[top:bottom, left:right])
        inner = (slice(y0 - top, y1 - top), slice(x0 - left, x1 - left))
        responses = [cv2.filter2D(around, -1, t, borderType=cv2.BORDER_REPLICATE)[inner] for t in self._templates]
        return x0, y0, np.stack(responses)

    def _without_fixtures(
        self, t_s: float, candidates: list[_Candidate], hands: _Hands, pose: Pose, px_per_m: float
    ) -> list[_Candidate]:
        """Candidates that are no part of the hall or the player: a disc that keeps its place away from the hands is no
        ball in play. Where hands come to such a place later, it stays in doubt.
        """
        s, moving = self.settings, []
        self._places = [place for place in self._places if t_s - place.last_s <= s.fresh_s]
        on = {"hall": np.zeros(2)}
        on |= {part: _on(pose, part) for part in _PARTS}
        sure = self._sure(t_s, candidates, px_per_m)
        clear_px = 3.0 * self._radius_m * px_per_m
        for c in candidates:
            at_hand = _reach_m(c, hands, px_per_m) < s.hand_reach_m
            fixed = False
            for name, origin in on.items():
                at = c.centre_px - origin
                if name == "hall" or dist(at, (0.0, 0.0)) < s.on_body_m * px_per_m:
                    here = self._place(t_s, name, at, px_per_m)
                    if at_hand:
                        here.hand_s = t_s
                    else:
                        here.score = max(here.score, c.score)
                    here.fixed |= t_s - here.since_s >= s.still_s and t_s - here.hand_s >= s.alone_s
                    # there is one ball: what shows beside it is none
                    here.fixed |= sure is not None and c is not sure and dist(c.centre_px, sure.centre_px) > clear_px
                    # a ball that is held before it looks more like one
                    fixed |= here.fixed and c.score < here.score + s.better
            if not fixed:
                moving.append(c)
            elif at_hand:
                moving.append(replace(c, doubtful=True))
        return moving

    def _sure(self, t_s: float, candidates: list[_Candidate], px_per_m: float) -> _Candidate | None:
        """The ball beyond doubt: it looks much more like one than all else, and is where its way leads."""
        s, expected = self.settings, self._expected(t_s, px_per_m)
        if expected is None or not candidates or not self.colour.knows_the_ball:
            return None
        best, *others = candidates
        alone = all(c.score + s.better <= best.score for c in others)
        on_path = dist(best.centre_px, expected) < s.still_m * px_per_m
        return best if best.score >= s.clear and alone and on_path else None

    def _place(self, t_s: float, on: str, at_px: FloatArray, px_per_m: float) -> _Place:
        """The place where something is seen now, known from before or new."""
        s = self.settings
        here = next((p for p in self._places if p.on == on and dist(p.at_px, at_px) < s.still_m * px_per_m), None)
        if here is None:
            self._places.append(here := _Place(on, at_px, t_s, t_s))
        if t_s - here.last_s > s.still_gap_s:
            here.since_s, here.fixed = t_s, False  # a dribbled ball comes by again and again, but does not stay
        here.last_s = t_s
        return here

    def _choose(
        self,
        candidates: list[_Candidate],
        hands: _Hands,
        px_per_m: float,
        expected: FloatArray | None,
        found: float,
    ) -> _Candidate | None:
        """The disc that looks most like the ball where the ball can be; `found` is the least score there."""
        s = self.settings
        best, best_value = None, -np.inf
        for c in candidates:
            reach = _reach_m(c, hands, px_per_m)
            near_hand = 0.0 if c.doubtful else np.exp(-0.5 * (max(0.0, reach - 0.08) / s.hand_reach_m) ** 2)
            near_path = 0.0
            if expected is not None:
                near_path = np.exp(-0.5 * (dist(c.centre_px, expected) / px_per_m / 0.25) ** 2)
            near = max(near_hand, near_path)
            if c.score < found + (s.found_anywhere - found) * (1 - near):
                continue
            value = c.score + 0.35 * near
            if value > best_value:
                best, best_value = c, value
        return best

    def _learn(
        self,
        t_s: float,
        step_s: float,
        cells: CellMap,
        origin: FloatArray,
        step: FloatArray,
        best: _Candidate | None,
        hands: _Hands,
        radius_px: float,
        pose: Pose,
        px_per_m: float,
    ) -> None:
        grid = _Grid(origin, step, cells.shape)
        if best is None:
            away = np.ones(cells.shape, bool)
            for hand in hands:
                away &= grid.squares_from(hand) > (2.5 * radius_px) ** 2
            self.colour.learn(cells, None, away, step_s)
            if not self.colour.knows_the_ball:
                self._look_between_hands(t_s, step_s, cells, grid, radius_px, pose, px_per_m)
            return
        squares = grid.squares_from(best.centre_px)
        fresh = self._in_hand_s is not None and t_s - self._in_hand_s <= self.settings.fresh_s
        sure = fresh and best.score > self.settings.found_anywhere
        disc = squares < (0.8 * best.radius_px) ** 2 if sure else None
        self.colour.learn(cells, disc, squares > (1.5 * best.radius_px) ** 2, step_s)

    def _look_between_hands(
        self, t_s: float, step_s: float, cells: CellMap, grid: _Grid, radius_px: float, pose: Pose, px_per_m: float
    ) -> None:
        """No ball of the expected colour so far: learn the one that the player shows."""
        left, right = hand_centre(pose, "left"), hand_centre(pose, "right")
        nearest, farthest = self.settings.show_apart_m
        held_out = nearest <= float(np.linalg.norm(left - right)) / px_per_m <= farthest
        if not (held_out and seen(pose, *_PALMS)):
            self._shown_since_s = None
            self.colour.forget_shown()
            return
        centre = (left + right) / 2
        disc = grid.squares_from(centre) < (0.7 * radius_px) ** 2
        if not disc.any():
            return
        if self._shown_since_s is None:
            self._shown_since_s = t_s
        score = self.colour.show(cells, disc, step_s)
        if t_s - self._shown_since_s < self.settings.show_s:
            return
        # only a colour that sets the ball apart is of use: one disc between the hands, nothing like it elsewhere
        discs = self._candidates(score, grid.origin, grid.step)
        here = [c for c in discs if float(np.linalg.norm(c.centre_px - centre)) < radius_px]
        elsewhere = [c for c in discs if float(np.linalg.norm(c.centre_px - centre)) >= radius_px]
        if (
            here
            and here[0].score > self.settings.found_anywhere
            and not any(c.score > self.settings.found for c in elsewhere)
        ):
            self.colour.adopt_shown()


def _reach_m(candidate: _Candidate, hands: _Hands, px_per_m: float) -> float:
    """Distance from a disc's centre to the nearest palm."""
    return min((dist(candidate.centre_px, hand) for hand in hands), default=np.inf) / px_per_m


def _on(pose: Pose, part: str) -> FloatArray:
    """(2,) pixels of the middle of a part of the body."""
    return np.asarray(np.mean([point(pose, name) for name in _PARTS[part]], axis=0))


def _visibility(pose: Pose, side: Side) -> float:
    """How sure the network is that it sees a palm."""
    return float(pose.visibility[[INDEX[f"{side}_wrist"], INDEX[f"{side}_index"]]].mean())


def _flew_out(expected: FloatArray | None, radius_px: float, image: ImageArray) -> bool:
    """Whether free flight has taken the ball out of the picture by now, or so far that its edge cuts it."""
    if expected is None:
        return False
    (x, y), (height, width) = expected.tolist(), image.shape[:2]
    return not (radius_px <= x <= width - radius_px and radius_px <= y <= height - radius_px)


def _parabola(top: FloatMap, y: int, x: int) -> tuple[float, float]:
    """Sub-pixel place of a peak from its four neighbours."""
    height, width = top.shape

    def vertex(before: float, at: float, after: float) -> float:
        bend = before - 2 * at + after
        return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < -1e-9 else 0.0

    dx = vertex(top[y, x - 1], top[y, x], top[y, x + 1]) if 0 < x < width - 1 else 0.0
    dy = vertex(top[y - 1, x], top[y, x], top[y + 1, x]) if 0 < y < height - 1 else 0.0
    return dx, dy
