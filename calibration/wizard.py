"""The guided way to a calibration: what is asked, in which order, and what came of it. Clicks and keys in, words out.

It knows no window. A window shows `stage`, `questions`, `marks` and `outcome`, and hands over what the person did.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from .courts import COURTS, Court, court_named, named_marks
from .errors import CalibrationError
from .geometry import camera_centre, project
from .lens import Lens, typed_lens, typical_lens
from .marks import FEWEST_MARKS, calibrate_marks
from .record import Calibration
from .solver import PlacedMark, Problem, solutions
from .standing import CameraSide, calibrate_standing
from .target import SHEETS, average_pages, calibrate_target, check_mirror, find_pages

FloatArray = NDArray[np.float64]
ImageArray = NDArray[np.uint8]

Way = Literal["hoop", "lines", "tape", "target", "standing"]
Stage = Literal["way", "questions", "marks", "accepted"]

WAYS: Final[Mapping[Way, tuple[str, str]]] = MappingProxyType(
    {
        "hoop": ("The hoop is in the picture", "click the board's corners and the ring"),
        "lines": ("Court lines are in the picture", "click where lines meet"),
        "tape": ("Tape marks or cones", "type where they lie, then click them"),
        "target": ("The printed target", "it is found by itself"),
        "standing": ("Nothing of these", "a standing player: coarse, without the hoop's direction"),
    }
)
"""Ways to calibrate, with what each asks for."""

_BOARD: Final = ("board_top_left", "board_top_right", "board_bottom_right", "board_bottom_left")
_RING: Final = ("ring_left", "ring_right")
_CORNERS: Final = ("free_throw_left", "free_throw_right")
_CROSSINGS: Final = ("circle_left", "circle_right", "baseline_left", "baseline_right")
_ORDER: Final[Mapping[Way, tuple[str, ...]]] = MappingProxyType(
    {"hoop": (*_BOARD, *_RING, *_CORNERS, *_CROSSINGS), "lines": (*_CORNERS, *_CROSSINGS)}
)
_EDGES: Final = tuple(f"{name}_{side}" for side in ("left", "right") for name in ("three", "arc", "court"))
"""Asked for when the lane's marks cannot all be seen and do not suffice: from beside the free-throw line the lane's
near side is too close, and what is far across the court is in the picture."""
_KINK: Final = 0.95
"""The arc turns straight at 22 degrees (NBA), which an eye finds; 12 (FIBA, US college) or 0 it does not find."""
SIDES: Final[Mapping[str, CameraSide]] = MappingProxyType(
    {
        "right of the shooter": "right",
        "left of the shooter": "left",
        "in front of the shooter": "front",
        "behind the shooter": "behind",
    }
)
"""Where the camera may stand, in words."""
TAPE_MARKS: Final = 6
"""So many places can be typed."""

WORDS: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {
        "board_top_left": ("Board, top left", "outer corner"),
        "board_top_right": ("Board, top right", "outer corner"),
        "board_bottom_right": ("Board, bottom right", "outer corner"),
        "board_bottom_left": ("Board, bottom left", "outer corner"),
        "ring_left": ("Ring, far left", "inner edge, as you see it"),
        "ring_right": ("Ring, far right", "inner edge, as you see it"),
        "free_throw_left": ("Free-throw line, left end", "outer corner of the lane, shooter's left"),
        "free_throw_right": ("Free-throw line, right end", "outer corner of the lane, shooter's right"),
        "circle_left": ("Circle meets free-throw line, left", "outer edges, shooter's left"),
        "circle_right": ("Circle meets free-throw line, right", "outer edges, shooter's right"),
        "baseline_left": ("Lane meets baseline, left", "outer edge of the lane, court side of the baseline"),
        "baseline_right": ("Lane meets baseline, right", "outer edge of the lane, court side of the baseline"),
        "three_left": ("Three-point line meets baseline, left", "outer edge, court side of the baseline"),
        "three_right": ("Three-point line meets baseline, right", "outer edge, court side of the baseline"),
        "arc_left": ("Three-point arc turns straight, left", "outer edge, shooter's left"),
        "arc_right": ("Three-point arc turns straight, right", "outer edge, shooter's right"),
        "court_left": ("Court's corner, left", "inner edges of sideline and baseline"),
        "court_right": ("Court's corner, right", "inner edges of sideline and baseline"),
    }
)
"""Of each mark: what to click, and where exactly."""
_INSTEAD: Final[Mapping[Way, str]] = MappingProxyType(
    {
        "hoop": "use court lines (way 2) or tape marks (way 3)",
        "lines": "use tape marks or cones (way 3)",
        "tape": "lay the tape where the camera sees it",
    }
)
"""What can work where too few marks are seen."""
_CODE_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "check hfov_deg or camera_matrix against image_size": "it is the width of the view that counts",
        "hfov_deg": "the lens's width",
        "rim_height_m": "the rim's height",
        "free_throw_from_board_m": "the line's distance from the board",
        "ring_front": "the ring",
        "court in the points file": "the court",
        "'us_high_school'": "US high school",
        "'us_college'": "US college",
        "'us'": "NBA",
        "'fiba'": "FIBA",
    }
)
"""Names of the points file, in the order in which they are replaced."""

# Refinement pays only where the picture has a corner of two plain areas. On renders with clicks 1.4 px off (RMS) it
# was taken for 72 % of the board's corners and brought them to 0.5 px, for 33 % of the lane's (0.4 px); corners of thin
# lines and crossings it leaves alone or, at the baseline, pulls away.
_REFINED: Final = (*_BOARD, *_CORNERS)
_WINDOWS: Final = (3, 4)
_AGREE: Final = 0.5 / 1280
_JUMP: Final = 3.5 / 1280
"""As shares of the picture's width."""

