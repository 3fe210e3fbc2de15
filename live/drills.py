"""Drills: what is practised, how often, what is looked at first, when to rest, how the feet should land. Pure.

A drill is a TOML file, the shipped ones in config/drill_*.toml; a coach can write one. Nothing in it is needed but the
title. Every error names the file, the line and the key.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from .checks import BY_NAME
from .cues import Plan
from .errors import SettingsError
from .glossary import ends_possible
from .near import check_meant
from .records import Band
from .toml_text import parse, place, shows
from .words import LANGUAGES, Words, prompt

_TOGETHER_S = 0.07
"""Feet that land within this time of each other land together (live/footwork.py)."""

FOOTWORK: Mapping[str, tuple[str, float | None, float | None]] = {
    "any": ("step_rhythm", None, None),
    "hop": ("step_rhythm", None, _TOGETHER_S),
    "one_two": ("step_rhythm", _TOGETHER_S, None),
    "guide_first": ("step_order", 0.0, None),
    "shooting_first": ("step_order", None, 0.0),
    "step_back": ("step_back_order", 0.0, None),
}
"""Expected footwork -> the check that looks at it, and the ends of its band in seconds."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A place to shoot from."""

    name: Mapping[str, str]
    """By language, like a drill's title."""
    reps: int


@dataclass(frozen=True, slots=True)
class Rest:
    """A pause after every so many reps."""

    after_reps: int
    seconds: int


@dataclass(frozen=True, slots=True)
class Drill:
    """One drill, as it stands in its file."""

    title: Mapping[str, str]
    """By language; `en` or the only one stands for the others."""
    reps: int | None = None
    """The goal; None: open-ended, or as many makes as asked for."""
    makes: int | None = None
    priority: tuple[str, ...] = ()
    only: bool = False
    footwork: str = "any"
    rest: Rest | None = None
    spots: tuple[Spot, ...] = ()
    every_rep: int = 0
    every_second: int = 0
    quiet_reps: int = 0
    """The last reps of the goal, without feedback: what stays shows there."""
    bands: Mapping[str, Band] = field(default_factory=dict)
    """By check, where this drill asks for something else than usual."""

    def name(self, language: str) -> str:
        """The title in this language, or in another where it has none."""
        return _in(language, self.title)

    def all_bands(self) -> dict[str, Band]:
        """The drill's own bands and that of the expected footwork."""
        check, low, high = FOOTWORK[self.footwork]
        if low is None and high is None:
            return dict(self.bands)
        what = f"The drill asks for this footwork: {self.footwork}"
        return {check: Band(low, high, "coach", what), **self.bands}

    def plan(self, plan: Plan) -> Plan:
        """What is spoken of in this drill; the coach's own priority in `plan` goes before the drill's."""
        first = (*plan.priority, *(check for check in self.priority if check not in plan.priority))
        quiet_from = self.reps - self.quiet_reps + 1 if self.reps is not None and self.quiet_reps else plan.quiet_from
        fades = self.every_rep > 0
        return replace(
            plan,
            priority=first,
            only=plan.only or self.only,
            every_rep=self.every_rep if fades else plan.every_rep,
            every_second=self.every_second if fades else plan.every_second,
            quiet_from=quiet_from,
        )

    def spot(self, reps: int) -> int | None:
        """Which spot the next rep belongs to after so many reps; round and round; None without spots."""
        if not self.spots:
            return None
        rest = reps % sum(spot.reps for spot in self.spots)
        for number, spot in enumerate(self.spots):
            if rest < spot.reps:
                return number
            rest -= spot.reps
        raise AssertionError("the remainder is smaller than the sum")

    def done(self, reps: int, makes: int) -> bool:
        """Whether the goal is reached; never without one."""
        return (self.reps is not None and reps >= self.reps) or (self.makes is not None and makes >= self.makes)

    def rest_after(self, reps: int) -> int | None:
        """Seconds to rest after this rep; none at the very end."""
        rest = self.rest
        if rest is None or reps == 0 or reps % rest.after_reps or reps == self.reps:
            return None
        return rest.seconds

    def said_after(self, reps: int, makes: int, words: Words, language: str = "en") -> str | None:
        """What the drill says after rep number `reps`: that it is done, else a rest, the next spot, the quiet reps."""
        if self.done(reps, makes):
            return prompt(words, "done", drill=self.name(language)) or None
        said = []
        if (seconds := self.rest_after(reps)) is not None:
            said.append(prompt(words, "rest", seconds=seconds))
        now = self.spot(reps)
        if now is not None and now != self.spot(reps - 1):
            said.append(prompt(words, "spot", spot=_in(language, self.spots[now].name)))
        if self.reps is not None and self.quiet_reps and reps == self.reps - self.quiet_reps:
            said.append(prompt(words, "quiet_one" if self.quiet_reps == 1 else "quiet", reps=self.quiet_reps))
        return ". ".join(text for text in said if text) or None

    def shown(self, reps: int, makes: int, language: str = "en") -> tuple[str, str]:
        """What stands in the title, and what is read from afar: the spot, or else the drill, with the count against the
        goal. Either may be empty.
        """
        name, spot = self.name(language), self.spot(reps)
        if self.reps is None and self.makes is None:
            return name, ""
        # whoever shoots on has reached the goal; how many reps there are stands in the count
        done, goal = (makes, self.makes or 0) if self.reps is None else (reps, self.reps)
        count = f"{min(done, goal)}/{goal}"
        if spot is None or self.done(reps, makes):
            return "", f"{name} \N{MIDDLE DOT} {count}"
        return name, f"{_in(language, self.spots[spot].name)} \N{MIDDLE DOT} {count}"


