"""Tables and small plots in the terminal. What people typed in is shown as it is: no markup, no control characters."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite
from typing import TYPE_CHECKING, TextIO

from rich.box import SIMPLE_HEAD
from rich.cells import cell_len
from rich.console import Console
from rich.measure import Measurement as Width
from rich.table import Table
from rich.text import Text

from .errors import JOINERS
from .glossary import decimals, number, term

if TYPE_CHECKING:
    from .records import Measurement, Rep

_COLUMNS = (
    ("set above\neyes, cm", "set_point_above_eyes_m"),
    ("elbow at\nset, deg", "elbow_at_set_deg"),
    ("deepest\nknee, deg", "knee_min_deg"),
    ("follow-\nthrough, s", "follow_through_s"),
)
"""Few enough for 80 columns, with room for the longest word that is said; the rest is in the database and in --json."""


def print_reps(reps: Sequence[Rep], out: TextIO) -> None:
    """One row a rep: when, the first measurements with their errors, what was said."""
    table = Table(
        title="Reps",
        caption="value ± one standard deviation of its own error; - not seen in this view",
        box=SIMPLE_HEAD,
        collapse_padding=True,
        pad_edge=False,
    )
    rows = [
        [
            str(rep.index),
            f"{rep.events.release_s:.2f}",
            *(_cell(rep.measurements.get(name), term(name).factor) for _, name in _COLUMNS),
        ]
        for rep in reps
    ]
    for k, heading in enumerate(("rep", "release\nat, s", *(heading for heading, _ in _COLUMNS))):
        table.add_column(heading, justify="right", no_wrap=True, min_width=_width(heading, rows, k))
    table.add_column("said", overflow="fold", min_width=_LEAST)
    _print_rows(table, [[*row, said_of(rep)] for row, rep in zip(rows, reps, strict=True)], out)


def said_of(rep: Rep) -> str:
    """Everything that was said of a rep, by itself and when somebody asked."""
    said = [rep.praise if rep.cue is None else rep.cue.text]
    said += [] if rep.answer is None else [f"asked: {rep.answer or 'a tone'}"]
    return "; ".join(words for words in said if words)


def print_table(
    title: str, headings: Sequence[str], rows: Iterable[Sequence[str]], out: TextIO, caption: str = ""
) -> None:
    """A table of plain texts. Columns whose heading begins with > stand to the right; those with ~ hold words that may
    be folded to fit the terminal, the others are as wide as what they hold.
    """
    shown = [[plain(cell) for cell in row] for row in rows]
    caption_text = Text(plain(caption)) if caption else None
    table = Table(
        title=Text(plain(title)), caption=caption_text, box=SIMPLE_HEAD, collapse_padding=True, pad_edge=False
    )
    for k, heading in enumerate(headings):
        words, right = heading.lstrip(">~"), heading.startswith(">")
        folds = heading.startswith("~")
        table.add_column(
            Text(words),
            justify="right" if right else "left",
            overflow="fold",
            no_wrap=not folds,
            min_width=_LEAST if folds else _width(words, shown, k),
        )
    _print_rows(table, [[Text(cell) for cell in row] for row in shown], out)


_LEAST = 8
"""Words are folded to so many columns at most."""
_NO_LIMIT = 10_000
"""Columns of a terminal that has room for everything."""


def _width(heading: str, rows: Sequence[Sequence[str]], k: int) -> int:
    """That a column needs so that nothing in it is folded."""
    return max(map(cell_len, (*heading.splitlines(), *(row[k] for row in rows))))


def _print_rows(table: Table, rows: Iterable[Sequence[Text | str]], out: TextIO) -> None:
    """As wide as the terminal; wider than it, and broken by it, rather than with numbers cut, which read as others."""
    console = Console(file=out)
    # before there are words in it, which may be folded
    console.width = max(console.width, Width.get(console, console.options.update_width(_NO_LIMIT), table).minimum)
    for row in rows:
        table.add_row(*row)
    console.print(table)


def plain(text: str) -> str:
    """The text with everything that would steer a terminal shown as what it is; lines may break."""
    return "".join(letter if letter.isprintable() or letter in f"\n\xa0{JOINERS}" else _code(letter) for letter in text)


def _code(letter: str) -> str:
    return f"\\x{ord(letter):02x}" if ord(letter) < 256 else f"\\u{ord(letter):04x}"


_BLOCKS = "▁▂▃▄▅▆▇█"
_LETTERS = "_.-~=+*#"
"""For a terminal that knows ASCII only."""


def plot(values: Sequence[float], out: TextIO, width: int = 40, error: float = 0.0) -> str:
    """A row of marks as high as the values, one a value or, for more than `width`, one for the mean of several; a blank
    where there is none. Says low from high at a glance; the numbers stand beside it. A step from mark to mark is
    `error` or more, so that what lies within the measurement's error of each other is level.
    """
    known = [value for value in values if isfinite(value)]
    if not known:
        return ""
    low, high = min(known), max(known)
    marks = _BLOCKS if _shows(out, _BLOCKS) else _LETTERS
    per = -(-len(values) // width)
    step = max((high - low) / len(marks), error)
    used = 1 if high == low else min(len(marks), int((high - low) / step) + 1)
    lowest = (len(marks) - used + 1) // 2
    shown = []
    for start in range(0, len(values), per):
        part = [value for value in values[start : start + per] if isfinite(value)]
        if not part:
            shown.append(" ")
            continue
        above = 0 if used == 1 else int((sum(part) / len(part) - low) / step)
        shown.append(marks[lowest + min(used - 1, above)])
    return "".join(shown)


def _shows(out: TextIO, text: str) -> bool:
    try:
        text.encode(getattr(out, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _cell(measured: Measurement | None, factor: float) -> str:
    """As many digits as the error allows; `factor` goes to the unit of the heading."""
    if measured is None or measured.value is None or measured.sigma is None:
        return "-"
    places = decimals(measured.sigma * factor)
    return f"{number(measured.value * factor, places)} ± {number(measured.sigma * factor, places)}"
