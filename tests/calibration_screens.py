"""Draw every state of the guided calibration into PNG files, to be looked at: tests/calibration_screens.py FOLDER.

Each picture is also written at a quarter of its size. With --readme the two pictures of the README are written instead.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")

import cv2
import numpy as np
import pygame
from calibration_scenes import SIDE

from rimward.calibration.courts import COURTS
from rimward.calibration.geometry import project
from rimward.calibration.lens import Lens, lens_from_hfov
from rimward.calibration.record import Calibration
from rimward.calibration.wizard import Mark, Way, Wizard
from rimward.live.calibration_screen import CLOSER, CalibrationPainter, Region, Scene

PICTURES = Path(__file__).resolve().parent / "pictures"
TAPE = ("1.0 3.3", "-1.0 3.3", "-1.2 5.2", "0.8 5.4", "0 4.3")


@dataclass(frozen=True, eq=False)
class Known:
    """A picture, the camera that took it, and its lens."""

    image: np.ndarray
    camera: Calibration
    hfov_deg: float

    @property
    def lens(self) -> Lens:
        return lens_from_hfov(self.camera.image_size, self.hfov_deg)

    @property
    def grey(self) -> np.ndarray:
        return cv2.cvtColor(self.image, cv2.COLOR_BGR2GRAY)


def known(name: str) -> Known:
    """A committed picture of tests/calibration_pictures.py."""
    about = json.loads((PICTURES / f"{name}.json").read_text())
    camera = replace(
        SIDE, camera_matrix=np.array(about["camera_matrix"]), R=np.array(about["R"]), t=np.array(about["t"])
    )
    return Known(cv2.imread(str(PICTURES / f"{name}.jpg")), camera, about["hfov_deg"])


def demo() -> Known:
    """The first picture of the demo clip: a player who stands."""
    live = Path(__file__).resolve().parents[1] / "live"
    about = json.loads((live / "demo_clip.json").read_text())["camera"]
    capture = cv2.VideoCapture(str(live / "demo_clip.mp4"))
    got, image = capture.read()
    capture.release()
    assert got
    camera = replace(SIDE, camera_matrix=np.array(about["K"]), R=np.array(about["R"]), t=np.array(about["t"]))
    return Known(np.asarray(image, np.uint8), camera, about["hfov_deg"])


def seen_at(camera: Calibration, mark: Mark) -> tuple[float, float] | None:
    """Where a person sees this mark in the picture; None outside of it. The ring's ends are those of its outline."""
    if mark.name in ("ring_left", "ring_right"):
        court, angles = COURTS["us"], np.linspace(0, 2 * np.pi, 3600)
        flat = court.ring_radius_m * np.stack([np.cos(angles), np.sin(angles)], axis=1)
        ring = project(camera, np.column_stack([flat, np.full(len(flat), court.rim_height_m)]))
        px = ring[ring[:, 0].argmin() if mark.name == "ring_left" else ring[:, 0].argmax()]
    else:
        px = project(camera, mark.world_m)
    width, height = camera.image_size
    inside = bool(np.isfinite(px).all()) and 2 <= px[0] <= width - 2 and 2 <= px[1] <= height - 2
    return (float(px[0]), float(px[1])) if inside else None


def begun(size: tuple[int, int], way: Way, answers: Mapping[str, str], lens: Lens | None = None) -> Wizard:
    """A wizard whose questions are answered."""
    wizard = Wizard(size, lens, known=answers)
    wizard.choose_way(way)
    assert wizard.answered(), wizard.complaint
    return wizard


def marked(
    scene: Known, wizard: Wizard, noise_px: float = 0.7, seed: int = 0, refine: bool = True, most: int = 99
) -> Wizard:
    """The wizard after a careful person clicked what can be seen, `most` marks at most, and skipped the rest."""
    rng = np.random.default_rng(seed)
    while wizard.asked is not None and sum(mark.px is not None for mark in wizard.marks) < most:
        px = seen_at(scene.camera, wizard.asked)
        if px is None:
            wizard.skip()
        else:
            wizard.click(np.asarray(px) + rng.normal(0, noise_px, 2), scene.grey if refine else None)
    return wizard


def tape_answers() -> dict[str, str]:
    return {f"tape {n}": place for n, place in enumerate(TAPE, 1)}


TARGET = {"distance": "4.3", "page 2": "farther from it"}
STANDING = {"stature": "1.84", "camera": "right of the shooter", "distance": "4.4"}


def standing(scene: Known) -> Wizard:
    """Head and feet of the demo clip's player, clicked by eye."""
    wizard = begun(scene.camera.image_size, "standing", STANDING, scene.lens)
    wizard.click((570, 290))
    wizard.click((562, 655))
    return wizard


