"""Steps into the shot and the order of the joints against known truth, by view.

    python -m tests.steps --rig DIR [DIR ...] [--cache DIR] [PART-OF-A-NAME ...]

On clips of tests/studio with their complete sidecars (.json and .npz): which foot landed first and by how much, whether
the step went forward or back, with and without a calibration; and by how much hip and elbow open fastest after the
knee. The clips are read like those of tests.accuracy.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.interpolate import CubicSpline

from rimward.live import footwork, measure, places, reps
from rimward.live.angles import internal_deg
from rimward.live.footwork import Footwork
from rimward.live.pose_model import model_path
from rimward.live.records import Measurement
from rimward.live.settings import load_settings
from rimward.live.track import from_observations

from . import accuracy
from .accuracy import VIEWS, Case
from .skill import view_of

OPENS = {"knee": ("hip", "knee", "ankle"), "hip": ("shoulder", "hip", "knee"), "elbow": ("shoulder", "elbow", "wrist")}
LAGS = {"hip_after_knee_s": ("knee", "hip"), "elbow_after_knee_s": ("knee", "elbow")}


@dataclass(frozen=True)
class Read:
    """One shot: what its script did with the feet and what was seen."""

    case: Case
    kind: str
    """set, hop, one_two or step_back, as the script asks."""
    lead_s: float | None
    """By how much the left foot really landed before the right; None for feet that stand."""
    calibrated: Footwork | footwork.NotSeen
    plain: Footwork | footwork.NotSeen
    """Without a calibration."""
    lags: dict[str, tuple[float, Measurement]]


def true_lead_s(sheet: dict) -> float | None:
    """From the feet's own contacts."""
    gather = sheet["shots"][0]["events_s"]["t_gather"]
    last = {one["foot"]: one["on_s"] for one in sheet["foot_contacts"] if 0 < one["on_s"] <= gather}
    return last["right"] - last["left"] if len(last) == 2 else None


def true_lags_s(case: Case, release_s: float) -> dict[str, float]:
    """From the exact joints, splined between the frames."""
    with np.load(case.path.with_suffix(".npz")) as exact:
        t, names, joints = exact["t_s"], list(exact["names"]), exact["joints"].astype(float)
    fine = np.arange(max(t[0], release_s - 0.8), min(t[-1], release_s + 0.1), 1 / 480)
    fastest = {}
    for joint, parts in OPENS.items():
        angle = internal_deg(*(joints[:, names.index(f"{case.hand}_{part}")] for part in parts))
        fastest[joint] = float(fine[np.argmax(CubicSpline(t, angle)(fine, 1))])
    return {name: fastest[then] - fastest[first] for name, (first, then) in LAGS.items()}


def read(cases: Iterator[Case], model: Path, cache: Path) -> Iterator[Read]:
    """Every clip whose shot is read."""
    settings = load_settings().phases
    for case in cases:
        sheet = json.loads(case.path.with_suffix(".json").read_text())
        if "foot_contacts" not in sheet or len(sheet["shots"]) != 1:
            continue
        case = replace(case, view=view_of(case))
        observations, _, scales = accuracy.observe(case, model, cache)
        release_s = case.shots[0][0]
        near = [k for k, one in enumerate(observations) if -4.0 <= one.t_s - release_s <= 2.6]
        window = [observations[k] for k in near]
        px_per_m = float(np.nanmedian([scales[k] for k in near]))
        track = from_observations(window, px_per_m, case.calibration.image_size)
        reading = reps.read(track, release_s, case.hand, settings)  # type: ignore[arg-type]
        if isinstance(reading, reps.NotAShot):
            print(f"{case.path.stem}: no shot near {release_s:.2f} s: {reading.reason}")
            continue
        floor = footwork.floor_places(window, case.calibration)
        shot = measure.shot(reading, case.stature_m, True, floor)
        values = measure.measure(shot)
        yield Read(
            case,
            sheet["shots"][0]["requested"]["footwork"],
            true_lead_s(sheet),
            measure.steps(shot),
            measure.steps(replace(shot, floor=None)),
            {name: (true, values[name]) for name, true in true_lags_s(case, release_s).items()},
        )


