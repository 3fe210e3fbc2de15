"""TOML that people write: every error names the line, also where the text reads well and a value is wrong. Pure."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from typing import Any

from .errors import JOINERS, SettingsError

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]#]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")


def parse(text: str, name: str) -> dict[str, Any]:
    """The tables of a file. Raises SettingsError, one line with the file's name and the place."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # 5,000 digits or a thousand brackets are no TOMLDecodeError
        what = str(error).split("\n", 1)[0] or "too deeply nested"
        raise SettingsError(f"{name}: must be valid TOML, found: {what}") from None


def line_of(text: str, key: Sequence[str | int]) -> int | None:
    """The line, counted from 1, in which a key stands; that of the nearest table around it where the key is written
    inside another value; None when nothing of it is found. Numbers in `key` count the tables of an array.

    >>> line_of("a = 1\\n[rest]\\nreps = 3\\n", ("rest", "reps"))
    3
    """
    at: tuple[str | int, ...] = ()
    counts: dict[str, int] = {}
    best: tuple[int, int] | None = None
    for number, line in enumerate(text.splitlines(), 1):
        here: tuple[str | int, ...] | None = None
        if header := _HEADER.match(line):
            table = header[2]
            at = tuple(_parts(table))
            if header[1] == "[[":
                counts[table] = counts.get(table, -1) + 1
                at = (*at, counts[table])
            here = at
        elif found := _KEY.match(line):
            here = (*at, *_parts(found[1]))
        if here is not None and here == tuple(key[: len(here)]) and (best is None or len(here) > best[0]):
            best = len(here), number
    return None if best is None else best[1]


def shows(text: str) -> bool:
    """Whether there is something to read in it and nothing that would steer a terminal."""
    return text.strip() != "" and all(letter.isprintable() or letter in JOINERS for letter in text)


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def place(text: str, name: str, key: Sequence[str | int]) -> str:
    """`name, line N` for the beginning of a message about this key; `name` alone for a key that is not there."""
    line = line_of(text, key)
    return name if line is None else f"{name}, line {line}"
