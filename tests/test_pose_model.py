"""The pose model: prepared once, checked before use, and every failure in one line with a way out."""

from __future__ import annotations

import hashlib
import io
import os
import sys
import venv
import zipfile
from pathlib import Path

import pytest
from program import prepared_model

from rimward.live.errors import PoseModelError
from rimward.live.pose_model import check, check_hands, hands_path, model_path, prepare, without_mask

MEMBERS = ("pose_detector.tflite", "pose_landmarks_detector.tflite")
HANDS = ("hand_detector.tflite", "hand_landmarks_detector.tflite")


def write_bundle(path: Path, members=MEMBERS) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(path, "w") as bundle:
        for member in members:
            bundle.writestr(member, f"the network {member}" * 20)
    return path


def note_digest(path: Path, content: bytes | None = None) -> None:
    digest = hashlib.sha256(path.read_bytes() if content is None else content).hexdigest()
    path.with_name(path.name + ".sha256").write_text(f"{digest}  {path.name}\n", encoding="ascii")


def write_wheel(folder: Path, members: dict[str, bytes], name="mediapipe-0.10.21-cp311-cp311-any.whl") -> Path:
    folder.mkdir(exist_ok=True)
    with zipfile.ZipFile(folder / name, "w") as wheel:
        for member, content in members.items():
            wheel.writestr(member, content)
    return folder / name


class TestCheck:
    def test_a_whole_bundle_is_accepted_without_a_digest_beside_it(self, tmp_path):
        check(write_bundle(tmp_path / "pose_landmarker_heavy.task"))

    def test_a_whole_bundle_is_accepted_with_its_digest(self, tmp_path):
        path = write_bundle(tmp_path / "pose.task")
        note_digest(path)
        check(path)

    def test_a_missing_model_says_how_to_get_one(self, tmp_path):
        with pytest.raises(PoseModelError, match=r"must be a file at .*pose.task, found nothing; run `rimward setup`"):
            check(tmp_path / "pose.task")

    def test_a_folder(self, tmp_path):
        with pytest.raises(PoseModelError, match="found a folder"):
            check(tmp_path)

    def test_no_bundle_at_all(self, tmp_path):
        path = tmp_path / "pose.task"
        path.write_text("hello")
        with pytest.raises(PoseModelError, match=r"must be a \.task bundle, this is not one"):
            check(path)

    def test_half_a_bundle(self, tmp_path):
        path = write_bundle(tmp_path / "pose.task")
        path.write_bytes(path.read_bytes()[:200])
        with pytest.raises(PoseModelError, match=r"must be a \.task bundle, this is not one"):
            check(path)

    def test_another_kind_of_bundle(self, tmp_path):
        with pytest.raises(PoseModelError, match=r"must hold pose_landmarks_detector\.tflite, which is not in it"):
            check(write_bundle(tmp_path / "hand.task", ("pose_detector.tflite", "hands.tflite")))

    def test_a_bundle_of_hands_is_none_of_a_body_and_the_other_way_round(self, tmp_path):
        hands, body = write_bundle(tmp_path / "hands.task", HANDS), write_bundle(tmp_path / "body.task")
        check_hands(hands)
        with pytest.raises(PoseModelError, match=r"the hand model .* must hold hand_detector\.tflite"):
            check_hands(body)
        with pytest.raises(PoseModelError, match=r"the pose model .* must hold pose_detector\.tflite"):
            check(hands)

    def test_a_flipped_byte(self, tmp_path):
        path = write_bundle(tmp_path / "pose.task")
        content = bytearray(path.read_bytes())
        content[100] ^= 1
        path.write_bytes(content)
        with pytest.raises(PoseModelError, match="is damaged: its checksum does not fit"):
            check(path)

    def test_another_bundle_than_the_digest_beside_it_says(self, tmp_path):
        path = write_bundle(tmp_path / "pose.task")
        note_digest(path, b"something else")
        with pytest.raises(PoseModelError, match="is damaged: its checksum does not fit"):
            check(path)