_PICTURES_KEPT: Final = 10
"""Of the printed target: the median corner over so many pictures."""
_PICTURES_PER_SOLUTION: Final = 5
_GOOD_POSITION_M: Final = 0.10
_GOOD_DIRECTION_DEG: Final = 0.7
"""Good enough for every value that needs the hoop (aims of this program)."""
_GOOD_RMS: Final = 1.5 / 1280
"""Of the marks, as a share of the picture's width: a careful hand stays below (0.4 to 0.9 px on renders). Marks that
agree less lie wrong or are bent by the lens, and then the uncertainties say too little."""


@dataclass(frozen=True, slots=True)
class Question:
    """A number to type or a choice to make before the marks."""

    name: str
    words: str
    value: str = ""
    choices: tuple[str, ...] = ()
    """Empty: a number is typed."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark that is asked for, and where it was put."""

    name: str
    words: str
    hint: str
    world_m: tuple[float, float, float]
    px: tuple[float, float] | None = None
    refined: bool = False
    skipped: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What the marks come to so far."""

    calibration: Calibration | None
    reason: str
    """Why there is none, or which marks are still missing; empty with a calibration."""
    wrong: bool = False
    """The reason is a contradiction that the person must resolve, not just something still missing."""
    worst: str = ""
    """Name of the mark that is farthest from where the calibration puts it."""


@dataclass(frozen=True, slots=True)
class _Marking:
    """What undo brings back."""

    marks: tuple[Mark, ...]
    asked: int | None
    touched: int | None


_NOTHING: Final = Outcome(None, "")


class Wizard:
    """One guided calibration of a camera with pictures of `image_size` (width, height).

    `lens` is what is known of it; without one the lens is asked for. `known` answers questions beforehand by name.
    """

    def __init__(
        self,
        image_size: tuple[int, int],
        lens: Lens | None = None,
        camera: str = "",
        known: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        self.image_size = image_size
        self.stage: Stage = "way"
        self.way: Way = "hoop"
        self.questions: tuple[Question, ...] = ()
        self.active = 0
        """Index of the question that is being answered."""
        self.complaint = ""
        """What is wrong with the answers, in words."""
        self.outcome = _NOTHING
        self.pages: Mapping[int, FloatArray] = {}
        """Corners (4, 2) px of the printed pages found in the newest picture."""
        self._given_lens = lens
        self._camera = camera
        self._known = known
        self._now = _Marking((), None, None)
        self._before: list[_Marking] = []
        self._pictures: deque[Mapping[int, FloatArray]] = deque(maxlen=_PICTURES_KEPT)
        self._looked = 0
        self._lens = lens or typical_lens(image_size)
        self._typed: dict[str, Any] = {}
        self._court = COURTS["us"]

    # ---- what is shown

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Every mark that is asked for, in order."""
        return self._now.marks

    @property
    def asked(self) -> Mark | None:
        """The mark that the next click places; None when all are placed or skipped."""
        return None if self._now.asked is None else self.marks[self._now.asked]

    @property
    def touched(self) -> Mark | None:
        """The mark that the arrow keys move: the one asked for when it is placed, else the last one that was placed."""
        asked = self.asked
        if asked is not None and asked.px is not None:
            return asked
        return None if self._now.touched is None else self.marks[self._now.touched]

    @property
    def expected(self) -> tuple[float, float] | None:
        """Where the mark asked for should be by what is known so far, (x, y) px; None when nothing is known yet."""
        asked, calibration = self.asked, self.outcome.calibration
        if asked is None or asked.px is not None or calibration is None or not calibration.knows_hoop:
            return None
        x, y = project(calibration, asked.world_m)
        return (float(x), float(y)) if np.isfinite([x, y]).all() else None

    @property
    def in_sight(self) -> bool:
        """False when the mark asked for seems to lie outside the picture."""
        calibration = self.outcome.calibration
        if self.asked is None or self.asked.px is not None or calibration is None or not is_good(calibration):
            return True
        place = self.expected
        if place is None:
            return False
        width, height = self.image_size
        return 0 <= place[0] <= width and 0 <= place[1] <= height

    @property
    def court(self) -> Court:
        """The court as the answers have it."""
        return self._court

    # ---- the way and its questions

    def choose_way(self, way: Way) -> None:
        """Begin one of WAYS."""
        self.way, self.stage, self.active, self.complaint = way, "questions", 0, ""
        self.questions = tuple(
            replace(question, value=self._known.get(question.name, question.value))
            for question in _questions(way, self._given_lens is not None)
        )

    def type_text(self, text: str) -> None:
        """Add to the answer that is being typed; what no number has in it is left out."""
        kept = "".join(c for c in text if c in "0123456789.,- ").replace(",", ".")
        question = self.questions[self.active]
        if kept and not question.choices and len(question.value) < 24:
            self._answer(question.value + kept)

    def erase(self) -> None:
        """Take the last character out of the answer that is being typed."""
        if not self.questions[self.active].choices:
            self._answer(self.questions[self.active].value[:-1])

    def turn(self, step: int) -> None:
        """The next or previous choice of the active question."""
        question = self.questions[self.active]
        if question.choices:
            at = question.choices.index(question.value)
            self._answer(question.choices[(at + step) % len(question.choices)])

    def go(self, step: int) -> None:
        """The next or previous question."""
        self.active = (self.active + step) % len(self.questions)

    def ask(self, index: int) -> None:
        """Answer this question next."""
        self.active = index

    def answered(self) -> bool:
        """Go on to the marks, when the answers are in order; else `complaint` says what is wrong."""
        answers = {question.name: question.value.strip() for question in self.questions}
        try:
            self._court = court_named(
                answers.get("court", "us"),
                _number(answers.get("rim", ""), "the rim's height"),
                _number(answers.get("line", ""), "the line's distance"),
            )
            hfov = _number(answers.get("lens", ""), "the lens")
            self._lens = self._given_lens or (
                typical_lens(self.image_size) if hfov is None else typed_lens(self.image_size, hfov)
            )
            marks, self._typed = _begun(self.way, answers, self._court)
            if self.way == "lines" and any(mark.name in _EDGES for mark in self.marks):
                marks += _named(_EDGES, self._court)
        except CalibrationError as error:
            self.complaint = in_words(str(error))
            return False
        self.complaint = ""
        self.stage = "marks"
        self._before = []
        self.look_again()
        self._now = _begin(marks, self.marks)
        self._solve()
        self._look_farther()
        return True

    def _answer(self, value: str) -> None:
        changed = list(self.questions)
        changed[self.active] = replace(changed[self.active], value=value)
        self.questions, self.complaint = tuple(changed), ""

    # ---- marks

    def click(self, px: ArrayLike, grey: ImageArray | None = None) -> None:
        """Place the mark asked for at `px` (2,); with the picture in grey, a click near a sharp corner finds it.

        When none is asked for, the nearest placed one is chosen instead, to be placed anew by the next click.
        """
        if self.stage != "marks" or not self.marks:
            return
        x, y = (float(c) for c in np.asarray(px, dtype=np.float64))
        if self._now.asked is None:
            near = self.nearest((x, y))
            if near is not None:
                self.choose(near)
            return
        mark = self.marks[self._now.asked]
        refined = False
        if grey is not None and mark.name in _REFINED:
            (x, y), refined = refined_click(grey, (x, y))
        self._put(self._now.asked, replace(mark, px=self._inside(x, y), refined=refined, skipped=False), onward=True)

    def place(self, pixels: Mapping[str, ArrayLike]) -> None:
        """Put marks by name where something else than a person has found them; they can be moved like any other."""
        for name, px in pixels.items():
            self.choose(name)
            self.click(px)

    def nudge(self, dx: float, dy: float) -> None:
        """Move the touched mark by so many pixels."""
        mark = self.touched
        if self.stage != "marks" or mark is None or mark.px is None:
            return
        moved = replace(mark, px=self._inside(mark.px[0] + dx, mark.px[1] + dy), refined=False)
        self._put(self.marks.index(mark), moved, onward=False)

    def skip(self) -> None:
        """The mark asked for cannot be seen: take it out and go on."""
        if self.stage == "marks" and self._now.asked is not None:
            mark = replace(self.marks[self._now.asked], px=None, refined=False, skipped=True)
            self._put(self._now.asked, mark, onward=True)

    def choose(self, name: str) -> None:
        """Ask for this mark next."""
        index = next(i for i, mark in enumerate(self.marks) if mark.name == name)
        self._now = replace(self._now, asked=index)

    def step(self, by: int) -> None:
        """Ask for the next or previous mark."""
        if self.marks:
            at = self._now.asked
            index = (0 if by > 0 else len(self.marks) - 1) if at is None else (at + by) % len(self.marks)
            self._now = replace(self._now, asked=index)

    def nearest(self, px: tuple[float, float], within: float = 1 / 40) -> str | None:
        """Name of the placed mark nearest to `px`, when it is within this share of the picture's width."""
        placed = [(float(np.hypot(m.px[0] - px[0], m.px[1] - px[1])), m.name) for m in self.marks if m.px is not None]
        distance, name = min(placed, default=(np.inf, ""))
        return name if distance <= within * self.image_size[0] else None

    def undo(self) -> None:
        """Take the last placing, moving or skipping of a mark back; with the printed target, look anew."""
        if self.way == "target":
            self.look_again()
        elif self._before:
            self._now = self._before.pop()
            self._solve()

    def _inside(self, x: float, y: float) -> tuple[float, float]:
        width, height = self.image_size
        return min(max(x, 0.0), float(width)), min(max(y, 0.0), float(height))

    def _put(self, index: int, mark: Mark, *, onward: bool) -> None:
        self._before.append(self._now)
        marks = (*self.marks[:index], mark, *self.marks[index + 1 :])
        asked = self._now.asked
        if onward:
            open_ones = [i for i, other in enumerate(marks) if other.px is None and not other.skipped]
            later = [i for i in open_ones if i > index]
            asked = (later or open_ones or [None])[0]  # type: ignore[list-item]
        touched = index if mark.px is not None else self._now.touched
        self._now = _Marking(marks, asked, touched)
        self._solve()
        self._look_farther()

    def _look_farther(self) -> None:
        """Ask for the court's edges when the lane does not suffice, and no longer when it does with some of them."""
        calibration = self.outcome.calibration
        enough = calibration is not None and is_good(calibration)
        if enough and self.asked is not None and self.asked.name in _EDGES:
            self._now = replace(self._now, asked=None)
        unseen = self.asked is None and any(mark.skipped for mark in self.marks)
        if not enough and unseen and (edges := self._edges_left()):
            self._now = replace(self._now, marks=(*self.marks, *edges), asked=len(self.marks))
            self._solve()

    def _edges_left(self) -> tuple[Mark, ...]:
        """The court's edges while they were not asked for, those on the side of what was seen first."""
        if self.way != "lines" or any(mark.name in _EDGES for mark in self.marks):
            return ()
        across_m = sum(mark.world_m[0] for mark in self.marks if mark.px is not None)
        return tuple(sorted(_named(_EDGES, self._court), key=lambda mark: mark.world_m[0] * across_m < 0))

    # ---- the printed target

    def look(self, image: ImageArray) -> None:
        """Look for the printed pages in one more picture (BGR or grey); only for the printed target."""
        if self.stage != "marks" or self.way != "target":
            return
        self.pages = find_pages(image)
        self._pictures.append(self.pages)
        self._looked += 1
        if self._looked == 1 or self._looked % _PICTURES_PER_SOLUTION == 0:
            self._solve()
            try:
                check_mirror(self.pages, image)
            except CalibrationError as error:
                self.outcome = Outcome(None, in_words(str(error)), wrong=True)

    def look_again(self) -> None:
        """Forget what was found of the printed target so far."""
        self._pictures.clear()
        self._looked, self.pages = 0, {}
        self.outcome = _NOTHING

    # ---- the end

    def accept(self) -> Calibration | None:
        """The calibration, if there is one; then the wizard is done."""
        if self.stage == "marks" and self.outcome.calibration is not None:
            self.stage = "accepted"
            return self.outcome.calibration
        return None

    def back(self) -> bool:
        """One stage back; False at the beginning."""
        if self.stage == "way":
            return False
        self.stage = "questions" if self.stage == "marks" else "way"
        return True

    def _solve(self) -> None:
        if self.way == "target":
            self.outcome = self._from_target()
        elif self.way == "standing":
            self.outcome = self._from_standing()
        else:
            self.outcome = self._from_marks()

    def _from_marks(self) -> Outcome:
        placed = [PlacedMark(mark.name, mark.world_m, mark.px) for mark in self.marks if mark.px is not None]
        still = FEWEST_MARKS - len(placed)
        if still > 0:
            left = sum(mark.px is None and not mark.skipped for mark in self.marks)
            if still <= left + len(self._edges_left()):
                return Outcome(None, f"{still} more mark{'s' if still > 1 else ''} at least")
            seen = len(placed) + left or "None"
            words = f"{seen} of the {FEWEST_MARKS} marks needed can be seen: {_INSTEAD[self.way]}"
            return Outcome(None, words, wrong=True)
        try:
            marks = ring_as_seen(placed, self._lens, self._court)
            calibration = calibrate_marks(marks, self._lens, self._court, self._camera)
        except CalibrationError as error:
            # few marks on one plane often leave two cameras; the next mark may settle that
            return Outcome(None, in_words(str(error)), wrong=self._now.asked is None or len(placed) > 5)
        return Outcome(calibration, "", worst=_worst(calibration, marks))

    def _from_standing(self) -> Outcome:
        head, feet = self.marks
        if head.px is None or feet.px is None:
            if head.skipped or feet.skipped:
                return Outcome(None, "Head and feet must both be seen: choose another way", wrong=True)
            return Outcome(None, "Stand tall, then click")
        try:
            calibration = calibrate_standing(
                head.px, feet.px, lens=self._lens, court=self._court, camera=self._camera, **self._typed
            )
        except CalibrationError as error:
            return Outcome(None, in_words(str(error)), wrong=True)
        return Outcome(calibration, "")

    def _from_target(self) -> Outcome:
        if not self._pictures:
            return Outcome(None, "Looking for the pages")
        pages = average_pages(list(self._pictures))
        try:
            calibration = calibrate_target(pages, self._lens, court=self._court, camera=self._camera, **self._typed)
        except CalibrationError as error:
            return Outcome(None, in_words(str(error)), wrong=len(pages) >= 3)
        return Outcome(calibration, "")


