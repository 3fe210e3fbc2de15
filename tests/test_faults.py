"""The short version of the table of faults (`python -m tests.faults` runs it whole, with 100 kills)."""

from __future__ import annotations

import ast

import faults
import pytest

TESTS = faults.ROOT / "tests"


@pytest.mark.network
@pytest.mark.parametrize("fault", [one for one in faults.FAULTS if one.short], ids=lambda fault: fault.name)
def test_the_promise_is_kept(fault):
    assert fault.prove is not None
    assert fault.prove()


@pytest.mark.network
def test_kill_9_loses_at_most_the_rep_in_flight():
    assert "0 of those told as saved" in faults.kills(3)


@pytest.mark.parametrize("fault", faults.FAULTS, ids=lambda fault: fault.name)
def test_every_promise_is_proved_and_the_tests_that_prove_it_exist(fault):
    assert fault.prove is not None or fault.tests
    for one in fault.tests:
        file, _, name = one.partition("::")
        there = {node.name for node in ast.parse((TESTS / file).read_text("utf-8")).body if hasattr(node, "name")}
        assert not name or name in there
