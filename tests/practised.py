"""Sessions of invented players as numbers in the shape of real ones, written the way the program writes them.

For what is done with saved reps. Whole weeks through pose network and pipeline are in sample_history.py.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID, uuid5

import numpy as np

from rimward.live import side_file
from rimward.live.checks import BY_NAME, CHECKS
from rimward.live.measure import MEASUREMENTS, ONLY_CLOSE, ONLY_IN_SPACE
from rimward.live.places import pending_folders
from rimward.live.records import Band, Events, Finding, Measurement, Rep, Result, Verdict
from rimward.live.session_records import SessionStart, SessionSummary
from rimward.live.side_file import Change
from rimward.live.store import Store, open_store

START = datetime(2026, 3, 2, 17, 30, tzinfo=UTC)
_FAMILY = UUID("6a5c7d0e-0f5b-4c55-9f2a-3f1a86a3a0b1")
TYPICAL: Mapping[str, tuple[float, float, float]] = {
    "deg": (100.0, 3.0, 7.0),
    "m": (0.1, 0.02, 0.03),
    "s": (0.4, 0.05, 0.06),
    "mps": (7.0, 0.2, 0.3),
}
"""By the unit in a measurement's name: median, scatter, error."""


@dataclass(frozen=True)
class Day:
    """One session. `form` moves measurements: name -> (median, scatter); `tired` what the last rep has more."""

    reps: int = 12
    after_days: float = 0.0
    form: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    tired: Mapping[str, float] = field(default_factory=dict)
    made: float | None = None
    """Share of makes; None: nobody noted."""
    told: int | None = None
    """Of so many reps the result was noted, of the first ones; None: of all."""
    hidden: Mapping[str, str] = field(default_factory=dict)
    """Measurements that could not be seen, and why."""
    found: Mapping[str, Verdict] = field(default_factory=dict)
    """Verdicts of checks that are made of several measurements."""
    drill: str | None = None
    view: str | None = None


def rep(index: int, day: Day, part: float, bands: Mapping[str, Band], rng: np.random.Generator) -> Rep:
    """`part` runs from 0 to 1 in the course of the session."""
    measured: dict[str, Measurement] = {}
    for name in MEASUREMENTS:
        if name in day.hidden or name in ONLY_IN_SPACE or name in ONLY_CLOSE:
            measured[name] = Measurement.missing(day.hidden.get(name, "it needs the camera's place"))
            continue
        middle, scatter, sigma = TYPICAL[name.rsplit("_", 1)[1]]
        middle, scatter = day.form.get(name, (middle, scatter))
        value = rng.normal(middle, scatter) + part * day.tired.get(name, 0.0)
        measured[name] = Measurement(float(value), sigma, "image")
    release_s = 10.0 * index
    return Rep(
        index=index,
        hand="right",
        events=Events(
            pickup_s=release_s - 1.1,
            dip_s=release_s - rng.normal(0.7, 0.03),
            knee_min_s=release_s - 0.5,
            set_s=release_s - abs(rng.normal(0.3, 0.02)) - 0.05,
            release_s=release_s,
            apex_s=release_s + rng.normal(0.05, 0.01),
            landing_s=None,
        ),
        motion="one_motion",
        release_phase="rising",
        measurements=measured,
        findings=(
            *_findings(measured, bands),
            *(Finding(check, verdict, BY_NAME[check].measurement, 3.0) for check, verdict in day.found.items()),
        ),
        result=_result(index, day, rng),
        praise="That held" if index % 4 == 2 else None,
        answer=(None, "Finish high", "")[index % 3],
    )


def _result(index: int, day: Day, rng: np.random.Generator) -> Result | None:
    if day.made is None or (day.told is not None and index > day.told):
        return None
    return "made" if rng.random() < day.made else "missed"


def _findings(measured: Mapping[str, Measurement], bands: Mapping[str, Band]) -> list[Finding]:
    found = []
    for check in CHECKS:
        one, band = measured.get(check.measurement), bands.get(check.name)
        if check.value is not None:
            continue
        if one is None or one.value is None or one.sigma is None or band is None:
            continue
        short = 0.0 if band.low is None else (band.low - one.value) / one.sigma
        far = 0.0 if band.high is None else (one.value - band.high) / one.sigma
        excess = max(0.0, short, far)
        verdict = "in_band" if excess == 0 else "unsure" if excess <= 2 else "below" if short > far else "above"
        found.append(Finding(check.name, verdict, check.measurement, excess))
    return found


def practise(
    folder: Path, player: str, days: Sequence[Day], bands: Mapping[str, Band] | None = None, seed: int = 0
) -> Store:
    """Sessions of one player into the data folder, through a side file as after a crash; the open store."""
    rng = np.random.default_rng(seed)
    now, lines = START, []
    for number, day in enumerate(days):
        now += timedelta(days=day.after_days)
        start = SessionStart(
            id=str(uuid5(_FAMILY, f"{player}/{seed}/{number}")),
            player=player,
            hand="right",
            source="invented",
            settings_digest="",
            app_version="test",
            started_utc=now,
            drill=day.drill,
            view=day.view,
        )
        lines.append(Change(start))
        for index in range(1, day.reps + 1):
            part = (index - 1) / max(1, day.reps - 1)
            lines.append(Change(start, rep=rep(index, day, part, bands or {}, rng)))
        lines.append(
            Change(start, summary=SessionSummary(frames=300 * day.reps, dropped=0, duration_s=10.0 * day.reps))
        )
    pending = pending_folders(folder)[0]
    pending.mkdir(parents=True, exist_ok=True)
    text = "\n".join(json.dumps(line, default=side_file._plain) for line in lines)  # `append` would sync each line
    (pending / f"{uuid5(_FAMILY, player)}{side_file.WRITING}").write_text(f"{text}\n", "utf-8")
    return open_store(folder, lambda _: None)
