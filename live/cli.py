"""The command line: reads options, hands them to the part that does the work, turns errors into one line."""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any, NoReturn

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
    given = sys.argv[1:] if argv is None else list(argv)
    args = _parser(given).parse_args(given)
    with _noted_interrupts() as interrupts:
        try:
            status: int = args.run(args)
            return status
        except KeyboardInterrupt:
            return _interrupted()
        except Exception as error:
            if interrupts:  # a library whose import is broken off fails in ways of its own
                return _interrupted()
            if not isinstance(error, RimwardError):
                raise
            _say(f"rimward: {error}")
            return 2


@contextlib.contextmanager
def _noted_interrupts() -> Iterator[list[int]]:
    """A list that a Ctrl-C is added to before it is raised as usual."""
    came: list[int] = []

    def note(number: int, _frame: object) -> None:
        came.append(number)
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield came
        return
    before = signal.signal(signal.SIGINT, note)
    try:
        yield came
    finally:
        if signal.getsignal(signal.SIGINT) is note:
            signal.signal(signal.SIGINT, before)


def _interrupted() -> int:
    # everything is saved: who presses Ctrl-C again must not break off what Python still does at exit
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.SIG_IGN)
    # CPython kills itself in place of the exit status once a KeyboardInterrupt has gone through exec(), as it does when
    # an import is broken off; the next exec() that ends well makes it forget
    exec("")
    return 130


def _say(line: str) -> None:
    # standard error whose reader went away: nobody to say it to, and no reason to end a practice
    with contextlib.suppress(BrokenPipeError):
        print(line, file=sys.stderr, flush=True)


class _Parser(argparse.ArgumentParser):
    """Wrong usage is said in one line, like every other error."""

    def error(self, message: str) -> NoReturn:
        """Exit with status 2."""
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def _parser(argv: Sequence[str] = ("calibrate",)) -> argparse.ArgumentParser:
    """The parser for this command line; by default with the options of every command."""
    parser = _Parser(
        prog="rimward",
        description="Watches a player's shots through a webcam, measures each rep and gives one useful cue.",
        epilog=" ".join(CAUTIONS),
    )
    parser.add_argument("--version", action="version", version=f"rimward {version('rimward')}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add(commands, "practice", "the main job: camera or clip in, one cue per shot out, every rep saved", _practice)
    _add(commands, "demo", "the bundled clip through the whole program, without a camera", _demo)
    calibrate = _add(commands, "calibrate", "where the hoop is: in the window, or by the options below", _calibrate)
    if "calibrate" in argv[:1]:  # its options come with OpenCV, which the other commands should not wait for here
        from rimward.calibration.command import add_arguments

        add_arguments(calibrate)
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
        source = parser.add_mutually_exclusive_group()
        source.add_argument("--clip", type=Path, metavar="FILE", help="a recording instead of the camera")
        source.add_argument("--device", type=int, metavar="N", help="which camera, 0 is the first")
        parser.add_argument("--player", metavar="NAME", help="under which name the session is kept")
        parser.add_argument("--hand", choices=("left", "right"), help="shooting hand; told from the shots otherwise")
        parser.add_argument("--stature-m", type=float, metavar="X", help="height without shoes; scales lengths")
        parser.add_argument("--calibration", type=Path, metavar="FILE", help="where the hoop is (rimward calibrate)")
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

    options = Options(args.clip, args.headless, args.json, calibration=args.calibration)
    return practise(_settings(args), options, _say)


def _demo(args: argparse.Namespace) -> int:
    from .assets import demo_clip, demo_player
    from .practice import Options, practise

    with demo_clip() as clip:
        settings = _settings(args, player=demo_player())
        return practise(settings, Options(clip, args.headless, args.json, "Demo: an invented player"), _say)


def _calibrate(args: argparse.Namespace) -> int:
    from rimward.calibration.command import run

    from .calibrate import calibrate_in_window, wants_window

    if wants_window(args):
        return calibrate_in_window(args, _settings(args), _say)
    return run(args, _say)


def _setup(args: argparse.Namespace) -> int:
    from . import pose_model
    from .settings import data_folder

    pose_model.prepare(data_folder(_settings(args)), wheel=args.wheel, progress=_say)
    return 0
