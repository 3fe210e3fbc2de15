"""Read one shot out of a window of time: its instants by the interface's definitions, or why it is no shot.

Everything is read after the fact, so both sides of every instant are known. The same code reads pictures and motion
capture (track.Track).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import footwork
from .jump import Airborne, airborne
from .launch import launch
from .phases import flies_above
from .records import Events, FloatArray, Motion, ReleasePhase
from .runs import runs
from .settings import Phases
from .skeleton import FEET, Side, other
from .track import Track

BoolArray = NDArray[np.bool_]

_STOOD_S = 0.1
"""So long up to the deepest knee bend both feet stand where the jump begins."""
_APEX_S = 0.5
_HOLE_S = 0.12
"""Hips that nobody sees for longer may be higher meanwhile."""
_GATHER_S = 1.2
"""From the deepest knee bend to the release at most; a hop into the shot lands before."""
FACE_M = -0.25
"""Height of the ball's centre against the eyes at the chin: a low set point lies above it."""
TREMBLE_DEG = 3.0
"""Landmarks tremble by this much: folds of the elbow that differ by less are equal."""
_LEAVING_M = 0.10
_LEAVING_MPS = 1.5
"""A ball that is farther from the hand than it was and runs from it at this speed has left; palms give a few cm."""
_FASTEST_MPS = 20.0
"""A shot leaves the hand at 7 to 10 m/s; the rest is for a ball that comes toward the camera."""
_SEEN_LEAVING, _LEAVES_S = 5, 0.14
"""The first sightings of a ball that leaves give its speed: so many, more where more than 30 come in a second."""
_SEEN_FLYING = 3
"""Sightings in a row away from the hands, of a ball that flies."""
_LEAST_LIFT_S = 0.35
"""From pick-up to release; common practice calls 0.5 s from the catch a very quick shot (no source)."""
_LONGEST_STEP_S = 0.07
"""A picture stands for so long at most: what was in a hole in time nobody saw."""
_STANDING_S = 0.3
_GONE_M, _GONE_BEHIND_M = 0.33, 0.17
"""In the picture a ball whose centre is so far from the wrist has left: a stretched hand and the ball's radius; and the
same from behind."""
_LATE_BEHIND_S = 0.033
"""From behind a ball is seen away from the hand so much later."""
_GONE_S, _GONE_BEHIND_S = 0.009, 0.022
"""The error of that instant, and what more it is from behind; measured on rendered shots."""
_WITH_STEP_S = 0.25
"""The ball is lowest up to so long before the last foot lands: it is dipped in the step (no source)."""
_HAND_S, _HAND_BEHIND_S, _DISAGREE_S = 0.02, 0.016, 0.035
"""Of the hand's instant: its error where the hand is unlike the rendered ones, and what is more than one hand's way."""
_LEFT_FRAMES = (-0.5, 1.5)
"""The first frame without the ball in the hand comes so long after it left, in frames; else that was not its first."""
_ABOUT_RELEASE_S = (-0.1, 0.034)
"""Where that distance is looked for, round the first frame without the ball."""
_SHOULDERS_M, _FACING_S = 0.30, 0.3
"""Right of left by so much in the last of the time before the release, the shoulders are seen from straight behind."""
_PUSH_S = 0.3
"""From set to release; 0.30 with a spread of 0.03 in an open data set of free throws."""


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One shot's instants and the tracks that they were read from."""

    raw: Track
    smooth: Track
    hand: Side
    right_handed: float
    """What this shot says of the hand, as logarithm of the odds: positive for the right, negative for the left."""
    hand_sure: bool
    """False: this and earlier shots leave it open, and `hand` is the likelier one."""
    events: Events
    motion: Motion | None
    release_by_ball: bool
    """False: the ball was not seen leaving, the instant comes from the last sight of it in the hand."""
    free_s: float
    """When the ball left the hand, between two frames; `events.release_s` is the first frame in which it had."""
    free_sigma_s: float
    stance_s: float | None
    """When the last foot came to where it stands for the shot; None where no step was seen."""
    airborne_s: tuple[float, float] | None
    """From when to when both feet are off the floor in the shot's jump; None where none was seen to its end."""


@dataclass(frozen=True, slots=True)
class NotAShot:
    """Why a movement that looked like a release is not counted."""

    reason: str


