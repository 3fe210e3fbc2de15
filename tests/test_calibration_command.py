"""`rimward calibrate` by command: files in, one file or one clear line out."""

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from calibration_floor import a_camera_on_a_chair, picture_of_pages
from calibration_scenes import (
    BEHIND,
    BOARD_AND_RING,
    SIZE,
    TAPE,
    TRUTH,
    camera_at,
    clip_names,
    direction_error_deg,
    position_error_m,
    seen_marks,
    true_camera,
)

from rimward.calibration.bump import Verdict, moved_since
from rimward.calibration.command import add_arguments, read_image, run
from rimward.calibration.errors import CalibrationError
from rimward.calibration.geometry import project
from rimward.calibration.lens import Lens
from rimward.calibration.storage import kept_lens, lens_file, load_background, load_calibration, load_lens, save_lens


def parsed(*options: object) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return parser.parse_args([str(option) for option in options])


def calibrate(*options: object) -> list[str]:
    said: list[str] = []
    assert run(parsed(*options), said.append) == 0
    return said


def refused(reason: str, *options: object) -> None:
    with pytest.raises(CalibrationError, match=reason) as caught:
        run(parsed(*options), lambda line: None)
    assert "\n" not in str(caught.value)


@pytest.fixture
def court(tmp_path: Path) -> Path:
    """A folder with court.png and marks.json."""
    cv2.imwrite(str(tmp_path / "court.png"), np.full((SIZE[1], SIZE[0], 3), 90, dtype=np.uint8))
    points = [{"world_m": mark.world_m, "px": mark.px} for mark in seen_marks(BEHIND, typed=TAPE, noise_px=0.5)]
    points += [{"feature": mark.name, "px": mark.px} for mark in seen_marks(BEHIND, BOARD_AND_RING, noise_px=0.5)]
    file = {"image_size": SIZE, "court": "us", "hfov_deg": 70, "points": points}
    (tmp_path / "marks.json").write_text(json.dumps(file))
    return tmp_path


def test_marks_give_a_file_and_plain_words(court: Path) -> None:
    said = calibrate("--image", court / "court.png", "--points", court / "marks.json", "--out", court / "hoop.toml")
    assert position_error_m(load_calibration(court / "hoop.toml"), BEHIND) < 0.02
    words = "\n".join(said)
    for part in (
        "above the floor",
        "in front of the hoop",
        "Sure to about",
        "cm in place",
        "degrees in direction",
        "px",
    ):
        assert part in words
    assert said[-1] == f"Written to {court / 'hoop.toml'}."


def test_a_measured_lens_is_used_and_rescaled(court: Path) -> None:
    matrix = BEHIND.camera_matrix * np.array([[1.5], [1.5], [1.0]])
    save_lens(court / "lens.toml", Lens((1920, 1080), matrix, np.zeros(5), 0.002, "calibrated", 0.3, "desk"))
    without = json.loads((court / "marks.json").read_text())
    del without["hfov_deg"]
    (court / "free.json").write_text(json.dumps(without))
    options = ("--image", court / "court.png", "--out", court / "hoop.toml", "--use-lens", court / "lens.toml")
    calibrate("--points", court / "free.json", *options)
    found = load_calibration(court / "hoop.toml")
    assert found.lens == "calibrated"
    assert found.camera == "desk"
    assert found.camera_matrix[0, 0] == pytest.approx(BEHIND.camera_matrix[0, 0], rel=0.01)
    refused("the lens is given there and by option", "--points", court / "marks.json", *options, "--overwrite")


