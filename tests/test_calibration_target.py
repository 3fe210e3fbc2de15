"""The printed target, from the PDF through a webcam's picture to the calibration."""

from dataclasses import replace

import cv2
import numpy as np
import pypdfium2
import pytest
from calibration_floor import SPOT_M, a_camera_on_a_chair, picture_of_pages, printed
from calibration_render import as_a_webcam_sees_it, background, paint, rectangle
from calibration_scenes import SIZE, camera_at, direction_error_deg, position_error_m
from numpy.typing import NDArray

from rimward.calibration.errors import CalibrationError
from rimward.calibration.geometry import camera_centre, floor_from_image, meet_plane, project
from rimward.calibration.lens import Lens, lens_from_hfov, typed_lens, typical_lens
from rimward.calibration.print_target import board_cells, charuco_board, target_pdf
from rimward.calibration.record import Calibration
from rimward.calibration.target import (
    DEFAULT_SIDE_M,
    PAGES,
    SHEETS,
    average_pages,
    calibrate_target,
    find_pages,
    page_corners,
    page_places,
)

# square from the side page 4 hides page 3 (and the other three are enough); from here all four are seen
FROM_THE_SIDE = camera_at((3.76, -5.56, 1.0), (0.0, -4.0, 0.75))


def lens_of(camera: Calibration) -> Lens:
    return lens_from_hfov(camera.image_size, camera.hfov_deg)


def stick_error(found: Calibration, truth: Calibration) -> float:
    """How wrong the height of a one-metre stick on the shooting spot is read."""
    foot, top = np.array([0, -SPOT_M, 0]), np.array([0, -SPOT_M, 1.0])
    stands = floor_from_image(found, project(truth, foot))
    toward = camera_centre(found) - stands
    return abs(float(meet_plane(found, project(truth, top), stands, (toward[0], toward[1], 0))[2]) - 1)


# The print.


@pytest.mark.parametrize(("sheet", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4)), ("a3", (297, 420))])
def test_pages_have_the_papers_exact_size(sheet: str, size_mm: tuple[float, float]) -> None:
    document = pypdfium2.PdfDocument(target_pdf(sheet))
    assert len(document) == 5
    for i in range(4):
        assert np.array(document[i].get_size()) * 25.4 / 72 == pytest.approx(size_mm, abs=0.01)
    assert np.array(document[4].get_size()) * 25.4 / 72 == pytest.approx(size_mm[::-1], abs=0.01)


@pytest.mark.parametrize("sheet", SHEETS)
def test_markers_and_ruler_are_to_scale(sheet: str) -> None:
    paper = SHEETS[sheet]
    for page in PAGES:
        ink = printed(sheet)[page - 1] < 100
        fold_row = round((paper.height_mm - paper.fold_mm) * 2)
        marker = np.argwhere(ink[: fold_row - round(paper.gap_mm)])
        # a dot is half a millimetre
        assert (np.ptp(marker, axis=0) + 1) / 2 == pytest.approx(paper.marker_mm, abs=1.1)
        assert (fold_row - marker[:, 0].max()) / 2 == pytest.approx(paper.gap_mm, abs=0.8)
        # the longest dark run below the fold is the ruler
        rows = (
            "".join("x" if dark else " " for dark in row) for row in printed(sheet)[page - 1][fold_row + 10 :] < 200
        )
        longest = max(len(run) for row in rows for run in row.split())
        assert longest / 2 == pytest.approx(100, abs=1)


@pytest.mark.parametrize("sheet", SHEETS)
def test_the_lens_board_is_found_by_opencv_at_its_size(sheet: str) -> None:
    corners, ids, _, _ = cv2.aruco.CharucoDetector(charuco_board()).detectBoard(printed(sheet)[4])
    assert len(ids) == 24
    places = charuco_board().getChessboardCorners()[np.ravel(ids)][:, :2]
    dots = np.linalg.norm(corners.reshape(-1, 2)[0] - corners.reshape(-1, 2)[-1])
    assert dots / 2 == pytest.approx(1000 * np.linalg.norm(places[0] - places[-1]), rel=0.003)


def test_pages_are_not_taken_for_the_board_nor_the_board_for_pages() -> None:
    assert find_pages(printed("a4")[4]) == {}
    assert board_cells().shape == (40, 56)
    for page in PAGES:
        assert list(find_pages(printed("a4")[page - 1])) == [page]


def test_an_unknown_paper_is_refused() -> None:
    with pytest.raises(CalibrationError, match="page must be one of a4, letter, a3, got 'a5'"):
        target_pdf("a5")


# Finding it.


