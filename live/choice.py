"""Which network, picture and rate this machine should use: a choice among measured rows. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

SIZES = ((1280, 720), (960, 540), (640, 480))
"""Pictures to try, all of which nearly every webcam has as MJPG."""
RATES_HZ = (60.0, 30.0)
HEADROOM = 0.15
"""So much more than the camera gives: a machine grows warm, and other programs run (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Tried:
    """One network on pictures of one size, and how many of them a second the whole program works through."""

    network: str
    """Path of the bundle."""
    network_bytes: int
    """Of the official bundles (lite, full, heavy) the larger is the more accurate one."""
    width: int
    height: int
    worked_hz: float


@dataclass(frozen=True, slots=True)
class Choice:
    """What to ask the camera for, and by which network to look."""

    tried: Tried
    rate_hz: float
    keeps_up: bool
    """False: nothing does, this is the fastest."""

    @property
    def spare(self) -> float:
        """Share of the work that is left; negative where it does not keep up."""
        return 1 - self.rate_hz / self.tried.worked_hz

    @property
    def key(self) -> tuple[str, int, int, float]:
        """What a live trial that fails is remembered by."""
        return self.tried.network, self.tried.width, self.tried.height, self.rate_hz


def choose(rows: Iterable[Tried], failed: Iterable[tuple[str, int, int, float]] = ()) -> Choice:
    """The best that keeps up with a camera; `failed` are those that a live trial has shown not to.

    The network first, since most of a value's error is its; then the picture, whose pixels the ball is measured in;
    then the rate. Where nothing keeps up with the lowest rate, the fastest. Raises ValueError without rows.
    """
    every = [Choice(row, rate_hz, row.worked_hz >= rate_hz * (1 + HEADROOM)) for row in rows for rate_hz in RATES_HZ]
    out = set(failed)
    able = [one for one in every if one.keeps_up and one.key not in out]
    if able:
        return max(able, key=lambda one: (one.tried.network_bytes, one.tried.width * one.tried.height, one.rate_hz))
    fastest = max(every, key=lambda one: (one.tried.worked_hz, -one.rate_hz))
    return Choice(fastest.tried, min(RATES_HZ), False)


def machine_toml(choice: Choice, model: str, day: str) -> str:
    """The settings that say it; `model` is empty for the usual network."""
    tried = choice.tried
    lines = [
        f"# Written by `rimward bench --choose` on {day}: the best that keeps up on this machine.",
        "# Your own settings go over it. `rimward bench --forget` takes it away, and so does deleting this file.",
        "",
        "[camera]",
        f"width = {tried.width}",
        f"height = {tried.height}",
        f"rate_hz = {choice.rate_hz:.1f}",
    ]
    if model:
        lines += ["", "[pose]", f"model = {_quoted(model)}"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A basic string of TOML 1.0: a backslash before backslash, quote, and control characters by number."""
    escaped = (f"\\{c}" if c in '\\"' else f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else c for c in text)
    return '"' + "".join(escaped) + '"'
