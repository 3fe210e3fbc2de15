"""From where the camera sees a shooter: on any spot of the court, told by the spot, the hoop and the camera."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from calibration_scenes import camera_at

from rimward.live import review
from rimward.live.batch import ReadClip, ReadRep, Work
from rimward.live.lifting import POINTS
from rimward.live.records import Events, Rep
from rimward.live.session_records import SessionSummary
from rimward.live.settings import load_settings
from rimward.live.skeleton import COUNT
from rimward.live.store import open_store
from rimward.live.trace import Space, Trace
from rimward.live.traces import packed
from rimward.live.viewpoint import commonest, viewpoint

FREE_THROW, CORNER = (0.0, -4.191), (6.7, 0.0)


def shot_from(spot: tuple[float, float]) -> Trace:
    """A body that stands there while it shoots, and hops half a metre to the side for an instant."""
    points = np.tile(np.array([*spot, 1.0]), (5, len(POINTS), 1))
    points[4, :, 0] += 0.5
    return Trace(
        size=(1280, 720),
        px_per_m=150.0,
        frames=np.arange(5),
        t_s=np.arange(5) / 30,
        landmarks_px=np.zeros((5, COUNT, 2)),
        trust=np.ones((5, COUNT)),
        ball_px=np.full((5, 3), np.nan),
        space=Space(np.arange(5) / 30, points, np.full_like(points, 0.02)),
    )


@pytest.mark.parametrize("spot", [FREE_THROW, CORNER])
@pytest.mark.parametrize("turned", [-1, 1])
@pytest.mark.parametrize(
    ("bearing_deg", "view"),
    [(0, "front"), (20, "front"), (45, "half front"), (75, "side"), (90, "side"), (105, "side"), (180, "behind")],
)
def test_the_view_is_told_by_spot_hoop_and_camera(spot, turned, bearing_deg, view):
    """Bearings as in tests/studio/camera.py: from the direction of the hoop to that of the camera, either way round."""
    along = np.arctan2(-spot[0], -spot[1]) + turned * np.radians(bearing_deg)
    camera = np.array(spot) + 3.7 * np.array([np.sin(along), np.cos(along)])
    assert viewpoint(camera_at((*camera, 1.0), (*spot, 1.2)), shot_from(spot)) == view


def test_the_camera_need_not_look_straight_at_the_player():
    camera = camera_at((3.7, -4.191, 1.0), (0.0, -2.0, 1.8))  # turned toward the hoop, so that the ring is seen
    assert viewpoint(camera, shot_from(FREE_THROW)) == "side"


def test_a_shot_that_was_not_solved_in_space_has_no_view():
    assert viewpoint(camera_at((3.7, -4.191, 1.0), (0.0, -4.191, 1.2)), replace(shot_from(CORNER), space=None)) is None


def test_a_session_has_the_view_of_most_of_its_shots():
    assert commonest([]) is None
    assert commonest([None, None]) is None
    assert commonest([None, "side", "front", "front", None]) == "front"
    assert commonest(["side", "front"]) == "side"


def test_a_reviewed_clip_is_saved_with_its_view(tmp_path, monkeypatch):
    camera = camera_at((3.7, -4.191, 1.0), (0.0, -4.191, 1.2))
    events = Events(None, None, None, 1.0, 2.0, None, None)
    spots = (CORNER, FREE_THROW, FREE_THROW)
    reps = tuple(
        ReadRep(Rep(k, "right", events, None, None, {}), packed(shot_from(spot)), {}) for k, spot in enumerate(spots, 1)
    )
    clip = ReadClip(tmp_path / "a.mp4", "key", reps, SessionSummary(90, 0, 3.0), ())
    monkeypatch.setattr(review, "read_clips", lambda *asked: [clip])
    with closing(open_store(tmp_path / "data")) as store:
        work = Work(load_settings(), tmp_path, camera)
        (done,) = review.analysed([clip.path], work, store, 1, print, json=False)
        assert store.session(done.session_id).start.view == "side"
