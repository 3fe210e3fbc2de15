"""What everybody should have read before the first shot: shown by the window at start, in --help and in the README."""

from __future__ import annotations

CAUTIONS = (
    "Warm up first, and stop when something hurts.",
    "Keep laptop, chair and cables off the court and out of the way of the ball.",
    "With young players an adult stays and decides.",
    "Rimward measures pictures. It is not medical advice.",
)
