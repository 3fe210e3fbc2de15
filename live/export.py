"""`rimward export`: everything as open files, with a dictionary that says what each column is and in which unit."""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import StoreError, UsageError
from .plural import counted

if TYPE_CHECKING:
    from .history import Note, Target
    from .records import Rep
    from .roster import Player
    from .session_records import SavedSession
    from .store import Store

FORMATS = ("csv", "jsonl", "skeleton")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="a new or empty folder")
    parser.add_argument("--player", metavar="NAME", help="only this player")
    parser.add_argument("--session", metavar="ID", help="only this session (first letters of its id, or last)")
    parser.add_argument("--since", metavar="DATE", help="only from this day on, as 2026-03-01")
    parser.add_argument(
        "--format",
        default=",".join(FORMATS),
        metavar="LIST",
        help="csv (tables), jsonl (JSON Lines), skeleton (each lifted shot as C3D and text); all of them unless said",
    )


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Write the files; returns the exit status. Raises RimwardError."""
    from . import demo
    from .options import opened_store
    from .roster import is_demo
    from .sessions import day

    formats = tuple(part.strip() for part in args.format.split(","))
    if not set(formats) <= set(FORMATS):
        raise UsageError(f"--format must be some of {', '.join(FORMATS)}, got {args.format!r}")
    if args.session is not None and (args.player is not None or args.since is not None):
        raise UsageError("--session names one session by itself; leave out --player and --since")
    with opened_store(args, say) as store:
        if args.session is not None:
            chosen = [store.session(args.session)]
        else:
            chosen = store.sessions(args.player, None if args.since is None else day(args.since))
        if args.session is None and args.player is None:
            shown = [one for one in chosen if is_demo(one.start.player, (one.start.source,))]
            chosen = [one for one in chosen if one not in shown]
            if shown:
                say(f"Left out: {counted(len(shown), 'session')} of the demo; --player {demo.PLAYER} exports it")
        wanted = {session.player_id for session in chosen}
        if args.player is not None:
            wanted.add(store.player(args.player).id)
        people = [player for player in store.players() if player.id in wanted]
        written = export(store, people, chosen, args.out, formats)
    say(f"Exported {written} to {args.out}")
    return 0


def export_player(store: Store, player: Player, out: Path) -> None:
    """Everything about one player in every format. Raises StoreError."""
    export(store, [player], store.sessions(player.id), out, FORMATS)


def export(
    store: Store, people: Sequence[Player], chosen: Sequence[SavedSession], out: Path, formats: Sequence[str]
) -> str:
    """Write these sessions into a new or empty folder; gives what was written in words. Raises StoreError."""
    if out.exists() and not out.is_dir():
        raise StoreError(f"{out} must be a new or empty folder, it is a file; choose another")
    if not out.absolute().parent.is_dir():  # as in backup: a mistyped name of a stick is no folder on this very disk
        raise StoreError(
            f"{out} must lie in a folder that is there, found no {out.parent}; make it, or mend the name; "
            "nothing was exported"
        )
    try:
        out.mkdir(exist_ok=True)
        if any(out.iterdir()):
            raise StoreError(f"{out} must be a new or empty folder, it holds files; choose another")
        count, skeletons = 0, 0
        with ExitStack() as closing:
            sinks = _sinks(store, people, chosen, out, formats, closing)
            for session in chosen:
                reps = store.reps(session.start.id, discarded=True)
                kept = {rep.index for rep in reps} - store.discarded(session.start.id)
                notes = store.notes(session.start.id)
                count += len(kept)
                for sink in sinks:
                    sink(session, [(rep, rep.index in kept) for rep in reps], notes)
                if "skeleton" in formats:
                    skeletons += _skeletons(store, session, reps, out / "skeletons")
        dictionary(out / "dictionary.csv", store, chosen)
    except OSError as error:
        raise StoreError(f"{out} cannot be written ({error.strerror or error}); what is there is not whole") from None
    more = f" and {counted(skeletons, 'skeleton')}" if skeletons else ""
    return f"{counted(len(chosen), 'session')} with {counted(count, 'rep')}{more}"


_Sink = Callable[["SavedSession", list[tuple["Rep", bool]], list["Note"]], None]


def _sinks(
    store: Store,
    people: Sequence[Player],
    chosen: Sequence[SavedSession],
    out: Path,
    formats: Sequence[str],
    closing: ExitStack,
) -> list[_Sink]:
    sinks: list[_Sink] = []
    targets = [(player, target) for player in people for target in store.targets(player.id)]
    if "csv" in formats:
        names = measured_names(store, chosen)

        def table(name: str, columns: Iterable[str]) -> Any:
            # with a byte order mark: spreadsheets take the file for an old encoding otherwise
            file = closing.enter_context((out / name).open("w", encoding="utf-8-sig", newline=""))
            writer = csv.DictWriter(file, list(columns))
            writer.writeheader()
            return writer

        table("players.csv", PLAYER).writerows(map(_player_row, people))
        table("targets.csv", TARGET).writerows(_target_row(player, target) for player, target in targets)
        session_table, note_table = table("sessions.csv", SESSION), table("notes.csv", NOTE)
        rep_table = table("reps.csv", [*REP, *(f"{name}{end}" for name in names for end in ("", "_sigma"))])
        long_table = table("measurements.csv", MEASURED)

        def to_tables(session: SavedSession, reps: list[tuple[Rep, bool]], notes: list[Note]) -> None:
            session_table.writerow(_safe(_session_content(session)))
            note_table.writerows(_safe(_note_content(note)) for note in notes)
            for rep, kept in reps:
                rep_table.writerow(_safe(_rep_row(session, rep, kept, names)))
                long_table.writerows(_measured_rows(session, rep))

        sinks.append(to_tables)
    if "jsonl" in formats:
        lines = closing.enter_context((out / "history.jsonl").open("w", encoding="utf-8"))
        for player in people:
            lines.write(_json(_player_content(player) | {"kind": "player"}))
        for player, target in targets:
            lines.write(_json(_target_content(player, target) | {"kind": "target"}))

        def to_lines(session: SavedSession, reps: list[tuple[Rep, bool]], notes: list[Note]) -> None:
            from .json_lines import rep_line

            lines.write(_json(_session_content(session) | {"kind": "session"}))
            for rep, kept in reps:
                content = json.loads(rep_line(rep))
                lines.write(_json(content | {"session": session.start.id, "discarded": not kept}))
            for note in notes:
                lines.write(_json(_note_content(note) | {"kind": "note"}))

        sinks.append(to_lines)
    return sinks


def measured_names(store: Store, chosen: Sequence[SavedSession]) -> list[str]:
    """Names of all measurements in these sessions: those that this program knows in its order, then the others."""
    from .glossary import TERMS

    found = store.measured([session.start.id for session in chosen])
    return [name for name in TERMS if name in found] + sorted(found - TERMS.keys())


# ------------------------------------------------------------------------------------------------- what is written
PLAYER = {
    "id": ("", "UUID of the player"),
    "name": ("", "Name as it was typed in"),
    "hand": ("", "Shooting hand, left or right; empty: not known"),
    "stature_m": ("m", "Height without shoes; empty: not known"),
    "birth_year": ("", "Year of birth; empty: not known"),
    "minor": ("", "true or false as it was said; empty: told from the year of birth"),
    "pictures": ("", "Whether pictures may be kept (never of minors)"),
    "notes": ("", "What coach and player wrote"),
}
TARGET = {
    "player": ("", "UUID of the player"),
    "measurement": ("", "Name of the measurement"),
    "low": ("as in the name", "Lower end; empty: open"),
    "high": ("as in the name", "Upper end; empty: open"),
    "name": ("", "What the coach calls the target"),
    "locked": ("", "Whether the player's own reps may not move it"),
    "author": ("", "Who set it"),
    "created_utc": ("ISO 8601", "When it was set"),
}
SESSION = {
    "id": ("", "UUID of the session"),
    "player_id": ("", "UUID of the player"),
    "player": ("", "Name of the player"),
    "started_utc": ("ISO 8601", "When the session, or the recording, began"),
    "source": ("", "Camera, or file name of the recording"),
    "drill": ("", "Drill; empty: none"),
    "view": ("", "From where the camera saw most shots: side, half front, front or behind; empty: not known"),
    "calibration": ("", "Which calibration was used; empty: none"),
    "hand": ("", "Shooting hand that was set: left, right, or auto (told from the shots)"),
    "stature_m": ("m", "Height that was used for scale; empty: not known"),
    "reps": ("1", "Reps without the discarded ones"),
    "made": ("1", "Reps that went in"),
    "missed": ("1", "Reps that did not; the others are not known"),
    "duration_s": ("s", "From the first to the last picture; empty: the session has no end"),
    "frames": ("1", "Pictures that were looked at"),
    "dropped": ("1", "Pictures of the camera that nobody looked at"),
    "settings_digest": ("", "Equal for sessions with equal settings"),
    "app_version": ("", "Version of rimward"),
}
REP = {
    "session": ("", "UUID of the session"),
    "player": ("", "Name of the player"),
    "rep": ("1", "Counts from 1 within the session"),
    "discarded": ("", "true: taken out by player or coach"),
    "result": ("", "made or missed; empty: not known"),
    "hand": ("", "Shooting hand"),
    "motion": ("", "one_motion or two_motion; empty: not told"),
    "release_phase": ("", "Release while rising, at the peak or falling; empty: not told"),
    "pickup_s": ("s", "Ball in the hands; all times count from the session's first picture"),
    "dip_s": ("s", "Ball lowest"),
    "knee_min_s": ("s", "Deepest knee bend"),
    "set_s": ("s", "Smallest elbow angle before the push"),
    "release_s": ("s", "Ball leaves the hand"),
    "apex_s": ("s", "Mid-hip highest"),
    "landing_s": ("s", "Feet back on the floor"),
    "cue": ("", "What was said after the rep"),
    "cue_check": ("", "Which check that cue belongs to"),
    "praise": ("", "What was said of a fault that is mended"),
    "asked": ("", "true: somebody asked what the rep was like"),
    "answer": ("", "What was said then; empty: a tone alone, or nobody asked"),
    "below": ("", "Checks whose measurement is clearly below its band"),
    "above": ("", "Checks whose measurement is clearly above its band"),
}
MEASURED = {
    "session": ("", "UUID of the session"),
    "rep": ("1", "Counts from 1 within the session"),
    "measurement": ("", "Name; the unit is its ending"),
    "value": ("as in the name", "Empty: not measured, see reason"),
    "sigma": ("as in the name", "One standard deviation of the value's own error"),
    "basis": ("", "image, lifted (three dimensions), ball or timing"),
    "reason": ("", "Why there is no value"),
}
NOTE = {
    "id": ("", "UUID of the note"),
    "session": ("", "UUID of the session"),
    "rep": ("1", "Index of the rep; empty: about the session"),
    "mark": ("", "note, good, bad, best or ask"),
    "text": ("", "The words"),
    "t_s": ("s", "Instant that is meant, the session's clock; empty: none"),
    "author": ("", "Who wrote it"),
    "created_utc": ("ISO 8601", "When"),
}
SKELETON = {
    "t_s": ("s", "The session's clock"),
    "point": ("", "Joint, eyes or ball"),
    "x_m": ("m", "Hoop frame: origin on the floor below the ring's centre, x to the right of a shooter who faces it"),
    "y_m": ("m", "Forward, from the court toward the board"),
    "z_m": ("m", "Up"),
    "sigma_x_m": ("m", "One standard deviation of x's own error"),
    "sigma_y_m": ("m", "The same of y"),
    "sigma_z_m": ("m", "The same of z"),
}
_UNITS = {"_deg": "degrees", "_mps": "m/s", "_m": "m", "_s": "s"}


def dictionary(path: Path, store: Store, chosen: Sequence[SavedSession]) -> None:
    """What each column of each file is. Raises OSError."""
    from .glossary import term

    tables = {"players.csv": PLAYER, "targets.csv": TARGET, "sessions.csv": SESSION, "reps.csv": REP}
    tables |= {"measurements.csv": MEASURED, "notes.csv": NOTE, "skeletons/*.csv": SKELETON}
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        lines = csv.writer(file)
        lines.writerow(("file", "column", "unit", "definition"))
        for name, columns in tables.items():
            lines.writerows((name, column, unit, words) for column, (unit, words) in columns.items())
        for measured in measured_names(store, chosen):
            words = term(measured)
            unit = unit_of(measured)
            lines.writerow(("reps.csv", measured, unit, f"{words.label}: {words.definition}".rstrip(": ")))
            lines.writerow(("reps.csv", f"{measured}_sigma", unit, "One standard deviation of that value's own error"))
        lines.writerow(("history.jsonl", "kind", "", "player, target, session, rep or note: what the line is"))
        lines.writerow(("history.jsonl", "(others)", "", "Named as in the tables; null: not known"))
        lines.writerow(("skeletons/*.c3d", "points", "mm", "As in the text file beside it, at an even rate"))
        lines.writerow(("skeletons/*.c3d", "residuals", "", "0: computed, its error is in the text; -1: not known"))
        lines.writerow(("*.csv", "texts", "", "Begin with ' where a spreadsheet would take them for a formula"))


def unit_of(name: str) -> str:
    """The unit that a measurement's name ends with."""
    return next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")


