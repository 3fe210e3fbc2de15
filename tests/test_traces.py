"""What is kept of a rep for a later look: the shot of a story through pipeline-like reading, packed and unpacked."""

from __future__ import annotations

import zipfile
from dataclasses import replace

import numpy as np
import pytest
from builders import Form, View, film, mirrored, play, shot, shots_in, stand
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.errors import StoreError
from rimward.live.rep_files import files_of, rep_file
from rimward.live.reps import Reading
from rimward.live.skeleton import COUNT, INDEX
from rimward.live.trace import LEAD_S, Space, Trace, trace_of
from rimward.live.traces import content_digest, load_trace, note_film, noted_film, packed, save_trace, unpacked

VIEW = View()
SESSION = "5d2f6c1e-93a1-4b77-8f0e-2f1f6f3f9a10"


@pytest.fixture(scope="module")
def seen():
    return film(play([stand(1.0), shot(Form(elbow_at_set_deg=75.0)), stand(0.5)]))


@pytest.fixture(scope="module")
def reading(seen, shipped) -> Reading:
    (found,) = shots_in(seen, shipped.phases)
    assert isinstance(found, Reading)
    return found


@pytest.fixture(scope="module")
def trace(seen, reading) -> Trace:
    return trace_of(reading, seen, VIEW.px_per_m, VIEW.size, None)


def test_a_trace_holds_the_shot_and_a_little_before(trace, reading, seen):
    events = reading.events
    assert trace.t_s[0] <= events.pickup_s - LEAD_S + 0.05 or trace.t_s[0] == seen[0].t_s
    assert trace.t_s[-1] == seen[-1].t_s
    first = trace.frames[0]
    assert seen[first].t_s == trace.t_s[0]
    assert list(np.diff(trace.frames)) == [1] * (len(trace.frames) - 1)


def test_a_trace_shows_what_was_seen(trace, seen):
    for k in (0, len(trace.t_s) // 2, len(trace.t_s) - 1):
        one = seen[trace.frames[k]]
        assert trace.pose(k).landmarks_px == pytest.approx(one.pose.landmarks_px)
        assert (trace.ball(k) is None) == (one.ball is None)
        if one.ball is not None:
            assert trace.ball(k).centre_px == pytest.approx(one.ball.centre_px)


def test_a_trace_measures_as_the_reading_did(trace, reading):
    """The same filter over a shorter window: alike where anything is measured."""
    joints = ("right_shoulder", "right_elbow", "right_wrist")
    again, before = trace.track().smoothed(), reading.smooth
    at_set = reading.events.set_s
    assert again.angle_deg(*joints)[again.at(at_set)] == pytest.approx(
        before.angle_deg(*joints)[before.at(at_set)], abs=0.5
    )


def test_exchanged_arms_are_put_back(seen, shipped):
    """As the reading sees them: a swap in a few frames is gone in the trace."""
    swapped = list(seen)
    middle = len(seen) // 2
    for k in range(middle - 3, middle + 3):
        swapped[k] = mirrored([seen[k]], VIEW.size[0])[0]
    (found,) = shots_in(seen, shipped.phases)
    assert isinstance(found, Reading)
    kept = trace_of(found, seen, VIEW.px_per_m, VIEW.size, None)
    wrist = kept.landmarks_px[:, INDEX["right_wrist"]]
    assert np.abs(np.diff(wrist, axis=0)).max() < 60


def test_packing_keeps_a_tenth_of_a_pixel_and_what_was_not_seen(trace):
    points = trace.landmarks_px.copy()
    points[3] = np.nan
    full = replace(trace, px_per_m=231.7, landmarks_px=points, film="/films/Übung 1 ☀.mp4", counted=True)
    space = Space(np.array([0.1, 0.2]), np.full((2, 19, 3), -4.191), np.full((2, 19, 3), 0.02))
    full = replace(full, space=space)
    again = unpacked(packed(full))
    assert again.size == full.size
    assert again.px_per_m == full.px_per_m
    assert (again.frames == full.frames).all()
    assert (again.t_s == full.t_s).all()
    assert again.landmarks_px == pytest.approx(points, abs=0.05, nan_ok=True)
    assert again.pose(3) is None
    assert again.ball_px == pytest.approx(trace.ball_px, abs=0.05, nan_ok=True)
    assert again.trust == pytest.approx(trace.trust, abs=0.003)
    assert (again.film, again.counted) == (full.film, True)
    assert again.space is not None
    assert again.space.names == space.names
    assert again.space.points_m == pytest.approx(space.points_m, abs=3e-4)
    assert again.space.sigma_m == pytest.approx(space.sigma_m, abs=3e-4)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=2))
