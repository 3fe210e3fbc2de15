"""Prepare the pose model once, from a package registry alone; afterwards the program needs no network.

The mediapipe wheels of today carry no networks. The wheel of mediapipe 0.10.21 (Apache-2.0) still holds the two
BlazePose networks, and the interpreter's own pip fetches it, so that mirrors and proxies hold. What the Tasks
API insists on beyond them is TFLite metadata that says how pixels become numbers (NormalizationOptions).
"""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .errors import PoseModelError

_REQUIREMENT = "mediapipe==0.10.21"
_WHEELS = "mediapipe-0.10.21-*.whl"
_PIP_DOWNLOAD = (
    # One fixed wheel, whatever the system and Python that run this: only its data files are used.
    *("download", "--no-deps", "--only-binary=:all:", "--python-version", "311", "--implementation", "cp"),
    *("--abi", "cp311", "--platform", "manylinux_2_28_x86_64", "--disable-pip-version-check", "--no-input"),
)
_AT_HAND = "`rimward setup --from WHEEL` takes a wheel that was fetched elsewhere"


@dataclass(frozen=True, slots=True)
class _Network:
    member: str
    """Name in the bundle; the Tasks API looks for it."""
    path: str
    """Place in the wheel."""
    sha256: str
    mean: float
    std: float
    """The network was trained on (pixel - mean) / std."""


_NETWORKS = (
    _Network(
        "pose_detector.tflite",
        "mediapipe/modules/pose_detection/pose_detection.tflite",
        "9ba9dd3d42efaaba86b4ff0122b06f29c4122e756b329d89dca1e297fd8f866c",
        127.5,
        127.5,
    ),
    _Network(
        "pose_landmarks_detector.tflite",
        "mediapipe/modules/pose_landmark/pose_landmark_full.tflite",
        "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
        0.0,
        255.0,
    ),
)


def model_path(data_dir: Path) -> Path:
    """Where `prepare` keeps the model."""
    return data_dir / "pose_full.task"


def check(path: Path) -> None:
    """Raise PoseModelError unless `path` is a whole pose bundle: ours, or an official lite, full or heavy one.

    A digest beside the file (`NAME.sha256`, as `prepare` leaves it) must fit too.
    """
    if not path.is_file():
        found = "a folder" if path.is_dir() else "nothing"
        raise PoseModelError(f"the pose model must be a file at {path}, found {found}; run `rimward setup` once")
    renew = "run `rimward setup` to make it again, or give a whole .task file with --pose-model"
    try:
        with zipfile.ZipFile(path) as bundle:
            missing = [network.member for network in _NETWORKS if network.member not in bundle.namelist()]
            if missing:
                raise PoseModelError(f"the pose model {path} must hold {missing[0]}, which is not in it; {renew}")
            broken = bundle.testzip()
        digest, wanted = _sha256(path.read_bytes()), _noted_digest(path)
    except (zipfile.BadZipFile, EOFError, NotImplementedError) as error:
        raise PoseModelError(
            f"the pose model {path} must be a .task bundle, this is not one ({error}); {renew}"
        ) from None
    except OSError as error:
        raise PoseModelError(f"the pose model {path} must be readable: {error.strerror}") from None
    if broken or (wanted and digest != wanted):
        raise PoseModelError(f"the pose model {path} is damaged: its checksum does not fit; {renew}")


def prepare(data_dir: Path, *, wheel: Path | None = None, progress: Callable[[str], None]) -> Path:
    """Make the model in `data_dir` unless a whole one is there, and return its path.

    `wheel` is the mediapipe 0.10.21 wheel of any system, or a folder that holds it; without it pip downloads it
    (36 MB). `progress` gets one line a step. Raises PoseModelError when offline, without pip, for a wrong wheel or a
    folder that cannot be written; an earlier model stays as it was until the new one is whole.
    """
    target = model_path(data_dir)
    if target.exists():
        try:
            check(target)
        except PoseModelError as error:
            progress(f"Making the pose model again: {error}")
        else:
            progress(f"The pose model is ready: {target}")
            return target
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=data_dir):  # found out before a download, not after it
            pass
        with tempfile.TemporaryDirectory(prefix="rimward-") as scratch:
            source = _wheel_at(wheel) if wheel is not None else _download(Path(scratch), progress)
            progress(f"Taking the networks out of {source.name} and checking them")
            bundle = _bundle(source)
        _replace(_digest_path(target), f"{_sha256(bundle)}  {target.name}\n".encode())
        _replace(target, bundle)
    except OSError as error:
        raise PoseModelError(
            f"the folder of the pose model must be writable, {error.filename or data_dir} is not"
            f" ({error.strerror}); free it or choose another folder"
        ) from None
    progress(f"The pose model is ready: {target}")
    return target