def read(
    track: Track, release_hint_s: float, hand: Side | None, settings: Phases, earlier_hands: Sequence[float] = ()
) -> Reading | NotAShot:
    """The shot released near `release_hint_s` (0.4 s either way), or why there is none.

    `hand` is the shooting hand where it is known; else it is told from this shot together with `earlier_hands`, the
    `Reading.right_handed` of the player's earlier shots.
    """
    smooth = track.smoothed()
    near = {side: _near(track, side, settings) for side in ("left", "right")}
    elsewhere = _elsewhere(track, near["left"] | near["right"])
    near = {side: here & ~elsewhere for side, here in near.items()}
    held = near["left"] | near["right"]
    if not held.any():
        return NotAShot("the ball was not seen in the hands")
    last = _last_held(track, held, release_hint_s, settings)
    if last is None:
        return NotAShot("the ball did not leave the hands above the eyes")
    gone = _gone(track, held, last, settings)
    if isinstance(gone, NotAShot):
        return gone
    # a turned back hides the ball until it is above the head; then its flight has to speak for it
    hidden = _behind(track, last) if gone else 0.0
    if _held_time_s(track, held, last) < settings.seen_held_s * (1.0 - 0.5 * hidden):
        return NotAShot("the ball was seen in the hands for a moment only")
    evidence = _right_handed(smooth, last)
    # their mean, not their sum: what misleads in one shot misleads in the next, by the same form from the same place
    odds = float(np.mean([*earlier_hands, evidence]))
    shooting: Side = hand or ("right" if odds >= 0 else "left")
    release = _release(track, near[shooting], shooting, last)
    if release + 1 >= len(track.t_s):
        return NotAShot("the recording ends at the release")
    release, free_s, free_sigma_s = _let_go(track, shooting, release)
    pickup = _pickup(held, np.isfinite(track.ball[:, -1]), track.t_s, release, settings)
    if pickup is not None and track.t_s[release] - track.t_s[pickup] < _LEAST_LIFT_S:
        pickup = None  # nobody shoots so fast: the ball had been in the hands before, hidden by the body
    start = pickup if pickup is not None else track.at(track.t_s[release] - settings.longest_lift_s)
    problem = _no_throw(smooth, shooting, start, release, settings)
    # behind the body a hand is only guessed; the other one goes up and away with the ball as well
    if problem is not None and _no_throw(smooth, other(shooting), start, release, settings) is not None:
        return problem
    stance_s = _stance_s(track, track.t_s[release])
    stance = start if stance_s is None else int(np.clip(track.at(stance_s), start, release - 1))
    swing = start if stance_s is None else int(np.clip(track.at(stance_s - _WITH_STEP_S), start, release - 1))
    dip = _lowest_ball(smooth, swing, release)
    set_point = _set_point(smooth, shooting, dip if dip is not None else start, release)
    if set_point is None:
        return NotAShot("the shooting arm was not seen before the release")
    t = track.t_s
    knee = smooth.angle_deg(f"{shooting}_hip", f"{shooting}_knee", f"{shooting}_ankle")
    knee_min = _argmin(knee, stance, release + 1)
    crouch = lowest_hips(smooth, release)
    gather = start if crouch is None else crouch
    apex = _apex(smooth, release, gather)
    jump = _jump(smooth, gather, release)
    events = Events(
        pickup_s=None if pickup is None else float(t[pickup]),
        dip_s=None if dip is None or pickup is None else float(t[dip]),
        knee_min_s=None if knee_min is None else float(t[knee_min]),
        set_s=float(t[set_point]),
        release_s=float(t[release]),
        apex_s=None if apex is None else float(t[apex]),
        landing_s=None if jump is None else float(t[jump.landing]),
    )
    return Reading(
        raw=track,
        smooth=smooth,
        hand=shooting,
        right_handed=evidence,
        hand_sure=hand is not None or abs(odds) >= _SURE_ODDS,
        events=events,
        motion=_motion(smooth, start, set_point, release, settings),
        release_by_ball=gone,
        free_s=free_s,
        free_sigma_s=free_sigma_s,
        stance_s=stance_s,
        airborne_s=None if jump is None else (float(t[jump.takeoff]), float(t[jump.landing])),
    )


def _near(track: Track, side: Side, settings: Phases) -> BoolArray:
    """(T,) bool: the ball is seen in this hand."""
    with np.errstate(invalid="ignore"):
        return np.asarray(track.ball_to(f"{side}_wrist") < settings.held_m)


