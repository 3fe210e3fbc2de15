"""The checks: each holds one measurement against its band. To add one: a row here, its band in config/default.toml.

A verdict must survive the measurement's own error: outside the band by more than `clear_sigmas` standard deviations is
below or above, outside by less is unsure, and unsure says nothing to the player.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from .records import Band, Finding, Measurement, Verdict


@dataclass(frozen=True, slots=True)
class Check:
    """One thing a coach looks at."""

    name: str
    measurement: str


# In the order in which a coach would speak of them: what the rest is built on comes first (common practice, no source).
CHECKS: tuple[Check, ...] = (
    Check("knee_bend", "knee_min_deg"),
    Check("set_point_height", "set_point_above_eyes_m"),
    Check("elbow_at_set", "elbow_at_set_deg"),
    Check("elbow_extension", "elbow_max_deg"),
    Check("follow_through", "follow_through_s"),
    Check("trunk_lean", "trunk_lean_at_release_deg"),
)


def judge(
    measurements: Mapping[str, Measurement], bands: Mapping[str, Band], clear_sigmas: float
) -> tuple[Finding, ...]:
    """Findings in the order of the table; checks without a band (report only) or without a value give none."""
    findings = []
    for check in CHECKS:
        band, measured = bands.get(check.name), measurements.get(check.measurement)
        if band is None or measured is None or measured.value is None or measured.sigma is None:
            continue
        verdict, excess = _verdict(measured.value, measured.sigma, band, clear_sigmas)
        findings.append(Finding(check.name, verdict, check.measurement, excess))
    return tuple(findings)


def _verdict(value: float, sigma: float, band: Band, clear_sigmas: float) -> tuple[Verdict, float]:
    low, high = band.low, band.high
    if low is not None and high is not None and high - low < 2 * clear_sigmas * sigma:
        # a band narrower than the measurement can tell apart is widened about its middle
        middle = (low + high) / 2
        low, high = middle - clear_sigmas * sigma, middle + clear_sigmas * sigma
    if low is not None and value < low:
        excess = (low - value) / sigma
        return ("below" if excess > clear_sigmas else "unsure"), excess
    if high is not None and value > high:
        excess = (value - high) / sigma
        return ("above" if excess > clear_sigmas else "unsure"), excess
    return "in_band", 0.0
