"""What the measurements know beyond a player's average: skill on shots whose form varies widely.

    python -m tests.studio.random_shots --out DIR --count 64      # with the studio's Python
    python -m tests.skill --rig DIR [--clicked] [--untold] [--out FILE.json] [--markdown] [PART-OF-A-NAME ...]

Skill is 1 - MAE / (MAE of the best constant): 1 is perfect, 0 is no better than always saying the same. The best
constant is the median of the truth of these very shots, which no program can know, so the comparison is a hard one.
Two numbers: over the shots that got a value, and over all shots with the constant put in for every null, so that
keeping silent on the hard ones earns nothing. The clips are read like those of tests.accuracy. --markdown prints the
README's table: median error by view, with how many of the shots got a value. --clicked places the camera by the clip's
points file without the lens, --untold leaves out the stature: then it is as for somebody who knows neither.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from rimward.live import measure, places
from rimward.live.glossary import TERMS
from rimward.live.pose_model import model_path

from . import accuracy
from .accuracy import VIEWS, Case, Row

ASKED = (
    "elbow_at_set_deg",
    "knee_min_deg",
    "hold_s",
    "arm_offset_at_set_m",
    "feet_heading_deg",
    "hips_heading_deg",
    "shoulders_heading_deg",
)
ASKED_SKILL = 0.5
BEARINGS = {"front": 0.0, "diag": 45.0, "side": 90.0, "behind": 180.0}


@dataclass(frozen=True)
class Skill:
    """How one measurement did."""

    given: int
    shots: int
    mae: float
    constant_mae: float
    """Of the best constant, over the shots that got a value."""
    skill: float
    skill_with_nulls: float


def skill(found: Sequence[Row]) -> Skill:
    """Of all rows of one measurement."""
    truth = np.array([row.true for row in found])
    values = np.array([np.nan if row.measured.value is None else row.measured.value for row in found])
    known = np.isfinite(values)
    best = float(np.median(truth))
    off, off_constant = np.abs(values - truth), np.abs(truth - best)
    here = np.abs(truth[known] - np.median(truth[known])) if known.any() else np.array([np.nan])
    filled = np.where(known, off, off_constant)
    mae = float(off[known].mean()) if known.any() else float("nan")
    return Skill(
        given=int(known.sum()),
        shots=len(found),
        mae=mae,
        constant_mae=float(here.mean()),
        skill=_skill(mae, float(here.mean())),
        skill_with_nulls=_skill(float(filled.mean()), float(off_constant.mean())),
    )


def _skill(mae: float, constant_mae: float) -> float:
    """NaN where all shots are alike: there nothing can be shown."""
    return 1 - mae / constant_mae if constant_mae > 0 else float("nan")


def view_of(case: Case) -> str:
    """Where the camera really stood round this player, who need not be at the free-throw line."""
    placement = json.loads(case.path.with_suffix(".json").read_text()).get("placement")
    if placement is None:
        return case.view
    bearing = abs(placement["bearing_deg"])
    return min(BEARINGS, key=lambda view: abs(BEARINGS[view] - bearing))


def show(found: Sequence[Row], console: Console) -> None:
    """Skill by measurement, then shares near and far off and inside 2 sigma by view."""
    table = Table(title=f"skill: 1 - MAE / MAE of the best constant ({ASKED_SKILL} asked of those marked *)")
    for column in ("measurement", "given", "MAE", "constant", "skill", "nulls as constant", *VIEWS):
        table.add_column(column)
    for name in measure.MEASUREMENTS:
        here = [row for row in found if row.name == name]
        if not here:
            continue
        s = skill(here)
        parts = [skill(part) if (part := [row for row in here if row.view == view]) else None for view in VIEWS]
        table.add_row(
            f"{name}{' *' if name in ASKED else ''}",
            f"{s.given}/{s.shots}",
            f"{s.mae:.3g}",
            f"{s.constant_mae:.3g}",
            f"{s.skill:.2f}",
            f"{s.skill_with_nulls:.2f}",
            *("-" if p is None or not p.given else f"{p.skill:.2f} ({p.given}/{p.shots})" for p in parts),
        )
    console.print(table)
    by_view = Table(title="by view: share near (5 degrees, 3 cm, 67 ms), off by more than three times that, in 2 sigma")
    for column in ("view", "values", "given", "near", "far off", "in 2 sigma"):
        by_view.add_column(column)
    for view in (*VIEWS, "all"):
        here = [row for row in found if view in (row.view, "all") and row.name not in accuracy.OUR_OWN]
        if not here:
            continue
        given = [row for row in here if row.measured.value is not None]
        off = np.array([abs(accuracy.error(row)) / accuracy.near(row.name) for row in given])
        inside = np.mean([abs(accuracy.error(row)) < 2 * (row.measured.sigma or 0.0) for row in given])
        by_view.add_row(
            view,
            str(len(here)),
            f"{len(given) / len(here):.2f}",
            f"{np.sum(off <= 1) / len(here):.2f}",
            f"{np.sum(off > 3) / len(here):.3f}",
            f"{inside:.2f}",
        )
    console.print(by_view)


def markdown(found: Sequence[Row]) -> str:
    """Median absolute error by view with the shots that got a value, and how many lie within two of their errors."""
    shown = {"deg": (1.0, "°"), "m": (100.0, " cm"), "s": (1.0, " s"), "mps": (1.0, " m/s")}
    lines = ["| measurement | side | half front | front | behind | within two errors |", "|---|---|---|---|---|---|"]
    for name in measure.MEASUREMENTS:
        here = [row for row in found if row.name == name]
        given = [row for row in here if row.measured.value is not None]
        if not given:
            continue
        factor, unit = shown[name.rpartition("_")[2]]
        cells = []
        for view in VIEWS:
            part = [row for row in here if row.view == view]
            off = [factor * abs(accuracy.error(row)) for row in part if row.measured.value is not None]
            places = 2 if unit in (" s", " m/s") else 1 if off and np.median(off) < 2 else 0
            cells.append(f"{np.median(off):.{places}f}{unit} ({len(off)} of {len(part)})" if off else "null")
        inside = np.mean([abs(accuracy.error(row)) < 2 * (row.measured.sigma or 0.0) for row in given])
        lines.append(f"| {TERMS[name].label} | {' | '.join(cells)} | {100 * inside:.0f} % |")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.skill", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="only clips whose name holds one of these")
    parser.add_argument("--rig", type=Path, required=True, help="folder of tests.studio.random_shots")
    parser.add_argument("--clicked", action="store_true", help="the camera by clicked marks, the lens unknown")
    parser.add_argument("--untold", action="store_true", help="nobody told the stature")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rimward-accuracy")
    parser.add_argument("--out", type=Path, help="every value as JSON, to look closer")
    parser.add_argument("--markdown", action="store_true", help="print the README's table as well")
    given = parser.parse_args(arguments)
    model = model_path(places.data_folder())
    found: list[Row] = []
    clips = 0
    for case in accuracy.studio_cases(given.rig):
        if given.names and not any(part in case.path.stem for part in given.names):
            continue
        clips += 1
        case = replace(case, view=view_of(case))
        case = accuracy.clicked(case) if given.clicked else case
        case = accuracy.untold(case) if given.untold else case
        found += accuracy.rows(case, model, given.cache)[0]
    console = Console(width=150)
    read = len({row.clip for row in found})
    console.print(f"{clips} clips, {read} read and lifted")
    if found:
        show(found, console)
    if given.markdown:
        print(markdown(found))
    if given.out is not None:
        values = [
            {"clip": row.clip, "view": row.view, "name": row.name, "true": row.true}
            | {"value": row.measured.value, "sigma": row.measured.sigma, "reason": row.measured.reason}
            for row in found
        ]
        given.out.write_text(json.dumps(values, indent=1) + "\n")


if __name__ == "__main__":
    main()
