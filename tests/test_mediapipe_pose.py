"""The pose adapter on photographs (scikit-image's own, in its wheel): a person is found where one is."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
import threading
import zipfile
from pathlib import Path
from types import SimpleNamespace

import cv2
import mediapipe
import numpy as np
import pytest
from mediapipe.tasks.python import BaseOptions, vision
from program import prepared_model

from rimward.live.clip import open_clip
from rimward.live.errors import PoseModelError
from rimward.live.mediapipe_pose import MediapipePose, pose_of, without_log_noise
from rimward.live.records import Frame
from rimward.live.skeleton import COUNT, INDEX

needs_model = pytest.mark.network


@pytest.fixture(scope="session")
def model() -> Path:
    return prepared_model()


@pytest.fixture
def pose(model):
    pose = MediapipePose(model)
    yield pose
    pose.close()


@pytest.fixture(scope="session")
def astronaut() -> np.ndarray:
    """A portrait of one person facing the camera, BGR."""
    data = pytest.importorskip("skimage.data", reason="scikit-image brings the photographs")
    return np.ascontiguousarray(data.astronaut()[..., ::-1])


@pytest.fixture(scope="session")
def photographer() -> np.ndarray:
    """One person standing in a field, seen from the side, BGR."""
    data = pytest.importorskip("skimage.data", reason="scikit-image brings the photographs")
    return cv2.cvtColor(data.camera(), cv2.COLOR_GRAY2BGR)


@pytest.fixture(scope="session")
def face_box(astronaut) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of the astronaut's face by scikit-image's own detector, an outside reference."""
    skimage = pytest.importorskip("skimage")
    cascade = pytest.importorskip("skimage.feature").Cascade(skimage.data.lbp_frontal_face_cascade_filename())
    rgb = astronaut[..., ::-1]
    (face,) = cascade.detect_multi_scale(rgb, scale_factor=1.2, step_ratio=1, min_size=(60, 60), max_size=(200, 200))
    return face["c"], face["r"], face["c"] + face["width"], face["r"] + face["height"]


def at(image: np.ndarray, t_s: float = 0.0) -> Frame:
    return Frame(0, t_s, image)


def points(pose, *names: str) -> np.ndarray:
    return pose.landmarks_px[[INDEX[name] for name in names]]


FACE = ("nose", "left_eye", "right_eye", "mouth_left", "mouth_right")


@needs_model
@pytest.mark.parametrize("people", [1, 2])
def test_the_face_is_where_another_detector_sees_it(pose, astronaut, face_box, people):
    (found,) = pose.estimate(at(astronaut), people)
    left, top, right, bottom = face_box
    x, y = points(found, *FACE).T
    assert ((left < x) & (x < right) & (top < y) & (y < bottom)).all()
    assert found.visibility[[INDEX[name] for name in FACE]].min() > 0.9


@needs_model
def test_left_and_right_are_the_persons_own(pose, astronaut):
    (found,) = pose.estimate(at(astronaut), 1)
    left, right = points(found, "left_shoulder", "right_shoulder")
    assert left[0] > right[0] + 100  # facing the camera, her left is on the picture's right


@needs_model
def test_depth_is_positive_away_from_the_camera(pose, astronaut):
    (found,) = pose.estimate(at(astronaut), 1)
    nose, ears = found.depth_px[INDEX["nose"]], found.depth_px[[INDEX["left_ear"], INDEX["right_ear"]]]
    assert nose < ears.min()


@needs_model
def test_a_standing_person_seen_from_the_side(pose, photographer):
    (found,) = pose.estimate(at(photographer), 1)
    nose, *hips = points(found, "nose", "left_hip", "right_hip")
    assert np.linalg.norm(nose - (250, 165)) < 40  # by eye, behind the viewfinder
    assert all(hip[1] > nose[1] + 100 for hip in hips)


@needs_model
@pytest.mark.parametrize("name", ["good_free_throw", "portrait_rotated"])
def test_the_joints_of_a_rendered_player_are_where_they_were_drawn(pose, name):
    path = Path(__file__).parent / "clips" / f"{name}.mp4"
    truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    names = [joint for joint in truth["joint_names"] if joint != "nose"]
    clip = open_clip(path)
    errors = []
    for frame in itertools.islice(clip, 20):
        (found,) = pose.estimate(frame, 1)
        drawn = np.array(truth["joints_px"][frame.index])[[truth["joint_names"].index(joint) for joint in names]]
        errors.append(np.linalg.norm(points(found, *names) - drawn, axis=1))
        height_px = np.ptp(drawn[:, 1])
    clip.close()
    # The network marks joints on the clothes, the renderer the joint centres: own tolerance, shoulders to ankles = 1.
    assert np.median(errors) < 0.05 * height_px


