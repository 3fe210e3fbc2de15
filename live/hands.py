"""The hands, as a close view shows them: spread of the guide hand's fingers, when it and its thumb have left the ball,
room between the shooting palm and the ball, how far the shooting wrist bends after the release. Pure.

All is read in the picture, lengths against the ball's own outline, whose size is known. So each value has a view that
can show it, told by how the player stands to the camera and how wide the palm looks; in any other view it is null.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from .ball_edge import Outline
from .body import turned_deg
from .records import Events, FloatArray, Hand, Measurement, Observation
from .reps import Reading
from .skeleton import Side, other

BoolArray = NDArray[np.bool_]

NAMES = ("wrist", *(f"{finger}_{part}" for finger, parts in (
    ("thumb", ("cmc", "mcp", "ip", "tip")),
    *((finger, ("mcp", "pip", "dip", "tip")) for finger in ("index", "middle", "ring", "little")),
) for part in parts))  # fmt: skip
"""The 21 landmarks in the network's order: joints from the palm outward."""
INDEX = {name: k for k, name in enumerate(NAMES)}
_PALM = [INDEX[name] for name in ("wrist", "index_mcp", "middle_mcp", "ring_mcp", "little_mcp")]

TOO_FAR = "the camera stands too far off for fingers; come within 1.5 m and start with --close"


@dataclass(frozen=True, slots=True, eq=False)
class HandsOnBall:
    """Both hands and the ball over the time of a shot; NaN where not seen."""

    t_s: FloatArray
    """(T,)"""
    guide: FloatArray
    shooting: FloatArray
    """(T, 21, 2), pixels."""
    shooting_arm: FloatArray
    """(T, 2, 2), elbow and wrist of the body's network, pixels."""
    ball: FloatArray
    """(T, 3), centre and radius, pixels."""
    radius_m: float
    events: Events
    hand: Side
    """Which one shoots."""
    near: Side | None
    """The side from which the camera sees the player; None for a view more from the front or from behind."""

    @property
    def frame_s(self) -> float:
        """Time between two pictures."""
        return float(np.median(np.diff(self.t_s)))

    def off_ball_m(self, marks: FloatArray) -> FloatArray:
        """(T, n): distance of landmarks (T, n, 2) from the ball's outline at the ball, negative inside of it."""
        centre, radius = self.ball[:, None, :2], self.ball[:, 2:]
        away: FloatArray = (np.linalg.norm(marks - centre, axis=-1) / radius - 1.0) * self.radius_m
        return away

    def about_set(self) -> BoolArray:
        """(T,) bool: the ball rests in the hands, or nearly."""
        events = self.events
        return np.asarray(np.abs(self.t_s - events.set_s) <= _ABOUT_SET_S) & (self.t_s < events.release_s - 0.03)


_ABOUT_SET_S = 0.12


def on_ball(
    observations: Sequence[Observation],
    outlines: Sequence[Outline | None],
    reading: Reading,
    px_per_m: float,
    longest_px: int,
    stature_m: float,
    radius_m: float,
) -> HandsOnBall | None:
    """Who is whose hand, over the samples of `reading`; None where no hand was looked for or found, or where the ball
    is too small for a close view in a picture whose longer side has `longest_px`.

    `outlines` are the ball's in each picture, None where it was not seen.
    """
    if not any(seen.pose is not None and seen.pose.hands for seen in observations):
        return None
    guide = other(reading.hand)
    marks = {side: np.full((len(observations), len(NAMES), 2), np.nan) for side in (guide, reading.hand)}
    palms = {side: _palms_px(reading, side, px_per_m) for side in marks}
    near = _side_on(reading, stature_m)
    arms = {
        side: np.stack([_px(reading, f"{side}_{name}", px_per_m) for name in ("elbow", "wrist")], 1) for side in marks
    }
    for k, seen in enumerate(observations):
        there = {side: palm[k] for side, palm in palms.items()}
        if near is None:
            whose = _whose(seen, there)
        elif reading.raw.t_s[k] < reading.events.release_s:
            whose = _near_hand(seen, near)
        else:
            whose = _at_wrist(seen, reading.hand, arms[reading.hand][k], arms[guide][k])
        for side, hand in whose.items():
            marks[side][k] = hand.landmarks_px
    ball = np.array([(np.nan,) * 3 if one is None else (*one.ball.centre_px, one.ball.radius_px) for one in outlines])
    held_px = ball[reading.raw.t_s < reading.events.release_s, 2]
    if not np.isfinite(held_px).any() or _LENS * longest_px * radius_m / np.nanmedian(held_px) > _CLOSE_M:
        return None
    return HandsOnBall(
        reading.raw.t_s,
        marks[guide],
        marks[reading.hand],
        arms[reading.hand],
        ball,
        radius_m,
        reading.events,
        reading.hand,
        near,
    )


