"""Builders for what is said: reps from their values, a coach's session from verdicts."""

from __future__ import annotations

from collections.abc import Iterable

from rimward.live.cues import Past, Plan, respond
from rimward.live.records import Cue, Events, Feedback, Finding, Measurement, Rep, Verdict
from rimward.live.skeleton import Side
from rimward.live.words import Words

FLIGHT = {"release_speed_mps": (7.146, 0.1), "release_angle_deg": (52.0, 0.9), "entry_angle_deg": (40.15, 1.2)}
"""A free throw released at 2.13 m (worked example of projectile physics)."""


def missing(reason: str) -> Measurement:
    return Measurement.missing(reason)


def a_rep(
    index: int = 1, hand: Side = "right", cue: Cue | None = None, **values: tuple[float, float] | Measurement
) -> Rep:
    """A rep from (value, sigma) by name."""
    return Rep(
        index=index,
        hand=hand,
        events=Events(None, None, None, 1.0, 1.3, None, None),
        motion=None,
        release_phase=None,
        measurements={
            name: value if isinstance(value, Measurement) else Measurement(*value, "image")
            for name, value in values.items()
        },
        cue=cue,
    )


def finding(said: str) -> Finding:
    """`"knee_bend above"` and so on."""
    check, verdict = said.split()
    kind: Verdict = {"good": "in_band"}.get(verdict, verdict)  # type: ignore[assignment]
    return Finding(check, kind, "knee_min_deg", 0.0 if kind == "in_band" else 3.0)


def told(story: Iterable[str], words: Words, plan: Plan | None = None) -> list[Feedback]:
    """What is said after each rep of a story: each rep is `"check verdict, check verdict"`, or empty."""
    past: list[Past] = []
    for k, rep in enumerate(story):
        findings = tuple(finding(said) for said in rep.split(", ") if said)
        past.append(Past(findings, respond(10.0 * k, findings, past, words, plan)))
    return [one.feedback for one in past]
