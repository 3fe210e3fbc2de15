"""Rows of another database that cannot be of Rimward stay out, one by one, and the rest comes."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from practised import Day, practise

from rimward.live.errors import StoreError
from rimward.live.merge import merge
from rimward.live.store import open_store


@pytest.fixture
def theirs(tmp_path) -> Path:
    store = practise(tmp_path / "theirs", "Ada", [Day(reps=3, made=0.5), Day(reps=2, after_days=1)], seed=1)
    store.close()
    return store.path


def changed(path: Path, *statements: str) -> Path:
    with closing(sqlite3.connect(path)) as db:
        for statement in statements:
            db.execute(statement)
        db.commit()
    return path


def taken_over(path: Path, folder: Path) -> tuple[list[int], list[str]]:
    """Reps of each session after a merge into a new database, and what was said."""
    said: list[str] = []
    store = open_store(folder, said.append)
    merge(store, path, said.append)
    reps = [len(store.reps(session.start.id, discarded=True)) for session in store.sessions()]
    store.close()
    return reps, said


def test_a_sound_database_comes_whole(theirs, tmp_path):
    reps, said = taken_over(theirs, tmp_path / "ours")
    assert reps == [3, 2]
    assert said == []


def test_a_rep_outlives_the_words_that_were_said_of_it(theirs, tmp_path):
    reps, _ = taken_over(changed(theirs, "UPDATE reps SET praise = 99999, answer = 99999"), tmp_path / "ours")
    assert reps == [3, 2]


@pytest.mark.parametrize(
    ("statement", "left"),
    [
        pytest.param("UPDATE reps SET set_s = 1e9 WHERE number = 1", [2, 2], id="set after release"),
        pytest.param("UPDATE reps SET release_s = 9e999 WHERE number = 1", [2, 2], id="infinite"),
        pytest.param("UPDATE reps SET rep_index = -1 WHERE number = 1", [2, 2], id="no index"),
        pytest.param("UPDATE reps SET hand = 'third' WHERE number = 1", [2, 2], id="another hand"),
        pytest.param("UPDATE reps SET result = 'maybe' WHERE number = 1", [2, 2], id="another result"),
        pytest.param("UPDATE reps SET motion = x'fffe' WHERE number = 1", [2, 2], id="bytes for a text"),
        pytest.param("UPDATE sessions SET started_utc = '9999-99-99' WHERE rowid = 1", [2], id="no date"),
        pytest.param("UPDATE sessions SET id = '../../x' WHERE rowid = 1", [2], id="a path for an id"),
        pytest.param("UPDATE sessions SET source = 'a' || char(0) WHERE rowid = 1", [2], id="NUL"),
        pytest.param("UPDATE measurements SET sigma = -1 WHERE value IS NOT NULL", [3, 2], id="no error"),
    ],
)
def test_what_cannot_be_stays_out_and_that_is_said(theirs, tmp_path, statement, left):
    reps, said = taken_over(changed(theirs, statement), tmp_path / "ours")
    assert reps == left
    assert "cannot be of rimward and stay out" in said[0]


def test_of_a_player_a_wrong_fact_is_forgotten_and_not_the_player(theirs, tmp_path):
    changed(theirs, "UPDATE players SET hand = 'third', stature_m = 17.0, birth_year = 1, pictures = 7")
    assert taken_over(theirs, tmp_path / "ours")[0] == [3, 2]
    store = open_store(tmp_path / "ours")
    (player,) = store.players()
    store.close()
    assert (player.hand, player.stature_m, player.birth_year, player.pictures) == (None, None, None, False)


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TRIGGER t AFTER DELETE ON reps BEGIN DELETE FROM players; END",
        "CREATE VIEW v AS SELECT * FROM reps",
        "CREATE VIRTUAL TABLE f USING fts5(text)",
    ],
    ids=["trigger", "view", "virtual table"],
)
def test_a_database_with_parts_that_act_by_themselves_is_refused(theirs, tmp_path, statement):
    try:
        changed(theirs, statement)
    except sqlite3.OperationalError as error:
        pytest.skip(f"this SQLite cannot make one: {error}")
    with pytest.raises(StoreError, match="is a database, but not one of rimward"):
        taken_over(theirs, tmp_path / "ours")


def test_a_version_that_no_program_had_is_refused(theirs, tmp_path):
    with pytest.raises(StoreError, match="is a database, but not one of rimward"):
        taken_over(changed(theirs, "PRAGMA user_version = -5"), tmp_path / "ours")
