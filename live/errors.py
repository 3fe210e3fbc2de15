"""The exceptions of the program: one family, each message one line that a person can act on.

A message says what must be, what was found and what to do. The command line prints it and exits with status 2.
"""

from __future__ import annotations

from rimward.calibration.errors import JOINERS, CalibrationError, RimwardError


class SettingsError(RimwardError):
    """A settings file with an unknown key, a wrong type or a value out of range."""


class SourceError(RimwardError):
    """A camera or clip that gives no usable frames."""


class PoseModelError(RimwardError):
    """The pose model is missing, damaged or cannot be prepared."""


class StoreError(RimwardError):
    """The database cannot be opened, read or written."""


class DisplayError(RimwardError):
    """No window can be opened on this machine."""


class UsageError(RimwardError):
    """Options that do not go together."""


__all__ = [
    "JOINERS",
    "CalibrationError",
    "DisplayError",
    "PoseModelError",
    "RimwardError",
    "SettingsError",
    "SourceError",
    "StoreError",
    "UsageError",
]
