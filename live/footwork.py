"""The steps into a shot: which foot landed when, in which order, and whether the player stepped forward or back.

From the lowest hips before the release, where both feet stand, each foot is followed back in time to the instant at
which it was still elsewhere: that is its landing. The place settles better than the speed does, which drops in the
middle of a swing wherever the foot rises and sinks along the line of sight. A foot seems to land early where it comes
down along the line of sight, but both feet do so alike: their difference is what counts. It needs no calibration; the
way toward the hoop does, except from the side, where it shows in the picture.

For a right-hander a step-back lands left, then right, so that the right side lines up with the hoop; mirrored for a
left-hander (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rimward.calibration.geometry import floor_from_image
from rimward.calibration.record import Calibration

from .records import FloatArray, Measurement, Observation
from .skeleton import INDEX, SIDES, Side, other
from .smoothing import zero_lag
from .track import Track

BoolArray = NDArray[np.bool_]
Kind = Literal["set", "hop", "step", "one_two", "step_back", "one_foot"]
"""`step` is a one_two or a step_back where the view does not tell which."""

PARTS = ("heel", "ankle", "foot_index")
_SMOOTH_HZ = 10.0
_LOOK_BACK_S = 1.2
"""A foot that has stood for so long before the crouch did not step into the shot."""
_SWING_S = 1.0
_STEP_M = 0.06
"""Less than this is no step but a foot that turns or settles."""
_ROUGH, _ROUGH_M = 0.3, (0.045, 0.12)
_SETTLED, _SETTLED_M = 0.15, (0.03, 0.08)
"""A foot has landed within this share of its way, and within these metres; looked for roughly first, then finely."""
_BEFORE_S = 0.5
"""So long before the first landing both feet still stood where the step began."""
_TOGETHER_S = 0.07
"""Feet that land within this time of each other hop; tremble and frames allow no finer word."""
_OWN_S = 0.03
"""What differs between two feet that land alike: one is hidden by the other leg, one lands on its heel."""
_TREMBLE_M = 0.006


@dataclass(frozen=True, slots=True, eq=False)
class _Landing:
    """When a foot came to rest, about."""

    t_s: float
    place: FloatArray
    """(d,), where it stands."""


@dataclass(frozen=True, slots=True)
class Footwork:
    """The last step or hop before the shot."""

    kind: Kind
    left_s: float | None
    """When the foot came to rest, about; None: it did not step."""
    right_s: float | None
    left_lead: tuple[float, float] | None = None
    """By how much the left foot landed before the right, and the error; None unless both feet stepped."""
    forward_m: tuple[float, float] | None = None
    """How far the feet came toward the hoop (negative for a step back), and the error; None where this view cannot
    tell."""

    def lead_s(self, side: Side) -> tuple[float, float] | None:
        """By how much this side's foot landed before the other, and the error; None unless both feet stepped."""
        if self.left_lead is None:
            return None
        lead, sigma = self.left_lead
        return (lead if side == "left" else -lead), sigma

    @property
    def first(self) -> Side | None:
        """The foot that landed first, None where the two cannot be told apart in time."""
        lead = self.lead_s("left")
        if lead is None or abs(lead[0]) < 2 * lead[1]:
            return None
        return "left" if lead[0] > 0 else "right"


@dataclass(frozen=True, slots=True)
class NotSeen:
    """Why the footwork cannot be told."""

    reason: str


def read(
    track: Track, release_s: float, floor: FloatArray | None = None, facing: float | None = None
) -> Footwork | NotSeen:
    """The footwork of a shot in the picture's track (metres at the shooter, see track.from_observations).

    `floor` (T, 2, 2) is where the left and the right foot would stand on the floor, hoop frame (see `floor_places`),
    None without a calibration. Then `facing` helps from the side: the horizontal share of the direction toward the hoop
    in the picture, positive to the right.
    """
    crouch_s = _crouch_s(track, release_s)
    if crouch_s is None:
        return NotSeen("the hips were not seen before the release")
    feet = [foot_path(track, side) for side in SIDES]
    use = _unbroken(track.t_s, np.asarray(np.isfinite(feet).all((0, 2))), crouch_s)
    t_s, feet = track.t_s[use], [foot[use] for foot in feet]
    if not len(t_s) or crouch_s - t_s[0] < _LEAST_BEFORE_S:
        return NotSeen("the player was not seen long enough before the shot")
    names = [f"{side}_{part}" for side in SIDES for part in PARTS]
    if not track.seen(slice(track.at(crouch_s - _LEAST_BEFORE_S), track.at(crouch_s) + 1), *names):
        return NotSeen("the feet were hidden or outside the picture")
    left, right = (_landing(t_s, foot, crouch_s) for foot in feet)
    landed = [landing.t_s for landing in (left, right) if landing is not None]
    if not landed:
        return Footwork("set", None, None)
    if min(landed) - t_s[0] < _LAST_S:
        return NotSeen("the player was not seen long enough before the step")
    way = _forward(t_s, feet, None if floor is None else floor[use], facing, min(landed), crouch_s)
    if left is None or right is None:
        return Footwork("one_foot", left.t_s if left else None, right.t_s if right else None, None, way)
    lead = _lead(t_s, feet, left, right)
    kind: Kind = "step"
    if abs(lead[0]) < _TOGETHER_S:
        kind = "hop"
    elif way is not None and abs(way[0]) > way[1]:
        kind = "step_back" if way[0] < 0 else "one_two"
    return Footwork(kind, left.t_s, right.t_s, lead, way)