def _palms_px(reading: Reading, side: Side, px_per_m: float) -> FloatArray:
    """(T, 2): where the pose has the palm, arms that it swapped put back."""
    palms: FloatArray = np.mean(
        [_px(reading, f"{side}_{name}", px_per_m) for name in ("wrist", "index", "pinky")], axis=0
    )
    return palms


def _px(reading: Reading, joint: str, px_per_m: float) -> FloatArray:
    """(T, 2): a joint in pixels."""
    places: FloatArray = reading.raw.joint(joint) * px_per_m * (1.0, -1.0)
    return places


def _side_on(reading: Reading, stature_m: float) -> Side | None:
    """The side from which the camera sees the player; None for a view more from the front or from behind."""
    smooth = reading.smooth
    end, first = (smooth.at(reading.events.release_s - before_s) for before_s in (0.0, _FACING_S))
    across = np.nanmedian(np.abs((smooth.joint("left_shoulder") - smooth.joint("right_shoulder"))[first:end, 0]))
    if turned_deg(float(across) / stature_m) > _SIDE_ON_DEG:
        return None
    face = np.nanmedian((smooth.joint("nose") - smooth.middle("ear"))[first:end, 0])
    return "right" if face > 0 else "left"


def _near_hand(seen: Observation, near: Side) -> dict[Side, Hand]:
    """From the side both arms lie on each other and one hand hides the other: what shows is the near one."""
    hands = () if seen.pose is None else seen.pose.hands
    return {near: hands[0]} if len(hands) == 1 else {}


def _at_wrist(seen: Observation, side: Side, arm: FloatArray, other_arm: FloatArray) -> dict[Side, Hand]:
    """From the side once the ball is gone: arms part, both hands may show, and one of them is at this arm's wrist."""
    (elbow, wrist), away = arm, other_arm[1]
    reach = _AT_WRIST * float(np.linalg.norm(wrist - elbow))
    best: dict[Side, Hand] = {}
    for hand in () if seen.pose is None else seen.pose.hands:
        way = float(np.linalg.norm(hand.landmarks_px[0] - wrist))
        if way < min(reach, float(np.linalg.norm(hand.landmarks_px[0] - away))):
            best, reach = {side: hand}, way
    return best


def _whose(seen: Observation, palms: Mapping[Side, FloatArray]) -> dict[Side, Hand]:
    """The hands by the arm they belong to, each the nearest of its arm; one that lies between both is nobody's."""
    hands = () if seen.pose is None else seen.pose.hands
    (one, one_px), (two, two_px) = palms.items()
    centres = [_palm(hand) for hand in hands]
    out: dict[Side, Hand] = {}
    nearest: dict[Side, float] = {}
    for hand, centre in zip(hands, centres, strict=True):
        ways = {one: float(np.linalg.norm(centre - one_px)), two: float(np.linalg.norm(centre - two_px))}
        side = min(ways, key=lambda way: ways[way])
        length = float(np.linalg.norm(hand.landmarks_px[0] - hand.landmarks_px[INDEX["middle_mcp"]]))
        if ways[side] < min(_CLEAR * max(ways.values()), _NEAR_PALMS * length, nearest.get(side, np.inf)):
            out[side], nearest[side] = hand, ways[side]
    return out


_LENS, _CLOSE_M = 0.7, 2.2
"""Focal length of a usual webcam over the longer side of its picture (71 degrees), and 1.5 m with room for other lenses
and arms' length."""
_FACING_S, _SIDE_ON_DEG = 0.8, 45.0
_AT_WRIST = 0.35
"""Of the forearm's length, between the wrists of the two networks: hands farther off were the other arm's (renders)."""
_CLEAR, _NEAR_PALMS = 0.75, 1.5
"""A hand is an arm's when it is nearer to it than this share of the way to the other, within so many palms' lengths."""


