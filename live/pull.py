"""`rimward pull`: what the shared server has and this laptop lacks comes here."""

from __future__ import annotations

import argparse
from collections.abc import Callable


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    from .push import server_arguments

    server_arguments(parser)


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Pull; returns the exit status. Raises RimwardError."""
    from .exchange import Brought, unite
    from .merge import brought_line, told
    from .options import opened_store
    from .push import progress
    from .server import server_at, with_patience

    server = server_at(args.url)
    brought = Brought()
    with opened_store(args, say) as store:

        def attempt() -> None:
            server.prepare(create=False)
            with server.reading() as there:
                unite(there, store.changing, brought, progress(say))

        try:
            with_patience(server, attempt, say)
        finally:
            server.close()
            store.remove_files(brought.gone_sessions)
    for line in brought.lines:
        say(line)
    say(f"{server.name}: {told(brought)}")
    if args.json:
        print(brought_line("pull", server.name, brought))
    return 0
