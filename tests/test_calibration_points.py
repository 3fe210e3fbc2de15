"""The points file: what it may say, and one clear line for whatever is wrong with it."""

import json
from pathlib import Path

import pytest
from calibration_scenes import BEHIND, BOARD_AND_RING, SIZE, TAPE, position_error_m, seen_marks

from rimward.calibration.errors import CalibrationError
from rimward.calibration.marks import calibrate_marks
from rimward.calibration.points import parse_points, read_points


def points_file(**changes: object) -> dict[str, object]:
    """A good file: board and ring by name, tape by place; `changes` replace keys, None removes one."""
    marks = seen_marks(BEHIND, BOARD_AND_RING, TAPE, noise_px=0.3)
    points = [
        {"feature": mark.name, "px": list(mark.px)}
        if mark.name in BOARD_AND_RING
        else {"world_m": list(mark.world_m), "px": list(mark.px), "note": mark.name}
        for mark in marks
    ]
    file = {"image_size": list(SIZE), "court": "us", "hfov_deg": 70, "points": points, "note": "made up"} | changes
    return {key: value for key, value in file.items() if value is not None}


def test_a_file_gives_marks_lens_and_court() -> None:
    points = parse_points(json.dumps(points_file(camera="desk")))
    assert points.image_size == SIZE
    assert points.lens.kind == "known"
    assert points.court.name == "us"
    assert points.camera == "desk"
    assert position_error_m(calibrate_marks(points.marks, points.lens, points.court), BEHIND) < 0.02


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    """Editors on Windows put one before the text."""
    (tmp_path / "marks.json").write_text(json.dumps(points_file()), encoding="utf-8-sig")
    assert read_points(tmp_path / "marks.json").image_size == SIZE


def test_the_interface_example_is_understood_as_far_as_it_goes() -> None:
    text = """{"image_size": [1280, 720], "court": "us",
     "points": [{"feature": "board_top_left", "px": [612.5, 101.0]},
                {"world_m": [0.0, -4.191, 0.0], "px": [701.0, 655.2]}]}"""
    with pytest.raises(CalibrationError, match="at least 4 marks are needed, got 2"):
        parse_points(text)


def test_lens_by_matrix_or_not_at_all() -> None:
    matrix = [[900, 0, 640], [0, 900, 360], [0, 0, 1]]
    by_matrix = parse_points(json.dumps(points_file(hfov_deg=None, camera_matrix=matrix)))
    assert by_matrix.lens.camera_matrix.tolist() == matrix
    assert parse_points(json.dumps(points_file(hfov_deg=None))).lens.kind == "assumed"


def test_youth_numbers_move_the_marks() -> None:
    points = parse_points(json.dumps(points_file(rim_height_m=2.44, free_throw_from_board_m=4.2672)))
    ring = next(mark for mark in points.marks if mark.name == "ring_front")
    assert ring.world_m[2] == pytest.approx(2.44)
    assert points.court.free_throw_y_m == pytest.approx(0.381 - 4.2672)


def edited(index: int, **changes: object) -> dict[str, object]:
    file = points_file()
    points = file["points"]
    assert isinstance(points, list)
    points[index] = {k: v for k, v in ({**points[index], **changes}).items() if v is not None}
    return file


BAD = {
    "cut short": ('{"image_size": [1280,', "not a JSON file: Expecting value: line 1 column 22"),
    "not an object": ("[1, 2]", "the file: Input should be a valid dictionary"),
    "NaN": (json.dumps(edited(0, px=[float("nan"), 1.0])), "not a JSON file: numbers must be finite, found NaN"),
    "infinity": (json.dumps(points_file(hfov_deg=float("inf"))), "numbers must be finite, found Infinity"),
    "overflow": (json.dumps(points_file()).replace('"hfov_deg": 70', '"hfov_deg": 1e999'), "hfov_deg: .* finite"),
    "key twice": ('{"court": "us", "court": "fiba"}', "key 'court' stands twice"),
    "unknown key": (json.dumps(points_file(colour="red")), "colour: Extra inputs are not permitted"),
    "no points": (json.dumps(points_file(points=None)), "points: Field required"),
    "unknown feature": (json.dumps(edited(0, feature="flag")), "points.0: unknown feature 'flag', known are ring_c"),
    "no place": (json.dumps(edited(0, feature=None)), "points.0: a point needs either feature or world_m"),
    "two places": (json.dumps(edited(0, world_m=[0, 0, 0])), "points.0: a point needs either feature or world_m, and"),
    "three pixels": (json.dumps(edited(0, px=[1, 2, 3])), "points.0.px: List should have at most 2 items"),
    "text for a number": (
        json.dumps(edited(0, px=["1", 2])),
        "points.0.px.0: Input should be a valid number, found '1'",
    ),
    "outside": (
        json.dumps(edited(0, px=[1300, 5])),
        r"mark board_top_left at \(1300, 5\) px lies outside the 1280 x 720",
    ),
    "same mark twice": (json.dumps(edited(1, feature="board_top_left")), "mark board_top_left was given twice"),
    "feet": (json.dumps(edited(-1, world_m=[0, 393.7, 0])), "more than 100 m from the hoop: world_m is in metres"),
    "three sizes": (json.dumps(points_file(image_size=[1280, 720, 3])), "image_size: List should have at most 2"),
    "no size": (json.dumps(points_file(image_size=[0, 720])), "image_size.0: Input should be greater than"),
    "unknown court": (json.dumps(points_file(court="moon")), "court must be one of us, us_college"),
    "high rim": (json.dumps(points_file(rim_height_m=10)), "rim_height_m must lie between"),
    "two lenses": (
        json.dumps(points_file(camera_matrix=[[900, 0, 640], [0, 900, 360], [0, 0, 1]])),
        "give hfov_deg or camera_matrix, not both",
    ),
    "distortion alone": (json.dumps(points_file(distortion=[0, 0, 0, 0, 0])), "distortion belongs to a camera_matrix"),
    "fish-eye": (json.dumps(points_file(hfov_deg=178)), "a webcam sees 25 to 120 degrees across, this lens 178"),
    "matrix of another size": (
        json.dumps(points_file(hfov_deg=None, camera_matrix=[[1400, 0, 960], [0, 1400, 540], [0, 0, 1]])),
        "optical axis must meet the picture near its middle",
    ),
    "crushed matrix": (
        json.dumps(points_file(hfov_deg=None, camera_matrix=[[900, 0, 640], [0, 700, 360], [0, 0, 1]])),
        "pixels are square within 5 %",
    ),
    "skewed matrix": (
        json.dumps(points_file(hfov_deg=None, camera_matrix=[[900, 3, 640], [0, 900, 360], [0, 0, 1]])),
        "other entries were found",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_file_is_refused_in_one_line(case: str) -> None:
    text, reason = BAD[case]
    with pytest.raises(CalibrationError, match=reason) as caught:
        parse_points(text, "marks.json")
    assert str(caught.value).startswith("marks.json: ")
    assert "\n" not in str(caught.value)


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match=r"absent\.json: the points file cannot be read: No such file"):
        read_points(tmp_path / "absent.json")
    (tmp_path / "binary.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CalibrationError, match="not a text file"):
        read_points(tmp_path / "binary.json")
