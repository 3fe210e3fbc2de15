"""What another database says that cannot be of Rimward is taken out of the copy of it before anything is carried over.

A file from somebody else may be damaged in ways that SQLite does not see, or be made to do harm: a wrong type, a number
that is none, a date that is none, a text with a NUL. One such row carried over would spoil every later look at the
history. Here rows are judged in the database, in one statement a table; the original is not touched.
"""

from __future__ import annotations

import sqlite3
from datetime import datetime
from typing import get_args
from uuid import UUID

from sqlalchemy import Boolean, Float, Integer, Table

from .records import Basis, Motion, ReleasePhase, Result, Verdict
from .schema import METADATA
from .skeleton import Side

_LONGEST = 20_000
"""Letters of one text; notes of a coach are the longest."""
_GREATEST_WHOLE, _GREATEST = 10**15, 1e300
"""No number of a session comes near them; infinity lies beyond, and NaN is NULL to SQLite."""


def _among(column: str, values: object, null: bool = True) -> str:
    listed = ", ".join(f"'{value}'" for value in get_args(values))
    return f"({column} IN ({listed})" + (f" OR {column} IS NULL)" if null else ")")


def _said(column: str, values: object) -> str:
    return f"{column} IN (SELECT id FROM terms WHERE {_among('text', values, null=False)})"


_TERM = "IN (SELECT id FROM terms)"
_FACTS = {"hand": "NULL", "stature_m": "NULL", "birth_year": "NULL", "minor": "1", "pictures": "0", "notes": "''"}
"""Of a player one wrong fact is forgotten, not the player: doubtful is who may not be shown."""
_SAID = ("praise", "answer")
"""Of a rep these are forgotten where their words are lost, not the rep."""
_FIT: dict[str, str] = {
    "terms": "1",
    "players": "time_ok(created_utc) AND (changed_utc IS NULL OR time_ok(changed_utc)) AND length(name) <= 200",
    "sessions": "uuid_ok(id) AND player_id IN (SELECT id FROM players) AND hand IN ('left', 'right', 'auto')"
    " AND time_ok(started_utc) AND (changed_utc IS NULL OR time_ok(changed_utc))"
    " AND (frames IS NULL OR (frames >= 0 AND dropped >= 0 AND duration_s >= 0))",
    "reps": "session_id IN (SELECT id FROM sessions) AND rep_index BETWEEN 1 AND 10000000 AND set_s < release_s"
    f" AND hand IN ('left', 'right') AND {_among('motion', Motion)} AND {_among('release_phase', ReleasePhase)}"
    f" AND {_among('result', Result)} AND (changed_utc IS NULL OR time_ok(changed_utc)) AND uuid_ok(id)",
    "measurements": f"rep IN (SELECT number FROM reps) AND name {_TERM} AND ((value IS NULL AND sigma IS NULL AND"
    f" basis IS NULL AND reason {_TERM}) OR (value IS NOT NULL AND sigma > 0 AND {_said('basis', Basis)}"
    " AND reason IS NULL))",
    "findings": f'rep IN (SELECT number FROM reps) AND "check" {_TERM} AND measurement {_TERM}'
    f" AND {_said('verdict', Verdict)}",
    "cues": f'rep IN (SELECT number FROM reps) AND "check" {_TERM}'
    " AND text IN (SELECT id FROM terms WHERE cue_ok(text))",
    "notes": "session_id IN (SELECT id FROM sessions) AND time_ok(created_utc) AND (changed_utc IS NULL OR"
    " time_ok(changed_utc)) AND (rep_index IS NULL OR rep_index >= 1)",
    "targets": "player_id IN (SELECT id FROM players) AND time_ok(created_utc) AND (changed_utc IS NULL OR"
    " time_ok(changed_utc)) AND (low IS NOT NULL OR high IS NOT NULL) AND (low IS NULL OR high IS NULL OR low < high)",
    "forgotten": "time_ok(forgotten_utc)",
}
"""What must be true of a row, besides the types of its columns; tables in the order in which they hang together."""


class Strange(Exception):
    """The database has parts that no program of ours makes and that could act by themselves."""


def refuse_strange(copy: sqlite3.Connection) -> None:
    """Raises Strange where the database has more than tables and indices, sqlite3.Error where it is damaged."""
    for kind, name, sql in copy.execute("SELECT type, name, sql FROM sqlite_master"):
        if kind not in ("table", "index") or "virtual" in str(sql)[:40].casefold():
            raise Strange(f"it holds a {kind} {str(name)[:40]!r}")


def keep_plausible(copy: sqlite3.Connection) -> int:
    """Remove the rows of a database of this version that cannot be; gives how many. Raises sqlite3.Error."""
    for name, arguments, function in (
        ("time_ok", 1, _is_time),
        ("uuid_ok", 1, _is_uuid),
        ("cue_ok", 1, _is_cue),
        ("text_ok", 1, _is_text),
    ):
        copy.create_function(name, arguments, function, deterministic=True)
    removed = 0
    for name, fit in _FIT.items():
        table = METADATA.tables[name]
        if name == "players":
            _forget_wrong_facts(copy, table)
        for said in _SAID if name == "reps" else ():
            copy.execute(f"UPDATE reps SET {said} = NULL WHERE {said} NOT {_TERM}")
        types = " AND ".join(_typed(table, column.name) for column in table.columns)
        removed += copy.execute(f"DELETE FROM {name} WHERE NOT coalesce({types} AND {fit}, 0)").rowcount
    copy.commit()
    return removed


def _forget_wrong_facts(copy: sqlite3.Connection, players: Table) -> None:
    for fact, otherwise in _FACTS.items():
        ranges = {
            "hand": _among("hand", Side),
            "stature_m": "(stature_m IS NULL OR stature_m BETWEEN 0.5 AND 2.8)",
            "birth_year": "(birth_year IS NULL OR birth_year BETWEEN 1900 AND 2200)",
        }
        fit = f"{_typed(players, fact)} AND {ranges.get(fact, '1')}"
        copy.execute(f"UPDATE players SET {fact} = {otherwise} WHERE NOT coalesce({fit}, 0)")


def _typed(table: Table, name: str) -> str:
    """SQL that is true where the column holds what its type says."""
    column, quoted = table.columns[name], f'"{name}"'
    if isinstance(column.type, Boolean):
        fit = f"(typeof({quoted}) = 'integer' AND {quoted} IN (0, 1))"
    elif isinstance(column.type, Integer):
        fit = f"(typeof({quoted}) = 'integer' AND {quoted} BETWEEN {-_GREATEST_WHOLE} AND {_GREATEST_WHOLE})"
    elif isinstance(column.type, Float):
        fit = f"(typeof({quoted}) IN ('integer', 'real') AND {quoted} BETWEEN {-_GREATEST} AND {_GREATEST})"
    else:
        fit = f"(typeof({quoted}) = 'text' AND text_ok(CAST({quoted} AS BLOB)))"
    return f"({fit} OR {quoted} IS NULL)" if column.nullable else fit


def _is_text(content: bytes | None) -> bool:
    try:
        return content is not None and len(content) <= _LONGEST and "\0" not in content.decode()
    except UnicodeDecodeError:
        return False


def _is_time(text: object) -> bool:
    try:
        return isinstance(text, str) and datetime.fromisoformat(text).utcoffset() is not None
    except ValueError:
        return False


def _is_uuid(text: object) -> bool:
    try:
        return isinstance(text, str) and str(UUID(text)) == text
    except ValueError:
        return False


def _is_cue(text: object) -> bool:
    return isinstance(text, str) and 1 <= len(text.split()) <= 6
