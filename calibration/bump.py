"""Did the camera move since it was calibrated? The fixed background says so."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ImageArray = NDArray[np.uint8]

_CELLS: Final = (10, 6)
_CORNERS_PER_CELL: Final = 6
"""Corners are taken from all over the picture, or a player's clothes would outnumber a plain wall."""
_FEWEST: Final = 12
"""Matched corners that a judgement needs."""
_MOVED_PX: Final = 2.5 / 1280
"""Shift of the background, as a share of the picture's longer side, from which on the camera counts as moved."""
_STILL_SHARE: Final = 0.35
"""So many that are where they were say that there was no bump, unless one movement of the camera explains them too: a
camera that tips to the side, or is pushed toward a far wall, leaves the middle of its picture where it was."""
_LEFT_SHARE: Final = 0.15
"""With a bump no more than this stay where they were against that movement: a player who walks leaves the wall."""
_AGREEING: Final = 0.6
"""Share of the matched corners that one movement of the camera must explain."""
_FEATURES: Final = 1500
_KEPT_FEATURES: Final = 600
"""Of the picture that was calibrated, kept with the calibration: 30 KB."""
_FOUND_AGAIN: Final = 25
"""So many features that one movement of the camera explains are no chance: of 1500, two dozen."""
_CANDIDATES: Final = 5
"""So many times as many features are found as are kept: they are taken from all over the picture, too."""
_FAINTEST: Final = 5
"""Grey levels between a feature and its surroundings: at OpenCV's 20 a brick wall or an evening has next to none. The
strongest come first, so that a lively picture loses nothing."""
MARK_BYTES: Final = 32
_LONGEST_SIDE: Final = 1280
"""Larger pictures are looked at in this size: the answer is the same and the time is not."""


class Verdict(StrEnum):
    """What the background says."""

    STILL = "still"
    MOVED = "moved"
    UNSURE = "unsure"
    """Too little of the background was found again: dark, covered, or another place altogether."""


@dataclass(frozen=True, slots=True)
class Bump:
    """A comparison with the picture of the calibration."""

    verdict: Verdict
    shift_px: float
    """Median shift of the background in pixels of the picture; NaN when unsure."""
    matched: int


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Points of a picture that are found again from what each looks like, in other light and on another day.

    They show nobody: 32 bytes of which of two neighbours is brighter, for each point.
    """

    points: FloatArray
    """(N, 2), shares of the picture's width and height."""
    marks: ImageArray
    """(N, 32)."""
    aspect: float
    """Width over height of the picture."""

    def __post_init__(self) -> None:
        count = len(self.points)
        if self.points.shape != (count, 2) or self.marks.shape != (count, MARK_BYTES):
            raise ValueError(
                f"features need as many points (N, 2) as marks (N, {MARK_BYTES}), "
                f"got {self.points.shape} and {self.marks.shape}"
            )


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """Corners of the fixed scene in the picture that was calibrated."""

    grey: ImageArray
    """In the size in which it is looked at."""
    corners: FloatArray
    """(N, 2), pixels of `grey`."""
    image_size: tuple[int, int]


def background_of(image: ImageArray, people: NDArray[np.bool_] | None = None) -> Background:
    """The corners of the picture (BGR or grey) that was calibrated; `people` (height, width) is True where people are.

    Only corners of the still scene are wanted, so whoever stands in the picture should be masked.
    """
    grey, mask = _looked_at(image), None
    if people is not None:
        free = cv2.resize(
            (~people).astype(np.uint8) * 255, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_AREA
        )
        mask = np.where(free == 255, 255, 0).astype(np.uint8)
    found: Any = cv2.goodFeaturesToTrack(grey, 2000, 0.005, 8, mask=mask)
    corners = np.zeros((0, 2)) if found is None else np.asarray(found, dtype=np.float64).reshape(-1, 2)
    # they come strongest first
    chosen = _spread(corners, (grey.shape[1], grey.shape[0]), _CORNERS_PER_CELL)
    return Background(grey, corners[chosen], (image.shape[1], image.shape[0]))