class TestPrepare:
    def test_whole_models_are_left_alone(self, tmp_path, monkeypatch):
        path = write_bundle(model_path(tmp_path))
        write_bundle(hands_path(tmp_path), HANDS)
        monkeypatch.setattr(sys, "executable", "/nowhere/python")  # neither pip nor network is asked
        said = []
        assert prepare(tmp_path, progress=said.append) == path
        assert said == [f"The pose model is ready: {path}"]

    @pytest.fixture
    def bad_wheels(self, tmp_path):
        detector, landmarks = (
            "mediapipe/modules/pose_detection/pose_detection.tflite",
            "mediapipe/modules/pose_landmark/pose_landmark_full.tflite",
        )
        no_zip = tmp_path / "no_zip.whl"
        no_zip.write_text("hello")
        empty_folder = tmp_path / "empty"
        empty_folder.mkdir()
        return {
            "missing": (tmp_path / "gone.whl", "gone.whl must be a file or a folder with mediapipe-0.10.21"),
            "empty folder": (empty_folder, r"must hold a wheel named mediapipe-0\.10\.21-\*\.whl, there is none"),
            "no zip": (no_zip, "no_zip.whl must be a wheel, this is not one"),
            "other wheel": (
                write_wheel(tmp_path / "a", {"x.py": b""}),
                "must hold the networks of the pose model, it does not",
            ),
            "other network": (
                write_wheel(tmp_path / "b", {detector: b"network", landmarks: b"network"}),
                r"must have sha256 9ba9dd3d.*, got [0-9a-f]{64}; use the wheel of mediapipe==0\.10\.21",
            ),
            "other network in a folder": (
                write_wheel(tmp_path / "c", {detector: b"network", landmarks: b"network"}).parent,
                "must have sha256 9ba9dd3d",
            ),
        }

    @pytest.mark.parametrize(
        "kind", ["missing", "empty folder", "no zip", "other wheel", "other network", "other network in a folder"]
    )
    def test_a_wrong_wheel(self, tmp_path, bad_wheels, kind):
        wheel, match = bad_wheels[kind]
        data = tmp_path / "data"
        with pytest.raises(PoseModelError, match=match):
            prepare(data, wheel=wheel, progress=lambda line: None)
        assert list(data.iterdir()) == []

    def test_a_folder_that_cannot_be_written_is_found_out_before_the_download(self, tmp_path):
        in_the_way = tmp_path / "file"
        in_the_way.touch()
        with pytest.raises(PoseModelError, match="folder of the pose model must be writable"):
            prepare(in_the_way / "data", progress=lambda line: None)

    def test_offline(self, tmp_path, monkeypatch):
        monkeypatch.setenv("PIP_NO_INDEX", "1")  # what pip meets without an index is the same one error
        monkeypatch.delenv("PIP_FIND_LINKS", raising=False)
        with pytest.raises(PoseModelError, match=r"pip could not fetch .* \(ERROR: .*\); connect once") as caught:
            prepare(tmp_path, progress=lambda line: None)
        assert "`rimward setup --from WHEEL`" in str(caught.value)
        assert "\n" not in str(caught.value)

    def test_an_interpreter_without_pip(self, tmp_path, monkeypatch):
        venv.create(tmp_path / "bare", with_pip=False)
        python = tmp_path / "bare" / ("Scripts" if os.name == "nt" else "bin") / "python"
        monkeypatch.setattr(sys, "executable", str(python))
        with pytest.raises(PoseModelError, match=r"pip must be there .* run `.*python -m ensurepip`"):
            prepare(tmp_path / "data", progress=lambda line: None)

    @pytest.mark.network
    def test_the_model_comes_out_the_same_each_time_and_a_damaged_one_is_made_again(self, tmp_path):
        said: list[str] = []
        try:
            path = prepare(tmp_path, progress=said.append)
        except PoseModelError as error:
            if "could not fetch" in str(error):
                pytest.skip(f"no package index within reach: {error}")
            raise
        check(path)
        check_hands(hands_path(tmp_path))
        first = path.read_bytes()
        assert said[0].startswith("Downloading mediapipe==0.10.21")
        path.write_bytes(first[:-100])
        assert prepare(tmp_path, progress=said.append).read_bytes() == first
        names = [hands_path(tmp_path).name, path.name]
        assert sorted(item.name for item in tmp_path.iterdir()) == sorted(names + [name + ".sha256" for name in names])


class TestWithoutMask:
    @pytest.mark.network
    def test_the_detector_stays_and_no_picture_comes_out_of_the_landmark_network(self):
        from mediapipe.tasks.metadata.schema_py_generated import ModelT

        whole = prepared_model().read_bytes()
        with zipfile.ZipFile(io.BytesIO(whole)) as before, zipfile.ZipFile(io.BytesIO(without_mask(whole))) as after:
            assert after.read(MEMBERS[0]) == before.read(MEMBERS[0])
            graphs = [ModelT.InitFromPackedBuf(bundle.read(MEMBERS[1]), 0).subgraphs[0] for bundle in (before, after)]
        sizes = [[graph.tensors[k].shape.prod() for k in graph.outputs] for graph in graphs]
        assert sizes == [[195, 1, 256 * 256, 64 * 64 * 39, 117], [195, 1, 1, 64 * 64 * 39, 117]]
        made = [{int(k) for operator in graph.operators for k in operator.outputs} for graph in graphs]
        assert made[1] < made[0]
        used = {int(k) for operator in graphs[1].operators for k in operator.inputs} | set(graphs[1].outputs.tolist())
        assert made[1] <= used  # nothing is worked out for nobody

    @pytest.mark.network
    def test_a_network_without_a_mask_is_left_as_it_is(self, tmp_path):
        with zipfile.ZipFile(prepared_model()) as bundle:
            detector = bundle.read(MEMBERS[0])
        path = tmp_path / "pose.task"
        with zipfile.ZipFile(path, "w") as bundle:
            for member in MEMBERS:
                bundle.writestr(member, detector)
        with zipfile.ZipFile(io.BytesIO(without_mask(path.read_bytes()))) as bundle:
            assert [bundle.read(member) for member in MEMBERS] == [detector, detector]
