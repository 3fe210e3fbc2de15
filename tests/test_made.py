"""Made, missed or unknown: the ring's verdict on simulated flights and on drawn pictures. References: physics of a
drag-free throw and the rule book's ring (tests/studio/ball.py)."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from makes import BALL_M, SIZE, calibration_of, shot, shots
from studio.ball import BOARD_FROM_RING_M, RING_HEIGHT_M, flight, launch
from studio.camera import Placement

from rimward.calibration.geometry import project
from rimward.live.made import AFTER_S, Crossing, RingWatch, Sight
from rimward.live.phases import PhaseState
from rimward.live.records import Ball, Frame, Observation, Phase
from rimward.live.results import RingResults

SPOT = np.array([0.0, -4.37, 0.0])
FORWARD, RIGHT = np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])
BEHIND = calibration_of(Placement(3.9, 150, 1.0, 7), SPOT, FORWARD, RIGHT)


def thrown(x: float, y: float, *, found: float = 1.0, seed: int = 0):
    """A free throw that would meet the ring's plane at (x, y) from its centre, as the program sees it."""
    watch = RingWatch(BEHIND, BALL_M)
    seen = shot(np.random.default_rng(seed), watch, BEHIND, SPOT, np.array([x, y, RING_HEIGHT_M]), found)
    assert seen is not None
    return seen


def test_a_clean_shot_is_made() -> None:
    said = [thrown(0.0, 0.02, seed=seed) for seed in range(4)]
    assert {seen.truth for seen in said} == {"made"}
    verdicts = [seen.judged() for seen in said]
    assert set(verdicts) <= {"made", None}
    assert verdicts.count("made") >= 3


@pytest.mark.parametrize(("x", "y"), [(0.6, 0.0), (-0.55, 0.1), (0.0, -1.0)])
def test_a_ball_clear_of_the_ring_is_missed(x: float, y: float) -> None:
    seen = thrown(x, y)
    assert seen.truth == "missed"
    assert seen.judged() == "missed"


def on_the_ring(*seen: tuple[float, float]):
    """What is said of a ball that met the ring's plane inside of it at 1.0 s and was then seen so high over it."""
    places = np.random.default_rng(0).normal(0.0, 0.03, (200, 2))
    met = Crossing(1.0, 4.0, places, BOARD_FROM_RING_M)
    sights = [Sight(t_s, project(BEHIND, [0.0, 0.0, RING_HEIGHT_M + up_m])) for t_s, up_m in seen]
    return RingWatch(BEHIND, BALL_M).judge(met, sights)


def test_a_flick_of_the_net_does_not_date_a_later_fall() -> None:
    """What falls through at once was shot in. What lay on the ring for most of a second may have been tipped in; a net
    that moved when the ball came to the ring changes nothing of that.
    """
    falls = [(-0.15, 0.0), (-0.27, 0.033), (-0.42, 0.067), (-0.58, 0.1)]
    assert on_the_ring(*((1.05 + later, up) for up, later in falls)) == "made"
    late = [(1.9 + later, up) for up, later in falls]
    assert on_the_ring(*late) is None
    assert on_the_ring((1.03, -0.15), *late) is None


# ------------------------------------------------------------------------------------- what was seen after the crossing
CROSSED_S = 1.0
INSIDE, CLEAR = (0.05, 0.0), (0.6, -0.3)


def places(*shares: tuple[tuple[float, float], int]) -> Crossing:
    """What the fit leaves possible: so many of the draws at each place beside the ring's axis."""
    return Crossing(CROSSED_S, 4.0, np.array([place for place, share in shares for _ in range(share)]), 0.381)


def sights(*seen: tuple[float, float, float]) -> list[Sight]:
    """(after the crossing in s, aside in the picture and above the ring in m)"""
    right = BEHIND.R[0] * [1.0, 1.0, 0.0]
    right /= np.linalg.norm(right)
    up = np.array([0.0, 0.0, 1.0])
    placed = [(t, BEHIND.ring_centre_m + aside * right + above * up) for t, aside, above in seen]
    return [Sight(CROSSED_S + t, project(BEHIND, place)) for t, place in placed]


def falling(from_s: float, aside_m: float = 0.02, mps: float = 4.0, number: int = 4):
    return [(from_s + k / 30, aside_m, -0.2 - mps * k / 30) for k in range(number)]


