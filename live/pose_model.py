"""Prepare the models of body and hands once, from a package registry alone; afterwards the program needs no network.

The mediapipe wheels of today carry no networks. The wheel of mediapipe 0.10.21 (Apache-2.0) still holds the two
BlazePose networks and the two of the hand, and the interpreter's own pip fetches it, so that mirrors and proxies hold.
What the Tasks API insists on beyond them is TFLite metadata that says how pixels become numbers (NormalizationOptions).
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
from typing import Any

import numpy as np

from .errors import PoseModelError

_REQUIREMENT = "mediapipe==0.10.21"
_WHEELS = "mediapipe-0.10.21-*.whl"
_PIP_DOWNLOAD = (
    # One fixed wheel, whatever the system and Python that run this: only its data files are used.
    *("download", "--no-deps", "--only-binary=:all:", "--python-version", "311", "--implementation", "cp"),
    *("--abi", "cp311", "--platform", "manylinux_2_28_x86_64", "--disable-pip-version-check", "--no-input"),
)
_TFLITE = b"TFL3"
"""How a network of this format is marked."""
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


@dataclass(frozen=True, slots=True)
class _Model:
    name: str
    """For people."""
    file: str
    networks: tuple[_Network, _Network]
    option: str
    """The way out where it is not whole."""


_POSE_NETWORKS = (
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
_HAND_NETWORKS = (
    # both take pixels / 255, like the hand solution of the same wheel (its palm_detection and hand_landmark graphs)
    _Network(
        "hand_detector.tflite",
        "mediapipe/modules/palm_detection/palm_detection_full.tflite",
        "1b14e9422c6ad006cde6581a46c8b90dd573c07ab7f3934b5589e7cea3f89a54",
        0.0,
        255.0,
    ),
    _Network(
        "hand_landmarks_detector.tflite",
        "mediapipe/modules/hand_landmark/hand_landmark_full.tflite",
        "11c272b891e1a99ab034208e23937a8008388cf11ed2a9d776ed3d01d0ba00e3",
        0.0,
        255.0,
    ),
)
_RENEW = "run `rimward setup` to make it again"
_POSE = _Model(
    "pose model", "pose_full.task", _POSE_NETWORKS, f"{_RENEW}, or give a whole .task file with --pose-model"
)
_HANDS = _Model("hand model", "hands_full.task", _HAND_NETWORKS, _RENEW)


def model_path(data_dir: Path) -> Path:
    """Where `prepare` keeps the model of the body."""
    return data_dir / _POSE.file


def hands_path(data_dir: Path) -> Path:
    """Where `prepare` keeps the model of the hands, for close views."""
    return data_dir / _HANDS.file


def check(path: Path) -> None:
    """Raise PoseModelError unless `path` is a whole pose bundle: ours, or an official lite, full or heavy one.

    A digest beside the file (`NAME.sha256`, as `prepare` leaves it) must fit too.
    """
    _check(path, _POSE)


def check_hands(path: Path) -> None:
    """Raise PoseModelError unless `path` is a whole hand bundle; as `check`."""
    _check(path, _HANDS)


def _check(path: Path, model: _Model) -> None:
    name, renew = model.name, model.option
    if not path.is_file():
        found = "a folder" if path.is_dir() else "nothing"
        raise PoseModelError(f"the {name} must be a file at {path}, found {found}; run `rimward setup` once")
    try:
        with zipfile.ZipFile(path) as bundle:
            missing = [network.member for network in model.networks if network.member not in bundle.namelist()]
            if missing:
                raise PoseModelError(f"the {name} {path} must hold {missing[0]}, which is not in it; {renew}")
            broken = bundle.testzip()
        digest, wanted = _sha256(path.read_bytes()), _noted_digest(path)
    except (zipfile.BadZipFile, EOFError, NotImplementedError) as error:
        raise PoseModelError(f"the {name} {path} must be a .task bundle, this is not one ({error}); {renew}") from None
    except OSError as error:
        raise PoseModelError(f"the {name} {path} must be readable: {error.strerror}") from None
    if broken or (wanted and digest != wanted):
        raise PoseModelError(f"the {name} {path} is damaged: its checksum does not fit; {renew}")


def prepare(data_dir: Path, *, wheel: Path | None = None, progress: Callable[[str], None]) -> Path:
    """Make the models in `data_dir` unless whole ones are there, and return the path of the body's. With a `wheel` they
    are made anew: who names one wants that one, and to hear when it is none.

    `wheel` is the mediapipe 0.10.21 wheel of any system, or a folder that holds it; without it pip downloads it
    (36 MB). `progress` gets one line a step. Raises PoseModelError when offline, without pip, for a wrong wheel or a
    folder that cannot be written; an earlier model stays as it was until the new one is whole.
    """
    wanted = [
        model for model in (_POSE, _HANDS) if wheel is not None or not _is_whole(data_dir / model.file, model, progress)
    ]
    if wanted:
        _make(wanted, data_dir, wheel, progress)
    progress(f"The pose model is ready: {model_path(data_dir)}")
    return model_path(data_dir)


def _is_whole(path: Path, model: _Model, progress: Callable[[str], None]) -> bool:
    if not path.exists():
        return False
    try:
        _check(path, model)
    except PoseModelError as error:
        progress(f"Making the {model.name} again: {error}")
        return False
    return True


def _make(models: list[_Model], data_dir: Path, wheel: Path | None, progress: Callable[[str], None]) -> None:
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=data_dir):  # found out before a download, not after it
            pass
        with tempfile.TemporaryDirectory(prefix="rimward-") as scratch:
            source = _wheel_at(wheel) if wheel is not None else _download(Path(scratch), progress)
            progress(f"Taking the networks out of {source.name} and checking them")
            bundles = {data_dir / model.file: _bundle(source, model) for model in models}
        for target, bundle in bundles.items():
            _replace(_digest_path(target), f"{_sha256(bundle)}  {target.name}\n".encode())
            _replace(target, bundle)
    except OSError as error:
        raise PoseModelError(
            f"the folder of the pose model must be writable, {error.filename or data_dir} is not"
            f" ({error.strerror}); free it or choose another folder"
        ) from None


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
    if not zipfile.is_zipfile(place):
        raise PoseModelError(f"{place} must be a wheel, this is not one; give the wheel of {_REQUIREMENT}")
    return place


def _bundle(wheel: Path, wanted: _Model) -> bytes:
    """The bundle, the same bytes each time: fixed dates, no compression."""
    packed = io.BytesIO()
    try:
        with zipfile.ZipFile(wheel) as source, zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as bundle:
            for network in wanted.networks:
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
            f"{wheel} must hold the networks of the {wanted.name}, it does not; use the wheel of {_REQUIREMENT}"
        ) from None
    return packed.getvalue()


def _with_normalisation(network: bytes, mean: float, std: float) -> bytes:
    """The TFLite model with metadata that says: one RGB image goes in, as (pixel - mean) / std."""
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

    held = tflite.BufferT()
    held.data = np.frombuffer(_packed(root, b"M001"), np.uint8)
    model.buffers.append(held)
    entry = tflite.MetadataT()
    entry.name, entry.buffer = "TFLITE_METADATA", len(model.buffers) - 1
    model.metadata = [*(model.metadata or []), entry]
    return _packed(model, _TFLITE)


def without_mask(bundle: bytes) -> bytes:
    """The pose bundle without the branch of the landmark network that draws a mask of the person, which nobody reads.

    The landmarks stay the same to the last bit, and a third of the network's work goes: 11.1 to 7.3 ms of the processor
    a frame, measured on the bundled clip. What is no such network is left for the runtime to judge.
    """
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(bundle)) as source, zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as target:
        for member in source.namelist():
            network = source.read(member)
            target.writestr(member, _landmarks_alone(network) if member == _POSE_NETWORKS[1].member else network)
    return packed.getvalue()


def _landmarks_alone(network: bytes) -> bytes:
    from mediapipe.tasks.metadata import schema_py_generated as tflite

    if network[4:8] != _TFLITE:
        return network
    model = tflite.ModelT.InitFromPackedBuf(network, 0)
    graph = model.subgraphs[0]
    outputs = graph.outputs.tolist()
    picture = graph.tensors[graph.inputs[0]].shape[1:3].tolist()
    masks = [k for k, tensor in enumerate(outputs) if graph.tensors[tensor].shape[1:3].tolist() == picture]
    if len(outputs) != 5 or len(masks) != 1:
        return network
    # the runtime wants five outputs: what the person's presence is made of stands in for the mask
    presence = next(operator for operator in graph.operators if outputs[1] in operator.outputs)
    outputs[masks[0]] = int(presence.inputs[0])
    needed, kept = set(outputs), []
    for operator in reversed(graph.operators):  # they stand in the order in which they run
        if needed.intersection(operator.outputs.tolist()):
            needed.update(operator.inputs.tolist())
            kept.append(operator)
    graph.outputs, graph.operators = outputs, kept[::-1]
    return _packed(model, _TFLITE)


def _packed(table: Any, identifier: bytes) -> bytes:
    import flatbuffers

    builder = flatbuffers.Builder(0)
    builder.Finish(table.Pack(builder), identifier)
    return bytes(builder.Output())


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
