"""What a player is held against: shipped bands, own bands from earlier reps, and the coach's targets above all."""

from __future__ import annotations

import numpy as np
import pytest
from coaching import FLIGHT, a_rep, missing
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from rimward.live.checks import judge
from rimward.live.records import Band
from rimward.live.targets import MOST_REPS, CoachTarget, InForce, Targets, in_force

ELBOW = Band(65.0, 110.0, "starting point", "shipped")
HAND = Band(0.5, None, "common practice", "shipped")
ARC = Band(-1.0, 5.0, "physics", "shipped")
SHIPPED = {"elbow_at_set": ELBOW, "follow_through": HAND, "release_angle": ARC}


def elbows(*degrees: float, sigma: float = 2.0):
    return [a_rep(elbow_at_set_deg=(value, sigma)) for value in degrees]


def coach(measurement: str, low: float | None, high: float | None, locked: bool = True) -> CoachTarget:
    return CoachTarget(measurement, Band(low, high, "coach", "deep, set by the coach"), locked)


def habit(middle: float, spread: float, n: int, seed: int = 1, sigma: float = 2.0):
    return elbows(*np.random.default_rng(seed).normal(middle, spread, n), sigma=sigma)


# ------------------------------------------------------------------------------------------------------------ own bands
def test_too_few_reps_leave_the_shipped_bands():
    assert Targets(SHIPPED, reps=habit(80, 3, 19), after_reps=20).bands() == SHIPPED


def test_median_and_spread_of_enough_reps_become_the_band():
    band = Targets(SHIPPED, reps=habit(80, 6, 60), after_reps=20).bands()["elbow_at_set"]
    assert band.label == "own"
    assert (band.low, band.high) == (pytest.approx(68, abs=4), pytest.approx(92, abs=4))  # 80 -+ 2 x 6
    assert "last 60 reps" in band.source


def test_a_few_wild_reps_do_not_move_an_own_band():
    """Median and median deviation, against mean and standard deviation, which would be 88 and 30."""
    reps = [*habit(80, 3, 40), *elbows(170, 170, 175, 160)]
    band = Targets(SHIPPED, reps=reps, after_reps=20).bands()["elbow_at_set"]
    assert (band.low, band.high) == (pytest.approx(74, abs=3), pytest.approx(86, abs=3))


def test_an_own_band_is_never_narrower_than_two_sigmas():
    band = Targets(SHIPPED, reps=elbows(*[80.0] * 30, sigma=7.0), after_reps=20).bands()["elbow_at_set"]
    assert (band.low, band.high) == (66.0, 94.0)


def test_a_few_reps_that_were_badly_seen_do_not_widen_an_own_band():
    reps = [*elbows(*[80.0] * 27, sigma=2.0), *elbows(*[80.0] * 3, sigma=20.0)]
    band = Targets(SHIPPED, reps=reps, after_reps=20).bands()["elbow_at_set"]
    assert (band.low, band.high) == (76.0, 84.0)


@pytest.mark.parametrize(
    ("shipped_ends", "own"), [((0.5, None), (1.1, None)), ((None, 2.0), (None, 1.3)), ((0.5, 2.0), (1.1, 1.3))]
)
def test_an_own_band_has_the_ends_that_the_shipped_one_has(shipped_ends, own):
    """Holding the follow-through longer than usual is no fault."""
    reps = [a_rep(follow_through_s=(1.2, 0.05)) for _ in range(30)]
    shipped = {"follow_through": Band(*shipped_ends, "common practice", "shipped")}
    band = Targets(shipped, reps=reps, after_reps=20).bands()["follow_through"]
    assert (band.low, band.high) == pytest.approx(own)


def test_an_own_band_ends_where_the_shipped_one_does():
    """Reps are taken where they lie inside the shipped band (README, Drills, focus, targets): half of the reps of who
    lets the arm fall after 0.55 s are shorter than the shipped 0.5 s would have let pass.
    """
    reps = [a_rep(follow_through_s=(0.55, 0.1)) for _ in range(30)]
    assert Targets(SHIPPED, reps=reps, after_reps=20).bands()["follow_through"] == HAND
    band = Targets(SHIPPED, reps=habit(70, 4, 60), after_reps=20).bands()["elbow_at_set"]
    assert (band.low, band.label) == (ELBOW.low, "own")
    assert band.high == pytest.approx(78, abs=3)


def test_a_habit_outside_the_shipped_band_is_no_target():
    assert Targets(SHIPPED, reps=habit(50, 3, 60), after_reps=20).bands()["elbow_at_set"] == ELBOW


def test_unless_a_coach_called_such_reps_good():
    targets = Targets(SHIPPED, reps=habit(50, 3, 60), good=habit(50, 3, 5), after_reps=20, good_reps=5)
    band = targets.bands()["elbow_at_set"]
    assert band.label == "own"
    assert band.low < 50 < band.high < 65
    assert "5 reps that the coach called good" in band.source


def test_good_reps_of_this_session_count_at_once():
    targets = Targets(SHIPPED, good=elbows(50, 51, 52), good_reps=5)
    assert targets.bands()["elbow_at_set"] == ELBOW
    assert targets.bands(elbows(49, 50))["elbow_at_set"].label == "own"


def test_physics_is_not_replaced_by_habit_nor_what_a_person_wrote():
    reps = [a_rep(**FLIGHT | {"release_angle_deg": (51.0, 1.0)}) for _ in range(60)]
    wrote = {"release_angle": ARC, "elbow_at_set": Band(70.0, 90.0, "own", "settings.toml")}
    targets = Targets(wrote, reps=[*reps, *habit(80, 3, 60)], good=reps, after_reps=20, good_reps=5)
    assert targets.bands() == wrote


