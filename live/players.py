"""`rimward players`: who is known, and what of whom."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rimward.calibration.typed import metres

from .errors import StoreError, UsageError
from .plural import counted

if TYPE_CHECKING:
    from .roster import Player
    from .store import Store

_NAMES = {"list": 0, "add": 1, "edit": 1, "rename": 2, "unite": 2, "remove": 1}
"""How many names each action takes."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "action",
        nargs="?",
        choices=tuple(_NAMES),
        default="list",
        help="list (the default), add NAME, edit NAME, rename NAME NEW, unite NAME OTHER (two records of one person), "
        "remove NAME (after an export; from this laptop only, rimward forget removes everywhere)",
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="a name, or the first letters of the player's id")
    parser.add_argument("--hand", choices=("left", "right", "unknown"), help="shooting hand")
    parser.add_argument("--stature-m", type=metres, metavar="X", help="height without shoes; 0: not known")
    parser.add_argument("--birth-year", type=int, metavar="YEAR", help="tells minors from adults; 0: not known")
    parser.add_argument("--minor", choices=("yes", "no", "unknown"), help="a minor, whatever the birth year says")
    parser.add_argument(
        "--pictures", choices=("yes", "no"), help="whether pictures may be kept; never of minors. Off unless said"
    )
    parser.add_argument("--notes", metavar="TEXT", help="what coach and player should remember")
    parser.add_argument("--yes", action="store_true", help="remove, or unite what contradicts, without asking")
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="where remove writes its export first")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Do what the action says; returns the exit status. Raises RimwardError."""
    from .options import listed, opened_store
    from .tables import plain

    action, names = args.action, args.names
    if len(names) != _NAMES[action]:
        wanted = counted(_NAMES[action], "name") if _NAMES[action] else "no name"
        raise UsageError(f"players {action} takes {wanted}, got {len(names) or 'none'}; see rimward players --help")
    facts = _facts(args)
    if facts and action not in ("add", "edit"):
        raise UsageError(f"facts such as --hand go with players add and players edit, not with {action}")
    if action == "list":
        _print(listed(args, say, lambda lists: lists.players()), args.json)
        return 0
    with opened_store(args, say) as store:
        if action == "remove":
            return remove(store, names[0], args.out, args.yes, everywhere=False, say=say)
        if action == "unite" and not _agreed(store, names, args.yes, say):
            return 2
        player = _changed(store, action, names, facts, say)
        if facts.get("pictures") and player.is_minor(date.today()):
            say(f"{plain(player.name)} is known as a minor: pictures stay none, of minors there is the skeleton only")
        _print([player], args.json)
    return 0


def remove(
    store: Store, name: str, out: Path | None, sure: bool, *, everywhere: bool, say: Callable[[str], None]
) -> int:
    """Ask, export where `out` says (a removal from here always exports), take out. Gives 2 when not confirmed."""
    from .export import export_player
    from .tables import plain

    player = store.player(name)
    shown = plain(player.name)
    if out is None and not everywhere:
        out = Path.cwd() / f"{file_name(player.name)}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    what = f"{counted(player.sessions, 'session')} with {counted(player.reps, 'rep')}"
    if not sure and not _confirmed(f"{shown}: {what} will be removed. Type the name to go on: ", player.name):
        say(f"rimward: {shown} stays; type the name when asked, or add --yes")
        return 2
    if out is not None:
        export_player(store, player, out)
        say(f"Exported to {out}")
    store.remove_player(player.id, everywhere=everywhere)
    say(f"Removed {shown} with {what}")
    left = [path for pattern in _OLD_FILES for path in sorted(store.folder.glob(pattern))]
    if left:
        say(f"These older files may still hold the player; delete them when not needed: {', '.join(map(str, left))}")
    if everywhere:
        say("So may backups, exports and copies that were put elsewhere: those only you can find and delete")
    return 0


def _agreed(store: Store, names: list[str], sure: bool, say: Callable[[str], None]) -> bool:
    """Whether the two may be united: merge keeps apart what contradicts, so a person must mean it."""
    from .roster import contradictions, facts_of
    from .tables import plain

    today = date.today()
    kept, other = (store.player(name) for name in names)
    invented = [_is_demos(store, one) for one in (kept, other)]
    if invented[0] != invented[1]:
        raise StoreError(
            f"{plain(names[0])} and {plain(names[1])} must both be people, one of them is the player of"
            " `rimward demo`, whom nobody ever filmed; leave them two"
        )
    against = contradictions(kept, other, today)
    if not against or kept.id == other.id:
        return True
    shown, given = plain(kept.name), plain(other.name)
    what = f"{shown} and {given} contradict: {'; '.join(against)}"
    if not sure and not _confirmed(f"{what}. Type {shown} to unite them all the same: ", kept.name):
        say(f"rimward: {what}; they stay two; type the first name when asked, or add --yes")
        return False
    say(f"{what}. United they are {shown}, {facts_of(kept, today)}; what was known of {given} against that is gone")
    return True


def _check_name(store: Store, action: str, names: list[str]) -> None:
    """The demo's player is told by the name: renamed, invented shots would go out as somebody's; and who took the name
    would be given those of the next demo. Raises StoreError.
    """
    from . import demo
    from .roster import name_key
    from .tables import plain

    known, new = store.player(names[0]) if action == "rename" else None, names[-1]
    if name_key(new) == demo.PLAYER:
        if known is None or name_key(known.name) != demo.PLAYER:
            raise StoreError(
                f"a player must not be called {plain(new)}: so `rimward demo` calls its own; choose another name"
            )
    elif known is not None and _is_demos(store, known):
        raise StoreError(
            f"{plain(known.name)} must keep the name, by which the invented player of `rimward demo` is told from"
            " people; rimward players add NAME makes a new one"
        )


def _is_demos(store: Store, player: Player) -> bool:
    from .roster import is_demo

    return is_demo(player.name, {session.start.source for session in store.sessions(player.id)})


_OLD_FILES = ("backups/*.zip", "rimward.*.db", "pending/*.damaged")


def file_name(text: str) -> str:
    """A name as part of a file's name on every system: letters of any script, digits, - and _."""
    kept = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in text)
    return kept.strip("_")[:40] or "player"