def _elsewhere(track: Track, held: BoolArray) -> BoolArray:
    """(T,): what is in a hand is something else, for the ball was seen flying up and must still be far above."""
    out, t, above = np.zeros(len(held), bool), track.t_s, track.above_eyes_m(track.ball)
    chain: list[int] = []
    for k in map(int, np.flatnonzero(np.isfinite(track.ball[:, -1]))):
        if len(chain) == _SEEN_FLYING:
            first, last = chain[0], chain[-1]
            up_mps = float((track.ball[last, -1] - track.ball[first, -1]) / (t[last] - t[first]))
            below_m = float(track.ball[last, -1] - track.ball[k, -1])
            if flies_above(float(above[last]), up_mps, below_m, float(t[k] - t[last])):
                out[k] = held[k]
                continue
        chain = [] if held[k] else [*chain[1 - _SEEN_FLYING :], k]
    return out


def _last_held(track: Track, held: BoolArray, hint_s: float, settings: Phases) -> int | None:
    """The last sample near the hint at which the ball is in a hand and above the eyes."""
    with np.errstate(invalid="ignore"):
        high = held & (track.above_eyes_m(track.ball) > settings.release_above_eyes_m)
    window = np.abs(track.t_s - hint_s) <= 0.4
    candidates = np.flatnonzero(high & window)
    # an open hand in the follow-through now and then passes for a ball
    held_long = [k for k in candidates if _held_time_s(track, held, int(k)) >= settings.seen_held_s]
    return int((held_long or candidates)[-1]) if len(candidates) else None


def _held_time_s(track: Track, held: BoolArray, last: int) -> float:
    """For how much of the last 0.4 s the ball was seen in a hand: fingers that pass for a ball do so now and then."""
    first = track.at(track.t_s[last] - 0.4)
    step_s = np.minimum(np.gradient(track.t_s), _LONGEST_STEP_S)
    return float(step_s[first : last + 1][held[first : last + 1]].sum())


def _gone(track: Track, held: BoolArray, last: int, settings: Phases) -> bool | NotAShot:
    """True when the ball was seen flying up and away, False when it only vanished, or why neither."""
    t = track.t_s
    after = slice(last + 1, track.at(t[last] + settings.gone_s) + 1)
    if held[after].any():
        return NotAShot("the ball stayed in the hands or came back at once")
    seen = _reached(track, last, np.flatnonzero(np.isfinite(track.ball[after, -1])) + last + 1)
    if len(seen) >= 2:
        # the last of few sightings may be half out of the picture, and lies too low: then from the hand on
        enough = max(_SEEN_LEAVING, int(np.searchsorted(t[seen], t[seen[0]] + _LEAVES_S)))
        first, end = seen[0] if len(seen) > 2 else last, seen[min(len(seen), enough) - 1]
        velocity = (track.ball[end] - track.ball[first]) / (t[end] - t[first])
        up, level = float(velocity[-1]), float(np.linalg.norm(velocity[:-1]))
        # what flies away along the line of sight rises slowly in the picture
        least_mps = settings.release_speed_up_mps * (1.0 - 0.5 * _behind(track, last))
        if up < least_mps and track.above_eyes_m(track.ball)[seen[0]] < 1.0:
            return NotAShot("the ball did not fly upward")
        if np.degrees(np.arctan2(up, level)) < settings.least_launch_deg:
            return NotAShot("the ball left flat, as in a pass")
        return True
    # nothing flies back into the hands within half a second: a ball that was only hidden and is there again never left
    later = slice(after.stop, track.at(t[last] + settings.hidden_s) + 1)
    if not len(seen) and held[later].any():
        return NotAShot("the ball stayed in the hands or came back at once")
    # nobody saw it fly: then it was at least pushed up, unlike a thing behind the player that passes for a ball
    pushed = track.ball[:, -1][track.at(t[last] - _PUSH_S) : last + 1]
    if np.nanmax(pushed) - np.nanmin(pushed) < settings.least_push_m:
        return NotAShot("the ball was neither pushed up nor seen to fly")
    return False


def _reached(track: Track, last: int, seen: NDArray[np.int_]) -> NDArray[np.int_]:
    """The sightings after sample `last` until one to which the ball cannot have flown: that is something else."""
    chain = np.concatenate([[last], seen])
    way_m = np.linalg.norm(np.diff(track.ball[chain], axis=0), axis=1)
    apart = np.flatnonzero(way_m > _FASTEST_MPS * np.diff(track.t_s[chain]))
    return seen[: apart[0]] if len(apart) else seen