# ---- words


def in_words(message: str) -> str:
    """A reason of the solver with the marks called as the person knows them."""
    names = "|".join(sorted(WORDS, key=len, reverse=True))
    said = re.sub(rf"\b({names})\b", lambda found: f'"{WORDS[found[0]][0]}"', message)
    for code, words in _CODE_WORDS.items():
        said = said.replace(code, words)
    return said[:1].upper() + said[1:]


def result_words(calibration: Calibration) -> tuple[str, ...]:
    """What a calibration says in short lines for a narrow column; `words.describe` has the whole sentences."""
    x, y, z = camera_centre(calibration)
    side = f"{abs(x):.1f} m to the {'right' if x > 0 else 'left'}" if abs(x) >= 0.05 else "straight"
    facing = "in front of the hoop" if y < 0 else "behind the ring"
    position = calibration.sigma_position_m
    place = f"{position:.1f} m" if position >= 1 else f"{100 * position:.{1 if position < 0.1 else 0}f} cm"
    direction = calibration.sigma_direction_deg
    wide, sure = f"Lens {calibration.hfov_deg:.0f}° wide, ", f"to {100 * calibration.sigma_focal:.1f} %"
    lens = {
        "known": "as given",
        "calibrated": "calibrated",
        "estimated": f"told by the marks {sure}",
        "assumed": f"assumed, {sure}",
    }
    if not calibration.knows_hoop:
        agreement = "The hoop's direction is a guess"
    elif _agree(calibration):
        agreement = f"Marks agree within {calibration.rms_px:.1f} px"
    else:
        agreement = f"Marks agree only within {calibration.rms_px:.1f} px: fix the worst, or does the lens bend lines?"
    return (
        agreement,
        f"Camera {abs(y):.1f} m {facing}, {side}, {z:.2f} m high",
        f"Place sure to ± {place}",
        f"Direction sure to ± {direction:.{2 if direction < 1 else 1 if direction < 10 else 0}f}°",
        wide + lens[calibration.lens],
    )


