"""The recorder: on disk before it is spoken, nothing lost, the submitting thread never waits."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from rimward.live.errors import StoreError
from rimward.live.recorder import Recorder
from rimward.live.records import Cue, Events, Feedback, Rep, Tone
from rimward.live.store import open_store


def a_rep(index: int) -> Rep:
    return Rep(index, "right", Events(None, None, None, 1.0, 2.0, None, None), None, None, {})


def feedback(index: int) -> Feedback:
    return Feedback(float(index), Tone.OUT_OF_BAND, Cue("Hold the follow-through", "follow_through"))


class Disk:
    """Keeps reps in memory; `gate` holds it up, the first `refusals` saves fail."""

    def __init__(self, story: list[str], refusals: int = 0) -> None:
        self.story = story
        self.refusals = refusals
        self.gate = threading.Event()
        self.gate.set()

    def save(self, rep: Rep) -> None:
        self.gate.wait()
        if self.refusals:
            self.refusals -= 1
            raise StoreError("the disk is full")
        self.story.append(f"saved {rep.index}")

    def close(self) -> None:
        self.story.append("closed")


@pytest.fixture
def story() -> list[str]:
    return []


@pytest.fixture
def said() -> list[str]:
    return []


def recorder(disk: Disk, story: list[str], said: list[str]) -> Recorder:
    return Recorder(disk, lambda given: story.append(f"played {given.t_s:.0f}"), said.append)


def test_each_rep_is_saved_before_its_feedback_is_played(story, said):
    a_recorder = recorder(Disk(story), story, said)
    for index in (1, 2, 3):
        a_recorder.submit(a_rep(index), feedback(index))
    a_recorder.close()
    assert story == ["saved 1", "played 1", "saved 2", "played 2", "saved 3", "played 3"]
    assert said == []


def test_a_rep_in_the_real_store_can_be_read_when_its_feedback_is_played(tmp_path, said):
    a_store = open_store(tmp_path, said.append)
    writer = a_store.start_session(player="Ada", hand="auto", source="clip", settings_digest="d", app_version="v")
    readable: list[int] = []

    def speak(_: Feedback) -> None:
        other = open_store(tmp_path, said.append)
        readable.append(len(other.reps(writer.id)))
        other.close()

    a_recorder = Recorder(writer, speak, said.append)
    for index in (1, 2, 3):
        a_recorder.submit(a_rep(index), feedback(index))
    a_recorder.close()
    assert readable == [1, 2, 3]
    assert said == []
    a_store.close()


def test_submitting_does_not_wait_for_a_disk_that_hangs_and_closing_empties_the_queue(story, said):
    disk = Disk(story)
    disk.gate.clear()
    a_recorder = recorder(disk, story, said)
    for index in range(1, 101):
        a_recorder.submit(a_rep(index), feedback(index))
    assert story == []
    disk.gate.set()
    a_recorder.close()
    assert [line for line in story if line.startswith("saved")] == [f"saved {index}" for index in range(1, 101)]


def test_a_rep_that_the_disk_refuses_is_said_played_and_saved_with_the_next(story, said):
    a_recorder = recorder(Disk(story, refusals=1), story, said)
    a_recorder.submit(a_rep(1), feedback(1))
    a_recorder.submit(a_rep(2), feedback(2))
    a_recorder.close()
    assert story == ["played 1", "saved 1", "saved 2", "played 2"]
    assert said == ["the disk is full"]


def test_the_last_rep_is_tried_again_at_the_end(story, said):
    a_recorder = recorder(Disk(story, refusals=1), story, said)
    a_recorder.submit(a_rep(1), feedback(1))
    a_recorder.close()
    assert story == ["played 1", "saved 1"]


def test_what_could_not_be_saved_at_all_is_named(story, said):
    a_recorder = recorder(Disk(story, refusals=100), story, said)
    a_recorder.submit(a_rep(1), feedback(1))
    a_recorder.submit(a_rep(2), feedback(2))
    a_recorder.close()
    assert story == ["played 1", "played 2"]
    full = "the disk is full"  # at each rep and at the end, not once for every rep that waits
    assert said == [full, full, full, "not saved, the disk took none of it: rep 1, 2"]


def test_feedback_that_fails_is_said_and_later_reps_are_saved(story, said):
    def mute(_: Feedback) -> None:
        raise ValueError

    a_recorder = Recorder(Disk(story), mute, said.append)
    a_recorder.submit(a_rep(1), feedback(1))
    a_recorder.submit(a_rep(2), feedback(2))
    a_recorder.close()
    assert story == ["saved 1", "saved 2"]
    assert said == ["ValueError", "ValueError"]


def test_a_change_of_a_rep_waits_until_the_rep_is_saved(tmp_path, said):
    a_store = open_store(tmp_path, said.append)
    writer = a_store.start_session(player="Ada", hand="auto", source="clip", settings_digest="d", app_version="v")
    a_recorder = Recorder(writer, lambda _: None, said.append)
    a_recorder.submit(a_rep(1), feedback(1))
    a_recorder.then(lambda: writer.discard_rep(1))
    a_recorder.then(lambda: writer.discard_rep(9))
    a_recorder.close()
    assert a_store.reps(writer.id) == []
    assert a_store.reps(writer.id, discarded=True) == [a_rep(1)]
    assert said == ["the session has no rep 9"]
    a_store.close()


def test_closing_twice_is_fine_and_submitting_afterwards_is_not(story, said):
    a_recorder = recorder(Disk(story), story, said)
    a_recorder.close()
    a_recorder.close()
    with pytest.raises(RuntimeError, match="the recorder is closed"):
        a_recorder.submit(a_rep(1), feedback(1))
    assert story == []  # the sink is closed by its owner, who has the summary


def test_latencies_are_kept_for_each_rep(story, said):
    a_recorder = recorder(Disk(story), story, said)
    for index in (1, 2, 3):
        a_recorder.submit(a_rep(index), feedback(index))
    a_recorder.close()
    assert len(a_recorder.latencies) == 3
    assert all(0 < latency.saved_s <= latency.played_s for latency in a_recorder.latencies)


PROGRAM = """
import sys, time
from pathlib import Path
from rimward.live.records import Events, Feedback, Rep, Tone
from rimward.live.recorder import Recorder
class SlowDisk:
    def save(self, rep):
        time.sleep(0.05)
        with Path(sys.argv[1]).open("a") as file: print(rep.index, file=file)
