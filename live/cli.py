"""The command line: reads options, hands them to the part that does the work, turns errors into one line."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

from .cautions import CAUTIONS
from .errors import RimwardError

_EXAMPLES = {
    "practice": "rimward practice --player Sam --hand right --stature-m 1.78",
    "demo": "rimward demo --headless --json",
    "setup": "rimward setup",
    "calibrate": "rimward calibrate --image court.png --points marks.json --out court.toml",
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run `rimward`; returns the exit status (0 done, 2 bad usage or input, 130 on Ctrl-C)."""
    args = _parser().parse_args(argv)
    try:
        status: int = args.run(args)
        return status
    except RimwardError as error:
        _say(f"rimward: {error}")
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # the reader of --json went away; nothing can be said to it any more, and the session is saved
        sys.stderr.close()
        return 0


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="rimward",
        description="Watches a player's shots through a webcam, measures each rep and gives one useful cue.",
        epilog=" ".join(CAUTIONS),
    )
    parser.add_argument("--version", action="version", version=f"rimward {version('rimward')}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add(commands, "practice", "the main job: camera or clip in, one cue per shot out, every rep saved", _practice)
    _add(commands, "demo", "the bundled clip through the whole program, without a camera", _demo)
    setup = _add(commands, "setup", "prepare the pose model, once; afterwards no network is needed", _setup)
    setup.add_argument(
        "--from", dest="wheel", type=Path, metavar="FILE", help="a mediapipe 0.10.21 wheel at hand, or its folder"
    )
    return parser


def _add(commands: Any, name: str, words: str, run: Any) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=words,
        description=words[0].upper() + words[1:] + ".",
        epilog=f"Example: {_EXAMPLES[name]}. {' '.join(CAUTIONS)}",
    )
    parser.set_defaults(run=run)
    parser.add_argument("--settings", type=Path, metavar="FILE", help="your own settings (TOML)")
    if name in ("practice", "demo"):
        parser.add_argument("--headless", action="store_true", help="no window and no sound, same results")
        parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")
        parser.add_argument("--mute", action="store_true", help="no tones and no speech")
        parser.add_argument("--full-screen", action="store_true", help="the window fills the screen")
        parser.add_argument("--pose-model", metavar="FILE", help="a pose model bundle (.task) of your own")
    if name == "practice":
        parser.add_argument("--clip", type=Path, metavar="FILE", help="a recording instead of the camera")
        parser.add_argument("--device", type=int, metavar="N", help="which camera, 0 is the first")
        parser.add_argument("--player", metavar="NAME", help="under which name the session is kept")
        parser.add_argument("--hand", choices=("left", "right"), help="shooting hand; told from the shots otherwise")
        parser.add_argument("--stature-m", type=float, metavar="X", help="height without shoes; scales lengths")
    return parser


def _settings(args: argparse.Namespace, **more: dict[str, object]) -> Any:
    """Settings files with the options of the command line over them."""
    from .settings import load_settings, settings_file

    given: dict[str, dict[str, object]] = {
        "player": {
            "name": getattr(args, "player", None),
            "hand": getattr(args, "hand", None),
            "stature_m": getattr(args, "stature_m", None),
        },
        "camera": {"device": getattr(args, "device", None)},
        "pose": {"model": getattr(args, "pose_model", None)},
        "sound": {"mute": getattr(args, "mute", False) or None},
        "screen": {"full_screen": getattr(args, "full_screen", False) or None},
    }
    for section, values in more.items():
        given.setdefault(section, {}).update(values)
    options = {
        section: kept
        for section, values in given.items()
        if (kept := {key: value for key, value in values.items() if value is not None})
    }
    return load_settings(settings_file(args.settings), options)


def _practice(args: argparse.Namespace) -> int:
    from .practice import Options, practise

    return practise(_settings(args), Options(args.clip, args.headless, args.json), _say)


def _demo(args: argparse.Namespace) -> int:
    from .assets import demo_clip, demo_player
    from .practice import Options, practise

    with demo_clip() as clip:
        settings = _settings(args, player=demo_player())
        return practise(settings, Options(clip, args.headless, args.json, "Demo: an invented player"), _say)


def _setup(args: argparse.Namespace) -> int:
    from . import pose_model
    from .settings import data_folder

    path = pose_model.prepare(data_folder(_settings(args)), wheel=args.wheel, progress=_say)
    _say(f"The pose model is ready: {path}")
    return 0
