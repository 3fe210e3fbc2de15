"""Stretches of True, held against itertools.groupby of the standard library."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.runs import runs


@pytest.mark.parametrize(
    ("flags", "expected"),
    [("", []), ("000", []), ("111", [(0, 3)]), ("0110", [(1, 3)]), ("1011", [(0, 1), (2, 4)])],
)
def test_each_stretch_is_told_from_its_first_to_the_one_after_its_last(flags, expected):
    assert runs(np.array([flag == "1" for flag in flags], bool)) == expected


@given(st.lists(st.booleans(), max_size=30))
def test_stretches_are_those_of_the_standard_library(flags):
    groups = [[k for k, _ in group] for on, group in itertools.groupby(enumerate(flags), lambda one: one[1]) if on]
    assert runs(np.array(flags, bool)) == [(group[0], group[-1] + 1) for group in groups]
