"""`rimward show`: one session in the terminal."""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from .plural import counted

if TYPE_CHECKING:
    from .history import History, Note
    from .records import Rep
    from .session_records import SavedSession

_NEEDS_CAMERA = "needs the camera's place: run rimward calibrate"
"""How the reasons of such measurements end (measure.py)."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "session", nargs="?", default="last", metavar="SESSION", help="first letters of its id; the last one otherwise"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Print the session: what each measurement came to, each rep, the notes. Raises RimwardError."""
    from .options import opened_store

    with opened_store(args, say) as store:
        session = store.session(args.session)
        session_id = session.start.id
        reps = store.reps(session_id)
        history = store.history(ids=[session_id])
        notes = store.notes(session_id)
    if args.json:
        _print_json(session, reps, notes)
    else:
        _print(session, reps, history, notes)
    return 0


def _print_json(session: SavedSession, reps: Sequence[Rep], notes: Sequence[Note]) -> None:
    from .json_lines import rep_line
    from .sessions import saved_session_line

    print(saved_session_line(session))
    for rep in reps:
        print(rep_line(rep))
    for note in notes:
        print(note_line(note))


def note_line(note: Note) -> str:
    """One note as a JSON line; `mark` is its kind, since `kind` names what a line is."""
    return json.dumps(
        {
            "kind": "note",
            "id": note.id,
            "session": note.session_id,
            "rep": note.rep_index,
            "mark": note.kind,
            "text": note.text,
            "t_s": note.t_s,
            "author": note.author,
            "created_utc": note.created_utc.isoformat(),
        },
        allow_nan=False,
    )


def _print(session: SavedSession, reps: Sequence[Rep], history: History, notes: Sequence[Note]) -> None:
    from .sessions import length, made_of, partly_known
    from .tables import plain, print_table

    start, out = session.start, sys.stdout
    title = f"{start.player}, {start.started_utc.astimezone():%Y-%m-%d %H:%M}, {counted(session.reps, 'rep')}"
    whose = " whose result is known" if partly_known(session) else ""
    about = [f"made {made_of(session)}{whose}", f"{length(session)} min", start.source]
    about += [f"drill {start.drill}"] if start.drill else []
    about += [f"view {start.view}"] if start.view else []
    about += ["with a calibration"] if start.calibration else []
    rows = [row for name in history.measurements if (row := _measured(name, history)) is not None]
    headings = ("~measurement", ">median", ">middle half", ">seen", "rep by rep")
    if rows:
        print_table(title, headings, rows, out, ", ".join(about))
    else:
        print(plain(f"{title}, {', '.join(about)}"), file=out)
    for line in _unseen(history):
        print(plain(line), file=out)
    if reps:
        print_table(
            "Reps", (">rep", ">at, s", "result", "~outside its band", "~said", "~notes"), _reps(reps, notes), out
        )
    for note in notes:
        if note.rep_index is None:
            print(plain(f"{note.kind}: {note.text}" + (f" ({note.author})" if note.author else "")), file=out)


def _unseen(history: History) -> list[str]:
    """What was never seen, and why; what only a calibration gives stands together."""
    lines, uncalibrated = [], []
    for name in history.measurements:
        if _measured(name, history) is not None:
            continue
        why = next(iter(history.reasons(name)), "not measured")
        if why.endswith(_NEEDS_CAMERA):
            uncalibrated.append(_label(name))
        else:
            lines.append(f"Not seen: {_label(name)}: {why}")
    if uncalibrated:
        lines.append(f"Not seen without the camera's place (rimward calibrate): {', '.join(uncalibrated)}")
    return lines


def _label(name: str) -> str:
    from .glossary import term

    return term(name).label


def _measured(name: str, history: History) -> tuple[str, ...] | None:
    """One row, in the unit that people read; None when it was not seen once."""
    from . import glossary, stats
    from .tables import plot

    column = history.measurements[name]
    session = stats.Session(column.value, column.sigma)
    summary = stats.summarise([session])
    if summary is None:
        return None
    words = glossary.term(name)
    places = glossary.decimals(summary.sigma * words.factor)
    low, high = (glossary.number(value * words.factor, places) for value in (summary.low, summary.high))
    return (
        words.label,
        glossary.with_error(name, summary.median, summary.sigma),
        low if low == high else f"{low} to {high}",
        f"{summary.reps}/{len(column.value)}",
        plot(column.value.tolist(), sys.stdout, width=20, error=session.sigma),
    )


def _reps(reps: Sequence[Rep], notes: Sequence[Note]) -> list[tuple[str, ...]]:
    from .tables import said_of

    rows: list[tuple[str, ...]] = []
    for rep in reps:
        outside = Counter(finding.check for finding in rep.findings if finding.verdict in ("below", "above"))
        own = [note for note in notes if note.rep_index == rep.index]
        rows.append(
            (
                str(rep.index),
                f"{rep.events.release_s:.1f}",
                rep.result or "-",
                ", ".join(check.replace("_", " ") for check in outside),
                said_of(rep),
                "; ".join(f"{note.kind} {note.text}".strip() for note in own),
            )
        )
    return rows
