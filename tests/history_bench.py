"""How long a long history takes: python tests/history_bench.py [FOLDER]

10,000 reps in 100 sessions of eight players: size of the file, start of practice, list, columns, one session,
backup; 10 databases of 1,000 reps merged; and, where a PostgreSQL server is installed, 10,000 reps pushed and pulled.
Seconds on the clock, and of the processor, which hold on a busy machine as well.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import postgres
import pytest
from practised import Day, practise

from rimward.live import backup, exchange
from rimward.live.merge import merge
from rimward.live.server import server_at
from rimward.live.settings import load_settings
from rimward.live.store import Store, open_store

NAMES = ("Ada Quill", "Bo Marsh", "Chidi Okonjo", "Dana Reef", "Émile Vaux", "Fatma Güneş", "Gus Lark", "李小月")


def filled(folder: Path, sessions: int, seed: int = 0) -> Store:
    """So many sessions of 100 reps, players in turn."""
    bands = load_settings().check_bands()
    for k, name in enumerate(NAMES):
        own = len(range(k, sessions, len(NAMES)))
        if own:
            days = [Day(reps=100, after_days=2.0, made=0.6)] * own
            practise(folder, name, days, bands, seed=100 * seed + k).close()
    return open_store(folder, lambda _line: None)


@contextmanager
def timed(what: str) -> Iterator[None]:
    wall, cpu = time.perf_counter(), time.process_time()
    yield
    told(what, time.perf_counter() - wall, time.process_time() - cpu)


def told(what: str, wall_s: float, cpu_s: float) -> None:
    print(f"{what:50s} {wall_s:8.3f} s   {cpu_s:8.3f} s of processor", flush=True)


def command(data: Path, *words: str) -> None:
    """A whole program, from its start."""
    environment = os.environ | {"RIMWARD_DATA_DIR": str(data)}
    before, wall = os.times(), time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "rimward.live", *words], env=environment, check=True, stdout=subprocess.DEVNULL, cwd=data
    )
    wall, after = time.perf_counter() - wall, os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    told("rimward " + " ".join(words), wall, cpu)


def main(folder: Path) -> None:
    big, small = folder / "big", folder / "small"
    with timed("10,000 reps through side files"):
        filled(big, 100).close()
    size = sum(path.stat().st_size for path in big.glob("rimward.db*"))
    print(f"{'size of the database':50s} {size / 1e6:8.2f} MB")
    filled(small, 1).close()
    for name, data in (("100 reps", small), ("10,000 reps", big)):
        with timed(f"opened, as practice does, {name}"):
            store = open_store(data)
        with timed(f"session begun, {name}"):
            store.start_session(player="Ada Quill", hand="right", source="c", settings_digest="d", app_version="v")
        store.close()
    store = open_store(big)
    calls: dict[str, Callable[[], object]] = {
        "players": store.players,
        "sessions": store.sessions,
        "history of all as columns": store.history,
        "history of one player": lambda: store.history("Ada Quill"),
        "reps of one session as records": lambda: store.reps(store.sessions()[0].start.id),
    }
    for name, call in calls.items():
        call()
        with timed(name):
            call()
    with timed("backup, checked"):
        backup.make(store, folder / "backup.zip")
    store.close()
    for words in (("--version",), ("sessions",), ("players",), ("show",), ("export", "--out", str(folder / "out"))):
        command(big, *words)
    others = [folder / f"laptop{k}" for k in range(10)]
    for k, other in enumerate(others):
        filled(other, 10, seed=k + 1).close()
    store = open_store(folder / "united")
    for what in ("10 databases of 1,000 reps merged", "the same once more"):
        with timed(what):
            for other in others:
                merge(store, other / "rimward.db", lambda _line: None)
        assert sum(session.reps for session in store.sessions()) == 10_000
    store.close()
    try:
        with postgres.running() as club:
            exchanged(club, big, folder / "coach")
    except pytest.skip.Exception as reason:
        print(f"push and pull: {reason}")


def exchanged(club: postgres.Postgres, big: Path, coach: Path) -> None:
    os.environ["RIMWARD_SERVER_PASSWORD"] = postgres.PASSWORD
    server = server_at(club.url())
    server.prepare(create=True)
    with open_store(big).reading() as here:
        for what in ("10,000 reps pushed", "the same once more"):
            with timed(what):
                exchange.unite(here, server.writing, exchange.Brought())
    store = open_store(coach)
    with timed("10,000 reps pulled"), server.reading() as there:
        exchange.unite(there, store.changing, exchange.Brought())
    assert sum(session.reps for session in store.sessions()) == 10_000


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as temporary:
            main(Path(temporary))