def _right_handed(smooth: Track, last: int) -> float:
    """How much speaks for the right hand (positive) or the left: natural logarithm of the odds, at most 4.

    Each sign is what one arm has more of than the other; its weight was fitted (logistic regression) to 154 rendered
    shots of widely varying form from four sides, of which it mistakes 1 in 26; the captured man's six clips agree.
    """
    t, signals = smooth.t_s, {}
    for side in ("left", "right"):
        shoulder, elbow, wrist = (smooth.joint(f"{side}_{joint}")[:, -1] for joint in ("shoulder", "elbow", "wrist"))
        signals[side] = {
            "elbow": elbow - shoulder,
            "wrist": wrist - shoulder,
            "rise": np.gradient(wrist, t),
            "under": smooth.ball[:, -1] - wrist,
            "apart": np.linalg.norm(smooth.ball - smooth.joint(f"{side}_wrist"), axis=1),
        }
    odds = 0.0
    for name, first_s, end_s, unit, weight in _SIGNS_OF_A_HAND:
        span = slice(smooth.at(t[last] + first_s), smooth.at(t[last] + end_s) + 1)
        more = signals["right"][name][span] - signals["left"][name][span]
        if np.isfinite(more).any():
            odds += weight * float(np.clip(np.nanmean(more) / unit, -2.0, 2.0))
    return float(np.clip(odds, -4.0, 4.0))


_SURE_ODDS = 0.5
"""Of 346 first shots, rendered and captured, 17 say less than this of the hand, 5 of them the wrong one; of the others
3 do."""
_SIGNS_OF_A_HAND = (
    # signal, seconds after the last hold, what counts as one unit of it (m, m/s), weight of a unit
    ("elbow", -0.4, -0.15, 0.1, -1.5),  # the guide arm reaches across and up to the ball's side
    ("under", -0.4, -0.15, 0.08, 0.75),  # the shooting hand is under the ball, the other beside it
    ("apart", -0.15, -0.02, 0.08, -1.4),  # and goes with it to the last
    ("rise", -0.08, 0.0, 1.0, 0.5),
    ("wrist", 0.01, 0.15, 0.1, 0.5),
    ("elbow", 0.3, 0.7, 0.1, 1.1),  # in the follow-through it stays up
)


def _release(track: Track, in_hand: BoolArray, hand: Side, last: int) -> int:
    """First sample at which the ball has left the shooting hand, not later than one after the last hold by any hand.

    Seen from behind or in front, a ball that flies along the line of sight stays near the hand in the picture; there it
    has left as soon as it runs away from the hand for good.
    """
    t = track.t_s
    mine = np.flatnonzero(in_hand[: last + 1] & (t[: last + 1] > t[last] - 0.15))
    release = int(mine[-1] if len(mine) else last) + 1
    distance = track.ball_to(f"{hand}_wrist")
    # a wrist that is drawn too low loses the ball that the guide hand still has: it has not left before it runs
    while release <= last and not _runs_away(t, distance, release, last + 1):
        release += 1
    recent = distance[track.at(t[release - 1] - 0.2) : release]
    if not np.isfinite(recent).any():
        return release
    at_rest = float(np.nanmedian(recent))
    while release > 1 and distance[release - 1] > at_rest + _LEAVING_M:
        if not distance[release - 1] - distance[release - 2] > _LEAVING_MPS * (t[release - 1] - t[release - 2]):
            break
        release -= 1
    return release


def _runs_away(t_s: FloatArray, distance: FloatArray, k: int, until: int) -> bool:
    """Whether the ball goes away from the hand from sample k on, and keeps going up to `until`, where it is seen."""
    way, time_s = distance[k : until + 1] - distance[k - 1], t_s[k : until + 1] - t_s[k - 1]
    return not (way <= _LEAVING_MPS * time_s).any()


def _pickup(held: BoolArray, seen: BoolArray, t_s: FloatArray, release: int, settings: Phases) -> int | None:
    """Start of the last unbroken time in the hands; short losses are bridged, long ones mean not known.

    What is seen elsewhere meanwhile may be something else for a moment; longer than that it is the ball.
    """
    first = release - 1
    for k in range(release - 2, -1, -1):
        if held[k]:
            first = k
        elif seen[k] and t_s[first] - t_s[k] > settings.bridge_s + 1e-6:
            return first
        elif t_s[first] - t_s[k] > settings.hidden_s + 1e-6:
            return None
    return first


