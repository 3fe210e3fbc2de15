"""Databases of several laptops become one: nothing twice, nothing lost, the later change holds."""

from __future__ import annotations

import shutil
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from practised import Day, practise

from rimward.live import exchange, rep_files, roster
from rimward.live.errors import StoreError
from rimward.live.exchange import Brought
from rimward.live.merge import merge, told
from rimward.live.other import opened_copy
from rimward.live.settings import load_settings
from rimward.live.store import Store, open_store

OLD = Path(__file__).parent / "databases"


@pytest.fixture
def laptops(tmp_path) -> Iterator[dict[str, Store]]:
    """Three laptops: Ada practised at two of them, Bo at the third."""
    stores = {
        "one": practise(tmp_path / "one", "Ada", [Day(reps=5, made=0.5), Day(reps=3, after_days=1)], seed=1),
        "two": practise(tmp_path / "two", "Ada", [Day(reps=4, after_days=0.1)], seed=2),
        "three": practise(tmp_path / "three", "Bo", [Day(reps=2, after_days=0.2)], seed=3),
    }
    yield stores
    for store in stores.values():
        store.close()


def brought_by(store: Store, other: Store) -> Brought:
    return merge(store, other.path, lambda _line: None)


def reps_of(store: Store) -> dict[str, list[object]]:
    return {session.start.id: store.reps(session.start.id, discarded=True) for session in store.sessions()}


def test_three_laptops_are_united_without_doubles(laptops):
    one, two, three = laptops.values()
    everything = {**reps_of(one), **reps_of(two), **reps_of(three)}
    first = brought_by(one, two)
    second = brought_by(one, three)
    assert (first.players, first.sessions, first.reps) == (1, 1, 4)
    assert (second.players, second.sessions, second.reps) == (1, 1, 2)
    assert reps_of(one) == everything
    assert [(player.name, player.reps) for player in one.players()] == [("Ada", 12), ("Bo", 2)]
    assert told(brought_by(one, two)) == told(brought_by(one, three)) == "nothing new"
    assert reps_of(one) == everything


def test_every_order_comes_to_the_same(laptops, tmp_path):
    ways = []
    for number, order in enumerate(("one two three", "three one two", "two three one two")):
        store = open_store(tmp_path / f"all{number}")
        for name in order.split():
            brought_by(store, laptops[name])
        with store.reading() as connection:
            people = connection.exec_driver_sql("SELECT id, name, same_as FROM players ORDER BY id").all()
        ways.append((reps_of(store), people))
        store.close()
    assert ways[0] == ways[1] == ways[2]


def test_the_other_database_is_only_read(laptops):
    one, two, _ = laptops.values()
    two.close()
    before = two.path.read_bytes()
    brought_by(one, two)
    assert two.path.read_bytes() == before


def test_columns_of_a_united_database_are_those_of_its_parts(laptops):
    one, two, _ = laptops.values()
    parts = [one.history(), two.history()]
    brought_by(one, two)
    united = one.history("Ada")
    values = united.measurements["elbow_at_set_deg"].value
    assert sorted(values) == sorted(np.concatenate([part.measurements["elbow_at_set_deg"].value for part in parts]))


def test_the_later_change_of_a_rep_and_of_a_note_holds(laptops):
    one, two, _ = laptops.values()
    brought_by(two, one)
    session = one.sessions()[0].start.id
    note = one.add_note(session, "first words", rep_index=1)
    with one.changing() as connection:
        connection.exec_driver_sql(
            "UPDATE reps SET result = 'made', changed_utc = '2099-01-01T00:00:00+00:00' WHERE rep_index = 2"
        )
    came = brought_by(two, one)
    assert (came.notes, came.changed) == (1, 2)  # rep 2 of both sessions of laptop one
    assert two.reps(session)[1].result == "made"
    two.edit_note(note.id, "other words")
    one.remove_note(note.id)  # later
    brought_by(two, one)
    assert two.notes(session) == []
    brought_by(one, two)
    assert one.notes(session) == []


