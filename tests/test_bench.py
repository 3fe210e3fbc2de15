"""The benchmark: its arithmetic, and one short run of everything."""

from __future__ import annotations

import json

import numpy as np
import pytest
from program import CLIPS, data_folder, prepared_model, run

from rimward.live.bench import verdict
from rimward.live.bench_runs import Run, spread


def test_quantiles_are_milliseconds():
    found = spread(np.arange(1, 101) / 1000)
    assert found.p50 == pytest.approx(50.5)
    assert found.p95 == pytest.approx(95.05)
    assert found.p99 == pytest.approx(99.01)
    assert found.n == 100


def test_nothing_measured_is_nothing_said():
    assert spread([]) is None


def live(frames: int, dropped: int) -> Run:
    return Run(frames, 30.0, dropped, 1.0, 500.0, {}, given=frames + dropped)


@pytest.mark.parametrize(
    ("rate_hz", "dropped", "words"),
    [
        (24.0, 300, "too slow for a camera's 30"),
        (40.0, 0, "keeps up with 30 frames a second, with 25 % to spare."),
        (40.0, 90, "with 25 % to spare, yet 10.0 % of a live camera's frames were lost"),
        (75.0, 0, "with 60 % to spare; `rimward bench --choose` tries a camera of 60"),
    ],
)
def test_the_line_for_people(rate_hz, dropped, words):
    assert words in verdict(rate_hz, live(900 - dropped, dropped))


@pytest.mark.network
def test_a_short_run_measures_everything(tmp_path):
    data = data_folder(tmp_path, prepared_model())
    clip = CLIPS / "fps_15.mp4"
    words = ("bench", "--headless", "--json", "--rounds", "1", "--frames", "40", "--clip", clip)
    said = run(*words, data=data)
    assert said.status == 0
    (result,) = [json.loads(line) for line in said.out.splitlines()]
    assert result["ratio"] == pytest.approx(result["flat_out_hz"] / result["bare_hz"])
    assert [one["frames"] for one in (*result["bare"], *result["flat_out"])] == [40, 40]
    # the clip has 15 frames a second: a faster camera gives its pictures several times
    assert (result["live"]["given"], result["live_60"]["given"]) == (80, 160)
    for one in (result["live"], result["live_60"]):
        assert 0 < one["frames"] <= one["given"] - one["dropped"]
        assert one["first_tracked_s"] > 0
        assert min(one["early_ms"], one["late_ms"]) > 0
    assert set(result["bare"][0]["stages_ms"]) == {"read", "network", "draw"}
    assert {"network", "everything after the network", "grab to judged"} <= set(result["live"]["stages_ms"])
    assert result["live"]["processors"] > 0
    assert result["live"]["peak_memory_mb"] > 50
    assert 0 < result["tone_ms"]["p50"] < 1000
    assert not (data / "rimward.db").exists()  # its reps are nobody's