def _in(language: str, texts: Mapping[str, str]) -> str:
    return texts.get(language) or texts.get("en") or next(iter(texts.values()))


def read_drill(text: str, name: str) -> Drill:
    """Read a drill's file. Raises SettingsError, one line: file, line, key, what must be, what was found."""
    return _Reader(text, name).drill()


class _Wrong(Exception):
    """A value that cannot be: its key, and what must be."""

    def __init__(self, key: tuple[str | int, ...], what: str) -> None:
        super().__init__(what)
        self.key = key


_MOST = 10_000
_KEYS: Mapping[str, tuple[str, ...]] = {
    "": ("title", "goal", "checks", "footwork", "rest", "feedback", "spots", "bands"),
    "goal": ("reps", "makes"),
    "checks": ("priority", "only"),
    "footwork": ("expected",),
    "rest": ("after_reps", "seconds"),
    "feedback": ("every_rep", "every_second", "quiet_reps"),
    "spots": ("name", "reps"),
    "bands": ("low", "high", "source"),
}


@dataclass(frozen=True, slots=True)
class _Reader:
    text: str
    file: str

    def drill(self) -> Drill:
        data = parse(self.text, self.file)
        try:
            return self._drill(data)
        except _Wrong as wrong:
            key = ".".join(str(part + 1) if isinstance(part, int) else part for part in wrong.key)
            raise SettingsError(f"{place(self.text, self.file, wrong.key)}: {key} {wrong}") from None

    def _drill(self, data: dict[str, Any]) -> Drill:
        _known((), data, _KEYS[""])
        goal, rest, feedback = (_table(data, key) for key in ("goal", "rest", "feedback"))
        chosen, footwork = _table(data, "checks"), _table(data, "footwork")
        drill = Drill(
            title=_title(data),
            reps=_count(goal, "goal", "reps"),
            makes=_count(goal, "goal", "makes"),
            priority=_priority(chosen),
            only=_flag(chosen, "checks", "only"),
            footwork=_footwork(footwork),
            rest=_rest(rest),
            spots=tuple(_spots(data.get("spots", []))),
            every_rep=_count(feedback, "feedback", "every_rep", least=0) or 0,
            every_second=_count(feedback, "feedback", "every_second", least=0) or 0,
            quiet_reps=_count(feedback, "feedback", "quiet_reps", least=0) or 0,
            bands=dict(_bands(_table(data, "bands", known=False))),
        )
        if drill.reps is not None and drill.makes is not None:
            raise _Wrong(("goal", "makes"), "must not stand beside goal.reps: a drill has one goal, leave one out")
        asked = sum(spot.reps for spot in drill.spots)
        if drill.reps is not None and asked > drill.reps:
            what = f"and the others must fit into goal.reps, they take {asked} and it is {drill.reps}: raise it, or"
            raise _Wrong(("spots", 0), f"{what} lower the spots' reps")
        if drill.quiet_reps and (drill.reps is None or drill.quiet_reps > drill.reps):
            raise _Wrong(("feedback", "quiet_reps"), "must be part of goal.reps, for they are its last reps")
        if drill.only and not drill.priority:
            raise _Wrong(("checks", "only"), "must come with checks.priority, which says which ones")
        return drill


def _found(value: object) -> str:
    shown = repr(value)
    return shown if len(shown) <= 40 else shown[:37] + "..."


def _known(at: tuple[str | int, ...], table: Mapping[str, object], keys: Sequence[str]) -> None:
    for key in table:
        if key not in keys:
            near = difflib.get_close_matches(key, keys, n=1)
            what = f"did you mean {near[0]}?" if near else f"known here: {', '.join(keys)}"
            raise _Wrong((*at, key), f"is no key of a drill, {what}")


