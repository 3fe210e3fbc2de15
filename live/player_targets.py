"""`rimward targets`: what a player is held against, and the coach's hand in it."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from .errors import UsageError

if TYPE_CHECKING:
    from .records import Band
    from .settings import Settings
    from .store import Store
    from .targets import InForce


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("player", metavar="PLAYER", help="a name, or the first letters of the player's id")
    parser.add_argument(
        "--set",
        dest="wishes",
        action="append",
        default=[],
        metavar="MEASUREMENT=LOW:HIGH",
        help="for instance knee_min_deg=100:120 or follow_through_s=0.8: (one end open); units as in the name; may be "
        "given several times",
    )
    parser.add_argument("--name", default="", metavar="TEXT", help="what you call what is set")
    parser.add_argument(
        "--lock",
        action="store_true",
        help="the player's own reps shall not move it; a locked one that is set again stays locked, unless --free "
        "names it as well",
    )
    parser.add_argument("--by", default="", metavar="COACH", help="who sets it")
    parser.add_argument(
        "--free",
        action="append",
        default=[],
        metavar="MEASUREMENT",
        help="take a target back; may be given several times",
    )
    parser.add_argument("--why", action="store_true", help="add where each band comes from")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Set, free and show; returns the exit status. Raises RimwardError."""
    from .coaching import load_targets
    from .options import opened_store, settings_of
    from .tables import plain
    from .targets import in_force

    wishes = [_wish(text) for text in args.wishes]
    free = [_measurement("--free", name) for name in args.free]
    if not wishes and (args.name or args.lock or args.by):
        raise UsageError("--name, --lock and --by go with --set")
    for option, names in (("--set", [wish.measurement for wish in wishes]), ("--free", free)):
        if twice := [name for name in names if names.count(name) > 1]:
            raise UsageError(f"{option} must name a measurement once, got {twice[0]} {names.count(twice[0])} times")
    with opened_store(args, say) as store:
        player = store.player(args.player)
        settings = _of(settings_of(args), player.name, player.hand)
        before = now = in_force(load_targets(settings, store, say).bands())
        for target_id in _to_free(store, player.id, free):
            store.remove_target(target_id)
        # whoever corrects a number did not speak of the lock, which may be another coach's
        locked = {target.measurement for target in store.targets(player.id) if target.locked}
        for one in wishes:
            ends, lock = (one.band.low, one.band.high), args.lock or one.measurement in locked
            store.set_target(player.id, one.measurement, *ends, name=args.name, locked=lock, author=args.by)
        if free or wishes:
            now = in_force(load_targets(settings, store, say).bands())
    if args.json:
        _print_json(now)
    elif not wishes and not free:
        _print(player.name, now, args.why)
    else:
        still_locked = () if args.lock else [one.measurement for one in wishes if one.measurement in locked]
        for line in [*_changed(before, now, wishes), *map(_stays_locked, still_locked)] or ["No band changed"]:
            print(plain(line))
    return 0


def _of(settings: Settings, name: str, hand: str | None) -> Settings:
    player = settings.player.model_copy(update={"name": name, "hand": hand or settings.player.hand})
    return settings.model_copy(update={"player": player})


def _measurement(option: str, name: str) -> str:
    from .measure import MEASUREMENTS

    if name not in MEASUREMENTS:
        from .near import measurement_meant

        raise UsageError(f"{option} must name a measurement, got {name!r:.40}: {measurement_meant(name)}")
    return name


@dataclass(frozen=True, slots=True)
class _Wish:
    """What a coach asks for."""

    measurement: str
    band: Band


def _wish(text: str) -> _Wish:
    """ "knee_min_deg=100:120" as measurement and band."""
    from .glossary import ends_possible
    from .records import Band

    name, equals, ends = text.partition("=")
    low, colon, high = ends.partition(":")
    if not equals or not colon:
        raise UsageError(f"--set must be MEASUREMENT=LOW:HIGH, for instance knee_min_deg=100:120, got {text!r:.60}")
    measurement = _measurement("--set", name.strip())
    try:
        bounds = tuple(float(end.replace(",", ".")) if end.strip() else None for end in (low, high))
    except ValueError:
        raise UsageError(f"--set must have numbers on both sides of the colon, or nothing, got {ends!r:.40}") from None
    if bounds == (None, None):
        raise UsageError(f"--set must have at least one end, got {ends!r:.40}")
    for end in bounds:
        if end is not None and (must := ends_possible(measurement, end)):
            raise UsageError(f"--set {measurement} must have its ends {must}, got {end:g}; give the ends in that unit")
    if bounds[0] is not None and bounds[1] is not None and not bounds[0] < bounds[1]:
        raise UsageError(f"--set must have its low end below its high end, got {ends!r:.40}")
    return _Wish(measurement, Band(bounds[0], bounds[1], "coach", "--set"))


