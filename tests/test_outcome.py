"""The last screen names a change only when it is one."""

from __future__ import annotations

import numpy as np
import pytest

from rimward.live.assets import english
from rimward.live.outcome import what_changed
from rimward.live.records import Events, Measurement, Rep

EVENTS = Events(None, None, None, 1.0, 1.2, None, None)


def session(knees: np.ndarray, sigma: float = 6.0) -> list[Rep]:
    return [
        Rep(k, "right", EVENTS, None, None, {"knee_min_deg": Measurement(float(knee), sigma, "image")})
        for k, knee in enumerate(knees, 1)
    ]


def test_a_clear_change_is_told_with_its_way_and_size():
    rng = np.random.default_rng(1)
    knees = np.concatenate([rng.normal(130, 2, 10), rng.normal(120, 2, 10), rng.normal(110, 2, 10)])
    said = what_changed(session(knees), english())
    assert said.startswith("Deepest knee bend: 2")
    assert said.endswith("° less than at the start")
    assert what_changed(session(knees[::-1]), english()).endswith("° more than at the start")


def test_chance_is_not_told_as_a_change():
    assert (
        what_changed(session(np.random.default_rng(2).normal(120, 4, 30)), english())
        == "No change that is more than chance"
    )


@pytest.mark.parametrize("reps", [0, 1, 14])
def test_a_few_reps_say_nothing(reps):
    assert what_changed(session(np.linspace(100, 140, reps)), english()) == "What changed shows from 15 reps on"
