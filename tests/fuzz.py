"""Hostile files into every reader: only the program's own errors may come out, each one line.

    python -m tests.fuzz [--cases 10000] [READER ...]

Three kinds of input: any bytes, a valid file with bytes knocked about, and a valid file whose values were exchanged for
nasty ones (other types, huge numbers, NaN, very long and control characters, deep nesting; in a database any cell, in a
clip the numbers of its header). What was merged from a database must be readable afterwards.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import sqlite3
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import islice
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, Phase, Verbosity, given, seed, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from fakes import numbered, write_video
from practised import Day, practise

from rimward.calibration.lens import Lens
from rimward.calibration.points import read_points
from rimward.calibration.storage import load_background, load_calibration, load_lens, save_calibration, save_lens
from rimward.live import backup as backup_file
from rimward.live.assets import config_text
from rimward.live.clip import open_clip
from rimward.live.coaching import load_drill, load_station
from rimward.live.errors import RimwardError
from rimward.live.merge import merge
from rimward.live.records import Frame
from rimward.live.restore import restore
from rimward.live.settings import load_settings
from rimward.live.store import Store, open_store
from rimward.live.words import read_words

NASTY = (
    "0", "-1", "1e999", "nan", "inf", "-0.0", "99999999999999999999999", "true", '""', "[]", "[[]]", "{}", "[1, 2]",
    '"' + "x" * 5000 + '"', '"\\u0000"', '"\\u001b[2J"', '"<script>"', '"../../etc"', "null", "1979-05-27", "'", '"""',
    "[" * 200 + "]" * 200, "0x7f", "1_000", "\x00", "\ufeff", "\u2028",
)  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """Something that reads a file a person may hand to the program."""

    name: str
    valid: Callable[[], bytes]
    read: Callable[[Path], object]
    suffix: str = ".toml"
    exchange: Callable[[bytes, random.Random], bytes] | None = None
    """How values are exchanged in a file that is no text."""
    short: int = 120
    """Cases of the short round: what opens databases takes a third of a second for each."""


def _points() -> bytes:
    points = [
        {"feature": "board_top_left", "px": [612.5, 101.0]},
        {"feature": "board_top_right", "px": [912.5, 101.0]},
        {"feature": "board_bottom_left", "px": [612.5, 301.0]},
        {"world_m": [0.0, -4.191, 0.0], "px": [701.0, 655.2]},
    ]
    return json.dumps({"image_size": [1280, 720], "court": "us", "hfov_deg": 70.0, "points": points}, indent=1).encode()


