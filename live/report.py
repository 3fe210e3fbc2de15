"""`rimward report`: one self-contained HTML file for coach and player, from the saved sessions.

The page needs no network and runs no script; its own policy forbids both. What it says comes from report_content.py,
what it shows from report_charts.py, how it looks from report.html.
"""

from __future__ import annotations

import argparse
import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from html import escape
from pathlib import Path

import numpy as np

from .assets import config_text, report_template
from .cautions import CAUTIONS
from .errors import RimwardError, StoreError, UsageError
from .glossary import decimals, number, term, with_error
from .history import Note, Target
from .options import opened_store, settings_of
from .records import Rep
from .rep_files import rep_file
from .report_content import content
from .report_records import ChosenRep, Mask, Panel, Report, Row
from .roster import Player
from .session_records import SavedSession
from .settings import Settings
from .store import Store
from .targets import MOST_REPS, InForce, Targets, in_force, set_by_coach
from .timeline import FOLLOW_THROUGH_S
from .words import read_words

_INSTANTS = (("set", "set point"), ("release", "release"), ("follow_through", "follow-through"))
_MOST_LISTED = 200
"""More shots than this are not listed one by one: that is what an export is for."""


@dataclass(frozen=True, slots=True)
class Subject:
    """Whose report it is, and about which of the sessions."""

    player: Player
    period: frozenset[str]
    """UUIDs of the sessions."""
    until: datetime
    """Just after the last of them; later sessions are left out."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `rimward report`."""
    parser.add_argument("who", metavar="PLAYER|SESSION", help="a player's name, or a session's id, or last")
    parser.add_argument("--out", type=Path, metavar="FILE", default=Path("report.html"), help="default: report.html")
    parser.add_argument(
        "--days", type=int, metavar="N", default=7, help="of a player: the last N days of practice (default 7)"
    )
    parser.add_argument("--force", action="store_true", help="write over a file that is there")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Write the report; the exit status. Raises RimwardError."""
    if args.days < 1:
        raise UsageError(f"--days must be 1 or more, got {args.days}")
    if args.out.exists() and not args.force:
        raise _taken(args.out)
    with opened_store(args, say) as store:
        page = page_of(store, args.who, settings_of(args), args.days, datetime.now(UTC))
    _write(args.out, page, args.force)
    say(f"{args.out} is written; open it in any browser")
    return 0


def page_of(store: Store, who: str, settings: Settings, days: int, now: datetime, zone: tzinfo | None = None) -> str:
    """The whole page. Raises StoreError for an unknown player or session."""
    subject = subject_of(store, who, days)
    history = store.history(subject.player.id, until=subject.until)
    period = np.array([session.start.id in subject.period for session in history.sessions], bool)
    words = read_words(config_text("words_en.toml"), "words_en.toml")
    targets = store.targets(subject.player.id)
    held_first, held = _held_against(store, settings, targets, history.sessions, period)
    report = content(
        history,
        period,
        player=subject.player.name,
        held=held,
        held_first=held_first,
        names={check: texts[0] for (check, kind), texts in words.items() if kind == "name"},
        targets=targets,
        notes=_notes(store, subject.period),
        generated=now,
        zone=zone,
    )
    pictures = subject.player.pictures_allowed(now.date())
    return render(report, lambda rep: key_pictures(store.folder, rep, pictures))


def _held_against(
    store: Store, settings: Settings, targets: Sequence[Target], sessions: Sequence[SavedSession], period: Mask
) -> tuple[list[InForce], list[InForce]]:
    """What the player was held against when the period began and at the end of its last session, when the reps that the
    coach called good there counted: shipped, own of the reps before, the coach's.
    """
    earlier = [session for session, inside in zip(sessions, period, strict=True) if not inside]
    first = _targets_after(store, settings, targets, earlier).bands()
    if not period.any():
        return in_force(first), in_force(first)
    last = int(np.flatnonzero(period)[-1])
    good = _good(store, sessions[last], store.reps(sessions[last].start.id))
    return in_force(first), in_force(_targets_after(store, settings, targets, sessions[:last]).bands(good))


def _good(store: Store, session: SavedSession, reps: Sequence[Rep]) -> list[Rep]:
    marked = {note.rep_index for note in store.notes(session.start.id) if note.kind in ("good", "best")}
    return [rep for rep in reps if rep.index in marked]


def _targets_after(
    store: Store, settings: Settings, targets: Sequence[Target], earlier: Sequence[SavedSession]
) -> Targets:
    """As a practice makes them (coaching.py) that begins after these sessions."""
    before: list[list[Rep]] = []
    good: list[list[Rep]] = []
    for session in reversed(earlier):
        if sum(map(len, before)) >= 2 * MOST_REPS:
            break
        before.insert(0, store.reps(session.start.id))
        good.insert(0, _good(store, session, before[0]))
    wish = settings.targets
    return Targets(
        defaults=settings.check_bands(),
        coach=[
            set_by_coach(one.measurement, one.low, one.high, name=one.name, locked=one.locked, author=one.author)
            for one in targets
        ],
        reps=[rep for reps in before for rep in reps],
        good=[rep for reps in good for rep in reps],
        after_reps=wish.after_reps,
        good_reps=wish.good_reps,
    )


def subject_of(store: Store, who: str, days: int) -> Subject:
    """A player's last days of practice, or one session. Raises StoreError when there is neither."""
    try:
        player = store.player(who)
    except StoreError as no_player:
        try:
            session = store.session(who)
        except StoreError:
            raise no_player from None
        owner = store.player(session.player_id)
        return Subject(owner, frozenset([session.start.id]), _after(session))
    sessions = store.sessions(player.id)
    shot = [session for session in sessions if session.reps] or sessions
    if not shot:
        return Subject(player, frozenset(), datetime.now(UTC))
    last = shot[-1].start.started_utc
    recent = [session for session in shot if last - session.start.started_utc < timedelta(days=days)]
    return Subject(player, frozenset(session.start.id for session in recent), _after(shot[-1]))