@needs_model
@pytest.mark.parametrize("people", [1, 2])
def test_the_landmarks_are_those_of_mediapipe_itself_to_the_last_bit(pose, model, people):
    """The network that runs here draws no mask; the one beside it is as it came."""
    whole = vision.PoseLandmarker.create_from_options(
        vision.PoseLandmarkerOptions(
            base_options=BaseOptions(model_asset_buffer=model.read_bytes()),
            running_mode=vision.RunningMode.VIDEO,
            num_poses=people,
        )
    )
    clip = open_clip(Path(__file__).parent / "clips" / "good_free_throw.mp4")
    for frame in itertools.islice(clip, 8):
        rgb = np.ascontiguousarray(frame.image[..., ::-1])
        picture = mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=rgb)
        (expected,) = whole.detect_for_video(picture, round(frame.t_s * 1000)).pose_landmarks
        (found,) = pose.estimate(frame, people)
        scale = np.array([*frame.size, frame.size[0], 1])
        theirs = np.array([(mark.x, mark.y, mark.z, mark.visibility) for mark in expected]) * scale
        assert np.column_stack([found.landmarks_px, found.depth_px, found.visibility]).tolist() == theirs.tolist()
    clip.close()
    whole.close()


@needs_model
def test_the_second_person_is_found_when_asked_for(pose, astronaut):
    gap = np.full((astronaut.shape[0], 200, 3), 128, np.uint8)
    pair = np.hstack([astronaut, gap, astronaut])
    assert len(pose.estimate(at(pair), 1)) == 1
    two = pose.estimate(at(pair), 2)
    assert len(two) == 2
    noses = sorted(points(person, "nose")[0, 0] for person in two)
    assert noses[1] - noses[0] == pytest.approx(astronaut.shape[1] + 200, abs=15)


@needs_model
def test_nobody_there_is_empty(pose):
    assert pose.estimate(at(np.full((720, 1280, 3), 90, np.uint8)), 1) == ()
    assert pose.estimate(at(np.full((720, 1280, 3), 90, np.uint8), 0.1), 2) == ()