def test_corners_are_found_to_a_fraction_of_a_pixel_whatever_the_blur() -> None:
    for blur in (0.5, 0.8, 1.2):
        rng = np.random.default_rng(7)
        picture = background(SIZE, rng)
        paper = rectangle((1.0, -4.5, 0.4), (0, 0.21, 0), (0, 0, -0.297))
        camera = camera_at((4.5, -4.4, 0.9), (0, -4.3, 0.8))
        paint(picture, camera, printed("a4")[0], paper)
        seen = find_pages(as_a_webcam_sees_it(picture, rng, blur, 3.0))[1]
        sheet = SHEETS["a4"]
        left, low = (sheet.width_mm - sheet.marker_mm) / 2, sheet.fold_mm + sheet.gap_mm
        high = low + sheet.marker_mm
        places = [(left, high), (210 - left, high), (210 - left, low), (left, low)]
        true = project(camera, [(1.0, -4.5 + x / 1000, 0.4 - 0.297 + y / 1000) for x, y in places])
        assert np.abs(seen - true).max() < 0.3, blur
        assert np.abs(seen - true).mean() < 0.12, blur
        assert np.linalg.norm(seen[0] - seen[1]) == pytest.approx(np.linalg.norm(true[0] - true[1]), abs=0.25)


def test_found_and_measured_from_3_to_4_metres_and_a_half() -> None:
    """95 in 100 found; of those 95 in 100 within one degree and one per cent; the reported uncertainty honest.

    With the lens known and with a lens nobody described.
    """
    trials, errors = 100, []
    for seed in range(trials):
        rng = np.random.default_rng(seed)
        truth, right, toward = a_camera_on_a_chair(rng, rng.uniform(3.0, 4.5))
        pages = find_pages(picture_of_pages(truth, rng, right, toward))
        if len(pages) >= 3:
            both = (lens_of(truth), typical_lens(SIZE))
            found = [calibrate_target(pages, lens, SPOT_M, toward_hoop=toward) for lens in both]
            errors.append([verdicts(one, truth) for one in found])
    assert len(errors) >= 0.95 * trials
    within = np.mean(errors, axis=0)
    assert (within >= (0.95, 0.95, 0.90, 0.90)).all(), within


def verdicts(found: Calibration, truth: Calibration) -> tuple[bool, ...]:
    position, direction = position_error_m(found, truth), direction_error_deg(found, truth)
    return (
        direction < 1.0,
        stick_error(found, truth) < 0.01,
        position < 2 * found.sigma_position_m,
        direction < 2 * found.sigma_direction_deg,
    )


@pytest.mark.parametrize("sheet", SHEETS)
def test_every_paper_serves(sheet: str) -> None:
    rng = np.random.default_rng(11)
    pages = find_pages(picture_of_pages(FROM_THE_SIDE, rng, right=False, sheet=sheet))
    found = calibrate_target(pages, lens_of(FROM_THE_SIDE), SPOT_M, sheet=SHEETS[sheet])
    assert direction_error_deg(found, FROM_THE_SIDE) < 0.7
    assert found.method == "target"


def test_pages_three_and_four_may_stand_on_either_side() -> None:
    for right, x in ((True, -4.0), (False, 4.0)):
        truth = camera_at((x, -4.4, 0.9), (0.0, -4.191, 0.75))
        pages = find_pages(picture_of_pages(truth, np.random.default_rng(3), right=right))
        assert direction_error_deg(calibrate_target(pages, lens_of(truth), SPOT_M), truth) < 0.7


def test_several_pictures_are_averaged_and_a_page_seen_rarely_is_left_out() -> None:
    truth = FROM_THE_SIDE
    one = {1: np.zeros((4, 2)), 2: np.ones((4, 2))}
    other = {1: np.full((4, 2), 2.0)}
    averaged = average_pages([one, other, other])
    assert list(averaged) == [1]
    assert averaged[1] == pytest.approx(np.full((4, 2), 2.0))
    assert average_pages([]) == {}
    rng = np.random.default_rng(3)
    pictures = [find_pages(picture_of_pages(truth, rng, right=False, place_sigma_m=0)) for _ in range(5)]
    assert set(average_pages(pictures)) == set(PAGES)


def test_one_page_knocked_over_does_not_cost_the_calibration() -> None:
    truth = FROM_THE_SIDE
    pages = find_pages(picture_of_pages(truth, np.random.default_rng(5), right=False, place_sigma_m=0))
    assert len(pages) == 4
    pages[3] = pages[3] + np.array([25.0, 8.0])
    found = calibrate_target(pages, lens_of(truth), SPOT_M)
    assert direction_error_deg(found, truth) < 0.7
    assert "printed target, pages 1, 2, 4 found" in found.notes


@pytest.mark.parametrize("k1", [-0.1, 0.1])
def test_a_lens_that_bends_lines_is_seen_by_the_pages(k1: float) -> None:
    """Taken as straight, the camera's direction was within two of its errors in 55 of 100 cases."""
    off, within = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        camera, right, toward = a_camera_on_a_chair(rng, 3.5)
        truth = replace(camera, distortion=np.array([k1, 0.0, 0.0, 0.0, 0.0]))
        found = calibrate_target(
            corners_of_pages(truth, rng, right, toward), lens_of(truth), SPOT_M, toward_hoop=toward
        )
        off.append(direction_error_deg(found, truth))
        within.append(off[-1] < 2 * found.sigma_direction_deg)
    assert np.mean(within) >= 0.9
    assert np.median(off) < 0.4


