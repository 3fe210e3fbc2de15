"""The command line: reads options, hands them to the part that does the work, turns errors into one line."""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import Any, NoReturn

from rimward.calibration.typed import metres

from .cautions import CAUTIONS
from .errors import RimwardError, UsageError


def main(argv: Sequence[str] | None = None) -> int:
    """Run `rimward`; returns the exit status (0 done, 2 bad usage or input, 130 on Ctrl-C)."""
    given = sys.argv[1:] if argv is None else list(argv)
    with _noted_interrupts() as interrupts:
        try:
            args = _parser(given).parse_args(given)
            args.interrupts = interrupts
            status: int = args.run(args, _say)
            if sys.stdout is not None:  # whoever starts this may have closed it
                sys.stdout.flush()
            return status
        except KeyboardInterrupt:
            return _interrupted()
        except (BrokenPipeError, SystemExit) as left:
            # argparse leaves with 0 and 2 and has spoken; rich leaves with 1 when nobody reads any more
            if isinstance(left, SystemExit) and left.code != 1:
                raise
            # who reads has read enough; what is still in the buffer must not complain at exit
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 0
        except Exception as error:
            if interrupts:  # a library whose import is broken off fails in ways of its own
                return _interrupted()
            if isinstance(error, OSError) and error.filename:
                # a folder that may not be read, a disk that went away: no defect of the program
                error = UsageError(f"{error.filename} cannot be used ({error.strerror}); may you read and write there?")
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

    def parse_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As usual; a word too many is told by its command, whose help is of use, not by the list of all commands."""
        parsed, unknown = self.parse_known_args(args, namespace)
        if unknown:
            own = f"{self.prog} {parsed.command}"
            self.exit(2, f"{own}: unrecognized arguments: {' '.join(unknown)}; see {own} --help\n")
        return parsed


class _Paragraphs(argparse.HelpFormatter):
    """An empty line in a text stays one."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        fill = super()._fill_text
        return "\n\n".join(fill(part, width, indent) for part in text.split("\n\n"))


@dataclass(frozen=True, slots=True)
class Command:
    """One word after `rimward`. A module that serves one has `add_arguments(parser)` and `run(args, say) -> int`."""

    name: str
    words: str
    example: str
    add_arguments: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace, Callable[[str], None]], int]


def _served_by(module: str, name: str, words: str, example: str) -> Command:
    """A command whose module is imported only when it is asked for: the others should not wait for its libraries."""

    def add_arguments(parser: argparse.ArgumentParser) -> None:
        import_module(module, __package__).add_arguments(parser)

    def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
        status: int = import_module(module, __package__).run(args, say)
        return status

    return Command(name, words, example, add_arguments, run)


def _parser(argv: Sequence[str] | None = None) -> argparse.ArgumentParser:
    """The parser for this command line; without one, with the options of every command."""
    parser = _Parser(
        prog="rimward",
        description="Watches a player's shots through a webcam, measures each rep and gives one useful cue.",
        epilog=" ".join(CAUTIONS),
    )
    parser.add_argument("--version", action="version", version=f"rimward {version('rimward')}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for command in COMMANDS:
        own: argparse.ArgumentParser = commands.add_parser(
            command.name,
            help=command.words,
            description=command.words[0].upper() + command.words[1:] + ".",
            epilog=f"Example: {command.example}\n\n{' '.join(CAUTIONS)}",
            formatter_class=_Paragraphs,
        )
        own.set_defaults(run=command.run, command=command.name)
        own.add_argument("--settings", type=Path, metavar="FILE", help="your own settings (TOML)")
        if argv is None or command.name in argv[:1]:
            command.add_arguments(own)
    return parser


def _practice_arguments(parser: argparse.ArgumentParser) -> None:
    _session_arguments(parser)
    source = parser.add_mutually_exclusive_group()
    source.add_argument("--clip", type=Path, metavar="FILE", help="a recording instead of the camera")
    source.add_argument("--device", type=int, metavar="N", help="which camera, 0 is the first")
    who = parser.add_mutually_exclusive_group()
    who.add_argument("--player", metavar="NAME", help="under which name the session is kept")
    who.add_argument("--station", type=Path, metavar="FILE", help="several players in turn, as the file lists them")
    parser.add_argument("--hand", choices=("left", "right"), help="shooting hand; told from the shots otherwise")
    parser.add_argument("--stature-m", type=metres, metavar="X", help="height without shoes; scales lengths")
    parser.add_argument("--calibration", type=Path, metavar="FILE", help="where the hoop is (rimward calibrate)")
    parser.add_argument("--drill", metavar="NAME_OR_FILE", help="what is practised: a shipped drill or a file of yours")
    parser.add_argument("--focus", metavar="CHECK", help="speak of this one check only, for instance arm_line")
    parser.add_argument("--close", action="store_true", help="the camera stands within 1.5 m: fingers and palms too")


def _session_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--headless", action="store_true", help="no window and no sound, same results")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")
    parser.add_argument("--mute", action="store_true", help="no tones and no speech")
    parser.add_argument("--full-screen", action="store_true", help="the window fills the screen")
    parser.add_argument("--pose-model", metavar="FILE", help="a pose model bundle (.task) of your own")