@needs_model
def test_a_large_picture_gives_pixels_of_the_large_picture(model, astronaut):
    scale = 4
    large = cv2.resize(astronaut, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    found = []
    for image in (astronaut, large):
        pose = MediapipePose(model)
        found.append(points(pose.estimate(at(image), 1)[0], *FACE))
        pose.close()
    # 1.5 % of the picture's side: shrinking is not exactly undone by enlarging.
    assert np.abs(found[1] - scale * found[0]).max() < 0.015 * large.shape[0]


@needs_model
def test_time_that_stands_still_or_goes_back_is_borne(pose, astronaut):
    for t_s in (5.0, 5.0001, 5.0001, 1.0, 1.0, 0.0, -3.0, 5.0):
        for people in (1, 2):
            assert len(pose.estimate(at(astronaut, t_s), people)) == 1


@needs_model
def test_going_back_in_time_does_not_make_the_landmarks_lag(model, astronaut):
    """The runtime smooths by time stamps: a new clip on the same network must not be dragged by tiny steps."""
    shift = 8
    moving = [np.roll(astronaut, shift * k, axis=1) for k in range(8)]

    def last_nose(pose, times):
        for image, t_s in zip(moving, times, strict=True):
            (found,) = pose.estimate(at(image, t_s), 1)
        return points(found, "nose")[0, 0]

    fresh, used = MediapipePose(model), MediapipePose(model)
    expected = last_nose(fresh, [k / 30 for k in range(8)])
    used.estimate(at(moving[0], 100.0), 1)
    assert last_nose(used, [k / 30 for k in range(8)]) == pytest.approx(expected, abs=4)
    fresh.close()
    used.close()


@needs_model
def test_closing_twice_and_using_it_afterwards(model, astronaut):
    pose = MediapipePose(model)
    pose.warm_up()
    pose.close()
    pose.close()
    with pytest.raises(PoseModelError, match="was closed; make a new one"):
        pose.estimate(at(astronaut), 1)


@needs_model
def test_three_people_are_not_offered(pose, astronaut):
    with pytest.raises(ValueError, match="people must be 1 or 2, got 3"):
        pose.estimate(at(astronaut), 3)


@needs_model
def test_nothing_is_printed_even_when_nobody_closes_it(model):
    program = """
import sys, skimage.data
from pathlib import Path
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.records import Frame
pose = MediapipePose(Path(sys.argv[1]))
pose.warm_up()
for k in range(3):
    assert pose.estimate(Frame(k, k / 30, skimage.data.astronaut()), 1)
"""
    ran = subprocess.run([sys.executable, "-c", program, str(model)], capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")


@needs_model
def test_a_warning_that_only_the_second_network_comes_to_say_is_kept_off_too(model, astronaut, capfd, monkeypatch):
    """The runtime warns once, of the first memory that lies askew: in which network that is, is chance."""
    askew = (
        b"W0000 00:00:1796053683.243176   27034 inference_runner_litert.cc:1433] Input tensor memory is not aligned\n"
    )
    pose = MediapipePose(model)
    pose.estimate(at(astronaut), 2)
    whole = vision.PoseLandmarker.detect_for_video
    monkeypatch.setattr(
        vision.PoseLandmarker, "detect_for_video", lambda *given: (os.write(2, askew), whole(*given))[1]
    )
    assert pose.estimate(at(astronaut, 0.1), 1)
    pose.close()
    assert capfd.readouterr().err == ""


def test_another_s_line_in_the_middle_of_the_runtimes_is_not_lost(capfd):
    written = "one\n", "INFO: ", "two\n", "[model.cc:12] is there\n", "three\n", "INFO: Created all.\n", "four\n"
    with without_log_noise():
        for part in written:
            os.write(2, part.encode())
    assert capfd.readouterr().err.splitlines() == ["one", "two", "three", "four"]


@needs_model
def test_what_others_write_while_the_network_loads_comes_through(model, capfd):
    pose = MediapipePose(model)
    loaded = threading.Event()
    written: list[str] = []

    def write():
        while not loaded.wait(0.002):
            written.append(f"line {len(written)}")
            os.write(2, f"{written[-1]}\n".encode())

    writer = threading.Thread(target=write)
    writer.start()
    pose.warm_up()
    loaded.set()
    writer.join()
    pose.close()
    assert sorted(capfd.readouterr().err.splitlines()) == sorted(written)
    assert len(written) > 3


@needs_model
def test_two_networks_loading_at_once_give_standard_error_back(model, capfd):
    poses = [MediapipePose(model) for _ in range(4)]
    loaders = [threading.Thread(target=pose.warm_up) for pose in poses]
    for loader in loaders:
        loader.start()
    for loader in loaders:
        loader.join()
    os.write(2, b"still here\n")
    for pose in poses:
        pose.close()
    assert capfd.readouterr().err == "still here\n"


def test_a_model_that_is_not_there():
    with pytest.raises(PoseModelError, match="found nothing; run `rimward setup` once"):
        MediapipePose(Path("nowhere.task"))


def test_networks_that_are_none_fail_in_one_line(tmp_path, capfd):
    path = tmp_path / "pose.task"
    with zipfile.ZipFile(path, "w") as bundle:
        for member in ("pose_detector.tflite", "pose_landmarks_detector.tflite"):
            bundle.writestr(member, b"no network" * 100)
    pose = MediapipePose(path)
    with pytest.raises(PoseModelError, match=r"must be a pose landmarker bundle, it does not load") as caught:
        pose.warm_up()
    assert "\n" not in str(caught.value)
    pose.close()
    assert capfd.readouterr().err == ""


def landmarks(**changed) -> list[SimpleNamespace]:
    marks = [SimpleNamespace(x=0.25, y=0.5, z=-0.1, visibility=0.9) for _ in range(COUNT)]
    marks[7] = SimpleNamespace(**(vars(marks[7]) | changed))
    return marks


def test_landmarks_are_scaled_to_pixels():
    pose = pose_of(landmarks(x=1.0, y=0.0, z=0.2), 1280, 720)
    np.testing.assert_allclose(pose.landmarks_px[0], [320, 360])
    np.testing.assert_allclose(pose.landmarks_px[7], [1280, 0])
    np.testing.assert_allclose([pose.depth_px[0], pose.depth_px[7]], [-128, 256])


@pytest.mark.parametrize("broken", [{"x": np.nan}, {"y": np.inf}, {"z": np.nan}, {"visibility": np.nan}])
def test_a_person_with_a_landmark_that_is_no_number_is_left_out(broken):
    assert pose_of(landmarks(**broken), 1280, 720) is None
