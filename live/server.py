"""A shared PostgreSQL server: where it is, who we are there, and what is wrong with it in one line without a secret.

The password comes from the environment (RIMWARD_SERVER_PASSWORD, or PGPASSWORD as other programs take it) or from a
password file that nobody else may read (PGPASSFILE or ~/.pgpass, PostgreSQL's own format), never from the command line,
where every user of the machine would see it.
"""

from __future__ import annotations

import os
import re
import sqlite3
import stat
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
from sqlalchemy import URL, Connection, Engine, create_engine, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from .errors import StoreError, UsageError
from .schema import NotOurDatabase, bring_up_to_date, is_current

ENVIRONMENT = "RIMWARD_SERVER"
PASSWORDS = ("RIMWARD_SERVER_PASSWORD", "PGPASSWORD")
_CONNECT_S = 10
_SILENT_S = 20
"""A server that acknowledges nothing for so long is gone; TCP by itself would wait for minutes."""
_LOCK = 0x52494D57
"""Of all programs of rimward on the server: stations write one after the other, a batch at a time."""
_PRIVATE_HOSTS = ("", "localhost", "127.0.0.1", "::1")


class ServerGone(Exception):
    """The connection broke; what was committed stays, and another attempt goes on from there."""


class Server:
    """The server's database; connects when it is asked something."""

    def __init__(self, url: URL) -> None:
        """`url` with the password, which nothing here ever shows."""
        self._url = url
        self._engine: Engine | None = None

    @property
    def name(self) -> str:
        """Host and database, for people."""
        host = self._url.host or self._url.query.get("host") or "localhost"
        port = f":{self._url.port}" if self._url.port else ""
        return f"{host}{port}/{self._url.database}"

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database. Raises ServerGone, StoreError."""
        with self._said():
            engine = self._opened().execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            with engine.connect() as connection:
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction, alone among all stations. Raises ServerGone, StoreError."""
        with self._said(), self._opened().begin() as connection:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
            yield connection

    def prepare(self, *, create: bool) -> None:
        """See that the tables are there and current; `create` or migrate them where need be. Raises as above."""
        with self._said(), self._opened().begin() as connection:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
            try:
                if is_current(connection):
                    return
                if not create:
                    raise StoreError("it has no tables of this version yet; the first rimward push makes them")
                bring_up_to_date(connection)
            except NotOurDatabase:
                raise StoreError(
                    f"{self.name} holds tables that are not those of rimward; give it a database"
                ) from None
            except StoreError as error:
                raise StoreError(f"{self.name}: {error}") from None

    def close(self) -> None:
        """Let go of the connection."""
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    def _opened(self) -> Engine:
        if self._engine is None:
            arguments = {
                "connect_timeout": _CONNECT_S,
                "keepalives_idle": 5,
                "keepalives_interval": 5,
                "keepalives_count": 3,
                "tcp_user_timeout": 1000 * _SILENT_S,
                "application_name": "rimward",
            }
            self._engine = create_engine(self._url, connect_args=arguments, pool_size=2)
        return self._engine

    @contextmanager
    def _said(self) -> Iterator[None]:
        """Turns the driver's errors into ours; neither message nor cause holds what could be secret."""
        try:
            yield
        except DBAPIError as error:
            if isinstance(error.orig, sqlite3.Error):  # the laptop's side of the exchange, which has its own words
                raise
            self.close()
            if error.connection_invalidated or _lost(error):
                raise ServerGone(self._words(error)) from None
            raise StoreError(f"the server {self.name} refuses: {self._words(error)}") from None
        except psycopg.Error as error:  # from the driver's own way of copying rows
            self.close()
            if isinstance(error, psycopg.OperationalError):
                raise ServerGone(self._words(error)) from None
            raise StoreError(f"the server {self.name} refuses: {self._words(error)}") from None
        except SQLAlchemyError as error:
            self.close()
            raise StoreError(f"the server {self.name} cannot be used: {self._words(error)}") from None

    def _words(self, error: Exception) -> str:
        """The first line of what the driver says, without the password whatever it is."""
        cause = getattr(error, "orig", None) or error
        said = next((line for line in str(cause).splitlines() if line.strip()), type(cause).__name__)
        password = self._url.password
        if password:
            said = said.replace(str(password), "***")
        if "no password supplied" in said:
            return f"it wants a password and got none; set {PASSWORDS[0]}, or use ~/.pgpass (mode 600)"
        return "".join(letter if letter.isprintable() else " " for letter in said).strip()[:300]


