"""`rimward review`: recorded clips worked through in parallel and saved as sessions, their reps looked at."""

from __future__ import annotations

import argparse
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)
from rich.table import Table
from rich.text import Text

from rimward.calibration.storage import load_background, load_calibration
from rimward.calibration.typed import metres

from . import traces
from .annotate import save_clip
from .batch import KnownClip, ReadClip, Work, cores, read_clips
from .coaching import coaching, load_words
from .desk import Desk
from .devices import ready_model
from .errors import DisplayError, StoreError, UsageError
from .figure import Take
from .json_lines import error_line, rep_line, session_line
from .known_player import settings_for
from .options import settings_of
from .reels import Films, Keeper, Reel, may_be_kept, may_be_shown, reels, save_key_pictures
from .rep_files import rep_file
from .roster import name_key, show_name
from .screen import screen_available
from .settings import Settings, data_folder
from .store import Store, open_store
from .viewpoint import commonest, viewpoint

Say = Callable[[str], None]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `rimward review`."""
    parser.add_argument("files", nargs="*", type=Path, metavar="FILE", help="clips; one that is done is not done again")
    parser.add_argument("--session", action="append", default=[], metavar="ID", help="a saved session, or last")
    parser.add_argument("--player", metavar="NAME", help="under which name the sessions are kept")
    parser.add_argument("--hand", choices=("left", "right"), help="shooting hand; told from the shots otherwise")
    parser.add_argument("--stature-m", type=metres, metavar="X", help="height without shoes; scales lengths")
    parser.add_argument("--calibration", type=Path, metavar="FILE", help="where the hoop is (rimward calibrate)")
    parser.add_argument("--pose-model", metavar="FILE", help="a pose model bundle (.task) of your own")
    parser.add_argument("--close", action="store_true", help="filmed from within 1.5 m: fingers and palms too")
    parser.add_argument("--jobs", type=_jobs, metavar="N", help="clips at a time; as many as there are processors")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")
    parser.add_argument("--open", action="store_true", help="look at the reps in the window, frame by frame")
    parser.add_argument("--full-screen", action="store_true", help="the window fills the screen")
    parser.add_argument("--annotate", type=Path, metavar="OUT.mp4", help="the reps as a clip with values drawn in it")
    parser.add_argument("--pictures", type=Path, metavar="FOLDER", help="set, release and follow-through of each rep")
    parser.add_argument("--rep", type=int, action="append", metavar="N", help="only this rep; may be given again")
    parser.add_argument("--force", action="store_true", help="write over files that are there")


def run(args: argparse.Namespace, say: Say) -> int:
    """Work through the clips, then show or write what was asked for.

    0 when each clip gave a session, 2 when at least one did not.
    """
    _refuse(args)
    settings = settings_of(args)
    files = list(dict.fromkeys(args.files))
    store = open_store(data_folder(settings), say)
    try:
        done = _analysed(args, files, settings, store, say) if files else []
        given = [one.session_id for one in done if one.session_id is not None]
        if args.open or args.annotate or args.pictures:
            _look(args, reels(store, [*given, *args.session]), store, say)
    finally:
        store.close()
    return 2 if any(one.session_id is None for one in done) else 0


def _refuse(args: argparse.Namespace) -> None:
    """What is wrong with the options is found before an hour of work. Raises UsageError or DisplayError."""
    if not args.files and not args.session:
        raise UsageError("a review needs clips, or --session ID of a saved one; name at least one")
    if args.session and not (args.open or args.annotate or args.pictures):
        raise UsageError("a saved session needs --open, --annotate or --pictures: nothing else is to be done with it")
    if args.annotate is not None:
        if args.annotate.suffix.lower() != ".mp4":
            raise UsageError(f"an annotated clip must be called .mp4, got {args.annotate}")
        if args.annotate.exists() and not args.force:
            raise UsageError(f"{args.annotate} is there already; --force writes over it")
    if args.open and not screen_available():
        raise DisplayError(
            "no window: this machine has no screen (DISPLAY is not set); --annotate and --pictures work without one"
        )


def _analysed(
    args: argparse.Namespace, files: Sequence[Path], settings: Settings, store: Store, say: Say
) -> list[Reviewed]:
    said = [name for name in ("hand", "stature_m") if getattr(args, name) is not None]
    settings = settings_for(store, settings, said, say)
    calibration = None if args.calibration is None else load_calibration(args.calibration)
    work = Work(
        settings,
        ready_model(settings, say),
        calibration,
        "" if args.calibration is None else traces.content_digest(args.calibration),
        None if args.calibration is None else load_background(args.calibration),
        pictures=_pictures_allowed(store, settings.player.name),
        coaching=coaching(settings, load_words(settings), store, None, calibration is not None, say),
    )
    done = analysed(files, work, store, min(args.jobs or cores(), len(files)), say, args.json)
    if not args.json:
        _print_table(done)
    return done


def _pictures_allowed(store: Store, name: str) -> bool:
    known = [player for player in store.players() if name_key(player.name) == name_key(name)]
    return any(player.pictures_allowed(date.today()) for player in known)


def _look(args: argparse.Namespace, found: Sequence[Reel], store: Store, say: Say) -> None:
    """The window, the annotated clip, the key pictures."""
    shown = [reel for reel in found if args.rep is None or reel.index in args.rep]
    if not shown:
        which = "" if args.rep is None else f" {', '.join(map(str, args.rep))}"
        raise UsageError(f"there must be a rep to look at, none{which} was kept in these sessions")
    closed = {reel.take.trace.film for reel in shown if not may_be_kept(reel)}
    if (args.annotate or args.pictures) and closed:
        players = {reel.player.id: reel.player for reel in shown if not may_be_kept(reel)}.values()
        for minors, why in (
            (False, "rimward players edit NAME --pictures yes allows them"),
            (True, "of minors there never are any"),
        ):
            if names := sorted({show_name(one.name) for one in players if one.is_minor(date.today()) is minors}):
                say(f"Skeletons only: no pictures of {', '.join(names)} are kept; {why}")
    with Films(reel for reel in shown if reel.take.trace.film not in closed) as films:
        if args.annotate:
            count = save_clip(args.annotate, [reel.take for reel in shown], films.picture)
            say(f"{args.annotate}: {_reps(len(shown))}, {count} frames")
        if args.pictures:
            written = [save_key_pictures(args.pictures, reel, films, force=args.force) for reel in shown]
            say(f"{args.pictures}: {sum(map(len, written))} pictures of {_reps(len(shown))}")
        for trouble in films.troubles:
            say(trouble)
        if args.open:
            _open(args, shown, films, store, say)


def _open(args: argparse.Namespace, shown: Sequence[Reel], kept: Films, store: Store, say: Say) -> None:
    from .review_screen import ReviewWindow

    hidden = {reel.take.trace.film for reel in shown if not may_be_shown(reel)}
    pictures = any(reel.take.trace.film not in hidden for reel in shown)
    desk = Desk([reel.take for reel in shown], [reel.remark for reel in shown], pictures=pictures)
    by_take = {id(reel.take): reel for reel in shown}
    folder = args.pictures or Path("rimward_pictures")

    def keep_pictures(taken: Take) -> str:
        try:
            save_key_pictures(folder, by_take[id(taken)], kept, force=True)
        except UsageError as error:
            return str(error)
        return f"Key pictures are in {folder}"

    window = ReviewWindow(full_screen=args.full_screen)
    try:
        with Films(reel for reel in shown if reel.take.trace.film not in hidden) as films:
            window.run(desk, films.picture, Keeper(store, shown).keep, keep_pictures, threading.Event())
            for trouble in films.troubles:
                say(trouble)
    finally:
        window.close()


@dataclass(frozen=True, slots=True)
class Reviewed:
    """What became of one clip."""

    path: Path
    session_id: str | None = None
    """None when it gave nothing."""
    reps: int = 0
    words: str = ""
    """What else there is to say of it."""


def analysed(files: Sequence[Path], work: Work, store: Store, jobs: int, say: Say, json: bool) -> list[Reviewed]:
    """Work through the clips that have no session yet, save each as soon as it is done, and say how it went.

    Everything that a broken-off run had finished is kept, and a session that it left unfinished is taken out.
    """
    known = {
        one.start.film: one.start.id
        for one in store.sessions()
        if one.start.film is not None and one.summary is not None
    }
    done: list[Reviewed] = []
    with _progress(len(files), say) as watch:
        for outcome in read_clips(files, work, known, jobs, watch.clip):
            if isinstance(outcome, ReadClip):
                for trouble in outcome.troubles:
                    watch.say(trouble if outcome.path.name in trouble else f"{outcome.path}: {trouble}")
                one = _saved(outcome, work, store)
            elif isinstance(outcome, KnownClip):
                one = _known(outcome, store)
            else:
                watch.say(outcome.message)
                one = Reviewed(outcome.path, words=outcome.message)
            done.append(one)
            watch.done(outcome.path, one)
            if json:
                _print_lines(one, store)
    order = {path: place for place, path in enumerate(files)}
    return sorted(done, key=lambda one: order[one.path])


def _saved(clip: ReadClip, work: Work, store: Store) -> Reviewed:
    for earlier in store.sessions_of_film(clip.key):
        if earlier.summary is not None:  # by another program, or another copy of the clip, a moment ago
            return _known(KnownClip(clip.path, clip.key, earlier.start.id), store)
        store.remove_session(earlier.start.id)
    player = work.settings.player
    writer = store.start_session(
        player=player.name,
        hand=player.hand,
        source=clip.path.name,
        settings_digest=work.settings.digest(),
        app_version=version("rimward"),
        stature_m=player.stature_m,
        calibration=work.calibration_digest[:16] or None,
        view=_view(clip, work),
        film=clip.key,
        started_utc=_recorded_utc(clip.path),
    )
    for one in clip.reps:
        index = one.rep.index
        writer.save(one.rep)
        traces.save_trace(store.folder, writer.id, index, one.trace)
        for name, content in one.pictures.items():
            rep_file(store.folder, writer.id, index, name, "jpg").write_bytes(content)
    traces.note_film(store.folder, writer.id, clip.path)
    writer.close(clip.summary)
    return Reviewed(clip.path, writer.id, len(clip.reps))


def _view(clip: ReadClip, work: Work) -> str | None:
    if work.calibration is None:
        return None
    return commonest([viewpoint(work.calibration, traces.unpacked(one.trace)) for one in clip.reps])


def _known(clip: KnownClip, store: Store) -> Reviewed:
    traces.note_film(store.folder, clip.session_id, clip.path)
    return Reviewed(clip.path, clip.session_id, len(store.reps(clip.session_id)), "done before")


def _recorded_utc(path: Path) -> datetime:
    """When the file was last written, which for a recording is its end: nearer to the practice than now."""
    try:
        written = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    except (OSError, OverflowError, ValueError):
        return datetime.now(UTC)
    return min(written, datetime.now(UTC))


def _print_lines(one: Reviewed, store: Store) -> None:
    clip = str(one.path)
    if one.session_id is None:
        print(error_line(one.words, clip=clip), flush=True)
        return
    try:
        reps, summary = store.reps(one.session_id), store.session(one.session_id).summary
    except StoreError as error:  # the database refused; the session waits in a side file
        print(error_line(str(error), clip=clip), flush=True)
        return
    for rep in reps:
        print(rep_line(rep, clip=clip, session=one.session_id), flush=True)
    if summary is not None:
        print(session_line(len(reps), summary, clip=clip, session=one.session_id), flush=True)


def _print_table(done: Sequence[Reviewed]) -> None:
    table = Table(title="Clips")
    for heading, justify in (("clip", "left"), ("reps", "right"), ("session", "left"), ("", "left")):
        table.add_column(heading, justify=justify, overflow="fold")  # type: ignore[arg-type]
    for one in done:
        count = "-" if one.session_id is None else str(one.reps)
        words = "gave nothing" if one.session_id is None else one.words
        table.add_row(Text(show_name(one.path.name)), count, (one.session_id or "-")[:8], words)
    Console(file=sys.stdout).print(table)


def _reps(count: int) -> str:
    return "1 rep" if count == 1 else f"{count} reps"


def _jobs(text: str) -> int:
    jobs = int(text)
    if not 1 <= jobs <= 64:
        raise ValueError(text)
    return jobs


# ---- progress


@dataclass
class _Watch:
    """A progress bar on a terminal, else one line a clip; all on standard error."""

    total: int
    say: Say
    bars: Progress | None = None
    whole: TaskID | None = None
    finished: int = 0
    running: dict[Path, TaskID] = field(default_factory=dict)

    def clip(self, path: Path, frames: int, claimed: int | None) -> None:
        """So many frames of this clip are done."""
        if self.bars is None:
            return
        if path not in self.running:
            self.running[path] = self.bars.add_task(path.name, total=claimed)
        self.bars.update(self.running[path], completed=frames)

    def done(self, path: Path, one: Reviewed) -> None:
        """This clip is over."""
        self.finished += 1
        if self.bars is not None and self.whole is not None:
            if path in self.running:
                self.bars.remove_task(self.running.pop(path))
            self.bars.update(self.whole, completed=self.finished)
        elif one.session_id is not None:
            before = f" ({one.words})" if one.words else ""
            self.say(f"{self.finished}/{self.total} {show_name(path.name)}: {_reps(one.reps)}{before}")


@contextmanager
def _progress(total: int, say: Say) -> Iterator[_Watch]:
    console = Console(stderr=True)
    if not console.is_terminal:
        yield _Watch(total, say)
        return
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True) as bars:
        # words above the bars, not through them
        watch = _Watch(total, lambda line: console.print(line, markup=False, highlight=False, soft_wrap=True), bars)
        watch.whole = bars.add_task("clips", total=total)
        yield watch
