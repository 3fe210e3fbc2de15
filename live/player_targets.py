"""`rimward targets`: what a player is held against, and the coach's hand in it."""

from __future__ import annotations

import argparse
import difflib
import json
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

from .errors import UsageError

if TYPE_CHECKING:
    from .settings import Settings
    from .store import Store
    from .targets import InForce


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("player", metavar="PLAYER", help="a name, or the first letters of the player's id")
    parser.add_argument(
        "--set",
        dest="wish",
        metavar="MEASUREMENT=LOW:HIGH",
        help="for instance knee_min_deg=100:120 or follow_through_s=0.8: (one end open); units as in the name",
    )
    parser.add_argument("--name", default="", metavar="TEXT", help="what you call this target")
    parser.add_argument("--lock", action="store_true", help="the player's own reps shall not move it")
    parser.add_argument("--by", default="", metavar="COACH", help="who sets it")
    parser.add_argument("--free", metavar="MEASUREMENT", help="take a target back")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Set, free and show; returns the exit status. Raises RimwardError."""
    from .coaching import load_targets
    from .options import opened_store, settings_of
    from .targets import in_force

    wish = None if args.wish is None else _wish(args.wish)
    free = None if args.free is None else _measurement("--free", args.free)
    if wish is None and (args.name or args.lock or args.by):
        raise UsageError("--name, --lock and --by go with --set")
    with opened_store(args, say) as store:
        player = store.player(args.player)
        if free is not None:
            _free(store, player.id, free)
        if wish is not None:
            measurement, low, high = wish
            store.set_target(player.id, measurement, low, high, name=args.name, locked=args.lock, author=args.by)
        settings = _of(settings_of(args), player.name, player.hand)
        targets = load_targets(settings, store, say)
        _print(in_force(targets.bands()), args.json)
    return 0


def _of(settings: Settings, name: str, hand: str | None) -> Settings:
    player = settings.player.model_copy(update={"name": name, "hand": hand or settings.player.hand})
    return settings.model_copy(update={"player": player})


def _measurement(option: str, name: str) -> str:
    from .measure import MEASUREMENTS

    if name not in MEASUREMENTS:
        near = difflib.get_close_matches(name, MEASUREMENTS, n=1)
        what = f"did you mean {near[0]}?" if near else f"known: {', '.join(MEASUREMENTS)}"
        raise UsageError(f"{option} must name a measurement, got {name!r:.40}: {what}")
    return name


def _wish(text: str) -> tuple[str, float | None, float | None]:
    """ "knee_min_deg=100:120" as (measurement, low, high)."""
    name, equals, ends = text.partition("=")
    low, colon, high = ends.partition(":")
    if not equals or not colon:
        raise UsageError(f"--set must be MEASUREMENT=LOW:HIGH, for instance knee_min_deg=100:120, got {text!r:.60}")
    measurement = _measurement("--set", name.strip())
    try:
        bounds = tuple(float(end) if end.strip() else None for end in (low, high))
    except ValueError:
        raise UsageError(f"--set must have numbers on both sides of the colon, or nothing, got {ends!r:.40}") from None
    if bounds == (None, None) or any(end is not None and not abs(end) <= 1000 for end in bounds):
        raise UsageError(f"--set must have at least one end, each between -1000 and 1000, got {ends!r:.40}")
    if bounds[0] is not None and bounds[1] is not None and not bounds[0] < bounds[1]:
        raise UsageError(f"--set must have its low end below its high end, got {ends!r:.40}")
    return measurement, bounds[0], bounds[1]


def _free(store: Store, player_id: str, measurement: str) -> None:
    for target in store.targets(player_id):
        if target.measurement == measurement:
            store.remove_target(target.id)
            return
    raise UsageError(f"--free must name a measurement that has a target; {measurement} has none")


def _print(rows: list[InForce], as_json: bool) -> None:
    if as_json:
        for row in rows:
            band = row.band
            fields = {"check": row.check, "measurement": row.measurement, "low": band.low, "high": band.high}
            print(json.dumps({"kind": "target", **fields, "label": band.label, "source": band.source}))
        return
    from rich.console import Console
    from rich.table import Table

    from .tables import plain

    table = Table(title="Held against", caption="in the unit that the measurement's name says")
    for column in ("check", "of", "from", "to", "why"):
        table.add_column(column, overflow="fold")
    for row in rows:
        low, high = ("" if end is None else f"{end:g}" for end in (row.band.low, row.band.high))
        of = row.measurement if row.plain else f"{row.measurement} *"
        table.add_row(row.check, of, low, high, f"{row.band.label}: {plain(row.band.source)}")
    Console(file=sys.stdout).print(table)
    if any(not row.plain for row in rows):
        print("* against something else: settings say what")