def verdict(one: Read, found: Footwork | footwork.NotSeen) -> str:
    """How what was seen compares: right, wrong, open (nothing false was said), not seen."""
    if isinstance(found, footwork.NotSeen):
        return "not seen"
    if one.lead_s is None or found.kind in ("set", "one_foot"):
        return "right" if one.lead_s is None and found.kind == "set" else "wrong"
    together = one.kind == "hop"
    first = None if together else "left" if one.lead_s > 0 else "right"
    if found.kind not in (one.kind, "step") or found.first not in (first, None):
        return "wrong"
    return "right" if found.kind == one.kind and found.first == first else "open"


def show(found: Sequence[Read], console: Console) -> None:
    """Two tables."""
    table = Table(title="footwork: right / open / not seen / wrong")
    for column in ("script asks", "calibration", *VIEWS, "lead off, median", "lead in 2 sigma"):
        table.add_column(column)
    for kind in ("set", "hop", "one_two", "step_back"):
        for calibrated in (True, False):
            here = [(one, one.calibrated if calibrated else one.plain) for one in found if one.kind == kind]
            cells = []
            for view in VIEWS:
                count = Counter(verdict(one, seen) for one, seen in here if one.case.view == view)
                cells.append(" / ".join(str(count[word]) for word in ("right", "open", "not seen", "wrong")))
            leads = [
                (lead[0] - one.lead_s, lead[1])
                for one, seen in here
                if isinstance(seen, Footwork) and one.lead_s is not None and (lead := seen.lead_s("left")) is not None
            ]
            off = np.array(leads).reshape(-1, 2)
            said = (
                f"{1000 * np.median(np.abs(off[:, 0])):.0f} ms",
                f"{np.mean(np.abs(off[:, 0]) < 2 * off[:, 1]):.2f}",
            )
            table.add_row(kind, "yes" if calibrated else "no", *cells, *(said if len(off) else ("", "")))
    console.print(table)
    for one in found:
        for what, seen in (("with", one.calibrated), ("without", one.plain)):
            if verdict(one, seen) == "wrong":
                console.print(f"{one.case.path.stem} {what} a calibration: {one.kind}, {one.lead_s}: {seen}")
    table = Table(title="order of the joints (from the picture): given of shots, median error, sign right, in 2 sigma")
    for column in ("lag", *VIEWS):
        table.add_column(column)
    by_name: dict[str, list[tuple[str, float, Measurement]]] = defaultdict(list)
    for one in found:
        for name, (true, measured) in one.lags.items():
            by_name[name].append((one.case.view, true, measured))
    for name, values in by_name.items():
        cells = []
        for view in VIEWS:
            here = [(true, m) for where, true, m in values if where == view]
            given = [(true, m.value, m.sigma) for true, m in here if m.value is not None and m.sigma is not None]
            if not given:
                cells.append(f"0/{len(here)}")
                continue
            true, value, sigma = np.array(given).T
            cells.append(
                f"{len(given)}/{len(here)}, {1000 * np.median(np.abs(value - true)):.0f} ms, "
                f"{np.mean(np.sign(value) == np.sign(true)):.2f}, {np.mean(np.abs(value - true) < 2 * sigma):.2f}"
            )
        table.add_row(name, *cells)
    console.print(table)


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.steps", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="only clips whose name holds one of these")
    parser.add_argument("--rig", type=Path, required=True, nargs="+", help="folders of clips of tests.studio")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rimward-accuracy")
    given = parser.parse_args(arguments)
    model = model_path(places.data_folder())
    cases = (
        case
        for folder in given.rig
        for case in accuracy.studio_cases(folder)
        if case.path.with_suffix(".npz").is_file()
        and (not given.names or any(part in case.path.stem for part in given.names))
    )
    show(list(read(cases, model, given.cache)), Console(width=150))


if __name__ == "__main__":
    main()
