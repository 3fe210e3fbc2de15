"""Lenses: what is assumed, and what pictures of a moved board tell."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from calibration_floor import printed
from calibration_render import Image, as_a_webcam_sees_it, background, paint, rectangle
from calibration_scenes import SIZE, camera_at

from rimward.calibration.errors import CalibrationError
from rimward.calibration.lens import Lens, hfov_of, lens_from_hfov, lens_from_matrix, typical_lens
from rimward.calibration.lens_pictures import calibrate_lens, find_board

OPENCV_DOC = Path("/usr/share/doc/opencv-doc/examples/data")


def opencv_pictures() -> list[Image]:
    files = sorted(OPENCV_DOC.glob("left[0-9][0-9].jpg"))
    if not files:
        pytest.skip(f"OpenCV's sample chessboards are not in {OPENCV_DOC} (Debian package opencv-doc)")
    return [cv2.imread(str(file)) for file in files]


def test_opencvs_sample_chessboards_give_their_published_lens() -> None:
    """The outside source: left01.jpg... and left_intrinsics.yml in OpenCV's samples (Debian package opencv-doc)."""
    lens = calibrate_lens(opencv_pictures(), (9, 6), "left")
    published = cv2.FileStorage(str(OPENCV_DOC / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    matrix = published.getNode("camera_matrix").mat()
    distortion = published.getNode("distortion_coefficients").mat()
    # theirs was made with an older corner finder and one picture that is 1.2 px off: a per cent is the agreement to ask
    assert lens.camera_matrix[[0, 1], [0, 1]] == pytest.approx(matrix[[0, 1], [0, 1]], rel=0.01)
    # their pixels count from the middle of the first one, ours from its corner
    assert lens.camera_matrix[:2, 2] == pytest.approx(matrix[:2, 2] + 0.5, abs=4)
    assert lens.rms_px <= published.getNode("avg_reprojection_error").real()
    # the same picture of everything in front of it, to a per cent of its height
    grid = np.stack(np.meshgrid(np.linspace(-0.45, 0.45, 9), np.linspace(-0.35, 0.35, 7), [1.0]), -1).reshape(-1, 3)
    theirs = cv2.projectPoints(grid, np.zeros(3), np.zeros(3), matrix, distortion)[0][:, 0] + 0.5
    ours = cv2.projectPoints(grid, np.zeros(3), np.zeros(3), lens.camera_matrix, lens.distortion)[0][:, 0]
    assert np.abs(ours - theirs).max() < 4.8
    assert lens.kind == "calibrated"
    assert lens.camera == "left"


def board_pictures(hfov_deg: float, count: int = 14) -> list[Image]:
    """The printed lens board held before a camera without distortion: tilted, near, far, into every corner."""
    rng = np.random.default_rng(0)
    camera = camera_at((0, -5, 1), (0, 0, 1), hfov_deg)
    pictures = []
    for i in range(count):
        distance = rng.uniform(0.35, 0.6)
        reach = 0.32 * distance
        x, z = ((-1) ** i * reach, (-1) ** (i // 2) * reach * 0.5) if i % 3 else (0.0, 0.0)
        middle = np.array([x, -5 + distance, 1 + z])
        turn = cv2.Rodrigues(np.array([rng.uniform(-0.6, 0.6), rng.uniform(-0.4, 0.4), rng.uniform(-0.6, 0.6)]))[0]
        right, down = turn @ np.array([0.297, 0, 0]), turn @ np.array([0, 0, -0.210])
        picture = background(SIZE, rng)
        paint(picture, camera, printed("a4")[4], rectangle(middle - right / 2 - down / 2, right, down))
        pictures.append(as_a_webcam_sees_it(picture, rng, 0.8, 3.0))
    return pictures


@pytest.mark.parametrize("hfov", [62.0, 78.0])
def test_the_printed_board_gives_the_lens_back(hfov: float) -> None:
    lens = calibrate_lens(board_pictures(hfov))
    true = lens_from_hfov(SIZE, hfov).camera_matrix
    assert lens.camera_matrix[0, 0] == pytest.approx(true[0, 0], rel=0.01)
    assert lens.camera_matrix[:2, 2] == pytest.approx(true[:2, 2], abs=8)
    assert lens.sigma_focal < 0.01
    assert lens.rms_px < 0.5


def test_a_picture_without_a_board_shows_none() -> None:
    assert find_board(background(SIZE, np.random.default_rng(0))) is None
    assert find_board(background(SIZE, np.random.default_rng(0)), (9, 6)) is None


def test_too_few_pictures() -> None:
    with pytest.raises(CalibrationError, match="seen in at least 8 pictures, was in 3 of 4"):
        calibrate_lens([*board_pictures(70, 3), background(SIZE, np.random.default_rng(0))])
    with pytest.raises(CalibrationError, match="was in 0 of 0"):
        calibrate_lens([])


def test_pictures_of_two_sizes() -> None:
    small = np.zeros((480, 640), dtype=np.uint8)
    with pytest.raises(CalibrationError, match="one size, found 640 x 480 and 1280 x 720"):
        calibrate_lens([*board_pictures(70, 1), small])


def test_a_board_held_only_in_the_middle() -> None:
    with pytest.raises(CalibrationError, match="must reach over 50 % of the picture's width and height"):
        calibrate_lens(central(8))


def central(count: int) -> list[Image]:
    """The board large enough to be found but always in the middle."""
    rng = np.random.default_rng(4)
    camera = camera_at((0, -5, 1), (0, 0, 1), 70)
    pictures = []
    for _ in range(count):
        turn = cv2.Rodrigues(rng.uniform(-0.4, 0.4, 3))[0]
        right, down = turn @ np.array([0.297, 0, 0]), turn @ np.array([0, 0, -0.210])
        picture = background(SIZE, rng)
        corner = np.array([0, -4.1, 1.0]) - right / 2 - down / 2
        paint(picture, camera, printed("a4")[4], rectangle(corner, right, down))
        pictures.append(as_a_webcam_sees_it(picture, rng, 0.6, 3.0))
    return pictures


def test_a_board_that_never_moved_tells_no_lens() -> None:
    picture = board_pictures(70, 1)[0]
    wide = cv2.resize(picture[120:600, 200:1080], SIZE)
    with pytest.raises(CalibrationError, match=r"tilt the board|must reach over|agree with one lens"):
        calibrate_lens([wide] * 8)


# Lenses by number.


def test_a_horizontal_view_gives_the_focal_length() -> None:
    # 70 degrees at 1280 px: 914.0 px (computed: 640 / tan 35 degrees)
    assert lens_from_hfov(SIZE, 70).camera_matrix[0, 0] == pytest.approx(914.0, abs=0.1)
    assert hfov_of(914.0147, 1280) == pytest.approx(70, abs=1e-4)


def test_the_typical_webcam_is_78_degrees_across_the_diagonal() -> None:
    # computed: 78 degrees of diagonal on a 16:9 picture are 70.4 degrees across
    assert hfov_of(typical_lens(SIZE).camera_matrix[0, 0], 1280) == pytest.approx(70.4, abs=0.1)
    assert typical_lens(SIZE).sigma_focal > 0.1
    assert typical_lens(SIZE).kind == "assumed"


@pytest.mark.parametrize(
    ("make", "reason"),
    [
        (lambda: lens_from_hfov(SIZE, 0), "hfov_deg must lie between 0 and 180 degrees, got 0"),
        (lambda: lens_from_hfov(SIZE, 150), "a webcam sees 25 to 120 degrees across, this lens 150"),
        (lambda: lens_from_matrix(SIZE, np.eye(3) * np.nan), "must hold finite numbers only"),
        (lambda: lens_from_matrix(SIZE, [[-900, 0, 640], [0, 900, 360], [0, 0, 1]]), "focal lengths must be above 0"),
    ],
)
def test_a_lens_no_webcam_has(make, reason: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(CalibrationError, match=reason):
        make()


def test_a_lens_of_the_wrong_shape_is_a_programming_error() -> None:
    with pytest.raises(ValueError, match="a lens needs a"):
        Lens(SIZE, np.eye(2), np.zeros(5), 0.0, "known")
