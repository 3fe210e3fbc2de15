"""The checks: each holds one value of a rep against its band. To add one: a row here, its band in config/default.toml.

Most checks take a measurement as it is. Some look at it as a coach does (the elbow *out* rather than to the right, the
hips against the feet, the arc against the distance): those have a function of the rep that gives the value with its
error, or why not. What the view cannot give is null in the rep, and a null is never judged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from . import arc
from .evidence import Place, place, weigh
from .jump import ON_THE_TOES_M
from .records import Band, Finding, Measurement, Rep

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Check:
    """One thing a coach looks at."""

    name: str
    measurement: str
    """What the value comes from, or mainly comes from."""
    value: Callable[[Rep], Measurement] | None = None
    """The value to judge; None: the measurement itself."""
    outward: bool = False
    """Positive is away from the body, on the side of the shooting arm, rather than to the right."""
    relative: bool = False
    """The value is the measurement less something else, so a band for the measurement is another thing."""
    apart: bool = False
    """The value is another thing than the measurement, which another check judges: a band for that is none for this."""

    def of(self, rep: Rep) -> Measurement:
        """The value of this check in a rep, or why there is none."""
        measured = _measured(rep, self.measurement) if self.value is None else self.value(rep)
        return _scaled(measured, -1.0) if self.outward and rep.hand == "left" else measured


def _measured(rep: Rep, name: str) -> Measurement:
    return rep.measurements.get(name) or Measurement.missing(f"{name} was not measured")


def _scaled(measured: Measurement, factor: float, plus: float = 0.0, sigma: float = 0.0) -> Measurement:
    """`measured * factor + plus`, with a further error."""
    if measured.value is None or measured.sigma is None:
        return measured
    return Measurement(measured.value * factor + plus, math.hypot(measured.sigma * abs(factor), sigma), measured.basis)


def _difference(one: Measurement, other: Measurement) -> Measurement:
    """Headings or lengths against each other; the errors are taken as independent, which errs on the wide side."""
    if other.value is None or other.sigma is None:
        return other
    return _scaled(one, 1.0, -other.value, other.sigma)


# ------------------------------------------------------------------------------------------------------------- values
def hips_to_feet_deg(rep: Rep) -> Measurement:
    """How far the hips point to the left of the feet in the gather."""
    return _difference(_measured(rep, "hips_heading_deg"), _measured(rep, "feet_heading_deg"))


def shoulders_to_feet_deg(rep: Rep) -> Measurement:
    """How far the shoulders point to the left of the feet in the gather."""
    return _difference(_measured(rep, "shoulders_heading_deg"), _measured(rep, "feet_heading_deg"))


def between_landings_s(rep: Rep) -> Measurement:
    """Time between the landings of the feet in the step into the shot: none in a hop."""
    lead = _measured(rep, "guide_foot_lead_s")
    return lead if lead.value is None else _scaled(lead, -1.0 if lead.value < 0 else 1.0)


def _jumped(rep: Rep) -> bool:
    """Whether there may have been a landing; where that is not sure, the wider band of a jump is the safe one."""
    height = _measured(rep, "jump_height_m")
    if rep.events.landing_s is not None or height.value is None or height.sigma is None:
        return True
    return height.value + height.sigma > ON_THE_TOES_M


_NO_JUMP, _JUMP = Measurement.missing("there was no jump"), Measurement.missing("there was a jump")


def sway_forward_m(rep: Rep) -> Measurement:
    """Drift toward the hoop in a shot without a jump."""
    return _JUMP if _jumped(rep) else _measured(rep, "drift_forward_m")


def sway_side_m(rep: Rep) -> Measurement:
    """Drift to the right in a shot without a jump."""
    return _JUMP if _jumped(rep) else _measured(rep, "drift_side_m")


def landing_forward_m(rep: Rep) -> Measurement:
    """From the gather to the landing of a jump shot, toward the hoop."""
    return _measured(rep, "drift_forward_m") if _jumped(rep) else _NO_JUMP


def landing_side_m(rep: Rep) -> Measurement:
    """From the gather to the landing of a jump shot, to the right."""
    return _measured(rep, "drift_side_m") if _jumped(rep) else _NO_JUMP


def _against_gentle(rep: Rep, name: str, reference: Callable[[float, float], float]) -> Measurement:
    """An angle of the flight less the one that distance and release height ask for."""
    flight = [_measured(rep, part) for part in ("release_speed_mps", "release_angle_deg", "entry_angle_deg")]
    for part in flight:
        if part.value is None:
            return part
    speed, launch, entry = (part.value or 0.0 for part in flight)
    distance_m, rise_m = arc.way(speed, launch, entry)
    if distance_m < _LEAST_DISTANCE_M:
        return Measurement.missing("the ball was not shot toward the hoop")
    # an error of the speed is one of the distance twice as large, and the distance moves what is asked for
    farther_m = distance_m * (1.0 + 2.0 * (flight[0].sigma or 0.0) / speed)
    asked = reference(distance_m, rise_m)
    return _scaled(_measured(rep, name), 1.0, -asked, abs(reference(farther_m, rise_m) - asked))


_LEAST_DISTANCE_M = 0.5


def launch_above_gentle_deg(rep: Rep) -> Measurement:
    """The release angle above the one of least speed for this distance and release height."""
    return _against_gentle(rep, "release_angle_deg", arc.gentle_deg)


def entry_above_gentle_deg(rep: Rep) -> Measurement:
    """The entry angle above that of the shot of least speed."""

    def entry(distance_m: float, rise_m: float) -> float:
        return arc.entry_deg(arc.gentle_deg(distance_m, rise_m), distance_m, rise_m)

    return _against_gentle(rep, "entry_angle_deg", entry)


# In the order in which a coach would speak of them: what the rest is built on comes first (common practice, no source).
CHECKS: tuple[Check, ...] = (
    Check("step_rhythm", "guide_foot_lead_s", between_landings_s, apart=True),
    Check("step_order", "guide_foot_lead_s"),
    Check("step_back_order", "step_back_lead_s"),
    Check("stance", "stance_width_m"),
    Check("stagger", "foot_stagger_m"),
    Check("hips_square", "hips_heading_deg", hips_to_feet_deg, relative=True),
    Check("shoulders_square", "shoulders_heading_deg", shoulders_to_feet_deg, relative=True),
    Check("knee_bend", "knee_min_deg"),
    Check("hip_bend", "hip_min_deg"),
    Check("knee_line", "knee_over_foot_m", outward=True),
    Check("low_gather", "shoulders_over_toes_m"),
    Check("arm_line", "arm_offset_at_set_m", outward=True),
    Check("wrist_line", "wrist_offset_at_set_m", outward=True),
    Check("ball_line", "ball_offset_at_set_m", outward=True),
    Check("hand_under_ball", "wrist_from_ball_m", outward=True),
    Check("set_point_height", "set_point_above_eyes_m"),
    Check("elbow_at_set", "elbow_at_set_deg"),
    Check("upper_arm", "upper_arm_at_set_deg"),
    Check("elbow_height", "elbow_above_eyes_m"),
    Check("release_timing", "release_before_apex_s"),
    Check("elbow_extension", "elbow_max_deg"),
    Check("follow_through", "follow_through_s"),
    Check("shoulder_turn", "shoulder_turn_deg", outward=True),
    Check("trunk_lean", "trunk_lean_at_release_deg"),
    Check("balance", "shoulders_over_feet_m"),
    Check("head_still", "head_travel_m"),
    Check("drift_forward", "drift_forward_m", sway_forward_m),
    Check("drift_side", "drift_side_m", sway_side_m),
    Check("landing_forward", "drift_forward_m", landing_forward_m),
    Check("landing_side", "drift_side_m", landing_side_m),
    Check("release_angle", "release_angle_deg", launch_above_gentle_deg, relative=True),
    Check("entry_angle", "entry_angle_deg", entry_above_gentle_deg, relative=True),
    Check("hold", "hold_s"),
    Check("hip_sway", "hips_over_feet_m"),
    Check("dip", "dip_m"),
    Check("set_to_release", "set_to_release_s"),
    Check("guide_fingers", "guide_finger_spread_deg"),
    Check("guide_thumb", "guide_thumb_off_s"),
    Check("guide_hand", "guide_hand_off_s"),
    Check("palm_gap", "palm_gap_m"),
    Check("wrist_snap", "wrist_flexion_deg"),
)
BY_NAME: Mapping[str, Check] = {check.name: check for check in CHECKS}


def judge(rep: Rep, bands: Mapping[str, Band], clear_sigmas: float, recent: Sequence[Rep] = ()) -> tuple[Finding, ...]:
    """Findings in the order of the table; checks without a band (report only) or without a value give none.

    `bands` are by the check's name; one by the measurement's name goes first and holds the plain measurement, positive
    to the right. `recent` are the reps before this one, oldest first: what this rep leaves unsure they may settle.
    Reps from before the last cue on a check do not count for it, since the player has been told to change.
    """
    findings = []
    for check in CHECKS:
        asked = _asked(check, bands, rep)
        if asked is None:
            continue
        check, band = asked
        now = _place(check, rep, band, clear_sigmas)
        if now is None:
            continue
        before = [_place(check, one, band, clear_sigmas) for one in _since_cue(check, recent)]
        verdict, excess = weigh(now, [one for one in before if one is not None], clear_sigmas)
        findings.append(Finding(check.name, verdict, check.measurement, excess))
    return tuple(findings)


def of_measurement(check: Check, bands: Mapping[str, _T]) -> _T | None:
    """What was set for the plain measurement, where it is this check's."""
    return None if check.apart else bands.get(check.measurement)


def _asked(check: Check, bands: Mapping[str, Band], rep: Rep) -> tuple[Check, Band] | None:
    """What to judge by which band."""
    if (plain := of_measurement(check, bands)) is not None:
        if check.outward and rep.hand == "left":
            low, high = (None if end is None else -end for end in (plain.high, plain.low))
            plain = replace(plain, low=low, high=high)
        return (replace(check, value=None) if check.relative else check), plain
    band = bands.get(check.name)
    return None if band is None else (check, band)


def _place(check: Check, rep: Rep, band: Band, clear_sigmas: float) -> Place | None:
    measured = check.of(rep)
    if measured.value is None or measured.sigma is None:
        return None
    return place(measured.value, measured.sigma, band, clear_sigmas)


def _since_cue(check: Check, recent: Sequence[Rep]) -> Sequence[Rep]:
    told = [k for k, rep in enumerate(recent) if rep.cue is not None and rep.cue.check == check.name]
    return recent[told[-1] + 1 :] if told else recent
