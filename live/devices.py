"""Opens what a practice runs on: window, pose network, camera or clip, speaker."""

from __future__ import annotations

from collections.abc import Callable, Collection
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from . import pose_model
from .camera import open_camera
from .errors import DisplayError, PoseModelError
from .mediapipe_hands import estimator_for
from .mediapipe_pose import MediapipePose
from .ports import FrameSource
from .screen import Window
from .settings import Settings, data_folder
from .speaker import Speaker, open_speaker
from .words import Words


@dataclass(frozen=True, slots=True)
class Devices:
    """What a practice runs on; window and speaker are None without a screen."""

    source: FrameSource
    estimator: MediapipePose
    renew: Callable[[], MediapipePose]
    """Another network, for when this one fails."""
    window: Window | None
    speaker: Speaker | None


def ready_model(settings: Settings, say: Callable[[str], None]) -> Path:
    """The pose model: the user's own bundle, else the one in the data folder; what is missing there, the hand model of
    a close view too, is prepared now.
    """
    folder, own = data_folder(settings), Path(settings.pose.model).expanduser() if settings.pose.model else None
    if own is not None:
        pose_model.check(own)
    try:
        if own is None:
            pose_model.check(pose_model.model_path(folder))
        if settings.pose.close:
            pose_model.check_hands(pose_model.hands_path(folder))
    except PoseModelError:
        pose_model.prepare(folder, progress=say)
    return own or pose_model.model_path(folder)


def open_devices(
    settings: Settings,
    model: Path,
    say: Callable[[str], None],
    source: FrameSource | None,
    headless: bool,
    actions: Collection[str],
    words: Words,
    closing: ExitStack,
) -> Devices:
    """Open what there is; a `source` that is open already is taken instead of the camera. `closing` closes the rest.

    `actions` are those of the keys that the window obeys.
    """
    # the window first: it shows the cautions while the network loads
    window = None if headless else _open_window(settings, actions, words, say)
    if window is not None:
        closing.callback(window.close)

    def network() -> MediapipePose:
        made = estimator_for(settings, model) if settings.pose.close else MediapipePose(model)
        closing.callback(made.close)
        # The first look is for two people. Loaded before the camera starts, so that its first frames need not wait.
        made.warm_up(2)
        return made

    estimator = network()
    if source is None:
        wish = settings.camera
        source = open_camera(wish.device, width=wish.width, height=wish.height, rate_hz=wish.rate_hz)
        closing.callback(source.close)
        got = source.info
        if got.rate_hz > 0:  # a camera that is not there yet says so itself
            say(f"{got.name}: {got.width} x {got.height}, {got.rate_hz:.0f} frames a second")
    speaker = None if headless else _open_speaker(settings, say)
    if speaker is not None:
        closing.callback(speaker.close)
    return Devices(source, estimator, network, window, speaker)


def _open_window(
    settings: Settings, actions: Collection[str], words: Words, say: Callable[[str], None]
) -> Window | None:
    try:
        screen, cautions = settings.screen, words["screen", "cautions"]
        return Window(
            actions=actions,
            words=words,
            splash=cautions,
            full_screen=screen.full_screen,
            photo=screen.photo,
            signals=settings.gestures.on,
        )
    except DisplayError as error:
        say(str(error))
        return None


def _open_speaker(settings: Settings, say: Callable[[str], None]) -> Speaker:
    sound = settings.sound
    return open_speaker(
        notice=say,
        mute=sound.mute,
        speak=sound.speech,
        volume=sound.volume,
        rate_wpm=sound.rate_wpm,
        # the engine's own choice speaks the system's language, which may be another
        voice=sound.voice or (None if settings.screen.language == "en" else settings.screen.language),
    )
