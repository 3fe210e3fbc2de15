"""The store: what was saved is read back equal, survives a kill, and finds another way when the disk refuses."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import numpy as np
import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rimward.live import migrations, schema, side_file
from rimward.live.errors import StoreError
from rimward.live.places import DATABASE
from rimward.live.records import Cue, Events, Finding, Measurement, Rep
from rimward.live.session_records import SessionStart, SessionSummary
from rimward.live.side_file import Change
from rimward.live.store import open_store

SUMMARY = SessionSummary(930, 2, 31.0, 41.3, 38.0, 55.0)


@pytest.fixture(autouse=True)
def own_temp(tmp_path, monkeypatch):
    """Side files of last resort go to the system's temp folder: keep the tests' own apart from anybody else's."""
    folder = tmp_path / "system_temp"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


@pytest.fixture
def folder(tmp_path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def reopen(folder, said):
    opened = []

    def _open():
        opened.append(open_store(folder, said.append))
        return opened[-1]

    yield _open
    for each in opened:
        each.close()


def begin(a_store, player="Ada"):
    return a_store.start_session(
        player=player, hand="auto", source="camera 0", settings_digest="0123456789abcdef", app_version="0.1.0"
    )


def a_rep(index=1, **changes) -> Rep:
    content = {
        "index": index,
        "hand": "right",
        "events": Events(1.5, 2.13, 2.2, 3.1, 3.43, 3.5, None),
        "motion": "one_motion",
        "release_phase": "rising",
        "measurements": {
            "elbow_at_set_deg": Measurement(75.2, 4.0, "lifted"),
            "arm_offset_at_set_m": Measurement.missing("not observable from the side"),
        },
        "findings": (
            Finding("set_point_height", "in_band", "set_point_above_eyes_m"),
            Finding("follow_through", "below", "follow_through_s", 3.5),
        ),
        "cue": Cue("Hold the follow-through", "follow_through"),
    }
    return Rep(**(content | changes))


finite = st.floats(allow_nan=False, allow_infinity=False)
words = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)  # surrogates are no text
measured = st.one_of(
    st.builds(Measurement.missing, words),
    st.builds(
        Measurement,
        finite,
        st.floats(min_value=1e-300, max_value=1e300),
        st.sampled_from(["image", "lifted", "ball", "timing"]),
    ),
)
instant = st.none() | finite
any_rep = st.builds(
    a_rep,
    index=st.integers(1, 10**9),
    hand=st.sampled_from(["left", "right"]),
    events=st.builds(Events, instant, instant, instant, st.floats(-1e6, 0), st.floats(1, 1e6), instant, instant),
    motion=st.sampled_from([None, "one_motion", "two_motion"]),
    release_phase=st.sampled_from([None, "rising", "peak", "falling"]),
    measurements=st.dictionaries(words, measured, max_size=8),
    findings=st.lists(
        st.builds(Finding, words, st.sampled_from(["in_band", "below", "above", "unsure"]), words, finite), max_size=5
    ).map(tuple),
    cue=st.none() | st.builds(Cue, st.sampled_from(["up", "Hold it, é", "手 上", "a b c d e f"]), words),
    result=st.sampled_from([None, "made", "missed"]),
    praise=st.sampled_from([None, "That's it, é"]),
    answer=st.sampled_from([None, "", "Hold it. Rest", "手 上"]),
)


@contextmanager
def plain_sqlite(path: Path) -> Iterator[sqlite3.Connection]:
    """Another program's view of the file; closed afterwards, which the driver's own context does not do."""
    with closing(sqlite3.connect(path)) as raw, raw:
        yield raw


def pending(folder: Path) -> list[Path]:
    return sorted((folder / "pending").glob("*"))


# --- what was saved is read back