def _palm(hand: Hand) -> FloatArray:
    palm: FloatArray = hand.landmarks_px[_PALM].mean(0)
    return palm


# ----------------------------------------------------------------------------------------------------- measurements
def guide_finger_spread_deg(hands: HandsOnBall) -> Measurement:
    """Between the directions of the guide hand's index and little finger at set, knuckle to tip."""
    if hands.near in (None, hands.hand):
        return Measurement.missing("the guide hand's back shows from its own side alone; stand the camera there")
    marks = hands.guide[hands.about_set()]
    marks = marks[np.isfinite(marks[:, 0, 0])]
    if len(marks) < _LEAST_FRAMES:
        return Measurement.missing("the guide hand was hidden by the ball or not found at the set point")
    across = np.linalg.norm(marks[:, INDEX["index_mcp"]] - marks[:, INDEX["little_mcp"]], axis=-1)
    along = np.linalg.norm(marks[:, INDEX["middle_mcp"]] - marks[:, INDEX["wrist"]], axis=-1)
    if np.median(across / along) < _OPEN_PALM:
        return Measurement.missing("the guide hand was seen edge-on; stand the camera on the guide hand's side")
    index, little = (marks[:, INDEX[f"{name}_tip"]] - marks[:, INDEX[f"{name}_mcp"]] for name in ("index", "little"))
    cross = index[:, 0] * little[:, 1] - index[:, 1] * little[:, 0]
    angles = np.degrees(np.abs(np.arctan2(cross, (index * little).sum(-1))))
    return Measurement(float(np.median(angles)) - _SPREAD_BIAS_DEG, _sigma(angles, _SPREAD_SIGMA_DEG), "image")


def guide_thumb_off_s(hands: HandsOnBall) -> Measurement:
    """How long before release the guide hand's thumb leaves the ball: no view was found that shows it.

    From in front hand and ball hide the thumb, and the network sets it 3 to 6 cm off; from the guide hand's side it is
    found within 1.5 cm, but in line with the ball, so that nothing tells when it leaves (renders at 1.5 m).
    """
    return Measurement.missing("the guide hand's thumb is hidden, or in line with the ball, in every view")


def guide_hand_off_s(hands: HandsOnBall) -> Measurement:
    """How long before release the guide hand's last finger has left the ball."""
    t_s, release_s = hands.t_s, hands.events.release_s
    if hands.near is not None:
        return Measurement.missing("the guide hand lies in line with the ball; stand the camera in front of the player")
    away = np.min(hands.off_ball_m(hands.guide), axis=1)
    seen = np.isfinite(away) & (t_s >= hands.events.set_s - _ABOUT_SET_S) & (t_s <= release_s + _FOLLOWED_S)
    t, off = t_s[seen], median_filter(away[seen], 3, mode="nearest")  # a finger now and then jumps for one picture
    held = off[t < release_s - _LEAVING_S]
    if len(held) < _LEAST_FRAMES:
        return Measurement.missing("the guide hand was hidden by the ball or not found at the set point")
    touch = float(np.median(held)) + _OFF_M
    if touch > _FAR_OFF_M:
        return Measurement.missing("the guide hand was not seen on the ball")
    last = int(np.flatnonzero(off < touch)[-1])
    if last + 1 < len(t) and t[last + 1] - t[last] < 2.5 * hands.frame_s:
        share = (touch - off[last]) / (off[last + 1] - off[last])
        left_s = float(t[last] + share * (t[last + 1] - t[last]))
    elif t[last] > release_s - 1.5 * hands.frame_s:
        left_s = float(t[last]) + hands.frame_s / 2  # in the next picture the ball is away, or out of it
    else:
        return Measurement.missing("the guide hand was not seen while it left the ball")
    return Measurement(release_s - left_s + _LATE_S, float(np.hypot(hands.frame_s / 2, _LEFT_SIGMA_S)), "timing")


