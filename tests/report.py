"""Reps found, missed and invented, errors of set and release, speed and latency, clip by clip.

    python tests/report.py [--rig DIR] [PART-OF-A-NAME ...]

Runs the whole program below the devices (clip, real pose network, pipeline, loop) on the test clips, the bundled demo
and, where they lie beside the checkout, the reference clips and recordings; with --rig on the clips of tests/studio in
a folder instead, hand and stature given. Truth comes from the file beside each clip.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from rimward.live import loop, places
from rimward.live.assets import config_text
from rimward.live.clip import open_clip
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import Pipeline, Step
from rimward.live.pose_model import check, model_path
from rimward.live.records import Rep
from rimward.live.session_records import SessionSummary
from rimward.live.settings import load_settings
from rimward.live.sightings import sightings
from rimward.live.words import read_words

ROOT = Path(__file__).resolve().parents[1]
TRUTH = ROOT.parent / "shared" / "truth"
SAME_S = 0.5
"""A rep whose release lies this near to a true one is that one."""


@dataclass(frozen=True)
class TrueRep:
    """What the file beside the clip says of one shot; None where it does not."""

    release_s: float
    set_s: float | None = None
    hand: str | None = None


@dataclass(frozen=True)
class Case:
    """A clip and what is true of it."""

    path: Path
    reps: tuple[TrueRep, ...]
    player: dict[str, object]
    from_the_side: bool
    release_tolerance_s: float

    @property
    def name(self) -> str:
        return self.path.stem


@dataclass(frozen=True)
class Outcome:
    """What the program made of a clip."""

    case: Case
    reps: tuple[Rep, ...]
    said: tuple[str | None, ...]
    summary: SessionSummary
    gap_s: float
    """Median time between frames."""
    ball_seen: int
    """Frames in which the ball was found."""

    @property
    def pairs(self) -> list[tuple[TrueRep, Rep]]:
        """Each true shot with the rep that found it."""
        left, pairs = list(self.reps), []
        for true in self.case.reps:
            near = [rep for rep in left if abs(rep.events.release_s - true.release_s) <= SAME_S]
            if near:
                rep = min(near, key=lambda r: abs(r.events.release_s - true.release_s))
                left.remove(rep)
                pairs.append((true, rep))
        return pairs

    @property
    def missed(self) -> int:
        return len(self.case.reps) - len(self.pairs)

    @property
    def invented(self) -> int:
        return len(self.reps) - len(self.pairs)

    def late_ms(self, event: str) -> list[float]:
        """Program minus truth, for every found rep whose truth is known."""
        known = [(getattr(true, f"{event}_s"), getattr(rep.events, f"{event}_s")) for true, rep in self.pairs]
        return [1000 * (ours - true) for true, ours in known if true is not None]


def shipped_cases(folder: Path = ROOT / "tests" / "clips") -> list[Case]:
    """The clips that the tests bring along."""
    return [_studio_case(path, {}) for path in sorted(folder.glob("*.mp4"))]


def demo_case() -> Case:
    """The bundled demo with the player that it is shown with."""
    path = ROOT / "live" / "demo_clip.mp4"
    player = json.loads(path.with_suffix(".json").read_text())["player"]
    return _studio_case(path, {"hand": player["hand"], "stature_m": player["stature_m"]})


def reference_cases(folder: Path = TRUTH) -> list[Case]:
    """Rendered clips with exact truth and real recordings; empty where they do not lie beside the checkout."""
    cases = []
    for path in sorted((folder / "clips").glob("*.mp4")):
        truth = json.loads(path.with_name(f"{path.stem}.truth.json").read_text())
        reps = tuple(
            TrueRep(rep["events_s"]["t_release_s"], rep["events_s"]["t_set_s"], rep["hand"]) for rep in truth["reps"]
        )
        cases.append(Case(path, reps, {}, truth["view"] == "side", 2.1 / truth["fps"]))
    real = folder / "real" / "real.json"
    for one in json.loads(real.read_text()) if real.is_file() else []:
        reps = tuple(TrueRep(release_s) for release_s in one["releases_s"])
        cases.append(Case(real.with_name(one["file"]), reps, {}, False, one.get("release_tolerance_s", 0.08)))
    return cases


def _studio_case(path: Path, player: dict[str, object]) -> Case:
    sheet = json.loads(path.with_suffix(".json").read_text())
    reps = tuple(TrueRep(rep["events_s"]["t_release"], rep["events_s"]["t_set"], rep["hand"]) for rep in sheet["reps"])
    return _rendered(path, reps, player, sheet["camera"]["placement"], sheet["fps"])


def _rendered(
    path: Path, reps: tuple[TrueRep, ...], player: dict[str, object], placement: dict[str, float], fps: float
) -> Case:
    # its times are exact, not of frames, and a ball at 7 m/s needs 14 ms to leave the hand's reach
    return Case(path, reps, player, abs(placement["bearing_deg"]) >= 75, 2.1 / fps + 0.015)


def rendered_cases(folder: Path) -> list[Case]:
    """Clips as `tests.studio` writes them."""
    cases = []
    for path in sorted(folder.glob("*.mp4")):
        sheet = json.loads(path.with_suffix(".json").read_text())
        reps = tuple(
            TrueRep(one["events_s"]["t_release"], one["events_s"]["t_set"], sheet["hand"]) for one in sheet["shots"]
        )
        player = {"hand": sheet["hand"], "stature_m": sheet["player"]["stature_m"]}
        cases.append(_rendered(path, reps, player, sheet["placement"], sheet["fps"]))
    return cases


def run(case: Case, model: Path) -> Outcome:
    """One clip through everything but window, sound and disk."""
    settings = load_settings(options={"player": case.player} if case.player else None)
    words = read_words(config_text("words_en.toml"), "words_en.toml")
    estimator, clip = MediapipePose(model), open_clip(case.path)
    steps: list[Step] = []
    watch = _Watch()
    meter = loop.Meter()
    try:
        estimator.warm_up(2)
        pipeline = Pipeline(settings, words)
        seen = sightings(clip, estimator, pipeline.people_to_ask)
        loop.run(seen, pipeline, watch, steps.append, lambda _: None, meter)
    finally:
        clip.close()
        estimator.close()
    reps = tuple(step.rep for step in steps if step.rep is not None)
    said = tuple(None if rep.cue is None else rep.cue.text for rep in reps)
    gap_s = float(np.median(np.diff(watch.times_s))) if len(watch.times_s) > 1 else 0.0
    return Outcome(case, reps, said, meter.summary(clip.dropped), gap_s, watch.balls)


class _Watch:
    """Looks at the views that a window would show."""

    def __init__(self) -> None:
        self.times_s: list[float] = []
        self.balls = 0

    def show(self, view) -> None:
        self.times_s.append(view.t_s)
        self.balls += view.ball is not None


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python tests/report.py", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="only clips whose name holds one of these")
    parser.add_argument("--rig", type=Path, help="folder of clips that tests/studio rendered")
    given = parser.parse_args(arguments)
    model = model_path(places.data_folder())
    check(model)
    cases = [*shipped_cases(), *reference_cases(), demo_case()] if given.rig is None else rendered_cases(given.rig)
    cases = [case for case in cases if not given.names or any(part in case.name for part in given.names)]
    table = Table(title="ms: program minus truth, one number a rep")
    for column in (
        "clip",
        "true",
        "found",
        "missed",
        "invented",
        "set ms",
        "release ms",
        "frames/s",
        "p50 ms",
        "p95 ms",
    ):
        table.add_column(column, justify="left" if column == "clip" else "right", no_wrap=True)
    table.add_column("cues")
    outcomes = []
    for case in cases:
        one = run(case, model)
        outcomes.append(one)
        print(f"{case.name}: {len(one.pairs)} of {len(case.reps)}", file=sys.stderr, flush=True)
        table.add_row(
            case.name,
            *(str(n) for n in (len(case.reps), len(one.pairs), one.missed, one.invented)),
            " ".join(f"{late:+.0f}" for late in one.late_ms("set")),
            " ".join(f"{late:+.0f}" for late in one.late_ms("release")),
            *(f"{n:.0f}" for n in (one.summary.processing_fps, one.summary.latency_p50_ms, one.summary.latency_p95_ms)),
            "; ".join(text or "-" for text in one.said),
        )
    Console(width=200).print(table)
    found = sum(len(one.pairs) for one in outcomes)
    print(f"found {found}, missed {sum(o.missed for o in outcomes)}, invented {sum(o.invented for o in outcomes)}")
    side = [late for one in outcomes if one.case.from_the_side for late in one.late_ms("set")]
    release = [late for one in outcomes for late in one.late_ms("release")]
    for name, late in (("set, from the side", side), ("release, all views", release)):
        if late:
            print(
                f"{name}: median {np.median(late):+.0f} ms, median size {np.median(np.abs(late)):.0f}, "
                f"largest {np.max(np.abs(late)):.0f}, n {len(late)}"
            )
    return 1 if any(one.missed or one.invented for one in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
