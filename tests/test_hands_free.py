"""Arm signals and pauses through the whole middle: what they do to the count, and what a pause lets through."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from builders import Form, View, film, filmed, joined, play, pose_of, reps_of, stand
from figure import DOWN, LOW, OUT, UP, WIDE, figure

from rimward.live.body import middle, stature_px
from rimward.live.gestures import Gesture
from rimward.live.pipeline import Pipeline
from rimward.live.records import Observation, Pose
from rimward.live.sightings import sightings

VIEW = View()
GOOD = Form(knee_deg=115.0, elbow_at_set_deg=85.0, set_above_eyes_m=0.12, follow_through_s=1.0, elbow_at_end_deg=172.0)
STANDING = film(play([stand(0.1)]), VIEW)[0].pose


def there(pose: Pose) -> Pose:
    """The figure where the shooter of the stories stands, and as large."""
    scale = stature_px(STANDING) / stature_px(pose)
    return pose_of((pose.landmarks_px - middle(pose, "hip")) * scale + middle(STANDING, "hip"))


def shown(seconds: float, pose: Pose) -> list[Observation]:
    return [Observation(k, k / 30, there(pose), None) for k in range(round(30 * seconds))]


def signalled(left: float, right: float) -> list[Observation]:
    return list(joined(shown(0.6, LOW), shown(2.0, figure(left, right)), shown(0.6, LOW)))


def shots(count: int) -> list[Observation]:
    return film(play(reps_of([GOOD] * count), GOOD), VIEW)


def watched(pipeline: Pipeline, *stories: list[Observation]):
    frames, estimator = filmed(list(joined(*stories)), VIEW)
    return [pipeline.step(sighting) for sighting in sightings(frames, estimator, pipeline.people_to_ask)]


def test_a_signal_comes_out_once_with_progress_before_it(shipped, words) -> None:
    pipeline = Pipeline(shipped, words)
    steps = watched(pipeline, shots(1), signalled(OUT, UP))
    assert [step.gesture for step in steps if step.gesture] == [Gesture.DISCARD]
    when = next(k for k, step in enumerate(steps) if step.gesture)
    assert steps[when - 1].view.progress > 0.9
    assert steps[when - 1].view.prompt
    assert steps[when].eventful
    assert pipeline.count == 1  # what to do about it is the session's


def test_no_shot_of_a_story_holds_a_signal(shipped, words) -> None:
    steps = watched(Pipeline(shipped, words), shots(3))
    assert [step.gesture for step in steps if step.gesture] == []
    assert all(step.view.progress is None for step in steps)


def test_paused_by_signal_nothing_counts_until_the_same_signal(shipped, words) -> None:
    pipeline = Pipeline(shipped, words)
    pause = signalled(WIDE, WIDE)
    steps = watched(pipeline, shots(1), pause, shots(2), pause, shots(1))
    assert [step.gesture for step in steps if step.gesture] == [Gesture.PAUSE, Gesture.PAUSE]
    assert [step.rep.index for step in steps if step.rep] == [1, 2]
    assert pipeline.count == 2
    away = [k for k, step in enumerate(steps) if step.gesture]
    between = steps[away[0] + 1 : away[1]]
    assert all(step.view.prompt and step.view.pose is not None for step in between if not step.view.trouble)


def test_what_answers_a_key_or_the_arms_is_known_as_an_answer(shipped, words) -> None:
    """Other words that take the big place wait for it (outputs.py)."""
    pipeline = Pipeline(shipped, words)
    views = [step.view for step in watched(pipeline, shots(1), signalled(WIDE, WIDE))]
    answers = [view for view in views if view.prompt]
    assert any(view.progress for view in answers)  # the signal while it is held
    assert views[-1].prompt == "Paused. Both arms up wide: go on"
    pipeline.toggle_pause()
    pipeline.judge_last("made")
    for later_s, words_then in ((0.1, "Rep 1: made"), (9.0, "")):
        (step,) = watched(pipeline, [replace(shown(0.1, LOW)[0], t_s=views[-1].t_s + later_s)])
        assert step.view.prompt == words_then
        views.append(step.view)
    assert all(view.answers == bool(view.prompt) for view in views)


def test_a_shot_in_its_follow_through_counts_when_a_pause_begins(shipped, words) -> None:
    pipeline = Pipeline(shipped, words)
    seen = shots(1)
    steps = watched(pipeline, seen)
    first = next(k for k, step in enumerate(steps) if step.view.phase == "follow_through")
    again = Pipeline(shipped, words)
    begun = watched(again, seen[: first + 3])
    assert not any(step.rep for step in begun)
    again.toggle_pause()
    after = watched(again, seen[: first + 3], shown(0.2, LOW))  # times go on from the second copy's end
    assert sum(step.rep is not None for step in after) == 1


def test_makes_are_counted_only_where_somebody_said_so(shipped, words) -> None:
    pipeline = Pipeline(shipped, words)
    assert pipeline.judge_last("made") is None
    watched(pipeline, shots(1))
    assert pipeline.judge_last("missed") == 1
    assert pipeline.judge_last("made") == 1  # the last word counts
    (last,) = watched(pipeline, [replace(shown(0.1, LOW)[0], t_s=60.0)])
    assert last.view.tally == "made 1 of 1 known"
    pipeline.discard_last()
    (last,) = watched(pipeline, [replace(shown(0.1, LOW)[0], t_s=61.0)])
    assert last.view.tally == ""


def test_down_is_down() -> None:
    """The figure of these tests stands where the stories' shooter stands."""
    assert np.allclose(middle(there(figure(DOWN, DOWN)), "hip"), middle(STANDING, "hip"))