def test_landmarks_far_outside_stay_finite(place):
    points = np.full((1, COUNT, 2), 100.0)
    points[0, 0] = place
    one = Trace((1280, 720), 200.0, np.zeros(1, int), np.zeros(1), points, np.ones((1, COUNT)), np.full((1, 3), np.nan))
    again = unpacked(packed(one))
    assert np.isfinite(again.landmarks_px).all()
    inside = np.abs(np.array(place)) < 2500
    assert again.landmarks_px[0, 0][inside] == pytest.approx(np.array(place)[inside], abs=0.05)


def test_a_trace_is_kept_beside_the_database(trace, tmp_path):
    path = save_trace(tmp_path, SESSION, 3, trace)
    assert list(files_of(tmp_path, SESSION)) == [path]
    assert list(path.parent.iterdir()) == [path]
    again = load_trace(tmp_path, SESSION, 3)
    assert again is not None
    assert (again.t_s == trace.t_s).all()
    assert load_trace(tmp_path, SESSION, 4) is None


def test_a_season_of_traces_is_small(trace):
    """10,000 reps at 30 frames a second under 400 MB: what a laptop does not feel."""
    assert len(packed(trace)) < 40_000


@pytest.mark.parametrize("damage", [b"", b"no zip", b"PK\x03\x04 torn"])
def test_a_damaged_trace_is_said_in_one_line(damage, tmp_path):
    path = rep_file(tmp_path, SESSION, 1, "trace", "npz")
    path.parent.mkdir(parents=True)
    path.write_bytes(damage)
    with pytest.raises(
        StoreError, match=r"0001_trace.npz must be a trace that rimward kept, it cannot be read"
    ) as caught:
        load_trace(tmp_path, SESSION, 1)
    assert "\n" not in str(caught.value)


def test_a_trace_of_pickles_is_refused(tmp_path):
    """A file from somebody else must not run anything: .npz files may hold pickles (NumPy's documentation)."""
    path = rep_file(tmp_path, SESSION, 1, "trace", "npz")
    path.parent.mkdir(parents=True)
    np.savez(path, schema=np.array([{"a": 1}], dtype=object))
    assert zipfile.is_zipfile(path)
    with pytest.raises(StoreError, match="cannot be read"):
        load_trace(tmp_path, SESSION, 1)


def test_a_trace_of_a_newer_program(trace, tmp_path):
    path = save_trace(tmp_path, SESSION, 1, trace)
    with np.load(path) as file:
        arrays = dict(file)
    np.savez(path, **(arrays | {"schema": np.array(99)}))
    with pytest.raises(StoreError, match="version 99 is newer"):
        load_trace(tmp_path, SESSION, 1)


def test_a_folder_that_cannot_be_written(trace, tmp_path):
    (tmp_path / "media").write_text("in the way")
    with pytest.raises(StoreError, match="must be written, it cannot"):
        save_trace(tmp_path, SESSION, 1, trace)


def test_a_film_that_was_moved(tmp_path):
    """The new place is remembered, unless the film still is where it was; no backup and no other laptop gets it."""
    assert noted_film(tmp_path, SESSION) == ""
    for name in ("old Übung.mp4", "new.mp4"):
        note_film(tmp_path, SESSION, tmp_path / name)
        assert noted_film(tmp_path, SESSION) == str(tmp_path / name)
    (tmp_path / "new.mp4").write_bytes(b"x")
    note_film(tmp_path, SESSION, tmp_path / "other.mp4")
    assert noted_film(tmp_path, SESSION) == str(tmp_path / "new.mp4")
    assert list(files_of(tmp_path, SESSION)) == []


def test_the_digest_of_a_film(tmp_path):
    """SHA-256 of "abc": FIPS 180-2, appendix B.1."""
    clip = tmp_path / "Übung 1 ☀.mp4"
    clip.write_bytes(b"abc")
    assert content_digest(clip) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