def test_an_answer_that_was_given_later_travels(laptops):
    one, two, _ = laptops.values()
    writer = one.start_session(player="Ada", hand="auto", source="c", settings_digest="", app_version="")
    rep = replace(one.reps(one.sessions()[0].start.id)[0], answer=None)
    writer.save(rep)
    brought_by(two, one)
    writer.note_answer(rep.index, "Words that nobody has said before")
    assert brought_by(two, one).changed == 1
    assert two.reps(writer.id) == [replace(rep, answer="Words that nobody has said before")]
    with pytest.raises(StoreError, match="has no rep 99"):
        writer.note_answer(99, "")


def test_facts_of_a_player_travel_and_the_later_ones_hold(laptops):
    one, two, _ = laptops.values()
    brought_by(two, one)
    ada = two.player("Ada")
    two.edit_player(ada.id, stature_m=1.62)
    one.edit_player(one.player("Ada").id, stature_m=1.70, birth_year=2012)
    brought_by(one, two)
    brought_by(two, one)
    for store in (one, two):
        assert store.player("Ada").birth_year == 2012
    assert one.player("Ada").stature_m == two.player("Ada").stature_m


def test_namesakes_who_differ_stay_two(tmp_path):
    one = practise(tmp_path / "one", "Ada", [Day(reps=2)], seed=1)
    two = practise(tmp_path / "two", "Ada", [Day(reps=3)], seed=2)
    one.edit_player(one.player("Ada").id, birth_year=2012)
    two.edit_player(two.player("Ada").id, birth_year=1990)
    said: list[str] = []
    merge(one, two.path, said.append)
    assert [(player.name, player.reps) for player in one.players()] in (
        [("Ada", 2), ("Ada (2)", 3)],
        [("Ada", 3), ("Ada (2)", 2)],
    )
    assert any("there are two players Ada, born" in line and "Ada (2)" in line for line in said)
    one.close()
    two.close()


def test_targets_come_along(laptops):
    one, two, _ = laptops.values()
    two.set_target(two.player("Ada").id, "knee_min_deg", 100.0, 120.0, name="deep")
    assert brought_by(one, two).targets == 1
    (target,) = one.targets(one.player("Ada").id)
    assert (target.name, target.low, target.high) == ("deep", 100.0, 120.0)


def test_who_was_forgotten_is_forgotten_wherever_databases_meet(laptops):
    one, two, three = laptops.values()
    brought_by(one, two)
    brought_by(three, one)
    one.remove_player(one.player("Ada").id, everywhere=True)
    assert one.players() == []
    assert brought_by(one, two).reps == 0  # laptop two still has her, and cannot bring her back
    assert one.players() == []
    came = brought_by(three, one)
    assert came.forgotten >= 1
    assert [player.name for player in three.players()] == ["Bo"]
    assert [session.start.player for session in three.sessions()] == ["Bo"]


def test_who_was_removed_here_only_comes_back(laptops):
    one, two, _ = laptops.values()
    brought_by(one, two)
    one.remove_player(one.player("Ada").id, everywhere=False)
    assert (one.players(), one.sessions()) == ([], [])
    brought_by(one, two)
    assert [(player.name, player.reps) for player in one.players()] == [("Ada", 4)]


def test_nothing_of_a_forgotten_player_is_left_in_the_files(laptops):
    one = laptops["one"]
    one.edit_player(one.player("Ada").id, name="Wilhelmina Zzyzx", notes="something private")
    session = one.sessions()[0].start.id
    file = rep_files.rep_file(one.folder, session, 1, "release", "jpg")
    file.parent.mkdir(parents=True)
    file.write_bytes(b"a picture")
    one.remove_player(one.player("Wilhelmina Zzyzx").id, everywhere=True)
    assert not file.parent.exists()
    for path in one.folder.glob("rimward.db*"):
        content = path.read_bytes()
        assert b"Zzyzx" not in content
        assert b"private" not in content


