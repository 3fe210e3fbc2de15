"""What each measurement is called, in which unit it is shown, and how it is defined. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

SECONDS, CENTIMETRES, METRES, DEGREES, SPEED = "s", "cm", "m", "°", "m/s"


@dataclass(frozen=True, slots=True)
class Term:
    """A measurement in words."""

    label: str
    unit: str
    """In which it is shown to people."""
    definition: str

    @property
    def factor(self) -> float:
        """From the unit in the measurement's name to the one that is shown."""
        return 100.0 if self.unit == CENTIMETRES else 1.0


TERMS: Mapping[str, Term] = MappingProxyType(
    {
        "elbow_at_set_deg": Term("Elbow at the set point", DEGREES, "Shoulder-elbow-wrist, straight is 180"),
        "elbow_at_release_deg": Term("Elbow at the release", DEGREES, "Shoulder-elbow-wrist, straight is 180"),
        "elbow_max_deg": Term("Straightest elbow", DEGREES, "Largest shoulder-elbow-wrist within 0.3 s after release"),
        "upper_arm_at_set_deg": Term("Upper arm at the set point", DEGREES, "Hip-shoulder-elbow"),
        "knee_min_deg": Term("Deepest knee bend", DEGREES, "Smallest hip-knee-ankle, once the feet stand, to release"),
        "hip_min_deg": Term("Deepest hip bend", DEGREES, "Smallest shoulder-hip-knee, once the feet stand, to release"),
        "trunk_lean_at_set_deg": Term("Lean at the set point", DEGREES, "Trunk off the vertical, positive to the hoop"),
        "trunk_lean_at_release_deg": Term(
            "Lean at the release", DEGREES, "Trunk off the vertical, positive to the hoop"
        ),
        "set_point_above_eyes_m": Term("Set point above the eyes", CENTIMETRES, "Ball's centre at set"),
        "elbow_above_eyes_m": Term("Elbow above the eyes at set", CENTIMETRES, "Shooting elbow at set"),
        "hold_s": Term("Hold at the set point", SECONDS, "Elbow within 5 degrees of its smallest angle"),
        "set_to_release_s": Term("Set to release", SECONDS, "From the smallest elbow angle until the ball leaves"),
        "release_before_apex_s": Term("Release before the top", SECONDS, "Highest mid-hip minus release"),
        "arm_offset_at_set_m": Term(
            "Elbow out at set", CENTIMETRES, "From the plane through shooting shoulder and ring, positive to the right"
        ),
        "wrist_offset_at_set_m": Term(
            "Wrist out at set", CENTIMETRES, "From the plane through shooting shoulder and ring, positive to the right"
        ),
        "ball_offset_at_set_m": Term(
            "Ball out at set", CENTIMETRES, "Its centre from that plane, positive to the right; 0 is over the shoulder"
        ),
        "wrist_from_ball_m": Term("Wrist out under the ball", CENTIMETRES, "From its middle at set, positive right"),
        "release_height_m": Term("Release height", METRES, "Ball's centre above the floor"),
        "release_speed_mps": Term("Release speed", SPEED, "Of the ball without air; really it leaves 3 to 6 % faster"),
        "release_angle_deg": Term("Release angle", DEGREES, "Of the ball's path against the floor"),
        "entry_angle_deg": Term(
            "Entry angle", DEGREES, "Of the ball's path without air at the ring's plane; really it is 2 to 4° steeper"
        ),
        "follow_through_s": Term("Follow-through", SECONDS, "From release until the wrist falls below the eyes"),
        "shoulder_turn_deg": Term(
            "Turn of the shoulders", DEGREES, "From the deepest knee bend to 0.2 s after release, positive to the left"
        ),
        "feet_heading_deg": Term("Feet to the hoop", DEGREES, "At the deepest knee bend, positive to the left"),
        "hips_heading_deg": Term("Hips to the hoop", DEGREES, "At the deepest knee bend, positive to the left"),
        "shoulders_heading_deg": Term("Shoulders to the hoop", DEGREES, "At the deepest knee bend, positive left"),
        "stance_width_m": Term("Stance width", CENTIMETRES, "Between the heels, across the direction of the hoop"),
        "foot_stagger_m": Term("Foot stagger", CENTIMETRES, "Along the hoop's direction, shooting side in front"),
        "knee_over_foot_m": Term("Knee beside its foot", CENTIMETRES, "Shooting side, deepest bend, positive right"),
        "shoulders_over_toes_m": Term("Shoulders ahead of the toes", CENTIMETRES, "At the deepest knee bend"),
        "hips_over_feet_m": Term("Hips ahead of the feet", CENTIMETRES, "Mid-hip ahead of the ankles at release"),
        "shoulders_over_feet_m": Term("Shoulders ahead of the feet", CENTIMETRES, "Of the ankles, at release"),
        "drift_forward_m": Term("Drift forward", CENTIMETRES, "Mid-hip, knee bend to landing, toward the hoop"),
        "drift_side_m": Term("Drift to the side", CENTIMETRES, "Mid-hip, knee bend to landing, positive to the right"),
        "head_travel_m": Term("Head travel", CENTIMETRES, "Farthest two places of the nose from dip to release"),
        "dip_m": Term("Dip", CENTIMETRES, "How far the ball falls between pick-up and dip"),
        "jump_height_m": Term("Jump height", CENTIMETRES, "Highest mid-hip above standing; 6 to 8 cm are the toes"),
        "guide_foot_lead_s": Term("Guide-side foot first", SECONDS, "Its landing before the other foot's in the step"),
        "step_back_lead_s": Term("Guide-side foot first, step-back", SECONDS, "The same where the step went back"),
        "step_forward_m": Term("Step forward", CENTIMETRES, "Of both feet toward the hoop, negative for a step back"),
        "hip_after_knee_s": Term("Hip after knee", SECONDS, "Between the instants at which they open fastest"),
        "elbow_after_knee_s": Term("Elbow after knee", SECONDS, "Between the instants at which they open fastest"),
        "guide_finger_spread_deg": Term(
            "Guide hand's finger spread", DEGREES, "Index to little finger at set, close view"
        ),
        "guide_thumb_off_s": Term("Guide thumb off", SECONDS, "Off the ball so long before release, close view"),
        "guide_hand_off_s": Term("Guide hand off", SECONDS, "Off the ball so long before release, close view"),
        "palm_gap_m": Term("Palm to ball", CENTIMETRES, "Room between shooting palm and ball at set, close view"),
        "wrist_flexion_deg": Term("Wrist bent", DEGREES, "Farthest within 0.3 s after release, 0 straight, close view"),
    }
)
"""By the name that the measurement has in --json, exports and settings."""