def corners_of_pages(
    truth: Calibration, rng: np.random.Generator, right: bool, toward: bool
) -> dict[int, NDArray[np.float64]]:
    """Where the corners of pages put down with a tape measure are seen, for those that are in the picture whole."""
    centre, pages = camera_centre(truth), {}
    for page, foot in page_places(SPOT_M, DEFAULT_SIDE_M, right, toward).items():
        feet = (foot + [*rng.normal(0, 0.005, 2), 0])[None]
        to_camera = (centre - feet)[:, :2]
        facing = to_camera / np.linalg.norm(to_camera)
        turn, lean = np.radians(rng.uniform(-15, 15, 1)), np.radians(rng.normal(0, 3, 1))
        seen = project(truth, page_corners(feet, facing, turn, lean, SHEETS["a4"])[0]) + rng.normal(0, 0.15, (4, 2))
        if ((seen >= 0) & (seen <= SIZE)).all():
            pages[page] = seen
    return pages


# Refusing it.


def test_two_pages_are_not_enough() -> None:
    pages = find_pages(picture_of_pages(FROM_THE_SIDE, np.random.default_rng(1), right=False, pages=(1, 2)))
    with pytest.raises(CalibrationError, match="at least three of the four pages must be found, found 1, 2"):
        calibrate_target(pages, lens_of(FROM_THE_SIDE), SPOT_M)
    with pytest.raises(CalibrationError, match="found none"):
        calibrate_target({}, lens_of(FROM_THE_SIDE), SPOT_M)


def test_a_print_that_was_shrunk_to_the_page_is_noticed() -> None:
    pages = find_pages(picture_of_pages(FROM_THE_SIDE, np.random.default_rng(2), right=False, print_scale=0.94))
    with pytest.raises(CalibrationError, match=r"markers are -[3-6] % off the size .* measure the ruler on the page"):
        calibrate_target(pages, lens_of(FROM_THE_SIDE), SPOT_M)


@pytest.mark.parametrize("off_deg", [9, -9])
def test_a_lens_typed_by_its_diagonal_is_refused_with_the_width_that_the_pages_ask_for(off_deg: float) -> None:
    """Else the camera would be 40 cm off, with a stated 7."""
    truth = FROM_THE_SIDE
    for seed in range(4):
        pages = corners_of_pages(truth, np.random.default_rng(seed), False, True)
        words = rf"given as {truth.hfov_deg + off_deg:.0f} degrees across, but the marks fit one of (6[89]|7[0-3]):"
        with pytest.raises(CalibrationError, match=words):
            calibrate_target(pages, typed_lens(SIZE, truth.hfov_deg + off_deg), SPOT_M)


def test_a_typed_lens_that_is_two_degrees_off_serves() -> None:
    truth = FROM_THE_SIDE
    for seed in range(4):
        pages = corners_of_pages(truth, np.random.default_rng(seed), False, True)
        found = calibrate_target(pages, typed_lens(SIZE, truth.hfov_deg + 2), SPOT_M)
        assert position_error_m(found, truth) < 2.5 * found.sigma_position_m


def test_pages_put_down_in_the_wrong_places_are_noticed() -> None:
    truth = FROM_THE_SIDE
    pages = find_pages(picture_of_pages(truth, np.random.default_rng(2), right=False))
    pages[3], pages[4] = pages[4], pages[3]
    with pytest.raises(CalibrationError, match=r"look at page|markers are|no camera above"):
        calibrate_target(pages, lens_of(truth), SPOT_M)


@pytest.mark.parametrize(
    ("distance", "side", "reason"),
    [
        (0.2, 1.5, "distance from the ring to page 1 must lie between 1 and 12 m, got 0.2"),
        (15.0, 1.5, "distance from the ring to page 1"),
        (float("nan"), 1.5, "distance from the ring to page 1"),
        (4.191, 0.1, "distance from page 1 to page 2 must lie between 0.5 and 4 m, got 0.1"),
    ],
)
def test_a_distance_nobody_shoots_from_is_refused(distance: float, side: float, reason: str) -> None:
    with pytest.raises(CalibrationError, match=reason):
        calibrate_target({}, typical_lens(SIZE), distance, side)


def test_pages_stand_where_the_sheet_says() -> None:
    places = page_places(4.191, 1.5, to_the_right=True, toward_hoop=True)
    gaps = {(a, b): float(np.linalg.norm(places[a] - places[b])) for a in PAGES for b in PAGES if a < b}
    assert [gaps[pair] for pair in ((1, 2), (1, 3), (2, 3))] == pytest.approx([1.5] * 3)
    assert [gaps[pair] for pair in ((1, 4), (2, 4))] == pytest.approx([1.0] * 2)
    assert places[1] == pytest.approx([0, -4.191, 0])
    assert places[2] == pytest.approx([0, -2.691, 0])
    assert page_places(4.191, 1.5, True, toward_hoop=False)[2] == pytest.approx([0, -5.691, 0])
    assert page_places(4.191, 1.5, False, True)[3][0] < 0
