"""The coach of one player's session: judges each rep, says what is to be said, and remembers it.

The judging and the policy are pure (checks.py, cues.py); this is the memory between reps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from . import checks, cues
from .evidence import MOST_REPS
from .records import Band, Feedback, Mark, Rep
from .words import Words


@dataclass(frozen=True, slots=True)
class Coaching:
    """What a session is judged and spoken by."""

    bands: Mapping[str, Band]
    """By check, or by measurement for the relative ones (checks.judge)."""
    words: Words
    clear_sigmas: float
    plan: cues.Plan = field(default_factory=cues.Plan)


class Coach:
    """Feed every rep in order."""

    def __init__(self, coaching: Coaching) -> None:
        self._coaching = coaching
        self._reps: list[Rep] = []
        self._past: list[cues.Past] = []

    def hear(self, rep: Rep, t_s: float) -> tuple[Rep, Feedback]:
        """The rep with its findings and cue, and what is to be heard and seen of it."""
        coaching = self._coaching
        recent = self._reps[-2 * MOST_REPS :]
        findings = checks.judge(rep, coaching.bands, coaching.clear_sigmas, recent)
        feedback = cues.respond(t_s, findings, self._past, coaching.words, coaching.plan)
        rep = replace(rep, findings=findings, cue=feedback.cue)
        self._reps.append(rep)
        self._past.append(cues.Past(findings, feedback))
        return rep, feedback

    def mark(self) -> Mark | None:
        """The sign for the last rep; None when it was not judged or goes without feedback."""
        if not self._past or self._past[-1].feedback.withheld:
            return None
        return cues.mark(self._coaching.plan.heard(self._past[-1].findings))

    def ask(self, t_s: float) -> Feedback | None:
        """Somebody wants to hear about the last rep; None when there is none."""
        if not self._past:
            return None
        last, before = self._past[-1], self._past[:-1]
        feedback = cues.respond(
            t_s, last.findings, before, self._coaching.words, self._coaching.plan, len(self._past), asked=True
        )
        self._past[-1] = replace(last, feedback=feedback)
        return feedback

    def discard(self, index: int) -> None:
        """That rep was none: nothing that was found in it counts any more."""
        kept = [k for k, rep in enumerate(self._reps) if rep.index != index]
        self._reps, self._past = [self._reps[k] for k in kept], [self._past[k] for k in kept]
