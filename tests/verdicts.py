"""Whether what is said is true: the verdicts and cues of the whole program against shots of known form.

    python -m tests.verdicts --rig DIR [--no-calibration] [PART-OF-A-NAME ...]

Every clip is a session of its own through the real network, pipeline and coach. A verdict is held against that of the
same check and band on the true form: a fault is named (truly or falsely), missed, or left unsure. The cue is what
the player would have heard about. Clips are rendered by tests/studio (.mp4 with .json beside it).
"""

from __future__ import annotations

import argparse
import json
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import platformdirs
from rich.console import Console
from rich.table import Table

from rimward.live import loop
from rimward.live.assets import config_text, joint_network
from rimward.live.checks import BY_NAME, CHECKS, judge
from rimward.live.clip import open_clip
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import Pipeline, Step
from rimward.live.pose_model import model_path
from rimward.live.records import Band, Events, Measurement, Rep
from rimward.live.settings import load_settings
from rimward.live.sightings import sightings
from rimward.live.words import read_words

from .accuracy import ROOT, VIEWS, Case, studio_cases

NAMED = ("below", "above")
_EXACT = {"deg": 1e-3, "m": 1e-5, "s": 1e-5, "mps": 1e-4}


@dataclass(frozen=True)
class Line:
    """One check of one shot."""

    clip: str
    view: str
    check: str
    true: str
    """in_band, below or above."""
    said: str | None
    """A verdict, or None where the view gave no value."""
    cue: bool
    """This is what the player heard about."""


def true_steps(case: Case, release_s: float) -> dict[str, float | None]:
    """By how long the guide-side foot landed first in the step into the shot, from when each foot touched the floor."""
    sheet = json.loads(case.path.with_suffix(".json").read_text())
    script = json.loads(sheet["script_text"]) if isinstance(sheet.get("script_text"), str) else sheet.get("script_text")
    landed = {
        foot: [
            one["on_s"]
            for one in sheet.get("foot_contacts") or ()
            if one["foot"] == foot and release_s - 2.0 < one["on_s"] < release_s - 0.1 and one["on_s"] > 0
        ]
        for foot in ("left", "right")
    }
    if not all(landed.values()):
        return {}
    guide = "left" if case.hand == "right" else "right"
    lead = landed[case.hand][-1] - landed[guide][-1]
    back = script is not None and any(act.get("footwork") == "step_back" for act in script["acts"])
    return {"guide_foot_lead_s": lead, "step_back_lead_s": lead if back else None}


def true_rep(case: Case, measurements: dict[str, float | None]) -> Rep:
    """The shot as it was, without error."""
    values = {
        name: Measurement(value, _EXACT[name.rpartition("_")[2]], "image")
        for name, value in measurements.items()
        if value is not None and name.rpartition("_")[2] in _EXACT
    }
    events = Events(None, None, None, 0.0, 1.0, None, None)
    return Rep(1, "left" if case.hand == "left" else "right", events, None, None, values)


def session(case: Case, model: Path, calibrated: bool) -> list[Rep]:
    """The reps of a clip as practice gives them, each a session of its own."""
    settings = load_settings(None, {"player": {"hand": case.hand, "stature_m": case.stature_m}})
    words = read_words(config_text("words_en.toml"), "words_en.toml")
    network, clip = MediapipePose(model), open_clip(case.path)
    pipeline = Pipeline(settings, words, calibration=case.calibration if calibrated else None, joints=joint_network())
    found: list[Rep] = []

    def keep(step: Step) -> None:
        if step.rep is not None:
            found.append(step.rep)

    seen = sightings(clip, network, pipeline.people_to_ask)
    loop.run(seen, pipeline, None, keep, print, loop.Meter())
    clip.close()
    network.close()
    return found


def lines(case: Case, model: Path, bands: dict[str, Band], calibrated: bool) -> Iterator[Line]:
    """Every check of every true shot of a clip."""
    reps = session(case, model, calibrated)
    for release_s, measured in case.shots:
        truth = measured | true_steps(case, release_s)
        near = [rep for rep in reps if abs(rep.events.release_s - release_s) < 0.3]
        rep = near[0] if near else None
        said = {} if rep is None else {one.check: one.verdict for one in rep.findings}
        for true in judge(true_rep(case, truth), bands, 0.0):
            cue = rep is not None and rep.cue is not None and rep.cue.check == true.check
            yield Line(case.path.stem, case.view, true.check, true.verdict, said.get(true.check), cue)
        if rep is None:
            print(f"{case.path.stem}: the shot at {release_s:.2f} s was not counted")
        elif rep.cue is not None and not any(
            one.check == rep.cue.check for one in judge(true_rep(case, truth), bands, 0)
        ):
            print(f"{case.path.stem}: cue {rep.cue.check}, of which the truth says nothing")


def show(found: Sequence[Line], console: Console) -> None:
    """The tables: by check, by view, and the cues."""
    table = Table(title="verdicts against the true form, and cues")
    for column in (
        "check",
        "faults",
        "named",
        "unsure",
        "missed",
        "no value",
        "fine",
        "called a fault",
        "cues",
        "of them true",
    ):
        table.add_column(column, justify="left" if column == "check" else "right")
    for name in [check.name for check in CHECKS] + [f"all, {view}" for view in VIEWS] + ["all"]:
        here = [
            one
            for one in found
            if name == "all"
            or name == one.check
            or (name.startswith("all, ") and one.view == name.removeprefix("all, "))
        ]
        if here:
            table.add_row(name, *map(str, _counts(here)), end_section=name == CHECKS[-1].name)
    console.print(table)


def _counts(here: Sequence[Line]) -> tuple[int, ...]:
    faults = [one for one in here if one.true in NAMED]
    fine = [one for one in here if one.true == "in_band"]
    said = Counter(
        "named"
        if one.said == one.true
        else "no value"
        if one.said is None
        else "unsure"
        if one.said == "unsure"
        else "missed"
        for one in faults
    )
    cues = [one for one in here if one.cue]
    return (
        len(faults),
        said["named"],
        said["unsure"],
        said["missed"],
        said["no value"],
        len(fine),
        sum(one.said in NAMED for one in fine),
        len(cues),
        sum(one.said == one.true for one in cues),
    )


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.verdicts", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="only clips whose name holds one of these")
    parser.add_argument("--rig", type=Path, default=ROOT / "tests" / "clips", help="folder of rendered clips")
    parser.add_argument("--no-calibration", action="store_true", help="as if nobody had said where the hoop is")
    parser.add_argument("--verbose", action="store_true", help="every verdict that is not true or not given")
    given = parser.parse_args(arguments)
    data = os.environ.get("RIMWARD_DATA_DIR")
    model = model_path(Path(data) if data else platformdirs.user_data_path("rimward", appauthor=False))
    bands = load_settings().check_bands()
    assert set(bands) <= set(BY_NAME)
    found: list[Line] = []
    for case in studio_cases(given.rig):
        if given.names and not any(part in case.path.stem for part in given.names):
            continue
        new = list(lines(case, model, bands, not given.no_calibration))
        found += new
        for one in new if given.verbose else []:
            if one.cue or one.true in NAMED or one.said in NAMED:
                print(
                    f"{one.clip:36s} {one.check:18s} true {one.true:8s} said {one.said} {'CUE' if one.cue else ''}",
                    flush=True,
                )
    show(found, Console(width=130))


if __name__ == "__main__":
    main()