def _no_throw(smooth: Track, hand: Side, start: int, release: int, settings: Phases) -> NotAShot | None:
    """Reasons from the body: hands not up, arm not pushed out."""
    wrist = smooth.joint(f"{hand}_wrist")
    after = slice(release, smooth.at(smooth.t_s[release] + 0.2) + 1)
    height = smooth.above_eyes_m(wrist)[after]
    if not np.isfinite(height).any():
        return NotAShot("the shooting arm was not seen at the release")
    if np.nanmax(height) < settings.wrist_above_eyes_m:
        return NotAShot("the hand stayed below the eyes")
    # measured upward from the shoulder: a swapped or foreshortened arm still shows how high its hand went
    reach = (wrist - smooth.joint(f"{hand}_shoulder"))[:, -1]
    before = slice(max(start, smooth.at(smooth.t_s[release] - 0.8)), release + 1)
    if not np.nanmax(reach[after]) - np.nanmin(reach[before]) >= settings.least_push_m:
        return NotAShot("the arm did not push the ball upward")
    return None


def _stance_s(track: Track, release_s: float) -> float | None:
    """When the last foot came to where it stands for the shot.

    Knees bend for a hop and for a step as well; the gather is that of the stance from which the ball is shot.
    """
    found = footwork.read(track, release_s)
    if isinstance(found, footwork.NotSeen):
        return None
    return max((landed for landed in (found.left_s, found.right_s) if landed is not None), default=None)


def _behind(track: Track, release: int) -> float:
    """How much the player is seen from behind at the release, 0 to 1; in space nothing is."""
    if track.points.shape[2] == 3:
        return 0.0
    before = slice(track.at(track.t_s[release] - _FACING_S), release + 1)
    across = (track.joint("right_shoulder") - track.joint("left_shoulder"))[before, 0]
    across = across[np.isfinite(across)]
    return float(np.clip(np.median(across) / _SHOULDERS_M, 0.0, 1.0)) if len(across) else 0.0


def _let_go(track: Track, hand: Side, release: int) -> tuple[int, float, float]:
    """The release, when the ball left the hand, and the error of that: by the hand and by the ball's flight.

    The distance from the hand goes by the hand's size and by how it lets go: off by 60 to 90 ms from behind for a
    captured man, where it had been measured on rendered players. The flight is physics but less sharp, and a soft push
    makes it late by 10 to 20 ms. So the hand tells where the two agree, and the flight where they do not.
    """
    frame_s = float(np.median(np.diff(track.t_s)))
    if track.points.shape[2] == 3:
        return release, float(track.t_s[release]), 0.5 * frame_s
    behind = _behind(track, release)
    free_s, sigma_s = _free(track, hand, release, behind)
    flight = launch(track.t_s, track.ball, free_s, _HAND_S + _HAND_BEHIND_S * behind)
    if flight is not None and abs(flight.t_s - free_s) > _DISAGREE_S:
        free_s, sigma_s = flight.t_s, flight.sigma_s
    elif flight is not None:
        free_s += 0.5 * behind * (flight.t_s - free_s)
    since = (track.t_s[release] - free_s) / frame_s
    if not _LEFT_FRAMES[0] <= since <= _LEFT_FRAMES[1]:
        release = max(int(np.searchsorted(track.t_s, free_s)), 1)
    return release, free_s, sigma_s


def _free(track: Track, hand: Side, release: int, behind: float) -> tuple[float, float]:
    """When the ball was as far from the hand as it is when it leaves, and the error of that; seconds.

    Between frames the distance from wrist to ball tells, and tells it better than the frame in which it is seen to be
    gone: on 170 rendered shots 14 ms root mean square against 30. Seen from behind the ball flies away along the line
    of sight, so it is gone at a smaller distance in the picture.
    """
    t, away = track.t_s, track.ball_to(f"{hand}_wrist")
    frame_s = float(np.median(np.diff(t)))
    gone_m = _GONE_M + (_GONE_BEHIND_M - _GONE_M) * behind
    sigma_s = float(np.hypot(_GONE_S, _GONE_BEHIND_S * behind))
    first, last = (track.at(t[release] + about_s) for about_s in _ABOUT_RELEASE_S)
    for i in range(min(last, len(t) - 2), first - 1, -1):
        if away[i] <= gone_m < away[i + 1]:
            share = (gone_m - away[i]) / (away[i + 1] - away[i])
            return float(t[i] + share * (t[i + 1] - t[i])), sigma_s
    return float(t[release] - 0.5 * frame_s - _LATE_BEHIND_S * behind), float(np.hypot(sigma_s, 0.4 * frame_s))


def _lowest_ball(smooth: Track, start: int, release: int) -> int | None:
    return _argmin(smooth.ball[:, -1], start, release)