def states() -> dict[str, tuple[Wizard | None, Scene]]:
    gym, lines, yard = known("gym_hoop"), known("gym_lines"), known("driveway_hoop")
    taped, pages, player = known("driveway_tape"), known("driveway_pages"), demo()
    size = gym.camera.image_size
    asked = Wizard(size)
    asked.choose_way("hoop")
    wrong_number = Wizard(size, known={"rim": "4.5"})
    wrong_number.choose_way("hoop")
    wrong_number.answered()
    tape_questions = Wizard(size, known=tape_answers())
    tape_questions.choose_way("tape")
    target_questions = Wizard(size, known=TARGET)
    target_questions.choose_way("target")
    start = begun(size, "hoop", {}, gym.lens)
    swapped = marked(gym, begun(size, "hoop", {}, gym.lens))
    left, right = (next(m for m in swapped.marks if m.name == f"board_top_{side}") for side in ("left", "right"))
    assert left.px is not None
    assert right.px is not None
    for mark, px in ((left, right.px), (right, left.px)):
        swapped.choose(mark.name)
        swapped.click(px)
    found = begun(size, "target", TARGET, pages.lens)
    found.look(pages.image)
    looking = begun(size, "target", TARGET, gym.lens)
    looking.look(gym.image)
    touched = marked(gym, begun(size, "hoop", {}, gym.lens))
    touched.nudge(0.25, 0)
    return {
        "waiting": (None, Scene(None)),
        "no_camera": (
            None,
            Scene(None, trouble="No camera found at 0: plug one in, or close the program that uses it"),
        ),
        "ways": (Wizard(size), Scene(gym.image)),
        "questions": (asked, Scene(gym.image)),
        "wrong_number": (wrong_number, Scene(gym.image)),
        "tape_questions": (tape_questions, Scene(gym.image)),
        "target_questions": (target_questions, Scene(gym.image)),
        "first_mark": (start, Scene(gym.image, pointer=(520, 120))),
        "some_marks": (marked(gym, begun(size, "hoop", {}, gym.lens), most=5), Scene(gym.image, pointer=(600, 150))),
        "more_marks": (marked(gym, begun(size, "hoop", {}), most=7), Scene(gym.image, pointer=(200, 420))),
        "closer": (
            marked(gym, begun(size, "hoop", {}, gym.lens), most=5),
            Scene(gym.image, pointer=(300, 250), region=Region.around((800.0, 250.0), size, CLOSER)),
        ),
        "result": (touched, Scene(gym.image)),
        "result_no_lens": (marked(yard, begun(size, "hoop", {})), Scene(yard.image, replaces="calibration.toml")),
        "swapped": (swapped, Scene(gym.image)),
        "lines": (marked(lines, begun(size, "lines", {}, lines.lens)), Scene(lines.image)),
        "tape": (marked(taped, begun(size, "tape", tape_answers(), taped.lens)), Scene(taped.image)),
        "tape_asked": (marked(taped, begun(size, "tape", tape_answers()), most=2), Scene(taped.image)),
        "target": (found, Scene(pages.image)),
        "target_looking": (looking, Scene(gym.image)),
        "standing": (standing(player), Scene(player.image, held=True)),
        "standing_wait": (begun(size, "standing", STANDING), Scene(player.image, hold_in_s=3.0)),
    }


SIZES = {"hd": (1280, 720), "small": (640, 360), "4x3": (1024, 768), "portrait": (720, 1280), "4k": (3840, 2160)}
ELSEWHERE = ("ways", "questions", "tape_questions", "some_marks", "result", "swapped")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=PICTURES)
    parser.add_argument("--readme", action="store_true")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    painter, all_states = CalibrationPainter(), states()
    if options.readme:
        for name, state in (("calibrate_gym", "result"), ("calibrate_driveway", "target")):
            surface = pygame.Surface((1280, 720))
            painter.draw(surface, *all_states[state])
            pygame.image.save(surface, options.folder / f"{name}.jpg")
        return
    for size_name, size in SIZES.items():
        surface = pygame.Surface(size)
        for name, (wizard, scene) in all_states.items():
            if size_name != "hd" and name not in ELSEWHERE:
                continue
            painter.draw(surface, wizard, scene)
            save(surface, options.folder / f"{size_name}_{name}")
        painter.draw(surface, *all_states["result"], keys=True)
        save(surface, options.folder / f"{size_name}_keys")


def save(surface: pygame.Surface, path: Path) -> None:
    pygame.image.save(surface, f"{path}.png")
    width, height = surface.get_size()
    pygame.image.save(pygame.transform.smoothscale(surface, (width // 4, height // 4)), f"{path}.quarter.png")


if __name__ == "__main__":
    main()