THROWN_UP = [(0.12, 0.05, 0.3), (0.16, 0.05, 0.4)]
"""It came back up from the ring by more than a ball's width."""


@pytest.mark.parametrize(
    ("crossing", "after", "verdict"),
    [
        pytest.param([(INSIDE, 1)], falling(0.05), "made", id="in, and on down through the net"),
        pytest.param([(INSIDE, 1)], falling(0.05, number=3), "made", id="three pictures of the fall are enough"),
        pytest.param([(INSIDE, 1)], falling(0.05, number=2), None, id="two are not"),
        pytest.param([(INSIDE, 1)], [], None, id="in, but nobody saw it fall"),
        pytest.param([(INSIDE, 1)], falling(0.4), None, id="it fell later: it may have danced on the ring"),
        pytest.param([(INSIDE, 1)], falling(0.05, mps=0.3), None, id="a net that swings is no ball that falls"),
        pytest.param([(INSIDE, 1)], THROWN_UP + falling(0.2), None, id="thrown up, then down through the net"),
        pytest.param([(INSIDE, 1)], THROWN_UP[:1] + falling(0.05), "made", id="once is something else"),
        pytest.param([(INSIDE, 1)], THROWN_UP + falling(0.5, 0.5), "missed", id="thrown up, then down beside"),
        pytest.param([(INSIDE, 1)], falling(0.05, 0.5), None, id="in and beside: it may have slipped through the net"),
        pytest.param([(INSIDE, 1), (CLEAR, 19)], falling(0.05, 0.5), "missed", id="hardly in, and down beside"),
        pytest.param([(INSIDE, 1), (CLEAR, 19)], [], None, id="hardly in is not clear of the ring"),
        pytest.param([(INSIDE, 1), (CLEAR, 99)], [], "missed", id="clear of the ring"),
        pytest.param([(CLEAR, 1)], THROWN_UP, None, id="clear of it by the fit, yet it touched something"),
        pytest.param([(INSIDE, 1), ((0.3, 0.0), 1)], falling(0.05), "made", id="as likely in as on the ring"),
        pytest.param([(INSIDE, 4), ((0.3, 0.0), 6)], falling(0.05), None, id="more likely on the ring than in"),
        pytest.param([(INSIDE, 6), (CLEAR, 4)], falling(0.05), None, id="in or clear of it: two shots in one fit"),
    ],
)
def test_what_the_crossing_and_what_was_seen_after_it_say_together(crossing, after, verdict) -> None:
    """The module's own rule: nothing is guessed (common practice, no source)."""
    assert RingWatch(BEHIND, BALL_M).judge(places(*crossing), sights(*after)) == verdict


def test_what_was_seen_before_the_crossing_is_no_fall_through_the_net() -> None:
    before = [(t - 0.3, aside, up) for t, aside, up in falling(0.05)]
    assert RingWatch(BEHIND, BALL_M).judge(places((INSIDE, 1)), sights(*before)) is None


@pytest.mark.parametrize(
    ("place", "clear"),
    [
        ((0.30, 0.0), False),  # its edge is over the ring
        ((0.34, 0.0), False),  # still over it
        ((0.38, 0.0), True),
        ((0.0, -0.38), True),
        ((0.38, 0.30), False),  # beside the ring, but against the board
        ((0.38, 0.25), True),
    ],
)
def test_a_ball_is_clear_that_touches_neither_ring_nor_board(place, clear) -> None:
    """A ring of 18 in across, a board 15 in behind its axis (rule books); a ball of 24 cm."""
    assert places((place, 1)).clear(BALL_M) == float(clear)


def test_few_sights_are_no_verdict() -> None:
    assert thrown(0.0, 0.02, found=0.15).judged() is None


def test_a_ball_that_nobody_followed_below_the_ring_is_unknown() -> None:
    """A head or a hand before the net: that it was on its way in is no proof that it went in."""
    seen = thrown(0.0, 0.02)
    above = [s for s in seen.sights if s.centre_px[1] < project(BEHIND, [0.0, 0.0, RING_HEIGHT_M])[1]]
    assert replace(seen, sights=above).judged() is None


def test_no_verdict_on_many_shots_is_wrong() -> None:
    """Makes, rim shots and misses from everywhere; python -m tests.makes runs a thousand and prints the table."""
    said = [(seen.truth, seen.judged()) for seen in shots(40, seed=11)]
    assert [pair for pair in said if pair[1] is not None and pair[0] != pair[1]] == []
    assert sum(verdict is not None for _, verdict in said) >= 14


