"""The camera gets bumped, the light changes, somebody walks by."""

import cv2
import numpy as np
import pytest
from calibration_render import as_a_webcam_sees_it, paint, rectangle
from calibration_scenes import SIDE, SIZE, TRUTH, camera_at, clip_names
from numpy.typing import NDArray

from rimward.calibration.bump import Features, Verdict, background_of, bumped, features_of, moved_since
from rimward.calibration.geometry import moved
from rimward.calibration.record import Calibration

Image = NDArray[np.uint8]


def gym(camera: Calibration, seed: int = 0) -> Image:
    """A wall with posters and a floor with a pattern, as this camera sees it; `seed` is the sensor's noise."""
    fixed = np.random.default_rng(42)
    picture = np.full((SIZE[1], SIZE[0]), 120, dtype=np.uint8)
    for _ in range(60):
        y, z = fixed.uniform(-12, 4), fixed.uniform(0.1, 3.5)
        texture = fixed.integers(30, 220, (6, 6), dtype=np.uint8).repeat(20, 0).repeat(20, 1)
        paint(picture, camera, texture, rectangle((-8.0, y, z + 0.7), (0, 0.8, 0), (0, 0, -0.7)))
    for _ in range(40):
        x, y = fixed.uniform(-7, 2), fixed.uniform(-11, 2)
        texture = fixed.integers(60, 200, (4, 4), dtype=np.uint8).repeat(30, 0).repeat(30, 1)
        paint(picture, camera, texture, rectangle((x, y, 0.0), (0, 0.6, 0), (0.6, 0, 0)))
    return as_a_webcam_sees_it(picture, np.random.default_rng(seed), 0.8, 3.0)


REFERENCE = background_of(gym(SIDE))
KEPT = features_of(gym(SIDE))


def turned(degrees: float, axis: int) -> Calibration:
    delta = np.zeros(7)
    delta[axis] = np.radians(degrees)
    return moved(SIDE, delta)


def test_a_camera_that_stood_still() -> None:
    seen = bumped(REFERENCE, gym(SIDE, seed=1))
    assert seen.verdict is Verdict.STILL
    assert seen.shift_px < 0.3
    assert seen.matched > 100


@pytest.mark.parametrize(("axis", "degrees"), [(0, 0.3), (1, 0.3), (1, -2.0), (0, 4.0), (2, 1.5)])
def test_a_bump_or_a_moved_lid(axis: int, degrees: float) -> None:
    seen = bumped(REFERENCE, gym(turned(degrees, axis), seed=2))
    assert seen.verdict is Verdict.MOVED
    if axis < 2:  # 914 px a radian
        assert seen.shift_px == pytest.approx(abs(np.radians(degrees)) * 914, rel=0.25)


@pytest.mark.parametrize(("axis", "degrees"), [(1, 8.0), (1, -20.0), (1, 45.0), (0, 12.0), (2, 30.0)])
def test_a_camera_that_was_knocked_round(axis: int, degrees: float) -> None:
    """Too far for its corners to be followed: what is seen again elsewhere tells."""
    assert bumped(REFERENCE, gym(turned(degrees, axis), seed=2)).verdict is Verdict.MOVED