def _player_content(player: Player) -> dict[str, object]:
    return {column: getattr(player, column) for column in PLAYER}


def _player_row(player: Player) -> dict[str, object]:
    return _safe(_player_content(player))


def _target_content(player: Player, target: Target) -> dict[str, object]:
    content = {column: getattr(target, column) for column in TARGET if column not in ("player", "created_utc")}
    return {"player": player.id, **content, "created_utc": target.created_utc.isoformat()}


def _target_row(player: Player, target: Target) -> dict[str, object]:
    return _safe(_target_content(player, target))


def _session_content(session: SavedSession) -> dict[str, object]:
    from .sessions import saved_session_line

    content: dict[str, object] = json.loads(saved_session_line(session))
    return {column: content[column] for column in SESSION}


def _note_content(note: Note) -> dict[str, object]:
    from .show import note_line

    content: dict[str, object] = json.loads(note_line(note))
    return {column: content[column] for column in NOTE}


def _rep_row(session: SavedSession, rep: Rep, kept: bool, names: Sequence[str]) -> dict[str, object]:
    from .records import Events

    row: dict[str, object] = {
        "session": session.start.id,
        "player": session.start.player,
        "rep": rep.index,
        "discarded": not kept,
        "result": rep.result,
        "hand": rep.hand,
        "motion": rep.motion,
        "release_phase": rep.release_phase,
        "cue": None if rep.cue is None else rep.cue.text,
        "cue_check": None if rep.cue is None else rep.cue.check,
        "praise": rep.praise,
        "asked": rep.answer is not None,
        "answer": rep.answer,
    }
    row |= {instant: _rounded(getattr(rep.events, instant)) for instant in Events.__slots__}
    for verdict in ("below", "above"):
        row[verdict] = " ".join(finding.check for finding in rep.findings if finding.verdict == verdict)
    for name in names:
        if (measured := rep.measurements.get(name)) is not None and measured.value is not None:
            row[name], row[f"{name}_sigma"] = _rounded(measured.value), _digits(measured.sigma)
    return row


