"""Calibration files: written whole or not at all, never over another, and checked whenever they are read."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from calibration_scenes import BEHIND, BOARD_AND_RING, SIDE, SIZE, TAPE, camera_at, seen_marks
from hypothesis import given
from hypothesis import strategies as st

from rimward.calibration.bump import Features
from rimward.calibration.courts import court_named
from rimward.calibration.errors import CalibrationError
from rimward.calibration.geometry import project
from rimward.calibration.lens import Lens, lens_from_hfov, rescaled_lens
from rimward.calibration.marks import calibrate_marks
from rimward.calibration.record import Calibration
from rimward.calibration.storage import (
    calibration_text,
    fitted,
    kept_lens,
    lens_file,
    load_background,
    load_calibration,
    load_lens,
    save_calibration,
    save_lens,
)


def a_calibration() -> Calibration:
    marks = seen_marks(BEHIND, BOARD_AND_RING, TAPE, noise_px=0.5)
    return calibrate_marks(marks, lens_from_hfov(SIZE, 70.0), camera='Kamera "süd" 1')


def test_what_is_written_is_read_back_unchanged(tmp_path: Path) -> None:
    made = a_calibration()
    save_calibration(tmp_path / "hoop.toml", made)
    read = load_calibration(tmp_path / "hoop.toml")
    for name in Calibration.__slots__:
        assert np.array_equal(getattr(read, name), getattr(made, name)), name
    assert [path.name for path in tmp_path.iterdir()] == ["hoop.toml"]


@given(st.lists(st.text(st.characters(codec="utf-8")), max_size=3), st.text(st.characters(codec="utf-8"), max_size=9))
def test_any_note_and_camera_name_is_valid_toml(notes: list[str], camera: str) -> None:
    values = tomllib.loads(calibration_text(replace(SIDE, notes=tuple(notes), camera=camera)))
    assert values["notes"] == notes
    assert values["camera"] == camera


def test_youth_rim_and_line_are_kept(tmp_path: Path) -> None:
    youth = court_named("us", 2.4384, 4.2672)  # 8 ft rim, 14 ft line: youth guidelines for ages 7 and 8
    made = calibrate_marks(seen_marks(BEHIND, BOARD_AND_RING, TAPE, court=youth), lens_from_hfov(SIZE, 70.0), youth)
    save_calibration(tmp_path / "hoop.toml", made)
    read = load_calibration(tmp_path / "hoop.toml")
    assert read.court_measures.free_throw_y_m == pytest.approx(0.381 - 4.2672)
    assert read.ring_centre_m == pytest.approx([0, 0, 2.4384])


def test_the_keys_of_the_interface_are_there(tmp_path: Path) -> None:
    save_calibration(tmp_path / "hoop.toml", a_calibration())
    values = tomllib.loads((tmp_path / "hoop.toml").read_text(encoding="utf-8"))
    assert {"schema", "method", "image_size", "camera_matrix", "distortion", "R", "t", "rms_px"} <= set(values)
    assert {"sigma_position_m", "sigma_direction_deg"} <= set(values)
    assert np.shape(values["camera_matrix"]) == np.shape(values["R"]) == (3, 3)
    assert np.shape(values["t"]) == (3,)
    assert values["image_size"] == [1280, 720]


def test_a_file_is_never_overwritten_silently(tmp_path: Path) -> None:
    path = tmp_path / "hoop.toml"
    path.write_text("precious")
    with pytest.raises(CalibrationError, match="this file exists and is not overwritten"):
        save_calibration(path, SIDE)
    assert path.read_text() == "precious"
    save_calibration(path, SIDE, overwrite=True)
    assert load_calibration(path).image_size == SIZE
    assert len(list(tmp_path.iterdir())) == 1


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="cannot be written: No such file or directory"):
        save_calibration(tmp_path / "nowhere" / "hoop.toml", SIDE)


def damaged(tmp_path: Path, old: str, new: str) -> Path:
    text = calibration_text(SIDE)
    assert old in text
    path = tmp_path / "hoop.toml"
    path.write_text(text.replace(old, new))
    return path


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("rimward-calibration/1", "rimward-calibration/9", "schema must be 'rimward-calibration/1', found"),
        ('method = "marks"', 'method = "guess"', "method and lens must be of"),
        ("rms_px = 0.0", "", "key 'rms_px' is missing"),
        ("rms_px = 0.0", "rms_px = nan", "rms_px must be a number"),
        ("rms_px = 0.0", "rms_px = [", "not a TOML file"),
        ("[1280, 720]", "[1280, 720.5]", "image_size must be two whole numbers"),
        ("3.048", "9.9", "rim_height_m must lie between"),
        ("R = [\n  [", "R = [\n  [9", "R must be a rotation"),
    ],
)
def test_a_damaged_file_is_refused(tmp_path: Path, old: str, new: str, reason: str) -> None:
    with pytest.raises(CalibrationError, match=reason) as caught:
        load_calibration(damaged(tmp_path, old, new))
    assert "hoop.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match=r"absent\.toml: cannot be read"):
        load_calibration(tmp_path / "absent.toml")


# What is known again of the picture that was calibrated.


def some_features(count: int = 40) -> Features:
    rng = np.random.default_rng(3)
    return Features(rng.uniform(size=(count, 2)), rng.integers(0, 256, (count, 32), dtype=np.uint8), 1280 / 720)


@pytest.mark.parametrize("count", [0, 40])
def test_the_background_is_read_back(tmp_path: Path, count: int) -> None:
    kept = some_features(count)
    save_calibration(tmp_path / "hoop.toml", SIDE, kept)
    read = load_background(tmp_path / "hoop.toml")
    assert read is not None
    assert read.points == pytest.approx(kept.points, abs=1 / 65535)
    assert np.array_equal(read.marks, kept.marks)
    assert read.aspect == kept.aspect
    assert load_calibration(tmp_path / "hoop.toml").image_size == SIZE


def test_a_file_without_a_background_has_none(tmp_path: Path) -> None:
    save_calibration(tmp_path / "hoop.toml", SIDE)
    assert load_background(tmp_path / "hoop.toml") is None


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('background_points = "', 'background_points = "?', "the background is damaged"),
        ('background_marks = "', 'background_marks = "AAAA', "the background is damaged"),
        ('background_marks = "', 'marks = "', "key 'background_marks' is missing"),
    ],
)
def test_a_damaged_background_is_refused(tmp_path: Path, old: str, new: str, reason: str) -> None:
    path = tmp_path / "hoop.toml"
    save_calibration(path, SIDE, some_features())
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(CalibrationError, match=reason):
        load_background(path)


# Another resolution or another camera.


def test_another_resolution_of_the_same_shape_is_rescaled_with_a_note(tmp_path: Path) -> None:
    made = camera_at((3, -5, 1), (0, -4, 1), 70)
    save_calibration(tmp_path / "hoop.toml", made)
    half = load_calibration(tmp_path / "hoop.toml", (640, 360))
    points = np.array([[0, -4.2, 0.5], [0.5, -3, 1.7]])
    assert project(half, points) == pytest.approx(project(made, points) / 2)
    assert "made at 1280 x 720, rescaled to 640 x 360" in half.notes
    # 16:9 by the name only: 854 x 480 is what many cameras give for it
    assert fitted(made, (854, 480)).image_size == (854, 480)


def test_another_shape_of_picture_is_refused(tmp_path: Path) -> None:
    save_calibration(tmp_path / "hoop.toml", SIDE)
    with pytest.raises(CalibrationError, match="is for 1280 x 720 pictures and the camera gives 640 x 480"):
        load_calibration(tmp_path / "hoop.toml", (640, 480))


def test_another_camera_is_refused(tmp_path: Path) -> None:
    save_calibration(tmp_path / "hoop.toml", replace(SIDE, camera="desk"))
    assert load_calibration(tmp_path / "hoop.toml", camera="desk").camera == "desk"
    assert load_calibration(tmp_path / "hoop.toml").camera == "desk"
    with pytest.raises(CalibrationError, match="made with camera 'desk', and this is 'lid'"):
        load_calibration(tmp_path / "hoop.toml", camera="lid")


def test_a_lens_file_round_trip_and_another_resolution(tmp_path: Path) -> None:
    matrix = np.array([[901.5, 0, 633.0], [0, 902.5, 365.0], [0, 0, 1]])
    lens = Lens(SIZE, matrix, np.array([-0.1, 0.02, 0.001, 0, 0]), 0.003, "calibrated", 0.31, "desk")
    save_lens(tmp_path / "desk.toml", lens)
    read = load_lens(tmp_path / "desk.toml")
    assert np.array_equal(read.camera_matrix, matrix)
    assert np.array_equal(read.distortion, lens.distortion)
    assert (read.sigma_focal, read.kind, read.rms_px, read.camera) == (0.003, "calibrated", 0.31, "desk")
    assert rescaled_lens(read, (1920, 1080)).camera_matrix[0] == pytest.approx([1352.25, 0, 949.5])
    with pytest.raises(CalibrationError, match="another shape"):
        rescaled_lens(read, (640, 480))


def lens_of(camera: str, focal_px: float) -> Lens:
    matrix = np.array([[focal_px, 0, 640.0], [0, focal_px, 360.0], [0, 0, 1]])
    return Lens(SIZE, matrix, np.zeros(5), 0.003, "calibrated", 0.3, camera)


@pytest.mark.parametrize(
    "cameras",
    [("HD Webcam (1)", "hd-webcam-1", "HD Webcam 1"), ("Καμερα", "摄像头", "كاميرا"), ("cam 1", "cam 1 2", "cam")],
    ids=["spelled alike", "no Latin letter", "one begins like the other"],
)
def test_each_camera_keeps_a_lens_of_its_own_whatever_its_name(cameras: tuple[str, ...], tmp_path: Path) -> None:
    for n, camera in enumerate(cameras):
        save_lens(lens_file(tmp_path, camera, SIZE), lens_of(camera, 900.0 + n))
    for n, camera in enumerate(cameras):
        path, lens = kept_lens(tmp_path, camera, SIZE) or pytest.fail("not found")
        assert path == lens_file(tmp_path, camera, SIZE)
        assert lens.camera_matrix[0, 0] == 900.0 + n


@pytest.mark.parametrize(
    ("camera", "file"),
    [
        ("HD Webcam (1)", "hd-webcam-1-1280x720.toml"),
        ("摄像头", "-1280x720.toml"),
        ("camera 0", "camera-0-1280x720.toml"),
    ],
)
def test_a_lens_kept_under_its_first_name_is_found_until_it_is_measured_anew(
    camera: str, file: str, tmp_path: Path
) -> None:
    """The names are those that lenses were given before a name had its hash."""
    save_lens(tmp_path / file, lens_of(camera, 900.0))
    assert kept_lens(tmp_path, "hd-webcam-1", SIZE) is None
    for size in (SIZE, (1920, 1080)):
        path, _ = kept_lens(tmp_path, camera, size) or pytest.fail("not found")
        assert path.name == file
    save_lens(lens_file(tmp_path, camera, SIZE), lens_of(camera, 950.0))
    _, lens = kept_lens(tmp_path, camera, SIZE) or pytest.fail("not found")
    assert lens.camera_matrix[0, 0] == 950.0


def test_a_calibration_is_not_a_lens(tmp_path: Path) -> None:
    save_calibration(tmp_path / "hoop.toml", SIDE)
    with pytest.raises(CalibrationError, match="schema must be 'rimward-lens/1', found 'rimward-calibration/1'"):
        load_lens(tmp_path / "hoop.toml")
