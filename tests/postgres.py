"""A real PostgreSQL server in a folder of its own, for the tests of the exchange."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

PASSWORD = "s3cret-of-the-club"


def free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Postgres:
    """Started with a database `club` and a user `coach` who has a password."""

    folder: Path
    bin: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def url(self, port: int | None = None) -> str:
        return f"postgresql://coach@127.0.0.1:{port or self.port}/club"

    def start(self) -> None:
        assert self.process is None
        options = ("-c", "fsync=off", "-c", "listen_addresses=127.0.0.1", "-c", "max_connections=20")
        self.process = subprocess.Popen(
            [self.bin / "postgres", "-D", self.folder / "data", "-p", str(self.port), "-k", self.folder, *options],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            **_other_user(),
        )
        end = time.monotonic() + 60.0
        while time.monotonic() < end:
            asked = [self.bin / "pg_isready", "-q", "-h", "127.0.0.1", "-p", str(self.port)]
            if subprocess.run(asked, check=False).returncode == 0:
                return
            assert self.process.poll() is None, "the server ended by itself"
            time.sleep(0.05)
        raise AssertionError("the server did not start")

    def kill(self) -> None:
        """As a power cut would: no goodbye to anybody. Starts again with `start`."""
        assert self.process is not None
        children = subprocess.run(
            ["ps", "-o", "pid=", "--ppid", str(self.process.pid)], capture_output=True, text=True, check=False
        ).stdout.split()
        self.process.kill()
        self.process.wait()
        for child in children:  # they notice by themselves, but not at once
            with contextlib.suppress(ProcessLookupError):
                os.kill(int(child), signal.SIGKILL)
        (self.folder / "data" / "postmaster.pid").unlink(missing_ok=True)
        self.process = None

    def run(self, statement: str) -> str:
        asked = [self.bin / "psql", "-qAtX", "-h", "127.0.0.1", "-p", str(self.port), "-U", "coach", "-d", "club"]
        environment = os.environ | {"PGPASSWORD": PASSWORD}
        ran = subprocess.run([*asked, "-c", statement], capture_output=True, text=True, check=True, env=environment)
        return ran.stdout.strip()

    def empty(self) -> None:
        self.run("DROP SCHEMA public CASCADE; CREATE SCHEMA public")


def _other_user() -> dict[str, object]:
    """PostgreSQL refuses to run as root."""
    if os.getuid() != 0:
        return {}
    user = pwd.getpwnam(_user())
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


def _user() -> str:
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            return pwd.getpwnam(name).pw_name
    pytest.skip("PostgreSQL does not run as root, and there is no other user")


def _programs() -> Path:
    found = shutil.which("initdb")
    places = [Path(found).resolve().parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for place in places:
        if all((place / name).exists() for name in ("initdb", "postgres", "psql", "pg_isready")):
            return place
    pytest.skip("no PostgreSQL server is installed (Debian: apt install postgresql)")


@contextmanager
def running() -> Iterator[Postgres]:
    """Skips the test, with the reason, where there is no PostgreSQL."""
    programs = _programs()
    with tempfile.TemporaryDirectory(prefix="rimward-pg-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        password = folder / "password"
        password.write_text(PASSWORD)
        if os.getuid() == 0:
            user = pwd.getpwnam(_user())
            os.chown(folder, user.pw_uid, user.pw_gid)
            os.chown(password, user.pw_uid, user.pw_gid)
        made = subprocess.run(
            [programs / "initdb", "-D", folder / "data", "-U", "coach", "-A", "scram-sha-256", "--pwfile", password,
             "--no-sync", "-E", "UTF8", "--locale", "C"],
            capture_output=True, text=True, check=False, cwd=folder, **_other_user(),
        )  # fmt: skip
        if made.returncode != 0:
            pytest.skip(f"PostgreSQL's initdb does not work here: {made.stderr.strip()[-200:]}")
        server = Postgres(folder, programs, free_port())
        server.start()
        try:
            environment = os.environ | {"PGPASSWORD": PASSWORD}
            asked = [programs / "createdb", "-h", "127.0.0.1", "-p", str(server.port), "-U", "coach", "club"]
            subprocess.run(asked, check=True, env=environment)
            yield server
        finally:
            if server.process is not None:
                server.kill()


class Wire:
    """A network between laptop and server that breaks after so many bytes from the laptop, or when told to."""

    def __init__(self, port: int, breaks_after: int | None = None) -> None:
        self._to = port
        self.left = breaks_after
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.breaks = 0
        self._open = True
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while self._open:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            far = socket.create_connection(("127.0.0.1", self._to))
            for one, other, counted in ((near, far, True), (far, near, False)):
                threading.Thread(target=self._carry, args=(one, other, counted), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket, counted: bool) -> None:
        with contextlib.suppress(OSError):
            while block := one.recv(1 << 14):
                if counted and self.left is not None:
                    self.left -= len(block)
                    if self.left <= 0:
                        self.left = None
                        self.breaks += 1
                        break
                other.sendall(block)
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._open = False
        self._listener.close()
