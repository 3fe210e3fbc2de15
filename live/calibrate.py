"""The guided calibration from start to end: opens camera or picture, runs the window, writes what is accepted."""

from __future__ import annotations

import argparse
import os
import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from rimward.calibration.bump import features_of
from rimward.calibration.command import WAYS, camera_name, lens_words, read_image
from rimward.calibration.lens import Lens, rescaled_lens, typed_lens
from rimward.calibration.storage import kept_lens, load_lens, save_calibration
from rimward.calibration.wizard import SIDES, Wizard
from rimward.calibration.words import describe

from .body import in_picture, middle, seen
from .calibration_screen import CalibrationWindow
from .camera import open_camera
from .clip import open_clip
from .errors import CalibrationError, PoseModelError, SourceError
from .ports import FrameSource
from .records import FloatArray, Frame, ImageArray, Pose
from .screen import screen_available
from .settings import Settings, data_folder

FILE_NAME = "calibration.toml"
"""In the data folder, where no --out is given."""
LENSES = "lenses"
"""Folder in the data folder, for lenses by camera and resolution."""


def wants_window(args: argparse.Namespace) -> bool:
    """True when the options of `rimward calibrate` name no way that works without a window, and there is a screen."""
    return all(getattr(args, name) is None for name in WAYS) and screen_available()


def calibrate_in_window(
    args: argparse.Namespace, settings: Settings, say: Callable[[str], None], source: FrameSource | None = None
) -> int:
    """Guide the person through a calibration and write it; returns the exit status. `say` takes one line for people.

    The picture is `args.image` (a picture or a clip, whose first frame is taken), else the camera of the settings, or
    `source` where one is open already. Raises RimwardError for what keeps it from starting or from being written.
    """
    out, overwrite = _out(args, settings)
    with ExitStack() as closing:
        if source is not None:
            closing.callback(source.close)
        lens = None if args.use_lens is None else load_lens(args.use_lens)
        if source is None and args.image is not None:
            newest, name, live = _still(args.image), "", False
        else:
            # after the window: a machine without a screen should not switch its camera on
            newest, name, live = _waiting, "", True
        window = CalibrationWindow(full_screen=settings.screen.full_screen, photo=settings.screen.photo)
        closing.callback(window.close)
        if live:
            wish = settings.camera
            source = source or open_camera(wish.device, width=wish.width, height=wish.height, rate_hz=wish.rate_hz)
            closing.callback(source.close)
            newest, name = Newest(source), source.info.name
        camera = camera_name(args) or name

        def begin(size: tuple[int, int]) -> Wizard:
            given = _lens(args, lens, size)
            if given is None and camera and (kept := kept_lens(data_folder(settings) / LENSES, camera, size)):
                say(lens_words(*kept))
                given = kept[1]
            return Wizard(size, given, camera, _known(args, settings))

        replaces = out.name if overwrite and out.exists() else ""
        calibration = window.run(
            begin,
            newest,
            threading.Event(),
            live=live,
            replaces=replaces,
            find_player=lambda image: _standing_player(image, settings),
        )
    if calibration is None or window.shown is None:
        say("No calibration was kept.")
        return 0
    save_calibration(out, calibration, features_of(window.shown), overwrite=overwrite)
    for line in describe(calibration):
        say(line)
    say(f"Written to {out}.")
    return 0


_EYES, _ANKLES = 0.940, 0.060
"""Height of the eyes and of the network's ankles, in shoes, as shares of the stature: of rendered bodies, on which the
network puts them 0.883 of the stature apart."""


def head_and_feet(pose: Pose) -> dict[str, FloatArray]:
    """The top of an upright player's head and the floor between the heels, (2,) px each, by the wizard's names.

    The camera is taken to be about level: heads lean with the player, not with the line from eyes to ankles.
    """
    eyes_y, ankles = float(middle(pose, "eye")[1]), middle(pose, "ankle")
    stature = (float(ankles[1]) - eyes_y) / (_EYES - _ANKLES)
    head = np.array([middle(pose, "ear")[0], eyes_y - (1 - _EYES) * stature])
    return {"head": head, "feet": ankles + np.array([0.0, _ANKLES * stature])}


