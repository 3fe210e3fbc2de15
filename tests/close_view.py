"""How good the close view is: shots counted and every value of it against known truth, by where the camera stands.

    python -m tests.studio.close_shots --out DIR          # with the studio's Python
    python -m tests.close_view --clips DIR [PART-OF-A-NAME ...]

The real networks of body and hands and the whole pipeline run on each clip; the player's stature is known, the hand is
left to the program.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from rimward.live import measure, places, pose_model
from rimward.live.assets import english
from rimward.live.clip import open_clip
from rimward.live.mediapipe_hands import CloseView
from rimward.live.pipeline import Pipeline, Sighting
from rimward.live.records import Frame, Measurement, Rep
from rimward.live.settings import load_settings

VIEWS = ("shooting_side", "front", "guide_side")
"""As the clips' names end."""


@dataclass(frozen=True)
class Shot:
    """A clip's shot and what the program made of it."""

    name: str
    view: str
    hand: str
    true: dict[str, float | None]
    rep: Rep | None
    """None: it was not counted."""


@dataclass(frozen=True)
class Value:
    """One measurement of one counted shot."""

    view: str
    true: float
    measured: Measurement


def practise(clip: Path, data: Path) -> Shot:
    """Run the program on one clip of tests.studio.close_shots."""
    sheet = json.loads(clip.with_suffix(".json").read_text())
    settings = load_settings()
    player = settings.player.model_copy(update={"stature_m": sheet["player"]["stature_m"]})
    close = settings.pose.model_copy(update={"close": True})
    pipeline = Pipeline(settings.model_copy(update={"player": player, "pose": close}), english())
    network, reps = CloseView(pose_model.model_path(data), pose_model.hands_path(data)), []
    for frame in open_clip(clip):
        if isinstance(frame, Frame):
            asked = pipeline.people_to_ask()
            reps.append(pipeline.step(Sighting(frame, network.estimate(frame, asked), asked)).rep)
    last = pipeline.finish()
    reps.append(None if last is None else last.rep)
    network.close()
    rep = next((one for one in reps if one is not None), None)
    view = next(view for view in VIEWS if clip.stem.endswith(view))
    return Shot(clip.stem, view, sheet["hand"], sheet["shots"][0]["measurements"], rep)


def counted(shots: Sequence[Shot]) -> Table:
    """How many shots became reps, and of which the shooting hand was told right."""
    table = Table("camera", "shots", "counted", "hand right", title="counted")
    for view in VIEWS:
        here = [shot for shot in shots if shot.view == view]
        reps = [(shot, shot.rep) for shot in here if shot.rep is not None]
        table.add_row(view, str(len(here)), str(len(reps)), str(sum(rep.hand == shot.hand for shot, rep in reps)))
    return table


def values(shots: Sequence[Shot]) -> dict[str, list[Value]]:
    """By measurement, of the counted shots."""
    found: dict[str, list[Value]] = defaultdict(list)
    for shot in shots:
        for name in measure.ONLY_CLOSE:
            true = shot.true.get(name)
            if shot.rep is not None and true is not None:
                found[name].append(Value(shot.view, true, shot.rep.measurements[name]))
    return found


def errors(found: Sequence[Value]) -> Table:
    """Of one measurement, by view."""
    table = Table("camera", "given", "median error", "bias", "largest", "stated", "in 2 sigma", "of a constant")
    for view in VIEWS:
        here = [value for value in found if value.view == view]
        given = [value for value in here if value.measured.value is not None]
        row = [view, f"{len(given)}/{len(here)}"]
        if given:
            true = np.array([value.true for value in given])
            off = np.array([value.measured.value for value in given], float) - true
            sigma = np.array([value.measured.sigma for value in given], float)
            row += [f"{np.median(np.abs(off)):.3g}", f"{off.mean():+.3g}", f"{np.abs(off).max():.3g}"]
            row += [f"{np.median(sigma):.3g}", f"{int((np.abs(off) <= 2 * sigma).sum())}"]
            row += [f"{np.median(np.abs(true - np.median(true))):.3g}"]
        table.add_row(*row)
    return table


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.close_view", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="only clips whose name holds one of these")
    parser.add_argument("--clips", type=Path, required=True, help="folder of tests.studio.close_shots")
    given = parser.parse_args(arguments)
    data = places.data_folder()
    shots = []
    for clip in sorted(given.clips.glob("*.mp4")):
        if not given.names or any(part in clip.stem for part in given.names):
            shots.append(practise(clip, data))
            if shots[-1].rep is None:
                print(f"{clip.stem}: not counted")
    console = Console(width=120)
    console.print(counted(shots))
    for name, found in values(shots).items():
        table = errors(found)
        table.title = name
        console.print(table)


if __name__ == "__main__":
    main()