def server_at(asked: str | None) -> Server:
    """The server of the command line, else of the environment. Raises UsageError, StoreError."""
    given = asked or os.environ.get(ENVIRONMENT)
    if not given:
        raise UsageError(f"name the server, as postgresql://USER@HOST/DATABASE, or set {ENVIRONMENT} to it")
    try:
        url = make_url(given)
    except (ArgumentError, ValueError):
        raise UsageError("a server must be given as postgresql://USER@HOST/DATABASE, got something else") from None
    if url.get_backend_name() not in ("postgresql", "postgres") or not url.database:
        raise UsageError(
            f"a server must be given as postgresql://USER@HOST/DATABASE, got {url.get_backend_name()}://..."
        )
    if asked is not None and (url.password is not None or "password" in url.query):
        raise UsageError(
            f"a password does not belong on the command line, where others see it; set {PASSWORDS[0]} or use ~/.pgpass"
        )
    if url.password is None:
        found = next((value for name in PASSWORDS if (value := os.environ.get(name))), None)
        if found is None:
            _check_password_file()
        url = url.set(password=found)
    try:
        url = url.set(drivername="postgresql+psycopg")
        if "sslmode" not in url.query and (url.host or "") not in _PRIVATE_HOSTS and "host" not in url.query:
            url = url.update_query_dict({"sslmode": "require"})  # names of minors travel here
        return Server(url)
    except (ArgumentError, NoSuchModuleError) as error:
        raise StoreError(f"PostgreSQL cannot be reached from here: {error}") from None


def with_patience(server: Server, attempt: Callable[[], None], say: Callable[[str], None]) -> None:
    """Run what can be run again; when the connection breaks, up to three times more after a pause.

    Raises StoreError that says how to go on.
    """
    for pause_s in (1.0, 3.0, 9.0, None):
        try:
            attempt()
            return
        except ServerGone as gone:
            if pause_s is None:
                raise StoreError(
                    f"the server {server.name} does not answer ({gone}); what went over stays, nothing is lost: "
                    "run the same command again later"
                ) from None
            say(f"The server {server.name} does not answer ({gone}); trying again in {pause_s:.0f} s")
            time.sleep(pause_s)


def _check_password_file() -> None:
    """PostgreSQL's library passes over a file that others can read, with words of its own; ours name the way out."""
    path = Path(os.environ.get("PGPASSFILE") or Path.home() / ".pgpass")
    if sys.platform == "win32":  # there the file lies in the user's own folder and has no such bits
        return
    try:
        mode = path.stat().st_mode
    except OSError:
        return
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise StoreError(f"{path} holds passwords and others can read it; run: chmod 600 {path}")


_LOST = re.compile(
    r"connection (failed|timeout|is bad|refused|reset)|server closed the connection|could not connect|"
    r"could not receive|could not send|terminating connection|the database system is (starting|shutting)|"
    r"Network is unreachable|No route to host|timed out|could not translate|resolve|EOF detected|"
    r"consuming input failed|"
    r"the connection is (lost|closed)|SSL SYSCALL|Broken pipe",
    re.IGNORECASE,
)
_REFUSED = re.compile(r"authentication failed|no password|does not exist|permission denied|SSL.*(not support|required)")


def _lost(error: DBAPIError) -> bool:
    said = str(error.orig)
    return _LOST.search(said) is not None and _REFUSED.search(said) is None
