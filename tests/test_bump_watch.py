"""The camera is moved during practice: noticed once, not for a person who walks about."""

from __future__ import annotations

import threading

import numpy as np

from rimward.live.bump_watch import BumpWatch
from rimward.live.records import View


def scene(shift_px: int = 0, person_x: int = 100) -> np.ndarray:
    """A textured hall seen from one place, with somebody in it; shifted when the camera turns."""
    rng = np.random.default_rng(5)
    hall = np.kron(rng.integers(0, 255, (36, 72)), np.ones((10, 10))).astype(np.uint8)[:, :720]
    picture = np.repeat(hall[:, 40 + shift_px : 680 + shift_px, None], 3, axis=2).copy()
    picture[120:340, person_x : person_x + 70] = (40, 60, 200)
    return picture


def looks(pictures: list[np.ndarray]) -> list[float]:
    """Times at which a move was noticed; one picture every two seconds."""
    noticed: list[float] = []
    watch = BumpWatch(noticed.append)
    for k, picture in enumerate(pictures):
        watch.look(View(2.0 * k, picture))
        done = threading.Event()
        while watch.busy and not done.wait(0.005):
            pass
    watch.close()
    return noticed


def test_a_person_who_walks_about_is_no_move() -> None:
    assert looks([scene(person_x=x) for x in (100, 200, 320, 450, 500)]) == []


def test_a_turned_camera_is_noticed_once() -> None:
    assert looks([scene(), scene(), scene(24), scene(24), scene(24), scene(24)]) == [6.0]


def test_closing_twice_is_harmless() -> None:
    watch = BumpWatch(lambda _t_s: None)
    watch.close()
    watch.close()
