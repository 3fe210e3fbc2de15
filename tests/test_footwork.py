"""Steps into a shot, on feet whose landings are known because they are drawn here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimward.calibration.geometry import project
from rimward.calibration.record import Calibration
from rimward.live import footwork
from rimward.live.footwork import Footwork, NotSeen
from rimward.live.records import Observation, Pose
from rimward.live.skeleton import COUNT, INDEX, Side
from rimward.live.track import Track

RELEASE_S = 2.6
STANDS_S = 2.0
"""The crouch: lowest hips."""


def swing(t: np.ndarray, off: float, on: float) -> np.ndarray:
    """0 before `off`, 1 after `on`, as smooth as a leg (minimum jerk: Flash and Hogan 1985)."""
    u = np.clip((t - off) / (on - off), 0.0, 1.0)
    return u**3 * (10 - 15 * u + 6 * u**2)


def walker(
    left_on: float | None = None,
    right_on: float | None = None,
    step_m: float = -0.6,
    rate_hz: float = 30.0,
    tremble_m: float = 0.0,
    along: float = 1.0,
) -> Track:
    """Two seconds and a half seen from the side, hoop to the right; `along` is the share of the way that shows."""
    t = np.arange(0.0, 3.2, 1 / rate_hz)
    points = np.zeros((len(t), COUNT, 2))
    points[:, :, 1] = 1.6
    sink = swing(t, STANDS_S - 0.4, STANDS_S) - swing(t, STANDS_S, STANDS_S + 0.4)
    for side, on, across in (("left", left_on, 0.08), ("right", right_on, 0.0)):
        way = np.zeros(len(t)) if on is None else swing(t, on - 0.36, on)
        up = 0.10 * np.sin(np.pi * way) ** 2
        for part, ahead, height in (("heel", -0.08, 0.05), ("ankle", -0.05, 0.09), ("foot_index", 0.12, 0.03)):
            points[:, INDEX[f"{side}_{part}"]] = np.stack(
                [2.0 + along * (ahead + step_m * way), across + height + up], axis=-1
            )
        points[:, INDEX[f"{side}_hip"], 1] = 0.95 - 0.2 * sink
    rng = np.random.default_rng(3)
    points += rng.normal(0, tremble_m, points.shape)
    return Track(t, points, np.full((len(t), 2), np.nan))


def found(track: Track, facing: float | None = 1.0) -> Footwork:
    steps = footwork.read(track, RELEASE_S, None, facing)
    assert isinstance(steps, Footwork), steps
    return steps


@given(
    gap=st.floats(-0.3, 0.3),
    rate_hz=st.sampled_from([15.0, 30.0, 60.0, 120.0]),
    tremble_m=st.floats(0, 0.008),
)
@settings(max_examples=60, deadline=None)
def test_the_lead_is_the_time_between_the_landings(gap, rate_hz, tremble_m):
    steps = found(walker(1.35 - max(gap, 0), 1.35 + min(gap, 0), rate_hz=rate_hz, tremble_m=tremble_m))
    lead, sigma = steps.lead_s("left")
    assert lead == pytest.approx(gap, abs=3 * sigma)
    assert sigma < 0.06
    assert steps.lead_s("right") == (-lead, sigma)


@pytest.mark.parametrize(("left_on", "right_on", "first"), [(1.2, 1.4, "left"), (1.4, 1.2, "right")])
def test_the_foot_that_came_first_is_named(left_on, right_on, first):
    assert found(walker(left_on, right_on)).first == first


def test_feet_that_land_together_are_a_hop_and_neither_is_first():
    steps = found(walker(1.3, 1.32))
    assert (steps.kind, steps.first) == ("hop", None)


@pytest.mark.parametrize(("step_m", "kind"), [(-0.6, "step_back"), (0.6, "one_two")])
@pytest.mark.parametrize("facing", [1.0, -1.0])
def test_the_way_tells_a_step_back_from_a_step_forward(step_m, kind, facing):
    steps = found(walker(1.2, 1.4, step_m * facing), facing)
    assert steps.kind == kind
    assert steps.forward_m[0] == pytest.approx(step_m, abs=0.05)


@pytest.mark.parametrize("longer", [1 / 1.5, 1.3, 1.5])
def test_the_lead_does_not_go_by_how_far_each_foot_came(longer):
    """Who has farther to go comes near to where it will stand later; the two ways run alike all the same."""
    track, still = walker(1.2, 1.4, -0.5, rate_hz=60.0), walker(rate_hz=60.0)
    points, foot = track.points.copy(), [INDEX[f"left_{part}"] for part in footwork.PARTS]
    points[:, foot] = still.points[:, foot] + longer * (track.points[:, foot] - still.points[:, foot])
    assert found(Track(track.t_s, points, track.ball)).left_lead[0] == pytest.approx(0.2, abs=0.006)


def test_only_the_last_way_counts_however_far_the_player_came():
    """From half a second before the first landing on."""
    track = walker(1.4, 1.4, -0.3)
    points = track.points.copy()
    points[:, 25:, 0] += 1.5 * (swing(track.t_s, 0.1, 0.7) - 1.0)[:, None]
    assert found(Track(track.t_s, points, track.ball)).forward_m[0] == pytest.approx(-0.3, abs=0.05)


def test_without_the_hoops_direction_a_step_is_only_a_step():
    steps = found(walker(1.2, 1.4, along=0.3), None)
    assert (steps.kind, steps.first, steps.forward_m) == ("step", "left", None)
    assert "run rimward calibrate" in footwork.forward(steps).reason


def test_feet_that_stand_are_set_though_the_knees_bend_and_the_network_trembles():
    assert found(walker(tremble_m=0.006)).kind == "set"


def test_a_step_long_before_the_shot_is_not_a_step_into_it():
    assert found(walker(0.5, 0.7)).kind == "set"


@pytest.mark.parametrize("side", ["left", "right"])
def test_one_foot_may_step_alone(side: Side):
    steps = found(walker(**{f"{side}_on": 1.4}))
    assert (steps.kind, steps.lead_s("left"), steps.first) == ("one_foot", None, None)
    landed = {"left": steps.left_s, "right": steps.right_s}
    assert landed.pop(side) == pytest.approx(1.4, abs=0.1)
    assert list(landed.values()) == [None]


def test_feet_that_land_far_apart_in_time_are_no_hop_whichever_comes_first():
    assert found(walker(1.4, 1.2), None).kind == found(walker(1.2, 1.4), None).kind == "step"


def test_a_way_within_its_error_is_neither_forward_nor_back():
    """The feet come together toward the hoop by less than can be told from here."""
    steps = found(walker(1.2, 1.4, 0.12))
    assert steps.kind == "step"
    assert abs(steps.forward_m[0]) < steps.forward_m[1]


def test_the_first_landing_tells_whether_enough_was_seen_before_it():
    """The second one has more before it, which helps nothing."""
    track = walker(1.0, 1.4)
    keep = track.t_s > 0.85
    steps = footwork.read(Track(track.t_s[keep], track.points[keep], track.ball[keep]), RELEASE_S)
    assert isinstance(steps, NotSeen)


@pytest.mark.parametrize(("way_m", "kind"), [(0.05, "set"), (-0.05, "set"), (0.09, "one_foot"), (-0.09, "one_foot")])
def test_a_foot_that_turns_or_settles_makes_no_step(way_m, kind):
    """Less than 0.06 m along the floor, though as quickly as a step."""
    track = walker()
    points = track.points.copy()
    foot = [INDEX[f"left_{part}"] for part in footwork.PARTS]
    points[:, foot, 0] += way_m * swing(track.t_s, 1.1, 1.4)[:, None]
    assert found(Track(track.t_s, points, track.ball)).kind == kind


@pytest.mark.parametrize("rate_hz", [30.0, 60.0])
@pytest.mark.parametrize("creep_m", [0.1, -0.1])
def test_a_foot_that_creeps_after_its_landing_landed_when_it_came_down(rate_hz, creep_m):
    """While the knees bend over it a foot that stands seems to move on; its place just after landing counts."""
    plain, track = walker(1.2, 1.2, rate_hz=rate_hz), walker(1.2, 1.2, rate_hz=rate_hz)
    points = track.points.copy()
    points[:, 25:, 0] += creep_m * np.clip((track.t_s - 1.45) / 0.5, 0.0, 1.0)[:, None]
    steps = found(Track(track.t_s, points, track.ball))
    assert steps.left_s == pytest.approx(found(plain).left_s, abs=0.05)


def test_what_a_foot_does_after_the_crouch_is_no_step_into_the_shot():
    """It lands from the jump elsewhere."""
    track = walker(1.2, 1.4)
    points = track.points.copy()
    points[:, 25:, 0] += 0.5 * swing(track.t_s, 2.3, 2.6)[:, None]
    after, plain = found(Track(track.t_s, points, track.ball)), found(track)
    assert (after.kind, after.left_lead) == (plain.kind, pytest.approx(plain.left_lead, abs=0.01))
    assert after.forward_m == pytest.approx(plain.forward_m, abs=0.02)


def hidden(track: Track) -> Track:
    trust = np.ones((len(track.t_s), COUNT))
    trust[:, INDEX["left_ankle"]] = 0.2
    return Track(track.t_s, track.points, track.ball, trust)


def late(track: Track) -> Track:
    keep = track.t_s > STANDS_S - 0.4
    return Track(track.t_s[keep], track.points[keep], track.ball[keep])


def without_hips(track: Track) -> Track:
    points = track.points.copy()
    points[:, [INDEX["left_hip"], INDEX["right_hip"]]] = np.nan
    return Track(track.t_s, points, track.ball)


def lost(track: Track, first_s: float, last_s: float) -> Track:
    points = track.points.copy()
    points[(track.t_s > first_s) & (track.t_s < last_s)] = np.nan
    return Track(track.t_s, points, track.ball)


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (hidden, "hidden or outside"),
        (late, "long enough before the shot"),
        (without_hips, "hips"),
        (lambda track: lost(track, 0.7, 1.0), "long enough before the step"),
        (lambda track: lost(track, 1.35, 1.5), "long enough before the shot"),
    ],
)
def test_what_was_not_seen_is_said(spoil, reason):
    steps = footwork.read(spoil(walker(1.2, 1.4)), RELEASE_S)
    assert isinstance(steps, NotSeen)
    assert reason in steps.reason
    assert footwork.guide_lead(steps, "right").reason == footwork.forward(steps).reason == steps.reason


def test_a_body_lost_for_two_frames_is_bridged():
    steps = found(lost(walker(1.2, 1.4), 1.25, 1.32))
    assert steps.first == "left"
    assert steps.lead_s("left")[0] == pytest.approx(0.2, abs=0.04)


# ------------------------------------------------------------------------------------------------- as measurements
@pytest.mark.parametrize(("hand", "sign"), [("right", 1), ("left", -1)])
def test_the_guide_sides_lead_is_mirrored_for_a_left_hander(hand: Side, sign):
    """Left then right is the order of a right-hander's step-back (common practice, no source)."""
    steps = found(walker(1.2, 1.4))
    lead = footwork.guide_lead(steps, hand, back_only=True)
    assert lead.value == pytest.approx(0.2 * sign, abs=0.05)
    assert lead.basis == "timing"


