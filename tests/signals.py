"""Arm signals shown by accident, and the hold tone against true set and release, on every clip.

    python -m tests.signals [FOLDER ...]

Runs the real pose network, ball and phases on the test clips, the bundled demo, the reference clips beside the checkout
and on clips of the studio in FOLDER. On the clip of signals they must be told; everywhere else none may.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from rimward.live import places
from rimward.live.assets import config_text
from rimward.live.clip import open_clip
from rimward.live.gestures import GestureWatch
from rimward.live.hold_aid import HoldAid
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import Pipeline
from rimward.live.pose_model import model_path
from rimward.live.records import Phase
from rimward.live.settings import load_settings
from rimward.live.sightings import sightings
from rimward.live.words import read_words

ROOT = Path(__file__).resolve().parents[1]
TRUTH = ROOT.parent / "shared" / "truth"
SHOOTING = (Phase.RELEASE, Phase.FOLLOW_THROUGH)


@dataclass(frozen=True, slots=True)
class Watched:
    """What one clip brought."""

    seconds: float
    shown: float
    """The most progress of a signal that the screen would have shown."""
    told: list[str]
    tones: list[tuple[float, float]]
    """From when to when the hold tone sounded."""


def watch(path: Path, model: Path) -> Watched:
    """Run one clip. Signals are watched with a rep always there to speak of, so that none is kept back."""
    settings = load_settings()
    pipeline = Pipeline(settings, read_words(config_text("words_en.toml"), "words_en.toml"))
    estimator, source = MediapipePose(model), open_clip(path)
    hands, aid = GestureWatch(settings.gestures.hold_s), HoldAid()
    shown, told, tones, since_s, t_s = 0.0, [], [], None, 0.0
    for sighting in sightings(source, estimator, pipeline.people_to_ask, 1):
        view, t_s = pipeline.step(sighting).view, sighting.frame.t_s
        if pipeline.paused:
            pipeline.toggle_pause()
        held = hands.update(t_s, view.pose, sighting.frame.size, shooting=view.phase in SHOOTING)
        if held is not None:
            shown = max(shown, held.progress)
            told += [held.gesture.value] if held.confirmed else []
        sounds = aid.update(t_s, view.phase)
        if sounds and since_s is None:
            since_s = t_s
        elif not sounds and since_s is not None:
            tones.append((since_s, t_s))
            since_s = None
    estimator.close()
    source.close()
    return Watched(t_s, shown, told, tones)


def shots_of(path: Path) -> list[tuple[float, float]]:
    """(set, release) of the file beside a clip; empty where there is none."""
    beside = [path.with_suffix(".truth.json"), path.with_suffix(".json")]
    found = next((json.loads(file.read_text("utf-8")) for file in beside if file.exists()), None)
    if not isinstance(found, dict):
        return []
    events = [rep["events_s"] for rep in found.get("reps", found.get("shots", []))]
    pairs = [(one.get("t_set", one.get("set")), one.get("t_release", one.get("release"))) for one in events]
    return [pair for pair in pairs if None not in pair]


def main() -> None:
    """Print the table."""
    folder = places.data_folder()
    clips = [ROOT / "live" / "demo_clip.mp4"]
    for part in (ROOT / "tests" / "clips", TRUTH / "clips", TRUTH / "real", *map(Path, sys.argv[1:])):
        clips += sorted(part.glob("*.mp4"))
    table = Table("clip", "seconds", "signals told", "most shown", "tone - set, ms", "tone's end - release, ms")
    starts, ends, silent, seconds = [], [], 0, 0.0
    for path in clips:
        got = watch(path, model_path(folder))
        seconds += got.seconds
        late, after = [], []
        for set_s, release_s in shots_of(path):
            near = [tone for tone in got.tones if tone[1] > set_s - 0.15 and tone[0] < release_s + 0.1]
            if near:
                late.append(1000 * (near[0][0] - set_s))
                after.append(1000 * (near[-1][1] - release_s))
            else:
                silent += 1
        starts, ends = starts + late, ends + after
        table.add_row(
            path.stem,
            f"{got.seconds:.0f}",
            ", ".join(got.told),
            f"{got.shown:.2f}",
            " ".join(f"{v:+.0f}" for v in late),
            " ".join(f"{v:+.0f}" for v in after),
        )
    console = Console()
    console.print(table)
    console.print(
        f"{seconds:.0f} s; hold tone: {len(starts)} shots, {silent} without one; start and end against truth,"
    )
    for name, values in (("start", starts), ("end", ends)):
        console.print(
            f"  {name}: " + ", ".join(f"{np.quantile(values, q):+.0f}" for q in (0, 0.5, 1)) + " ms (min, median, max)"
        )


if __name__ == "__main__":
    main()
