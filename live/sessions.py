"""`rimward sessions`: what was practised when."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from .errors import UsageError

if TYPE_CHECKING:
    from .session_records import SavedSession


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("--player", metavar="NAME", help="only this player's (a name, or the first letters of the id)")
    parser.add_argument("--since", metavar="DATE", help="only from this day on, as 2026-03-01")
    parser.add_argument("--last", type=int, default=30, metavar="N", help="how many at most, the latest; 0 for all")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output, all sessions")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Print the sessions, the latest last. Raises RimwardError."""
    from .options import listed

    since = None if args.since is None else day(args.since)
    if args.last < 0:
        raise UsageError(f"--last must be 0 or more, got {args.last}")
    found = listed(args, say, lambda lists: lists.sessions(args.player, since))
    if args.json:
        for session in found:
            print(saved_session_line(session))
        return 0
    from .tables import print_table

    shown = found[-args.last :] if args.last else found
    viewed = any(session.start.view for session in shown)
    rows = [
        (
            f"{session.start.started_utc.astimezone():%Y-%m-%d %H:%M}",
            session.start.player,
            session.start.source if session.start.drill is None else session.start.drill,
            *((session.start.view or "-",) if viewed else ()),
            str(session.reps),
            made_of(session),
            length(session),
            session.start.id[:8],
        )
        for session in shown
    ]
    caption = "" if len(shown) == len(found) else f"the last {len(shown)} of {len(found)}; --last 0 shows all"
    if any(partly_known(session) for session in shown):
        caption = "; ".join(part for part in ("made: of those whose result is known", caption) if part)
    headings = ("began", "~player", "~drill or source", *(("~view",) if viewed else ()), ">reps", ">made", ">min", "id")
    print_table("Sessions", headings, rows, sys.stdout, caption)
    return 0


def day(text: str) -> datetime:
    """Its first instant, here. Raises UsageError."""
    try:
        return datetime.strptime(text, "%Y-%m-%d").astimezone()
    except ValueError:
        raise UsageError(f"a day must be given as 2026-03-01, got {text!r}") from None


def made_of(session: SavedSession) -> str:
    """7/10: made of those whose result is known; - where none is."""
    known = session.made + session.missed
    return f"{session.made}/{known}" if known else "-"


def partly_known(session: SavedSession) -> bool:
    """Whether the result of some reps is known, and of others not: then what `made_of` says is not of all reps."""
    return 0 < session.made + session.missed < session.reps


def length(session: SavedSession) -> str:
    """In minutes; - for a session without an end."""
    return "-" if session.summary is None else f"{session.summary.duration_s / 60:.1f}"


def saved_session_line(session: SavedSession) -> str:
    """One session as a JSON line."""
    start, summary = session.start, session.summary
    return json.dumps(
        {
            "kind": "session",
            "id": start.id,
            "player": start.player,
            "player_id": session.player_id,
            "started_utc": start.started_utc.isoformat(),
            "source": start.source,
            "drill": start.drill,
            "view": start.view,
            "calibration": start.calibration,
            "hand": start.hand,
            "stature_m": start.stature_m,
            "reps": session.reps,
            "made": session.made,
            "missed": session.missed,
            "duration_s": None if summary is None else round(summary.duration_s, 3),
            "frames": None if summary is None else summary.frames,
            "dropped": None if summary is None else summary.dropped,
            "settings_digest": start.settings_digest,
            "app_version": start.app_version,
        },
        allow_nan=False,
    )
