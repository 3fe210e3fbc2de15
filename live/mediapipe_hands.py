"""The hand networks for a close view: MediaPipe's HandLandmarker round the raised hands of each person that is seen."""

from __future__ import annotations

import threading
import weakref
from dataclasses import replace
from math import dist
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from . import pose_model
from .body import hand_centre, point
from .errors import PoseModelError
from .mediapipe_pose import MediapipePose, one_line, without_log_noise
from .records import FloatArray, Frame, Hand, ImageArray, Pose
from .settings import Settings, data_folder
from .skeleton import Side

_REACH = 1.0
"""What is looked at round each palm, in lengths of the forearm or the width of the shoulders, whichever is longer.

Of renders at 1.5 m each hand alone was found on the ball in 22 of 22 pictures from the view that shows it, both in one
crop in 17.
"""
_LEAST_PX = 48
"""A smaller part of the picture shows no fingers."""
_LEAST_FOUND = 0.3
"""The network's belief from which a palm is looked at; a ball hides much of it, so less than the usual 0.5."""


def estimator_for(settings: Settings, model: Path) -> MediapipePose:
    """The networks that the settings ask for. Raises PoseModelError when a bundle is missing or damaged."""
    if not settings.pose.close:
        return MediapipePose(model)
    return CloseView(model, pose_model.hands_path(data_folder(settings)))


class CloseView(MediapipePose):
    """MediapipePose that also looks at hands above the shoulders, where they set and release a ball.

    Hands that hang cost nothing. Each picture is looked at by itself: the crop moves with the hands.
    """

    def __init__(self, model: Path, hands: Path) -> None:
        """Check both bundles. Raises PoseModelError when one is missing or damaged."""
        super().__init__(model)
        pose_model.check_hands(hands)
        self._hands_model = hands
        self._hands_lock = threading.Lock()
        self._landmarker_of_hands: list[Any] = []
        self._finish_hands = weakref.finalize(self, _close, self._landmarker_of_hands)

    def warm_up(self, people: int = 1) -> None:
        """Load all networks and run them once."""
        super().warm_up(people)
        self._look(np.zeros((192, 192, 3), np.uint8))

    def estimate(self, frame: Frame, people: int) -> tuple[Pose, ...]:
        """As MediapipePose, with the hands that were found. Raises PoseModelError when a network fails."""
        return tuple(replace(pose, hands=self._hands(frame, pose)) for pose in super().estimate(frame, people))

    def close(self) -> None:
        """Free the networks; may be called twice."""
        super().close()
        with self._hands_lock:
            self._finish_hands()

    def _hands(self, frame: Frame, pose: Pose) -> tuple[Hand, ...]:
        """The hand nearest to each palm of the pose, each once."""
        hands: list[Hand] = []
        for palm, (x0, y0, x1, y1) in round_hands(pose, frame.size):
            found = self._look(frame.image[y0:y1, x0:x1])
            seen = [
                _hand(marks, sort, (x0, y0, x1, y1))
                for marks, sort in zip(found.hand_landmarks, found.handedness, strict=True)
            ]
            nearest = min(
                (hand for hand in seen if hand is not None), key=lambda hand: dist(_palm(hand), palm), default=None
            )
            if nearest is not None and all(dist(_palm(nearest), _palm(hand)) > _length(hand) / 2 for hand in hands):
                hands.append(nearest)
        return tuple(hands)

    def _look(self, image: ImageArray) -> Any:
        import mediapipe

        rgb = np.ascontiguousarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB))
        picture = mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=rgb)
        with self._hands_lock:
            if not self._finish_hands.alive:
                raise PoseModelError("the hand network was closed; make a new one")
            try:
                if not self._landmarker_of_hands:
                    with without_log_noise():
                        self._landmarker_of_hands.append(self._load())
                        return self._landmarker_of_hands[0].detect(picture)
                return self._landmarker_of_hands[0].detect(picture)
            except (RuntimeError, ValueError, OSError) as error:
                raise PoseModelError(
                    f"the hand network must run on each picture, it failed ({one_line(error)}); run `rimward setup`"
                ) from None

    def _load(self) -> Any:
        from mediapipe.tasks.python import BaseOptions, vision

        options = vision.HandLandmarkerOptions(
            base_options=BaseOptions(model_asset_buffer=self._hands_model.read_bytes()),
            running_mode=vision.RunningMode.IMAGE,
            num_hands=2,
            min_hand_detection_confidence=_LEAST_FOUND,
        )
        return vision.HandLandmarker.create_from_options(options)


def round_hands(pose: Pose, size: tuple[int, int]) -> list[tuple[FloatArray, tuple[int, int, int, int]]]:
    """Centre of each palm and (x0, y0, x1, y1) round it in a picture of (width, height); empty while no hand is above
    the shoulders.
    """
    sides: tuple[Side, Side] = ("left", "right")
    if min(point(pose, f"{side}_wrist")[1] for side in sides) >= min(
        point(pose, f"{side}_shoulder")[1] for side in sides
    ):
        return []
    forearms = [dist(point(pose, f"{side}_elbow"), point(pose, f"{side}_wrist")) for side in sides]
    reach = _REACH * max(*forearms, dist(point(pose, "left_shoulder"), point(pose, "right_shoulder")))
    out = []
    for side in sides:
        palm = hand_centre(pose, side)
        corners = np.clip(np.array([palm - reach, palm + reach]), 0, size).round().astype(int)
        (x0, y0), (x1, y1) = corners.tolist()
        if min(x1 - x0, y1 - y0) >= _LEAST_PX:
            out.append((palm, (x0, y0, x1, y1)))
    return out


def _palm(hand: Hand) -> FloatArray:
    palm: FloatArray = hand.landmarks_px[[0, 5, 17]].mean(0)
    return palm


def _length(hand: Hand) -> float:
    return dist(hand.landmarks_px[0], hand.landmarks_px[9])


def _hand(marks: list[Any], sort: list[Any], box: tuple[int, int, int, int]) -> Hand | None:
    x0, y0, x1, y1 = box
    places = np.array([(mark.x, mark.y) for mark in marks]) * (x1 - x0, y1 - y0) + (x0, y0)
    if not np.isfinite(places).all():
        return None
    return Hand(places, "left" if sort[0].category_name == "Left" else "right", float(sort[0].score))


def _close(landmarkers: list[Any]) -> None:
    with without_log_noise():
        for landmarker in landmarkers:
            landmarker.close()
    landmarkers.clear()