_BENT = frozenset(
    f"{name}_deg"
    for name in ("elbow_at_set", "elbow_at_release", "elbow_max", "upper_arm_at_set", "knee_min", "hip_min")
)
"""Angles between two limbs."""
_POSSIBLE: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "deg": (-180.0, 180.0, "degrees"),
        "m": (-4.0, 4.0, "metres, 5 cm are 0.05"),
        "s": (-10.0, 10.0, "seconds"),
        "mps": (0.0, 20.0, "metres a second"),
    }
)
"""By the unit in a measurement's name, between what it can lie: angles by what an angle is; the others so wide that
nothing of a shot lies beyond (a ring hangs at 3.05 m; common practice, no source).
"""


def ends_possible(measurement: str, end: float) -> str:
    """What the end of a band must be, in words, where no value of this measurement reaches it; else empty."""
    least, most, unit = _POSSIBLE[measurement.rsplit("_", 1)[1]]
    if measurement in _BENT:
        least, unit = 0.0, "degrees, a straight limb has 180"
    return "" if least <= end <= most else f"between {least:g} and {most:g} ({unit})"


FAULTS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "step_rhythm": ("both feet at once", "one foot after the other"),
        "step_order": ("shooting side first", "guide side first"),
        "step_back_order": ("shooting side first", "guide side first"),
        "stance": ("narrow", "wide"),
        "stagger": ("shooting side back", "shooting side far ahead"),
        "hips_square": ("turned to the right", "turned to the left"),
        "shoulders_square": ("turned to the right", "turned to the left"),
        "knee_bend": ("deep", "shallow"),
        "hip_bend": ("deep", "shallow"),
        "knee_line": ("in", "out"),
        "low_gather": ("back", "forward"),
        "arm_line": ("in", "out"),
        "wrist_line": ("in", "out"),
        "ball_line": ("in", "out"),
        "hand_under_ball": ("in", "out"),
        "set_point_height": ("low", "high"),
        "elbow_at_set": ("closed", "open"),
        "upper_arm": ("low", "high"),
        "elbow_height": ("low", "high"),
        "release_timing": ("late", "early"),
        "elbow_extension": ("bent", "straight"),
        "follow_through": ("short", "long"),
        "shoulder_turn": ("shooting side back", "shooting side forward"),
        "trunk_lean": ("back", "forward"),
        "balance": ("back", "forward"),
        "head_still": ("still", "moving"),
        "drift_forward": ("backward", "far"),
        "drift_side": ("to the left", "to the right"),
        "landing_forward": ("back", "forward"),
        "landing_side": ("to the left", "to the right"),
        "release_angle": ("flat", "steep"),
        "entry_angle": ("flat", "steep"),
        "hold": ("short", "long"),
        "hip_sway": ("back", "forward"),
        "dip": ("small", "deep"),
        "set_to_release": ("quick", "slow"),
    }
)
"""By check: what a value below and above its band looks like."""


def term(name: str) -> Term:
    """The words of a measurement; one that this program does not know (from a newer one) goes by its name."""
    return TERMS.get(name) or Term(name, "", "")


def decimals(error: float) -> int:
    """How many decimals are worth showing beside an error: down to its first digit, one more where that is a 1."""
    first, _, exponent = f"{error:.0e}".partition("e")
    return max(0, -int(exponent) + (first == "1"))


def number(value: float, places: int) -> str:
    """A number for people: never -0, and a minus sign that is one."""
    return f"{round(value, places) + 0.0:.{places}f}".replace("-", "\N{MINUS SIGN}")


def with_unit(shown: str, unit: str) -> str:
    """Degrees stand close to their number, other units behind a space that does not break."""
    return shown + (unit if unit == DEGREES else f"\N{NO-BREAK SPACE}{unit}" if unit else "")


def with_error(name: str, value: float, sigma: float) -> str:
    """A measurement in the unit that people read, rounded as its error allows: 75 ± 7°."""
    words = term(name)
    places = decimals(sigma * words.factor)
    shown = f"{number(value * words.factor, places)} \N{PLUS-MINUS SIGN} {number(sigma * words.factor, places)}"
    return with_unit(shown.replace(" ", "\N{NO-BREAK SPACE}"), words.unit)
