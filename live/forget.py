"""`rimward forget`: everything about a player goes: here now, elsewhere at the next exchange."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("player", metavar="PLAYER", help="a name, or the first letters of the id")
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="export everything to this folder first")
    parser.add_argument("--yes", action="store_true", help="without asking")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Forget a player; returns the exit status. Raises RimwardError."""
    from .options import opened_store
    from .players import remove

    with opened_store(args, say) as store:
        status = remove(store, args.player, args.out, args.yes, everywhere=True, say=say)
    if status == 0:
        say("rimward push makes a server forget the player too, and other laptops at their next pull or merge")
    return status
