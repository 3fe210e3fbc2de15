"""Two kinds of names, checks and measurements, and which of them was meant by one that is of the other kind or none."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from .checks import BY_NAME, CHECKS
from .glossary import TERMS

_FAR = 0.4
"""How unlike a name may be to be offered: a list of all names is longer than a line of a terminal."""


def near(name: str, known: Iterable[str]) -> str:
    """The end of a sentence that names the likeliest of what is known; empty where none is like it."""
    found = difflib.get_close_matches(name, tuple(known), n=1)
    return f": did you mean {found[0]}?" if found else ""


def check_meant(name: str) -> str:
    """What to write instead of what is no check, as the end of a sentence."""
    judging = [check.name for check in CHECKS if check.measurement == name]
    if judging:
        return f"but a measurement, did you mean {' or '.join(judging)}, which looks at it?"
    found = [check.name for check in CHECKS if check.name.split("_")[0] == name]
    found = found or difflib.get_close_matches(name, BY_NAME, n=1)
    return f"did you mean {' or '.join(found)}?" if found else f"checks are {', '.join(BY_NAME)}"


def measurement_meant(name: str) -> str:
    """The same for what is no measurement."""
    if name in BY_NAME:
        return f"did you mean {BY_NAME[name].measurement}, which the check {name} looks at?"
    found = difflib.get_close_matches(name, TERMS, n=3, cutoff=_FAR)
    if found:
        return f"did you mean {' or '.join(found)}?"
    return "rimward targets PLAYER shows in its last column what has a band"
