"""Stand tall, arms out: the set-up pose is noticed by itself, and held still for two seconds gives the limb lengths.

Pure: poses and times in, lengths and words out. It needs to know where the camera stands, for lengths are metres, and
what it reads from the picture (calibration/limbs.py) is true only for a player who faces the camera.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from rimward.calibration.errors import CalibrationError
from rimward.calibration.limbs import LANDMARKS, Length, limb_lengths
from rimward.calibration.record import Calibration

from .angles import internal_deg
from .anthropometry import LENGTHS
from .body import in_picture, point, seen, stature_px
from .records import FloatArray, Pose, View
from .skeleton import INDEX
from .words import Words, text

HOLD_S: Final = 2.0
_SHOWN_AFTER_S: Final = 0.4
"""A pose that is only passed through is not spoken of."""
_WORDS_S: Final = 5.0
_GAP_S: Final = 0.3
"""For so long the pose may be missed, by one badly placed landmark, and still count as held."""
_LEVEL: Final = 0.10
"""How far wrists and elbows may be above or below the shoulders, share of the stature."""
_LEAST_ARM: Final = 0.17
"""Of the stature, from shoulder to wrist in the picture; a facing player has 0.29 to 0.33."""
_STRAIGHT_ARM_DEG, _STRAIGHT_LEG_DEG = 150.0, 160.0
_STILL: Final = 0.025
"""How far any joint may be from where it is mostly, share of the stature."""
_WATCHED: Final = [INDEX[f"{side}_{joint}"] for side in ("left", "right") for joint in ("shoulder", "elbow", "wrist")]


def stands_arms_out(pose: Pose, size: tuple[int, int]) -> bool:
    """Whether the picture of (width, height) shows a whole upright body, both arms straight out at shoulder height."""
    height = stature_px(pose)
    if height is None or not (seen(pose, *LANDMARKS) and in_picture(pose, size, *LANDMARKS)):
        return False
    outward = np.sign(point(pose, "left_shoulder")[0] - point(pose, "right_shoulder")[0])
    for side, way in (("left", outward), ("right", -outward)):
        shoulder, elbow, wrist, hip, knee, ankle = (
            point(pose, f"{side}_{joint}") for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")
        )
        level = max(abs(wrist[1] - shoulder[1]), abs(elbow[1] - shoulder[1])) < _LEVEL * height
        out = (wrist[0] - shoulder[0]) * way > _LEAST_ARM * height
        if not (level and out and shoulder[1] < hip[1] < knee[1] < ankle[1]):
            return False
        if (
            internal_deg(shoulder, elbow, wrist) < _STRAIGHT_ARM_DEG
            or internal_deg(hip, knee, ankle) < _STRAIGHT_LEG_DEG
        ):
            return False
    return True


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a pose that was held."""

    measured: bool
    line: str
    """For people who want to know exactly."""


@dataclass(slots=True)
class SetUp:
    """Limb lengths of the player of this session. Feed every frame in order of time."""

    stature_m: float
    words: Words
    lengths: Mapping[str, Length] = field(default_factory=dict)
    """By limb; empty until the pose was held."""
    _held: deque[tuple[float, FloatArray]] = field(default_factory=deque)
    _last_s: float | None = None
    """When the pose was seen last."""
    _done: bool = False
    """This pose has had its answer; the arms must come down before the next."""
    _said: tuple[float, str] | None = None

    def look(self, t_s: float, pose: Pose | None, calibration: Calibration, idle: bool) -> Answer | None:
        """Take in one instant; returns what came of it when a pose was held for long enough.

        `idle` is False while somebody shoots: then nothing is looked for.
        """
        if not idle:
            self._forget()
            return None
        if pose is None or not stands_arms_out(pose, calibration.image_size):
            if self._last_s is not None and t_s - self._last_s > _GAP_S:
                self._forget()
            return None
        self._last_s = t_s
        if self._done:
            return None
        self._held.append((t_s, pose.landmarks_px))
        height = stature_px(pose) or float(calibration.image_size[1])
        while not self._still(_STILL * height):
            self._held.popleft()
        if self._held_s < HOLD_S:
            return None
        self._done = True
        return self._measure(t_s, calibration)

    def dressed(self, view: View) -> View:
        """The view with progress, result or complaint; what else there is to say goes first."""
        if view.trouble or view.prompt:
            return view
        if not self._done and self._held_s >= _SHOWN_AFTER_S:
            progress = min(1.0, self._held_s / HOLD_S)
            return replace(view, prompt=text(self.words, "arms_out"), answers=True, progress=progress)
        if self._said is not None and 0 <= view.t_s - self._said[0] < _WORDS_S:
            return replace(view, prompt=self._said[1], answers=True)
        return view

    def lengths_m(self, stature_sigma: float) -> dict[str, tuple[float, float]]:
        """(metres, one standard deviation) of each limb that was measured, together with what people of this stature
        usually have; `stature_sigma` is relative. Empty before the pose.
        """
        known = {}
        for limb, length in self.lengths.items():
            usual = LENGTHS[limb]
            weights = np.array([1 / (usual.spread**2 + stature_sigma**2), (length.value_m / length.sigma_m) ** 2])
            logs = np.log([usual.share * self.stature_m, length.value_m])
            value = float(np.exp(weights @ logs / weights.sum()))
            known[limb] = value, value / float(np.sqrt(weights.sum()))
        return known

    @property
    def _held_s(self) -> float:
        return self._held[-1][0] - self._held[0][0] if self._held else 0.0

    def _still(self, limit_px: float) -> bool:
        places = np.stack([landmarks[_WATCHED] for _, landmarks in self._held])
        return bool(np.linalg.norm(places - np.median(places, axis=0), axis=-1).max() <= limit_px)

    def _forget(self) -> None:
        self._held.clear()
        self._last_s, self._done = None, False

    def _measure(self, t_s: float, calibration: Calibration) -> Answer:
        landmarks = np.stack([landmarks for _, landmarks in self._held])
        try:
            found = limb_lengths({name: landmarks[:, INDEX[name]] for name in LANDMARKS}, calibration, self.stature_m)
        except CalibrationError as error:
            advice = str(error).rpartition(": ")[2]
            self._said = t_s, text(self.words, "no_limbs", advice=f"{advice[:1].upper()}{advice[1:]}")
            return Answer(False, f"Arms out, not measured: {error}.")
        self.lengths = found
        each = {limb: f"{100 * one.value_m:.0f}" for limb, one in found.items()}
        self._said = t_s, text(self.words, "limbs", **each)
        with_error = ", ".join(
            f"{limb.replace('_', ' ')} {100 * one.value_m:.1f} \N{PLUS-MINUS SIGN} {100 * one.sigma_m:.1f}"
            for limb, one in found.items()
        )
        return Answer(True, f"Limb lengths measured, cm: {with_error}.")