def _unbroken(t_s: FloatArray, known: BoolArray, crouch_s: float) -> NDArray[np.intp]:
    """The known samples from the last long gap before the crouch on: what lies before it cannot be joined to it."""
    use = np.flatnonzero(known)
    gaps = np.flatnonzero((np.diff(t_s[use]) > _GAP_S) & (t_s[use][:-1] < crouch_s))
    return use[gaps[-1] + 1 :] if len(gaps) else use


_GAP_S = 0.12


def foot_path(track: Track, side: Side) -> FloatArray:
    """(T, d), the middle of heel, ankle and toes, which trembles less than any of them."""
    parts = np.mean([track.joint(f"{side}_{part}") for part in PARTS], axis=0)
    return zero_lag(track.t_s, parts, _SMOOTH_HZ)


def floor_places(observations: Sequence[Observation], calibration: Calibration) -> FloatArray:
    """(T, 2, 2), metres in the hoop frame: where each foot would stand if it stood on the floor; left, then right."""
    out = np.full((len(observations), 2, 2), np.nan)
    rows = [[INDEX[f"{side}_{part}"] for part in ("heel", "foot_index")] for side in SIDES]
    for k, one in enumerate(observations):
        if one.pose is not None:
            soles = one.pose.landmarks_px[rows].mean(axis=1)
            out[k] = floor_from_image(calibration, soles)[:, :2]
    return out


_LEAST_BEFORE_S = 0.6


def _crouch_s(track: Track, release_s: float) -> float | None:
    """The lowest hips before the release. The deepest knee bend may be that of a leg that still swings."""
    first, end = track.at(release_s - _CROUCH_S[0]), track.at(release_s - _CROUCH_S[1]) + 1
    height = zero_lag(track.t_s, track.middle("hip"), _SMOOTH_HZ)[first:end, -1]
    return float(track.t_s[first + int(np.nanargmin(height))]) if np.isfinite(height).any() else None


_CROUCH_S = (0.9, 0.1)


def _rest(t_s: FloatArray, crouch_s: float) -> slice:
    first = int(np.searchsorted(t_s, crouch_s - 0.05 - 1e-6))
    return slice(first, max(first + 1, int(np.searchsorted(t_s, crouch_s + 0.10 + 1e-6))))


def _landing(t_s: FloatArray, foot: FloatArray, crouch_s: float) -> _Landing | None:
    """When the foot (T, d) came to where it stands at the crouch; None when it had stood there before."""
    looked: BoolArray = (t_s >= crouch_s - _LOOK_BACK_S - _SWING_S) & (t_s < crouch_s)
    away = np.linalg.norm(foot - np.median(foot[_rest(t_s, crouch_s)], axis=0), axis=-1)
    if not looked.any():
        return None
    rough = _last_above(away, looked, float(np.clip(_ROUGH * np.max(away[looked]), *_ROUGH_M)))
    if rough is None:
        return None
    # a foot that stands may still seem to creep while the knees bend over it: its place just after landing counts
    stood = (t_s >= t_s[rough] + 0.05) & (t_s <= min(t_s[rough] + 0.2, crouch_s + 0.1))
    place = foot[stood]
    if not len(place):
        return None
    away = np.linalg.norm(foot - np.median(place, axis=0), axis=-1)
    swing = (t_s >= t_s[rough] - _SWING_S) & (t_s <= t_s[rough])
    way = float(np.max(away[swing]))
    level = float(np.clip(_SETTLED * way, *_SETTLED_M))
    k = _last_above(away, looked & (t_s < t_s[rough] + 0.15), level)
    if way < _STEP_M or k is None or away[k + 1] >= away[k]:
        return None
    # a foot that hardly moves any more reaches the level at no instant to speak of
    part = min(1.0, (away[k] - level) / (away[k] - away[k + 1]))
    landing_s = float(t_s[k] + part * (t_s[k + 1] - t_s[k]))
    return _Landing(landing_s, np.median(place, axis=0)) if landing_s >= crouch_s - _LOOK_BACK_S else None


