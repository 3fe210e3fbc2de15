"""What is known of a session as a whole: when it begins, at its end, and as it stands in the database."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Literal
from uuid import UUID

Hand = Literal["left", "right", "auto"]


@dataclass(frozen=True, slots=True)
class SessionStart:
    """What is known when a session begins."""

    id: str
    """UUID."""
    player: str
    hand: Hand
    source: str
    settings_digest: str
    app_version: str
    started_utc: datetime
    stature_m: float | None = None
    """As the settings or the player's own facts said."""
    drill: str | None = None
    calibration: str | None = None
    """Which one was used, by its digest or name; None for none."""
    view: str | None = None
    """From where the camera saw most of the shots, in a word (viewpoint.py); None where that is not known."""
    film: str | None = None
    """Digest of a reviewed recording and of how it was read; None for a camera."""

    def __post_init__(self) -> None:
        UUID(self.id)
        if self.started_utc.utcoffset() is None:
            raise ValueError(f"started_utc must name its time zone, got {self.started_utc}")


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """What a session came to, known at its end."""

    frames: int
    """Handed to the pose network."""
    dropped: int
    """Taken by the camera but replaced by a newer one before anybody asked."""
    duration_s: float
    processing_fps: float | None = None
    """Frames a second that the program worked through; None when there were none."""
    latency_p50_ms: float | None = None
    """From the grab of a frame to the end of its work, the median and the 95th percentile."""
    latency_p95_ms: float | None = None

    def __post_init__(self) -> None:
        if self.frames < 0 or self.dropped < 0:
            raise ValueError(f"frames and dropped must be 0 or more, got {self.frames} and {self.dropped}")
        for name in ("duration_s", "processing_fps", "latency_p50_ms", "latency_p95_ms"):
            if (value := getattr(self, name)) is not None and not isfinite(value):
                raise ValueError(f"{name} must be a finite number, got {value}")


@dataclass(frozen=True, slots=True)
class SavedSession:
    """A session as it stands in the database."""

    start: SessionStart
    reps: int
    """Without the discarded ones."""
    summary: SessionSummary | None
    """None when the program was killed before the end, or is still running."""
    player_id: str = ""
    """UUID of the player, of the kept one where two were united; `start.player` is that player's name of today."""
    made: int = 0
    missed: int = 0
    """Reps whose result is known; the others are neither."""