def test_a_session_is_read_back_as_it_was(reopen):
    writer = begin(reopen())
    writer.save(a_rep(1))
    writer.save(a_rep(2, measurements={}, findings=(), cue=None, motion=None, release_phase=None, result="made"))
    writer.close(SUMMARY)
    again = reopen()
    saved = again.session(writer.id)
    assert saved.start == writer.start
    assert (saved.reps, saved.summary) == (2, SUMMARY)
    assert again.sessions() == [saved]
    assert again.reps(writer.id)[0] == a_rep(1)
    assert [rep.cue for rep in again.reps(writer.id)] == [Cue("Hold the follow-through", "follow_through"), None]
    assert str(UUID(writer.id)) == writer.id


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(rep=any_rep)
def test_every_rep_is_read_back_equal(reopen, rep):
    a_store = reopen()
    writer = begin(a_store)
    writer.save(rep)
    [read] = a_store.reps(writer.id)
    assert read == rep
    assert list(read.measurements) == list(rep.measurements)  # in the order in which they were measured
    a_store.close()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(rep=any_rep)
def test_every_rep_passes_a_side_file_unchanged(tmp_path, rep):
    path = tmp_path / "side.jsonl"
    path.unlink(missing_ok=True)
    change = Change(SessionStart(str(UUID(int=1)), "Ada", "auto", "clip", "d", "v", datetime.now(UTC)), rep=rep)
    side_file.append(path, change)
    assert side_file.read(path) == ([change], 0)


def test_numpy_numbers_are_saved(reopen):
    writer = begin(reopen())
    writer.save(a_rep(measurements={"hold_s": Measurement(np.float32(0.5), np.float64(0.25), "timing")}))
    assert reopen().reps(writer.id)[0].measurements["hold_s"] == Measurement(0.5, 0.25, "timing")


def test_sessions_come_oldest_first_and_players_are_kept_once(reopen, folder):
    a_store = reopen()
    ids = [begin(a_store, player).id for player in ("Ada", "Bo", "Ada")]
    assert [session.start.id for session in a_store.sessions()] == ids
    with plain_sqlite(folder / DATABASE) as raw:
        assert raw.execute("SELECT name FROM players ORDER BY name").fetchall() == [("Ada",), ("Bo",)]


def test_start_times_are_kept_in_utc(reopen, folder):
    before = datetime.now(UTC)
    writer = begin(reopen())
    assert before <= writer.start.started_utc <= datetime.now(UTC)
    with plain_sqlite(folder / DATABASE) as raw:
        [[text]] = raw.execute("SELECT started_utc FROM sessions")
    assert datetime.fromisoformat(text).utcoffset() == timedelta(0)


def test_a_session_without_an_end_has_no_summary(reopen):
    writer = begin(reopen())
    writer.close()
    writer.close(SUMMARY)  # from the second time on closing does nothing
    assert reopen().session(writer.id).summary is None


def test_a_file_name_that_is_no_text_does_no_harm(reopen):
    writer = reopen().start_session(
        player="Ada", hand="left", source="clip \udcff.mp4", settings_digest="d", app_version="v"
    )
    assert reopen().session(writer.id).start.source == "clip ?.mp4"


def test_a_result_can_be_said_afterwards_and_taken_back(reopen):
    a_store = reopen()
    writer = begin(a_store)
    writer.save(a_rep())
    writer.update_rep_result(1, "made")
    assert a_store.reps(writer.id)[0].result == "made"
    writer.update_rep_result(1, None)
    assert a_store.reps(writer.id) == [a_rep()]


def test_a_discarded_rep_is_marked_and_never_deleted(reopen):
    a_store = reopen()
    writer = begin(a_store)
    writer.save(a_rep(1))
    writer.save(a_rep(2))
    writer.discard_rep(1)
    assert a_store.reps(writer.id) == [a_rep(2)]
    assert a_store.session(writer.id).reps == 1
    assert a_store.reps(writer.id, discarded=True) == [a_rep(1), a_rep(2)]


