"""Examples in docstrings and in DEVELOPERS.md work as they stand."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import re
from pathlib import Path

import pytest

import rimward.calibration
import rimward.live
from rimward.live import checks, measure

DEVELOPERS = (Path(__file__).resolve().parents[1] / "DEVELOPERS.md").read_text("utf-8")
MODULES = [
    f"{package.__name__}.{module.name}"
    for package in (rimward.live, rimward.calibration)
    for module in pkgutil.iter_modules(package.__path__)
    if module.name != "__main__"
]


@pytest.mark.parametrize("module", MODULES)
def test_examples_in_docstrings(module):
    assert doctest.testmod(importlib.import_module(module)).failed == 0


def python_blocks() -> list[str]:
    """The fenced Python under "Add a check" in DEVELOPERS.md, without the indentation of the list that it stands in."""
    guide = DEVELOPERS.split("## Add a check\n", 1)[1].split("\n## ", 1)[0]
    blocks = re.findall(r"^( *)```python\n(.*?)^ *```", guide, re.MULTILINE | re.DOTALL)
    return ["\n".join(line.removeprefix(indent) for line in code.splitlines()) for indent, code in blocks]


def test_the_guide_to_a_new_check_uses_what_there_is():
    """The function compiles among those of measure.py and every name that it uses is there; the row makes a check."""
    function, row = python_blocks()
    names = dict(vars(measure))
    before = set(names)
    exec(compile(function, "DEVELOPERS.md", "exec"), names)
    (new,) = set(names) - before
    assert [name for name in names[new].__code__.co_names if name not in names and name not in ATTRIBUTES] == []
    (check,) = eval(row, dict(vars(checks)))
    assert isinstance(check, checks.Check)
    assert new in row


ATTRIBUTES = {"reading", "events", "release_s"}
"""Of the records that the example uses; the other names must be in measure.py."""