def _calibration() -> bytes:
    from rimward.calibration.bump import Features
    from rimward.calibration.record import Calibration

    made = Calibration(
        camera_matrix=np.array([[900.0, 0.0, 640.0], [0.0, 900.0, 360.0], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        image_size=(1280, 720),
        R=np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]),
        t=np.array([0.0, 1.2, 8.0]),
        rms_px=0.5,
        covariance=np.eye(7) * 1e-4,
        sigma_position_m=0.02,
        sigma_direction_deg=0.1,
        method="marks",
        lens="known",
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "court.toml"
        save_calibration(path, made, Features(np.full((5, 2), 0.25), np.zeros((5, 32), np.uint8), 16 / 9))
        return path.read_bytes()


def _lens() -> bytes:
    lens = Lens(
        image_size=(1280, 720),
        camera_matrix=np.array([[900.0, 0.0, 640.0], [0.0, 900.0, 360.0], [0.0, 0.0, 1.0]]),
        distortion=np.array([-0.1, 0.02, 0.0, 0.0, 0.0]),
        sigma_focal=0.004,
        kind="calibrated",
        rms_px=0.3,
        camera="camera 0",
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lens.toml"
        save_lens(path, lens)
        return path.read_bytes()


def _words(path: Path) -> object:
    return read_words(path.read_bytes().decode("utf-8", "replace"), path.name)


def _drill(path: Path) -> object:
    return load_drill(str(path))


def _station(path: Path) -> object:
    return load_station(path)


STATION = b"""name = "Station 2"
drill = "free_throws"
minutes = 3

[[players]]
name = "Ada"
hand = "left"
stature_m = 1.62
reps = 20

[[players]]
name = "Bo"
makes = 10
"""


@cache
def _database() -> bytes:
    """Two sessions of an invented player, a note and a target."""
    with tempfile.TemporaryDirectory() as folder:
        store = practise(Path(folder), "Ada", [Day(reps=3, made=0.5), Day(reps=2, after_days=1)], seed=1)
        store.add_note(store.sessions()[0].start.id, rep_index=1, kind="note", text="elbow")
        store.close()
        with closing(sqlite3.connect(store.path)) as whole:
            whole.execute("PRAGMA journal_mode = DELETE")
        return store.path.read_bytes()


CELLS: tuple[object, ...] = (
    None, 0, -1, 2**62, 1e308, float("inf"), float("-inf"), "", "x", "\0", "\x1b[2J", "<script>alert(1)</script>",
    "../../x", "9999-99-99", "2026-01-01", "2026-01-01T00:00:00+00:00", b"\xff\xfe", b"", "y" * 30_000, "nan", "made",
)  # fmt: skip


def exchanged_cells(valid: bytes, rng: random.Random) -> bytes:
    """The database with nasty values in some cells, or with a trigger, a view or a lost table."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hostile.db"
        path.write_bytes(valid)
        with closing(sqlite3.connect(path)) as db:
            db.execute("PRAGMA synchronous = OFF")
            tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            for _ in range(rng.randint(1, 3)):
                table = rng.choice(tables)
                columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
                with suppress(sqlite3.Error):  # what the table's own rules refuse
                    match rng.randrange(12):
                        case 0:
                            db.execute(f"CREATE TRIGGER t AFTER DELETE ON {table} BEGIN DELETE FROM players; END")
                        case 1:
                            db.execute(f"ALTER TABLE {table} RENAME TO gone")
                            db.execute(f"CREATE VIEW {table} AS SELECT * FROM gone")
                        case 2:
                            db.execute(f"DELETE FROM {table}")
                        case 3:
                            db.execute(f"ALTER TABLE {table} DROP COLUMN {rng.choice(columns)}")
                        case 4:
                            db.execute(f"PRAGMA user_version = {rng.choice([0, 1, 4, -5, 2**31 - 1])}")
                        case _:
                            some = "" if rng.random() < 0.5 else " WHERE rowid = 1"
                            db.execute(f'UPDATE {table} SET "{rng.choice(columns)}" = ?{some}', [rng.choice(CELLS)])
            db.commit()
        return path.read_bytes()


@cache
def _own() -> bytes:
    """The database that another one is merged into."""
    with tempfile.TemporaryDirectory() as folder:
        store = practise(Path(folder), "Bo", [Day(reps=1)], seed=2)
        store.close()
        with closing(sqlite3.connect(store.path)) as whole:
            whole.execute("PRAGMA journal_mode = DELETE")
        return store.path.read_bytes()


def _merged(path: Path) -> object:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "rimward.db").write_bytes(_own())
        store = open_store(Path(folder), lambda _line: None)
        try:
            merge(store, path, _one_line)
        finally:
            _readable(store)
            store.close()
    return None


def _restored(path: Path) -> object:
    """The database inside a backup, with the checksums that belong to it."""
    with tempfile.TemporaryDirectory() as folder:
        content = path.read_bytes()
        backup = Path(folder) / "backup.zip"
        sums = {backup_file.DATABASE: hashlib.sha256(content).hexdigest()}
        with zipfile.ZipFile(backup, "w") as archive:
            made = datetime(2026, 1, 1, tzinfo=UTC)
            archive.writestr(backup_file.MANIFEST, backup_file._manifest(backup_file.Contents(made, 1, 2, 5, sums)))
            archive.writestr(backup_file.DATABASE, content)
        data = Path(folder) / "data"
        data.mkdir()
        (data / "rimward.db").write_bytes(_own())
        store = open_store(data, lambda _line: None)
        try:
            restore(store, backup)
        finally:
            store.close()
        store = open_store(data, lambda _line: None)
        try:
            _readable(store)
        finally:
            store.close()
    return None


def _one_line(said: str) -> None:
    assert said.isprintable(), repr(said)


def _readable(store: Store) -> None:
    """Whatever came, everything that is there can be looked at."""
    store.players()
    for session in store.sessions():
        store.reps(session.start.id, discarded=True)
        store.notes(session.start.id)


@cache
def _clip() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = write_video(Path(folder) / "clip.mp4", [numbered(k) for k in range(12)])
        return path.read_bytes()


def exchanged_header(valid: bytes, rng: random.Random) -> bytes:
    """An MP4 with nasty numbers in the boxes of its header (ISO/IEC 14496-12), or with the name of another box."""
    content = bytearray(valid)
    names = (b"mvhd", b"tkhd", b"mdhd", b"stsd", b"stts", b"stsc", b"stsz", b"stco", b"mp4v", b"esds", b"moov", b"ftyp")
    for _ in range(rng.randint(1, 3)):
        at = content.find(rng.choice(names))
        if at < 0:
            continue
        where = max(0, at + rng.choice((-4, 0, *range(4, 60, 2))))
        content[where : where + 4] = rng.choice((b"\xff" * 4, b"\0" * 4, b"\x7f\xff\xff\xff", rng.randbytes(4)))
    return bytes(content)


def _played(path: Path) -> object:
    clip = open_clip(path)
    try:
        last_s = -1.0
        for item in islice(clip, 60):
            if isinstance(item, Frame):
                assert item.t_s > last_s
                last_s = item.t_s
    finally:
        clip.close()
    return None


READERS: tuple[Reader, ...] = (
    Reader("points", _points, read_points, ".json"),
    Reader("settings", lambda: config_text("default.toml").encode(), load_settings),
    Reader("calibration", _calibration, load_calibration),
    Reader("background", _calibration, load_background),
    Reader("lens", _lens, load_lens),
    Reader("words", lambda: config_text("words_en.toml").encode(), _words),
    Reader("drill", lambda: config_text("drill_free_throws.toml").encode(), _drill),
    Reader("station", lambda: STATION, _station),
    Reader("merge", _database, _merged, ".db", exchanged_cells, short=15),
    Reader("restore", _database, _restored, ".db", exchanged_cells, short=15),
    Reader("clip", _clip, _played, ".mp4", exchanged_header),
)


def damaged(valid: bytes, rng: random.Random) -> bytes:
    """A file a person might have: cut, doubled, with lines exchanged, with bytes knocked about."""
    content = bytearray(valid)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(content) + 1)
        match rng.randrange(5):
            case 0:
                content = content[:at]
            case 1:
                content[at:at] = rng.randbytes(rng.randint(1, 8))
            case 2:
                del content[at : at + rng.randint(1, 40)]
            case 3:
                content[at:at] = content[at : at + 200]
            case _:
                if content:
                    content[rng.randrange(len(content))] = rng.randrange(256)
    return bytes(content)


def exchanged(valid: bytes, rng: random.Random) -> bytes:
    """A file of the right shape with nasty values."""
    lines = valid.decode().splitlines()
    places = [k for k, line in enumerate(lines) if ("=" in line or ":" in line) and not line.lstrip().startswith("#")]
    for k in rng.sample(places, min(len(places), rng.randint(1, 3))):
        mark = "=" if "=" in lines[k] else ":"
        key, _, _ = lines[k].partition(mark)
        tail = "," if mark == ":" and lines[k].rstrip().endswith(",") else ""
        lines[k] = f"{key}{mark} {rng.choice(NASTY)}{tail}"
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def fuzz(reader: Reader, cases: int, base: int = 0) -> Counter[str]:
    """Feed it; returns how often it read and how often it refused. What else comes out is raised with its input."""
    outcomes: Counter[str] = Counter()
    valid = reader.valid()
    kinds = st.one_of(
        st.binary(max_size=300),
        st.randoms(use_true_random=False).map(lambda rng: damaged(valid, rng)),
        st.randoms(use_true_random=False).map(lambda rng: (reader.exchange or exchanged)(valid, rng)),
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"given{reader.suffix}"

        @seed(base)
        @settings(
            max_examples=cases,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            # a database as text fills the screen a thousand times: its file is kept instead
            verbosity=Verbosity.normal if reader.exchange is None else Verbosity.quiet,
        )
        @given(kinds)
        def feed(content: bytes) -> None:
            path.write_bytes(content)
            try:
                reader.read(path)
                outcomes["read"] += 1
            except RimwardError as error:
                said = str(error)
                assert said, "an error must say something"
                assert "\n" not in said, f"one line: {said!r}"
                assert said.isprintable(), f"no control characters on a terminal: {said!r}"
                assert len(said) <= 600, f"one line, not a page: {len(said)} characters"
                outcomes["refused"] += 1
            except Exception as error:
                kept = Path(tempfile.gettempdir()) / f"rimward-fuzz-{reader.name}{reader.suffix}"
                kept.write_bytes(content)
                error.add_note(f"the file is kept as {kept}")
                raise

        feed()
    return outcomes


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("readers", nargs="*", metavar="READER", help="only these")
    parser.add_argument("--cases", type=int, default=10_000)
    args = parser.parse_args(argv)
    for reader in READERS:
        if args.readers and reader.name not in args.readers:
            continue
        began_s = time.monotonic()
        outcomes = fuzz(reader, args.cases)
        spent_s = time.monotonic() - began_s
        print(
            f"{reader.name:12} {outcomes['read']:6} read  {outcomes['refused']:6} refused  {spent_s:6.1f} s", flush=True
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
