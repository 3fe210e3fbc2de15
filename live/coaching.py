"""By what a practice is judged and spoken: words, drill, focus and targets, read from settings, files and the store."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from .assets import config_names, config_text, english
from .checks import BY_NAME
from .coach import Coaching
from .cues import Plan
from .drills import Drill, read_drill
from .errors import SettingsError, StoreError, UsageError
from .measure import ONLY_IN_SPACE
from .near import near
from .records import Band, Rep
from .report_values import band_in_words
from .roster import name_key, show_name
from .settings import Settings
from .stations import Station, read_station
from .store import Store
from .targets import MOST_REPS, Targets, in_force, set_by_coach
from .toml_text import place
from .words import Words, read_words

_MOST_SESSIONS = 20
"""So many of the player's last sessions are looked at for targets: starting must not grow with the years."""


def load_words(settings: Settings) -> Words:
    """The words of the language that is set."""
    name = f"words_{settings.screen.language}.toml"
    return read_words(config_text(name), name)


def load_drill(asked: str) -> Drill:
    """A drill by its shipped name or by its file. Raises UsageError, or SettingsError naming line and key."""
    if asked in config_names("drill_"):
        name = f"drill_{asked}.toml"
        return read_drill(config_text(name), name)
    path = Path(asked).expanduser()
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(f"{asked}: a drill must be UTF-8 text, found byte 0x{error.object[error.start]:02x}") from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        why = getattr(error, "strerror", None) or error
        shipped = ", ".join(config_names("drill_"))
        raise UsageError(
            f"--drill must be a file or one of {shipped}, got {asked} ({why}){near(asked, config_names('drill_'))}"
        ) from None
    return read_drill(text, str(path))


def load_station(path: Path) -> Station:
    """A station from its file, its drill's path made relative to that file. Raises UsageError, SettingsError."""
    try:
        text = path.expanduser().read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = f"found byte 0x{error.object[error.start]:02x}"
        raise UsageError(f"{path}: a station must be UTF-8 text, {found}") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"--station must be a file that can be read, got {path} ({why})") from None
    station = read_station(text, str(path))
    if station.drill is None:
        return station
    beside, shipped = path.expanduser().parent / station.drill, config_names("drill_")
    if beside.is_file():
        return replace(station, drill=str(beside))
    if station.drill not in shipped:
        raise SettingsError(
            f"{place(text, str(path), ('drill',))}: drill must be a file beside this one or one of "
            f"{', '.join(shipped)}, got {station.drill!r}{near(station.drill, shipped)}"
        )
    return station


def coaching(
    settings: Settings,
    words: Words,
    store: Store,
    drill: Drill | None,
    calibrated: bool,
    say: Callable[[str], None],
) -> Coaching:
    """Put it all together; what the player is held against is said, one line each."""
    targets = load_targets(settings, store, say)
    bands, focus = targets.bands(), settings.cues.focus
    for line in told(targets, bands):
        say(line)
    judged = {one.check for one in in_force({**bands, **({} if drill is None else drill.all_bands())})}
    if focus is not None and focus not in judged:
        say(f"{focus} has no band and is only reported; rimward targets sets one for {BY_NAME[focus].measurement}.")
    if focus is not None and BY_NAME[focus].measurement in ONLY_IN_SPACE and not calibrated:
        say(f"{focus} needs the camera's place: without --calibration (rimward calibrate) nothing can be said of it.")
    wish = settings.cues
    plan = Plan(
        priority=tuple(wish.priority),
        focus=focus,
        wording=wish.wording,
        praise=wish.praise,
        least_gap_s=wish.least_gap_s,
        every_rep=wish.every_rep,
        every_second=wish.every_second,
    )
    return Coaching(targets, words, wish.clear_sigmas, plan, drill, settings.screen.language, calibrated)


def told(targets: Targets, bands: Mapping[str, Band]) -> list[str]:
    """One line for each band that is not the default: what, from where to where, and why; in English."""
    return [
        f"Target: {english()[one.check, 'name'][0]} {band_in_words(one.measurement, one.band)}: "
        f"{show_name(one.band.source)}"
        for one in in_force(bands)
        if one.band != targets.defaults.get(one.check)
    ]


def load_targets(settings: Settings, store: Store, say: Callable[[str], None]) -> Targets:
    """The shipped bands, what the coach set for this player, and the player's earlier reps.

    A practice begins whatever the database does: what cannot be read is said and left out.
    """
    defaults, wish = settings.check_bands(), settings.targets
    if not store.readable:  # the store has said why
        return Targets(defaults, after_reps=wish.after_reps, good_reps=wish.good_reps)
    try:
        asked = name_key(settings.player.name)
        known = [player for player in store.players() if name_key(player.name) == asked]
        if not known:
            return Targets(defaults, after_reps=wish.after_reps, good_reps=wish.good_reps)
        coach = [
            set_by_coach(
                target.measurement,
                target.low,
                target.high,
                name=target.name,
                locked=target.locked,
                author=target.author,
            )
            for target in store.targets(known[0].id)
        ]
        reps, good = (
            _earlier(store, known[0].id, settings.player.hand) if wish.after_reps or wish.good_reps else ([], [])
        )
    except StoreError as error:
        say(f"Earlier reps and targets are left out: {error}")
        return Targets(defaults)
    return Targets(defaults, coach, reps, good, wish.after_reps, wish.good_reps)


def _earlier(store: Store, player_id: str, hand: str) -> tuple[list[Rep], list[Rep]]:
    """The player's last reps of one hand, oldest first, and those of them that a coach called good."""
    sessions: list[list[tuple[Rep, bool]]] = []
    for session in reversed(store.sessions(player_id)[-_MOST_SESSIONS:]):
        marked = {note.rep_index for note in store.notes(session.start.id) if note.kind in ("good", "best")}
        sessions.append([(rep, rep.index in marked) for rep in store.reps(session.start.id)])
        if sum(map(len, sessions)) >= 2 * MOST_REPS:
            break
    found = [one for session in reversed(sessions) for one in session]
    if hand == "auto" and found:
        hand = Counter(rep.hand for rep, _ in found).most_common(1)[0][0]
    found = [(rep, good) for rep, good in found if rep.hand == hand]
    return [rep for rep, _ in found], [rep for rep, good in found if good]
