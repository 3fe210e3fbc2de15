"""Numbers of things in words. Pure."""

from __future__ import annotations


def counted(number: int, noun: str) -> str:
    """1 rep, 2 reps."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
