"""The coach of one player's session: judges each rep, says what is to be said, and remembers it.

The judging (checks.py, targets.py), the policy (cues.py) and the drill (drills.py) are pure; this is what they must
remember between reps.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from . import checks, cues
from .drills import Drill
from .evidence import MOST_REPS
from .measure import ONLY_IN_SPACE
from .records import Band, Feedback, Mark, Rep, Result
from .targets import Targets
from .words import Words, prompt, text


@dataclass(frozen=True, slots=True)
class Coaching:
    """What a session is judged and spoken by."""

    targets: Targets
    words: Words
    clear_sigmas: float
    plan: cues.Plan = field(default_factory=cues.Plan)
    drill: Drill | None = None
    language: str = "en"
    calibrated: bool = True
    """Whether the camera's place was given."""


@dataclass(frozen=True, slots=True)
class _Taken:
    """A rep that was taken out, as it counted until then."""

    rep: Rep
    past: cues.Past
    good: Rep | None
    result: Result | None


class Coach:
    """Feed every rep in order."""

    def __init__(self, coaching: Coaching) -> None:
        self._coaching = coaching
        self._words, self._drill = coaching.words, coaching.drill
        self._plan = coaching.plan if coaching.drill is None else coaching.drill.plan(coaching.plan)
        self._bands = self._made_of({})
        self._reps: list[Rep] = []
        self._past: list[cues.Past] = []
        self._good: dict[int, Rep] = {}
        self._results: dict[int, Result] = {}
        self._taken: dict[int, _Taken] = {}
        self._done = False
        self._rest_until_s: float | None = None
        self._rest_s = 0

    def _made_of(self, good: Mapping[int, Rep]) -> dict[str, Band]:
        targets, drill = self._coaching.targets, self._drill
        if drill is None:
            return targets.bands(tuple(good.values()))
        # what a drill asks for goes before habit; what the coach set for this player goes before both
        return replace(targets, defaults={**targets.defaults, **drill.all_bands()}).bands(tuple(good.values()))

    @property
    def bands(self) -> Mapping[str, Band]:
        """What is judged by, for now: by check, or by measurement (checks.judge)."""
        return self._bands

    @property
    def makes(self) -> int:
        """Reps that are known to have gone in."""
        return sum(result == "made" for result in self._results.values())

    def hear(self, rep: Rep, t_s: float) -> tuple[Rep, Feedback]:
        """The rep with its findings and cue, and what is to be heard and seen of it."""
        findings = checks.judge(rep, self._bands, self._coaching.clear_sigmas, self._reps[-2 * MOST_REPS :])
        feedback = cues.respond(t_s, findings, self._past, self._words, self._plan)
        rep = replace(rep, findings=findings, cue=feedback.cue, praise=feedback.praise)
        self._reps.append(rep)
        if rep.result is not None:
            self._results[rep.index] = rep.result
        self._rest_until_s = None
        feedback = replace(feedback, prompt=self._drill_says(t_s))
        self._past.append(cues.Past(findings, feedback))
        return rep, feedback

    def mark(self) -> Mark | None:
        """The sign for the last rep; None when it was not judged or goes without feedback."""
        if not self._past or self._past[-1].feedback.withheld:
            return None
        return cues.mark(self._plan.heard(self._past[-1].findings))

    def unseen(self) -> tuple[str, ...]:
        """Why the one check that is worked on could not be judged in the last rep; nothing otherwise.

        In the screen's words, and short: the measurement's own reason is long, English, and kept with the rep.
        """
        focus = self._plan.focus
        if focus is None or not self._past or self._past[-1].verdict(focus) is not None:
            return ()
        check, (name,) = checks.BY_NAME[focus], self._words.get((focus, "name"), (focus,))
        if check.of(self._reps[-1]).value is not None:
            return (text(self._words, "focus_no_band", check=name),)
        blind = check.measurement in ONLY_IN_SPACE and not self._coaching.calibrated
        return (text(self._words, "focus_no_place" if blind else "focus_unseen", check=name),)

    def ask(self, t_s: float) -> Feedback | None:
        """Somebody wants to hear about the last rep; None when there is none."""
        if not self._past:
            return None
        last, before = self._past[-1], self._past[:-1]
        feedback = cues.respond(t_s, last.findings, before, self._words, self._plan, len(self._past), asked=True)
        self._past[-1] = replace(last, feedback=feedback)
        self._reps[-1] = replace(self._reps[-1], cue=feedback.cue)  # told is told: the reps before it count no more
        return feedback

    def good(self, index: int) -> None:
        """The coach calls that rep good: enough of them become the target at once."""
        self._good.update({rep.index: rep for rep in self._reps if rep.index == index})
        self._bands = self._made_of(self._good)

    def result(self, index: int, result: Result | None) -> str | None:
        """Whether that rep went in, None takes it back; gives what the drill has to say of that."""
        if result is None:
            self._results.pop(index, None)
        elif any(rep.index == index for rep in self._reps):
            self._results[index] = result
        drill = self._drill
        if drill is None or self._done or not drill.done(len(self._reps), self.makes):
            return None
        self._done = True
        return prompt(self._words, "done", drill=drill.name(self._coaching.language)) or None

    def discard(self, index: int) -> None:
        """That rep was none: nothing that was found in it counts any more, unless it is put back."""
        places = [k for k, rep in enumerate(self._reps) if rep.index == index]
        for k in places:
            good, result = self._good.pop(index, None), self._results.pop(index, None)
            self._taken[index] = _Taken(self._reps.pop(k), self._past.pop(k), good, result)
            if good is not None:
                self._bands = self._made_of(self._good)
            self._done = self._done and self._drill_done()

    def put_back(self, index: int) -> Result | None:
        """That rep was one after all: it counts as it did before `discard`. Returns what became of the shot."""
        taken = self._taken.pop(index)
        place = bisect(self._reps, index, key=lambda rep: rep.index)
        self._reps.insert(place, taken.rep)
        self._past.insert(place, taken.past)
        if taken.result is not None:
            self._results[index] = taken.result
        if taken.good is not None:
            self._good[index] = taken.good
            self._bands = self._made_of(self._good)
        self._done = self._done or self._drill_done()
        return taken.result

    def _drill_done(self) -> bool:
        return self._drill is not None and self._drill.done(len(self._reps), self.makes)

    def rest(self, t_s: float) -> tuple[int, int] | None:
        """(seconds to go, seconds in all) while the drill rests; None when it does not."""
        if self._rest_until_s is None or t_s >= self._rest_until_s:
            return None
        return round(self._rest_until_s - t_s), self._rest_s

    def resting(self, t_s: float) -> str | None:
        """What to show while the drill rests; None when it does not."""
        rest = self.rest(t_s)
        return None if rest is None else prompt(self._words, "resting", seconds=rest[0]) or None

    def shown(self) -> tuple[str, str]:
        """What of the drill stands in the title, and its spot or name with the count (Drill.shown)."""
        drill = self._drill
        return ("", "") if drill is None else drill.shown(len(self._reps), self.makes, self._coaching.language)

    def _drill_says(self, t_s: float) -> str | None:
        drill, reps = self._drill, len(self._reps)
        if drill is None or self._done:
            return None
        self._done = drill.done(reps, self.makes)
        seconds = None if self._done else drill.rest_after(reps)
        if seconds is not None:
            self._rest_until_s, self._rest_s = t_s + seconds, seconds
        return drill.said_after(reps, self.makes, self._words, self._coaching.language)