def test_a_discarded_rep_is_put_back_as_it_was(reopen):
    a_store = reopen()
    writer = begin(a_store)
    writer.save(a_rep(1))
    writer.save(a_rep(2, result="made"))
    writer.discard_rep(2)
    writer.restore_rep(2)
    assert a_store.reps(writer.id) == [a_rep(1), a_rep(2, result="made")]
    assert a_store.session(writer.id).reps == 2


@pytest.mark.parametrize(
    "change", [lambda w: w.update_rep_result(7, "made"), lambda w: w.discard_rep(7), lambda w: w.restore_rep(7)]
)
def test_changing_an_unknown_rep_is_refused(reopen, change):
    with pytest.raises(StoreError, match="the session has no rep 7"):
        change(begin(reopen()))


def test_a_second_rep_of_the_same_index_is_refused_and_the_first_stays(reopen):
    a_store = reopen()
    writer = begin(a_store)
    writer.save(a_rep(1))
    with pytest.raises(StoreError, match="already has a rep 1"):
        writer.save(a_rep(1, hand="left"))
    assert a_store.reps(writer.id) == [a_rep(1)]


def test_an_unknown_session_is_refused(reopen):
    with pytest.raises(StoreError, match="has no session nope"):
        reopen().session("nope")
    with pytest.raises(StoreError, match="has no session nope"):
        reopen().reps("nope")


def test_the_database_keeps_its_promises_by_itself(reopen, folder):
    """Write-ahead log, full synchronisation and foreign keys, as SQLite reports them."""
    with reopen().engine.connect() as connection:
        asked = {name: connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in
                 ("journal_mode", "synchronous", "foreign_keys")}  # fmt: skip
    assert asked == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}


def test_two_programs_write_side_by_side(reopen):
    a, b = begin(reopen(), "Ada"), begin(reopen(), "Bo")
    for index in range(1, 11):
        a.save(a_rep(index))
        b.save(a_rep(index))
    assert [session.reps for session in reopen().sessions()] == [10, 10]


