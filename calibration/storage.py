"""Calibration and lens files: TOML, written aside and renamed, checked again whenever they are read."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from .bump import MARK_BYTES, Features
from .errors import CalibrationError
from .lens import Lens, rescaled_lens, rescaled_matrix
from .record import Calibration

SCHEMA: Final = "rimward-calibration/1"
LENS_SCHEMA: Final = "rimward-lens/1"

_METHODS: Final = ("marks", "target", "standing")
_PLACES: Final = 65535
"""Places in the picture are kept as so many parts of its width and height."""
_LENSES: Final = ("known", "calibrated", "estimated", "assumed")


def save_calibration(
    path: Path, calibration: Calibration, background: Features | None = None, *, overwrite: bool = False
) -> None:
    """Write the record to `path`, with what is known again of the picture that was calibrated.

    Raises CalibrationError when a file is there already or cannot be written.
    """
    write_new(path, (calibration_text(calibration) + _background_text(background)).encode(), overwrite=overwrite)


def save_lens(path: Path, lens: Lens, *, overwrite: bool = False) -> None:
    """Write the lens to `path`. Raises CalibrationError when a file is there already or cannot be written."""
    values = {
        "schema": LENS_SCHEMA,
        "camera": lens.camera,
        "image_size": list(lens.image_size),
        "camera_matrix": lens.camera_matrix.tolist(),
        "distortion": lens.distortion.tolist(),
        "sigma_focal": lens.sigma_focal,
        "rms_px": lens.rms_px,
    }
    write_new(path, _toml(values).encode(), overwrite=overwrite)


def calibration_text(calibration: Calibration) -> str:
    """The file's content."""
    return _toml(
        {
            "schema": SCHEMA,
            "method": calibration.method,
            "lens": calibration.lens,
            "camera": calibration.camera,
            "court": calibration.court,
            "rim_height_m": calibration.rim_height_m,
            "free_throw_from_board_m": calibration.court_measures.free_throw_from_board_m,
            "image_size": list(calibration.image_size),
            "camera_matrix": calibration.camera_matrix.tolist(),
            "distortion": calibration.distortion.tolist(),
            "R": calibration.R.tolist(),
            "t": calibration.t.tolist(),
            "rms_px": calibration.rms_px,
            "sigma_position_m": calibration.sigma_position_m,
            "sigma_direction_deg": calibration.sigma_direction_deg,
            "covariance": calibration.covariance.tolist(),
            "notes": list(calibration.notes),
        }
    )


def load_calibration(path: Path, image_size: tuple[int, int] | None = None, camera: str = "") -> Calibration:
    """The record in `path`, checked anew.

    With `image_size` (width, height) the record is brought to that resolution, with a note, when the shape of the
    picture is the same. Raises CalibrationError for a file that is damaged, of another schema, of another camera
    (when both names are known) or of another shape of picture.
    """
    values = _read(path, SCHEMA)
    try:
        method, lens = values["method"], values["lens"]
        if method not in _METHODS or lens not in _LENSES:
            raise ValueError(f"method and lens must be of {_METHODS} and {_LENSES}, got {method!r} and {lens!r}")
        calibration = Calibration(
            image_size=_size(values["image_size"]),
            camera_matrix=_floats(values["camera_matrix"]),
            distortion=_floats(values["distortion"]),
            R=_floats(values["R"]),
            t=_floats(values["t"]),
            rms_px=float(values["rms_px"]),
            covariance=_floats(values["covariance"]),
            sigma_position_m=float(values["sigma_position_m"]),
            sigma_direction_deg=float(values["sigma_direction_deg"]),
            method=method,
            lens=lens,
            court=str(values["court"]),
            rim_height_m=float(values["rim_height_m"]),
            free_throw_from_board_m=float(values["free_throw_from_board_m"]),
            camera=str(values["camera"]),
            notes=tuple(str(note) for note in values["notes"]),
        )
    except KeyError as error:
        raise CalibrationError(f"{path}: key {error} is missing: calibrate again") from None
    except (ValueError, TypeError, CalibrationError) as error:
        raise CalibrationError(f"{path}: {error}") from None
    try:
        return fitted(calibration, image_size or calibration.image_size, camera)
    except CalibrationError as error:
        raise CalibrationError(f"{path}: {error}") from None


def fitted(calibration: Calibration, image_size: tuple[int, int], camera: str = "") -> Calibration:
    """The record for pictures of `image_size` from `camera`, rescaled with a note where only the resolution differs.

    Raises CalibrationError for another camera (when both names are known) or another shape of picture.
    """
    if camera and calibration.camera and camera != calibration.camera:
        raise CalibrationError(f"made with camera {calibration.camera!r}, and this is {camera!r}: calibrate this one")
    if image_size == calibration.image_size:
        return calibration
    matrix = rescaled_matrix(calibration.camera_matrix, calibration.image_size, image_size)
    width, height = calibration.image_size
    note = f"made at {width} x {height}, rescaled to {image_size[0]} x {image_size[1]}"
    return replace(
        calibration,
        image_size=image_size,
        camera_matrix=matrix,
        rms_px=calibration.rms_px * image_size[0] / width,
        notes=(*calibration.notes, note),
    )


def _background_text(background: Features | None) -> str:
    if background is None:
        return ""
    places = np.round(background.points * _PLACES).astype("<u2")
    kept = {"background_points": places.tobytes(), "background_marks": background.marks.tobytes()}
    return _toml({name: base64.b64encode(content).decode() for name, content in kept.items()})