def _table(data: Mapping[str, Any], key: str, known: bool = True) -> dict[str, Any]:
    table = data.get(key, {})
    if not isinstance(table, dict):
        raise _Wrong((key,), f"must be a table ([{key}]), got {_found(table)}")
    if known:
        _known((key,), table, _KEYS[key])
    return table


def _text(at: tuple[str | int, ...], value: object, most: int = 60) -> str:
    if not isinstance(value, str) or not shows(value) or len(value) > most:
        raise _Wrong(at, f"must be printable text of 1 to {most} characters, got {_found(value)}")
    return value


def _whole(at: tuple[str | int, ...], value: object, least: int, most: int) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise _Wrong(at, f"must be a whole number between {least} and {most}, got {_found(value)}")
    return value


def _count(table: Mapping[str, Any], at: str, key: str, least: int = 1) -> int | None:
    return None if key not in table else _whole((at, key), table[key], least, _MOST)


def _flag(table: Mapping[str, Any], at: str, key: str) -> bool:
    value = table.get(key, False)
    if not isinstance(value, bool):
        raise _Wrong((at, key), f"must be true or false, got {_found(value)}")
    return value


def _title(data: Mapping[str, Any]) -> dict[str, str]:
    if "title" not in data:
        raise _Wrong(("title",), 'is missing: a drill needs title = "..."')
    return _texts(("title",), data["title"])


def _texts(at: tuple[str | int, ...], texts: object) -> dict[str, str]:
    """One text, or one for each language."""
    if not isinstance(texts, dict):
        return {"en": _text(at, texts)}
    _known(at, texts, LANGUAGES)
    if not texts:
        raise _Wrong(at, f"must name at least one language of {', '.join(LANGUAGES)}")
    return {language: _text((*at, language), text) for language, text in texts.items()}


def _check(at: tuple[str | int, ...], name: object) -> str:
    if not isinstance(name, str) or name not in BY_NAME:
        raise _Wrong(at, f"must name checks, {_found(name)} is none: {check_meant(str(name))}")
    return name


def _priority(chosen: Mapping[str, Any]) -> tuple[str, ...]:
    at, names = ("checks", "priority"), chosen.get("priority", [])
    if not isinstance(names, list):
        raise _Wrong(at, f"must be a list of checks, got {_found(names)}")
    priority = tuple(_check(at, name) for name in names)
    if len(set(priority)) < len(priority):
        raise _Wrong(at, "must name each check once")
    return priority


def _footwork(table: Mapping[str, Any]) -> str:
    expected = table.get("expected", "any")
    if not isinstance(expected, str) or expected not in FOOTWORK:
        raise _Wrong(("footwork", "expected"), f"must be one of {', '.join(FOOTWORK)}, got {_found(expected)}")
    return expected


def _rest(table: Mapping[str, Any]) -> Rest | None:
    if not table:
        return None
    for key in _KEYS["rest"]:
        if key not in table:
            raise _Wrong(("rest",), f"must have {' and '.join(_KEYS['rest'])}, {key} is missing")
    return Rest(
        _whole(("rest", "after_reps"), table["after_reps"], 1, _MOST),
        _whole(("rest", "seconds"), table["seconds"], 5, 1800),
    )


def _spots(spots: object) -> Iterator[Spot]:
    if not isinstance(spots, list) or len(spots) > 50:
        raise _Wrong(("spots",), f"must be at most 50 tables ([[spots]]), got {_found(spots)}")
    for k, spot in enumerate(spots):
        if not isinstance(spot, dict):
            raise _Wrong(("spots", k), f"must be a table ([[spots]]), got {_found(spot)}")
        _known(("spots", k), spot, _KEYS["spots"])
        yield Spot(
            _texts(("spots", k, "name"), spot.get("name")), _whole(("spots", k, "reps"), spot.get("reps"), 1, _MOST)
        )


def _bands(bands: Mapping[str, Any]) -> Iterator[tuple[str, Band]]:
    for check, table in bands.items():
        at = ("bands", _check(("bands", check), check))
        if not isinstance(table, dict):
            raise _Wrong(at, f"must be a table ([bands.{check}]), got {_found(table)}")
        _known(at, table, _KEYS["bands"])
        low, high = (_end((*at, end), table.get(end), check) for end in ("low", "high"))
        source = _text((*at, "source"), table.get("source", "Set in the drill"), 300)
        try:
            yield check, Band(low, high, "coach", source)
        except ValueError as error:
            raise _Wrong(at, f"is wrong: {error}") from None


def _end(at: tuple[str | int, ...], value: object, check: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _Wrong(at, f"must be a number, got {_found(value)}")
    if must := ends_possible(BY_NAME[check].measurement, value):
        raise _Wrong(at, f"must be {must}, got {_found(value)}")
    return float(value)