def _confirmed(question: str, name: str) -> bool:
    from .roster import name_key

    if not sys.stdin.isatty():
        return False
    print(question, end="", file=sys.stderr, flush=True)
    return name_key(sys.stdin.readline()) == name_key(name)


def _changed(
    store: Store, action: str, names: list[str], facts: dict[str, object], say: Callable[[str], None]
) -> Player:
    from .roster import similar
    from .tables import plain

    if action in ("add", "rename"):
        _check_name(store, action, names)
    if action == "add":
        close = similar(store.players(), names[0])
        player = store.add_player(names[0], **facts)
        if close:
            say(f"{plain(player.name)} is new; similar names are known: {', '.join(map(plain, close))}")
        return player
    player = store.player(names[0])
    if action == "edit":
        if not facts:
            raise UsageError("players edit needs at least one fact, for example --hand left")
        return store.edit_player(player.id, **facts)
    if action == "rename":
        return store.edit_player(player.id, name=names[1])
    return store.unite_players(player.id, store.player(names[1]).id)


def _facts(args: argparse.Namespace) -> dict[str, object]:
    known = {"yes": True, "no": False, "unknown": None, "left": "left", "right": "right"}
    facts: dict[str, object] = {
        name: known[value] for name in ("hand", "minor", "pictures") if (value := getattr(args, name)) is not None
    }
    facts |= {name: value or None for name in ("stature_m", "birth_year") if (value := getattr(args, name)) is not None}
    return facts if args.notes is None else facts | {"notes": args.notes}


def _print(found: list[Player], as_json: bool) -> None:
    if as_json:
        for player in found:
            print(player_line(player))
        return
    from .tables import print_table

    today = date.today()
    rows = [
        (
            player.name,
            player.hand or "-",
            "-" if player.stature_m is None else f"{player.stature_m:.2f}",
            "minor" if player.is_minor(today) else "-" if player.birth_year is None else str(player.birth_year),
            "kept" if player.pictures_allowed(today) else "none",
            str(player.sessions),
            str(player.reps),
            "-" if player.last_utc is None else f"{player.last_utc.astimezone():%Y-%m-%d}",
            player.id[:8],
        )
        for player in found
    ]
    headings = ("~player", "hand", ">m", "born", "pictures", ">sessions", ">reps", "last", "id")
    print_table("Players", headings, rows, sys.stdout)


def player_line(player: Player) -> str:
    """One player as a JSON line."""
    return json.dumps(
        {
            "kind": "player",
            "id": player.id,
            "name": player.name,
            "hand": player.hand,
            "stature_m": player.stature_m,
            "birth_year": player.birth_year,
            "minor": player.is_minor(date.today()),
            "pictures": player.pictures_allowed(date.today()),
            "notes": player.notes,
            "sessions": player.sessions,
            "reps": player.reps,
            "last_utc": None if player.last_utc is None else player.last_utc.isoformat(),
        },
        allow_nan=False,
    )