def test_reps_that_could_not_be_measured_do_not_count():
    reps = [a_rep(elbow_at_set_deg=missing("hidden"))] * 30 + habit(80, 3, 19)
    assert Targets(SHIPPED, reps=reps, after_reps=20).bands() == SHIPPED


def test_only_the_last_reps_count():
    reps = habit(100, 3, 200) + habit(75, 3, MOST_REPS)
    band = Targets(SHIPPED, reps=reps, after_reps=20).bands()["elbow_at_set"]
    assert band.low < 75 < band.high < 90


def test_zero_means_never():
    many = habit(80, 3, 60)
    assert Targets(SHIPPED, reps=many, good=many).bands() == SHIPPED


@given(st.lists(st.floats(66, 109), min_size=20, max_size=60), st.floats(0.5, 20))
def test_most_of_the_reps_that_made_a_band_lie_inside_it(values, sigma):
    """Half of them at the very least: the median deviation is where half of them lie."""
    band = Targets(SHIPPED, reps=elbows(*values, sigma=sigma), after_reps=20).bands()["elbow_at_set"]
    assert band.low is not None
    assert band.high is not None
    inside = [band.low - 1e-9 <= value <= band.high + 1e-9 for value in values]
    assert sum(inside) >= len(values) / 2


@pytest.mark.parametrize(("reps", "most"), [(5, 0.10), (20, 0.065), (60, 0.065)])
def test_an_own_band_holds_nineteen_of_twenty_reps_to_come(reps, most):
    """Of a player whose form scatters by 4 degrees, read without error to speak of. Two spreads to each side, as they
    came out, held 74 of 100 after five reps that a coach called good, 91 after twenty and 94 after sixty; now they are
    93, 95 and 96 (1,000 bands each). With an error of 0.5 degrees 20, 7 and 4 of 100 sound reps were clearly out; now
    6, 3 and 3.
    """
    rng, outside = np.random.default_rng(15), []
    for _ in range(200):
        good = elbows(*rng.normal(80, 4, reps), sigma=0.01)
        band = Targets({"elbow_at_set": Band(0.0, 180.0, "starting point", "")}, good=good, good_reps=5).bands()[
            "elbow_at_set"
        ]
        outside.append(1 - norm.cdf(band.high, 80, 4) + norm.cdf(band.low, 80, 4))
    assert np.mean(outside) < most


# ------------------------------------------------------------------------------------------------------------ the coach
def test_what_the_coach_locked_stays():
    targets = Targets(SHIPPED, [coach("elbow_at_set_deg", 60.0, 70.0)], habit(90, 3, 60), habit(90, 3, 9), 20, 5)
    bands = targets.bands()
    assert bands["elbow_at_set_deg"].high == 70.0
    assert "elbow_at_set" not in bands


def test_what_the_coach_did_not_lock_holds_until_the_players_own_reps_say_more():
    said = [coach("elbow_at_set_deg", 60.0, 70.0, locked=False)]
    assert Targets(SHIPPED, said, habit(90, 3, 19), after_reps=20).bands()["elbow_at_set_deg"].high == 70.0
    assert Targets(SHIPPED, said, habit(90, 3, 20), after_reps=20).bands()["elbow_at_set"].label == "own"


def test_a_coach_may_judge_what_is_only_reported():
    bands = Targets(SHIPPED, [coach("hold_s", 0.1, 0.3)]).bands()
    (finding,) = judge(a_rep(hold_s=(0.6, 0.05)), bands, 2.0)
    assert (finding.check, finding.verdict) == ("hold", "above")


@pytest.mark.parametrize(("hand", "expected"), [("right", "above"), ("left", "below")])
def test_a_coachs_numbers_are_those_of_the_measurement_for_either_hand(hand, expected):
    """Positive is to the shooter's right, as in the record: there a right-hander's elbow is out, a left-hander's in."""
    bands = Targets({}, [coach("arm_offset_at_set_m", -0.02, 0.03)]).bands()
    (finding,) = judge(a_rep(hand=hand, arm_offset_at_set_m=(0.12, 0.02)), bands, 2.0)
    assert (finding.check, finding.verdict) == ("arm_line", expected)


@pytest.mark.parametrize("hand", ["right", "left"])
@pytest.mark.parametrize(("low", "high", "inside"), [(-0.02, 0.15, True), (-0.15, 0.02, False)])
def test_a_coachs_band_that_is_wider_to_one_side_is_so_for_either_hand(hand, low, high, inside):
    bands = Targets({}, [coach("arm_offset_at_set_m", low, high)]).bands()
    (finding,) = judge(a_rep(hand=hand, arm_offset_at_set_m=(0.12, 0.02)), bands, 2.0)
    assert (finding.verdict == "in_band") is inside


# ----------------------------------------------------------------------------------------------------- what is in force
@pytest.mark.parametrize(
    ("check", "measurement", "plain"),
    [
        ("knee_bend", "knee_min_deg", True),
        ("arm_line", "arm_offset_at_set_m", False),  # outward, so the other way round for a left-hander
        ("hips_square", "hips_heading_deg", False),  # against the feet
    ],
)
def test_a_band_is_that_of_the_measurement_where_the_check_takes_it_as_it_is_or_the_coach_spoke_of_it(
    check, measurement, plain
):
    usual, said = Band(-1.0, 1.0, "starting point", "shipped"), Band(-2.0, 3.0, "coach", "said on Friday")
    assert in_force({check: usual}) == [InForce(check, measurement, usual, plain)]
    assert in_force({check: usual, measurement: said}) == [InForce(check, measurement, said, True)]
