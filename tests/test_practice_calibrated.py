"""A shot with the camera's place known, through the real network: what no picture alone can give."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rimward.calibration.record import Calibration
from rimward.live import measure
from rimward.live.assets import joint_network
from rimward.live.clip import open_clip
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import Pipeline
from rimward.live.records import Rep, Sighting
from rimward.live.settings import load_settings
from rimward.live.sightings import sightings

CLIP = Path(__file__).parent / "clips" / "good_free_throw.mp4"


def true_camera() -> Calibration:
    """The camera that the clip was rendered with, known exactly."""
    camera = json.loads(CLIP.with_suffix(".json").read_text("utf-8"))["camera"]
    turn, _, back = np.linalg.svd(np.array(camera["R"], float))  # the sidecar is rounded
    return Calibration(
        image_size=(camera["width"], camera["height"]),
        camera_matrix=np.array(camera["K"], float),
        distortion=np.zeros(5),
        R=turn @ back,
        t=np.array(camera["t"], float),
        rms_px=0.0,
        covariance=np.zeros((7, 7)),
        sigma_position_m=0.0,
        sigma_direction_deg=0.0,
        method="marks",
        lens="known",
    )


def shot(pose_bundle: Path, words, calibration: Calibration | None, moved: bool = False) -> Rep:
    """The clip's one rep."""
    player = {"player": {"hand": "right", "stature_m": 1.88}}
    network, clip = MediapipePose(pose_bundle), open_clip(CLIP)
    pipeline = Pipeline(load_settings(None, player), words, calibration=calibration, joints=joint_network())
    reps = []
    for sighting in sightings(clip, network, pipeline.people_to_ask):
        assert isinstance(sighting, Sighting)
        if moved and sighting.frame.index == 5:
            pipeline.camera_moved(sighting.frame.t_s)
        reps.append(pipeline.step(sighting).rep)
    last = pipeline.finish()
    reps.append(None if last is None else last.rep)
    clip.close()
    network.close()
    (rep,) = [rep for rep in reps if rep is not None]
    return rep


@pytest.mark.network
def test_what_needs_the_hoop_comes_with_a_calibration_and_only_while_it_holds(pose_bundle: Path, words) -> None:
    truth = json.loads(CLIP.with_suffix(".json").read_text("utf-8"))["reps"][0]["measurements"]
    with_camera = shot(pose_bundle, words, true_camera()).measurements
    given = [name for name in measure.ONLY_IN_SPACE if with_camera[name].value is not None]
    assert {"wrist_offset_at_set_m", "foot_stagger_m", "drift_forward_m"} <= set(given)
    for name in ("hips_heading_deg", "wrist_offset_at_set_m", "drift_forward_m", "foot_stagger_m"):
        measured = with_camera[name]
        assert measured.value is not None
        assert measured.sigma is not None
        assert measured.basis == "lifted"
        assert abs(measured.value - truth[name]) < 3 * measured.sigma
    standing = replace(true_camera(), method="standing")
    for without, why in (
        (shot(pose_bundle, words, None), "run rimward calibrate"),
        (shot(pose_bundle, words, true_camera(), moved=True), "the camera was moved after the calibration"),
        (shot(pose_bundle, words, standing), "does not tell where the hoop is"),
    ):
        assert all(without.measurements[name].value is None for name in measure.ONLY_IN_SPACE)
        assert all(why in (without.measurements[name].reason or "") for name in measure.ONLY_IN_SPACE)


@pytest.mark.network
@pytest.mark.parametrize("calibration", [None, true_camera()], ids=["in the picture", "in space"])
def test_the_instants_are_those_at_which_the_values_are_read(pose_bundle: Path, words, calibration) -> None:
    """Reference: the interface's definitions. `peak` is within 0.05 s of the highest mid-hip, null when not seen."""
    rep = shot(pose_bundle, words, calibration)
    lasted, rise = (rep.measurements[name].value for name in ("set_to_release_s", "release_before_apex_s"))
    assert rep.events.release_s - rep.events.set_s == pytest.approx(lasted, abs=1.5 / 30)
    if rise is None:
        assert (rep.events.apex_s, rep.release_phase) == (None, None)
    else:
        assert rep.events.apex_s - rep.events.release_s == pytest.approx(rise, abs=1.5 / 30)
        assert rep.release_phase == ("peak" if abs(rise) <= 0.05 else "rising" if rise > 0 else "falling")
