"""Who takes part in a practice, and where each one's reps go."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from rimward.calibration.record import Calibration

from .assets import joint_network
from .coach import Coaching
from .pipeline import Pipeline
from .recorder import Recorder
from .records import Rep
from .relay import Turn
from .session_records import SessionSummary
from .settings import Settings
from .stations import Station, StationPlayer
from .store import SessionWriter


class Kept:
    """Where one player's reps go (ports.RepSink): a session of its own, begun with the first one.

    At a station not everybody shoots.
    """

    def __init__(self, start: Callable[[], SessionWriter]) -> None:
        self._start = start
        self._writer: SessionWriter | None = None

    def begin(self) -> None:
        """Begin the session now."""
        self._writer = self._writer or self._start()

    @property
    def begun(self) -> SessionWriter | None:
        """None while nobody has shot."""
        return self._writer

    @property
    def writer(self) -> SessionWriter:
        """Used on the recorder's thread only, while that works."""
        self.begin()
        assert self._writer is not None
        return self._writer

    def save(self, rep: Rep) -> None:
        """Return only when the rep is safe on disk."""
        self.writer.save(rep)

    def close(self, summary: SessionSummary | None = None) -> None:
        """Finish the session, if it was begun; may be called twice."""
        if self._writer is not None:
            self._writer.close(summary)


@dataclass(frozen=True, slots=True)
class Entrant:
    """A player of this practice, and what is known and kept of him or her."""

    settings: Settings
    chosen: Coaching
    kept: Kept
    photo: bool


@dataclass(slots=True)
class Part:
    """What one player has done so far."""

    name: str
    kept: Kept
    recorder: Recorder
    reps: list[Rep] = field(default_factory=list)
    taken: dict[int, Rep] = field(default_factory=dict)
    """Reps that were taken out, by index."""
    views: list[str | None] = field(default_factory=list)
    """From where the camera saw each rep."""

    def has(self, index: int) -> bool:
        """Whether that rep was counted already, and not taken out."""
        return any(rep.index == index for rep in self.reps)

    @property
    def aside(self) -> int:
        """Reps that wait in a side file for the next start."""
        begun = self.kept.begun
        return 0 if begun is None else sum(rep.index in begun.reps_aside for rep in self.reps)

    @property
    def unsaved(self) -> int:
        """Reps that no file has taken."""
        waiting = {rep.index for rep in self.recorder.waiting}
        return sum(rep.index in waiting for rep in self.reps)


def of_player(settings: Settings, one: StationPlayer) -> tuple[Settings, frozenset[str]]:
    """The settings for somebody at a station, and which facts the station's file told."""
    told = {"hand": one.hand, "stature_m": one.stature_m}
    player = {"name": one.name, "hand": one.hand or "auto", "stature_m": one.stature_m}
    said = frozenset(fact for fact, value in told.items() if value is not None)
    return settings.model_copy(update={"player": settings.player.model_copy(update=player)}), said


def turns_of(
    entrants: Sequence[Entrant],
    settings: Settings,
    title: str,
    station: Station | None,
    calibration: Calibration | None,
    shown: bool,
) -> list[Turn]:
    """Everybody with a pipeline of his or her own; `title` stands in place of place and name."""
    turns = []
    for one in entrants:
        name, drill = one.settings.player.name, one.chosen.drill
        named = drill is not None and drill.name("en") == name  # the goal's own words are the name already
        here = "" if station is None else station.name
        pipeline = Pipeline(
            one.settings,
            one.chosen.words,
            title or " \N{MIDDLE DOT} ".join(part for part in (here, "" if named else name) if part),
            calibration,
            one.chosen,
            watched=shown and not settings.pose.close,
            photo=one.photo,
            station=station is not None,
            joints=joint_network(),
        )
        reps, makes = (None, None) if drill is None else (drill.reps, drill.makes)
        turns.append(Turn(name, pipeline, one.settings.player.stature_m, reps or makes, reps is None))
    return turns