def is_good(calibration: Calibration) -> bool:
    """Whether every value that needs the hoop can be trusted; else it comes with a wide error or not at all."""
    sure = calibration.sigma_position_m <= _GOOD_POSITION_M and calibration.sigma_direction_deg <= _GOOD_DIRECTION_DEG
    return sure and _agree(calibration) and calibration.knows_hoop


def _agree(calibration: Calibration) -> bool:
    return calibration.rms_px <= _GOOD_RMS * max(calibration.image_size)


# ---- questions


def _questions(way: Way, lens_known: bool) -> tuple[Question, ...]:
    court = Question("court", "Court", "us", tuple(COURTS))
    rim = Question("rim", "Rim height, m (empty: rule book)")
    line = Question("line", "Board to free-throw line, m (empty: rule book)")
    lens = () if lens_known else (Question("lens", "Lens: degrees across (empty: not known)"),)
    if way == "tape":
        places = [Question(f"tape {n}", f"Mark {n}: right, from the ring, height") for n in range(1, TAPE_MARKS + 1)]
        return (*places, rim, *lens)
    if way == "standing":
        return (
            Question("stature", "Stature, m"),
            Question("camera", "The camera is", next(iter(SIDES)), tuple(SIDES)),
            Question("distance", "Player to below the ring, m (empty: free-throw line)"),
            *lens,
        )
    if way == "target":
        return (
            Question("distance", "Page 1 to below the ring, m"),
            Question("side", "Page 1 to page 2, m", "1.5"),
            Question("page 2", "Page 2 is", "nearer to the hoop", ("nearer to the hoop", "farther from it")),
            Question("paper", "Paper", "a4", tuple(SHEETS)),
            rim,
            *lens,
        )
    return (court, rim, line, *lens)


