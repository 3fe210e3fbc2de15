"""A short round of the hostile files (`python -m tests.fuzz` runs 10,000 for each reader)."""

from __future__ import annotations

import fuzz
import pytest


@pytest.mark.parametrize("reader", fuzz.READERS, ids=lambda reader: reader.name)
def test_only_errors_of_the_program_come_out_of_hostile_files(reader):
    outcomes = fuzz.fuzz(reader, reader.short)
    assert outcomes["refused"] > reader.short / 6
    assert outcomes.total() >= reader.short / 1.2


@pytest.mark.parametrize("reader", fuzz.READERS, ids=lambda reader: reader.name)
def test_the_file_that_is_knocked_about_was_a_valid_one(reader, tmp_path):
    path = tmp_path / f"valid{reader.suffix}"
    path.write_bytes(reader.valid())
    reader.read(path)
