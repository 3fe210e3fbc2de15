"""One plain sentence on what the program sees, and whether the player must do something about it. Pure."""

from __future__ import annotations

from .body import in_picture, seen
from .records import Ball, Phase, Pose
from .words import Words, text

_FEET = ("left_ankle", "right_ankle", "left_foot_index", "right_foot_index")
_NO_BODY_S = 0.7
_NO_BALL_S = 6.0


def status(
    pose: Pose | None,
    ball: Ball | None,
    phase: Phase,
    size: tuple[int, int],
    body_missing_s: float,
    ball_missing_s: float,
    words: Words,
    close: bool = False,
) -> tuple[str, bool]:
    """(sentence, needs the player to act). The times say how long each has not been seen; size is (width, height).

    A `close` view asks for no feet.
    """
    if pose is None:
        if body_missing_s > _NO_BODY_S:
            return text(words, "no_body"), True
        return text(words, phase.value), False
    if phase in (Phase.WAITING, Phase.HOLDING):
        if not close and not (in_picture(pose, size, *_FEET) and seen(pose, "left_ankle") | seen(pose, "right_ankle")):
            return text(words, "no_feet"), False
        if ball is None and ball_missing_s > _NO_BALL_S:
            return text(words, "no_ball"), False
    return text(words, phase.value), False
