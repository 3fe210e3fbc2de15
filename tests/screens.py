"""Draw every state of the window into PNG files, to be looked at: python tests/screens.py CLIP FOLDER.

CLIP is a clip of the studio with its .npz beside it (tests/studio makes such clips): the skeleton and the ball come
from there. Each picture is also written at a quarter of its size, which is about what a player sees from 4 m.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")

import cv2
import numpy as np
import pygame

from rimward.live.cautions import CAUTIONS
from rimward.live.records import Advice, Ball, Mark, Phase, Pose, Scene, Sight, Standing, View
from rimward.live.screen import Painter, key_table
from rimward.live.skeleton import NAMES

LINES = ("Elbow at set 76° ± 5", "Set point 0.14 m over eyes", "Knee bend 118° ± 6", "Follow-through 0.4 s")
ADVICE = (
    Advice(Sight.BODY, True, "Whole body, with room for raised arms"),
    Advice(Sight.DISTANCE, True, "Distance is right"),
    Advice(Sight.LIGHT, True, "Light is good"),
    Advice(Sight.RATE, True, "30 pictures a second"),
    Advice(Sight.LEVEL, True, "Camera is level"),
    Advice(
        Sight.SIDE,
        True,
        "Side view: elbow, set point, knees and timing; the line to the hoop needs rimward calibrate",
    ),
)
WRONG = (
    Advice(Sight.BODY, False, "No room for raised arms: tilt the camera up or move it back"),
    Advice(Sight.LIGHT, False, "The light comes from behind you: turn the camera the other way"),
)
BOARD = tuple(
    Standing(name, reps, goal=20, makes=makes, turn=name == "Cleo")
    for name, reps, makes in (
        ("Ada", 20, 13), ("Ben", 20, 9), ("Cleo", 11, 6), ("Dan", 0, None), ("Evi with a long name", 0, None),
        ("Finn", 0, None), ("Gül", 0, None), ("Hana", 0, None),
    )
)  # fmt: skip
STAND_INS = {
    "mouth_left": "nose",
    "mouth_right": "nose",
    **{f"{side}_eye{part}": f"{side}_eye" for side in ("left", "right") for part in ("_inner", "_outer")},
    **{f"{side}_ear": f"surf_{side}_ear" for side in ("left", "right")},
    **{f"{side}_foot_index": f"surf_{side}_big_toe" for side in ("left", "right")},
    **{f"{side}_{tip}": f"{side}_{tip}_mcp" for side in ("left", "right") for tip in ("pinky", "index", "thumb")},
}


def pose_at(truth: dict[str, np.ndarray], frame: int) -> Pose:
    names = [str(name) for name in truth["names"]]
    points = np.array([truth["joints_px"][frame, names.index(STAND_INS.get(name, name))] for name in NAMES], float)
    visibility = np.array([0.2 if name.startswith("left_") and "foot" in name else 0.97 for name in NAMES])
    return Pose(points, visibility, np.zeros(len(NAMES)))


def view_at(clip: Path, t_s: float) -> View:
    truth = dict(np.load(clip.with_suffix(".npz")))
    frame = round(t_s * float(truth["fps"]))
    capture = cv2.VideoCapture(str(clip))
    capture.set(cv2.CAP_PROP_POS_FRAMES, frame)
    got, image = capture.read()
    capture.release()
    if not got:
        raise SystemExit(f"{clip} has no frame at {t_s} s")
    ball = Ball(np.asarray(truth["ball_px"][frame], float), float(truth["ball_radius_px"][frame]), 0.9)
    return View(t_s, np.asarray(image, np.uint8), pose_at(truth, frame), ball, title="Sam (invented) · demo clip")


def states(clip: Path) -> dict[str, View]:
    at_set, at_rest, at_release = view_at(clip, 5.18), view_at(clip, 2.0), view_at(clip, 5.45)
    practice = replace(at_set, phase=Phase.SET, status="Tracking", count=12, lines=LINES)
    out = replace(practice, mark=Mark.OUT_OF_BAND, cue="Hold the follow-through")
    return {
        "waiting": replace(at_rest, status="Waiting for you"),
        "no_feet": replace(at_rest, status="Cannot see your feet: step back", count=3, trouble=True, lines=LINES),
        "first_shot": replace(at_set, phase=Phase.SET, status="Tracking"),
        "out_of_band": out,
        "in_band": replace(practice, mark=Mark.IN_BAND, phase=Phase.FOLLOW_THROUGH, count=7, image=at_release.image,
                           pose=at_release.pose, ball=at_release.ball),
        "in_band_cue": replace(practice, mark=Mark.IN_BAND, cue="That one was good", count=88),
        "unsure": replace(practice, mark=Mark.UNSURE, cue=None, count=128, phase=Phase.LANDED),
        "long_cue": replace(out, cue="Ellbogen gerade unter den Ball bringen"),
        "trouble": replace(out, status="The camera is unplugged: plug it in again", trouble=True, pose=None, ball=None),
        "no_camera": View(0.0, None, status="No camera answers: plug one in or close the program that holds it",
                          trouble=True, title="Sam (invented)"),
        "paused": replace(practice, status="Paused", mark=Mark.IN_BAND, phase=Phase.WAITING),
        "photo_free": replace(out, photo=False),
        "set_up_wrong": replace(at_rest, status="Ready. Pick up the ball", scene=Scene.SET_UP,
                                advice=(*WRONG, *ADVICE[1:2], *ADVICE[3:])),
        "set_up_good": replace(at_rest, status="Ready. Pick up the ball", scene=Scene.SET_UP, advice=ADVICE),
        "rest": replace(out, status="Rest, 25 s to go", scene=Scene.REST, clock=(25, 60), tally="made 7 of 12"),
        "station": replace(out, scene=Scene.STATION, board=BOARD, clock=(95, 180), status="Ready. Pick up the ball",
                           title="Station 2 · Cleo"),
        "station_turn": replace(practice, scene=Scene.STATION, board=BOARD, clock=(180, 180), prompt="Next: Cleo",
                                title="Station 2 · Cleo"),
        "station_many": replace(practice, scene=Scene.STATION, mark=Mark.IN_BAND, title="Station 2 · Ada",
                                board=tuple(replace(BOARD[0], name=f"Player {k}", goal=None, reps=k, turn=k == 1)
                                            for k in range(1, 15))),
        "end": View(0.0, None, count=24, tally="made 15 of 22", status="24 reps saved. Any key ends", scene=Scene.END,
                    title="Sam (invented)", cue="Deepest knee bend: 9° less than at the start"),
        "end_station": View(0.0, None, status="51 reps saved. Any key ends", scene=Scene.END, board=BOARD,
                            title="Station 2"),
    }  # fmt: skip


SIZES = {
    "hd": (1280, 720),
    "4x3": (1024, 768),
    "portrait": (720, 1280),
    "small": (640, 360),
    "4k": (3840, 2160),
    "wide": (1680, 720),
    "square": (800, 800),
}
ELSEWHERE = ("out_of_band", "in_band", "trouble", "waiting", "unsure", "photo_free", "set_up_wrong", "rest", "station",
             "end")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clip", type=Path)
    parser.add_argument("folder", type=Path)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    painter = Painter()
    keys = key_table({"pause": "pause or go on", "mute": "sound off or on", "discard": "drop the last rep"})

    def save(surface: pygame.Surface, name: str) -> None:
        pygame.image.save(surface, options.folder / f"{name}.png")
        width, height = surface.get_size()
        quarter = pygame.transform.smoothscale(surface, (width // 4, height // 4))
        pygame.image.save(quarter, options.folder / f"{name}.quarter.png")

    for size_name, size in SIZES.items():
        surface = pygame.Surface(size)
        for name, view in states(options.clip).items():
            if size_name == "hd" or name in ELSEWHERE:
                painter.draw(surface, view)
                save(surface, f"{size_name}_{name}")
        painter.draw(surface, view, keys)
        save(surface, f"{size_name}_keys")
        painter.draw_splash(surface, "Rimward", CAUTIONS, "Any key goes on. H shows the keys.")
        save(surface, f"{size_name}_splash")


if __name__ == "__main__":
    main()
