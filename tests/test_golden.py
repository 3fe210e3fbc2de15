"""Stories are read as they were when somebody last looked (golden/make_golden.py writes the files)."""

from __future__ import annotations

import json

import pytest
from golden.make_golden import FOLDER, STORIES, told

FRAME_S = 1 / 30 + 0.002
"""Where a curve is flat, another machine's rounding may choose the neighbouring frame."""


@pytest.mark.parametrize("name", STORIES)
def test_a_story_reads_as_before(name, shipped):
    now, before = told(name, shipped.phases), json.loads((FOLDER / f"{name}.json").read_text())
    assert [phase for _, phase in now["phases"]] == [phase for _, phase in before["phases"]]
    assert [t for t, _ in now["phases"]] == pytest.approx([t for t, _ in before["phases"]], abs=FRAME_S)
    assert len(now["shots"]) == len(before["shots"])
    for ours, theirs in zip(now["shots"], before["shots"], strict=True):
        assert ours.keys() == theirs.keys()
        for key, value in theirs.items():
            expected = pytest.approx(value, abs=FRAME_S) if isinstance(value, float) else value
            assert ours[key] == expected, key


def test_every_golden_file_has_its_story():
    assert {path.stem for path in FOLDER.glob("*.json")} == set(STORIES)
