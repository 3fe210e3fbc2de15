"""The one family of exceptions. It lives here because `live` may import `calibration`, never the other way round."""

from __future__ import annotations

_LONGEST = 600
_MARK = "\N{REPLACEMENT CHARACTER}"
JOINERS = "\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"
"""Part of how names are written, in Persian, in India and in emoji; not printable to Python."""


class RimwardError(Exception):
    """Anything a person can act on. The message is one line: what must be, what was found, what to do.

    It may quote a file that somebody else wrote, so line breaks and control characters, which a terminal would obey,
    come out as spaces and marks, and a page comes out short.
    """

    def __str__(self) -> str:
        return one_line(super().__str__())


class CalibrationError(RimwardError):
    """Marks, lens or a calibration file that do not fit together."""


def one_line(text: str) -> str:
    """The text fit for a terminal: without line breaks and control characters, and not without end."""
    flat = " ".join(text.split())
    flat = "".join(letter if letter.isprintable() or letter in JOINERS else _MARK for letter in flat)
    return flat if len(flat) <= _LONGEST else f"{flat[:400]}...{flat[-150:]}"