def load_background(path: Path) -> Features | None:
    """What is known again of the picture that was calibrated; None in files without it.

    Raises CalibrationError for a file that is damaged.
    """
    values = _read(path, SCHEMA)
    if "background_points" not in values:
        return None
    try:
        width, height = _size(values["image_size"])
        places = np.frombuffer(base64.b64decode(values["background_points"], validate=True), "<u2").reshape(-1, 2)
        marks = np.frombuffer(base64.b64decode(values["background_marks"], validate=True), np.uint8)
        return Features(places / _PLACES, marks.reshape(-1, MARK_BYTES), width / height)
    except KeyError as error:
        raise CalibrationError(f"{path}: key {error} is missing: calibrate again") from None
    except (ValueError, TypeError) as error:
        raise CalibrationError(f"{path}: the background is damaged ({error}): calibrate again") from None


def load_lens(path: Path) -> Lens:
    """The lens in `path`. Raises CalibrationError for a file that is damaged or of another schema."""
    values = _read(path, LENS_SCHEMA)
    try:
        return Lens(
            image_size=_size(values["image_size"]),
            camera_matrix=_floats(values["camera_matrix"]),
            distortion=_floats(values["distortion"]),
            sigma_focal=float(values["sigma_focal"]),
            kind="calibrated",
            rms_px=float(values["rms_px"]),
            camera=str(values["camera"]),
        )
    except KeyError as error:
        raise CalibrationError(f"{path}: key {error} is missing: calibrate the lens again") from None
    except (ValueError, TypeError, CalibrationError) as error:
        raise CalibrationError(f"{path}: {error}") from None


def lens_file(folder: Path, camera: str, image_size: tuple[int, int]) -> Path:
    """Where the lens of this camera at this resolution is kept in `folder`."""
    return folder / f"{_stem(camera)}-{image_size[0]}x{image_size[1]}.toml"


def _stem(camera: str) -> str:
    """To be read by people, and different for each name: "HD Webcam (1)" is not "hd-webcam-1", nor is one in Greek."""
    return f"{_stem_before(camera)}-{hashlib.sha256(camera.encode()).hexdigest()[:8]}".strip("-")


def _stem_before(camera: str) -> str:
    """As lenses were kept at first; different cameras could share it."""
    return re.sub(r"[^a-z0-9]+", "-", camera.lower()).strip("-")


def kept_lens(folder: Path, camera: str, image_size: tuple[int, int]) -> tuple[Path, Lens] | None:
    """The lens kept in `folder` for this camera, and its file: of this resolution, else another of the same shape.

    None when there is none. Raises CalibrationError for a file that is damaged.
    """
    stems = _stem(camera), _stem_before(camera)
    own = [folder / f"{stem}-{image_size[0]}x{image_size[1]}.toml" for stem in stems]
    others = [path for stem in stems for path in sorted(folder.glob(f"{stem}-*.toml"))]
    for path in (*own, *others):
        if not path.is_file():
            continue
        lens = load_lens(path)
        if lens.camera != camera:
            continue
        try:
            return path, rescaled_lens(lens, image_size)
        except CalibrationError:
            continue  # another shape of picture
    return None


def write_new(path: Path, content: bytes, *, overwrite: bool = False) -> None:
    """Write `content` beside `path` and rename it into place, so that no half file is ever seen.

    Raises CalibrationError when `path` exists and `overwrite` is false, or when the folder cannot be written.
    """
    exists = f"{path}: this file exists and is not overwritten: choose another name or remove it"
    if path.exists() and not overwrite:
        raise CalibrationError(exists)
    aside: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        aside = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        aside.chmod(0o644)
        if overwrite:
            aside.replace(path)
        else:
            # a rename would replace a file that appeared meanwhile; a link fails instead
            try:
                os.link(aside, path)
            except FileExistsError:
                raise CalibrationError(exists) from None
            except OSError:  # file systems without links (FAT sticks)
                aside.rename(path)
    except OSError as error:
        raise CalibrationError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        if aside is not None:
            aside.unlink(missing_ok=True)


def _read(path: Path, schema: str) -> Mapping[str, Any]:
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CalibrationError(f"{path}: cannot be read: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CalibrationError(f"{path}: not a TOML file: {error}") from None
    if values.get("schema") != schema:
        raise CalibrationError(f"{path}: schema must be {schema!r}, found {values.get('schema')!r}: calibrate again")
    return values


def _size(value: Any) -> tuple[int, int]:
    width, height = value
    if not (isinstance(width, int) and isinstance(height, int)):
        raise ValueError(f"image_size must be two whole numbers, got {value}")
    return width, height


def _floats(value: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.asarray(value, dtype=np.float64)


def _notation(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False).replace("\x7f", "\\u007f")


def _toml(values: Mapping[str, Any]) -> str:
    """Flat TOML of strings, numbers and nested lists of them; JSON's notation of these is TOML's too."""
    lines = []
    for key, value in values.items():
        if isinstance(value, list) and value and isinstance(value[0], list | str):
            rows = "".join(f"  {_notation(row)},\n" for row in value)
            lines.append(f"{key} = [\n{rows}]\n")
        else:
            lines.append(f"{key} = {_notation(value)}\n")
    return "".join(lines)