def test_where_another_program_reads_it_is_said_that_bytes_stay_and_later_they_are_gone(tmp_path):
    said: list[str] = []
    practise(tmp_path, "Wilhelmina Zzyzx", [Day(reps=3)]).close()
    store = open_store(tmp_path, said.append)
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM players").fetchone()
        store.remove_player(store.player("Wilhelmina Zzyzx").id, everywhere=True)
    assert "is held by another program: what was taken out is gone, but its bytes stay" in said[0]
    store.close()
    open_store(tmp_path).close()
    assert not any(b"Zzyzx" in path.read_bytes() for path in tmp_path.glob("rimward.db*"))


def test_a_session_that_runs_on_after_its_player_was_forgotten_keeps_nothing(laptops):
    one = laptops["one"]
    rep = one.reps(one.sessions()[0].start.id)[0]
    writer = one.start_session(player="Cleo", hand="auto", source="c", settings_digest="", app_version="")
    writer.save(rep)
    one.remove_player(one.player("Cleo").id, everywhere=True)
    writer.save(rep)
    writer.close()
    assert [player.name for player in one.players()] == ["Ada"]


def test_files_of_reps_come_along_once(laptops):
    one, two, _ = laptops.values()
    session = two.sessions()[0].start.id
    file = rep_files.rep_file(two.folder, session, 1, "trace", "npz")
    file.parent.mkdir(parents=True)
    file.write_bytes(b"numbers")
    (file.parent / "notes.txt").write_text("nobody's business")
    brought_by(one, two)
    mine = rep_files.rep_file(one.folder, session, 1, "trace", "npz")
    assert mine.read_bytes() == b"numbers"
    assert [path.name for path in mine.parent.iterdir()] == ["0001_trace.npz"]
    mine.write_bytes(b"mine")
    brought_by(one, two)
    assert mine.read_bytes() == b"mine"


def test_a_merge_that_breaks_off_is_finished_by_the_next(laptops, monkeypatch):
    one, two, _ = laptops.values()
    whole = reps_of(one) | reps_of(two)
    monkeypatch.setattr(exchange, "BATCH", 2)
    real, calls = exchange._copy, iter(range(100))

    def fails_later(*given):
        if next(calls) == 4:  # in the second batch, between its reps and their measurements
            raise KeyboardInterrupt
        real(*given)

    with monkeypatch.context() as broken:
        broken.setattr(exchange, "_copy", fails_later)
        with pytest.raises(KeyboardInterrupt):
            brought_by(one, two)
    session = two.sessions()[0].start.id
    assert [rep.index for rep in one.reps(session)] == [1, 2]
    assert one.reps(session) == two.reps(session)[:2]
    assert brought_by(one, two).reps == 2
    assert reps_of(one) == whole


def test_practice_goes_on_beside_a_merge(laptops):
    """Two programs on one file: each batch is a transaction of its own, and a session saves between them."""
    one, two, _ = laptops.values()
    rep = one.reps(one.sessions()[0].start.id)[0]
    practice = open_store(one.folder)
    writer = practice.start_session(player="Ada", hand="auto", source="c", settings_digest="", app_version="")
    brought_by(one, two)
    writer.save(rep)
    brought_by(one, two)
    assert practice.reps(writer.id) == [rep]
    practice.close()


def test_an_older_database_is_merged_in_a_copy(laptops, tmp_path):
    one = laptops["one"]
    shutil.copy(OLD / "v1.db", tmp_path / "v1 of laptop.db")
    came = merge(one, tmp_path / "v1 of laptop.db", print)
    assert (came.players, came.sessions, came.reps) == (2, 3, 9)
    assert (tmp_path / "v1 of laptop.db").read_bytes() == (OLD / "v1.db").read_bytes()


@pytest.mark.parametrize("name", ["Laptop von Jürgen.db", "李 7.db", "a'b\"c%20.db", "‮evil.db"])
def test_file_names_of_every_kind(laptops, tmp_path, name):
    one, two, _ = laptops.values()
    two.close()
    shutil.copy(two.path, tmp_path / name)
    assert merge(one, tmp_path / name, print).reps == 4


