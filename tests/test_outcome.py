"""The last screen names a change only when it is one."""

from __future__ import annotations

import re

import numpy as np
import pytest

from rimward.live.assets import english
from rimward.live.measure import MEASUREMENTS
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


def test_of_many_values_of_a_few_reps_none_is_told_to_have_changed_by_chance():
    """Forty values that stay as they are, 15 shots: all of one third lie above all of the other once in 126 values, so
    that 31 of 100 such sessions were told of a change, where the interval says 5 (stats.reach). From 21 shots on it is
    3 to 6.
    """
    rng, said = np.random.default_rng(5), set()
    for _ in range(20):
        seen = {name: rng.normal(100, 4, 15) for name in list(MEASUREMENTS)[:40]}
        said.add(what_changed(shown(seen, dict.fromkeys(seen, 1.0)), english()))
    assert not [one for one in said if one.endswith("than at the start")]
    assert said == {"What changed shows from 21 reps on"}


def test_nobody_who_shot_more_is_told_to_shoot_as_many():
    """Twenty-four shots, of which each third shows six values: too few for forty of them, and 21 shots were shot."""
    seen = {name: np.where(np.arange(24) % 4 > 0, 100.0, np.nan) for name in list(MEASUREMENTS)[:40]}
    said = what_changed(shown(seen, dict.fromkeys(seen, 1.0)), english())
    assert said == "No change that is more than chance"


def test_of_many_values_a_clear_change_is_told_once_the_reps_can_bear_it():
    rng = np.random.default_rng(6)
    seen = {name: rng.normal(100, 1, 21) for name in list(MEASUREMENTS)[:40]}
    seen["knee_min_deg"] = steps(130, 110, 1.0, 21)
    said = what_changed(shown(seen, dict.fromkeys(seen, 1.0)), english())
    assert said.startswith("Deepest knee bend: ")


def shown(seen: dict[str, np.ndarray], sigmas: dict[str, float]) -> list[Rep]:
    """Reps with several values each; NaN: not seen, and every second of those is not even named."""
    reps = []
    for k in range(len(next(iter(seen.values())))):
        values = {}
        for name, series in seen.items():
            if np.isfinite(series[k]):
                values[name] = Measurement(float(series[k]), sigmas[name], "image")
            elif k % 2:
                values[name] = Measurement.missing("hidden")
        reps.append(Rep(k + 1, "right", EVENTS, None, None, values))
    return reps


def steps(first: float, last: float, spread: float, n: int = 30, seed: int = 3) -> np.ndarray:
    thirds = np.repeat([first, (first + last) / 2, last], n // 3)
    return thirds + np.random.default_rng(seed).normal(0, spread, n)


def test_fifteen_reps_are_enough_for_a_clear_change():
    assert what_changed(session(steps(130, 110, 1.0, 15)), english()).endswith("° less than at the start")


def test_reps_in_which_a_value_was_not_seen_leave_the_others():
    knees = steps(130, 110, 1.0)
    knees[::4] = np.nan
    rare = np.full(30, np.nan)
    rare[[0, 1, 29]] = [0.1, 0.2, 0.9]
    seen = {"hold_s": rare, "knee_min_deg": knees}
    said = what_changed(shown(seen, {"hold_s": 0.01, "knee_min_deg": 6.0}), english())
    assert said.startswith("Deepest knee bend: ")
    assert said.endswith("° less than at the start")


@pytest.mark.parametrize("first", ["knee_min_deg", "set_to_release_s"])
def test_of_two_changes_the_clearer_one_is_told_not_the_larger_number(first):
    seen = {"knee_min_deg": steps(130, 116, 4.0), "set_to_release_s": steps(0.5, 0.3, 0.01, seed=4)}
    order = {first: seen[first], **seen}
    said = what_changed(shown(order, {"knee_min_deg": 6.0, "set_to_release_s": 0.05}), english())
    assert what_changed(session(seen["knee_min_deg"]), english()).startswith("Deepest knee bend: ")
    assert re.fullmatch(r"Set to release: 0\.(19|20)\d*\ss less than at the start", said)


def test_a_length_is_told_in_centimetres_with_the_digits_that_it_is_worth():
    """Three centimetres less, known to some millimetres; never metres, never more digits than that."""
    seen = {"set_point_above_eyes_m": steps(0.12, 0.09, 0.004)}
    said = what_changed(shown(seen, {"set_point_above_eyes_m": 0.02}), english())
    assert re.fullmatch(r"Set point above the eyes: [23]\.\d\scm less than at the start", said)
    wide = {"set_point_above_eyes_m": steps(0.32, 0.02, 0.06)}
    said = what_changed(shown(wide, {"set_point_above_eyes_m": 0.02}), english())
    assert re.fullmatch(r"Set point above the eyes: \d\d\scm less than at the start", said)
