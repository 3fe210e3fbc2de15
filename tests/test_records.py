"""Records refuse what cannot be: one case accepted and one refused for each rule."""

from __future__ import annotations

import dataclasses
import pickle
import re

import numpy as np
import pytest

from rimward.live.records import (
    Ball,
    Band,
    Cue,
    Events,
    Finding,
    Frame,
    Measurement,
    Pose,
    Rep,
)
from rimward.live.session_records import SessionSummary
from rimward.live.skeleton import COUNT

EVENTS = Events(0.2, 0.4, 0.6, 0.7, 1.0, 1.1, None)


def pose(points: np.ndarray, visibility=None, depth=None) -> Pose:
    return Pose(
        points, np.ones(COUNT) if visibility is None else visibility, np.zeros(COUNT) if depth is None else depth
    )


def test_a_frame_knows_its_size():
    assert Frame(0, 0.0, np.zeros((4, 6, 3), np.uint8)).size == (6, 4)


@pytest.mark.parametrize("shape", [(4, 6), (4, 6, 4)])
def test_a_frame_is_a_colour_picture(shape):
    with pytest.raises(ValueError, match=r"image must have shape \(n, n, 3\), got " + re.escape(str(shape))):
        Frame(0, 0.0, np.zeros(shape, np.uint8))


@pytest.mark.parametrize("t_s", [np.nan, np.inf])
def test_a_frame_has_a_finite_time(t_s):
    with pytest.raises(ValueError, match="t_s must be a finite number"):
        Frame(0, t_s, np.zeros((4, 6, 3), np.uint8))


def test_a_pose_is_finite_or_no_pose():
    assert pose(np.zeros((COUNT, 2))).landmarks_px.shape == (33, 2)
    broken = np.zeros((COUNT, 2))
    broken[7, 1] = np.nan
    with pytest.raises(ValueError, match="must be finite; drop the pose instead"):
        pose(broken)


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("landmarks_px", (np.zeros((32, 2)), None, None)),
        ("visibility", (np.zeros((COUNT, 2)), np.ones(5), None)),
        ("depth_px", (np.zeros((COUNT, 2)), None, np.zeros(5))),
    ],
)
def test_a_pose_has_all_landmarks(name, arguments):
    with pytest.raises(ValueError, match=f"{name} must have shape"):
        pose(*arguments)


def test_a_ball_has_a_place_and_a_size():
    assert Ball(np.array([3.0, 4.0]), 5.0, 0.9).radius_px == 5.0
    for centre, radius in (([np.nan, 0.0], 5.0), ([0.0, 0.0], 0.0), ([0.0, 0.0], np.nan)):
        with pytest.raises(ValueError, match="finite centre and a radius above 0"):
            Ball(np.array(centre), radius, 0.9)


def test_a_measurement_has_a_value_with_its_error_or_a_reason():
    assert Measurement(1.0, 0.1, "image").reason is None
    assert Measurement.missing("hidden").value is None
    for wrong in ((1.0, None, "image"), (1.0, 0.1, None), (1.0, 0.1, "image", "why")):
        with pytest.raises(ValueError, match="must have sigma and basis, and no reason"):
            Measurement(*wrong)
    for wrong in ((None,), (None, 0.1, None, "why"), (None, None, "image", "why"), (None, None, None, "")):
        with pytest.raises(ValueError, match="without a value must have a reason"):
            Measurement(*wrong)
    for sigma in (0.0, -1.0, np.inf):
        with pytest.raises(ValueError, match="sigma must be above 0"):
            Measurement(1.0, sigma, "image")
    with pytest.raises(ValueError, match="value must be a finite number"):
        Measurement(np.nan, 0.1, "image")


def test_a_band_has_ends_in_order():
    assert Band(0.0, None, "own", "me").high is None
    with pytest.raises(ValueError, match="a low or a high end"):
        Band(None, None, "own", "me")
    with pytest.raises(ValueError, match="low end must be below its high end"):
        Band(2.0, 2.0, "own", "me")


def test_set_comes_before_release():
    with pytest.raises(ValueError, match="set must come before release"):
        dataclasses.replace(EVENTS, set_s=1.0)
    with pytest.raises(ValueError, match="apex_s must be a finite number"):
        dataclasses.replace(EVENTS, apex_s=np.nan)


def test_a_cue_is_one_to_six_words():
    assert Cue("one two three four five six", "x").text
    for text in ("", "   ", "one two three four five six seven"):
        with pytest.raises(ValueError, match="one to six words"):
            Cue(text, "x")


def test_a_rep_counts_from_one_and_its_measurements_cannot_be_changed():
    given = {"hold_s": Measurement(0.1, 0.03, "timing")}
    rep = Rep(1, "right", EVENTS, None, None, given)
    given["hold_s"] = Measurement.missing("changed afterwards")
    assert rep.measurements["hold_s"].value == 0.1
    with pytest.raises(TypeError):
        rep.measurements["hold_s"] = Measurement.missing("no")  # type: ignore[index]
    with pytest.raises(ValueError, match="index must be 1 or more"):
        Rep(0, "right", EVENTS, None, None, {})


def test_a_rep_travels_to_another_process():
    rep = Rep(1, "right", EVENTS, "one_motion", None, {"hold_s": Measurement(0.1, 0.03, "timing")}, cue=Cue("Up", "x"))
    assert pickle.loads(pickle.dumps(rep)) == rep


def test_a_finding_and_a_summary_hold_finite_numbers():
    with pytest.raises(ValueError, match="excess_sigmas must be a finite number"):
        Finding("knee_bend", "above", "knee_min_deg", np.inf)
    with pytest.raises(ValueError, match="must be 0 or more"):
        SessionSummary(frames=-1, dropped=0, duration_s=1.0)
    with pytest.raises(ValueError, match="processing_fps must be a finite number"):
        SessionSummary(frames=1, dropped=0, duration_s=1.0, processing_fps=np.inf)


@pytest.mark.parametrize("record", [EVENTS, Cue("Up", "x"), Measurement.missing("hidden"), Finding("a", "unsure", "b")])
def test_records_do_not_change(record):
    field = dataclasses.fields(record)[0].name
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(record, field, None)