def test_a_data_folder_can_be_named(laptops):
    assert merge(laptops["one"], laptops["two"].folder, print).reps == 4


# ---- what is no database to merge


def test_its_own_database_is_refused(laptops):
    one = laptops["one"]
    with pytest.raises(StoreError, match="this laptop's own database"):
        merge(one, one.path, print)


def empty(path: Path) -> None:
    path.touch()


def a_text(path: Path) -> None:
    path.write_text("no database\n" * 1000)


def recipes(path: Path) -> None:
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("CREATE TABLE recipes (name TEXT)")


def newer(path: Path) -> None:
    open_store(path.parent / "made").close()
    shutil.copy(path.parent / "made" / "rimward.db", path)
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("PRAGMA user_version = 99")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda _path: None, "found nothing there"),
        (empty, "found another kind of file"),
        (a_text, "found another kind of file"),
        (recipes, "is a database, but not one of rimward"),
        (newer, "has version 99, this program reads up to 3; update rimward"),
        (lambda path: path.mkdir(), "found nothing there"),
    ],
)
def test_what_cannot_be_merged(laptops, tmp_path, make, words):
    one = laptops["one"]
    before = reps_of(one)
    make(tmp_path / "other.db")
    with pytest.raises(StoreError, match=words):
        merge(one, tmp_path / "other.db", print)
    assert reps_of(one) == before


def test_of_a_damaged_database_what_can_be_read_is_taken_over(laptops, tmp_path):
    """A third of the pages in the middle are gone, as after a bad sector."""
    one = laptops["one"]
    big = practise(tmp_path / "big", "Cleo", [Day(reps=40, after_days=k) for k in range(5)], seed=5)
    whole = reps_of(big)
    big.close()
    content = bytearray(big.path.read_bytes())
    third = len(content) // 4096 // 3
    content[third * 4096 : (third + 2) * 4096] = b"\x55" * (2 * 4096)
    damaged = tmp_path / "rimward.damaged.db"
    damaged.write_bytes(content)
    said: list[str] = []
    came = merge(one, damaged, said.append)
    assert any("is damaged: what can still be read of it is taken over" in line for line in said)
    assert came.reps > 100
    mine = reps_of(one)
    for session_id in whole.keys() & mine.keys():
        by_index = {rep.index: rep for rep in whole[session_id]}
        for rep in mine[session_id]:
            assert rep.events == by_index[rep.index].events
            assert rep.measurements.items() <= by_index[rep.index].measurements.items()


def of_the_demo(store: Store) -> None:
    writer = store.start_session(
        player="demo", hand="right", source="demo_clip.mp4", settings_digest="0123456789abcdef", app_version="0.1.0"
    )
    writer.save(store.reps(store.sessions()[0].start.id)[0])
    writer.close()


def test_the_demo_stays_on_the_laptop_that_showed_it(laptops):
    """README, Commands: its player is an invented one, and nobody's practice."""
    one, two, _ = laptops.values()
    of_the_demo(two)
    brought = brought_by(one, two)
    assert (brought.sessions, brought.reps) == (1, 4)
    assert [player.name for player in one.players()] == ["Ada"]
    assert len(two.sessions("demo")) == 1


def test_a_player_who_is_called_demo_is_a_player(laptops):
    one, two, _ = laptops.values()
    of_the_demo(two)
    writer = two.start_session(
        player="demo", hand="right", source="camera 0", settings_digest="0123456789abcdef", app_version="0.1.0"
    )
    writer.close()
    brought_by(one, two)
    assert len(one.sessions("demo")) == 2


def test_of_a_database_whose_schema_is_no_text_the_other_tables_are_taken_over(laptops, tmp_path):
    """The driver raises UnicodeDecodeError for such a file (tests/test_store.py, damage_schema)."""
    one, two = laptops["one"], laptops["two"]
    whole = sum(map(len, reps_of(two).values()))
    two.close()
    content = two.path.read_bytes()
    assert content.count(b"CREATE TABLE cues") == 1
    damaged = tmp_path / "rimward.damaged.db"
    damaged.write_bytes(content.replace(b"CREATE TABLE cues", b"CREATE \xc9ABLE cues"))
    said: list[str] = []
    assert merge(one, damaged, said.append).reps == whole
    assert any("is damaged: what can still be read of it is taken over (cues hurt)" in line for line in said)


