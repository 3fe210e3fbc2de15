"""Every measurement has words, a unit that fits its name, and a definition."""

from __future__ import annotations

import pytest

from rimward.live.checks import CHECKS
from rimward.live.glossary import TERMS
from rimward.live.measure import MEASUREMENTS


def test_every_measurement_has_words_in_the_programs_order():
    assert list(TERMS) == list(MEASUREMENTS)
    assert {check.measurement for check in CHECKS} <= TERMS.keys()


@pytest.mark.parametrize("name", TERMS)
def test_the_unit_shown_is_a_multiple_of_the_one_in_the_name(name):
    shown = {"deg": {"°": 1}, "m": {"cm": 100, "m": 1}, "s": {"s": 1}, "mps": {"m/s": 1}}[name.rsplit("_", 1)[1]]
    assert shown[TERMS[name].unit] == TERMS[name].factor


def test_labels_can_be_told_apart():
    assert len({term.label for term in TERMS.values()}) == len(TERMS)
    assert all(term.definition for term in TERMS.values())