def bumped(reference: Background, image: ImageArray, people: NDArray[np.bool_] | None = None) -> Bump:
    """Whether the background of `image` is still where it was in the reference.

    Tracks the reference's corners into the picture and back; a person who walks by covers some of them, which is why
    the shift that most agree on counts. A picture of another size is unsure.
    """
    if (image.shape[1], image.shape[0]) != reference.image_size or len(reference.corners) < _FEWEST:
        return Bump(Verdict.UNSURE, float("nan"), 0)
    grey = _looked_at(image)
    # four halvings and a 31-pixel window follow shifts of about a tenth of the picture
    options: dict[str, Any] = {"winSize": (31, 31), "maxLevel": 4}
    start: Any = reference.corners.astype(np.float32).reshape(-1, 1, 2)
    there, went, _ = cv2.calcOpticalFlowPyrLK(reference.grey, grey, start, start.copy(), **options)
    back, came, _ = cv2.calcOpticalFlowPyrLK(grey, reference.grey, there, there.copy(), **options)
    good = (went.ravel() == 1) & (came.ravel() == 1) & (np.linalg.norm((back - start).reshape(-1, 2), axis=1) < 1.0)
    if people is not None:
        at = np.clip(np.round(there.reshape(-1, 2)), 0, np.array([grey.shape[1], grey.shape[0]]) - 1).astype(int)
        good &= _covered(people, grey)[at[:, 1], at[:, 0]] == 0
    matched = int(good.sum())
    if matched < max(_FEWEST, 0.2 * len(reference.corners)):
        return _far_moved(reference, grey, people)
    to_full = reference.image_size[0] / grey.shape[1]
    seen = _movement(reference.corners[good], there.reshape(-1, 2)[good], _MOVED_PX * max(grey.shape))
    # a camera that turns moves its whole picture by one homography; a crowd or a flickering light does not
    if seen.moved and seen.explained >= _AGREEING * matched:
        return Bump(Verdict.MOVED, seen.shift_px * to_full, matched)
    return Bump(Verdict.STILL, seen.still_px * to_full, matched) if seen.still else _lost(matched)


def _far_moved(reference: Background, grey: ImageArray, people: NDArray[np.bool_] | None) -> Bump:
    """Whether the background is seen elsewhere, after a turn too large to be followed from corner to corner."""
    seen = _found_again(_features(reference.grey, None, _FEATURES), _features(grey, people, _FEATURES))
    return (
        replace(seen, shift_px=seen.shift_px * max(reference.image_size)) if seen.verdict is Verdict.MOVED else _lost()
    )


def features_of(image: ImageArray, people: NDArray[np.bool_] | None = None) -> Features:
    """What to keep of the picture (BGR or grey) that was calibrated.

    `people` (height, width) is True where people are.
    """
    return _features(_looked_at(image), people, _KEPT_FEATURES)


def moved_since(calibrated: Features, image: ImageArray, people: NDArray[np.bool_] | None = None) -> Bump:
    """Whether the camera stands where it stood when these features were kept, be it on another day.

    Unsure where too few are found again (other light, another place) or the picture has another shape.
    """
    here = _features(_looked_at(image), people, _FEATURES)
    if abs(here.aspect / calibrated.aspect - 1) > 0.01:
        return _lost()
    seen = _found_again(calibrated, here)
    if seen.verdict is Verdict.UNSURE and (mirrored := _mirrored(calibrated, image, people)) is not None:
        return mirrored
    return replace(seen, shift_px=seen.shift_px * max(image.shape[:2]))


def _mirrored(calibrated: Features, image: ImageArray, people: NDArray[np.bool_] | None) -> Bump | None:
    """The same place in a mirror, which a camera's settings can switch on: nothing stands where it was calibrated."""
    turned, hidden = np.ascontiguousarray(image[:, ::-1]), None if people is None else people[:, ::-1]
    seen = _found_again(calibrated, _features(_looked_at(turned), hidden, _FEATURES))
    return None if seen.verdict is Verdict.UNSURE else Bump(Verdict.MOVED, float(max(image.shape[:2])), seen.matched)


def _lost(matched: int = 0) -> Bump:
    return Bump(Verdict.UNSURE, float("nan"), matched)


