"""Weeks of practice of invented players, shot by shot through the real program: for reports, reviews, merges and demos.

    python tests/sample_history.py FOLDER [--sessions N] [--shots N]

Each shot is cut from a clip of an invented player (tests/clips, the bundled demo), filmed anew by a camera that stands
a little differently (crop, light, noise), and goes through pose network, pipeline and store like any practice. Only the
dates and whether a shot went in are made up. FOLDER becomes a data folder of its own.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from program import prepared_model

from rimward.live import loop
from rimward.live.assets import config_text
from rimward.live.clip import open_clip
from rimward.live.mediapipe_pose import MediapipePose
from rimward.live.pipeline import Pipeline, Step
from rimward.live.records import Frame
from rimward.live.rep_files import rep_file
from rimward.live.settings import load_settings
from rimward.live.sightings import sightings
from rimward.live.store import Store, open_store
from rimward.live.traces import save_trace
from rimward.live.words import read_words

ROOT = Path(__file__).resolve().parents[1]
DEMO, CLIPS = ROOT / "live" / "demo_clip", ROOT / "tests" / "clips"
BEFORE_S, AFTER_S = 2.2, 1.9
GAP_S = 5.0
"""Between two shots of a session, longer than the program bridges."""


@dataclass(frozen=True)
class Scene:
    """One shot in a clip."""

    clip: Path
    start_s: float
    end_s: float

    @staticmethod
    def of(stem: Path, rep: int = 1) -> Scene:
        sheet = json.loads(stem.with_suffix(".json").read_text("utf-8"))
        release_s = sheet["reps"][rep - 1]["events_s"]["t_release"]
        return Scene(stem.with_suffix(".mp4"), release_s - BEFORE_S, release_s + AFTER_S)


@dataclass(frozen=True)
class Practice:
    """One session: how often each scene comes, and how often the ball goes in."""

    day: int
    shots: int
    scenes: dict[str, float]
    made: float | None
    drill: str | None = None


@dataclass(frozen=True)
class Invented:
    """A player who does not exist."""

    name: str
    facts: dict[str, object]
    practices: tuple[Practice, ...]


SCENES = {
    "good": Scene.of(DEMO, 1),
    "good too": Scene.of(DEMO, 4),
    "low set": Scene.of(DEMO, 3),
    "arm drops": Scene.of(DEMO, 5),
    "free throw": Scene.of(CLIPS / "good_free_throw"),
    "left": Scene.of(CLIPS / "left_handed"),
}
_EARLY = {"low set": 4, "arm drops": 4, "good": 1}
_LATER = {"low set": 1, "arm drops": 2, "good": 3, "good too": 2}
_NOW = {"good": 4, "good too": 3, "arm drops": 1}
PLAYERS = (
    Invented(
        "Noor Example",
        {"hand": "right", "stature_m": 1.88, "birth_year": 1999, "pictures": True},
        (
            Practice(0, 12, _EARLY, 0.45, "Free throws"),
            Practice(2, 12, _EARLY, 0.5, "Free throws"),
            Practice(7, 12, _LATER, 0.5, "Free throws"),
            Practice(9, 16, _LATER, 0.6),
            Practice(21, 16, _NOW, 0.65, "Free throws"),
            Practice(23, 18, _NOW, 0.7, "Free throws"),
        ),
    ),
    Invented(
        "山田 見本",
        {"hand": "left", "stature_m": 1.88, "birth_year": 2012},
        (Practice(1, 6, {"left": 1}, None), Practice(8, 8, {"left": 1}, 0.5)),
    ),
    Invented("Lee <b>Sample</b> & Co", {"stature_m": 1.88}, (Practice(22, 1, {"free throw": 1}, None, "Warm-up"),)),
)
FIRST_DAY = datetime(2026, 10, 26, 16, 5, tzinfo=UTC)


def film(scenes: Sequence[Scene], rng: np.random.Generator) -> Iterator[Frame]:
    """The shots one after the other on one clock, each by a camera of its own."""
    index, now_s = 0, 0.0
    for scene in scenes:
        zoom, gain = rng.uniform(0.86, 1.0), rng.uniform(0.85, 1.1)
        shift = rng.uniform(0.2, 0.8, 2)
        clip = open_clip(scene.clip)
        first_s = None
        for frame in clip:
            assert isinstance(frame, Frame)
            if frame.t_s < scene.start_s:
                continue
            if frame.t_s > scene.end_s:
                break
            first_s = frame.t_s if first_s is None else first_s
            yield Frame(index, now_s + frame.t_s - first_s, _seen(frame.image, zoom, shift, gain, rng))
            index += 1
        clip.close()
        now_s += scene.end_s - scene.start_s + GAP_S


def _seen(image: np.ndarray, zoom: float, shift: np.ndarray, gain: float, rng: np.random.Generator) -> np.ndarray:
    height, width = image.shape[:2]
    w, h = int(zoom * width), int(zoom * height)
    x, y = (int(part * room) for part, room in zip(shift, (width - w, height - h), strict=True))
    near = cv2.resize(image[y : y + h, x : x + w], (width, height), interpolation=cv2.INTER_LINEAR)
    noise = np.roll(_noise(height, width), tuple(rng.integers(0, (height, width))), (0, 1))
    return cv2.add(cv2.convertScaleAbs(near, alpha=gain), noise)


@cache
def _noise(height: int, width: int) -> np.ndarray:
    return np.abs(np.random.default_rng(3).normal(0.0, 4.0, (height, width, 3))).astype(np.uint8)


def shoot(
    store: Store, player: Invented, practice: Practice, shots: int, estimator: MediapipePose, rng: np.random.Generator
) -> int:
    """One session through the whole program; how many reps it counted."""
    facts = {key: value for key, value in player.facts.items() if key in ("hand", "stature_m")}
    settings = load_settings(options={"player": {"name": player.name, **facts}})
    began = FIRST_DAY + timedelta(days=practice.day, minutes=int(rng.integers(0, 90)))
    writer = store.start_session(
        player=player.name,
        hand=settings.player.hand,
        source="invented players",
        settings_digest=settings.digest(),
        app_version="sample",
        stature_m=settings.player.stature_m,
        drill=practice.drill,
        started_utc=began,
    )
    weights = np.array(list(practice.scenes.values()), float)
    names = rng.choice(list(practice.scenes), shots, p=weights / weights.sum())
    pipeline = Pipeline(settings, read_words(config_text("words_en.toml"), "words_en.toml"))
    frames: list[Frame] = []
    counted = 0

    def kept(source: Iterator[Frame]) -> Iterator[Frame]:
        for frame in source:
            frames.append(frame)
            del frames[:-300]
            yield frame

    def on_step(step: Step) -> None:
        nonlocal counted
        if step.rep is None:
            return
        counted += 1
        rep = step.rep
        if practice.made is not None:
            rep = replace(rep, result="made" if rng.random() < practice.made else "missed")
        writer.save(rep)
        if step.trace is not None:
            save_trace(store.folder, writer.id, rep.index, step.trace)
        if player.facts.get("pictures"):
            _key_pictures(store.folder, writer.id, rep.index, rep.events.set_s, rep.events.release_s, frames)

    meter = loop.Meter()
    seen = sightings(kept(film([SCENES[name] for name in names], rng)), estimator, pipeline.people_to_ask)
    loop.run(seen, pipeline, _NoScreen(), on_step, lambda _: None, meter)
    writer.close(meter.summary(0))
    return counted


class _NoScreen:
    def show(self, view: object) -> None:
        """Nobody looks."""


def _key_pictures(folder: Path, session: str, rep: int, set_s: float, release_s: float, frames: list[Frame]) -> None:
    for what, at_s in (("set", set_s), ("release", release_s), ("follow_through", release_s + 0.3)):
        frame = min(frames, key=lambda one: abs(one.t_s - at_s))
        path = rep_file(folder, session, rep, what, "jpg")
        path.parent.mkdir(parents=True, exist_ok=True)
        width = frame.image.shape[1]
        cut = frame.image[:, int(0.2 * width) : int(0.65 * width)]
        cv2.imwrite(str(path), cv2.resize(cut, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))


def write(folder: Path, most: int | None = None, sessions: int | None = None) -> Store:
    """All players' practices into a data folder; the open store."""
    estimator = MediapipePose(prepared_model())
    estimator.warm_up(2)
    store = open_store(folder, lambda line: print(line, file=sys.stderr))
    rng = np.random.default_rng(7)
    for player in PLAYERS:
        known = store.add_player(player.name, **player.facts)
        for practice in player.practices[-sessions:] if sessions else player.practices:
            shots = min(most or practice.shots, practice.shots)
            found = shoot(store, player, practice, shots, estimator, rng)
            print(f"{player.name}: {found} of {shots} shots counted", file=sys.stderr, flush=True)
        if player is PLAYERS[0]:
            last = store.sessions(known.id)[-1]
            store.set_target(known.id, "follow_through_s", 0.8, None, name="to Christmas", author="Coach Test")
            store.add_note(last.start.id, "Set point much better, now hold the arm up.", author="Coach Test")
            store.add_note(
                last.start.id, "Watch this one", rep_index=min(2, last.reps), kind="good", author="Coach Test"
            )
    estimator.close()
    return store


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--shots", type=int, help="most shots of a session")
    parser.add_argument("--sessions", type=int, help="only the last N sessions of each player")
    args = parser.parse_args()
    write(args.folder, args.shots, args.sessions).close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