def _after(session: SavedSession) -> datetime:
    return session.start.started_utc + timedelta(microseconds=1)


def _notes(store: Store, sessions: frozenset[str]) -> list[Note]:
    """Without those on reps that were taken out: what does not count is neither praised nor found fault with."""
    out = {session: store.discarded(session) for session in sessions}
    notes = [note for session in sessions for note in store.notes(session) if note.rep_index not in out[session]]
    return sorted(notes, key=lambda note: (note.created_utc, note.id))


Look = Callable[[ChosenRep], tuple[list[tuple[str, str]], str]]
"""Gives (caption, markup) of a rep's key pictures, and a sentence on what is missing."""


def render(report: Report, look: Look) -> str:
    """HTML of a report. The same report gives the same text."""
    from jinja2 import Environment, StrictUndefined

    from . import report_charts as charts

    blocks = any(len(panel.values) > charts.MOST_MARKS for _, panel in report.panels)
    cards = [
        _card(row, panel, charts.shots(panel, f"a{k}"), charts.sessions(panel, f"b{k}"))
        for k, (row, panel) in enumerate(report.panels)
    ]
    looks = []
    for rep in (report.best, report.worst):
        if rep is not None:
            pictures, missing = look(rep)
            looks.append({"rep": rep, "pictures": pictures, "missing": missing})
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(report_template()).render(
        report=report,
        cautions=" ".join(CAUTIONS),
        cards=cards,
        blocks=blocks,
        changed=any(row.band_changed for row, _ in report.panels),
        timeline=charts.timeline(report.timeline, report.timeline_alt, "t") if len(report.timeline) > 1 else "",
        instants=[
            (one.label, number(one.median_s, 2), _span(one.low_s, one.high_s), one.reps) for one in report.timeline
        ],
        looks=looks,
    )


def _span(low: float, high: float) -> str:
    ends = number(low, 2), number(high, 2)
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