def _to_free(store: Store, player_id: str, measurements: Sequence[str]) -> list[str]:
    """The ids of these targets; found before the first is taken back, so that a wrong name changes nothing."""
    ids = {target.measurement: target.id for target in store.targets(player_id)}
    for measurement in measurements:
        if measurement not in ids:
            has = f"there are {', '.join(sorted(ids))}" if ids else "the player has none"
            raise UsageError(f"--free must name a measurement that has a target; {measurement} has none: {has}")
    return [ids[measurement] for measurement in measurements]


def _print_json(rows: Sequence[InForce]) -> None:
    for row in rows:
        band = row.band
        fields = {"check": row.check, "measurement": row.measurement, "low": band.low, "high": band.high}
        print(json.dumps({"kind": "target", **fields, "label": band.label, "source": band.source}))


def _print(player: str, rows: Sequence[InForce], why: bool) -> None:
    """The bands in the units that people are shown, and what the shipped labels do not say by themselves."""
    from .tables import plain, print_table

    names, other = _names(), any(not row.plain for row in rows)
    print_table(
        f"{player} is held against",
        ("~what", "band", "label", "name for --set"),
        [(names[row.check], _band(row) + ("" if row.plain else " *"), row.band.label, row.measurement) for row in rows],
        sys.stdout,
        "--set takes the unit that the name ends with: 5 cm of one in _m are 0.05",
    )
    if other:
        print(_OTHER)
    reasons: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        if why or row.band.label in _TOLD_BY_SOURCE:
            reasons.setdefault((row.band.label, row.band.source), []).append(names[row.check])
    for (label, source), checks in reasons.items():
        print(plain(f"{label} ({', '.join(checks)}): {source}"))


_OTHER = """* hips and shoulders: against the feet, positive to the left; release and entry
  angle: against those of the shot of least speed; others: positive is outward"""
_TOLD_BY_SOURCE = ("own", "coach")
"""Labels that say less than where the band comes from; a shipped band's label is enough."""


def _changed(before: Sequence[InForce], now: Sequence[InForce], wishes: Sequence[_Wish]) -> Iterator[str]:
    """What holds otherwise than before, and where what was asked for of a measurement does not hold, why."""
    from .glossary import term
    from .report_values import band_in_words

    names, old = _names(), {row.check: row for row in before}
    new = {row.check: row for row in now}
    for check in dict.fromkeys((*old, *new)):
        was, holds = old.get(check), new.get(check)
        if was != holds:
            yield f"{names[check]}: {_told(holds)}; before: {_told(was)}"
    for wish in wishes:
        label, wanted = term(wish.measurement).label, band_in_words(wish.measurement, wish.band)
        rows = [row for row in now if row.measurement == wish.measurement]
        if not rows:
            yield f"{label}: {wanted} is saved; no check looks at it, the report does"
        for row in rows:
            if row.band.label != "coach":
                yield f"{label}: {wanted} is saved, but {_told(row)} goes before it unless --lock is added"


def _stays_locked(measurement: str) -> str:
    from .glossary import term

    return f"{term(measurement).label}: stays locked; --free {measurement} beside --set unlocks it"


def _told(row: InForce | None) -> str:
    if row is None:
        return "only reported"
    return f"{_band(row)} ({row.band.source if row.band.label in _TOLD_BY_SOURCE else row.band.label})"


def _band(row: InForce) -> str:
    from .report_values import band_in_words

    return band_in_words(row.measurement, row.band)


def _names() -> dict[str, str]:
    """By check, as the report says it."""
    from .assets import english

    return {check: texts[0] for (check, kind), texts in english().items() if kind == "name"}
