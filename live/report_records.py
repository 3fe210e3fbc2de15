"""What a report is made of: plain records in words and numbers, which the page only lays out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .records import FloatArray, Verdict

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class SessionLine:
    """One session of the period."""

    when: str
    drill: str
    view: str
    shots: int
    made: str
    """"12 of 20", or why that is not known."""


@dataclass(frozen=True, slots=True)
class Row:
    """One measurement over the period."""

    name: str
    label: str
    definition: str
    seen: int
    median: str
    """With its error; empty when it was not seen."""
    half: str
    """Where the middle half of the reps lies."""
    scatter: str
    """From rep to rep within a session; empty for too few."""
    band: str
    band_label: str
    band_source: str
    check: str = ""
    """The one whose verdicts are counted; empty for none."""
    band_changed: str = ""
    """By what else the shots were judged when they were shot; empty when this band explains every verdict."""
    inside: int = 0
    below: int = 0
    above: int = 0
    unsure: int = 0
    verdicts: str = ""
    """How many reps were judged how; empty when none was."""

    @property
    def outside(self) -> int:
        """Shots clearly outside."""
        return self.below + self.above

    @property
    def known(self) -> int:
        """Shots that were judged."""
        return self.inside + self.outside + self.unsure

    def judged(self, counts: Mapping[Verdict, int], place: str) -> Row:
        """The same row with how its reps were judged."""
        said = {"in_band": f"in {place}", "below": "below", "above": "above", "unsure": "too near to the edge to tell"}
        return replace(
            self,
            inside=counts["in_band"],
            below=counts["below"],
            above=counts["above"],
            unsure=counts["unsure"],
            verdicts=", ".join(f"{count} {said[verdict]}" for verdict, count in counts.items() if count),
        )


@dataclass(frozen=True, slots=True)
class Claim:
    """A difference that neither chance nor the measurement's error explains."""

    name: str
    label: str
    text: str
    strength: float
    """Of the difference against half its interval."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """What was found of a kind of difference, and how it was looked for."""

    claims: tuple[Claim, ...]
    tested: int
    """Measurements with enough reps."""
    why_not: str
    """Why nothing could be tested; empty when something was."""


@dataclass(frozen=True, slots=True)
class Instant:
    """One instant of the shot against the release, over the period's reps."""

    label: str
    median_s: float
    low_s: float
    high_s: float
    """The middle half of the reps."""
    reps: int


@dataclass(frozen=True, slots=True)
class ChosenRep:
    """A rep to look at."""

    title: str
    session_id: str
    index: int
    when: str
    why: str
    shown: tuple[tuple[str, str], ...]
    """(label, value with error) of what is judged."""
    set_s: float
    release_s: float
    """On the session's clock."""


@dataclass(frozen=True, slots=True)
class NoteLine:
    """What coach or player wrote."""

    when: str
    about: str
    author: str
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class TargetLine:
    """Where the coach wants a value, and how the period's reps stand to it."""

    label: str
    wanted: str
    author: str
    locked: bool
    name: str
    now: str
    inside: str


@dataclass(frozen=True, slots=True)
class Unseen:
    """Why values are missing, and which."""

    reason: str
    labels: tuple[str, ...]
    reps: int
    """The most that any of them is missing in."""


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """What is drawn of one judged measurement, in the unit that is shown."""

    name: str
    label: str
    unit: str
    low: float | None
    high: float | None
    """The band."""
    values: FloatArray
    """(R,) of the period's reps in order, NaN where not seen."""
    starts: tuple[int, ...]
    """Where a session begins in `values`."""
    whens: tuple[str, ...]
    medians: FloatArray
    sigmas: FloatArray
    """(S,) of each session of the player, NaN where not seen."""
    current: Mask
    """(S,), whether the session belongs to the period."""
    alt: str


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """Everything that the page shows, in its order."""

    player: str
    period: str
    scope: str
    generated: str
    summary: tuple[str, ...]
    sessions: tuple[SessionLine, ...]
    made: str
    made_change: str
    targets: tuple[TargetLine, ...]
    notes: tuple[NoteLine, ...]
    panels: tuple[tuple[Row, Panel], ...]
    """What stands out among the measurements that have a band, with its pictures' content."""
    others: tuple[Row, ...]
    """The rest of them."""
    earlier: str
    """What the period is compared with; empty when there is nothing."""
    change: Comparison
    scatter: Comparison
    fatigue: Comparison
    timeline: tuple[Instant, ...]
    timeline_alt: str
    best: ChosenRep | None
    worst: ChosenRep | None
    rows: tuple[Row, ...]
    """Every measurement that was seen."""
    unseen: tuple[Unseen, ...]
    shots: int
