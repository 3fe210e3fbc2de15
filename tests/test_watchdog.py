"""The watchdog names what hangs, once, and is silent about everything that merely waits or is slow."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest
from program import eventually

from rimward.live.watchdog import Stage, Watchdog


@pytest.fixture
def watch() -> Iterator[Callable[..., tuple[Watchdog, list[str]]]]:
    made: list[Watchdog] = []

    def watching(**options) -> tuple[Watchdog, list[str]]:
        said: list[str] = []
        made.append(Watchdog(said.append, **({"stuck_s": 0.1, "look_s": 0.01} | options)))
        return made[-1], said

    yield watching
    for one in made:
        one.close()


@pytest.mark.parametrize(
    ("stage", "named"),
    [
        ("source", "The camera or clip gives nothing"),
        ("judge", "The work on a frame does not end"),
        ("disk", "The disk does not answer"),
        ("output", "Whoever reads standard output does not"),
    ],
)
def test_a_stuck_stage_is_named_once_and_so_is_its_return(watch, stage: Stage, named: str):
    watchdog, said = watch()
    with watchdog.doing(stage):
        assert eventually(lambda: said, 20)
        looks: list[None] = []
        watchdog._also = lambda: looks.append(None)  # three more looks say nothing more
        assert eventually(lambda: len(looks) > 3, 20)
        assert len(said) == 1
        assert said[0].startswith(f"{named} for 0 s: ")
        assert "\n" not in said[0]
    assert eventually(lambda: len(said) == 2, 20)
    assert said[1].endswith("goes on again.")


def test_many_short_pieces_of_work_and_waiting_between_them_are_no_alarm(watch):
    looks = threading.Semaphore(0)
    watchdog, said = watch(also=looks.release, stuck_s=0.03)
    for _ in range(30):  # ten times longer than a stage may take, all together
        with watchdog.doing("judge"):
            pass
        assert looks.acquire(timeout=20)
    assert said == []


def test_work_inside_other_work_counts_for_itself(watch):
    watchdog, said = watch()
    with watchdog.doing("disk"), watchdog.doing("output"):
        assert eventually(lambda: said, 20)
    assert said[0].startswith("Whoever reads standard output")


def test_two_threads_are_watched_at_once(watch):
    watchdog, said = watch()
    let_go = threading.Event()

    def work() -> None:
        with watchdog.doing("disk"):
            let_go.wait(20)

    other = threading.Thread(target=work)
    other.start()
    with watchdog.doing("source"):
        assert eventually(lambda: len(said) == 2, 20)
    let_go.set()
    other.join()
    assert sorted(line.split()[1] for line in said[:2]) == ["camera", "disk"]


def test_a_machine_that_slept_is_no_alarm(watch):
    """Time is counted in looks: however long the clock says that it was, nobody had a turn meanwhile."""
    gate = threading.Event()
    looks: list[None] = []

    def asleep() -> None:
        looks.append(None)
        gate.wait(20)

    watchdog, said = watch(also=asleep, stuck_s=0.05)
    with watchdog.doing("judge"):
        assert eventually(lambda: looks, 20)
        threading.Event().wait(0.2)  # four times stuck_s pass while the watchdog does not get its turn
        assert said == []
        gate.set()
    assert said == []


@pytest.mark.parametrize(
    ("restart", "words"),
    [
        (lambda: "a fresh one goes on", "a fresh one goes on."),
        (lambda: None, "end the program and start it again"),
        (lambda: 1 / 0, "end the program and start it again"),
    ],
)
def test_what_can_be_started_anew_is_and_what_was_done_is_said(watch, restart, words):
    watchdog, said = watch(restart={"judge": restart})
    with watchdog.doing("judge"):
        assert eventually(lambda: said, 20)
        assert watchdog.names_something
    assert words in said[0]
    assert eventually(lambda: len(said) == 2, 20)  # a restart that fails does not end the watch
    assert not watchdog.names_something


def test_only_the_stage_that_hangs_is_started_anew(watch):
    watchdog, said = watch(restart={"judge": lambda: "wrong"})
    with watchdog.doing("disk"):
        assert eventually(lambda: said, 20)
    assert "wrong" not in said[0]


def test_closing_twice_is_fine(watch):
    watchdog, _ = watch()
    watchdog.close()
    watchdog.close()
