"""Settings: the defaults shipped in config/default.toml, over them what the machine's benchmark chose, over that the
user's own file, validated whole.

To add a setting: one annotated field here and one commented line in config/default.toml. A test holds the two equal.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

import annotated_types
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from . import places
from .assets import config_text
from .checks import BY_NAME, CHECKS
from .errors import SettingsError
from .glossary import ends_possible
from .near import check_meant
from .records import Band

DEFAULTS = "default.toml"
MACHINE = "machine.toml"
"""In the data folder: what `rimward bench --choose` found best for this machine."""
COMMAND_LINE = "command line"

_CHECKS = tuple(check.name for check in CHECKS)
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]


class Section(BaseModel):
    """One table of the settings file: frozen, no unknown keys, no silent conversion, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Player(Section):
    """Who shoots."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    hand: Literal["left", "right", "auto"]
    stature_m: Annotated[float, Field(ge=1.0, le=2.4)] | None = None


class Camera(Section):
    """What the camera is asked for; what it gives is said at the start."""

    device: Annotated[int, Field(ge=0, le=63)]
    width: Annotated[int, Field(ge=160, le=7680)]
    height: Annotated[int, Field(ge=120, le=4320)]
    rate_hz: Annotated[float, Field(ge=1.0, le=240.0)]


class PoseSection(Section):
    """The pose network."""

    model: str
    people: Annotated[int, Field(ge=1, le=2)]
    close: bool


class Sound(Section):
    """Tones and speech."""

    volume: Fraction
    mute: bool
    speech: bool
    voice: str
    rate_wpm: Annotated[int, Field(ge=80, le=400)]
    hold_tone: bool


class Gestures(Section):
    """Arm signals that work the program from the court."""

    on: bool
    hold_s: Annotated[float, Field(ge=0.8, le=5.0)]


class Screen(Section):
    """The window."""

    full_screen: bool
    photo: bool
    language: Literal["en", "de"]


class Storage(Section):
    """Where sessions are kept."""

    folder: str


class BallSection(Section):
    """Finding and following the ball."""

    diameter_m: Annotated[float, Field(ge=0.15, le=0.30)]


class Phases(Section):
    """Recognising the shot and its instants."""

    hold_s: Annotated[float, Field(ge=0.0, le=2.0)]
    hold_speed_mps: Annotated[float, Field(gt=0.0, le=2.0)]
    peak_s: Annotated[float, Field(ge=0.0, le=0.5)]
    held_m: Annotated[float, Field(ge=0.15, le=0.5)]
    seen_held_s: Annotated[float, Field(ge=0.0, le=0.4)]
    release_above_eyes_m: Annotated[float, Field(ge=-0.5, le=0.5)]
    release_speed_up_mps: Annotated[float, Field(ge=0.0, le=5.0)]
    least_launch_deg: Annotated[float, Field(ge=0.0, le=80.0)]
    wrist_above_eyes_m: Annotated[float, Field(ge=-0.5, le=0.5)]
    least_push_m: Annotated[float, Field(ge=0.0, le=0.5)]
    gone_s: Annotated[float, Field(ge=0.05, le=1.0)]
    bridge_s: Annotated[float, Field(ge=0.0, le=0.5)]
    hidden_s: Annotated[float, Field(ge=0.0, le=2.0)]
    longest_lift_s: Annotated[float, Field(ge=0.5, le=4.0)]
    follow_through_cap_s: Annotated[float, Field(ge=0.5, le=5.0)]


def _is_check(name: str) -> str:
    if name not in _CHECKS:
        raise ValueError(f"{_shown(name)} is no check, {check_meant(name)}")
    return name


CheckName = Annotated[str, AfterValidator(_is_check)]


class Cues(Section):
    """When something is said, and how."""

    clear_sigmas: Annotated[float, Field(ge=0.0, le=10.0)]
    wording: Literal["external", "internal"]
    praise: bool
    least_gap_s: Annotated[float, Field(ge=0.0, le=60.0)]
    priority: list[CheckName]
    focus: CheckName | None = None
    every_rep: Annotated[int, Field(ge=0, le=10000)]
    every_second: Annotated[int, Field(ge=0, le=10000)]


class TargetsSection(Section):
    """When a player's own reps become the target."""

    after_reps: Annotated[int, Field(ge=0, le=10000)]
    good_reps: Annotated[int, Field(ge=0, le=10000)]


class BandSection(Section):
    """Where one check's measurement should lie; either end may be absent."""

    low: float | None = None
    high: float | None = None
    label: Literal["physics", "paper", "dataset", "common practice", "starting point", "own", "coach"]
    source: Annotated[str, Field(min_length=1)]

    @model_validator(mode="after")
    def _ends_in_order(self) -> BandSection:
        self.record()
        return self

    def record(self) -> Band:
        """The record that the checks judge by."""
        return Band(self.low, self.high, self.label, self.source)