def test_the_target_is_printed_and_found(tmp_path: Path) -> None:
    said = calibrate("--print-target", tmp_path / "target.pdf", "--page", "letter")
    assert (tmp_path / "target.pdf").read_bytes().startswith(b"%PDF")
    assert "print it at 100 %" in said[0]
    refused("exists and is not overwritten", "--print-target", tmp_path / "target.pdf")
    rng = np.random.default_rng(12)
    truth, right, toward = a_camera_on_a_chair(rng, 3.6)
    for i in range(3):
        cv2.imwrite(str(tmp_path / f"{i}.png"), picture_of_pages(truth, rng, right, toward, place_sigma_m=0.0))
    pictures = [tmp_path / f"{i}.png" for i in range(3)]
    way = "toward" if toward else "away"
    options = ("--distance-m", 4.191, "--page-2", way, "--hfov-deg", truth.hfov_deg, "--out", tmp_path / "hoop.toml")
    calibrate("--target", *pictures, *options)
    found = load_calibration(tmp_path / "hoop.toml")
    assert found.method == "target"
    assert direction_error_deg(found, truth) < 0.5
    cv2.imwrite(str(tmp_path / "mirrored.png"), cv2.flip(cv2.imread(str(pictures[0])), 1))
    refused("the picture is mirrored: switch", "--target", tmp_path / "mirrored.png", *options, "--overwrite")


def test_one_standing_player(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "player.jpg"), np.zeros((SIZE[1], SIZE[0], 3), dtype=np.uint8))
    truth = camera_at((3.5, -4.191, 1.0), (0, -4.191, 1.0))
    (hx, hy), (fx, fy) = project(truth, [(0, -4.191, 1.80), (0, -4.191, 0)])
    options = ["--standing", tmp_path / "player.jpg", "--head-px", f"{hx},{hy}", "--feet-px", f"{fx},{fy}"]
    options += ["--stature-m", 1.8, "--out", tmp_path / "hoop.toml"]
    said = calibrate(*options, "--camera-side", "right", "--distance-m", 4.191)
    found = load_calibration(tmp_path / "hoop.toml")
    assert not found.knows_hoop
    assert position_error_m(found, truth) < 2 * found.sigma_position_m
    assert any("hoop's direction is only a guess" in line for line in said)
    refused("--standing also needs --camera-side", *options, "--overwrite")
    outside = [*options, "--camera-side", "right", "--overwrite", "--feet-px", "5000,1"]
    refused("--feet-px 5000,1 lies outside the 1280 x 720 picture", *outside)


def opencv_pictures() -> list[Path]:
    pictures = sorted(Path("/usr/share/doc/opencv-doc/examples/data").glob("left[0-9][0-9].jpg"))
    if not pictures:
        pytest.skip("OpenCV's sample chessboards (Debian package opencv-doc) are not installed")
    return pictures


def test_a_lens_from_opencvs_sample_chessboards(tmp_path: Path) -> None:
    pictures = opencv_pictures()
    said = calibrate("--lens", *pictures, "--chessboard", "9x6", "--camera", "left", "--out", tmp_path / "lens.toml")
    assert load_lens(tmp_path / "lens.toml").image_size == (640, 480)
    assert "focal length 53" in said[0]


# One line for each thing that is wrong, and nothing written.


def test_an_existing_file_is_left_alone(court: Path) -> None:
    (court / "hoop.toml").write_text("precious")
    marked = ("--image", court / "court.png", "--points", court / "marks.json", "--out", court / "hoop.toml")
    refused("this file exists and is not overwritten", *marked)
    assert (court / "hoop.toml").read_text() == "precious"
    calibrate(*marked, "--overwrite")
    assert load_calibration(court / "hoop.toml").image_size == SIZE


def test_a_photo_instead_of_the_streams_picture(court: Path) -> None:
    cv2.imwrite(str(court / "photo.jpg"), np.zeros((3000, 4000, 3), dtype=np.uint8))
    marked = ("--image", court / "photo.jpg", "--points", court / "marks.json", "--out", court / "hoop.toml")
    refused("photo.jpg is 4000 x 3000, but .*marks.json says 1280 x 720: mark a picture of the stream", *marked)
    assert not (court / "hoop.toml").exists()


def test_an_unreadable_picture(court: Path) -> None:
    (court / "broken.png").write_bytes(b"\x89PNG but no more")
    (court / "empty.png").write_bytes(b"")
    rest = ("--points", court / "marks.json", "--out", court / "hoop.toml")
    refused(r"broken\.png: this is no picture", "--image", court / "broken.png", *rest)
    refused(r"empty\.png: this is no picture", "--image", court / "empty.png", *rest)
    refused(r"absent\.png: the picture cannot be read: No such file", "--image", court / "absent.png", *rest)
    refused("cannot be read: Is a directory", "--image", court, *rest)


