"""How an older database becomes a current one, step by step, in SQLite and in PostgreSQL alike.

Steps never refer to the tables of schema.py: those go on changing, and a step must do next year what it does today.
"""

from __future__ import annotations

from collections.abc import Callable

import sqlalchemy as sa
from alembic.migration import MigrationContext
from alembic.operations import Operations


def migrate(connection: sa.Connection, version: int, wanted: int) -> None:
    """All steps from `version` to `wanted`, in the caller's transaction: either all of them hold or none."""
    operations = Operations(MigrationContext.configure(connection))
    for step in range(version, wanted):
        STEPS[step](operations)


def _facts_notes_exchange(op: Operations) -> None:
    """From 1 to 2: what is known of players and sessions, notes, targets, and what an exchange needs."""
    for table, columns in {
        "players": (
            sa.Column("hand", sa.Text),
            sa.Column("stature_m", sa.Float),
            sa.Column("birth_year", sa.Integer),
            sa.Column("minor", sa.Boolean),
            sa.Column("pictures", sa.Boolean, nullable=False, server_default=sa.false()),
            sa.Column("notes", sa.Text, nullable=False, server_default=sa.text("''")),
            sa.Column("same_as", sa.Text),
            sa.Column("changed_utc", sa.Text),
        ),
        "sessions": (
            sa.Column("stature_m", sa.Float),
            sa.Column("drill", sa.Text),
            sa.Column("calibration", sa.Text),
            sa.Column("view", sa.Text),
            sa.Column("film", sa.Text),
            sa.Column("changed_utc", sa.Text),
        ),
        "reps": (sa.Column("changed_utc", sa.Text),),
    }.items():
        for column in columns:
            op.add_column(table, column)
    op.create_index("ix_sessions_film", "sessions", ["film"])
    # version 1 had files with this index and, made by hand, without it
    op.create_index("ix_sessions_player_id", "sessions", ["player_id"], if_not_exists=True)
    op.create_table(
        "notes",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("session_id", sa.Text, sa.ForeignKey("sessions.id"), nullable=False, index=True),
        sa.Column("rep_index", sa.Integer),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("t_s", sa.Float),
        sa.Column("author", sa.Text, nullable=False),
        sa.Column("created_utc", sa.Text, nullable=False),
        sa.Column("changed_utc", sa.Text),
        sa.Column("removed", sa.Boolean, nullable=False, server_default=sa.false()),
    )
    op.create_table(
        "targets",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("player_id", sa.Text, sa.ForeignKey("players.id"), nullable=False, index=True),
        sa.Column("measurement", sa.Text, nullable=False),
        sa.Column("low", sa.Float),
        sa.Column("high", sa.Float),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("locked", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.Column("author", sa.Text, nullable=False),
        sa.Column("created_utc", sa.Text, nullable=False),
        sa.Column("changed_utc", sa.Text),
        sa.Column("removed", sa.Boolean, nullable=False, server_default=sa.false()),
    )
    op.create_table(
        "forgotten",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("forgotten_utc", sa.Text, nullable=False),
    )


def _praise_answers(op: Operations) -> None:
    """From 2 to 3: praise that was spoken, and what was said when somebody asked."""
    for column in ("praise", "answer"):
        # alembic adds a reference as a constraint of its own, which SQLite cannot do afterwards
        op.execute(f"ALTER TABLE reps ADD COLUMN {column} INTEGER REFERENCES terms (id)")


STEPS: dict[int, Callable[[Operations], None]] = {1: _facts_notes_exchange, 2: _praise_answers}
"""STEPS[n] turns a database of version n into one of version n + 1."""