recorder = Recorder(SlowDisk(), lambda _: None, lambda _: None)
def submit():
    for index in range(1, 21):
        rep = Rep(index, "right", Events(None, None, None, 1.0, 2.0, None, None), None, None, {})
        recorder.submit(rep, Feedback(0.0, Tone.COUNT))
"""


def test_a_program_that_ends_without_closing_still_saves_all(tmp_path):
    out = tmp_path / "saved"
    program = PROGRAM + "submit()\nraise SystemExit(3)\n"
    assert subprocess.run([sys.executable, "-c", program, str(out)], check=False, timeout=60).returncode == 3
    assert out.read_text().split() == [str(index) for index in range(1, 21)]


@pytest.mark.skipif(os.name != "posix", reason="Ctrl-C cannot be sent to one process here")
def test_a_second_ctrl_c_does_not_cut_the_saving_short(tmp_path: Path):
    out = tmp_path / "saved"
    program = PROGRAM + (
        "try:\n    submit(); print('ready', flush=True); time.sleep(60)\n"
        "except KeyboardInterrupt:\n    print('closing', flush=True); recorder.close()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", program, str(out)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    for word in ("ready", "closing"):
        assert process.stdout.readline().strip() == word
        process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)
    assert process.returncode == -signal.SIGINT  # Python dies by the signal that nobody caught
    assert out.read_text().split() == [str(index) for index in range(1, 21)]


def test_a_disk_that_hangs_keeps_its_reps_waiting_and_saves_them_when_it_comes_back(story, said):
    disk = Disk(story)
    disk.gate.clear()
    recording = recorder(disk, story, said)
    for index in (1, 2):
        recording.submit(a_rep(index), feedback(index))
    assert recording.close(0.02) is False
    assert [rep.index for rep in recording.waiting] == [1, 2]
    disk.gate.set()
    assert recording.close(20) is True
    assert recording.waiting == ()
    assert story == ["saved 1", "played 1", "saved 2", "played 2"]
    assert said == []
