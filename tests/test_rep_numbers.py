"""Which number is said of a rep: the one that stands large on the screen."""

from __future__ import annotations

from builders import filmed, joined
from test_hands_free import LOW, shots, shown, watched

from rimward.live.pipeline import Pipeline
from rimward.live.relay import Relay, Turn
from rimward.live.sightings import sightings


def answered(pipeline: Pipeline, last_s: float) -> str:
    """What stands in the big place just after a key."""
    (step,) = watched(pipeline, [after for after in shown(last_s + 0.1, LOW) if after.t_s > last_s][:1])
    return step.view.prompt


def test_after_two_reps_were_taken_out_the_next_one_is_the_first(shipped, words) -> None:
    pipeline = Pipeline(shipped, words)
    first = shots(2)
    watched(pipeline, first)
    assert pipeline.discard_last() == 2
    assert answered(pipeline, first[-1].t_s) == "Rep 2 taken out"
    assert pipeline.discard_last() == 1
    steps = watched(pipeline, first, shots(1))  # what was seen before is not later, and only shown
    assert [step.rep.index for step in steps if step.rep] == [3]
    assert steps[-1].view.count == 1
    last_s = steps[-1].view.t_s
    assert pipeline.judge_last("made") == 3  # as it is saved
    assert answered(pipeline, last_s) == "Rep 1: made"
    assert pipeline.judge_last("missed") == 3
    assert answered(pipeline, last_s + 0.1) == "Rep 1: missed"
    assert pipeline.call_last_good() == 3
    assert answered(pipeline, last_s + 0.2) == "Rep 1: good"
    assert pipeline.discard_last() == 3
    assert answered(pipeline, last_s + 0.3) == "Rep 1 taken out"


def test_a_clip_that_is_held_can_be_shown_again_as_a_key_left_it(shipped, words) -> None:
    """No frame comes meanwhile."""
    pipeline = Pipeline(shipped, words)
    relay = Relay([Turn("Ada", pipeline)], words)
    assert relay.seen_again() is None
    frames, estimator = filmed(list(joined(shots(2))))
    for sighting in sightings(frames, estimator, relay.people_to_ask):
        step = relay.step(sighting)
    assert step.view.count == 2
    pipeline.discard_last()
    again = relay.seen_again()
    assert again is not None
    assert (again.count, again.prompt, again.t_s) == (1, "Rep 2 taken out", step.view.t_s)
    assert again.image is step.view.image
