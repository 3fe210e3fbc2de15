"""`rimward push`: what this laptop has and the shared server lacks goes there. Pictures and traces stay here."""

from __future__ import annotations

import argparse
from collections.abc import Callable


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    server_arguments(parser)


def server_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that push and pull share."""
    parser.add_argument(
        "url",
        nargs="?",
        metavar="URL",
        help="postgresql://USER@HOST/DATABASE, else $RIMWARD_SERVER; the password comes from "
        "$RIMWARD_SERVER_PASSWORD or from ~/.pgpass (readable by you alone)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Push; returns the exit status. Raises RimwardError."""
    from .exchange import Brought, unite
    from .merge import brought_line, told
    from .options import opened_store
    from .server import server_at, with_patience

    server = server_at(args.url)
    brought = Brought()
    with opened_store(args, say) as store:

        def attempt() -> None:
            server.prepare(create=True)
            with store.reading() as here:
                unite(here, server.writing, brought, progress(say))

        try:
            with_patience(server, attempt, say)
        finally:
            server.close()
    for line in brought.lines:
        say(line)
    say(f"{server.name}: {told(brought, 'there')}")
    if args.json:
        print(brought_line("push", server.name, brought))
    return 0


def progress(say: Callable[[str], None]) -> Callable[[int, int], None]:
    """Says now and then how far a long exchange is."""
    from time import monotonic

    last = [monotonic()]

    def told(done: int, count: int) -> None:
        if monotonic() - last[0] > 5.0 and done < count:
            last[0] = monotonic()
            say(f"{done} of {count} reps")

    return told