def _begin(marks: tuple[Mark, ...], before: Sequence[Mark]) -> _Marking:
    """The marks, those of the same name placed as they were before the answers changed."""
    old = {mark.name: mark for mark in before}
    kept = tuple(
        replace(mark, px=old[mark.name].px, refined=old[mark.name].refined, skipped=old[mark.name].skipped)
        if mark.name in old
        else mark
        for mark in marks
    )
    asked = next((i for i, mark in enumerate(kept) if mark.px is None and not mark.skipped), None)
    return _Marking(kept, asked, None)


def _number(text: str, what: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise CalibrationError(f"{what} must be one number, got {text!r}") from None
    if not np.isfinite(value):
        raise CalibrationError(f"{what} must be one number, got {text!r}")
    return value


def _needed(text: str, what: str) -> float:
    value = _number(text, what)
    if value is None:
        raise CalibrationError(f"{what} must be given: type it")
    return value


def _begun(way: Way, answers: Mapping[str, str], court: Court) -> tuple[tuple[Mark, ...], dict[str, Any]]:
    """The marks to ask for, and what was typed for the solver of this way. Raises CalibrationError."""
    if way == "tape":
        return _tape_marks(answers), {}
    if way == "target":
        return (), {
            "distance_m": _needed(answers["distance"], "the distance from page 1 to below the ring"),
            "side_m": _needed(answers["side"], "the distance from page 1 to page 2"),
            "toward_hoop": answers["page 2"] == "nearer to the hoop",
            "sheet": SHEETS[answers["paper"]],
        }
    if way == "standing":
        stature = _needed(answers["stature"], "the stature")
        marks = (
            Mark("head", "Top of the head", "upright, without a cap", (0.0, 0.0, stature)),
            Mark("feet", "Between the heels", "on the floor", (0.0, 0.0, 0.0)),
        )
        distance = _number(answers["distance"], "the distance to below the ring")
        return marks, {"stature_m": stature, "side": SIDES[answers["camera"]], "distance_m": distance}
    return _named(_ORDER[way], court), {}


def _tape_marks(answers: Mapping[str, str]) -> tuple[Mark, ...]:
    """The typed places: metres to the shooter's right of the line to the hoop, metres from below the ring, height."""
    marks = []
    for n in range(1, TAPE_MARKS + 1):
        text = answers.get(f"tape {n}", "")
        if not text:
            continue
        parts = text.split()
        if len(parts) not in (2, 3):
            raise CalibrationError(
                f"mark {n} must have two or three numbers (right, from the ring, height; left is -), got {text!r}"
            )
        numbers = [_needed(part, f"each number of mark {n}") for part in parts]
        right, away, height = (*numbers, 0.0)[:3]
        where = f"{abs(right):g} m {'left' if right < 0 else 'right'}, {away:g} m from the ring"
        if height:
            where += f", {height:g} m high"
        marks.append(Mark(f"tape {n}", f"Mark {n}", where, (right, -away, height)))
    if len(marks) < FEWEST_MARKS:
        raise CalibrationError(f"at least {FEWEST_MARKS} marks are needed, got {len(marks)}")
    return tuple(marks)


def _named(names: Sequence[str], court: Court) -> tuple[Mark, ...]:
    """Those of the marks that this court has."""
    places = {**named_marks(court), **crossings(court)}
    return tuple(Mark(name, *WORDS[name], _place(places[name])) for name in names if name in places)


def crossings(court: Court) -> dict[str, FloatArray]:
    """Where lines of the floor meet that the rule books fix but the points file has no name for, (3,) m each."""
    circle, lane, base = court.circle_radius_m, court.lane_width_m / 2, court.baseline_y_m
    corner, radius = court.three_corner_x_m, court.three_radius_m
    right = {"circle": (circle, court.free_throw_y_m), "baseline": (lane, base)}
    right |= {"three": (corner, base), "court": (court.sideline_x_m, base)}
    if corner < _KINK * radius:
        right["arc"] = (corner, -float(np.sqrt(radius**2 - corner**2)))
    if circle == lane:  # on the narrower lanes circle and lane corner are one place
        del right["circle"]
    sides = (("left", -1), ("right", 1))
    return {f"{name}_{side}": np.array([sign * x, y, 0.0]) for name, (x, y) in right.items() for side, sign in sides}


# ---- pixels


def refined_click(grey: ImageArray, px: tuple[float, float]) -> tuple[tuple[float, float], bool]:
    """The corner near a click, (x, y) px, and whether there is one: else the click itself.

    OpenCV's cornerSubPix, started from the click and from its four neighbours with two windows: only a corner to which
    all of them lead, near the click, is taken.
    """
    width = grey.shape[1]
    step = max(1.0, width / 1280)
    found = []
    for window in _WINDOWS:
        half = max(2, round(window * step))
        if not (half + 2 <= px[0] <= width - half - 2 and half + 2 <= px[1] <= grey.shape[0] - half - 2):
            return px, False
        for dx, dy in ((0, 0), (step, 0), (-step, 0), (0, step), (0, -step)):
            # OpenCV counts pixels from the middle of the first one
            start: Any = np.array([[[px[0] + dx - 0.5, px[1] + dy - 0.5]]], dtype=np.float32)
            criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 50, 0.005)
            corner: Any = cv2.cornerSubPix(grey, start, (half, half), (-1, -1), criteria)
            found.append(corner.reshape(2).astype(np.float64) + 0.5)
    corners = np.array(found)
    middle = np.median(corners, axis=0)
    spread = float(np.linalg.norm(corners - middle, axis=1).max())
    jump = float(np.linalg.norm(middle - px))
    if not (spread <= _AGREE * width and jump <= _JUMP * width):
        return px, False
    return (float(middle[0]), float(middle[1])), True


