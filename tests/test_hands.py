"""Hands on the ball in a close view: hands drawn from known angles and distances, and each reason for no value."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import Form, View, film, play, pose_of, reps_of, shots_in, stand
from scipy.spatial.transform import Rotation

from rimward.live.ball_edge import Outline
from rimward.live.body import point
from rimward.live.hands import (
    INDEX,
    MEASUREMENTS,
    NAMES,
    TOO_FAR,
    HandsOnBall,
    guide_finger_spread_deg,
    guide_hand_off_s,
    guide_thumb_off_s,
    on_ball,
    palm_gap_m,
    wrist_flexion_deg,
)
from rimward.live.measure import measure, shot
from rimward.live.records import Ball, Events, Hand, Measurement
from rimward.live.reps import Reading
from rimward.live.skeleton import other

T_S = np.arange(0.0, 1.2, 1 / 30)
SET_S, RELEASE_S = 0.6, 0.9
BALL_PX, RADIUS_PX, RADIUS_M = (600.0, 300.0), 60.0, 0.12
PALM_PX = 60.0
UNSEEN = np.full((len(T_S), len(NAMES), 2), np.nan)


def hand(spread_deg: float = 20.0, width: float = 0.7) -> np.ndarray:
    """(21, 2): an upright hand, its wrist at (0, 0), the directions of its fingers fanned out by `spread_deg`."""
    marks = np.zeros((len(NAMES), 2))
    for k, finger in enumerate(("index", "middle", "ring", "little")):
        turn = np.radians((k / 3 - 0.5) * spread_deg)
        along = np.array([np.sin(turn), -np.cos(turn)])
        knuckle = np.array([(k / 3 - 0.5) * width * PALM_PX, -PALM_PX])
        for j, part in enumerate(("mcp", "pip", "dip", "tip")):
            marks[INDEX[f"{finger}_{part}"]] = knuckle + along * j * 0.3 * PALM_PX
    for j, part in enumerate(("cmc", "mcp", "ip", "tip")):
        marks[INDEX[f"thumb_{part}"]] = np.array([-0.3, -0.2]) * PALM_PX * (j + 1) / 2
    return marks


def each(marks: np.ndarray) -> np.ndarray:
    """The same hand in every picture."""
    return np.repeat(marks[None], len(T_S), axis=0)


def beside_ball(off_m: np.ndarray) -> np.ndarray:
    """(T, 21, 2): an edge-on hand to the right of the ball, its nearest landmark `off_m` (T,) from the outline."""
    marks = hand(0.0, 0.0)
    marks[:, 0] = 0.0
    out = each(marks + (0.0, PALM_PX))  # knuckles level with the ball's centre
    out[:, :, 0] += BALL_PX[0] + RADIUS_PX * (1.0 + off_m[:, None] / RADIUS_M)
    out[:, :, 1] += BALL_PX[1]
    return out


def close_view(**changes: object) -> HandsOnBall:
    ball = np.tile([*BALL_PX, RADIUS_PX], (len(T_S), 1))
    events = Events(0.1, 0.2, 0.3, SET_S, RELEASE_S, None, None)
    seen = HandsOnBall(
        t_s=T_S,
        guide=UNSEEN,
        shooting=UNSEEN,
        shooting_arm=UNSEEN[:, :2],
        ball=ball,
        radius_m=RADIUS_M,
        events=events,
        hand="right",
        near=None,
    )
    return replace(seen, **changes)


def holding_until(left_s: float, speed_mps: float = 1.0) -> np.ndarray:
    return beside_ball(0.01 + speed_mps * np.maximum(T_S - left_s, 0.0))


class TestSpread:
    def spread(self, marks: np.ndarray) -> Measurement:
        return guide_finger_spread_deg(close_view(guide=marks, near="left"))

    @pytest.mark.parametrize("wide_deg", [5.0, 20.0, 35.0])
    def test_wider_fingers_read_wider_by_as_much(self, wide_deg):
        narrow, wide = (self.spread(each(hand(d))).value for d in (10.0, 10.0 + wide_deg))
        assert wide - narrow == pytest.approx(wide_deg, abs=0.1)

    def test_a_mirrored_hand_has_the_same_spread(self):
        right, left = each(hand(25.0)), each(hand(25.0) * (-1.0, 1.0))
        assert self.spread(left) == self.spread(right)

    def test_an_edge_on_hand_shows_no_spread(self):
        assert "edge-on" in self.spread(each(hand(25.0, width=0.3))).reason

    def test_a_hidden_hand_shows_none(self):
        assert "hidden by the ball" in self.spread(UNSEEN).reason

    @pytest.mark.parametrize("near", [None, "right"])
    def test_other_views_show_no_back_of_the_guide_hand(self, near):
        assert "its own side" in guide_finger_spread_deg(close_view(guide=each(hand()), near=near)).reason


class TestGuideHandOff:
    def test_leaving_earlier_reads_longer_by_as_much(self):
        late, early = (guide_hand_off_s(close_view(guide=holding_until(RELEASE_S - s))) for s in (0.02, 0.09))
        assert early.value - late.value == pytest.approx(0.07, abs=1 / 30)
        assert early.sigma > 0.03

    def test_a_finger_that_jumps_for_one_picture_is_no_touch(self):
        steady = holding_until(RELEASE_S - 0.1)
        jumps = steady.copy()
        jumps[np.searchsorted(T_S, RELEASE_S) + 2, INDEX["index_tip"]] = BALL_PX
        assert guide_hand_off_s(close_view(guide=jumps)) == guide_hand_off_s(close_view(guide=steady))

    def test_a_ball_that_leaves_the_picture_at_release_took_leave_of_the_hand(self):
        ball = close_view().ball.copy()
        ball[T_S >= RELEASE_S - 0.01] = np.nan
        value = guide_hand_off_s(close_view(guide=holding_until(2.0), ball=ball)).value
        assert value == pytest.approx(0.04, abs=1 / 30)  # less than a picture, plus the correction for slow leaving

    def test_from_the_side_the_hand_is_in_line_with_the_ball(self):
        assert "in front" in guide_hand_off_s(close_view(guide=holding_until(0.8), near="left")).reason

    def test_a_hand_far_from_the_ball_was_none_on_it(self):
        assert "not seen on the ball" in guide_hand_off_s(close_view(guide=beside_ball(np.full(len(T_S), 0.1)))).reason

    def test_a_ball_lost_before_the_hand_left(self):
        ball = close_view().ball.copy()
        ball[T_S >= RELEASE_S - 0.15] = np.nan
        assert "while it left" in guide_hand_off_s(close_view(guide=holding_until(2.0), ball=ball)).reason

    def test_a_hand_that_is_not_found(self):
        assert "not found" in guide_hand_off_s(close_view()).reason


class TestPalmGap:
    def under(self, gap_m: float) -> np.ndarray:
        marks = hand()
        palm = marks[[INDEX[n] for n in ("wrist", "index_mcp", "middle_mcp", "ring_mcp", "little_mcp")]].mean(0)
        return each(marks - palm + BALL_PX + (0.0, RADIUS_PX * (1.0 + gap_m / RADIUS_M)))

    def test_more_room_reads_more_by_as_much(self):
        near, far = (palm_gap_m(close_view(shooting=self.under(gap), near="right")) for gap in (0.015, 0.035))
        assert far.value - near.value == pytest.approx(0.02, abs=1e-6)
        assert near.value == pytest.approx(0.0055, abs=1e-6)  # the landmarks lie 9.5 mm inside the hand

    @pytest.mark.parametrize("near", [None, "left"])
    def test_other_views_hide_the_palm(self, near):
        assert "shooting side" in palm_gap_m(close_view(shooting=self.under(0.02), near=near)).reason

    def test_a_hand_that_is_not_found(self):
        assert "not found" in palm_gap_m(close_view(near="right")).reason

    def test_a_hand_far_from_the_ball_does_not_hold_it(self):
        assert "not under the ball" in palm_gap_m(close_view(shooting=self.under(0.15), near="right")).reason


class TestWristFlexion:
    def after(self, *bent_deg: float, near: str = "right") -> HandsOnBall:
        """The arm reaches up and forward, the hand bends so far toward the palm in the pictures after the release.

        By rotation in the picture (scipy.spatial.transform.Rotation about the camera's axis).
        """
        fore = np.array([0.4, -1.0, 0.0]) * 100.0
        arm = np.array([[500.0, 400.0], [500.0, 400.0] + fore[:2]])
        marks, after = UNSEEN.copy(), np.flatnonzero(T_S > RELEASE_S + 0.1)
        for k, angle in zip(after, bent_deg, strict=False):
            turned = Rotation.from_euler("z", angle, degrees=True).apply(fore * 0.5)[:2]  # y is down: clockwise
            marks[k] = arm[1]
            marks[k, INDEX["middle_mcp"]] = arm[1] + turned
        hands = close_view(shooting=marks, shooting_arm=np.repeat(arm[None], len(T_S), axis=0), near="right")
        if near == "right":
            return hands
        mirror = np.array([-1.0, 1.0])
        return replace(
            hands, shooting=marks * mirror, shooting_arm=hands.shooting_arm * mirror, near="left", hand="left"
        )

    @pytest.mark.parametrize("bent_deg", [0.0, 30.0, 75.0])
    @pytest.mark.parametrize("near", ["right", "left"])
    def test_it_is_the_angle_between_forearm_and_palm(self, bent_deg, near):
        """Goniometry: a straight wrist has 0, flexion counts toward the palm; a left-hander's is the mirror image."""
        assert wrist_flexion_deg(self.after(*[bent_deg] * 6, near=near)).value == pytest.approx(bent_deg, abs=1e-6)

    def test_it_is_the_farthest_but_for_a_picture_that_is_off(self):
        assert wrist_flexion_deg(self.after(20.0, 40.0, 60.0, 60.0, 60.0, 88.0)).value == pytest.approx(60.0)

    def test_pictures_that_differ_make_it_less_sure(self):
        alike, apart = (wrist_flexion_deg(self.after(*bent)).sigma for bent in ([50.0] * 6, [35.0, 50.0, 65.0] * 2))
        assert 5.0 <= alike < apart

    @pytest.mark.parametrize("near", [None, "left"])
    def test_other_views_do_not_show_it(self, near):
        assert "shooting side" in wrist_flexion_deg(replace(self.after(*[50.0] * 6), near=near)).reason

    def test_two_pictures_are_too_few(self):
        assert "not found" in wrist_flexion_deg(self.after(50.0, 50.0)).reason

    def test_a_hand_bent_back_is_the_guide_hand(self):
        assert "bent back" in wrist_flexion_deg(self.after(*[-25.0] * 6)).reason


def test_the_thumb_is_never_guessed():
    assert guide_thumb_off_s(close_view(guide=holding_until(0.8))).value is None


# ------------------------------------------------------------------------------------------------------- whose hand
WIDTH_PX = 1280


@pytest.fixture(scope="module")
def filmed(shipped):
    """A free throw as the poses tell it, and what is read of it."""
    seen = film(play([*reps_of([Form()]), stand(0.5)]))
    (reading,) = shots_in(seen, shipped.phases)
    assert isinstance(reading, Reading)
    return seen, reading


def with_hands(filmed, *places: str):
    """The observations with a hand drawn at each of these wrists, and a ball as large as it is at 1.5 m."""
    seen, _ = filmed
    out = []
    for one in seen:
        hands = tuple(Hand(hand() * 0.3 + point(one.pose, f"{side}_wrist"), "right", 0.9) for side in places)
        out.append(replace(one, pose=replace(pose_of(one.pose.landmarks_px), hands=hands)))
    outlines = [None if one.ball is None else Outline(Ball(one.ball.centre_px, 60.0, 0.9), 0.9) for one in seen]
    return out, outlines


def found(filmed, places: tuple[str, ...], longest_px: int = WIDTH_PX) -> HandsOnBall | None:
    seen, outlines = with_hands(filmed, *places)
    return on_ball(seen, outlines, filmed[1], View().px_per_m, longest_px, 1.8, RADIUS_M)


def test_without_a_look_at_hands_every_value_says_to_come_closer(filmed):
    assert found(filmed, ()) is None
    values = measure(shot(filmed[1], 1.8, True))
    assert {values[name].reason for name in MEASUREMENTS} == {TOO_FAR}


def test_a_small_ball_is_no_close_view(filmed):
    assert found(filmed, ("right",)) is not None
    assert found(filmed, ("right",), longest_px=3 * WIDTH_PX) is None


def test_from_the_side_the_one_hand_that_shows_is_the_near_one(filmed):
    hands = found(filmed, ("left",))
    assert hands.near in ("left", "right")
    near, far = (hands.shooting, hands.guide) if hands.near == hands.hand else (hands.guide, hands.shooting)
    assert np.isfinite(near).any()
    assert not np.isfinite(far).any()


def test_once_the_ball_is_gone_the_hand_at_the_shooting_wrist_is_the_shooting_one(filmed):
    """From the side: before, the near hand is what shows; after, both may, and the guide hand alone is not taken."""
    reading = filmed[1]
    after = reading.raw.t_s > reading.events.release_s + 0.05
    both, guide_alone = (
        found(filmed, sides) for sides in ((reading.hand, other(reading.hand)), (other(reading.hand),))
    )
    drawn = both.shooting[after, 0] - both.shooting_arm[after, 1]
    assert np.isfinite(drawn).any()
    assert np.abs(drawn[np.isfinite(drawn)]).max() < 1e-6
    assert not np.isfinite(guide_alone.shooting[after]).any()


def test_names_are_the_networks_21_landmarks_from_wrist_to_little_finger():
    """The order of the hand landmarker's own documentation: wrist 0, thumb 1-4, index 5-8 ... little finger 17-20."""
    assert len(NAMES) == 21
    numbers = {"wrist": 0, "thumb_tip": 4, "index_mcp": 5, "middle_mcp": 9, "little_mcp": 17, "little_tip": 20}
    assert {name: INDEX[name] for name in numbers} == numbers
