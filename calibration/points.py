"""The points file: marks on a picture, typed or clicked, as JSON."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from .courts import MARK_NAMES, Court, court_named, named_marks
from .errors import CalibrationError
from .lens import Lens, lens_from_hfov, lens_from_matrix, typical_lens
from .marks import check_marks
from .solver import PlacedMark

_Finite = Annotated[float, Field(allow_inf_nan=False)]
_Pixels = Annotated[int, Field(ge=16, le=16384)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Point(_Strict):
    feature: str | None = None
    world_m: Annotated[list[_Finite], Field(min_length=3, max_length=3)] | None = None
    px: Annotated[list[_Finite], Field(min_length=2, max_length=2)]
    note: str = ""

    @model_validator(mode="after")
    def _one_place(self) -> _Point:
        if (self.feature is None) == (self.world_m is None):
            raise ValueError("a point needs either feature or world_m, and not both")
        if self.feature is not None and self.feature not in MARK_NAMES:
            raise ValueError(f"unknown feature {self.feature!r}, known are {', '.join(MARK_NAMES)}")
        return self


class _File(_Strict):
    image_size: Annotated[list[_Pixels], Field(min_length=2, max_length=2)]
    court: str = "us"
    rim_height_m: _Finite | None = None
    free_throw_from_board_m: _Finite | None = None
    hfov_deg: _Finite | None = None
    camera_matrix: (
        Annotated[list[Annotated[list[_Finite], Field(min_length=3, max_length=3)]], Field(min_length=3, max_length=3)]
        | None
    ) = None
    distortion: Annotated[list[_Finite], Field(min_length=5, max_length=5)] | None = None
    camera: str = ""
    points: list[_Point]
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """What a points file says, ready for `calibrate_marks`."""

    marks: tuple[PlacedMark, ...]
    lens: Lens
    court: Court
    camera: str

    @property
    def image_size(self) -> tuple[int, int]:
        """(width, height) in pixels of the picture that was marked."""
        return self.lens.image_size


def parse_points(text: str, source: str = "points") -> Points:
    """The marks, lens and court in the JSON `text`. Raises CalibrationError, one line that starts with `source`."""
    try:
        raw = json.loads(text, parse_constant=_refuse_constant, object_pairs_hook=_unique_keys)
    except (ValueError, RecursionError) as error:
        raise CalibrationError(f"{source}: not a JSON file: {error}") from None
    try:
        file = _File.model_validate(raw)
    except ValidationError as error:
        raise CalibrationError(f"{source}: {_first(error)}") from None
    try:
        return _points(file)
    except CalibrationError as error:
        raise CalibrationError(f"{source}: {error}") from None


def read_points(path: Path) -> Points:
    """The points file at `path`. Raises CalibrationError."""
    try:
        text = path.read_text(encoding="utf-8-sig")  # editors on Windows write a byte order mark
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not a text file"
        raise CalibrationError(f"{path}: the points file cannot be read: {reason}") from None
    return parse_points(text, str(path))


def _refuse_constant(name: str) -> float:
    raise ValueError(f"numbers must be finite, found {name}")


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"key {twice!r} stands twice in one object")
    return found


def _first(error: ValidationError) -> str:
    """The first thing that is wrong, in one line."""
    wrong = error.errors(include_url=False)[0]
    where = ".".join(str(part) for part in wrong["loc"]) or "the file"
    found = wrong.get("input")
    shown = "" if isinstance(found, dict) or wrong["type"] == "missing" else f", found {_short(found)}"
    return f"{where}: {wrong['msg'].removeprefix('Value error, ')}{shown}"


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _points(file: _File) -> Points:
    size = (file.image_size[0], file.image_size[1])
    if file.hfov_deg is not None and file.camera_matrix is not None:
        raise CalibrationError("give hfov_deg or camera_matrix, not both")
    if file.distortion is not None and file.camera_matrix is None:
        raise CalibrationError("distortion belongs to a camera_matrix: give both or neither")
    if file.hfov_deg is not None:
        lens = lens_from_hfov(size, file.hfov_deg)
    elif file.camera_matrix is not None:
        lens = lens_from_matrix(size, file.camera_matrix, file.distortion)
    else:
        lens = typical_lens(size)
    court = court_named(file.court, file.rim_height_m, file.free_throw_from_board_m)
    places = named_marks(court)
    marks = []
    for point in file.points:
        place = tuple(map(float, places[point.feature])) if point.feature is not None else tuple(point.world_m or ())
        name = point.feature or "(" + ", ".join(f"{c:g}" for c in place) + ") m"
        if any(math.fabs(c) > 100 for c in place):
            raise CalibrationError(f"mark {name} is more than 100 m from the hoop: world_m is in metres")
        marks.append(PlacedMark(name, (place[0], place[1], place[2]), (point.px[0], point.px[1])))
    check_marks(marks, lens)
    return Points(tuple(marks), lens, court, file.camera)