def _lead(t_s: FloatArray, feet: Sequence[FloatArray], left: _Landing, right: _Landing) -> tuple[float, float]:
    """(by how much the left foot landed before the right, error): the shift that lays one's last way on the other's.

    The two ways may differ in length but run alike, from whichever side they are seen.
    """
    steps = np.arange(-_LAST_S, _AFTER_S, _GRID_S)

    def path(foot: FloatArray, landing: _Landing, shift_s: float) -> FloatArray:
        at = landing.t_s + shift_s + steps
        return np.stack([np.interp(at, t_s, axis) for axis in (foot - landing.place).T], axis=-1)

    still = path(feet[0], left, 0.0)
    shifts = np.arange(-_SHIFT_S, _SHIFT_S + _GRID_S / 2, _GRID_S)
    costs = []
    for shift in shifts:
        moved = path(feet[1], right, shift)
        longer = np.clip(np.sum(still * moved) / max(float(np.sum(moved**2)), 1e-9), *_LONGER)
        costs.append(float(np.sum((still - longer * moved) ** 2)) / longer)
    best = int(np.argmin(costs))
    speed = np.gradient(still, _GRID_S, axis=0)
    # neighbouring instants share their tremble: as many tell something new as the filter lets through
    told = max(1.0, 2 * _SMOOTH_HZ * _LAST_S) * float(np.mean(speed**2) * len(feet[0][0]))
    unlike = float(np.sqrt(costs[best] / still.size))
    sigma = float(np.hypot(_OWN_S, max(unlike, _TREMBLE_M) * np.sqrt(2.0 / max(told, 1e-9))))
    return right.t_s + float(shifts[best]) - left.t_s, min(sigma, 0.2)


_LAST_S, _AFTER_S, _GRID_S, _SHIFT_S = 0.3, 0.15, 0.005, 0.15
_LONGER = (0.6, 1.6)


def _last_above(values: FloatArray, looked: BoolArray, level: float) -> int | None:
    """The last of the samples `looked` at whose value is above `level`, None without one."""
    above = np.flatnonzero(looked & (values > level))
    return int(above[-1]) if len(above) and above[-1] + 1 < len(values) else None


def _forward(
    t_s: FloatArray,
    feet: Sequence[FloatArray],
    floor: FloatArray | None,
    facing: float | None,
    first_s: float,
    crouch_s: float,
) -> tuple[float, float] | None:
    """(metres toward the hoop, error) from half a second before the first landing to the crouch."""
    before = np.abs(t_s - (first_s - _BEFORE_S)) <= 0.07
    rest = _rest(t_s, crouch_s)
    if not before.any():
        return None
    if floor is not None:
        start, end = (np.median(floor[part], axis=(0, 1)) for part in (before, rest))
        distance = float(np.linalg.norm(end))
        if not np.isfinite([*start, *end]).all() or distance < 0.3:
            return None
        return float((start - end) @ end) / distance, _FORWARD_SIGMA_M
    if facing is None or abs(facing) < _LEAST_FACING:
        return None
    moved = np.mean([np.median(foot[rest], axis=0) - np.median(foot[before], axis=0) for foot in feet], axis=0)
    return float(moved[0]) / facing, _FORWARD_SIGMA_M / abs(facing)


_FORWARD_SIGMA_M = 0.15
_LEAST_FACING = 0.5


def guide_lead(found: Footwork | NotSeen, hand: Side, back_only: bool = False) -> Measurement:
    """By how long the guide-side foot landed before the shooting-side foot; `back_only` in a step-back alone."""
    if isinstance(found, NotSeen):
        return Measurement.missing(found.reason)
    both = found.lead_s(other(hand))
    if both is None or (back_only and found.kind != "step_back"):
        return Measurement.missing(_NO_STEP_BACK[found.kind] if back_only else _NO_LEAD[found.kind])
    return Measurement(both[0], both[1], "timing")


def forward(found: Footwork | NotSeen) -> Measurement:
    """How far the feet came toward the hoop with the step; negative for a step back."""
    if isinstance(found, NotSeen):
        return Measurement.missing(found.reason)
    if found.kind == "set":
        return Measurement.missing(_NO_LEAD["set"])
    if found.forward_m is None:
        return Measurement.missing("this view does not show steps toward the hoop; run rimward calibrate")
    return Measurement(*found.forward_m, "image")


_NO_LEAD = {"set": "the feet stood before the shot", "one_foot": "only one foot stepped"}
_NO_STEP_BACK = _NO_LEAD | {
    "hop": "both feet landed together",
    "one_two": "the step went toward the hoop",
    "step": "whether the step went forward or back is not clear from here",
}