@pytest.mark.parametrize(
    ("track", "reason"),
    [
        (walker(), "stood before"),
        (walker(None, 1.4), "only one foot"),
        (walker(1.3, 1.3), "together"),
        (walker(1.2, 1.4, 0.6), "toward the hoop"),
    ],
)
def test_an_order_is_asked_of_step_backs_only(track, reason):
    assert reason in footwork.guide_lead(found(track), "right", back_only=True).reason


def test_the_lead_and_the_way_are_measured_in_every_step_that_shows_them():
    """Not in step-backs alone, unless these are asked for."""
    hop, forward = found(walker(1.3, 1.3)), found(walker(1.2, 1.4, 0.6))
    assert footwork.guide_lead(hop, "right").value == pytest.approx(0.0, abs=0.05)
    assert footwork.guide_lead(forward, "right").value == pytest.approx(0.2, abs=0.05)
    way = footwork.forward(forward)
    assert (way.value, way.sigma, way.basis) == (*forward.forward_m, "image")


@pytest.mark.parametrize(("track", "reason"), [(walker(), "stood before"), (walker(None, 1.4), "only one foot")])
def test_without_two_steps_there_is_no_lead(track, reason):
    assert reason in footwork.guide_lead(found(track), "right").reason


def test_feet_that_stand_have_no_way():
    assert "stood before" in footwork.forward(found(walker())).reason