@pytest.mark.parametrize(
    "placement",
    [
        pytest.param(Placement(3.6, 90, 1.0, 4), id="from the side"),
        pytest.param(Placement(3.9, 150, 1.0, -15), id="looking down"),
    ],
)
def test_without_the_ring_in_the_picture_nothing_is_watched(placement: Placement) -> None:
    watch = RingWatch(calibration_of(placement, SPOT, FORWARD, RIGHT), BALL_M)
    assert not watch.sees_ring
    watch.look(0.0, np.zeros((SIZE[1], SIZE[0], 3), np.uint8))
    watch.released(0.5)
    assert watch.result(SPOT[:2], 2.2, []) is None


# ------------------------------------------------------------------------------------- pictures, phases and reps
def film(x: float, y: float):
    """Pictures of a free throw that leaves at 2.0 s before a grey wall, and the ball's places in them."""
    start = SPOT + [0.05, 0.3, 2.2]
    target = np.array([x, y, RING_HEIGHT_M])
    path = flight(start, launch(start, target, np.radians(50)), 4 * 240, np.array([0, 0, RING_HEIGHT_M])).position
    wall = np.random.default_rng(0).integers(110, 140, (SIZE[1], SIZE[0], 3)).astype(np.uint8)
    for k in range(round(30 * (2.0 + AFTER_S + 0.2))):
        t_s = k / 30
        place = path[max(0, min(round((t_s - 2.0) * 240), len(path) - 1))]
        centre = project(BEHIND, place)
        radius = BEHIND.camera_matrix[0, 0] * BALL_M / float((BEHIND.R @ place + BEHIND.t)[2])
        image = wall.copy()
        cv2.circle(
            image, tuple(round(16 * v - 8) for v in centre), round(16 * radius), (30, 90, 200), -1, cv2.LINE_AA, 4
        )
        yield Frame(k, t_s, image), Ball(centre, radius, 0.9)


def followed(x: float, y: float, counted_s: float):
    """What comes out, as (index, result, when); the rep is counted at this time."""
    results = RingResults(RingWatch(BEHIND, BALL_M), 1.8)
    out = []
    for frame, ball in film(x, y):
        flying = frame.t_s > 2.0
        phase = PhaseState(Phase.RELEASE if flying else Phase.SET, release_s=2.0 if flying else None)
        near = ball if frame.t_s < 2.5 else None
        said = results.update(frame, phase, Observation(frame.index, frame.t_s, None, near), SPOT[:2])
        if said is not None:
            out.append((*said, "later"))
        if abs(frame.t_s - counted_s) < 1e-6 and (now := results.counted(2.0, 5)) is not None:
            out.append((5, now, "at once"))
    return out


def test_the_result_comes_after_the_rep_was_counted() -> None:
    assert followed(0.0, 0.03, counted_s=3.0) == [(5, "made", "later")]
    assert followed(0.6, 0.0, counted_s=3.0) == [(5, "missed", "later")]


def test_a_long_follow_through_has_its_result_at_once() -> None:
    assert followed(0.0, 0.03, counted_s=4.3) == [(5, "made", "at once")]


def test_what_was_no_rep_has_no_result() -> None:
    assert followed(0.0, 0.03, counted_s=99.0) == []


@pytest.mark.parametrize(
    ("court", "board_m"),
    [("us", pytest.approx(BOARD_FROM_RING_M)), ("us_college", pytest.approx(0.381)), ("fiba", 0.375)],
)
def test_the_board_is_where_the_court_has_it(court: str, board_m: float) -> None:
    """15 in from the ring's centre by the US books, 375 mm by FIBA's "Basketball Equipment"."""
    calibration = replace(BEHIND, court=court)
    watch = RingWatch(calibration, BALL_M)
    seen = shot(np.random.default_rng(0), watch, calibration, SPOT, np.array([0.6, 0.0, RING_HEIGHT_M]), 1.0)
    assert seen is not None
    crossing = watch.crossing(seen.release_s, seen.spot_m, seen.height_m, seen.seen, seen.sights)
    assert crossing is not None
    assert crossing.board_m == board_m
    beside = replace(crossing, draws_m=np.array([[0.6, 0.378 - BALL_M]]))
    assert beside.clear(BALL_M) == (0.0 if court == "fiba" else 1.0)
