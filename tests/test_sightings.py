"""The network ahead of the judge: order, the number of people asked for, troubles, failures, the end."""

from __future__ import annotations

import itertools
import threading

import numpy as np
import pytest
from builders import film, play, stand

from rimward.live.errors import PoseModelError
from rimward.live.records import Frame, Sighting, SourceTrouble
from rimward.live.sightings import sightings

POSE = film(play([stand(0.1)]))[0].pose


def frames(number: int) -> list[Frame]:
    return [Frame(k, k / 30, np.zeros((2, 2, 3), np.uint8)) for k in range(number)]


class Network:
    """Sees one person in every frame; keeps what it was asked for."""

    def __init__(self, fails_at: int | None = None) -> None:
        self.asked: list[tuple[int, int]] = []
        self._fails_at = fails_at

    def estimate(self, frame, people):
        if frame.index == self._fails_at:
            raise RuntimeError("no network")
        self.asked.append((frame.index, people))
        return (POSE,)

    def close(self):
        pass


@pytest.mark.parametrize("ahead", [1, 10])
def test_every_frame_comes_once_and_in_order(ahead):
    network = Network()
    seen = list(sightings(frames(40), network, lambda: 1, ahead))
    assert [sighting.frame.index for sighting in seen] == list(range(40))
    assert all(sighting.people == (POSE,) and sighting.people_asked == 1 for sighting in seen)
    assert all(sighting.looked_s >= 0 for sighting in seen)


def test_what_is_asked_for_is_the_same_however_fast_consumer_and_network_are():
    """The answer that is given when a frame is taken serves the frame after it, and no other."""
    answers = itertools.cycle([2, 1, 1, 2, 2])
    given = list(itertools.islice(itertools.cycle([2, 1, 1, 2, 2]), 100))
    network = Network()
    for sighting in sightings(frames(100), network, lambda: next(answers)):
        if sighting.frame.index % 7 == 0:
            threading.Event().wait(0.002)
    assert network.asked == list(enumerate(given))


def test_the_network_does_not_run_farther_ahead_than_allowed():
    network, looked = Network(), []
    seen = sightings(frames(50), network, lambda: 1, 5)
    for taken in range(50):
        next(seen)
        threading.Event().wait(0.005)
        looked.append(len(network.asked) - taken - 1)
    assert max(looked) == 5


def test_a_trouble_passes_through_in_its_place():
    trouble = SourceTrouble(0.05, "The camera is unplugged")
    items = [*frames(2), trouble, *frames(3)[2:]]
    seen = list(sightings(items, Network(), lambda: 1))
    assert seen[2] is trouble
    assert [item.frame.index for item in seen if isinstance(item, Sighting)] == [0, 1, 2]


def test_what_fails_in_the_network_is_raised_after_the_frames_before_it():
    seen = sightings(frames(5), Network(fails_at=3), lambda: 1, 10)
    assert [next(seen).frame.index for _ in range(3)] == [0, 1, 2]
    with pytest.raises(RuntimeError, match="no network"):
        next(seen)


def test_what_fails_in_the_source_is_raised():
    def broken():
        yield from frames(1)
        raise OSError("gone")

    seen = sightings(broken(), Network(), lambda: 1)
    next(seen)
    with pytest.raises(OSError, match="gone"):
        next(seen)


def test_a_consumer_that_leaves_ends_the_thread():
    before = threading.active_count()
    seen = sightings((Frame(k, k / 30, np.zeros((2, 2, 3), np.uint8)) for k in itertools.count()), Network(), lambda: 1)
    next(seen)
    seen.close()
    for _ in range(200):
        if threading.active_count() <= before:
            break
        threading.Event().wait(0.01)
    assert threading.active_count() <= before


# ------------------------------------------------------------------------------------------------- networks that fail
def test_a_network_that_fails_is_replaced_and_one_frame_is_lost():
    seen = list(sightings(frames(6), Network(fails_at=2), lambda: 1, renew=Network))
    assert [type(item) for item in seen] == [Sighting, Sighting, SourceTrouble, Sighting, Sighting, Sighting]
    assert seen[2].t_s == pytest.approx(2 / 30)
    assert seen[2].message == "Starting the pose network anew: no network"
    assert [item.frame.index for item in seen if isinstance(item, Sighting)] == [0, 1, 3, 4, 5]


def test_a_network_that_fails_again_and_again_ends_it():
    class Broken(Network):
        def estimate(self, frame, people):
            raise RuntimeError("never again")

    seen = sightings(frames(30), Broken(), lambda: 1, renew=Broken)
    assert [next(seen).message for _ in range(3)] == ["Starting the pose network anew: never again"] * 3
    with pytest.raises(RuntimeError, match="never again"):
        next(seen)


class Stuck(Network):
    """Does not come back from its third frame until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.let_go = threading.Event()

    def estimate(self, frame, people):
        if frame.index == 2:
            self.let_go.wait()
        return super().estimate(frame, people)


def test_a_network_that_does_not_come_back_is_replaced_and_what_it_says_later_is_not_heard():
    stuck = Stuck()
    seen = []
    for item in sightings(frames(8), stuck, lambda: 1, renew=Network, stuck_s=0.2):
        seen.append(item)
        if isinstance(item, SourceTrouble):
            stuck.let_go.set()
            threading.Event().wait(0.05)
    assert "has not come back for 0.2 s" in seen[2].message
    assert [item.frame.index for item in seen if isinstance(item, Sighting)] == [0, 1, 3, 4, 5, 6, 7]


def test_without_another_network_a_stuck_one_is_named():
    stuck = Stuck()
    seen = sightings(frames(8), stuck, lambda: 1, stuck_s=0.2)
    next(seen), next(seen)
    with pytest.raises(PoseModelError, match=r"must see a frame in a moment, it has not come back for 0.2 s"):
        next(seen)
    stuck.let_go.set()


def test_a_source_that_fails_is_not_blamed_on_the_network():
    def broken():
        yield from frames(2)
        raise OSError("gone")

    seen = sightings(broken(), Network(), lambda: 1, renew=Network)
    next(seen), next(seen)
    with pytest.raises(OSError, match="gone"):
        next(seen)
