"""Draw every state of the window into PNG files, to be looked at: python tests/screens.py CLIP FOLDER [--language de].

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

from rimward.live.assets import config_text
from rimward.live.practice import _ACTIONS, _COURT_ACTIONS, _TURN_ACTIONS
from rimward.live.records import Advice, Ball, Mark, Phase, Pose, Scene, Sight, Standing, View
from rimward.live.screen import Painter, arm_table, key_table
from rimward.live.skeleton import NAMES
from rimward.live.words import LANGUAGES, Words, count_of_reps, decimals_of, prompt, read_words, text

VALUES = {
    "set_point_above_eyes_m": "14 ± 3",
    "elbow_at_set_deg": "76 ± 5",
    "knee_min_deg": "118 ± 6",
    "follow_through_s": "0.40 ± 0.04",
}
GOOD = ("view_body", "view_distance", "view_light", "view_rate", "view_level", "view_side_alone")
WRONG = {Sight.BODY: "view_no_room", Sight.LIGHT: "view_against_light"}
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


def states(clip: Path, words: Words) -> dict[str, View]:
    def said(key: str, **filled: object) -> str:
        return text(words, key, **filled)

    advice = tuple(Advice(sight, True, said(key, rate=30)) for sight, key in zip(Sight, GOOD, strict=True))
    wrong = tuple(Advice(sight, False, said(key)) for sight, key in WRONG.items())
    lines = tuple(said(f"value_{name}", value=decimals_of(words, value)) for name, value in VALUES.items())
    cue, praise = words["follow_through", "below"][0], words["follow_through", "praise"][0]
    longest = max((one for (_, kind), ways in words.items() if kind in ("below", "above") for one in ways), key=len)
    ready, many = said("waiting"), count_of_reps(words, 51)
    at_set, at_rest, at_release = view_at(clip, 5.18), view_at(clip, 2.0), view_at(clip, 5.45)
    practice = replace(at_set, phase=Phase.SET, status=said("set"), count=12, lines=lines)
    out = replace(practice, mark=Mark.OUT_OF_BAND, cue=cue)
    station = replace(out, scene=Scene.STATION, board=BOARD, clock=(95, 180), status=ready, title="Station 2 · Cleo")
    signals = {
        f"signal_{key}": replace(out, prompt=said(f"signal_{key}"), progress=0.6)
        for key in ("pause", "go_on", "made", "good", "discard", "next")
    }
    return {
        "waiting": replace(at_rest, status=ready),
        "no_feet": replace(at_rest, status=said("no_feet"), count=3, trouble=True, lines=lines),
        "first_shot": replace(at_set, phase=Phase.SET, status=said("set")),
        "out_of_band": out,
        "in_band": replace(practice, mark=Mark.IN_BAND, phase=Phase.FOLLOW_THROUGH, count=7, image=at_release.image,
                           pose=at_release.pose, ball=at_release.ball),
        "in_band_cue": replace(practice, mark=Mark.IN_BAND, cue=praise, count=88),
        "unsure": replace(practice, mark=Mark.UNSURE, cue=None, count=128, phase=Phase.LANDED),
        "spots": replace(out, title="Sam (invented) · Five spots", goal="left corner · 12/50"),
        "spots_makes": replace(out, title="Station 2 · Maximilian (invented) · Five spots", goal="right corner · 12/50",
                               tally=said("tally", made=7, known=11)),
        "focus": replace(out, lines=(said("focus_no_place", check=words["arm_line", "name"][0]), *lines)),
        "long_cue": replace(out, cue=longest),
        "trouble": replace(out, status="The camera is unplugged: plug it in again", trouble=True, pose=None, ball=None),
        "no_camera": View(0.0, None, status="No camera answers: plug one in or close the program that holds it",
                          trouble=True, title="Sam (invented)"),
        "moved": replace(out, status=said("moved"), trouble=True),
        "paused": replace(practice, prompt=said("paused"), mark=Mark.IN_BAND, phase=Phase.WAITING, status=ready),
        "answer": replace(practice, prompt=said("said_out", index=12), mark=Mark.IN_BAND, tally=said("tally", made=7,
                                                                                                     known=11)),
        "limbs": replace(practice, prompt=said("limbs", upper_arm=33, forearm=27, thigh=44, shank=43), status=ready),
        "no_limbs": replace(practice, prompt=said("no_limbs", advice="Stand tall, arms out to the sides, facing the"
                                                  " camera"), status=ready),
        "silent": replace(out, sound_off=True),
        "photo_free": replace(out, photo=False),
        "set_up_wrong": replace(at_rest, status=ready, scene=Scene.SET_UP,
                                advice=(*wrong, *(one for one in advice if one.sight not in WRONG))),
        "set_up_unknown": replace(at_rest, status=ready, scene=Scene.SET_UP,
                                  advice=tuple(one for one in advice if one.sight != Sight.RATE)),
        "set_up_good": replace(at_rest, status=ready, scene=Scene.SET_UP, advice=advice),
        "rest": replace(out, status=prompt(words, "resting", seconds=25), scene=Scene.REST, clock=(25, 60),
                        tally=said("tally", made=7, known=12)),
        "station": station,
        "station_spots": replace(out, title="Station 2 · Maximilian · Five spots", player="Maximilian",
                                 goal="left corner · 12/50"),
        "station_goal": replace(station, mark=None, cue=None, clock=None, prompt=said("goal_next", player="Dan"),
                                board=(*BOARD[:2], replace(BOARD[2], name="Bartholomäus von Hohenstein", reps=23),
                                       BOARD[3])),
        "station_first": replace(at_rest, scene=Scene.CAUTIONS, player="Cleo", prompt="Cleo"),
        "station_first_silent": replace(at_rest, scene=Scene.CAUTIONS, player="Bartholomäus von Hohenstein",
                                        sound_off=True),
        "station_turn": replace(station, mark=None, cue=None, clock=(180, 180), prompt="Cleo"),
        "station_makes": replace(station, clock=None,
                                 board=tuple(replace(one, goal=10, of_makes=True) for one in BOARD)),
        "station_who": replace(practice, prompt=said("who", player="Cleo"), title="Station 2 · Cleo"),
        "station_many": replace(practice, scene=Scene.STATION, mark=Mark.IN_BAND, title="Station 2 · Ada",
                                board=tuple(replace(BOARD[0], name=f"Player {k}", goal=None, reps=k, turn=k == 1)
                                            for k in range(1, 15))),
        "end": View(0.0, None, count=24, tally=said("tally", made=15, known=22), scene=Scene.END,
                    status=said("end", reps=count_of_reps(words, 24)), title="Sam (invented)",
                    cue=said("less", name=words.get(("measurements", "knee_min_deg"), ("Deepest knee bend",))[0],
                             value="9°")),
        "disk_full": replace(out, status=said("aside_full"), notice=said("aside_full_short"), trouble=True),
        "disk_full_later": replace(out, notice=said("aside_full_short")),
        "camera_gone": replace(out, image=None, pose=None, ball=None, status="Camera 0 is gone: plug it in again",
                               trouble=True, prompt=said("said_out", index=12), player="Cleo",
                               goal="left corner · 3/10", tally=said("tally", made=7, known=11)),
        "end_aside": View(0.0, None, count=8, scene=Scene.END, trouble=True, title="Sam (invented)",
                          status=said("end_aside", reps=count_of_reps(words, 8), waiting=5),
                          cue=said("few_reps", least=15)),
        "end_last": View(0.0, None, count=6, scene=Scene.END, status=said("end", reps=count_of_reps(words, 6)),
                         title="Sam (invented)", cue=said("few_reps", least=15), mark=Mark.OUT_OF_BAND, prompt=cue),
        "end_few": View(0.0, None, count=1, scene=Scene.END, status=said("end", reps=count_of_reps(words, 1)),
                        title="Sam (invented)", cue=said("few_reps", least=15)),
        "end_station": View(0.0, None, status=said("end", reps=many), scene=Scene.END, board=BOARD, title="Station 2"),
        **signals,
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
             "spots", "spots_makes", "end", "end_last", "station_first_silent")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clip", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--language", choices=LANGUAGES, default="en")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    words = read_words(config_text(f"words_{options.language}.toml"), options.language)
    painter = Painter(words)
    actions = (*_ACTIONS, *_COURT_ACTIONS, *_TURN_ACTIONS)
    keys, arms = key_table(actions, words), arm_table(actions, words)

    def save(surface: pygame.Surface, name: str) -> None:
        pygame.image.save(surface, options.folder / f"{name}.png")
        width, height = surface.get_size()
        quarter = pygame.transform.smoothscale(surface, (width // 4, height // 4))
        pygame.image.save(quarter, options.folder / f"{name}.quarter.png")

    for size_name, size in SIZES.items():
        surface = pygame.Surface(size)
        for name, view in states(options.clip, words).items():
            if size_name == "hd" or name in ELSEWHERE:
                painter.draw(surface, view)
                save(surface, f"{size_name}_{name}")
        painter.draw(surface, view, keys, arms)
        save(surface, f"{size_name}_keys")
        painter.draw_splash(surface, "Rimward", words["screen", "cautions"], text(words, "splash"))
        save(surface, f"{size_name}_splash")


if __name__ == "__main__":
    main()
