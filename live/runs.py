"""Unbroken stretches of True in an array of flags."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """[first, end) of each unbroken stretch of True in (T,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    return [(int(first), int(end)) for first, end in edges.reshape(-1, 2)]