def test_bad_marks_write_nothing(court: Path) -> None:
    text = (court / "marks.json").read_text()
    (court / "marks.json").write_text(text.replace("board_top_left", "flag"))
    rest = ("--image", court / "court.png", "--points", court / "marks.json", "--out", court / "hoop.toml")
    refused("unknown feature 'flag'", *rest)
    assert sorted(path.name for path in court.iterdir()) == ["court.png", "marks.json"]


def test_options_that_do_not_go_together(court: Path) -> None:
    marks, image = ("--points", court / "marks.json"), ("--image", court / "court.png")
    out = ("--out", court / "hoop.toml")
    refused("a window would open, and there is no screen here: give one of --points FILE", *image)
    refused("found --points FILE and --print-target FILE", *marks, "--print-target", court / "t.pdf")
    refused("--points also needs --image", *marks, *out)
    refused("--out FILE is needed", *marks, *image)
    refused("--target also needs --distance-m", "--target", court / "court.png", *out)
    refused("court and rim height of marked points belong into", *marks, *image, *out, "--court", "fiba")
    both = ("--hfov-deg", 70, "--use-lens", court / "l.toml")
    refused("give --use-lens or --hfov-deg, not both", "--target", court / "court.png", "--distance-m", 4, *out, *both)
    lens = ("--use-lens", court / "absent.toml")
    refused(r"absent\.toml: cannot be read", "--target", court / "court.png", "--distance-m", 4, *out, *lens)
    refused(
        "at least three of the four pages must be found, found none",
        "--target",
        court / "court.png",
        "--distance-m",
        4,
        *out,
    )
    cv2.imwrite(str(court / "small.png"), np.zeros((480, 640, 3), dtype=np.uint8))
    refused(
        "all pictures must have one size", "--target", court / "court.png", court / "small.png", "--distance-m", 4, *out
    )
    assert not (court / "hoop.toml").exists()


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (("--head-px", "here"), "--head-px: must be two numbers like 640,120, got 'here'"),
        (("--chessboard", "9"), "--chessboard: must be columns x rows of inner corners like 9x6, got '9'"),
        (("--chessboard", "2x9"), "--chessboard: needs three inner corners each way or more, got '2x9'"),
        (("--page", "a5"), "invalid choice: 'a5'"),
    ],
)
def test_an_option_that_is_no_value(options: tuple[str, ...], reason: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        parsed(*options)
    assert left.value.code == 2
    assert reason in capsys.readouterr().err


def test_without_a_way_the_window_is_named() -> None:
    refused(r"a window would open, and there is no screen here: give one of --points FILE, .*--print-target FILE")
    refused("a window would open", "--image", "court.png")


LENS = Lens(SIZE, BEHIND.camera_matrix, np.zeros(5), 0.002, "calibrated", 0.3, "camera 1")


@pytest.fixture
def lenses(tmp_path: Path) -> Path:
    """A folder that keeps the lens of camera 1."""
    folder = tmp_path / "lenses"
    folder.mkdir()
    save_lens(lens_file(folder, LENS.camera, SIZE), LENS)
    return folder


def unknown_lens(court: Path) -> None:
    """Take the lens out of the points file."""
    points = json.loads((court / "marks.json").read_text())
    del points["hfov_deg"]
    (court / "marks.json").write_text(json.dumps(points))


def test_a_measured_lens_is_kept_for_its_camera(tmp_path: Path) -> None:
    pictures = opencv_pictures()
    lenses, said = tmp_path / "data" / "lenses", list[str]()
    for _ in range(2):  # measured again, it replaces the one from before, and says so
        said.clear()
        assert run(parsed("--lens", *pictures, "--chessboard", "9x6", "--device", 2), said.append, lenses) == 0
    assert said[0] == "The lens measured before for camera 2 at 640 x 480 is replaced."
    assert said[-1] == "It is used by itself whenever camera 2 is calibrated."
    found = kept_lens(lenses, "camera 2", (640, 480))
    assert found is not None
    assert found[1].kind == "calibrated"


def test_a_lens_of_no_camera_is_not_kept(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="say which with --device N or --camera NAME, or give --out"):
        run(parsed("--lens", tmp_path / "a.png"), lambda line: None, tmp_path)


@pytest.mark.parametrize("which", [("--device", 1), ("--camera", "camera 1")])
def test_the_lens_kept_for_a_camera_is_found_by_itself_and_said(court: Path, lenses: Path, which) -> None:
    unknown_lens(court)
    said: list[str] = []
    out = court / "out.toml"
    options = parsed("--image", court / "court.png", "--points", court / "marks.json", "--out", out, *which)
    assert run(options, said.append, lenses) == 0
    assert said[0] == f"Lens of camera 1 as it was measured: {lens_file(lenses, 'camera 1', SIZE)}."
    assert load_calibration(out).lens == "calibrated"


def test_marks_that_contradict_each_other_are_told_with_their_file(court: Path) -> None:
    file = json.loads((court / "marks.json").read_text())
    file["points"][0]["px"] = [file["points"][0]["px"][0] + 90, file["points"][0]["px"][1] + 90]
    (court / "marks.json").write_text(json.dumps(file))
    options = ("--image", court / "court.png", "--points", court / "marks.json", "--out", court / "out.toml")
    with pytest.raises(CalibrationError, match=r"marks\.json: the marks must agree within"):
        calibrate(*options)


@pytest.mark.parametrize("which", [(), ("--device", 0)])
def test_the_lens_of_one_camera_is_not_taken_for_another(court: Path, lenses: Path, which) -> None:
    unknown_lens(court)
    said: list[str] = []
    out = court / "out.toml"
    options = parsed("--image", court / "court.png", "--points", court / "marks.json", "--out", out, *which)
    assert run(options, said.append, lenses) == 0
    assert load_calibration(out).lens == "estimated"
    assert not any("Lens of" in line for line in said)


def test_a_lens_is_kept_by_camera_and_found_at_other_resolutions_of_the_same_shape(lenses: Path) -> None:
    path, lens = kept_lens(lenses, "camera 1", (640, 360)) or pytest.fail("not found")
    assert path == lens_file(lenses, "camera 1", SIZE)
    assert lens.image_size == (640, 360)
    assert lens.camera_matrix[0, 0] == pytest.approx(LENS.camera_matrix[0, 0] / 2)
    assert kept_lens(lenses, "camera 1", (640, 480)) is None
    assert kept_lens(lenses, "camera 11", SIZE) is None
    assert kept_lens(lenses / "none", "camera 1", SIZE) is None


def test_a_damaged_lens_that_would_be_taken_is_named(lenses: Path) -> None:
    lens_file(lenses, "camera 1", SIZE).write_text("{")
    with pytest.raises(CalibrationError, match=r"camera-1-\w{8}-1280x720\.toml: not a TOML file"):
        kept_lens(lenses, "camera 1", SIZE)


@pytest.mark.truth
@pytest.mark.skipif(not clip_names(), reason=f"no reference clips in {TRUTH}")
@pytest.mark.parametrize("name", clip_names())
def test_a_reference_clips_first_picture_and_points(name: str, tmp_path: Path) -> None:
    _, first = cv2.VideoCapture(str(TRUTH / f"{name}.mp4")).read()
    cv2.imwrite(str(tmp_path / "court.png"), first)
    points = TRUTH / f"{name}.points.json"
    calibrate("--image", tmp_path / "court.png", "--points", points, "--out", tmp_path / "hoop.toml")
    assert position_error_m(load_calibration(tmp_path / "hoop.toml"), true_camera(name)) < 0.02
    kept = load_background(tmp_path / "hoop.toml")
    assert kept is not None
    assert moved_since(kept, first).verdict is Verdict.STILL


def test_a_picture_is_read_as_bgr(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "blue.png"), np.full((4, 6, 3), (200, 10, 20), dtype=np.uint8))
    assert read_image(tmp_path / "blue.png").shape == (4, 6, 3)
    assert read_image(tmp_path / "blue.png")[0, 0].tolist() == [200, 10, 20]
