"""The records that flow through the program, in the order in which they are made.

Frame -> Pose + Ball -> Observation -> (phase) -> Rep with Measurements and Findings -> Feedback with at most one Cue.
All are frozen and validated where they are made. Pixels are continuous, (0, 0) is the top-left corner of the image, x
to the right and y down. Times are seconds on the source's own monotonic clock; a clip starts at 0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .skeleton import COUNT, Side

FloatArray = NDArray[np.float64]
ImageArray = NDArray[np.uint8]


def require_shape(name: str, array: NDArray[np.generic], shape: tuple[int | None, ...]) -> None:
    """Raise ValueError unless `array` has this shape; None stands for any length."""
    fits = array.ndim == len(shape) and all(
        want is None or want == got for want, got in zip(shape, array.shape, strict=True)
    )
    if not fits:
        wanted = "(" + ", ".join("n" if n is None else str(n) for n in shape) + ")"
        raise ValueError(f"{name} must have shape {wanted}, got {array.shape}")


def require_finite(name: str, value: float) -> None:
    """Raise ValueError unless `value` is a finite number."""
    if not np.isfinite(value):
        raise ValueError(f"{name} must be a finite number, got {value}")


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture and the instant at which it was taken."""

    index: int
    """Counts the frames that the source handed over, from 0."""
    t_s: float
    """Stamped at the grab (camera) or read from the container (clip)."""
    image: ImageArray
    """(height, width, 3), BGR."""

    def __post_init__(self) -> None:
        require_shape("image", self.image, (None, None, 3))
        require_finite("t_s", self.t_s)

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) in pixels."""
        return self.image.shape[1], self.image.shape[0]


@dataclass(frozen=True, slots=True)
class SourceTrouble:
    """Said by a source in place of a frame: the camera is missing, black, frozen... The session goes on."""

    t_s: float
    message: str
    """One sentence for the screen: what is wrong and what to do."""


@dataclass(frozen=True, slots=True)
class SourceInfo:
    """What a source turned out to be."""

    name: str
    width: int
    height: int
    rate_hz: float
    """Frames a second that the device or file claims; 0 when it does not say."""
    live: bool
    """True for a camera: frames come at their own pace and old ones are dropped."""
    frame_count: int | None = None
    """Claimed by the file; None for a camera."""


@dataclass(frozen=True, slots=True, eq=False)
class Hand:
    """One hand's landmarks in one picture, as a close view shows them (order: hands.NAMES)."""

    landmarks_px: FloatArray
    """(21, 2)."""
    side: Side
    """Which hand the network takes it for; on a ball it is often wrong."""
    score: float
    """0..1: how sure the network is of the side."""

    def __post_init__(self) -> None:
        require_shape("landmarks_px", self.landmarks_px, (21, 2))
        if not np.isfinite(self.landmarks_px).all():
            raise ValueError("landmarks_px must be finite; drop the hand instead")


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """One person's landmarks in one picture (order: skeleton.NAMES)."""

    landmarks_px: FloatArray
    """(33, 2)."""
    visibility: FloatArray
    """(33,), the network's own 0..1; it stays high on swapped arms, so it is a hint, not a truth."""
    depth_px: FloatArray
    """(33,), the network's z relative to the hips in pixels, positive away from the camera. Weak: its sign at most."""
    hands: tuple[Hand, ...] = ()
    """Of the raised hands in a close view, in no order; empty where nobody looked for them."""

    def __post_init__(self) -> None:
        require_shape("landmarks_px", self.landmarks_px, (COUNT, 2))
        require_shape("visibility", self.visibility, (COUNT,))
        require_shape("depth_px", self.depth_px, (COUNT,))
        if not np.isfinite(self.landmarks_px).all():
            raise ValueError("landmarks_px must be finite; drop the pose instead")


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """A frame and who was seen in it."""

    frame: Frame
    people: tuple[Pose, ...]
    people_asked: int
    """How many the network was asked for, 1 or 2."""
    looked_s: float = 0.0
    """How long the network took."""


@dataclass(frozen=True, slots=True, eq=False)
class Ball:
    """The ball in one picture."""

    centre_px: FloatArray
    """(2,)."""
    radius_px: float
    score: float
    """0..1: how much of the disc looks like the ball."""

    def __post_init__(self) -> None:
        require_shape("centre_px", self.centre_px, (2,))
        if not (np.isfinite(self.centre_px).all() and np.isfinite(self.radius_px) and self.radius_px > 0):
            raise ValueError(
                f"a ball needs a finite centre and a radius above 0, got {self.centre_px}, {self.radius_px}"
            )


@dataclass(frozen=True, slots=True, eq=False)
class Observation:
    """What was seen at one instant: the shooter and the ball, each None when not seen."""

    index: int
    t_s: float
    pose: Pose | None
    ball: Ball | None