class Settings(Section):
    """Everything that can be set. `bands` is keyed by the check's name."""

    player: Player
    camera: Camera
    pose: PoseSection
    sound: Sound
    gestures: Gestures
    screen: Screen
    storage: Storage
    ball: BallSection
    phases: Phases
    cues: Cues
    targets: TargetsSection
    bands: Mapping[str, BandSection]

    def check_bands(self) -> dict[str, Band]:
        """The band of each check, by the check's name."""
        return {check: band.record() for check, band in self.bands.items()}

    def digest(self) -> str:
        """Same settings, same 16 hex digits: kept with a session, so that unlike sessions are not compared unawares."""
        canonical = json.dumps(self.model_dump(mode="json"), sort_keys=True)
        return hashlib.sha256(canonical.encode()).hexdigest()[:16]


Table = dict[str, Any]


def load_settings(
    user_file: Path | None = None,
    options: Mapping[str, Mapping[str, object]] | None = None,
    machine: Path | None = None,
) -> Settings:
    """The packaged defaults, over them the `machine` file, `user_file`, and `options` (from the command line, by
    section and key).

    Raises SettingsError, one line that names file, key, value found and what is allowed.
    """
    defaults = _defaults()
    layers: list[tuple[str, Table]] = [(DEFAULTS, defaults)]
    if machine is not None:
        layers.append((str(machine), _chosen(machine)))
    if user_file is not None:
        layers.append((str(user_file), _read(user_file)))
    if options:
        layers.append((COMMAND_LINE, {section: dict(values) for section, values in options.items()}))
    merged: Table = {}
    for name, layer in layers:
        if layer is not defaults:
            _refuse_bands(name, layer)
            layer = _own_bands(name, layer)
        merged = _merged(merged, layer)
    try:
        return Settings.model_validate(merged)
    except ValidationError as error:
        raise SettingsError(_one_line(error, layers)) from None


def data_folder(settings: Settings) -> Path:
    """Where these settings keep sessions, models and calibrations. Not created here."""
    return places.data_folder(settings.storage.folder)


def machine_file(folder: Path) -> Path | None:
    """What was chosen for this machine and kept in the data folder, if anything was."""
    path = folder / MACHINE
    return path if path.exists() else None


@cache
def _defaults() -> Table:
    return tomllib.loads(config_text(DEFAULTS))


def _chosen(path: Path) -> Table:
    """A machine's file. It says nothing of where the data lies, since it lies there itself."""
    table = _read(path)
    if others := table.keys() - {"camera", "pose"}:
        raise SettingsError(f"{path}: may hold [camera] and [pose] only, found {_shown(min(others))}; delete the file")
    pose = table.get("pose")
    model = pose.get("model") if isinstance(pose, dict) else None
    if model and isinstance(model, str) and not Path(model).exists():
        raise SettingsError(f"{path}: pose.model is gone from {_shown(model)}; run `rimward bench --choose` again")
    return table


def _read(path: Path) -> Table:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: the settings file cannot be read ({error.strerror or error})") from None
    try:
        text = raw.decode("utf-8-sig")  # editors on Windows put a byte order mark in front
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise SettingsError(
            f"{path}: must be UTF-8 text, found byte 0x{raw[error.start]:02x} in line {line}; save it as UTF-8"
        ) from None
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # 5,000 digits or a thousand brackets are no TOMLDecodeError
        place = f"at line {text.count(chr(10)) + 1}, end of the file"
        what = str(error).replace("at end of document", place)
        raise SettingsError(f"{path}: must be valid TOML, found: {what}") from None


