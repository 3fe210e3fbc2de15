"""What to say after a rep: at most one cue, about the most important clear fault. Pure.

Silence inside the band is the reward (bandwidth feedback: Cruz et al. 2018, Motricidade 14(2-3)); one instruction at a
time is what can be used (Buszard et al. 2017, Front. Psychol. 8:1350). Feedback may fade from every rep to every second
to none unless asked for, and a drill may end with a set without any: what was learned shows only there (the evidence on
fading is mixed, so it is off until a drill or setting asks for it).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from .records import Cue, Feedback, Finding, Mark, Tone
from .words import Words

Focus = Literal["external", "internal"]

_TONES = {"below": Tone.LOW, "above": Tone.HIGH}
TIMES = 3
"""A fault is told so often in one way, then so often in the other, then it is a matter for the coach."""
MENDED = 3
"""Reps in band one after the other after which a fault counts as mended (common practice, no source)."""
PRAISE_GAP = 8
"""Praise is worth something only while it is rare (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What coach, player or drill chose to hear."""

    priority: tuple[str, ...] = ()
    """Checks that come first, most important first; the others follow in the order of the findings."""
    only: bool = False
    """Nothing but the checks of `priority` is spoken of."""
    focus: str | None = None
    """One check: everything else is silent."""
    wording: Focus = "external"
    """How a fault is told first."""
    praise: bool = True
    every_rep: int = 0
    """After so many reps feedback thins out; 0: never."""
    every_second: int = 0
    """So many further reps have feedback after every second one, then only on request."""
    least_gap_s: float = 0.0
    """No words sooner than this after the last ones; the tone alone tells the direction."""
    quiet_from: int | None = None
    """From this rep on there is no feedback at all: the retention set."""

    def __post_init__(self) -> None:
        if self.every_rep < 0 or self.every_second < 0:
            raise ValueError(f"every_rep and every_second must be 0 or more, got {self.every_rep}, {self.every_second}")

    def withholds(self, number: int) -> bool:
        """Whether rep `number` (from 1) goes without feedback unless somebody asks."""
        if self.quiet(number):
            return True
        if self.every_rep == 0 or number <= self.every_rep:
            return False
        beyond = number - self.every_rep
        return beyond > self.every_second or beyond % 2 == 1

    def quiet(self, number: int) -> bool:
        """Whether rep `number` belongs to the set without feedback, in which asking does not help."""
        return self.quiet_from is not None and number >= self.quiet_from

    def heard(self, findings: Sequence[Finding]) -> list[Finding]:
        """The findings that may be spoken of, most important first."""
        if self.focus is not None:
            return [finding for finding in findings if finding.check == self.focus]
        first = {check: place for place, check in enumerate(self.priority)}
        kept = [finding for finding in findings if not self.only or finding.check in first]
        return sorted(kept, key=lambda finding: first.get(finding.check, len(first)))


@dataclass(frozen=True, slots=True)
class Past:
    """A rep of this session, as far as the policy must remember it."""

    findings: tuple[Finding, ...]
    feedback: Feedback

    def verdict(self, check: str) -> str | None:
        """What was found; None when that check could not be judged."""
        return next((finding.verdict for finding in self.findings if finding.check == check), None)

    def told(self, check: str, verdict: str) -> bool:
        """Whether this fault was told then."""
        cue = self.feedback.cue
        return cue is not None and cue.check == check and self.verdict(check) == verdict


def respond(
    t_s: float,
    findings: Sequence[Finding],
    history: Sequence[Past],
    words: Words,
    plan: Plan | None = None,
    number: int | None = None,
    asked: bool = False,
) -> Feedback:
    """Tone and words for a rep that is over.

    `findings` are in the order of the checks' table, `history` holds the session's earlier reps, oldest first, `number`
    is which rep of the set this is (default: the next after the history), `asked` that somebody wants to hear about it.
    """
    plan = plan or Plan()
    number = len(history) + 1 if number is None else number
    if plan.quiet(number) or (plan.withholds(number) and not asked):
        return Feedback(t_s, Tone.COUNT, withheld=True)
    heard = plan.heard(findings)
    hurried = not asked and any(one.feedback.shown and t_s - one.feedback.t_s < plan.least_gap_s for one in history)
    for finding in heard:
        cue = _cue(finding, history, words, plan)
        if cue is not None:
            return Feedback(t_s, _TONES[finding.verdict], None if hurried else cue)
    tone = Tone.COUNT
    if plan.focus is not None:
        # one thing is worked on: the tone alone says how it went, also when there is nothing new to say in words
        tone = next((_FOCUS_TONES[finding.verdict] for finding in heard), Tone.COUNT)
    return Feedback(t_s, tone, praise=_praise(heard, history, words) if plan.praise and not hurried else None)


_FOCUS_TONES = {"in_band": Tone.IN_BAND, "unsure": Tone.COUNT, **_TONES}


def mark(findings: Sequence[Finding]) -> Mark | None:
    """The sign for the screen; None when nothing was judged."""
    if any(finding.verdict in _TONES for finding in findings):
        return Mark.OUT_OF_BAND
    if any(finding.verdict == "unsure" for finding in findings):
        return Mark.UNSURE
    return Mark.IN_BAND if findings else None


def _cue(finding: Finding, history: Sequence[Past], words: Words, plan: Plan) -> Cue | None:
    """The words for a clear fault: one way, then the other, then the coach, then silence until it was mended."""
    check, verdict = finding.check, finding.verdict
    if verdict not in _TONES:
        return None
    said = [one.feedback.cue for one in _since_mended(check, history) if one.told(check, verdict)]
    kinds = (verdict, f"internal_{verdict}")
    ways = [words.get((check, kind), ()) for kind in (kinds if plan.wording == "external" else reversed(kinds))]
    ways = [way for way in ways if way]
    if not ways:
        return None
    way = len(said) // TIMES
    if way < len(ways):
        return Cue(_next_text(ways[way], [cue.text for cue in said if cue is not None]), check)
    ask = words.get((check, "ask"), ())
    return Cue(ask[0], check) if ask and len(said) == TIMES * len(ways) else None


def _since_mended(check: str, history: Sequence[Past]) -> Sequence[Past]:
    """The reps after the check was last in band several times running; reps that could not judge it say nothing."""
    run = 0
    for k in range(len(history) - 1, -1, -1):
        verdict = history[k].verdict(check)
        if verdict is not None:
            run = run + 1 if verdict == "in_band" else 0
        if run >= MENDED:
            return history[k:]
    return history


def _next_text(texts: tuple[str, ...], used: Sequence[str]) -> str:
    """The text after the one used last, round and round."""
    of_these = [text for text in used if text in texts]
    return texts[(texts.index(of_these[-1]) + 1) % len(texts)] if of_these else texts[0]


def _praise(heard: Sequence[Finding], history: Sequence[Past], words: Words) -> str | None:
    """A word on a fault that was told and is now mended: in band several reps running. Rare, once a fault."""
    recent = history[-PRAISE_GAP:]
    if any(one.feedback.praise is not None for one in recent):
        return None
    for finding in heard:
        texts = words.get((finding.check, "praise"), ())
        if finding.verdict != "in_band" or not texts:
            continue
        verdicts = [(k, one.verdict(finding.check)) for k, one in enumerate(history)]
        known = [(k, verdict) for k, verdict in verdicts if verdict is not None]
        run = known[len(known) - MENDED + 1 :]
        if len(known) < MENDED or any(verdict != "in_band" for _, verdict in run):
            continue
        before = known[len(known) - MENDED][0]
        cue = history[before].feedback.cue
        if cue is not None and cue.check == finding.check:
            return texts[0]
    return None
