"""Players, notes, targets, and many reps as columns; databases that an older program made."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from practised import Day, practise

from rimward.live import listing, rep_files, roster, schema
from rimward.live.errors import StoreError
from rimward.live.history import VERDICTS
from rimward.live.known_player import settings_for
from rimward.live.listing import glance
from rimward.live.places import DATABASE, pending_folders
from rimward.live.roster import Player
from rimward.live.settings import load_settings
from rimward.live.store import Store, open_store

OLD = Path(__file__).parent / "databases"


@pytest.fixture
def store(tmp_path) -> Store:
    opened = open_store(tmp_path / "data", lambda _line: None)
    yield opened
    opened.close()


@pytest.fixture
def practised(tmp_path) -> Store:
    """Two sessions of Ada, the second with a view that hides the knees."""
    days = [
        Day(reps=6, made=0.5),
        Day(reps=4, after_days=2, hidden={"knee_min_deg": "the knee was outside the picture"}),
    ]
    opened = practise(tmp_path / "data", "Ada", days)
    yield opened
    opened.close()


# ---- players


def test_a_player_with_facts_is_read_back(store):
    added = store.add_player("Ada", hand="left", stature_m=1.62, birth_year=2012, pictures=True, notes="calm")
    assert store.players() == [added]
    assert (added.hand, added.stature_m, added.birth_year, added.pictures, added.notes) == (
        "left", 1.62, 2012, True, "calm",
    )  # fmt: skip
    edited = store.edit_player(added.id, hand=None, stature_m=1.64)
    assert (edited.hand, edited.stature_m, edited.birth_year) == (None, 1.64, 2012)


@pytest.mark.parametrize(
    ("facts", "minor"),
    [
        ({}, False),
        ({"birth_year": 2012}, True),
        ({"birth_year": 2008}, True),  # eighteen in the course of that year
        ({"birth_year": 2007}, False),
        ({"minor": True}, True),
        ({"birth_year": 2012, "minor": False}, False),
    ],
)
def test_pictures_are_kept_of_adults_who_allow_them(facts, minor):
    on = date(2026, 7, 1)
    for allowed in (True, False):
        player = Player("id", "Ada", datetime.now(UTC), pictures=allowed, **facts)
        assert player.is_minor(on) is minor
        assert player.pictures_allowed(on) is (allowed and not minor)
    assert not Player("id", "Ada", datetime.now(UTC), **facts).pictures_allowed(on)  # off unless said


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"hand": "both"}, "hand must be left or right, got 'both'"),
        ({"stature_m": 17.8}, "stature must be between 1 and 2.4 m, got 17.8"),
        ({"birth_year": 12}, "birth year must be between 1900 and"),
        ({"mood": "good"}, "of a player can be said .* got mood"),
    ],
)
def test_facts_that_cannot_be(store, facts, words):
    with pytest.raises(StoreError, match=words):
        store.add_player("Ada", **facts)
    assert store.players() == []


@pytest.mark.parametrize("again", ["Ada", "ada", " Ada ", "ＡＤＡ"])
def test_a_name_is_taken_once_however_it_is_written(store, again):
    store.add_player("Ada")
    with pytest.raises(StoreError, match=r"there is a player .* already"):
        store.add_player(again)
    other = store.add_player("Bo")
    with pytest.raises(StoreError, match=r"there is a player .* already"):
        store.edit_player(other.id, name=again)


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("  Ada\tQuill ", "Ada Quill"),
        ("Ada\x1b[31m", "Ada [31m"),
        ("A\u202eda", "Ada"),  # turns the direction of what follows on the screen
        ("E\u0301mile", "\u00c9mile"),
        ("<b>Ada</b>", "<b>Ada</b>"),  # text like any other: who makes HTML of it escapes it
        ("می\u200cخواهم", "می\u200cخواهم"),
        ("李小龙", "李小龙"),
    ],
)
def test_names_are_kept_as_they_can_be_shown(store, typed, kept):
    assert store.add_player(typed).name == kept
    assert store.player(typed).name == kept


@pytest.mark.parametrize("name", ["", " ", "\x1b\x00", "x" * 81])
def test_a_name_must_be_one(store, name):
    with pytest.raises(StoreError, match="name must have 1 to 80 letters"):
        store.add_player(name)


def test_an_unknown_name_is_refused_with_those_that_are_like_it(store):
    with pytest.raises(StoreError, match="no player Ada; rimward players lists"):
        store.player("Ada")
    store.add_player("Adam Quill")
    store.add_player("Bo")
    with pytest.raises(StoreError, match=r"no player Ada Quill; did you mean Adam Quill\?"):
        store.player("Ada Quill")
    with pytest.raises(StoreError, match=r"no player \\x1b\[2J"):
        store.player("\x1b[2J")


def test_a_player_is_found_by_the_first_letters_of_the_id(store):
    ada = store.add_player("Ada")
    assert store.player(ada.id[:8]) == ada
    assert store.player(ada.id) == ada


def test_two_records_of_one_person_become_one(tmp_path):
    practise(tmp_path, "Ada", [Day(reps=3)]).close()
    store = practise(tmp_path, "Adda", [Day(reps=2)], seed=1)
    ada, adda = store.player("Ada"), store.player("Adda")
    store.edit_player(adda.id, stature_m=1.7, notes="tall")
    united = store.unite_players(ada.id, adda.id)
    assert (united.sessions, united.reps, united.stature_m, united.notes) == (2, 5, 1.7, "tall")
    assert [player.name for player in store.players()] == ["Ada"]
    assert [session.start.player for session in store.sessions("Ada")] == ["Ada", "Ada"]
    with pytest.raises(StoreError, match="cannot be united with himself or herself"):
        store.unite_players(ada.id, ada.id)
    store.close()


# ---- practice knows them


def settings_said(**player: object):
    return load_settings(None, {"player": {"name": "Ada", **player}})


def test_practice_takes_what_is_stored_where_nothing_was_said(store):
    store.add_player("Ada", hand="left", stature_m=1.62)
    said: list[str] = []
    taken = settings_for(store, settings_said(), (), said.append).player
    assert (taken.hand, taken.stature_m) == ("left", 1.62)
    taken = settings_for(store, settings_said(hand="right"), ("hand",), said.append).player
    assert (taken.hand, taken.stature_m) == ("right", 1.62)
    assert (store.player("Ada").hand, said) == ("left", [])  # said for one session


def test_what_was_said_is_remembered_where_nothing_was_stored(store):
    store.add_player("Ada", hand="left")
    settings_for(store, settings_said(stature_m=1.62), ("stature_m",), print)
    assert store.player("Ada").stature_m == 1.62


def test_somebody_new_is_created_and_similar_names_are_mentioned(store):
    store.add_player("Adda", hand="left")
    said: list[str] = []
    taken = settings_for(store, settings_said(), (), said.append).player
    assert (taken.name, taken.hand) == ("Ada", "auto")
    assert said == ["Ada is a new player; known is Adda"]
    store.start_session(player="Ada", hand="right", stature_m=1.7, source="c", settings_digest="", app_version="")
    new = store.player("Ada")
    assert (new.hand, new.stature_m) == ("right", 1.7)


def test_nothing_is_remembered_of_somebody_without_a_name(store, shipped):
    """It may be anybody: the next one without a name would be measured as a left-hander of that size."""
    nameless = shipped.player.name
    store.start_session(player=nameless, hand="left", stature_m=1.5, source="c", settings_digest="", app_version="")
    assert (store.player(nameless).hand, store.player(nameless).stature_m) == (None, None)
    said = shipped.model_copy(update={"player": shipped.player.model_copy(update={"hand": "left"})})
    settings_for(store, said, ("hand",), print)
    assert settings_for(store, shipped, (), print).player.hand == "auto"


def test_without_a_database_practice_goes_by_the_settings(tmp_path):
    (tmp_path / "file").write_text("in the way")
    store = open_store(tmp_path / "file", lambda _line: None)
    assert settings_for(store, settings_said(), (), print) == settings_said()


# ---- sessions


def test_sessions_of_one_player_and_since(practised):
    practised.add_player("Bo")
    first, second = practised.sessions("ada")
    assert practised.sessions("Bo") == []
    assert practised.sessions(since=second.start.started_utc) == [second]
    assert practised.sessions("Ada", first.start.started_utc - timedelta(days=1)) == [first, second]
    assert (first.reps, first.made + first.missed, second.made + second.missed) == (6, 6, 0)


def test_a_session_is_found_by_its_first_letters_and_as_the_last(practised):
    first, second = practised.sessions()
    assert practised.session("last") == second
    assert practised.session(first.start.id[:8]) == first
    for asked in (first.start.id[:3], "%%%%", "____", "nope"):
        with pytest.raises(StoreError, match="has no session"):
            practised.session(asked)


def test_a_session_of_a_film_is_found_by_its_digest(store):
    began = datetime(2026, 3, 1, 9, tzinfo=UTC)
    writer = store.start_session(
        player="Ada", hand="auto", source="a clip.mp4", settings_digest="", app_version="", film="abc",
        view="side", drill="free throws", calibration="gym.toml", started_utc=began,
    )  # fmt: skip
    (found,) = store.sessions_of_film("abc")
    assert found.start == writer.start
    assert (found.start.started_utc, found.start.view, found.start.drill) == (began, "side", "free throws")
    assert store.sessions_of_film("other") == []


def test_a_removed_session_is_gone_with_its_files(practised):
    first, second = practised.sessions()
    file = rep_files.rep_file(practised.folder, first.start.id, 1, "trace", "npz")
    file.parent.mkdir(parents=True)
    file.touch()
    practised.add_note(first.start.id, "a note", rep_index=1)
    practised.remove_session(first.start.id)
    assert practised.sessions() == [second]
    assert not file.parent.exists()


# ---- columns


def test_columns_hold_what_the_records_hold(practised):
    history = practised.history()
    assert len(history.index) == 10
    assert list(history.session) == [0] * 6 + [1] * 4
    row = 0
    for session in practised.sessions():
        for rep in practised.reps(session.start.id):
            assert history.index[row] == rep.index
            assert history.sessions[history.session[row]].start.id == session.start.id
            made = {"made": 1.0, "missed": 0.0, None: np.nan}[rep.result]
            np.testing.assert_equal(history.made[row], made)
            assert history.events["release_s"][row] == rep.events.release_s
            assert np.isnan(history.events["landing_s"][row])
            assert list(rep.measurements) == list(history.measurements)
            for name, measured in rep.measurements.items():
                column = history.measurements[name]
                np.testing.assert_equal(column.value[row], np.nan if measured.value is None else measured.value)
                np.testing.assert_equal(column.sigma[row], np.nan if measured.sigma is None else measured.sigma)
                for place, word in ((column.basis[row], measured.basis), (column.reason[row], measured.reason)):
                    assert (None if place < 0 else history.words[place]) == word
            for finding in rep.findings:
                assert VERDICTS[history.verdicts[finding.check][row]] == finding.verdict
            said = None if history.cues[row] < 0 else history.words[history.cues[row]]
            assert said == (None if rep.cue is None else rep.cue.text)
            row += 1


def test_columns_leave_out_discarded_reps_and_other_sessions(practised):
    first, second = practised.sessions()
    with practised.changing() as connection:
        connection.exec_driver_sql("UPDATE reps SET discarded = 1 WHERE rep_index = 2")
    assert list(practised.history(ids=[second.start.id]).index) == [1, 3, 4]
    assert list(practised.history("Ada", until=second.start.started_utc).index) == [1, 3, 4, 5, 6]
    assert practised.history(ids=[]).index.shape == (0,)
    assert first.reps == 6


def test_reasons_are_counted(practised):
    history = practised.history()
    assert history.reasons("knee_min_deg") == {"the knee was outside the picture": 4}
    assert np.isnan(history.measurements["knee_min_deg"].value[6:]).all()


def test_an_empty_history(store):
    history = store.history()
    assert (history.sessions, dict(history.measurements), dict(history.verdicts)) == ((), {}, {})


# ---- notes and targets


def test_notes_are_written_changed_and_taken_back(practised):
    session = practised.sessions()[0].start.id
    about_all = practised.add_note(session, "a good day", author="coach")
    about_one = practised.add_note(session, rep_index=3, kind="best", t_s=31.5)
    assert practised.notes(session) == [about_all, about_one]
    assert practised.notes(session, 3) == [about_one]
    practised.edit_note(about_all.id, "a very good day")
    practised.remove_note(about_one.id)
    (left,) = practised.notes(session)
    assert left.text == "a very good day"
    with pytest.raises(StoreError, match="has no note"):
        practised.remove_note(about_one.id)


def test_a_note_needs_something_to_be_about(practised):
    session = practised.sessions()[0].start.id
    with pytest.raises(StoreError, match="has no rep 77 in session"):
        practised.add_note(session, "?", rep_index=77)
    with pytest.raises(StoreError, match="has no session nope"):
        practised.add_note("nope", "?")


def test_a_target_takes_the_place_of_the_one_before(practised):
    ada = practised.player("Ada")
    practised.set_target(ada.id, "knee_min_deg", 100.0, 130.0)
    target = practised.set_target(ada.id, "knee_min_deg", None, 120.0, name="deep", locked=True, author="coach")
    assert practised.targets(ada.id) == [target]
    practised.remove_target(target.id)
    assert practised.targets(ada.id) == []
    with pytest.raises(ValueError, match="low end must be below"):
        practised.set_target(ada.id, "knee_min_deg", 130.0, 100.0)
    with pytest.raises(ValueError, match="needs a low or a high end"):
        practised.set_target(ada.id, "knee_min_deg", None, None)


# ---- an older program's file


@pytest.mark.parametrize("version", ["v1", "v2"])
def test_a_database_that_an_older_version_made_is_read_whole(tmp_path, version):
    """Made by the program of that time: databases/make_old.py."""
    shutil.copy(OLD / f"{version}.db", tmp_path / "rimward.db")
    said: list[str] = []
    store = open_store(tmp_path, said.append)
    assert len(said) == 1
    assert "brought up to date" in said[0]
    assert [(player.name, player.sessions, player.reps) for player in store.players()] == [
        ("Ada Quill", 2, 5),
        ("Émile Vaux", 1, 3),
    ]
    first, second, third = store.sessions()
    assert (first.made, first.reps, third.summary) == (1, 3, None)
    assert [rep.index for rep in store.reps(first.start.id, discarded=True)] == [1, 2, 3, 4]
    assert store.reps(second.start.id)[1].cue.text == "Hold the follow-through"
    np.testing.assert_allclose(store.history("Ada Quill").measurements["elbow_at_set_deg"].value, [71, 72, 74, 71, 72])
    store.add_note(first.start.id, "still works", rep_index=4)
    new = practise(tmp_path, "Ada Quill", [Day(reps=2)])
    (added,) = [session for session in new.sessions() if session.start.source == "invented"]
    assert [rep.praise for rep in new.reps(added.start.id)] == [None, "That held"]
    new.close()
    store.close()
    assert (tmp_path / f"rimward.before-version-{schema.VERSION}.db").exists()


# ---- where files lie


def test_files_of_a_rep(tmp_path):
    session = "00000000-0000-4000-8000-000000000001"
    path = rep_files.rep_file(tmp_path, session, 7, "release", "jpg")
    assert path == tmp_path / "media" / session / "0007_release.jpg"
    assert list(rep_files.files_of(tmp_path, session)) == []
    path.parent.mkdir(parents=True)
    path.touch()
    (path.parent / "something else.txt").touch()
    assert list(rep_files.files_of(tmp_path, session)) == [path]


@pytest.mark.parametrize("session", ["../..", "nope", "/etc"])
def test_a_session_that_is_no_uuid_leads_nowhere(tmp_path, session):
    with pytest.raises(ValueError, match="badly formed"):
        rep_files.session_folder(tmp_path, session)


@pytest.mark.parametrize(("what", "suffix"), [("../x", "jpg"), ("Release", "jpg"), ("release", "exe"), ("", "npz")])
def test_other_files_of_a_rep_are_refused(tmp_path, what, suffix):
    with pytest.raises(ValueError, match="must be called like"):
        rep_files.rep_file(tmp_path, "00000000-0000-4000-8000-000000000001", 1, what, suffix)


def test_lines_for_people_show_what_would_steer_a_terminal():
    assert roster.show_name("a\x1b[2Jb\x07") == "a\\x1b[2Jb\\x07"


def test_a_list_at_a_glance_is_the_stores_and_leaves_the_rest_to_it(tmp_path):
    practise(tmp_path, "Ada", [Day(reps=5, made=0.5), Day(reps=3, after_days=3)], seed=1).close()
    practise(tmp_path, "Émile 李", [Day(reps=2, after_days=1)], seed=2).close()
    store = open_store(tmp_path)
    ada, _ = store.players()
    store.edit_player(ada.id, birth_year=2012, pictures=True, minor=True)
    store.unite_players(ada.id, store.add_player("Ada Q").id)
    with glance(tmp_path) as lists:
        assert lists.players() == store.players()
        assert lists.sessions() == store.sessions()
        since = store.sessions()[1].start.started_utc
        assert lists.sessions("ada", since) == store.sessions("ada", since)
        with pytest.raises(StoreError, match="there is no player Bo"):
            lists.sessions("Bo")
    practise(tmp_path, "Bo", [Day(reps=1)]).close()
    store.close()
    assert len(open_store(tmp_path).players()) == 3
    side_file = pending_folders(tmp_path)[0] / "one.jsonl"
    side_file.write_text("")
    with pytest.raises(sqlite3.Error), glance(tmp_path):  # the store merges it first
        pass
    side_file.unlink()
    with closing(sqlite3.connect(tmp_path / DATABASE)) as raw:
        raw.execute("PRAGMA user_version = 1")
    for folder in (tmp_path, tmp_path / "none"):
        with pytest.raises(sqlite3.Error), glance(folder):  # the store brings it up to date, or makes one
            pass
    assert listing.VERSION == schema.VERSION


def test_a_file_that_lacks_a_column_is_told_in_one_line(tmp_path):
    """As a hostile backup may: found by tests/fuzz.py."""
    practise(tmp_path, "Ada", [Day(reps=1)]).close()
    with closing(sqlite3.connect(tmp_path / DATABASE)) as raw:
        raw.execute("ALTER TABLE sessions DROP COLUMN app_version")
    with closing(open_store(tmp_path)) as store, pytest.raises(StoreError, match="app_version"):
        store.sessions()
    with glance(tmp_path) as lists, pytest.raises(sqlite3.Error, match="app_version"):
        lists.sessions()
