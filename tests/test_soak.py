"""A short version of the long session (`python -m tests.soak`): every rep saved, nothing left open, sleeps survived."""

from __future__ import annotations

import pytest
import soak
from program import prepared_model


@pytest.mark.network
def test_rounds_of_the_clip_lose_no_rep_and_leave_nothing_open(monkeypatch):
    monkeypatch.setattr(soak, "SLEEP_EVERY", 2)
    outcome = soak.soak(prepared_model(), rounds=4, frames=330)
    assert outcome.reps_expected >= 4
    assert outcome.reps_saved == outcome.reps_expected
    assert outcome.kept_promises["no more open files"]
    assert outcome.kept_promises["no more threads"]
    assert outcome.samples[-1].session_s > 3600  # it slept