def _features(grey: ImageArray, people: NDArray[np.bool_] | None, most: int) -> Features:
    free = None if people is None else np.asarray(255 * (1 - _covered(people, grey)), dtype=np.uint8)
    finder: Any = cv2.ORB.create(_CANDIDATES * most, fastThreshold=_FAINTEST)
    points = sorted(finder.detect(grey, free), key=lambda point: -point.response)
    size = (grey.shape[1], grey.shape[0])
    places = np.array([point.pt for point in points], dtype=np.float64).reshape(-1, 2)
    kept = _spread(places, size, most // (_CELLS[0] * _CELLS[1]))
    points, marks = finder.compute(grey, [points[k] for k in kept])
    if marks is None:
        return Features(np.zeros((0, 2)), np.zeros((0, MARK_BYTES), np.uint8), size[0] / size[1])
    found = np.array([point.pt for point in points], dtype=np.float64) / size
    return Features(found, np.asarray(marks, np.uint8), size[0] / size[1])


def _spread(places: FloatArray, size: tuple[int, int], most: int) -> NDArray[np.intp]:
    """Which of these places (N, 2), best first, to keep for at most so many in each cell of the picture."""
    cells = np.floor(places / np.array(size) * _CELLS).astype(int) @ (1, _CELLS[0])
    kept = [np.flatnonzero(cells == cell)[:most] for cell in np.unique(cells)]
    return np.concatenate(kept) if kept else np.zeros(0, dtype=int)


def _found_again(before: Features, now: Features) -> Bump:
    """Whether one movement of the camera explains where features are seen; its shift in shares of the longer side."""
    pairs = (
        cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(before.marks, now.marks)
        if len(before.marks) and len(now.marks)
        else ()
    )
    if len(pairs) < _FOUND_AGAIN:
        return _lost()
    sides = np.array([before.aspect, 1.0]) / max(before.aspect, 1.0) * _LONGEST_SIDE
    start = before.points[[pair.queryIdx for pair in pairs]] * sides
    end = now.points[[pair.trainIdx for pair in pairs]] * sides
    limit_px = _MOVED_PX * _LONGEST_SIDE
    seen = _movement(start, end, limit_px)
    # many pairs are chance, most of all at another resolution; those that agree are none
    if seen.explained < _FOUND_AGAIN or not (seen.moved or seen.still or seen.shift_px <= limit_px):
        return _lost(seen.explained)
    verdict, shift_px = (Verdict.MOVED, seen.shift_px) if seen.moved else (Verdict.STILL, seen.still_px)
    return Bump(verdict, shift_px / _LONGEST_SIDE, seen.explained)


@dataclass(frozen=True, slots=True)
class _Movement:
    """What matched points say."""

    explained: int
    """So many are where the one movement of the camera that most agree on takes them."""
    moved: bool
    shift_px: float
    """Of those, the median."""
    still: bool
    still_px: float
    """Median shift of those that are where they were; NaN without any."""


def _movement(start: FloatArray, end: FloatArray, limit_px: float) -> _Movement:
    """How points (N, 2), N >= 4, came from `start` to `end`; a shift below the limit is none."""
    homography, inliers = cv2.findHomography(start, end, cv2.RANSAC, 3.0)
    explained = inliers.ravel() == 1 if homography is not None else np.zeros(len(start), bool)
    size = np.linalg.norm(end - start, axis=1)
    near = size < limit_px
    shift_px = float(np.median(size[explained])) if explained.any() else 0.0
    moved = shift_px > limit_px and float(np.mean(near & ~explained)) <= _LEFT_SHARE
    still_px = float(np.median(size[near])) if near.any() else float("nan")
    return _Movement(int(explained.sum()), moved, shift_px, float(near.mean()) >= _STILL_SHARE, still_px)


def _covered(people: NDArray[np.bool_], grey: ImageArray) -> ImageArray:
    """1 where people are, in the size in which the picture is looked at."""
    size = (grey.shape[1], grey.shape[0])
    return np.asarray(cv2.resize(people.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), np.uint8)


def _looked_at(image: ImageArray) -> ImageArray:
    grey = image if image.ndim == 2 else np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    longest = max(grey.shape)
    if longest <= _LONGEST_SIDE:
        return grey
    size = (round(grey.shape[1] * _LONGEST_SIDE / longest), round(grey.shape[0] * _LONGEST_SIDE / longest))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
