"""Did the camera move since it was calibrated? The fixed background says so."""

from __future__ import annotations

from dataclasses import dataclass
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
"""No bump leaves this share of the corners where they were, so this many are enough to say that there was none..."""
_LEFT_SHARE: Final = 0.15
"""...and with a bump no more than this stay by chance (the middle of a picture that was turned)."""
_AGREEING: Final = 0.6
"""Share of the matched corners that one movement of the camera must explain."""
_FEATURES: Final = 1500
_FOUND_AGAIN: Final = 25
"""So many features that one movement of the camera explains are no chance: of 1500, two dozen."""
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
    cells = np.floor(corners / np.array([grey.shape[1], grey.shape[0]]) * _CELLS).astype(int) @ (1, _CELLS[0])
    # they come strongest first, so the first ones of each cell are its best
    kept = [np.flatnonzero(cells == cell)[:_CORNERS_PER_CELL] for cell in np.unique(cells)]
    chosen = np.concatenate(kept) if kept else np.zeros(0, dtype=int)
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
    shift = (there - start).reshape(-1, 2)
    good = (went.ravel() == 1) & (came.ravel() == 1) & (np.linalg.norm((back - start).reshape(-1, 2), axis=1) < 1.0)
    if people is not None:
        at = np.clip(np.round(there.reshape(-1, 2)), 0, np.array([grey.shape[1], grey.shape[0]]) - 1).astype(int)
        good &= _covered(people, grey)[at[:, 1], at[:, 0]] == 0
    matched = int(good.sum())
    if matched < max(_FEWEST, 0.2 * len(reference.corners)):
        return _far_moved(reference, grey, people)
    to_full = reference.image_size[0] / grey.shape[1]
    moved = shift[good] * to_full
    limit = _MOVED_PX * max(reference.image_size)
    size = np.linalg.norm(moved, axis=1)
    still = size < limit
    if still.mean() >= _STILL_SHARE:
        return Bump(Verdict.STILL, float(np.median(size[still])), matched)
    # a camera that turns moves its whole picture by one homography; a crowd or a flickering light does not
    homography, explained = cv2.findHomography(start[good], there[good], cv2.RANSAC, 3.0)
    agreeing = 0.0 if homography is None else float(np.mean(explained))
    if agreeing >= _AGREEING and still.mean() <= _LEFT_SHARE:
        return Bump(Verdict.MOVED, float(np.median(size)), matched)
    return Bump(Verdict.UNSURE, float("nan"), matched)


def _far_moved(reference: Background, grey: ImageArray, people: NDArray[np.bool_] | None) -> Bump:
    """Whether the background is seen elsewhere, after a turn too large to be followed from corner to corner."""
    finder: Any = cv2.ORB.create(_FEATURES)
    free = np.full(grey.shape, 255, np.uint8)
    if people is not None:
        free[_covered(people, grey) == 1] = 0
    points, marks = finder.detectAndCompute(reference.grey, None)
    there, seen = finder.detectAndCompute(grey, free)
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(marks, seen) if points and there else ()
    if len(pairs) < _FOUND_AGAIN:
        return Bump(Verdict.UNSURE, float("nan"), 0)
    start = np.array([points[pair.queryIdx].pt for pair in pairs])
    end = np.array([there[pair.trainIdx].pt for pair in pairs])
    homography, explained = cv2.findHomography(start, end, cv2.RANSAC, 3.0)
    found = int(explained.sum()) if homography is not None else 0
    inside = explained.ravel() == 1 if homography is not None else np.zeros(len(pairs), bool)
    to_full = reference.image_size[0] / grey.shape[1]
    shift_px = float(np.median(np.linalg.norm((end - start)[inside], axis=1)) * to_full) if found else float("nan")
    if found >= _FOUND_AGAIN and shift_px > _MOVED_PX * max(reference.image_size):
        return Bump(Verdict.MOVED, shift_px, found)
    return Bump(Verdict.UNSURE, float("nan"), found)


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
