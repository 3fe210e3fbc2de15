"""Numbers as people type them on a command line."""

from __future__ import annotations

import argparse


def metres(text: str) -> float:
    """A length, with a point or with the comma of a German keyboard.

    >>> metres("1.78"), metres("1,78")
    (1.78, 1.78)
    """
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be a number of metres, for instance 1.78, got {text!r:.40}") from None