def _download(folder: Path, progress: Callable[[str], None]) -> Path:
    progress(f"Downloading {_REQUIREMENT} with pip (36 MB, once)")
    command = [sys.executable, "-m", "pip", *_PIP_DOWNLOAD, "-d", str(folder), _REQUIREMENT]
    ran = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    if ran.returncode == 0:
        return _wheel_at(folder)
    if "No module named pip" in ran.stderr:
        raise PoseModelError(
            f"pip must be there to fetch the pose model, {sys.executable} has none;"
            f" run `{sys.executable} -m ensurepip`, or: {_AT_HAND}"
        )
    lines = [line.strip() for line in ran.stderr.splitlines() if line.strip()]
    said = next((line for line in reversed(lines) if line.startswith("ERROR")), lines[-1] if lines else "no reason")
    raise PoseModelError(
        f"pip could not fetch {_REQUIREMENT} for the pose model ({said}); connect once and run `rimward setup`,"
        f" or: {_AT_HAND}"
    )


def _wheel_at(place: Path) -> Path:
    if place.is_dir():
        wheels = sorted(place.glob(_WHEELS))
        if not wheels:
            raise PoseModelError(f"the folder {place} must hold a wheel named {_WHEELS}, there is none")
        return wheels[0]
    if not place.is_file():
        raise PoseModelError(f"the wheel {place} must be a file or a folder with {_WHEELS}, there is nothing")
    return place


def _bundle(wheel: Path) -> bytes:
    """The bundle, the same bytes each time: fixed dates, no compression."""
    packed = io.BytesIO()
    try:
        with zipfile.ZipFile(wheel) as source, zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as bundle:
            for network in _NETWORKS:
                model = source.read(network.path)
                found = _sha256(model)
                if found != network.sha256:
                    raise PoseModelError(
                        f"{network.path} in {wheel} must have sha256 {network.sha256}, got {found};"
                        f" use the wheel of {_REQUIREMENT}"
                    )
                member = zipfile.ZipInfo(network.member, date_time=(1980, 1, 1, 0, 0, 0))
                bundle.writestr(member, _with_normalisation(model, network.mean, network.std))
    except (zipfile.BadZipFile, EOFError) as error:
        raise PoseModelError(f"{wheel} must be a wheel, this is not one ({error}); fetch it again") from None
    except KeyError:
        raise PoseModelError(
            f"{wheel} must hold the pose networks, it does not; use the wheel of {_REQUIREMENT}"
        ) from None
    return packed.getvalue()


def _with_normalisation(network: bytes, mean: float, std: float) -> bytes:
    """The TFLite model with metadata that says: one RGB image goes in, as (pixel - mean) / std."""
    import flatbuffers
    from mediapipe.tasks.metadata import metadata_schema_py_generated as meta
    from mediapipe.tasks.metadata import schema_py_generated as tflite

    normalisation = meta.NormalizationOptionsT()
    normalisation.mean, normalisation.std = [mean], [std]
    step = meta.ProcessUnitT()
    step.optionsType, step.options = meta.ProcessUnitOptions.NormalizationOptions, normalisation
    rgb = meta.ImagePropertiesT()
    rgb.colorSpace = meta.ColorSpaceType.RGB
    content = meta.ContentT()
    content.contentPropertiesType, content.contentProperties = meta.ContentProperties.ImageProperties, rgb
    image = meta.TensorMetadataT()
    image.name, image.processUnits, image.content = "image", [step], content

    model = tflite.ModelT.InitFromPackedBuf(network, 0)
    graph = meta.SubGraphMetadataT()
    graph.inputTensorMetadata = [image]
    graph.outputTensorMetadata = [meta.TensorMetadataT() for _ in model.subgraphs[0].outputs]
    root = meta.ModelMetadataT()
    root.name, root.subgraphMetadata = "pose", [graph]

    def packed(table: meta.ModelMetadataT | tflite.ModelT, identifier: bytes) -> bytes:
        builder = flatbuffers.Builder(0)
        builder.Finish(table.Pack(builder), identifier)
        return bytes(builder.Output())

    held = tflite.BufferT()
    held.data = np.frombuffer(packed(root, b"M001"), np.uint8)
    model.buffers.append(held)
    entry = tflite.MetadataT()
    entry.name, entry.buffer = "TFLITE_METADATA", len(model.buffers) - 1
    model.metadata = [*(model.metadata or []), entry]
    return packed(model, b"TFL3")


def _replace(target: Path, content: bytes) -> None:
    """Write aside and rename, so that nobody ever sees half a file."""
    handle, aside = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(aside).chmod(0o644)
        Path(aside).replace(target)
    except BaseException:
        Path(aside).unlink(missing_ok=True)
        raise


def _digest_path(path: Path) -> Path:
    return path.with_name(path.name + ".sha256")


def _noted_digest(path: Path) -> str | None:
    try:
        return _digest_path(path).read_text(encoding="ascii").split()[0]
    except (FileNotFoundError, IndexError, UnicodeDecodeError):
        return None


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