def _calibrate_arguments(parser: argparse.ArgumentParser) -> None:
    from rimward.calibration.command import add_arguments

    add_arguments(parser)


def _setup_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from", dest="wheel", type=Path, metavar="FILE", help="a mediapipe 0.10.21 wheel at hand, or its folder"
    )


def _practice(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    from .options import settings_of
    from .practice import Options, practise
    from .settings import data_folder, machine_file

    _heed(args)
    settings = settings_of(args)
    chosen = machine_file(data_folder(settings))
    if chosen is not None and args.clip is None:
        say(f"Camera and pose network as `rimward bench --choose` found best for this machine ({chosen})")
    said = frozenset(fact for fact in ("hand", "stature_m") if getattr(args, fact) is not None)
    options = Options(
        args.clip,
        args.headless,
        args.json,
        said=said,
        calibration=args.calibration,
        drill=args.drill,
        station=args.station,
    )
    return practise(settings, options, say)


def _demo(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    from .assets import demo_clip, demo_player
    from .options import settings_of
    from .practice import Options, practise

    _heed(args)
    with demo_clip() as clip:
        # the same each time, however often it was watched
        settings = settings_of(args, player=demo_player(), targets={"after_reps": 0, "good_reps": 0})
        return practise(settings, Options(clip, args.headless, args.json, "Demo: an invented player"), say)


def _heed(args: argparse.Namespace) -> None:
    """Libraries that try this and that while they are imported now and then swallow a Ctrl-C."""
    if args.interrupts:
        raise KeyboardInterrupt


def _calibrate(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    from rimward.calibration.command import run

    from .calibrate import LENSES, calibrate_in_window, read_picture, wants_window
    from .options import settings_of
    from .settings import data_folder

    settings = settings_of(args)
    if wants_window(args):
        return calibrate_in_window(args, settings, say)
    return run(args, say, data_folder(settings) / LENSES, read_picture)


def _setup(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    from . import pose_model
    from .options import settings_of
    from .settings import data_folder

    pose_model.prepare(data_folder(settings_of(args)), wheel=args.wheel, progress=say)
    return 0


COMMANDS: tuple[Command, ...] = (
    Command(
        "practice",
        "the main job: camera or clip in, one cue per shot out, every rep saved",
        "rimward practice --player Sam --hand right --stature-m 1.78",
        _practice_arguments,
        _practice,
    ),
    Command(
        "demo",
        "the bundled clip through the whole program, without a camera",
        "rimward demo --headless --json",
        _session_arguments,
        _demo,
    ),
    Command(
        "calibrate",
        "where the hoop is: by clicks in a window, or from pictures and marks",
        "rimward calibrate --image court.png --points marks.json --out court.toml",
        _calibrate_arguments,
        _calibrate,
    ),
    _served_by(
        ".bench",
        "bench",
        "how well this machine keeps up, beside a bare loop around the same network",
        "rimward bench --headless",
    ),
    _served_by(
        ".review",
        "review",
        "recorded clips, any number: worked through in parallel, saved as sessions",
        "rimward review *.mp4 --player Sam",
    ),
    _served_by(
        ".report",
        "report",
        "one page for coach and player, to open in a browser or to print, from the saved sessions",
        "rimward report Sam --out report.html",
    ),
    _served_by(
        ".players",
        "players",
        "who is known: list, add, edit, rename, unite, remove",
        "rimward players add Sam --hand right --stature-m 1.78 --birth-year 2010",
    ),
    _served_by(
        ".player_targets",
        "targets",
        "what a player is held against: show, set, name, lock, free",
        "rimward targets Sam --set knee_min_deg=100:120 --name deep --lock",
    ),
    _served_by(".sessions", "sessions", "what was practised when", "rimward sessions --player Sam --since 2026-03-01"),
    _served_by(".show", "show", "one session: each measurement, each rep, the notes", "rimward show last"),
    _served_by(
        ".export",
        "export",
        "CSV and JSON Lines with a dictionary, and lifted shots as C3D and text",
        "rimward export --player Sam --out sam",
    ),
    _served_by(
        ".merge",
        "merge",
        "what other laptops recorded joins this one, without doubles",
        "rimward merge laptop2/rimward.db laptop3/rimward.db",
    ),
    _served_by(
        ".push",
        "push",
        "what this laptop has goes to a shared PostgreSQL server",
        "rimward push postgresql://coach@club.example/rimward",
    ),
    _served_by(
        ".pull",
        "pull",
        "what a shared PostgreSQL server has comes to this laptop",
        "rimward pull postgresql://coach@club.example/rimward",
    ),
    _served_by(".backup", "backup", "everything in one file, checked", "rimward backup sunday.zip"),
    _served_by(".restore", "restore", "everything as it was at a backup", "rimward restore sunday.zip"),
    _served_by(
        ".forget",
        "forget",
        "a player goes for good: database, files, and the server at the next push",
        "rimward forget Sam",
    ),
    Command(
        "setup",
        "prepare the pose model, once; afterwards no network is needed",
        "rimward setup",
        _setup_arguments,
        _setup,
    ),
)