class Phase(StrEnum):
    """Where in the shot the player is, as far as can be told at once (the rep itself is read again afterwards)."""

    WAITING = "waiting"
    HOLDING = "holding"
    DIP = "dip"
    RISE = "rise"
    SET = "set"
    RELEASE = "release"
    FOLLOW_THROUGH = "follow_through"
    LANDED = "landed"


Basis = Literal["image", "lifted", "ball", "timing"]
Verdict = Literal["in_band", "below", "above", "unsure"]
Motion = Literal["one_motion", "two_motion"]
ReleasePhase = Literal["rising", "peak", "falling"]
Result = Literal["made", "missed"]


@dataclass(frozen=True, slots=True)
class Measurement:
    """A value with its own error, or None with the reason why this view cannot give it. Never a guess."""

    value: float | None
    sigma: float | None = None
    """One standard deviation of the measurement's own error, in the unit of the value."""
    basis: Basis | None = None
    reason: str | None = None

    def __post_init__(self) -> None:
        if self.value is None:
            if not self.reason or self.sigma is not None or self.basis is not None:
                raise ValueError("a measurement without a value must have a reason, and neither sigma nor basis")
            return
        require_finite("value", self.value)
        if self.sigma is None or self.basis is None or self.reason is not None:
            raise ValueError("a measurement with a value must have sigma and basis, and no reason")
        if not (np.isfinite(self.sigma) and self.sigma > 0):
            raise ValueError(f"sigma must be above 0, got {self.sigma}")

    @classmethod
    def missing(cls, reason: str) -> Measurement:
        """Not measurable here, and why."""
        return cls(None, reason=reason)


@dataclass(frozen=True, slots=True)
class Band:
    """Where a measurement should lie, and where that claim comes from."""

    low: float | None
    high: float | None
    label: str
    """physics | paper | dataset | common practice | starting point | own | coach"""
    source: str

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("a band needs a low or a high end")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"a band's low end must be below its high end, got {self.low} and {self.high}")

    def holds(self, value: float) -> bool:
        """Whether a value lies in it, ends and all."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class Finding:
    """What a check says of one measurement."""

    check: str
    verdict: Verdict
    measurement: str
    excess_sigmas: float = 0.0
    """How far beyond where a fault begins to count, in standard deviations of the measurement's error; else 0."""

    def __post_init__(self) -> None:
        require_finite("excess_sigmas", self.excess_sigmas)


@dataclass(frozen=True, slots=True)
class Events:
    """The instants of one shot (interface definitions), None when not seen."""

    pickup_s: float | None
    dip_s: float | None
    knee_min_s: float | None
    set_s: float
    release_s: float
    apex_s: float | None
    landing_s: float | None

    def __post_init__(self) -> None:
        for instant in ("pickup_s", "dip_s", "knee_min_s", "set_s", "release_s", "apex_s", "landing_s"):
            if (t_s := getattr(self, instant)) is not None:
                require_finite(instant, t_s)
        if not self.set_s < self.release_s:
            raise ValueError(f"set must come before release, got {self.set_s} and {self.release_s}")


class Tone(StrEnum):
    """Short sounds; each has a WAV file of its own name in sounds/."""

    COUNT = "count"
    """A rep was counted and there is nothing to say."""
    IN_BAND = "in_band"
    """The check that was worked on is inside its band."""
    OUT_OF_BAND = "out_of_band"
    HIGH = "high"
    LOW = "low"
    MADE = "made"
    CONFIRM = "confirm"
    """A gesture or key was understood."""
    HOLD = "hold"
    """Repeated without a seam for as long as the ball is held at the set point; never the tone of a Feedback."""


@dataclass(frozen=True, slots=True)
class Cue:
    """One action, in a few words."""

    text: str
    check: str

    def __post_init__(self) -> None:
        if not 1 <= len(self.text.split()) <= 6:
            raise ValueError(f"a cue must have one to six words, got {self.text!r}")


@dataclass(frozen=True, slots=True)
class Feedback:
    """What player and coach hear and see after a rep: always a tone, at most one cue."""

    t_s: float
    tone: Tone
    cue: Cue | None = None
    praise: str | None = None
    """A word on a fault that is mended; never with a cue."""
    prompt: str | None = None
    """What the drill says: rest, the next spot, done."""
    withheld: bool = False
    """This rep goes without feedback by plan: neither sign nor values are shown."""

    @property
    def spoken(self) -> str | None:
        """Everything that is said aloud."""
        said = [text for text in (self.cue and self.cue.text, self.praise, self.prompt) if text]
        return ". ".join(said) or None

    @property
    def shown(self) -> str | None:
        """The words on the screen until the next rep."""
        return self.praise if self.cue is None else self.cue.text