def _merged(under: Table, over: Table) -> Table:
    merged = dict(under)
    for key, value in over.items():
        below = merged.get(key)
        merged[key] = _merged(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


def _own_bands(file: str, layer: Table) -> Table:
    """A band whose ends the user moved no longer has the shipped label and source: they become the user's own."""
    bands = layer.get("bands")
    if not isinstance(bands, dict):
        return layer
    own = {"label": "own", "source": file}
    moved = {
        check: own | band if isinstance(band, dict) and band.keys() & {"low", "high"} else band
        for check, band in bands.items()
    }
    return layer | {"bands": moved}


def _refuse_bands(file: str, layer: Table) -> None:
    """The model takes any name of a band, but one that no check asks for would silently do nothing; and any number, but
    an end that no value can reach makes every rep wrong or none.
    """
    bands = layer.get("bands")
    if not isinstance(bands, dict):
        return
    for check, band in bands.items():
        if check not in _CHECKS:
            raise SettingsError(f"{file}: {_unknown(('bands', check))}")
        ends = band.items() if isinstance(band, dict) else ()
        for end, value in ends:
            number = end in ("low", "high") and isinstance(value, int | float) and not isinstance(value, bool)
            if number and (must := ends_possible(BY_NAME[check].measurement, value)):
                raise SettingsError(f"{file}: bands.{check}.{end} must be {must}, got {_shown(value)}")


def _one_line(error: ValidationError, layers: list[tuple[str, Table]]) -> str:
    found = error.errors(include_url=False)
    shown = 3  # more than a person corrects at one go
    said = [f"{_origin(details['loc'], layers)}: {_said(details)}" for details in found[:shown]]
    more = [f"and {len(found) - shown} more"] if len(found) > shown else []
    return "; ".join(said + more)


def _origin(loc: tuple[int | str, ...], layers: list[tuple[str, Table]]) -> str:
    """The uppermost layer that says something about this key."""
    for name, layer in reversed(layers):
        value: Any = layer
        for key in loc:
            value = value.get(key) if isinstance(value, dict) else None
        if value is not None:
            return name
    return layers[0][0]


def _said(details: ErrorDetails) -> str:
    loc = tuple(str(key) for key in details["loc"])
    key = ".".join(loc)
    if details["type"] == "extra_forbidden":
        return _unknown(loc)
    if details["type"] == "missing":
        return f"{key} is missing"
    if details["type"] == "value_error":
        return f"{key}: {str(details['msg']).removeprefix('Value error, ')}"
    return f"{key} must be {_allowed(loc)}, got {_shown(details['input'])}"


def _unknown(loc: tuple[str, ...]) -> str:
    """Most often a key stands in the wrong table; else it is misspelt."""
    key, siblings = ".".join(loc), _known(loc[:-1])
    near = [known for known in _all_keys() if known.rsplit(".", 1)[-1] == loc[-1]]
    near = near or [".".join((*loc[:-1], known)) for known in difflib.get_close_matches(loc[-1], siblings, n=1)]
    return f"unknown key {key}, " + (f"did you mean {near[0]}?" if near else f"known here: {', '.join(siblings)}")


def _known(section: tuple[str, ...]) -> list[str]:
    if section == ("bands",):
        return list(_CHECKS)
    return list(_fields(section))


def _all_keys(section: tuple[str, ...] = ()) -> Iterator[str]:
    for name in _known(section):
        loc = (*section, name)
        if _fields(loc):
            yield from _all_keys(loc)
        yield ".".join(loc)


def _fields(section: tuple[str, ...]) -> Mapping[str, FieldInfo]:
    """The fields of the table at this place; empty where there is no table with fixed keys."""
    if len(section) == 2 and section[0] == "bands":
        return BandSection.model_fields
    model: Any = Settings
    for key in section:
        field = model.model_fields.get(key)
        model = field.annotation if field is not None else None
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            return {}
    fields: Mapping[str, FieldInfo] = model.model_fields
    return fields


def _allowed(loc: tuple[str, ...]) -> str:
    field = _fields(loc[:-1]).get(loc[-1])
    if field is None or _fields(loc) or loc == ("bands",):
        return f"a table ([{'.'.join(loc)}])"
    kind: Any = field.annotation
    rules = list(field.metadata)
    if type(None) in get_args(kind):  # X | None: absent is allowed, TOML has no word for it
        kind = next(arg for arg in get_args(kind) if arg is not type(None))
    if get_origin(kind) is Annotated:
        kind, *annotations = get_args(kind)
        rules += [
            rule for extra in annotations for rule in (extra.metadata if isinstance(extra, FieldInfo) else [extra])
        ]
    if get_origin(kind) is Literal:
        return "one of " + ", ".join(_shown(choice) for choice in get_args(kind))
    if get_origin(kind) is list:
        return 'a list of checks, for instance ["knee_bend"]'
    if kind is bool:
        return "true or false"
    if kind is str:
        return _text_of(rules)
    return ("a whole number" if kind is int else "a number") + _range_of(rules)


def _range_of(rules: list[Any]) -> str:
    low = next((rule.ge for rule in rules if isinstance(rule, annotated_types.Ge)), None)
    above = next((rule.gt for rule in rules if isinstance(rule, annotated_types.Gt)), None)
    high = next((rule.le for rule in rules if isinstance(rule, annotated_types.Le)), None)
    if low is not None and high is not None:
        return f" between {low:g} and {high:g}"
    parts = [
        f"{word} {end:g}" for word, end in (("at least", low), ("above", above), ("at most", high)) if end is not None
    ]
    return " " + " and ".join(parts) if parts else ""


def _text_of(rules: list[Any]) -> str:
    shortest = next((rule.min_length for rule in rules if isinstance(rule, annotated_types.MinLen)), 0)
    longest = next((rule.max_length for rule in rules if isinstance(rule, annotated_types.MaxLen)), None)
    if longest is not None:
        return f"text of {shortest} to {longest} characters"
    return "text that is not empty" if shortest else "text in quotes"


def _shown(value: object) -> str:
    """A value as it stands in the file, cut where it is long."""
    text = json.dumps(value, default=str, ensure_ascii=False)
    return text if len(text) <= 60 else text[:57] + "..."
