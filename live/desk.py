"""The coach's desk: which rep, which instant, alone or beside another one, what the coach says of it. Pure.

The window turns keys into the actions below and draws what stands here; whoever keeps the database is told what is to
be kept (`Said`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from .cues import mark
from .figure import Placement, Take, placement
from .glossary import FAULTS, term, with_error
from .records import Mark, Rep
from .timeline import STOPS, Playhead, partner, stops

Mode = Literal["one", "beside", "over"]
MODES: Final[tuple[Mode, ...]] = ("one", "beside", "over")
SPEED: Final = 0.25
"""Of playing, against life: a push of the arm lasts a tenth of a second."""
LONGEST_NOTE: Final = 400

ACTIONS: Final = {
    "forward": "one frame on",
    "back": "one frame back",
    "play": "play at a quarter of the speed, stop",
    "dip": "to the dip",
    "set": "to the set point",
    "release": "to the release",
    "landing": "to the landing",
    "next": "next rep",
    "previous": "rep before",
    "next_out": "next rep with a value out of its band",
    "previous_out": "the one before with a value out of its band",
    "compare": "alone, beside another rep, on another rep",
    "other": "another rep to compare with",
    "good": "good, or take it back",
    "bad": "not good, or take it back",
    "note": "write a note",
    "measures": "values in the picture on and off",
    "picture": "picture, or skeleton only",
    "keep": "key pictures of this rep as files",
}
"""What can be done, and its words."""

LISTED: Final = (
    "set_point_above_eyes_m",
    "elbow_at_set_deg",
    "elbow_at_release_deg",
    "elbow_max_deg",
    "upper_arm_at_set_deg",
    "knee_min_deg",
    "trunk_lean_at_release_deg",
    "arm_offset_at_set_m",
    "hold_s",
    "set_to_release_s",
    "release_before_apex_s",
    "release_angle_deg",
    "follow_through_s",
    "dip_m",
    "jump_height_m",
    "drift_forward_m",
)
"""Values beside the picture; what is out of its band comes along though it is not named here."""
_ANY_CHECK: Final = ("below its band", "above its band")


@dataclass(frozen=True, slots=True)
class Remark:
    """What the coach says of a rep."""

    good: bool | None = None
    """None: not marked."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """To be kept now."""

    index: int
    """Which of the takes."""
    remark: Remark


@dataclass(frozen=True, slots=True)
class Cell:
    """A value of one rep, and how it was judged."""

    words: str
    """With its error."""
    mark: Mark | None = None
    """None where no check looked at it."""
    fault: str = ""
    """What is the matter with it, as the report says it; empty in band."""


@dataclass(frozen=True, slots=True)
class Row:
    """One value of the reps that are looked at."""

    label: str
    cells: tuple[Cell, ...]
    """One a rep."""

    @property
    def out(self) -> bool:
        """Whether it is out of its band in one of them."""
        return any(cell.mark is Mark.OUT_OF_BAND for cell in self.cells)


def rows(takes: Sequence[Take]) -> tuple[Row, ...]:
    """The values of these reps that one of them has."""
    judged = [one.measurement for take in takes for one in take.rep.findings if one.verdict in ("below", "above")]
    found = [(name, tuple(_cell(take.rep, name) for take in takes)) for name in dict.fromkeys([*LISTED, *judged])]
    return tuple(Row(term(name).label, cells) for name, cells in found if any(cell != _NO_VALUE for cell in cells))


def fitting(listed: Sequence[Row], room: int) -> tuple[Row, ...]:
    """As many as there is room for, in their order; what is out of its band is the last to be left out."""
    first = sorted(range(len(listed)), key=lambda k: not listed[k].out)[:room]
    return tuple(listed[k] for k in sorted(first))


def cue_of(rep: Rep) -> str:
    """The words that the rep was given: cue or praise, else the answer to somebody's asking; empty for none."""
    return (rep.praise if rep.cue is None else rep.cue.text) or rep.answer or ""


_NO_VALUE: Final = Cell("not given")


def _cell(rep: Rep, name: str) -> Cell:
    measured = rep.measurements.get(name)
    if measured is None or measured.value is None or measured.sigma is None:
        return _NO_VALUE
    findings = [one for one in rep.findings if one.measurement == name]
    judged, fault = mark(findings), ""
    if judged is Mark.OUT_OF_BAND:  # of several checks the first, which a coach would speak of first
        worst = next(one for one in findings if one.verdict in ("below", "above"))
        fault = FAULTS.get(worst.check, _ANY_CHECK)[worst.verdict == "above"]
    elif judged is Mark.UNSURE:
        fault = "unsure"
    return Cell(with_error(name, measured.value, measured.sigma), judged, fault)