def _set_point(smooth: Track, hand: Side, dip: int, release: int) -> int | None:
    """Smallest elbow angle once the ball has come up to the face.

    Lower down an arm that points at the camera looks folded in the picture when it is not.
    """
    elbow = smooth.angle_deg(f"{hand}_shoulder", f"{hand}_elbow", f"{hand}_wrist")
    with np.errstate(invalid="ignore"):
        low = smooth.above_eyes_m(smooth.ball) < FACE_M
    up = np.flatnonzero(~low[dip:release])
    first = dip + int(up[0]) if len(up) else dip
    least = _argmin(elbow, first, release)
    if least is None:
        return None
    # the arm stays folded from the lift through the hold; of stretches that are equal within the landmarks' tremble the
    # last one is the set point, the earlier ones are the same fold on its way up
    with np.errstate(invalid="ignore"):
        folded = elbow <= elbow[least] + TREMBLE_DEG
    folded[:first], folded[release:] = False, False
    start, end = runs(folded)[-1]
    return _argmin(elbow, start, end)


def _argmin(values: FloatArray, start: int, end: int) -> int | None:
    """Index of the smallest known value in [start, end), None when none is known."""
    part = values[start:end]
    return start + int(np.nanargmin(part)) if np.isfinite(part).any() else None


def lowest_hips(smooth: Track, release: int) -> int | None:
    """Where the hips are lowest before a release: there the jump begins, also where knees bend toward the camera."""
    t, height = smooth.t_s, smooth.middle("hip")[:, -1]
    return _argmin(height, smooth.at(t[release] - _GATHER_S), release + 1)


def _apex(smooth: Track, release: int, start: int) -> int | None:
    """Where the hips are highest about the release; None where they may have been higher when nobody saw them."""
    t, height = smooth.t_s, smooth.middle("hip")[:, -1]
    first, end = max(start, smooth.at(t[release] - _APEX_S)), smooth.at(t[release] + _APEX_S) + 1
    seen = first + np.flatnonzero(np.isfinite(height[first:end]))
    if not len(seen):
        return None
    k = int(height[seen].argmax())
    # hips that still rise where they are seen last, or sink where they are seen again, had their top in between
    if k + 1 == len(seen) or (np.diff(t[seen[max(k - 1, 0) : k + 2]]) > _HOLE_S).any():
        return None
    return int(seen[k])


def standing(smooth: Track, end: int) -> tuple[float, slice] | None:
    """Standing mid-hip height, the highest 0.3 s median before `end`, and when it was; None when not seen."""
    t, height = smooth.t_s, smooth.middle("hip")[:, -1]
    best: tuple[float, slice] | None = None
    for k in range(end):
        span = slice(k, smooth.at(t[k] + _STANDING_S))
        if span.stop > end or span.stop - span.start < 3 or not np.isfinite(height[span]).all():
            continue
        value = float(np.median(height[span]))
        if best is None or value > best[0]:
            best = value, span
    return best


def _jump(smooth: Track, gather: int, release: int) -> Airborne | None:
    """The jump of the shot, from how high the feet are against where they stand in the gather."""
    stood = slice(smooth.at(smooth.t_s[gather] - _STOOD_S), gather + 2)
    if not all(smooth.seen(stood, part) for part in FEET):
        return None
    heights_m = np.column_stack([smooth.joint(part)[:, -1] for part in FEET])
    return airborne(smooth.t_s, heights_m, stood, release)


def _motion(smooth: Track, start: int, set_point: int, release: int, settings: Phases) -> Motion | None:
    """Two motions when the ball pauses long enough on its way from the face to the release."""
    t, ball = smooth.t_s, smooth.ball
    if not np.isfinite(ball[max(start, set_point - 2) : release]).all():
        return None
    with np.errstate(invalid="ignore"):
        slow = np.linalg.norm(np.diff(ball, axis=0), axis=1) / np.diff(t) < settings.hold_speed_mps
        slow &= smooth.above_eyes_m(ball)[:-1] > FACE_M
    slow[:start], slow[release:] = False, False
    longest = max((t[end] - t[first] for first, end in runs(slow)), default=0.0)
    return "two_motion" if longest >= settings.hold_s - 1e-6 else "one_motion"


def release_phase(rise_s: float | None, settings: Phases) -> ReleasePhase | None:
    """By how long after the release the hips are highest; None where that is not known."""
    if rise_s is None:
        return None
    if abs(rise_s) <= settings.peak_s + 1e-6:
        return "peak"
    return "rising" if rise_s > 0 else "falling"
