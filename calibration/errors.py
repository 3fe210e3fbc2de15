"""The one family of exceptions. It lives here because `live` may import `calibration`, never the other way round."""

from __future__ import annotations


class RimwardError(Exception):
    """Anything a person can act on. The message is one line: what must be, what was found, what to do."""


class CalibrationError(RimwardError):
    """Marks, lens or a calibration file that do not fit together."""