@pytest.mark.parametrize("facing", [0.6, -0.6])
def test_seen_at_an_angle_the_way_is_longer_than_it_looks_and_less_sure(facing):
    steps = found(walker(1.2, 1.4, -0.6 * facing), facing)
    assert steps.forward_m[0] == pytest.approx(-0.6, abs=0.05)
    assert steps.forward_m[1] == pytest.approx(found(walker(1.2, 1.4, -0.6)).forward_m[1] / 0.6)


def test_seen_nearly_from_the_front_the_way_is_not_told():
    assert found(walker(1.2, 1.4), 0.4).forward_m is None


# ---------------------------------------------------------------------------------------------- with a calibration
@pytest.mark.parametrize(
    ("start", "end", "way_m"),
    [
        ((0.0, -5.0), (0.0, -5.6), -0.6),
        ((3.0, -4.0), (2.7, -3.6), 0.5),
        ((0.0, -5.0), (0.4, -5.0), -0.016),  # to the side
        ((0.0, -0.6), (0.0, -0.2), None),  # under the hoop every way leads to it
        ((0.0, -5.0), (np.nan, np.nan), None),  # where the feet would stand lies beyond the horizon
    ],
)
def test_the_way_toward_the_hoop_goes_by_the_places_on_the_floor(start, end, way_m):
    track = walker(1.4, 1.4)
    share = swing(track.t_s, 1.0, 1.4)[:, None, None]
    floor = np.array(start) + share * (np.array(end) - np.array(start)) + np.zeros((len(track.t_s), 2, 2))
    if np.isnan(end).any():
        floor[track.t_s > 1.5] = np.nan
    steps = footwork.read(track, RELEASE_S, floor, 1.0)
    assert isinstance(steps, Footwork)
    assert steps.forward_m is None if way_m is None else steps.forward_m[0] == pytest.approx(way_m, abs=0.02)


