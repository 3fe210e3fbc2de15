"""The camera's picture, scaled, with the shooter and the ball drawn on it. Arrays in, arrays out; colours are RGB."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np

from .records import Ball, FloatArray, ImageArray, Pose
from .skeleton import BONES, INDEX

Colour = tuple[int, int, int]

SEEN = 0.5
"""Below this visibility the network is guessing where a joint is; such limbs are drawn thin and pale."""
_SHIFT = 4  # cv2 takes coordinates in sixteenths of a pixel, so that slow limbs glide and do not jump
_SHOULDERS = [INDEX["left_shoulder"], INDEX["right_shoulder"]]
_HIPS = [INDEX["left_hip"], INDEX["right_hip"]]
_EARS = [INDEX["left_ear"], INDEX["right_ear"]]
_ROUND_JOINTS = [
    INDEX[f"{side}_{name}"]
    for side in ("left", "right")
    for name in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")
]


@dataclass(frozen=True, slots=True)
class Ink:
    """Colours of what is drawn on the picture."""

    limbs: Colour
    unseen: Colour
    joints: Colour
    ball: Colour
    outline: Colour


def scaled(image: ImageArray, width: int, height: int) -> ImageArray:
    """A new picture of exactly this size."""
    shrinks_much = width * 2 <= image.shape[1]
    method = cv2.INTER_AREA if shrinks_much else cv2.INTER_LINEAR
    if (image.shape[1], image.shape[0]) == (width, height):
        return image.copy()
    return cast(ImageArray, cv2.resize(image, (width, height), interpolation=method))


def draw_people(
    canvas: ImageArray,
    pose: Pose | None,
    ball: Ball | None,
    source_size: tuple[int, int],
    ink: Ink,
    *,
    thick: float,
) -> None:
    """Draw on `canvas` (BGR, in place) what lies at these places of a picture of `source_size` (width, height).

    Limbs are `thick` pixels of the canvas wide.
    """
    scale = np.array([canvas.shape[1], canvas.shape[0]]) / np.array(source_size)
    edge = max(1.0, 0.3 * thick)
    if pose is not None:
        _draw_body(canvas, pose.landmarks_px * scale, pose.visibility, thick, edge, ink)
    if ball is not None:
        radius = max(ball.radius_px * float(scale.mean()), 1.5 * thick)
        _ring(canvas, ball.centre_px * scale, radius, 0.7 * thick, edge, ink.ball, ink.outline)


def draw_guides(
    canvas: ImageArray,
    lines: Sequence[FloatArray],
    source_size: tuple[float, float],
    colour: Colour,
    outline: Colour,
    *,
    thick: float,
) -> None:
    """Draw polylines (N, 2), pixels of a picture of `source_size` (width, height), on `canvas` (BGR, in place)."""
    scale = np.array([canvas.shape[1], canvas.shape[0]]) / np.array(source_size)
    # pixel centres lie at whole numbers for cv2 and at halves for us; far-off points would overflow its 32 bits
    fixed = [
        np.round(np.clip((line * scale - 0.5) * (1 << _SHIFT), -(1 << 20), 1 << 20)).astype(np.int32) for line in lines
    ]
    for width, ink in ((thick + max(2.0, 0.6 * thick), outline), (thick, colour)):
        cv2.polylines(canvas, fixed, False, _bgr(ink), max(1, round(width)), cv2.LINE_AA, _SHIFT)


def _draw_body(
    canvas: ImageArray, points: FloatArray, visibility: FloatArray, thick: float, edge: float, ink: Ink
) -> None:
    neck, head = points[_SHOULDERS].mean(axis=0), points[_EARS].mean(axis=0)
    trunk = float(np.linalg.norm(neck - points[_HIPS].mean(axis=0)))
    # between the ears in a front view it would do, but from the side they coincide
    head_radius = max(0.6 * float(np.linalg.norm(points[_EARS[0]] - points[_EARS[1]])), 0.19 * trunk, thick)
    to_neck = neck - head
    chin = head + to_neck * min(1.0, head_radius / max(float(np.linalg.norm(to_neck)), 1e-9))
    limbs = [(points[a], points[b], min(visibility[a], visibility[b]) >= SEEN) for a, b in BONES]
    limbs.append((chin, neck, True))
    for a, b, seen in limbs:
        if not seen:
            _line(canvas, a, b, 0.35 * thick, ink.unseen)
    for a, b, seen in limbs:
        if seen:
            _line(canvas, a, b, thick + 2 * edge, ink.outline)
    _ring(canvas, head, head_radius, 0.7 * thick, edge, ink.limbs, ink.outline)
    for a, b, seen in limbs:
        if seen:
            _line(canvas, a, b, thick, ink.limbs)
    for joint in _ROUND_JOINTS:
        if visibility[joint] >= SEEN:
            _disc(canvas, points[joint], 0.42 * thick, ink.joints)


def _fixed(point: FloatArray) -> tuple[int, int]:
    # pixel centres lie at whole numbers for cv2 and at halves for us; far-off points would overflow its 32 bits
    x, y = np.clip((point - 0.5) * (1 << _SHIFT), -(1 << 20), 1 << 20)
    return round(float(x)), round(float(y))


def _bgr(colour: Colour) -> Colour:
    return colour[2], colour[1], colour[0]


def _line(canvas: ImageArray, a: FloatArray, b: FloatArray, thick: float, colour: Colour) -> None:
    cv2.line(canvas, _fixed(a), _fixed(b), _bgr(colour), max(1, round(thick)), cv2.LINE_AA, _SHIFT)


def _disc(canvas: ImageArray, centre: FloatArray, radius: float, colour: Colour) -> None:
    cv2.circle(canvas, _fixed(centre), round(radius * (1 << _SHIFT)), _bgr(colour), cv2.FILLED, cv2.LINE_AA, _SHIFT)


def _ring(
    canvas: ImageArray, centre: FloatArray, radius: float, thick: float, edge: float, colour: Colour, outline: Colour
) -> None:
    at, fixed_radius = _fixed(centre), round(min(radius, 1e4) * (1 << _SHIFT))
    for width, ink in ((thick + 2 * edge, outline), (thick, colour)):
        cv2.circle(canvas, at, fixed_radius, _bgr(ink), max(1, round(width)), cv2.LINE_AA, _SHIFT)
