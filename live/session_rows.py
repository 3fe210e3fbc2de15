"""One change of a session written into the database, inside the caller's transaction."""

from __future__ import annotations

from datetime import UTC
from typing import Any
from uuid import UUID, uuid5

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.dialects.sqlite import insert as insert_or_skip

from . import player_rows, removal, roster
from .records import Events, Rep
from .schema import cues, findings, measurements, reps, sessions, terms
from .session_records import SessionStart, SessionSummary
from .side_file import Change


def apply(connection: Connection, change: Change) -> bool:
    """False when the rep is there already, or the rep that is to change is not."""
    if removal.is_forgotten(connection, change.start.id):
        return True  # taken out on purpose while it ran, or before its side file came
    _ensure_session(connection, change.start)
    if change.rep is not None:
        return _insert_rep(connection, change.start, change.rep)
    if change.result_of is not None:
        return _update_rep(connection, change.start, change.result_of, result=change.result)
    if change.answer_of is not None:
        term = _term_ids(connection, {change.answer})
        return _update_rep(connection, change.start, change.answer_of, answer=term[change.answer])
    if change.discarded is not None:
        return _update_rep(connection, change.start, change.discarded, discarded=True)
    if change.restored is not None:
        return _update_rep(connection, change.start, change.restored, discarded=False)
    values: dict[str, Any] = {} if change.view is None else {"view": change.view}
    if change.summary is not None:
        values |= {name: getattr(change.summary, name) for name in SessionSummary.__slots__}
    if values:
        values["changed_utc"] = roster.now_utc()
        connection.execute(update(sessions).where(sessions.c.id == change.start.id).values(values))
    return True


def _ensure_session(connection: Connection, start: SessionStart) -> None:
    if connection.scalar(select(sessions.c.id).where(sessions.c.id == start.id)) is not None:
        return
    started_utc = start.started_utc.astimezone(UTC).isoformat()
    player = player_rows.namesake(connection, start.player)
    if player is None:
        # what was said of somebody new is remembered, so that it need not be said again
        hand = None if start.hand == "auto" else start.hand
        facts = {} if start.player == roster.UNNAMED else {"hand": hand, "stature_m": start.stature_m}
        player = player_rows.add(connection, start.player, started_utc, facts)
    connection.execute(
        insert(sessions).values(
            id=start.id,
            player_id=player,
            hand=start.hand,
            source=start.source,
            settings_digest=start.settings_digest,
            app_version=start.app_version,
            started_utc=started_utc,
            stature_m=number(start.stature_m),
            drill=start.drill,
            calibration=start.calibration,
            view=start.view,
            film=start.film,
        )
    )


def _update_rep(connection: Connection, start: SessionStart, index: int, **values: object) -> bool:
    which = (reps.c.session_id == start.id) & (reps.c.rep_index == index)
    values["changed_utc"] = roster.now_utc()
    return connection.execute(update(reps).where(which).values(values)).rowcount > 0


def _insert_rep(connection: Connection, start: SessionStart, rep: Rep) -> bool:
    which = (reps.c.session_id == start.id) & (reps.c.rep_index == rep.index)
    if connection.scalar(select(reps.c.number).where(which)) is not None:
        return False
    term = _term_ids(connection, _texts(rep))
    inserted = connection.execute(
        insert(reps).values(
            id=str(uuid5(UUID(start.id), str(rep.index))),  # the same rep gets the same id wherever it is merged
            session_id=start.id,
            rep_index=rep.index,
            hand=rep.hand,
            motion=rep.motion,
            release_phase=rep.release_phase,
            result=rep.result,
            praise=term.get(rep.praise),
            answer=term.get(rep.answer),
            discarded=False,
            **{instant: number(getattr(rep.events, instant)) for instant in Events.__slots__},
        )
    )
    assert inserted.inserted_primary_key is not None
    rep_number = inserted.inserted_primary_key[0]
    if rep.measurements:
        connection.execute(
            insert(measurements),
            [
                {
                    "rep": rep_number,
                    "position": position,
                    "name": term[name],
                    "value": number(measured.value),
                    "sigma": number(measured.sigma),
                    "basis": term.get(measured.basis),
                    "reason": term.get(measured.reason),
                }
                for position, (name, measured) in enumerate(rep.measurements.items())
            ],
        )
    if rep.findings:
        connection.execute(
            insert(findings),
            [
                {
                    "rep": rep_number,
                    "position": position,
                    "check": term[finding.check],
                    "verdict": term[finding.verdict],
                    "measurement": term[finding.measurement],
                    "excess_sigmas": number(finding.excess_sigmas),
                }
                for position, finding in enumerate(rep.findings)
            ],
        )
    if rep.cue is not None:
        connection.execute(insert(cues).values(rep=rep_number, check=term[rep.cue.check], text=term[rep.cue.text]))
    return True


def _texts(rep: Rep) -> set[str]:
    texts: set[str | None] = {*rep.measurements, rep.praise, rep.answer}
    for measured in rep.measurements.values():
        texts |= {measured.basis, measured.reason}
    for finding in rep.findings:
        texts |= {finding.check, finding.verdict, finding.measurement}
    if rep.cue is not None:
        texts |= {rep.cue.check, rep.cue.text}
    return {text for text in texts if text is not None}


def _term_ids(connection: Connection, texts: set[str]) -> dict[str | None, int]:
    if not texts:
        return {}
    connection.execute(insert_or_skip(terms).on_conflict_do_nothing(), [{"text": text} for text in sorted(texts)])
    found = connection.execute(select(terms.c.text, terms.c.id).where(terms.c.text.in_(texts)))
    return {row.text: row.id for row in found}


def number(value: float | None) -> float | None:
    """SQLite's driver refuses NumPy's own types."""
    return None if value is None else float(value)