def _standing_player(image: ImageArray, settings: Settings) -> Mapping[str, FloatArray] | str:
    """Head and feet of the player in the picture, or why there are none."""
    # the pose network takes seconds to load, and only this one key needs it
    from .mediapipe_pose import MediapipePose
    from .pose_model import model_path

    model = Path(settings.pose.model).expanduser() if settings.pose.model else model_path(data_folder(settings))
    try:
        network = MediapipePose(model)
    except PoseModelError:
        return "Finding the player needs the pose model: run rimward setup once"
    try:
        people = network.estimate(Frame(0, 0.0, np.ascontiguousarray(image)), 1)
    finally:
        network.close()
    size = (image.shape[1], image.shape[0])
    upright = people and any(
        seen(people[0], f"{side}_ankle", f"{side}_eye") and in_picture(people[0], size, f"{side}_ankle", f"{side}_eye")
        for side in ("left", "right")
    )
    if not upright:
        return "I see no whole player: click head and feet"
    return head_and_feet(people[0])


class Newest:
    """The newest picture of a source, and what it says is wrong; a thread reads on until the source is closed."""

    def __init__(self, source: FrameSource) -> None:
        self._shown: tuple[ImageArray | None, str] = None, ""
        threading.Thread(target=self._read, args=(source,), name="pictures", daemon=True).start()

    def __call__(self) -> tuple[ImageArray | None, str]:
        """(picture or None, trouble or an empty string)."""
        return self._shown

    def _read(self, source: FrameSource) -> None:
        try:
            for item in source:
                image, _ = self._shown
                self._shown = (item.image, "") if isinstance(item, Frame) else (image, item.message)
        except SourceError as error:
            self._shown = self._shown[0], str(error)


def _waiting() -> tuple[ImageArray | None, str]:
    return None, ""


def _still(path: Path) -> Callable[[], tuple[ImageArray | None, str]]:
    image = read_picture(path)
    return lambda: (image, "")


def read_picture(path: Path) -> ImageArray:
    """A picture file, or the first frame of a clip. Raises CalibrationError when it is neither."""
    try:
        return read_image(path)
    except CalibrationError as no_picture:
        try:
            clip = open_clip(path)
        except SourceError:
            raise no_picture from None
    try:
        return next(item.image for item in clip if isinstance(item, Frame))
    finally:
        clip.close()


def _out(args: argparse.Namespace, settings: Settings) -> tuple[Path, bool]:
    """Where the result goes, and whether it may replace a file. All that can be known beforehand is checked now.

    The file in the data folder is replaced after the window has said so; one that was named needs --overwrite.
    """
    if args.out is None:
        folder = data_folder(settings)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CalibrationError(f"{folder}: the data folder cannot be made: {error.strerror}") from None
        return folder / FILE_NAME, True
    out: Path = args.out
    if out.exists() and not args.overwrite:
        raise CalibrationError(f"{out}: this file exists and is not overwritten: choose another name or --overwrite")
    if not os.access(out.parent, os.W_OK):
        raise CalibrationError(f"{out}: cannot be written: {out.parent} must be a folder that takes files")
    return out, bool(args.overwrite)


def _lens(args: argparse.Namespace, lens: Lens | None, size: tuple[int, int]) -> Lens | None:
    """What the options say of the lens for pictures of this size; None when they say nothing."""
    if lens is not None and args.hfov_deg is not None:
        raise CalibrationError("give --use-lens or --hfov-deg, not both")
    if lens is not None:
        return rescaled_lens(lens, size)
    return None if args.hfov_deg is None else typed_lens(size, args.hfov_deg)


def _known(args: argparse.Namespace, settings: Settings) -> dict[str, str]:
    """Answers that the options and settings give already."""
    stature = settings.player.stature_m if args.stature_m is None else args.stature_m
    side = next((words for words, side in SIDES.items() if side == args.camera_side), None)
    page_2 = {"toward": "nearer to the hoop", "away": "farther from it"}[args.page_2]
    given = {
        "court": args.court,
        "rim": args.rim_height_m,
        "distance": args.distance_m,
        "side": args.side_m,
        "page 2": page_2,
        "paper": args.page,
        "stature": stature,
        "camera": side,
    }
    return {
        name: f"{value:g}" if isinstance(value, float) else value for name, value in given.items() if value is not None
    }