def test_threads_share_a_session(reopen):
    writer = begin(reopen())
    threads = [
        threading.Thread(target=lambda k=k: [writer.save(a_rep(index)) for index in range(k, 41, 4)])
        for k in range(1, 5)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [rep.index for rep in reopen().reps(writer.id)] == list(range(1, 41))


# --- versions

V1 = """
CREATE TABLE terms (id INTEGER NOT NULL PRIMARY KEY, text TEXT NOT NULL UNIQUE);
CREATE TABLE players (id TEXT NOT NULL PRIMARY KEY, name TEXT NOT NULL, created_utc TEXT NOT NULL);
CREATE TABLE sessions (id TEXT NOT NULL PRIMARY KEY, player_id TEXT NOT NULL REFERENCES players (id),
  hand TEXT NOT NULL, source TEXT NOT NULL, settings_digest TEXT NOT NULL, app_version TEXT NOT NULL,
  started_utc TEXT NOT NULL, frames INTEGER, dropped INTEGER, duration_s FLOAT, processing_fps FLOAT,
  latency_p50_ms FLOAT, latency_p95_ms FLOAT);
CREATE TABLE reps (number INTEGER NOT NULL PRIMARY KEY, id TEXT NOT NULL UNIQUE,
  session_id TEXT NOT NULL REFERENCES sessions (id), rep_index INTEGER NOT NULL, hand TEXT NOT NULL, pickup_s FLOAT,
  dip_s FLOAT, knee_min_s FLOAT, set_s FLOAT NOT NULL, release_s FLOAT NOT NULL, apex_s FLOAT, landing_s FLOAT,
  motion TEXT, release_phase TEXT, result TEXT, discarded BOOLEAN NOT NULL, UNIQUE (session_id, rep_index));
CREATE TABLE measurements (rep INTEGER NOT NULL REFERENCES reps (number),
  name INTEGER NOT NULL REFERENCES terms (id), position INTEGER NOT NULL, value FLOAT, sigma FLOAT,
  basis INTEGER REFERENCES terms (id), reason INTEGER REFERENCES terms (id), PRIMARY KEY (rep, name)) WITHOUT ROWID;
CREATE TABLE findings (rep INTEGER NOT NULL REFERENCES reps (number), position INTEGER NOT NULL,
  "check" INTEGER NOT NULL REFERENCES terms (id), verdict INTEGER NOT NULL REFERENCES terms (id),
  measurement INTEGER NOT NULL REFERENCES terms (id), excess_sigmas FLOAT NOT NULL,
  PRIMARY KEY (rep, position)) WITHOUT ROWID;
CREATE TABLE cues (rep INTEGER NOT NULL PRIMARY KEY REFERENCES reps (number),
  "check" INTEGER NOT NULL REFERENCES terms (id), text INTEGER NOT NULL REFERENCES terms (id));
INSERT INTO terms VALUES (1, 'elbow_at_set_deg'), (2, 'lifted'), (3, 'elbow_at_set'), (4, 'in_band'), (5, 'Elbow up');
INSERT INTO players VALUES ('p', 'Ada', '2026-01-01T10:00:00+00:00');
INSERT INTO sessions VALUES ('00000000-0000-4000-8000-000000000001', 'p', 'right', 'camera 0', 'd', '0.1.0',
  '2026-01-01T10:00:00+00:00', 930, 2, 31.0, 41.3, 38.0, 55.0);
INSERT INTO reps VALUES (1, '00000000-0000-4000-8000-000000000002', '00000000-0000-4000-8000-000000000001', 1, 'right',
  1.5, 2.13, 2.2, 3.1, 3.43, 3.5, NULL, 'one_motion', 'rising', NULL, 0);
INSERT INTO measurements VALUES (1, 1, 0, 75.2, 4.0, 2, NULL);
INSERT INTO findings VALUES (1, 0, 3, 4, 1, 0.0);
INSERT INTO cues VALUES (1, 3, 5);
PRAGMA user_version = 1;
"""
"""A database as version 1 of the schema made it. It stays as it is: later versions must still read it."""


def v1_database(folder: Path) -> None:
    folder.mkdir()
    with plain_sqlite(folder / DATABASE) as raw:
        raw.executescript(V1)


V1_REP = a_rep(
    measurements={"elbow_at_set_deg": Measurement(75.2, 4.0, "lifted")},
    findings=(Finding("elbow_at_set", "in_band", "elbow_at_set_deg"),),
    cue=Cue("Elbow up", "elbow_at_set"),
)


def test_a_database_of_version_1_is_read(folder, reopen, said):
    v1_database(folder)
    [session] = reopen().sessions()
    assert (session.start.player, session.summary) == ("Ada", SUMMARY)
    assert reopen().reps(session.start.id) == [V1_REP]
    assert len(said) == 1


def test_an_older_database_is_kept_as_it_was_and_migrated(folder, reopen, said):
    v1_database(folder)
    a_store = reopen()
    kept = folder / f"rimward.before-version-{schema.VERSION}.db"
    assert said == [f"{a_store.path} is brought up to date; as it was it is kept as {kept.name}"]
    with plain_sqlite(folder / DATABASE) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (schema.VERSION,)
    with plain_sqlite(kept) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (1,)
        assert raw.execute("SELECT count(*) FROM reps").fetchone() == (1,)
    reopen()
    assert len(said) == 1


def test_a_migrated_database_has_the_tables_of_a_new_one(folder, reopen, tmp_path):
    """Compared by alembic, which reads what SQLite says of both."""
    v1_database(folder)
    for engine in (reopen().engine, open_store(tmp_path / "new").engine):
        with engine.connect() as connection:
            context = MigrationContext.configure(connection, opts={"compare_type": True})
            assert compare_metadata(context, schema.METADATA) == []


def test_a_migration_that_fails_leaves_the_old_database_and_practice_goes_on(folder, reopen, monkeypatch, said):
    v1_database(folder)

    def fails(op):
        op.add_column("players", sa.Column("hand", sa.Text))
        op.execute("SELECT * FROM nowhere")

    with monkeypatch.context() as broken:
        broken.setattr(migrations, "STEPS", {1: fails})
        begin(reopen()).save(a_rep(2))
    assert "no such table: nowhere" in said[1]
    sessions = reopen().sessions()
    assert [session.reps for session in sessions] == [1, 1]


def test_a_newer_database_is_refused_and_left_alone(folder, said):
    v1_database(folder)
    with plain_sqlite(folder / DATABASE) as raw:
        raw.execute("PRAGMA user_version = 99")
    before = (folder / DATABASE).read_bytes()
    with pytest.raises(StoreError, match=r"rimward\.db: the database has version 99, .* reads up to 3; update rimward"):
        open_store(folder, said.append)
    assert (folder / DATABASE).read_bytes()[100:] == before[100:]  # the header notes that a log was used
    assert said == []


# --- a killed program

SAVER = """
import sys
from pathlib import Path
from rimward.live.records import Cue, Events, Finding, Measurement, Rep
from rimward.live.store import open_store
writer = open_store(Path(sys.argv[1])).start_session(
    player="Ada", hand="auto", source="camera 0", settings_digest="d", app_version="v")
print(writer.id, flush=True)
for index in range(1, 1_000_000):
    measurements = {f"m{k}": Measurement(float(k), 1.0, "image") for k in range(30)}
    writer.save(Rep(index, "right", Events(None, None, None, 1.0, 2.0, None, None), None, None, measurements,
                    (Finding("elbow", "below", "m1", 2.0),), Cue("Elbow up", "elbow")))
    print(index, flush=True)
"""


def killed_at_random(folder: Path, chance: random.Random, **streams) -> tuple[str, int]:
    """Run the saver, kill it with SIGKILL at a random moment; the session's id and the last index it called saved."""
    command = [sys.executable, "-c", SAVER, str(folder)]
    environment = os.environ | {"TMPDIR": tempfile.gettempdir()}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment, **streams) as process:
        assert process.stdout is not None
        session = process.stdout.readline().strip()
        timer = threading.Timer(chance.uniform(0.0, 0.25), process.kill)
        timer.start()
        printed = [int(line) for line in process.stdout if line.endswith("\n")]
        timer.join()
    assert process.returncode != 0
    return session, printed[-1] if printed else 0


