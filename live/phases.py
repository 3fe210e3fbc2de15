"""Where the player is in the shot, frame by frame: a small state machine over low-lag signals.

It only steers the screen, keeps silence during the shot and says when a rep may be read; what is measured is read again
afterwards with both sides of every instant known (reps.py). All thresholds are seconds and metres.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .arc import GRAVITY_MPS2
from .body import middle, point
from .records import Observation, Phase
from .settings import Phases

IN_THE_SHOT = (Phase.DIP, Phase.RISE, Phase.SET, Phase.RELEASE, Phase.FOLLOW_THROUGH)
"""From gather to landing: nothing is begun to be said then."""

_HOLDING_S = 0.10
_RISE_MPS = 0.5
_DIP_MPS = -0.3
_LOST_S = 0.7
_LANDED_S = 0.6
_CAUGHT_S = 0.1
"""A ball that is in a hand again for less than this after its flight is something else for a frame or two."""
_FLIES_ABOVE_M, _FLIES_MPS, _FAR_BELOW_M, _FLIES_S = 0.3, 0.5, 0.4, 0.6
"""A ball so high above the eyes that rises like this (slowly, seen from behind) flies; within so long, what is seen so
far below where it must be by then is something else."""
_SPEED_S = 0.048
"""How fast the ball's speed is believed to have changed: half of it within a thirtieth of a second."""
_LOST_BALL_S = 0.06
"""A ball that vanishes above the head is taken to have gone after this; a hand in front of it hides it more briefly."""


@dataclass(frozen=True, slots=True)
class Signals:
    """What the state machine looks at, metres at the shooter; None where not seen."""

    t_s: float
    ball_to_hand_m: float | None
    """Ball centre to the nearer wrist."""
    ball_above_eyes_m: float | None
    hand_above_eyes_m: float | None
    """The higher wrist."""


def signals(observation: Observation, px_per_m: float | None) -> Signals:
    """Signals of one instant."""
    pose, ball = observation.pose, observation.ball
    if pose is None or px_per_m is None:
        return Signals(observation.t_s, None, None, None)
    eyes_y = float(middle(pose, "eye")[1])
    wrists = [point(pose, f"{side}_wrist") for side in ("left", "right")]
    hand = (eyes_y - min(float(w[1]) for w in wrists)) / px_per_m
    if ball is None:
        return Signals(observation.t_s, None, None, hand)
    reach = min(float(np.linalg.norm(ball.centre_px - w)) for w in wrists) / px_per_m
    return Signals(observation.t_s, reach, (eyes_y - float(ball.centre_px[1])) / px_per_m, hand)


@dataclass(frozen=True, slots=True)
class PhaseState:
    """The phase and what must be remembered to leave it."""

    phase: Phase = Phase.WAITING
    landed_s: float = 0.0
    """When the last shot was closed."""
    held_s: float | None = None
    """Last instant at which the ball was seen in the hands."""
    held_high: bool = False
    """The ball was above the eyes at that instant."""
    holding_since_s: float | None = None
    ball_height_m: float | None = None
    ball_to_hand_m: float | None = None
    ball_speed_mps: float = 0.0
    ball_seen_s: float | None = None
    release_s: float | None = None
    hand_down_since_s: float | None = None
    body_seen_s: float | None = None
    closed_release_s: float | None = None
    """Set for one step: the release of a shot whose follow-through has just ended and that may now be read."""


def advance(state: PhaseState, now: Signals, settings: Phases) -> PhaseState:
    """The next state. Times must increase; the caller drops what goes backwards."""
    t, now = now.t_s, _possible(state, now, settings)
    state = _remember(replace(state, closed_release_s=None), now, settings)
    held = now.ball_to_hand_m is not None and now.ball_to_hand_m < settings.held_m
    if state.phase in (Phase.RELEASE, Phase.FOLLOW_THROUGH):
        return _after_release(state, now, held, settings)
    if state.body_seen_s is None or t - state.body_seen_s > _LOST_S:
        return replace(state, phase=Phase.WAITING, held_s=None, holding_since_s=None)
    held_s = state.held_s
    left = held_s is not None and t - held_s <= _LOST_S and state.held_high
    hand_up = now.hand_above_eyes_m is not None and now.hand_above_eyes_m > settings.wrist_above_eyes_m - 0.15
    if left and hand_up and _ball_left(state, now, settings):
        return replace(state, phase=Phase.RELEASE, release_s=held_s, hand_down_since_s=None)
    if held:
        return replace(state, phase=_held_phase(state, now))
    if state.phase is Phase.LANDED and t - state.landed_s < _LANDED_S:
        return state
    if held_s is None or t - held_s > settings.hidden_s:
        return replace(state, phase=Phase.WAITING)
    return state


def finish(state: PhaseState) -> PhaseState:
    """The recording ends: a shot whose ball has left may be read."""
    if state.phase in (Phase.RELEASE, Phase.FOLLOW_THROUGH):
        return replace(state, phase=Phase.WAITING, closed_release_s=state.release_s, release_s=None)
    return replace(state, closed_release_s=None)