@dataclass(frozen=True, slots=True)
class Card:
    """One measurement with its pictures, as the template takes it."""

    row: Row
    unit: str
    inside: float
    unsure: float
    outside: float
    """Per cent of the judged shots."""
    shots: str
    sessions: str
    """SVG; empty for a single session."""
    table: tuple[tuple[str, str], ...]
    """(session, median with error)"""
    listed: str
    """Every shot; empty for too many."""


def _card(row: Row, panel: Panel, shots: str, sessions: str) -> Card:
    per_cent = 100 / max(1, row.inside + row.unsure + row.outside)
    seen = np.isfinite(panel.medians)
    places = decimals(float(np.median(panel.sigmas[panel.current & seen])))
    listed = ""
    if len(panel.values) <= _MOST_LISTED:
        listed = ", ".join("not seen" if not np.isfinite(v) else number(float(v), places) for v in panel.values)
    return Card(
        row=row,
        unit=panel.unit,
        inside=round(row.inside * per_cent, 1),
        unsure=round(row.unsure * per_cent, 1),
        outside=round(row.outside * per_cent, 1),
        shots=shots,
        sessions=sessions if int(seen.sum()) > 1 else "",
        table=tuple((panel.whens[k], _with_error(panel, int(k))) for k in np.flatnonzero(seen)),
        listed=listed,
    )


def _with_error(panel: Panel, k: int) -> str:
    factor = term(panel.name).factor
    return with_error(panel.name, float(panel.medians[k]) / factor, float(panel.sigmas[k]) / factor)


def key_pictures(folder: Path, rep: ChosenRep, allowed: bool) -> tuple[list[tuple[str, str]], str]:
    """(caption, markup) of set, release and follow-through: kept pictures where the player allows them, else the drawn
    skeleton, else nothing and a sentence that says so.
    """
    kept = [_kept_picture(folder, rep, what, words) for what, words in _INSTANTS] if allowed else []
    if found := [picture for picture in kept if picture is not None]:
        return found, ""
    if found := _drawn(folder, rep):
        return found, ""
    return [], "No picture and no skeleton of this shot was kept."


def _kept_picture(folder: Path, rep: ChosenRep, what: str, words: str) -> tuple[str, str] | None:
    try:
        picture = rep_file(folder, rep.session_id, rep.index, what, "jpg").read_bytes()
    except OSError:
        return None
    if not picture.startswith(b"\xff\xd8\xff"):  # not what it is called: nothing that a page should carry
        return None
    data = base64.b64encode(picture).decode("ascii")
    alt = escape(f"Shot {rep.index} at the {words}")
    return words.capitalize(), f'<img alt="{alt}" src="data:image/jpeg;base64,{data}">'


def _drawn(folder: Path, rep: ChosenRep) -> list[tuple[str, str]]:
    if not rep_file(folder, rep.session_id, rep.index, "trace", "npz").exists():
        return []
    from .report_charts import body
    from .traces import load_trace

    try:
        trace = load_trace(folder, rep.session_id, rep.index)
    except StoreError:  # the shot's numbers are worth a report without its drawing
        return []
    found = []
    for at_s, (_, words) in zip((rep.set_s, rep.release_s, rep.release_s + FOLLOW_THROUGH_S), _INSTANTS, strict=True):
        k = int(np.abs(trace.t_s - at_s).argmin()) if trace is not None else 0
        pose = trace.pose(k) if trace is not None else None
        if trace is not None and pose is not None:
            found.append(
                (words.capitalize(), body(pose, trace.ball(k), f"Skeleton of shot {rep.index} at the {words}"))
            )
    return found


def _write(path: Path, page: str, force: bool) -> None:
    """Over an existing file only when that was asked for. Raises UsageError."""
    made = False
    try:
        with path.open("w" if force else "x", encoding="utf-8") as file:
            made = not force
            file.write(page)
    except FileExistsError:  # it appeared meanwhile
        raise _taken(path) from None
    except OSError as error:
        if made:
            path.unlink(missing_ok=True)  # half a page is none
        raise UsageError(
            f"{path} must be writable, it is not ({error.strerror}); name another file with --out"
        ) from None


def _taken(path: Path) -> RimwardError:
    return UsageError(f"{path} is there already; name another file with --out, or add --force to write over it")