def test_every_rep_that_was_called_saved_survives_kill_9(folder, reopen, said):
    chance = random.Random(9)
    saved = dict(killed_at_random(folder, chance) for _ in range(20))
    assert len(saved) == 20
    a_store = reopen()
    for session, last in saved.items():
        kept = a_store.reps(session)
        assert [rep.index for rep in kept] == list(range(1, len(kept) + 1))
        assert last <= len(kept) <= last + 1  # one may be committed and not yet called saved
        assert all(len(rep.measurements) == 30 and rep.findings and rep.cue for rep in kept)
    assert sum(saved.values()) > 20
    assert said == []


def test_every_rep_that_was_called_saved_survives_kill_9_in_a_side_file_too(folder, reopen):
    chance = random.Random(99)
    reopen().close()
    other = lock(folder)
    saved = dict(killed_at_random(folder, chance, stderr=subprocess.DEVNULL) for _ in range(3))
    other.close()
    a_store = reopen()
    for session, last in saved.items():
        kept = a_store.reps(session)
        assert [rep.index for rep in kept] == list(range(1, len(kept) + 1))
        assert last <= len(kept) <= last + 1
    assert sum(saved.values()) > 3


# --- the database cannot take it


def lock(folder: Path) -> sqlite3.Connection:
    other = sqlite3.connect(folder / DATABASE, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    return other


def test_a_locked_database_sends_the_session_to_a_side_file_that_joins_at_the_next_start(folder, reopen, said):
    a_store = reopen()
    writer = begin(a_store)
    writer.save(a_rep(1))
    other = lock(folder)
    writer.save(a_rep(2))
    writer.save(a_rep(3, result="missed"))
    writer.discard_rep(1)
    writer.discard_rep(3)
    writer.restore_rep(3)
    writer.update_rep_result(2, "made")
    writer.note_answer(3, "Hold it")
    writer.seen_from("half front")
    writer.close(SUMMARY)
    [side] = pending(folder)
    assert said == [
        f"{a_store.path} is held by another program; this session goes on in {side} and joins at the next start"
    ]
    other.close()
    again = reopen()
    assert again.reps(writer.id) == [a_rep(2, result="made"), a_rep(3, result="missed", answer="Hold it")]
    assert again.session(writer.id).summary == SUMMARY
    assert again.session(writer.id).start.view == "half front"
    assert said[1:] == [f"2 reps of an earlier session joined {a_store.path}"]
    assert pending(folder) == []


def test_a_full_disk_sends_the_session_to_a_side_file(folder, reopen, said):
    a_store = reopen()
    writer = begin(a_store)
    with a_store.engine.connect() as connection:  # the pool hands the same connection to the writer
        connection.exec_driver_sql("PRAGMA max_page_count = 1")  # not below the present size: no growth from here
    indices = range(1, 201)
    for index in indices:
        writer.save(a_rep(index))
    assert len(said) == 1
    assert "rimward.db cannot grow, the disk is full; this session goes on in " in said[0]
    assert (writer.aside, writer.full) == (True, True)
    waiting = writer.reps_aside
    assert waiting == set(range(min(waiting), 201))
    assert 1 not in waiting
    a_store.close()
    assert [rep.index for rep in reopen().reps(writer.id)] == list(indices)


def test_a_read_only_database_sends_the_session_to_a_side_file_and_history_stays_readable(folder, reopen, said):
    a_store = reopen()
    first = begin(a_store)
    first.save(a_rep(1))
    with a_store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")
    second = begin(a_store)
    second.save(a_rep(1))
    assert len(said) == 1
    assert "rimward.db cannot be written; this session goes on in " in said[0]
    assert (second.aside, second.full) == (True, False)
    assert a_store.reps(first.id) == [a_rep(1)]
    a_store.close()
    assert reopen().reps(second.id) == [a_rep(1)]


def test_a_folder_without_write_permission_sends_the_session_to_the_temp_folder(folder, said, own_temp):
    folder.mkdir(mode=0o500)
    if os.access(folder, os.W_OK):
        pytest.skip("this user may write everywhere")
    begin(open_store(folder, said.append)).save(a_rep(1))
    [side] = own_temp.glob("rimward*/*/*.jsonl")
    assert said == [
        f"{folder / DATABASE} cannot be opened; this session goes on in {side} and joins at the next start, "
        "which must be before this computer restarts"
    ]


def test_an_unusable_data_folder_sends_the_session_to_the_temp_folder_and_it_joins_later(
    folder, reopen, said, own_temp
):
    folder.write_text("a file where the folder should be")
    a_store = reopen()
    writer = begin(a_store)
    writer.save(a_rep(1))
    [side] = own_temp.glob("rimward*/*/*.jsonl")
    assert said == [
        f"{a_store.path} cannot be used (File exists); this session goes on in {side} and joins at the next start, "
        "which must be before this computer restarts"
    ]
    with pytest.raises(StoreError, match=r"rimward\.db cannot be used"):
        a_store.sessions()
    folder.unlink()
    assert reopen().reps(writer.id) == [a_rep(1)]
    assert not side.exists()


def test_where_nothing_can_be_written_each_rep_says_so_and_is_taken_once_there_is_room(
    folder, reopen, said, own_temp, monkeypatch
):
    folder.write_text("in the way")
    own_temp.rmdir()
    own_temp.write_text("in the way")
    writer = begin(reopen())
    assert len(said) == 1
    with pytest.raises(StoreError, match=r"make room on the disk or set another storage\.folder"):
        writer.save(a_rep(1))
    folder.unlink()
    writer.save(a_rep(1))
    assert reopen().reps(writer.id) == [a_rep(1)]


def damage_header(path: Path) -> None:
    path.write_bytes(b"no database at all" * 100)


def damage_pages(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 : len(content)] = b"\x55" * (len(content) - 4096)
    path.write_bytes(content)


def foreign(path: Path) -> None:
    path.unlink()
    with plain_sqlite(path) as raw:
        raw.execute("CREATE TABLE recipes (name TEXT)")


def foreign_of_the_same_version(path: Path) -> None:
    foreign(path)
    with plain_sqlite(path) as raw:
        raw.execute(f"PRAGMA user_version = {schema.VERSION}")


def foreign_of_an_older_version(path: Path) -> None:
    foreign(path)
    with plain_sqlite(path) as raw:
        raw.execute("PRAGMA user_version = 1")


def damage_schema(path: Path) -> None:
    """A byte that is no text in the name of a table, as a bad sector leaves one: Python's driver then fails while it
    puts SQLite's message together, and raises what is no error of a database.
    """
    content = path.read_bytes()
    assert content.count(b"CREATE TABLE cues") == 1
    path.write_bytes(content.replace(b"CREATE TABLE cues", b"CREATE \xc9ABLE cues"))
    with closing(sqlite3.connect(path)) as raw, pytest.raises(UnicodeDecodeError):
        raw.execute("SELECT count(*) FROM players")


@pytest.mark.parametrize(
    "spoil",
    [damage_header, damage_pages, damage_schema, foreign, foreign_of_the_same_version, foreign_of_an_older_version],
)
def test_a_damaged_database_is_kept_aside_and_a_new_one_begun(folder, reopen, said, spoil):
    first = reopen()
    begin(first).save(a_rep(1))
    first.close()
    spoil(first.path)
    spoilt = first.path.read_bytes()
    again = reopen()
    [kept] = folder.glob("rimward.damaged-*.db")
    assert said == [
        f"{again.path} is damaged or no database of rimward; it is kept as {kept.name} and a new one is begun; "
        "rimward merge takes over what can still be read of it"
    ]
    assert kept.read_bytes()[100:] == spoilt[100:]
    writer = begin(again)
    writer.save(a_rep(1))
    assert [session.start.id for session in again.sessions()] == [writer.id]


def test_two_damaged_databases_in_one_second_are_both_kept(folder, reopen):
    folder.mkdir()
    for _ in range(3):
        (folder / DATABASE).write_bytes(b"no database at all" * 100)
        reopen().close()
    assert len(list(folder.glob("rimward.damaged-*.db"))) == 3


def test_damage_during_the_session_sends_it_to_a_side_file(folder, reopen, said):
    a_store = reopen()
    writer = begin(a_store)
    writer.save(a_rep(1))
    a_store.close()  # also lets go of what is held in memory
    damage_pages(a_store.path)
    writer.save(a_rep(2))
    assert "rimward.db is damaged; this session goes on in " in said[0]
    again = reopen()
    assert again.reps(writer.id) == [a_rep(2)]
    assert len(list(folder.glob("rimward.damaged-*.db"))) == 1


# --- side files


def side(folder: Path, *indices: int) -> Path:
    start = SessionStart(str(UUID(int=5)), "Ada", "auto", "camera 0", "d", "v", datetime(2026, 1, 1, tzinfo=UTC))
    path = folder / "pending" / f"{start.id}.jsonl"
    for index in indices:
        side_file.append(path, Change(start, rep=a_rep(index)))
    return path


SIDE_ID = str(UUID(int=5))


def test_merging_twice_changes_nothing(folder, reopen):
    path = side(folder, 1, 2)
    content = path.read_bytes()
    a_store = reopen()
    path.write_bytes(content)
    assert a_store.merge_pending() == 0
    assert a_store.reps(SIDE_ID) == [a_rep(1), a_rep(2)]
    assert not path.exists()


def test_a_damaged_line_is_skipped_said_and_kept(folder, reopen, said):
    path = side(folder, 1, 2, 3)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + b"\xff\x00 torn\n" + lines[2].replace(b'"index": 3', b'"index": 0') + lines[1][:40])
    spoilt = path.read_bytes()
    assert reopen().reps(SIDE_ID) == [a_rep(1)]
    [kept] = pending(folder)
    assert kept.suffix == ".damaged"
    assert kept.read_bytes() == spoilt
    assert said[0] == f"3 lines of a side file could not be read; all of it is kept as {kept}"
    assert reopen().merge_pending() == 0  # not tried again
    assert len(said) == 2


