"""Tables in the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TextIO

from rich.console import Console
from rich.table import Table

from .records import Measurement, Rep

_COLUMNS = (
    ("set above\neyes, m", "set_point_above_eyes_m", 2),
    ("elbow at\nset, deg", "elbow_at_set_deg", 0),
    ("deepest\nknee, deg", "knee_min_deg", 0),
    ("follow-\nthrough, s", "follow_through_s", 2),
)
"""Few enough for 80 columns; the rest is in the database and in --json."""


def print_reps(reps: Sequence[Rep], out: TextIO) -> None:
    """One row a rep: when, the first measurements with their errors, what was said."""
    table = Table(title="Reps", caption="value ± one standard deviation of its own error; - not seen in this view")
    for heading in ("rep", "release\nat, s"):
        table.add_column(heading, justify="right")
    for heading, _, _ in _COLUMNS:
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("said", overflow="fold")
    for rep in reps:
        cells = [_cell(rep.measurements.get(name), digits) for _, name, digits in _COLUMNS]
        said = "" if rep.cue is None else rep.cue.text
        table.add_row(str(rep.index), f"{rep.events.release_s:.2f}", *cells, said)
    Console(file=out).print(table)


def _cell(measured: Measurement | None, digits: int) -> str:
    if measured is None or measured.value is None or measured.sigma is None:
        return "-"
    return f"{measured.value:.{digits}f} ± {measured.sigma:.{digits}f}"