@pytest.mark.parametrize("share", [0.8, 0.9, 0.95])
def test_a_crowd_before_the_camera_is_no_bump(share: float) -> None:
    picture, rng = gym(SIDE, seed=5), np.random.default_rng(6)
    covered = round(share * SIZE[0])
    crowd = rng.integers(0, 255, (SIZE[1] // 20, SIZE[0] // 20), dtype=np.uint8).repeat(20, 0).repeat(20, 1)
    picture[:, :covered] = crowd[:, :covered]
    assert bumped(REFERENCE, picture).verdict is not Verdict.MOVED


def test_another_place_or_the_dark_is_unsure() -> None:
    rng = np.random.default_rng(7)
    elsewhere = rng.integers(0, 255, (SIZE[1] // 10, SIZE[0] // 10), dtype=np.uint8).repeat(10, 0).repeat(10, 1)
    for picture in (elsewhere, (gym(SIDE, seed=4) * 0.05).astype(np.uint8)):
        assert bumped(REFERENCE, picture).verdict is Verdict.UNSURE


def pushed(metres: float, axis: int) -> Calibration:
    """`axis` of the camera: 0 along the table, 2 toward the far wall."""
    delta = np.zeros(7)
    delta[3:6] = metres * SIDE.R[axis]
    return moved(SIDE, delta)


@pytest.mark.parametrize(("metres", "axis"), [(0.05, 0), (0.15, 0), (0.1, 2), (-0.1, 2)])
def test_a_camera_that_was_pushed(metres: float, axis: int) -> None:
    """Toward the wall, too: the middle of the picture stays, and one movement of the camera explains that."""
    picture = gym(pushed(metres, axis), seed=3)
    assert bumped(REFERENCE, picture).verdict is Verdict.MOVED
    assert moved_since(KEPT, picture).verdict is Verdict.MOVED


@pytest.mark.parametrize("degrees", [0.6, -1.0])
def test_a_camera_that_tips_to_the_side(degrees: float) -> None:
    """The middle of its picture stays where it was, and is no sign that the camera did."""
    picture = gym(turned(degrees, 2), seed=3)
    assert bumped(REFERENCE, picture).verdict is Verdict.MOVED
    assert moved_since(KEPT, picture).verdict is Verdict.MOVED


def test_less_light_is_no_bump() -> None:
    dim = (gym(SIDE, seed=4) * 0.6).astype(np.uint8)
    assert bumped(REFERENCE, dim).verdict is not Verdict.MOVED


def test_a_person_in_front_is_no_bump() -> None:
    picture = gym(SIDE, seed=5)
    rng = np.random.default_rng(6)
    picture[100:700, 500:760] = rng.integers(0, 255, (600, 260), dtype=np.uint8)
    assert bumped(REFERENCE, picture).verdict is Verdict.STILL
    people = np.zeros((SIZE[1], SIZE[0]), dtype=bool)
    people[100:700, 500:760] = True
    assert bumped(REFERENCE, picture, people).verdict is Verdict.STILL


def test_a_person_who_walked_away_is_no_bump_when_masked() -> None:
    with_player = gym(SIDE)
    rng = np.random.default_rng(8)
    player = rng.integers(0, 255, (60, 26), dtype=np.uint8).repeat(10, 0).repeat(10, 1)
    with_player[100:700, 500:760] = player
    people = np.zeros((SIZE[1], SIZE[0]), dtype=bool)
    people[90:710, 490:770] = True
    reference = background_of(with_player, people)
    assert not ((reference.corners > (495, 95)) & (reference.corners < (765, 705))).all(axis=1).any()
    assert bumped(reference, gym(SIDE, seed=9)).verdict is Verdict.STILL


def test_the_dark_another_room_another_size_and_a_bare_wall_are_unsure() -> None:
    assert bumped(REFERENCE, np.zeros((SIZE[1], SIZE[0]), np.uint8)).verdict is Verdict.UNSURE
    elsewhere = gym(camera_at((-2, -12, 1), (6, -4, 0.5)))
    assert bumped(REFERENCE, elsewhere).verdict is Verdict.UNSURE
    small = cv2.resize(gym(SIDE), (640, 360))
    assert bumped(REFERENCE, small).verdict is Verdict.UNSURE
    bare = background_of(np.full((720, 1280), 90, np.uint8))
    assert bumped(bare, gym(SIDE)).verdict is Verdict.UNSURE


def test_large_pictures_give_the_shift_in_their_own_pixels() -> None:
    large = [cv2.resize(gym(camera), (2560, 1440)) for camera in (SIDE, turned(0.5, 1))]
    seen = bumped(background_of(large[0]), large[1])
    assert seen.verdict is Verdict.MOVED
    assert seen.shift_px == pytest.approx(2 * np.radians(0.5) * 914, rel=0.25)


# On another day: what was kept with the calibration.


def test_a_camera_that_is_back_where_it_was_calibrated_is_still() -> None:
    for light in (1.0, 0.6, 0.4):
        assert moved_since(KEPT, (gym(SIDE, seed=1) * light).astype(np.uint8)).verdict is Verdict.STILL


@pytest.mark.parametrize(
    ("axis", "degrees"), [(0, 0.4), (1, 0.4), (1, -3.0), (0, 12.0), (1, 25.0), (2, 2.0), (2, 20.0)]
)
def test_a_camera_that_is_not_quite_back_has_moved(axis: int, degrees: float) -> None:
    seen = moved_since(KEPT, gym(turned(degrees, axis), seed=2))
    assert seen.verdict is Verdict.MOVED
    if axis < 2 and abs(degrees) < 5:  # 914 px a radian
        assert seen.shift_px == pytest.approx(abs(np.radians(degrees)) * 914, rel=0.25)


@pytest.mark.parametrize("width", [640, 960, 1920])
def test_another_resolution_is_the_same_place(width: int) -> None:
    size = (width, width * 9 // 16)
    for kept, picture in ((KEPT, gym(SIDE, seed=3)), (features_of(faint(SIDE, 1)), faint(SIDE, 3))):
        smaller = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        assert moved_since(kept, smaller).verdict is Verdict.STILL
    assert moved_since(KEPT, cv2.resize(gym(turned(1.0, 1), seed=3), size)).verdict is Verdict.MOVED


def test_a_mirror_that_was_switched_on_since_is_a_move() -> None:
    for camera in (SIDE, turned(2.0, 1)):
        assert moved_since(KEPT, np.ascontiguousarray(gym(camera, seed=4)[:, ::-1])).verdict is Verdict.MOVED


def test_another_place_another_shape_and_a_bare_wall_leave_it_open() -> None:
    elsewhere = gym(camera_at((-2, -12, 1), (6, -4, 0.5)))
    bare = np.full((720, 1280), 90, np.uint8)
    upright = np.ascontiguousarray(gym(SIDE)[:, 400:805])
    for picture in (elsewhere, bare, upright):
        assert moved_since(KEPT, picture).verdict is Verdict.UNSURE
    assert moved_since(features_of(bare), gym(SIDE)).verdict is Verdict.UNSURE


def faint(camera: Calibration, seed: int, light: float = 1.0) -> Image:
    """The gym in greys of 137 to 162, as a brick wall, with a sensor's noise on top."""
    noise = np.random.default_rng(seed).normal(0, 1.5, (SIZE[1], SIZE[0]))
    return np.asarray(light * (150 + 0.12 * (gym(camera).astype(float) - 120)) + noise, np.uint8)


def test_a_faint_wall_is_known_again() -> None:
    kept = features_of(faint(SIDE, 1))
    for light in (1.0, 0.6):
        assert moved_since(kept, faint(SIDE, 2, light)).verdict is Verdict.STILL
        assert moved_since(kept, faint(turned(0.6, 1), 2, light)).verdict is Verdict.MOVED


def test_whoever_stood_in_the_calibrated_picture_and_walks_about_is_no_move() -> None:
    """With more features than the wall behind: what stays where it was outweighs them."""
    player = np.random.default_rng(8).integers(0, 255, (60, 26), dtype=np.uint8).repeat(10, 0).repeat(10, 1)
    before, after = gym(SIDE), gym(SIDE, seed=9)
    before[100:700, 500:760] = player
    after[100:700, 600:860] = player
    assert moved_since(features_of(before), after).verdict is not Verdict.MOVED


def test_features_must_belong_together() -> None:
    with pytest.raises(ValueError, match=r"as many points \(N, 2\) as marks \(N, 32\), got \(2, 2\) and \(3, 32\)"):
        Features(np.zeros((2, 2)), np.zeros((3, 32), np.uint8), 16 / 9)


@pytest.mark.truth
@pytest.mark.skipif(not clip_names(), reason=f"no reference clips in {TRUTH}")
@pytest.mark.parametrize("name", clip_names())
def test_a_whole_reference_clip_stands_still(name: str) -> None:
    clip = cv2.VideoCapture(str(TRUTH / f"{name}.mp4"))
    _, first = clip.read()
    reference, kept = background_of(first), features_of(first)
    verdicts = []
    while True:
        more, frame = clip.read()
        if not more:
            break
        if len(verdicts) % 15 == 0:
            verdicts.append(bumped(reference, frame).verdict)
            assert moved_since(kept, frame).verdict is not Verdict.MOVED
        else:
            verdicts.append(Verdict.STILL)
    assert Verdict.MOVED not in verdicts
    assert verdicts.count(Verdict.UNSURE) == 0