def ring_as_seen(marks: Sequence[PlacedMark], lens: Lens, court: Court) -> tuple[PlacedMark, ...]:
    """The marks with the ring's left and right at the places that this camera sees farthest left and right.

    Nobody can see where the ring is left for the shooter, only where it ends in the picture; seen from 30 degrees aside
    these are 3 cm apart. The places hang on the camera, so they are found in turn with it.
    """
    if not any(mark.name in _RING for mark in marks):
        return tuple(marks)
    angles = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radius, rim = court.ring_radius_m, court.rim_height_m
    ring = np.column_stack([radius * np.cos(angles), radius * np.sin(angles), np.full(len(angles), rim)])
    seen = tuple(marks)
    for _ in range(3):
        poses = solutions(Problem.of(seen, lens))
        found = [pose for pose in poses if pose.centre[2] > 0 and pose.centre[1] < court.board_y_m]
        if not found:
            return tuple(marks)
        in_camera = ring @ found[0].R.T + found[0].t
        across = in_camera[:, 0] / in_camera[:, 2]
        ends = {"ring_left": int(across.argmin()), "ring_right": int(across.argmax())}
        seen = tuple(
            replace(mark, world_m=_place(ring[ends[mark.name]])) if mark.name in ends else mark for mark in seen
        )
    return seen


def _worst(calibration: Calibration, marks: Sequence[PlacedMark]) -> str:
    places = np.array([mark.world_m for mark in marks])
    seen = np.array([mark.px for mark in marks])
    off = np.linalg.norm(project(calibration, places) - seen, axis=1)
    return marks[int(np.nanargmax(off))].name


def _place(point: FloatArray) -> tuple[float, float, float]:
    return float(point[0]), float(point[1]), float(point[2])