def palm_gap_m(hands: HandsOnBall) -> Measurement:
    """Room between the shooting hand's palm and the ball at set."""
    if hands.near != hands.hand:
        return Measurement.missing("the shooting palm shows from the shooting side alone; stand the camera there")
    palm = hands.shooting[:, _PALM].mean(1, keepdims=True)
    away = hands.off_ball_m(palm)[hands.about_set(), 0]
    away = away[np.isfinite(away)]
    if len(away) < _LEAST_FRAMES:
        return Measurement.missing("the shooting hand was hidden by the ball or not found at the set point")
    gap = float(np.median(away)) - _INSIDE_PALM_M
    if abs(gap) > _FAR_GAP_M:
        return Measurement.missing("the hand that was seen was not under the ball")
    return Measurement(gap, _sigma(away, _GAP_SIGMA_M), "image")


def wrist_flexion_deg(hands: HandsOnBall) -> Measurement:
    """How far the shooting hand bends from its forearm toward the palm, farthest within 0.3 s after the release.

    0 is straight, positive is flexion, as goniometry counts it (normal range of a wrist 80: AAOS, from memory).
    """
    if hands.near != hands.hand:
        return Measurement.missing("how the wrist bends shows from the shooting side alone; stand the camera there")
    after_s = hands.t_s - hands.events.release_s
    elbow, wrist = hands.shooting_arm[:, 0], hands.shooting_arm[:, 1]
    fore, palm = wrist - elbow, hands.shooting[:, INDEX["middle_mcp"]] - hands.shooting[:, INDEX["wrist"]]
    bent = np.degrees(np.arctan2(fore[:, 0] * palm[:, 1] - fore[:, 1] * palm[:, 0], (fore * palm).sum(-1)))
    bent = bent[(after_s >= _SNAPPED_S) & (after_s <= _FOLLOWED_UNTIL_S) & np.isfinite(bent)]
    if len(bent) < _LEAST_FRAMES:
        return Measurement.missing("the shooting hand was not found at its wrist after the release")
    # a player who faces right in the picture bends it clockwise, which pixels, with y down, count as positive
    bent = bent if hands.near == "right" else -bent
    most = float(np.percentile(bent, _MOST_PERCENT))
    if most < _BENT_BACK_DEG:
        return Measurement.missing(
            "the hand that was seen after the release was bent back; it may not be the shooting one"
        )
    return Measurement(most, _sigma(bent, _FLEXION_SIGMA_DEG), "image")


def _sigma(values: FloatArray, least: float) -> float:
    """The error that all pictures share, and the scatter between them."""
    scatter = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return float(np.hypot(least, scatter / np.sqrt(len(values))))


_LEAST_FRAMES = 3
_OPEN_PALM = 0.5
"""Width of the knuckles over length of the palm: 0.7 square to the back of the hand, 0.2 to 0.35 edge-on (renders)."""
_SPREAD_BIAS_DEG, _SPREAD_SIGMA_DEG = 5.3, 2.5
"""Read too wide by 5.3 degrees on eight renders of 9 to 29 degrees, with a spread of 1.5 (tests/studio/close_shots)."""
_OFF_M, _FAR_OFF_M, _LEAVING_S, _FOLLOWED_S = 0.007, 0.04, 0.12, 0.25
_LATE_S, _LEFT_SIGMA_S = 0.04, 0.035
"""A hand begins to leave slowly: on eleven renders off by 0.020 s (rms) after this correction."""
_INSIDE_PALM_M, _GAP_SIGMA_M, _FAR_GAP_M = 0.0095, 0.005, 0.08
"""From the middle of the landmarks, which lie inside the hand, to the palm's skin: a spread of 0.0033 m on 22 renders
of people 1.47 to 1.95 m tall. A hand so far off holds no ball."""
_SNAPPED_S, _FOLLOWED_UNTIL_S, _MOST_PERCENT = 0.1, 0.31, 75.0
"""In so long the wrist has bent after the release; most of the rest it stays so, and one picture may be off."""
_FLEXION_SIGMA_DEG, _BENT_BACK_DEG = 5.0, -10.0
"""On 17 of 20 renders with 6 to 70 degrees within 5, off by 12 at most; the guide hand stays bent back."""

MEASUREMENTS: Mapping[str, Callable[[HandsOnBall], Measurement]] = {
    function.__name__: function
    for function in (guide_finger_spread_deg, guide_thumb_off_s, guide_hand_off_s, palm_gap_m, wrist_flexion_deg)
}