def test_with_a_calibration_the_way_shows_from_the_front_too():
    """The camera looks along the step; feet are drawn on the floor by OpenCV's projection and found there again."""
    matrix = np.array([[900.0, 0, 640], [0, 900.0, 360], [0, 0, 1]])
    turn = np.array([[-1.0, 0, 0], [0, 0, -1], [0, -1, 0]])  # looks toward -y from the hoop's side
    centre = np.array([0.0, 0.0, 1.2])
    camera = Calibration(
        (1280, 720), matrix, np.zeros(5), turn, -turn @ centre, 0.0, np.zeros((7, 7)), 0.0, 0.0, "marks", "known"
    )
    side = walker(1.2, 1.4, -0.6)
    observations = []
    for k, t in enumerate(side.t_s):
        world = np.zeros((COUNT, 3))
        world[:, 0] = np.array([-0.15 if i % 2 else 0.15 for i in range(COUNT)])
        world[:, 1] = side.points[k, :, 0] - 6.5
        world[:, 2] = side.points[k, :, 1]
        px = project(camera, world)
        observations.append(Observation(k, float(t), Pose(px, np.ones(COUNT), np.zeros(COUNT)), None))
    px_per_m = 900 / 5.0
    points = np.array([one.pose.landmarks_px for one in observations]) * [1, -1] / px_per_m
    track = Track(side.t_s, points, side.ball)
    steps = footwork.read(track, RELEASE_S, footwork.floor_places(observations, camera))
    assert isinstance(steps, Footwork)
    assert steps.kind == "step_back"
    assert steps.first == "left"
    assert steps.forward_m[0] == pytest.approx(-0.6, abs=0.15)
