"""A step that does not end: another judge goes on with the frames, and the one that comes back says nothing more."""

from __future__ import annotations

import threading
from contextlib import nullcontext

import numpy as np
import pytest

from rimward.live.judge import GivenUp, Judge
from rimward.live.loop import Meter, run
from rimward.live.pipeline import Step
from rimward.live.records import Frame, Sighting, View


class Relay:
    """Counts what it was given; does not come back from one frame until it is let go."""

    count = 0

    def __init__(self, stuck_at: int | None = None) -> None:
        self.given: list[int] = []
        self._stuck_at = stuck_at
        self.stuck, self.let_go = threading.Event(), threading.Event()

    def step(self, sighting):
        self.given.append(sighting.frame.index)
        if sighting.frame.index == self._stuck_at:
            self.stuck.set()
            self.let_go.wait(20)
        return Step(View(sighting.frame.t_s, None), gesture=sighting.frame.index)

    def finish(self):
        return Step(View(9.0, None), gesture=-1)


def sightings(number: int):
    picture = np.zeros((2, 2, 3), np.uint8)
    return (Sighting(Frame(k, k / 30, picture), (), 1, 0.0) for k in range(number))


def test_a_fresh_judge_goes_on_with_the_next_frame_and_the_old_one_is_not_heard():
    coming, heard, ends = sightings(6), [], []
    stuck, fresh = Relay(stuck_at=2), Relay()

    def work(judge: Judge) -> None:
        try:
            run(judge.seen(), judge, None, lambda step: heard.append(step.gesture), lambda words: None, Meter())
            ends.append("done")
        except GivenUp:
            ends.append("given up")

    old, new = Judge(stuck, coming, nullcontext), Judge(fresh, coming, nullcontext)
    thread = threading.Thread(target=work, args=(old,))
    thread.start()
    assert stuck.stuck.wait(20)
    old.given_up = True
    work(new)
    stuck.let_go.set()
    thread.join(20)
    assert ends == ["done", "given up"]
    assert (stuck.given, fresh.given) == ([0, 1, 2], [3, 4, 5])
    assert heard == [0, 1, 3, 4, 5, -1]


@pytest.mark.parametrize("ask", [lambda judge: judge.finish(), lambda judge: next(judge.seen())])
def test_who_is_given_up_takes_no_frame_and_ends_nothing(ask):
    coming = sightings(1)
    judge = Judge(Relay(), coming, nullcontext)
    judge.given_up = True
    with pytest.raises(GivenUp):
        ask(judge)
    assert next(coming).frame.index == 0


def test_the_last_shot_is_read_under_watch():
    inside = []

    class Watch:
        def __enter__(self):
            inside.append("in")

        def __exit__(self, *_error):
            inside.append("out")

    judge = Judge(Relay(), sightings(0), Watch)
    assert judge.finish().gesture == -1
    assert inside == ["in", "out"]