class Desk:
    """The state. `takes` are the reps to look at, in order, with what was said of each before."""

    def __init__(self, takes: Sequence[Take], remarks: Sequence[Remark], *, pictures: bool = True) -> None:
        """`pictures` False: only skeletons may be shown. Raises ValueError without a rep."""
        if not takes or len(remarks) != len(takes):
            raise ValueError(f"a desk needs reps, each with a remark, got {len(takes)} and {len(remarks)}")
        self.takes, self.remarks = tuple(takes), list(remarks)
        self.may_show = pictures
        self.picture = pictures
        self.measures = True
        self.mode: Mode = "one"
        self.current = 0
        self.other = 1 if len(takes) > 1 else 0
        self.typing: str | None = None
        """The note that is being written."""
        self.words = ""
        """What there is to say of the last action."""
        self.head = self._head_at("release")
        self._placements: dict[tuple[int, int], Placement | None] = {}

    # ---- what is shown

    @property
    def take(self) -> Take:
        """The rep that is looked at."""
        return self.takes[self.current]

    @property
    def sample(self) -> int:
        """The sample of it that is shown."""
        return self.head.sample(self.take.t_s)

    @property
    def second(self) -> Take | None:
        """The rep that it is compared with; None in the mode "one"."""
        return None if self.mode == "one" else self.takes[self.other]

    @property
    def second_sample(self) -> int | None:
        """The sample of the second rep at the same time from its release; None where it has none."""
        second = self.second
        if second is None:
            return None
        take = self.take
        return partner(take.t_s, take.rep.events.release_s, self.sample, second.t_s, second.rep.events.release_s)

    @property
    def placement(self) -> Placement | None:
        """How the second rep is laid onto this one; None where it cannot be."""
        pair = (self.current, self.other)
        if pair not in self._placements:
            self._placements[pair] = placement(self.take, self.takes[self.other])
        return self._placements[pair]

    @property
    def remark(self) -> Remark:
        """What was said of the rep that is looked at."""
        return self.remarks[self.current]

    # ---- what happens

    def act(self, action: str) -> Said | None:
        """Do one of ACTIONS (but "keep", which is not of the desk). Raises ValueError for an unknown one."""
        self.words = ""
        take, t_s = self.take, self.take.t_s
        if action in ("forward", "back"):
            self.head = self.head.stepped(t_s, 1 if action == "forward" else -1)
        elif action == "play":
            self.head = self.head.toggled(t_s)
        elif action in STOPS:
            found = stops(take.rep.events, t_s)
            if action in found:
                self.head = self.head.at(t_s, found[action])
            else:
                self.words = f"The {STOPS[action]} of this rep was not seen"
        elif action in ("next", "previous"):
            self._go(1 if action == "next" else -1)
        elif action in ("next_out", "previous_out"):
            self._go_out(1 if action == "next_out" else -1)
        elif action == "compare":
            self._compare()
        elif action == "other":
            self._another()
        elif action == "measures":
            self.measures = not self.measures
        elif action == "picture":
            self.picture = self.may_show and not self.picture
            if not self.may_show:
                self.words = "Skeleton only: pictures of this player are not to be shown"
        elif action in ("good", "bad"):
            good = action == "good"
            return self._say(replace(self.remark, good=None if self.remark.good is good else good))
        elif action == "note":
            self.head = replace(self.head, playing=False)
            self.typing = self.remark.note
        else:
            raise ValueError(f"an action must be one of {', '.join(ACTIONS)}, got {action!r}")
        return None

    def pass_time(self, elapsed_s: float) -> None:
        """So many seconds of a clock have gone by."""
        self.head = self.head.advanced(self.take.t_s, elapsed_s, SPEED)

    def type_text(self, text: str) -> None:
        """More letters of the note; what cannot be shown is left out."""
        if self.typing is not None:
            shown = "".join(letter for letter in text if letter.isprintable())
            self.typing = (self.typing + shown)[:LONGEST_NOTE]

    def erase(self) -> None:
        """The last letter of the note goes."""
        if self.typing:
            self.typing = self.typing[:-1]

    def finish_note(self, *, keep: bool) -> Said | None:
        """The note is written, or is not to be."""
        text, self.typing = self.typing, None
        if not keep or text is None or (note := " ".join(text.split())) == self.remark.note:
            return None
        return self._say(replace(self.remark, note=note))

    # ----

    def _head_at(self, stop: str) -> Playhead:
        t_s = self.take.t_s
        found = stops(self.take.rep.events, t_s)
        return Playhead(float(t_s[found.get(stop, 0)]))

    def _go(self, by: int) -> None:
        """To another rep, at the same time from its release."""
        from_release_s = self.head.now_s - self.take.rep.events.release_s
        self.current = (self.current + by) % len(self.takes)
        if self.other == self.current:
            self.other = (self.current + by) % len(self.takes)
        t_s = self.take.t_s
        wanted_s = self.take.rep.events.release_s + from_release_s
        self.head = Playhead(float(min(max(wanted_s, t_s[0]), t_s[-1])))

    def _go_out(self, way: int) -> None:
        """To the nearest rep on this side with a value clearly out of its band, never round the end: who steps through
        them is told when all were seen.
        """
        out = [k for k, one in enumerate(self.takes) if mark(one.rep.findings) is Mark.OUT_OF_BAND]
        there = [k - self.current for k in out if (k - self.current) * way > 0]
        if there:
            self._go(min(there, key=abs))
        elif out:
            self.words = f"No rep {'after' if way > 0 else 'before'} this one has a value clearly out of its band"
        else:
            self.words = "None of these reps has a value clearly out of its band"

    def _compare(self) -> None:
        if len(self.takes) < 2:
            self.words = "Only one rep here: nothing to compare it with"
            return
        self.mode = MODES[(MODES.index(self.mode) + 1) % len(MODES)]
        if self.mode == "over" and self.placement is None:
            self.words = "The two bodies cannot be laid on each other: one was not seen"

    def _another(self) -> None:
        if len(self.takes) < 3:
            self.words = "No other rep to compare with"
            return
        self.other = (self.other + 1) % len(self.takes)
        if self.other == self.current:
            self.other = (self.other + 1) % len(self.takes)
        if self.mode == "one":
            self.mode = "beside"

    def _say(self, remark: Remark) -> Said:
        self.remarks[self.current] = remark
        return Said(self.current, remark)
