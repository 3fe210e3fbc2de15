"""The committed clips are what their sidecars say, as OpenCV reads them."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
TEST_CLIPS = sorted((ROOT / "tests" / "clips").glob("*.mp4"))
DEMO = ROOT / "live" / "demo_clip.mp4"


def read(clip: Path) -> tuple[tuple[int, int], np.ndarray]:
    """Size of the upright picture and the time stamp of every frame, s."""
    capture = cv2.VideoCapture(str(clip))
    times, size = [], (0, 0)
    while True:
        stamp = capture.get(cv2.CAP_PROP_POS_MSEC)
        ok, picture = capture.read()
        if not ok:
            return size, np.array(times)
        times.append(max(stamp, capture.get(cv2.CAP_PROP_POS_MSEC)) / 1000)
        size = (picture.shape[1], picture.shape[0])


def sidecar(clip: Path) -> dict:
    return json.loads(clip.with_suffix(".json").read_text())


@pytest.mark.parametrize("clip", [DEMO, *TEST_CLIPS], ids=lambda p: p.stem)
def test_frames_size_and_times_are_those_of_the_sidecar(clip: Path) -> None:
    truth = sidecar(clip)
    size, times = read(clip)
    assert size == (truth["camera"]["width"], truth["camera"]["height"])
    assert len(times) == truth["frames"]
    expected = np.array(truth.get("t_s", np.arange(truth["frames"]) / truth["fps"]))
    # decoders may report the stamp of the frame just read or of the next one; the steps are the same
    np.testing.assert_allclose(np.diff(times)[:-1], np.diff(expected)[:-1], atol=2e-3)


@pytest.mark.parametrize("clip", TEST_CLIPS, ids=lambda p: p.stem)
def test_every_frame_has_its_truth(clip: Path) -> None:
    truth = sidecar(clip)
    assert np.shape(truth["ball_px"]) == (truth["frames"], 3)
    assert np.shape(truth["joints_px"]) == (truth["frames"], len(truth["joint_names"]), 2)


def test_the_clips_stay_small() -> None:
    assert DEMO.stat().st_size <= 3e6
    assert sum(p.stat().st_size for p in TEST_CLIPS) <= 4e6


def test_the_ball_of_the_sidecar_is_where_the_picture_shows_it() -> None:
    """Orange at the ball's centre and not the orange of a skin or a floor: read at release, against the grey wall."""
    clip = ROOT / "tests" / "clips" / "good_free_throw.mp4"
    truth = sidecar(clip)
    k = round(truth["reps"][0]["events_s"]["t_release"] * truth["fps"]) + 1
    capture = cv2.VideoCapture(str(clip))
    for _ in range(k + 1):
        _, picture = capture.read()
    x, y, radius = truth["ball_px"][k]
    hsv = cv2.cvtColor(picture, cv2.COLOR_BGR2HSV).astype(int)
    ball = (np.abs(hsv[..., 0] - 11) < 8) & (hsv[..., 1] > 150)
    rows, columns = np.nonzero(ball[: int(y + 2 * radius)])
    assert np.hypot(columns.mean() + 0.5 - x, rows.mean() + 0.5 - y) < 0.25 * radius


@pytest.mark.parametrize("clip", [p for p in TEST_CLIPS if sidecar(p)["reps"]], ids=lambda p: p.stem)
def test_the_released_ball_follows_a_parabola_through_the_camera(clip: Path) -> None:
    """Reference: the closed form of free fall, projected by OpenCV instead of the studio's own camera."""
    truth = sidecar(clip)
    camera, rep = truth["camera"], truth["reps"][0]
    stamps = np.array(truth.get("t_s", np.arange(truth["frames"]) / truth["fps"]))
    since = stamps - rep["events_s"]["t_release"]
    in_flight = (since >= 0) & (since < 0.4)
    s = since[in_flight, None]
    start, velocity = (np.array(rep["release"][k]) for k in ("point_m", "velocity_mps"))
    path = start + velocity * s - np.array([0, 0, 9.81 / 2]) * s**2
    r, t, k = (np.array(camera[name]) for name in ("R", "t", "K"))
    expected, _ = cv2.projectPoints(path, cv2.Rodrigues(r)[0], t, k, None)
    np.testing.assert_allclose(np.array(truth["ball_px"])[in_flight, :2], expected[:, 0], atol=0.3)


def test_the_demo_has_two_faults_and_four_sound_reps() -> None:
    """As the script asks: rep 3 set too low, rep 5 arm dropped at once; bounds from the script's own words."""
    reps = [rep["measurements"] for rep in sidecar(DEMO)["reps"]]
    low = [m["set_point_above_eyes_m"] < -0.05 for m in reps]
    short = [m["follow_through_s"] < 0.3 for m in reps]
    assert low == [False, False, True, False, False, False]
    assert short == [False, False, False, False, True, False]
    assert all(m["set_point_above_eyes_m"] > 0.15 for m, bad in zip(reps, low, strict=True) if not bad)
    assert all(m["follow_through_s"] > 0.85 for m, bad in zip(reps, short, strict=True) if not bad)