def test_a_side_file_stays_while_the_database_is_locked(folder, reopen, said):
    reopen().close()
    path = side(folder, 1)
    other = lock(folder)
    reopen()
    assert not path.exists()  # claimed, under another name
    [claimed] = pending(folder)
    assert said == [f"{folder / DATABASE} is held by another program; {claimed} stays and is merged at a later start"]
    other.close()
    assert reopen().reps(SIDE_ID) == [a_rep(1)]
    assert pending(folder) == []


def test_a_merge_that_was_killed_before_the_side_file_went_away_is_finished(folder, reopen):
    path = side(folder, 1)
    [claimed] = side_file.claim(path.parent)
    assert reopen().reps(SIDE_ID) == [a_rep(1)]
    assert not claimed.exists()


def test_a_session_goes_on_while_another_program_merges_its_side_file(folder, reopen):
    path = side(folder, 1)
    a_store = reopen()
    side(folder, 2)
    assert path.exists()
    a_store.merge_pending()
    assert a_store.reps(SIDE_ID) == [a_rep(1), a_rep(2)]


def test_nothing_is_lost_between_a_writer_and_a_merger_at_full_speed(folder, reopen):
    a_store = reopen()
    done = threading.Event()

    def merge():
        while not done.is_set():
            a_store.merge_pending()

    merger = threading.Thread(target=merge)
    merger.start()
    side(folder, *range(1, 201))
    done.set()
    merger.join()
    a_store.merge_pending()
    assert [rep.index for rep in a_store.reps(SIDE_ID)] == list(range(1, 201))


