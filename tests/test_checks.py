"""The table of checks against its bands, and verdicts that survive the measurement's own error."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.checks import CHECKS, judge
from rimward.live.measure import MEASUREMENTS
from rimward.live.records import Band, Measurement

CLEAR = 2.0


def verdict(value: float, sigma: float, low: float | None, high: float | None, clear: float = CLEAR):
    band = Band(low, high, "own", "test")
    (finding,) = judge({"knee_min_deg": Measurement(value, sigma, "image")}, {"knee_bend": band}, clear)
    assert (finding.check, finding.measurement) == ("knee_bend", "knee_min_deg")
    return finding


# ---------------------------------------------------------------------------------------------------------- the tables
def test_every_check_looks_at_a_measurement_that_exists():
    assert {check.measurement for check in CHECKS} <= set(MEASUREMENTS)
    assert len({check.name for check in CHECKS}) == len(CHECKS)


def test_every_band_belongs_to_a_check(shipped):
    """A check without a band is report only; a band without a check would silently do nothing."""
    assert set(shipped.check_bands()) <= {check.name for check in CHECKS}


def test_every_end_of_every_band_has_words_and_no_words_lack_an_end(shipped, words):
    bands = shipped.check_bands()
    ends = {(name, "below") for name, band in bands.items() if band.low is not None}
    ends |= {(name, "above") for name, band in bands.items() if band.high is not None}
    assert set(words) == ends


def test_every_band_says_where_it_comes_from(shipped):
    labels = {"physics", "paper", "dataset", "common practice", "starting point", "own", "coach"}
    for band in shipped.check_bands().values():
        assert band.label in labels
        assert len(band.source) > 20


# ------------------------------------------------------------------------------------------------------------ verdicts
@pytest.mark.parametrize(
    ("value", "expected"),
    [(120.0, "in_band"), (100.0, "in_band"), (140.0, "in_band"), (99.0, "unsure"), (90.0, "unsure"), (89.0, "below")]
    + [(145.0, "unsure"), (150.0, "unsure"), (151.0, "above")],
)
def test_outside_by_more_than_two_sigmas_is_a_clear_fault_and_by_less_unsure(value, expected):
    assert verdict(value, 5.0, 100.0, 140.0).verdict == expected


def test_excess_counts_sigmas_outside_the_band():
    assert verdict(160.0, 5.0, 100.0, 140.0).excess_sigmas == pytest.approx(4.0)
    assert verdict(85.0, 5.0, 100.0, 140.0).excess_sigmas == pytest.approx(3.0)
    assert verdict(120.0, 5.0, 100.0, 140.0).excess_sigmas == 0.0


@pytest.mark.parametrize(("low", "high"), [(100.0, None), (None, 140.0)])
def test_an_open_end_judges_nothing_there(low, high):
    far = 500.0 if high is None else -500.0
    assert verdict(far, 5.0, low, high).verdict == "in_band"


def test_a_band_narrower_than_the_error_is_widened_about_its_middle():
    """Bands of 2 degrees cannot be told with an error of 5: they become 20 wide (two sigmas to each side)."""
    assert verdict(109.0, 5.0, 99.0, 101.0).verdict == "in_band"
    assert verdict(115.0, 5.0, 99.0, 101.0).verdict == "unsure"
    assert verdict(121.0, 5.0, 99.0, 101.0).verdict == "above"
    assert verdict(79.0, 5.0, 99.0, 101.0).verdict == "below"


def test_findings_come_in_the_order_of_the_table(shipped):
    everything = {check.measurement: Measurement(1e6, 1.0, "image") for check in reversed(CHECKS)}
    found = [finding.check for finding in judge(everything, shipped.check_bands(), CLEAR)]
    assert found == [check.name for check in CHECKS if check.name in shipped.check_bands()]


def test_no_band_no_value_no_measurement_no_finding():
    band = {"knee_bend": Band(100.0, None, "own", "test")}
    assert judge({}, band, CLEAR) == ()
    assert judge({"knee_min_deg": Measurement.missing("hidden")}, band, CLEAR) == ()
    assert judge({"knee_min_deg": Measurement(1.0, 1.0, "image")}, {}, CLEAR) == ()


@given(st.floats(-200, 200), st.floats(0.01, 50), st.floats(-100, 100), st.floats(1, 100), st.floats(0, 5))
def test_a_larger_error_never_makes_a_fault_clearer(value, sigma, low, width, clear):
    strictness = {"in_band": 0, "unsure": 1, "below": 2, "above": 2}
    sharp = verdict(value, sigma, low, low + width, clear)
    blurred = verdict(value, 2 * sigma, low, low + width, clear)
    assert strictness[blurred.verdict] <= strictness[sharp.verdict]


@given(st.floats(-200, 200), st.floats(0.01, 50), st.floats(-100, 100), st.floats(1, 100))
def test_above_and_below_are_mirror_images(value, sigma, low, width):
    mirrored = {"above": "below", "below": "above"}
    one, other = verdict(value, sigma, low, low + width), verdict(-value, sigma, -low - width, -low)
    assert other.verdict == mirrored.get(one.verdict, one.verdict)
    assert other.excess_sigmas == pytest.approx(one.excess_sigmas)