def flies_above(above_eyes_m: float, up_mps: float, below_m: float, later_s: float) -> bool:
    """Whether a ball, seen away from the hands so high and rising so fast, must still be far above a place `below_m`
    under there, so much later: it falls freely.
    """
    rises = above_eyes_m > _FLIES_ABOVE_M and up_mps > _FLIES_MPS and later_s < _FLIES_S
    return rises and below_m + up_mps * later_s - GRAVITY_MPS2 / 2 * later_s**2 > _FAR_BELOW_M


def _possible(state: PhaseState, now: Signals, settings: Phases) -> Signals:
    """Without a ball that cannot be where it was seen, since it was just seen flying: that is something else."""
    reach_m, height_m, seen_s = state.ball_to_hand_m, state.ball_height_m, state.ball_seen_s
    now_m = now.ball_above_eyes_m
    gone = state.phase in (Phase.RELEASE, Phase.FOLLOW_THROUGH) and reach_m is not None and reach_m > settings.held_m
    if not gone or height_m is None or seen_s is None or now_m is None:
        return now
    if not flies_above(height_m, state.ball_speed_mps, height_m - now_m, now.t_s - seen_s):
        return now
    return replace(now, ball_to_hand_m=None, ball_above_eyes_m=None)


def _remember(state: PhaseState, now: Signals, settings: Phases) -> PhaseState:
    changes: dict[str, object] = {}
    if now.hand_above_eyes_m is not None:
        changes["body_seen_s"] = now.t_s
    height = now.ball_above_eyes_m
    if height is not None:
        if state.ball_height_m is not None and state.ball_seen_s is not None and now.t_s > state.ball_seen_s:
            since_s = now.t_s - state.ball_seen_s
            speed, share = (height - state.ball_height_m) / since_s, 1.0 - np.exp(-since_s / _SPEED_S)
            changes["ball_speed_mps"] = float(state.ball_speed_mps + share * (speed - state.ball_speed_mps))
        changes["ball_height_m"], changes["ball_seen_s"] = height, now.t_s
        changes["ball_to_hand_m"] = now.ball_to_hand_m
        if now.ball_to_hand_m is not None and now.ball_to_hand_m < settings.held_m:
            changes["held_s"], changes["held_high"] = now.t_s, height > settings.release_above_eyes_m
            if state.holding_since_s is None:
                changes["holding_since_s"] = now.t_s
        else:
            changes["holding_since_s"] = None
    return replace(state, **changes)  # type: ignore[arg-type]


def _ball_left(state: PhaseState, now: Signals, settings: Phases) -> bool:
    """The ball is clear of the hands, or it has vanished for longer than a hand hides it."""
    if now.ball_to_hand_m is not None:
        return now.ball_to_hand_m > settings.held_m + 0.05 and (now.ball_above_eyes_m or 0.0) > 0.1
    return state.ball_seen_s is not None and now.t_s - state.ball_seen_s >= _LOST_BALL_S


def _held_phase(state: PhaseState, now: Signals) -> Phase:
    height, speed = now.ball_above_eyes_m or 0.0, state.ball_speed_mps
    if state.holding_since_s is None or now.t_s - state.holding_since_s < _HOLDING_S:
        return Phase.HOLDING if state.phase in (Phase.WAITING, Phase.LANDED) else state.phase
    if height > -0.25:
        return Phase.RISE if speed > _RISE_MPS else Phase.SET
    if speed < _DIP_MPS:
        return Phase.DIP
    return Phase.RISE if speed > _RISE_MPS else Phase.HOLDING


def _back_for_s(state: PhaseState, t_s: float) -> float:
    """For how long a ball that had been seen away from the hands is in them again; endless if it never was away."""
    since_s, release_s = state.holding_since_s, state.release_s
    return t_s - since_s if since_s is not None and release_s is not None and since_s > release_s else np.inf


def _after_release(state: PhaseState, now: Signals, held: bool, settings: Phases) -> PhaseState:
    t, release_s = now.t_s, state.release_s
    assert release_s is not None
    back_s = _back_for_s(state, t)
    if held and t - release_s <= (settings.gone_s if np.isfinite(back_s) else settings.hidden_s):
        return replace(state, phase=Phase.SET, release_s=None)  # it was still in the hands: a hand had hidden it
    down = now.hand_above_eyes_m is not None and now.hand_above_eyes_m < 0
    since = (state.hand_down_since_s if state.hand_down_since_s is not None else t) if down else None
    state = replace(state, hand_down_since_s=since)
    over = since is not None and t - since >= 0.1 and t - release_s >= settings.gone_s + 0.15
    lost = state.body_seen_s is None or t - state.body_seen_s > _LOST_S
    caught = held and back_s >= _CAUGHT_S
    if over or lost or caught or t - release_s > settings.follow_through_cap_s:
        return replace(
            state,
            phase=Phase.LANDED,
            landed_s=t,
            closed_release_s=release_s,
            release_s=None,
            held_s=None,
            held_high=False,
            hand_down_since_s=None,
        )
    return replace(state, phase=Phase.FOLLOW_THROUGH if t - release_s > 0.1 else Phase.RELEASE)
