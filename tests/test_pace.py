"""Stops, and a clip that can be held and is never ahead of its own clock."""

from __future__ import annotations

import itertools
import threading
import time

import numpy as np

from rimward.live.pace import Pause, at_own_pace, until_stopped
from rimward.live.records import Frame

IMAGE = np.zeros((2, 2, 3), np.uint8)


def frames(n: int, rate_hz: float = 100.0):
    return [Frame(k, k / rate_hz, IMAGE) for k in range(n)]


def test_a_pause_is_a_switch():
    pause = Pause()
    assert [pause.on, pause.toggle(), pause.on, pause.toggle(), pause.on] == [False, True, True, False, False]


def test_a_clip_is_never_shown_early():
    begun = time.monotonic()
    arrived = [(item.t_s, time.monotonic() - begun) for item in at_own_pace(frames(20), threading.Event(), Pause())]
    assert len(arrived) == 20
    assert all(real_s >= t_s - 1e-3 for t_s, real_s in arrived)


def test_a_stop_ends_a_clip_that_waits():
    stop = threading.Event()
    taken = []
    for item in at_own_pace([frames(1)[0], Frame(1, 60.0, IMAGE)], stop, Pause()):
        taken.append(item.index)
        threading.Timer(0.05, stop.set).start()
    assert taken == [0]


def test_a_pause_holds_a_clip_and_its_clock():
    pause, stop = Pause(), threading.Event()
    begun, held_s, taken = time.monotonic(), 0.3, []
    for item in at_own_pace(frames(10), stop, pause):
        taken.append((item.t_s, time.monotonic() - begun))
        if item.index == 4:
            pause.toggle()
            threading.Timer(held_s, pause.toggle).start()
    assert len(taken) == 10
    assert all(real_s >= t_s + held_s - 1e-3 for t_s, real_s in taken[5:])  # none is made up for after the pause


def test_a_paused_clip_can_be_stopped():
    pause, stop = Pause(), threading.Event()
    pause.toggle()
    threading.Timer(0.1, stop.set).start()
    assert list(at_own_pace(frames(3), stop, pause)) == []


def test_a_stop_ends_a_camera():
    stop = threading.Event()
    taken = []
    for item in until_stopped(itertools.cycle(frames(3)), stop):
        taken.append(item)
        if len(taken) == 5:
            stop.set()
    assert len(taken) == 5
