"""The time of a rep: stops, alignment at the release, the playhead. Reference: the scripted times themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.records import Events
from rimward.live.timeline import Playhead, key_instant_s, nearest, partner, stops

T = np.arange(0.0, 3.0, 1 / 30)
EVENTS = Events(pickup_s=0.5, dip_s=0.9, knee_min_s=None, set_s=1.2, release_s=1.4, apex_s=None, landing_s=5.0)


def test_stops_are_the_frames_of_the_instants_that_were_seen():
    assert stops(EVENTS, T) == {"pickup": 15, "dip": 27, "set": 36, "release": 42}


def test_instants_of_the_key_pictures():
    assert [key_instant_s(EVENTS, name) for name in ("set", "release", "follow_through")] == [1.2, 1.4, 1.7]


@given(st.integers(0, 89), st.floats(0.3, 2.5), st.sampled_from([15.0, 24.0, 30.0, 60.0]))
def test_two_reps_meet_at_the_release(k, release_s, rate_hz):
    """The partner of any frame is as long before the release as can be told from its own frames."""
    other = np.arange(0.0, 3.0, 1 / rate_hz)
    found = partner(T, EVENTS.release_s, k, other, release_s)
    wanted_s = release_s + T[k] - EVENTS.release_s
    if found is None:
        assert wanted_s < other[0] or wanted_s > other[-1]
    else:
        assert abs(other[found] - wanted_s) <= 0.5 / rate_hz + 1e-9


def test_the_playhead_steps_through_every_frame_and_stops_at_the_ends():
    head = Playhead(float(T[40]))
    shown = [(head := head.stepped(T, -1)).sample(T) for _ in range(45)]
    assert shown == [*range(39, -1, -1), *[0] * 5]
    head = Playhead(float(T[-3]))
    shown = [(head := head.stepped(T, 1)).sample(T) for _ in range(4)]
    assert shown == [88, 89, 89, 89]


def test_frames_of_a_variable_rate_are_stepped_one_by_one():
    uneven = np.array([0.0, 0.03, 0.2, 0.21, 0.5])
    head = Playhead(0.0)
    shown = [(head := head.stepped(uneven, 1)).sample(uneven) for _ in range(4)]
    assert shown == [1, 2, 3, 4]


def test_playing_at_a_quarter_of_the_speed():
    head = Playhead(1.0).toggled(T)
    assert head.playing
    head = head.advanced(T, 0.4, 0.25)
    assert head.now_s == pytest.approx(1.1)
    assert head.sample(T) == 33
    head = head.advanced(T, 100.0, 0.25)
    assert not head.playing
    assert head.sample(T) == 89
    again = head.toggled(T)
    assert again.playing
    assert again.sample(T) == 0
    assert not again.toggled(T).playing
    assert Playhead(1.0).advanced(T, 5.0, 1.0) == Playhead(1.0)


@given(st.floats(0, 2.966))
def test_the_nearest_frame(instant_s):
    assert abs(T[nearest(T, instant_s)] - instant_s) <= 1 / 60 + 1e-9