def _measured_rows(session: SavedSession, rep: Rep) -> Iterator[dict[str, object]]:
    for name, measured in rep.measurements.items():
        yield {
            "session": session.start.id,
            "rep": rep.index,
            "measurement": name,
            "value": _rounded(measured.value),
            "sigma": _digits(measured.sigma),
            "basis": measured.basis,
            "reason": measured.reason,
        }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4) + 0.0


def _digits(sigma: float | None) -> float | None:
    return None if sigma is None else float(f"{sigma:.3g}")


def _safe(row: dict[str, object]) -> dict[str, object]:
    """Texts that people typed in, so that no spreadsheet runs them; the rest as it is."""
    return {
        column: f"'{value}"
        if isinstance(value, str) and value.startswith(_FORMULA)
        else str(value).lower()
        if isinstance(value, bool)
        else value
        for column, value in row.items()
    }


def _json(content: dict[str, object]) -> str:
    order = {"kind": content["kind"]} | content
    return json.dumps(order, allow_nan=False, ensure_ascii=False) + "\n"


def _skeletons(store: Store, session: SavedSession, reps: Sequence[Rep], folder: Path) -> int:
    from .mocap import write_c3d, write_text
    from .traces import load_trace

    count = 0
    for rep in reps:
        trace = load_trace(store.folder, session.start.id, rep.index)
        if trace is None or trace.space is None or len(trace.space.t_s) < 2:
            continue
        folder.mkdir(exist_ok=True)
        stem = folder / f"{session.start.id}_{rep.index:04d}"
        write_text(stem.with_suffix(".csv"), trace.space)
        write_c3d(stem.with_suffix(".c3d"), trace.space, rep.events)
        count += 1
    return count