@dataclass(frozen=True, slots=True)
class Rep:
    """One shot, measured and judged."""

    index: int
    """Counts from 1 within the session."""
    hand: Side
    events: Events
    motion: Motion | None
    release_phase: ReleasePhase | None
    measurements: Mapping[str, Measurement]
    findings: tuple[Finding, ...] = ()
    cue: Cue | None = None
    result: Result | None = None
    praise: str | None = None
    """What was said of a fault that is mended."""
    answer: str | None = None
    """What was said when somebody asked what this rep was like; empty for a tone alone, None where nobody asked."""

    def __post_init__(self) -> None:
        if self.index < 1:
            raise ValueError(f"a rep's index must be 1 or more, got {self.index}")
        object.__setattr__(self, "measurements", MappingProxyType(dict(self.measurements)))

    def __reduce__(self) -> tuple[Callable[..., Rep], tuple[object, ...]]:
        """To another process: a read-only mapping does not travel by itself."""
        values = (getattr(self, each.name) for each in fields(self))
        return Rep, tuple(dict(value) if isinstance(value, Mapping) else value for value in values)


class Mark(StrEnum):
    """The plain sign for the last rep: shape and words as well as colour."""

    IN_BAND = "in_band"
    OUT_OF_BAND = "out_of_band"
    UNSURE = "unsure"


class Scene(StrEnum):
    """Which screen is shown."""

    PRACTICE = "practice"
    SET_UP = "set_up"
    """Before the first rep: what is wrong with the view, and what to move."""
    REST = "rest"
    """The drill's rest, with its clock."""
    STATION = "station"
    """Between the shots at a station: everybody's counts in place of the picture."""
    CAUTIONS = "cautions"
    """As somebody's first turn at a station begins: the name, and what everybody should have read."""
    END = "end"
    """The session is over and saved."""


class Sight(StrEnum):
    """Something that the view must give."""

    BODY = "body"
    DISTANCE = "distance"
    LIGHT = "light"
    RATE = "rate"
    LEVEL = "level"
    SIDE = "side"


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing about the view."""

    sight: Sight
    good: bool
    words: str
    """What is right, or what to do, in a few words."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One player's row in the table of a station."""

    name: str
    reps: int
    goal: int | None = None
    """Reps, or makes where `of_makes` is set."""
    makes: int | None = None
    """None while no result is known."""
    of_makes: bool = False
    turn: bool = False
    """Shoots now."""

    @property
    def towards(self) -> int:
        """What counts toward the goal."""
        return (self.makes or 0) if self.of_makes else self.reps


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Everything that the screen shows at one instant. The screen only draws; it decides nothing."""

    t_s: float
    image: ImageArray | None
    """The camera's picture (height, width, 3) BGR, or None while there is none."""
    pose: Pose | None = None
    ball: Ball | None = None
    phase: Phase = Phase.WAITING
    count: int = 0
    cue: str | None = None
    """The words of the last cue, until the next rep."""
    mark: Mark | None = None
    """Sign of the last rep."""
    status: str = ""
    """One plain sentence: waiting for you, tracking, cannot see your feet, camera unplugged..."""
    trouble: bool = False
    """The status needs the person to act."""
    notice: str = ""
    """What stays wrong meanwhile and must not be forgotten, small: reps wait for room on the disk."""
    title: str = ""
    """Who shoots, and what is practised."""
    player: str = ""
    """Whose turn it is at a station, to be read from afar."""
    goal: str = ""
    """The spot or drill with the way to its goal, to be read from afar."""
    lines: tuple[str, ...] = field(default=())
    """A few values of the last rep, small, for the coach who stands near."""
    guides: tuple[FloatArray, ...] = ()
    """Polylines (N, 2) in pixels of the picture to draw over it: the court and the line to the hoop, on request."""
    prompt: str = ""
    """Words that take the big place for now: a signal that is being held, the answer to it, paused."""
    answers: bool = False
    """The prompt answers a key or the arms: what else would take the big place waits."""
    progress: float | None = None
    """0..1 of the time that the signal must be held; None while none is."""
    tally: str = ""
    """A few words below the count: makes, as far as they are known."""
    sound_off: bool = False
    scene: Scene = Scene.PRACTICE
    advice: tuple[Advice, ...] = ()
    """On the view, the most pressing first; shown in Scene.SET_UP."""
    board: tuple[Standing, ...] = ()
    """Everybody at the station, in the order of their turns."""
    clock: tuple[int, int] | None = None
    """(seconds to go, seconds in all) of a rest, or of the player's turn at a station."""
    photo: bool = True
    """False: the camera's picture is not shown, only the skeleton (privacy)."""