def test_a_line_that_does_not_fit_on_the_disk_leaves_the_file_as_it_was(folder, monkeypatch):
    path = side(folder, 1)
    before = path.read_bytes()
    real = os.write
    monkeypatch.setattr(side_file.os, "write", lambda fd, data: real(fd, data[:10]))
    side(folder, 2)  # short writes are continued
    assert side_file.read(path)[1] == 0
    whole = path.read_bytes()
    assert whole.startswith(before)
    calls = iter([real, real])

    def full(fd, data):
        try:
            return next(calls)(fd, data[:10])
        except StopIteration:
            raise OSError(28, "No space left on device") from None

    monkeypatch.setattr(side_file.os, "write", full)
    with pytest.raises(OSError, match="No space left"):
        side(folder, 3)
    assert path.read_bytes() == whole


def test_a_temp_folder_of_somebody_else_is_not_trusted(own_temp, monkeypatch, folder, tmp_path, said):
    """In a shared temp folder anybody can prepare a folder of the expected name."""
    if not hasattr(os, "getuid"):
        pytest.skip("temp folders are the user's own here")
    (tmp_path / "theirs").mkdir()
    (own_temp / f"rimward-{os.getuid()}").symlink_to(tmp_path / "theirs")
    folder.write_text("in the way")
    begin(open_store(folder, said.append))
    assert list((tmp_path / "theirs").iterdir()) == []


def test_a_side_file_needs_a_real_session():
    with pytest.raises(ValueError, match="badly formed"):
        SessionStart("x", "Ada", "auto", "clip", "d", "v", datetime.now(UTC))
    with pytest.raises(ValueError, match="started_utc must name its time zone"):
        SessionStart(SIDE_ID, "Ada", "auto", "clip", "d", "v", datetime(2026, 1, 1))


def test_notices_go_to_standard_error_by_default(folder, capsys):
    folder.write_text("in the way")
    begin(open_store(folder))
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
