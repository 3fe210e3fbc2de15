"""The loop on scripted parts: every rep is handed over once, troubles are said and shown, numbers add up."""

from __future__ import annotations

import numpy as np
import pytest
from builders import Form, ScriptedPose, film, filmed, play, reps_of, shot, stand

from rimward.live import loop
from rimward.live.pipeline import Pipeline
from rimward.live.records import Frame, Sighting, SourceTrouble
from rimward.live.sightings import sightings


class Screen:
    """Keeps what it is shown."""

    def __init__(self) -> None:
        self.views = []

    def show(self, view) -> None:
        self.views.append(view)


@pytest.fixture(scope="module")
def two_shots():
    frames, estimator = filmed(film(play(reps_of([Form(), Form()]))))
    return frames, estimator


def run(items, estimator, shipped, words, screen=None, meter=None):
    reps, said = [], []
    meter = meter or loop.Meter()
    pipeline = Pipeline(shipped, words, "Sam")
    seen = sightings(items, estimator, pipeline.people_to_ask)
    loop.run(seen, pipeline, screen, reps.append, said.append, meter)
    return reps, said, meter


def test_every_rep_is_handed_over_once_and_in_order(two_shots, shipped, words):
    frames, estimator = two_shots
    screen = Screen()
    steps, said, meter = run(frames, estimator, shipped, words, screen)
    assert [step.rep.index for step in steps] == [1, 2]
    assert all(step.feedback is not None for step in steps)
    assert said == []
    assert [view.t_s for view in screen.views] == [frame.t_s for frame in frames]
    assert screen.views[-1].count == 2
    summary = meter.summary(dropped=3)
    assert (summary.frames, summary.dropped) == (len(frames), 3)
    assert summary.duration_s == pytest.approx(frames[-1].t_s - frames[0].t_s)
    assert summary.processing_fps > 0
    assert 0 < summary.latency_p50_ms <= summary.latency_p95_ms


def test_a_shot_in_its_follow_through_when_the_frames_end_is_handed_over(shipped, words):
    take = play([stand(1), shot(), stand(1, ball=False)])
    frames, estimator = filmed([o for o in film(take) if o.t_s < take.instants[0]["release_s"] + 0.4])
    steps, _, _ = run(frames, estimator, shipped, words)
    assert [step.rep.index for step in steps] == [1]


def test_a_trouble_is_said_and_shown_and_work_goes_on(two_shots, shipped, words):
    frames, estimator = two_shots
    trouble = SourceTrouble(1.0, "The camera is unplugged")
    screen = Screen()
    steps, said, _ = run([*frames[:30], trouble, *frames[30:]], estimator, shipped, words, screen)
    assert said == ["The camera is unplugged"]
    shown = screen.views[30]
    assert (shown.status, shown.trouble, shown.image) == ("The camera is unplugged", True, None)
    assert shown.title == screen.views[29].title == "Sam"
    assert len(steps) == 2


def test_no_frames_no_numbers(shipped, words):
    steps, _, meter = run([], ScriptedPose({}), shipped, words)
    assert steps == []
    summary = meter.summary()
    assert (summary.frames, summary.duration_s, summary.processing_fps, summary.latency_p50_ms) == (0, 0.0, None, None)


def test_a_live_frame_ages_from_its_grab():
    now_s = 10.0
    meter = loop.Meter(source_now_s=lambda: now_s)
    for k in range(20):
        meter.begin()
        meter.end(Sighting(Frame(k, 9.96 - k / 1000, np.zeros((2, 2, 3), np.uint8)), (), 1))
    assert meter.summary().latency_p50_ms == pytest.approx(49.5, abs=0.01)
    assert meter.summary().latency_p95_ms == pytest.approx(58.05, abs=0.01)


def test_an_error_in_a_step_is_not_swallowed(two_shots, shipped, words):
    class Broken:
        def estimate(self, frame, people):
            raise RuntimeError("no network")

        def close(self):
            pass

    with pytest.raises(RuntimeError, match="no network"):
        run(two_shots[0][:2], Broken(), shipped, words)