PAGE = 4096


def leaves(content: bytes, page: int) -> list[int]:
    """Numbers of the pages that hold a table's rows, in order (sqlite.org/fileformat2.html, 1.6)."""
    start = (page - 1) * PAGE
    kind, _, cells = struct.unpack_from(">BHH", content, start)
    if kind in (10, 13):
        return [page]
    places = struct.unpack_from(f">{cells}H", content, start + 12)
    children = [struct.unpack_from(">I", content, start + place)[0] for place in places]
    return [
        leaf for child in (*children, *struct.unpack_from(">I", content, start + 8)) for leaf in leaves(content, child)
    ]


@pytest.mark.parametrize("table", ["reps", "measurements", "findings"])
def test_between_two_damaged_pages_nothing_is_lost(tmp_path, table):
    """No row but those that the two pages hold, by the counts in the pages themselves."""
    days = [Day(reps=40, after_days=k) for k in range(5)]
    with closing(practise(tmp_path / "big", "Cleo", days, load_settings().check_bands(), seed=5)) as big:
        path = big.path
    with closing(sqlite3.connect(path)) as raw:
        (root,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", [table]).fetchone()
        (before,) = raw.execute(f"SELECT count(*) FROM {table}").fetchone()
    content = bytearray(path.read_bytes())
    pages = leaves(content, root)
    assert len(pages) > 6
    held = 0
    for page in (pages[1], pages[-3]):
        start = (page - 1) * PAGE
        held += struct.unpack_from(">H", content, start + 3)[0]
        content[start : start + PAGE] = b"\x55" * PAGE
    (tmp_path / "damaged.db").write_bytes(content)
    said: list[str] = []
    with opened_copy(tmp_path / "damaged.db", said.append) as saved:
        assert saved.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar() == before - held
    assert f"({table} hurt)" in said[0]


def test_a_full_disk_breaks_off_in_one_line_and_loses_nothing(laptops):
    one, two, _ = laptops.values()
    before = reps_of(one)
    with one.reading() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 1")
    with pytest.raises(StoreError, match="cannot grow, the disk is full; nothing was changed"):
        merge(one, practised_more(two), print)
    one.close()
    again = open_store(one.folder)
    assert {session: reps for session, reps in reps_of(again).items() if session in before} == before
    again.close()


def practised_more(store: Store) -> Path:
    """Enough for the database to grow."""
    practise(store.folder, "Dot", [Day(reps=100)], seed=9).close()
    return store.path


def test_a_database_that_another_program_holds(laptops):
    one, two, _ = laptops.values()
    two.close()
    with closing(sqlite3.connect(one.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="is held by another program; nothing was changed"):
            merge(one, two.path, print)
    assert merge(one, two.path, print).reps == 4


def test_a_change_of_a_clock_that_runs_years_ahead_does_not_win_for_years(laptops, monkeypatch):
    """It goes over where nothing else was changed, and before whatever a sound clock says."""
    one, two, _ = laptops.values()
    brought_by(one, two)
    (session,) = two.sessions()
    here = one.add_note(session.start.id, "as it was")
    brought_by(two, one)
    monkeypatch.setattr(roster, "now_utc", lambda: "2099-01-01T00:00:00+00:00")
    two.edit_note(here.id, "from 2099")
    monkeypatch.undo()
    assert brought_by(one, two).changed == 1
    assert [note.text for note in one.notes(session.start.id)] == ["from 2099"]
    one.edit_note(here.id, "from today")
    assert brought_by(one, two).changed == 0
    assert brought_by(two, one).changed == 1
    assert [note.text for note in two.notes(session.start.id)] == ["from today"]
    assert brought_by(one, two).changed == 0
