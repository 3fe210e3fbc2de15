"""How well this machine keeps up: the whole program beside a bare loop around the same network, measured in one run.

Each measurement runs in a process of its own (bench_runs.py), so that none pays for what another left behind, and bare
loop and program take turns, so that a machine that grows warm slows both. With `--choose` it tries networks, pictures
and rates instead, and remembers the best that keeps up.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import psutil
from rich.console import Console
from rich.table import Table

from .bench_runs import CAMERA_HZ, Job, Run, Spread, bare_loop, flat_out, in_own_process, live, sized, tones
from .choice import HEADROOM, SIZES, Choice, Tried, choose, machine_toml
from .errors import PoseModelError, SettingsError
from .places import settings_file
from .settings import MACHINE, Settings, data_folder, load_settings, machine_file

_FAST_HZ = 60.0
_LOST_SHARE = 0.01
"""A live camera that loses more of its frames than this is not kept up with."""
_TRIAL_FRAMES = 300
"""Of the clip for each trial of a choice: ten seconds, with a shot that is read in them."""
_TRIAL_LOST_SHARE = 0.03
"""Of so short a trial the start, where networks and window come up, is a larger part."""


def verdict(alone_hz: float, live: Run | None) -> str:
    """The line for people. `alone_hz` is how fast the whole program works through a clip."""
    spare = 1 - CAMERA_HZ / alone_hz
    if spare < 0:
        return (
            f"This laptop works through {alone_hz:.0f} frames a second: too slow for a camera's {CAMERA_HZ:.0f};"
            " close other programs, or let `rimward bench --choose` find what it can."
        )
    words = f"This laptop keeps up with {CAMERA_HZ:.0f} frames a second, with {100 * spare:.0f} % to spare"
    lost = 0.0 if live is None else _lost(live)
    if lost > _LOST_SHARE:
        return f"{words}, yet {100 * lost:.1f} % of a live camera's frames were lost: close other programs."
    if alone_hz >= _FAST_HZ * (1 + HEADROOM):
        return f"{words}; `rimward bench --choose` tries a camera of 60 frames a second and heavier networks."
    return f"{words}."


def chosen_words(choice: Choice) -> str:
    """The line for people after a choice."""
    tried = choice.tried
    what = (
        f"{Path(tried.network).stem}, pictures of {tried.width} x {tried.height}, {choice.rate_hz:.0f} frames a second"
    )
    if choice.keeps_up:
        return f"Best for this laptop: {what}, with {100 * choice.spare:.0f} % to spare."
    return f"Nothing keeps up here: remembered is the fastest, {what}; close other programs and choose again."


def _lost(run: Run) -> float:
    """Share of a camera's frames that were not worked through."""
    return 1 - run.frames / run.given if run.given else 0.0


# ------------------------------------------------------------------------------------------------------------- command
def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `rimward bench`."""
    parser.add_argument("--choose", action="store_true", help="try networks, pictures and rates, and remember the best")
    parser.add_argument("--forget", action="store_true", help="forget what was chosen")
    parser.add_argument("--clip", type=Path, metavar="FILE", help="a clip of your own; the bundled one otherwise")
    parser.add_argument("--frames", type=int, metavar="N", help="at most so many of the clip; all otherwise")
    parser.add_argument(
        "--rounds", type=int, default=2, metavar="N", help="so often bare loop and program take turns (2)"
    )
    parser.add_argument("--headless", action="store_true", help="no window and no sound")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.add_argument("--mute", action="store_true", help="no tones and no speech")
    parser.add_argument("--pose-model", metavar="FILE", help="a pose model bundle (.task) of your own")


def run(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Measure and print; returns the exit status."""
    from .options import settings_of

    if args.forget:
        _forget(data_folder(load_settings(settings_file(args.settings))), say)
        return 0
    settings = settings_of(args, chosen=not args.choose)
    console = Console(file=sys.stdout)
    with _job(args, settings, say) as job:
        result = _chosen(args, settings, job, say) if args.choose else measure(job, max(1, args.rounds), say)
    if args.json:
        print(json.dumps(result, ensure_ascii=False))
    elif args.choose:
        _print_choice(result, console)
    else:
        _print(result, console)
    return 0


@contextmanager
def _job(args: argparse.Namespace, settings: Settings, say: Callable[[str], None]) -> Iterator[Job]:
    """What is to be measured: clip, network, with or without a window."""
    from .assets import demo_clip, demo_player
    from .devices import ready_model
    from .screen import screen_available

    headless = args.headless or not screen_available()
    if headless and not args.headless:
        say("No screen here: measured without a window.")
    frames = None if args.frames is None else max(1, args.frames)
    model = ready_model(settings, say)
    with demo_clip() as bundled:
        clip, player = args.clip or bundled, {} if args.clip else demo_player()
        yield Job(str(clip), str(model), headless, settings.sound.mute, player, frames)


def measure(job: Job, rounds: int, say: Callable[[str], None]) -> dict[str, Any]:
    """Everything that the table of the README shows."""
    bare, whole = [], []
    for number in range(1, rounds + 1):
        say(f"Round {number} of {rounds}: a bare loop, then the whole program, both flat out...")
        bare.append(in_own_process(bare_loop, job))
        whole.append(in_own_process(flat_out, job))
    say(f"The whole program on a camera of {CAMERA_HZ:.0f} frames a second, in real time...")
    in_time = in_own_process(live, job)
    say(f"On a camera of {_FAST_HZ:.0f} frames a second...")
    fast = in_own_process(live, replace(job, camera_hz=_FAST_HZ))
    say("Tones...")
    tone = in_own_process(tones, job)
    bare_hz, whole_hz = (float(np.median([run.rate_hz for run in runs])) for runs in (bare, whole))
    sounded = _sum(in_time.stages_ms.get("rep end to tone asked"), tone)
    return {
        "kind": "bench",
        "summary": verdict(whole_hz, in_time),
        "machine": machine(),
        "window": not job.headless,
        "bare_hz": bare_hz,
        "flat_out_hz": whole_hz,
        "ratio": whole_hz / bare_hz,
        "bare": [asdict(run) for run in bare],
        "flat_out": [asdict(run) for run in whole],
        "live": asdict(in_time),
        "live_60": asdict(fast),
        "tone_ms": None if tone is None else asdict(tone),
        "rep_end_to_sound_ms": None if sounded is None else asdict(sounded),
    }


def _sum(first: Spread | None, second: Spread | None) -> Spread | None:
    """Two waits, one after the other: of the quantiles the sum is not too short."""
    if first is None or second is None:
        return None
    return Spread(first.p50 + second.p50, first.p95 + second.p95, first.p99 + second.p99, min(first.n, second.n))


def machine() -> dict[str, Any]:
    """What the numbers were measured on; no name of the machine or its user."""
    frequency = psutil.cpu_freq()
    return {
        "system": f"{platform.system()} {platform.release()}",
        "processor": platform.processor() or platform.machine(),
        "cores": os.cpu_count(),
        "max_mhz": None if frequency is None else frequency.max or frequency.current,
        "memory_gb": round(psutil.virtual_memory().total / 2**30, 1),
        "python": platform.python_version(),
    }


# -------------------------------------------------------------------------------------------------------------- choice
def _chosen(args: argparse.Namespace, settings: Settings, job: Job, say: Callable[[str], None]) -> dict[str, Any]:
    """Try, choose, remember."""
    from .options import settings_of

    usual = Path(job.model)
    folder = data_folder(settings)
    with tempfile.TemporaryDirectory() as made:
        clips = {size: sized(Path(job.clip), size, job.frames or _TRIAL_FRAMES, Path(made)) for size in SIZES}
        rows = []
        for network in networks(folder, usual):
            for (width, height), clip in clips.items():
                say(f"{network.stem} on pictures of {width} x {height}...")
                trial = in_own_process(flat_out, replace(job, clip=str(clip), model=str(network)))
                rows.append(Tried(str(network), network.stat().st_size, width, height, trial.rate_hz))

        def loses(one: Choice) -> bool:
            size = (one.tried.width, one.tried.height)
            say(f"In real time: {Path(one.tried.network).stem}, {size[0]} x {size[1]}, {one.rate_hz:.0f} a second...")
            film = replace(job, clip=str(clips[size]), model=one.tried.network, camera_hz=one.rate_hz)
            return _lost(in_own_process(live, film)) > _TRIAL_LOST_SHARE

        choice = proven(rows, loses)
    file = remember(choice, folder)
    now = settings_of(args)
    asked = (choice.tried.width, choice.tried.height, choice.rate_hz)
    if (now.camera.width, now.camera.height, now.camera.rate_hz) != asked:
        say("Your own settings of [camera] go over it.")
    if choice.tried.width * SIZES[0][1] != choice.tried.height * SIZES[0][0]:
        say("A calibration made with pictures of another shape must be made anew.")
    return {
        "kind": "choice",
        "summary": chosen_words(choice),
        "machine": machine(),
        "tried": [asdict(row) for row in rows],
        "network": choice.tried.network,
        "width": choice.tried.width,
        "height": choice.tried.height,
        "rate_hz": choice.rate_hz,
        "keeps_up": choice.keeps_up,
        "file": str(file),
    }


def proven(rows: list[Tried], loses: Callable[[Choice], bool]) -> Choice:
    """The best choice that also holds in real time; what loses frames there gives way to the next best."""
    failed: set[tuple[str, int, int, float]] = set()
    while (choice := choose(rows, failed)).keeps_up and loses(choice):
        failed.add(choice.key)
    return choice


def networks(folder: Path, given: Path) -> list[Path]:
    """The bundles that can be tried: the given one and every whole one in the data folder, each once."""
    from . import pose_model

    found = {given.resolve(): given}
    for path in sorted(folder.glob("*.task")):
        try:
            pose_model.check(path)
        except PoseModelError:
            continue
        found.setdefault(path.resolve(), path)
    return list(found.values())


def remember(choice: Choice, folder: Path) -> Path:
    """Write the choice into the data folder, where practice finds it. Raises SettingsError when that cannot be."""
    from . import pose_model

    network = Path(choice.tried.network).absolute()
    usual = network == pose_model.model_path(folder).absolute()
    text = machine_toml(choice, "" if usual else str(network), date.today().isoformat())
    path = folder / MACHINE
    aside = path.with_suffix(".new")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        aside.write_text(text, encoding="utf-8")
        aside.replace(path)  # nobody ever sees half a file
    except OSError as error:
        raise SettingsError(f"{path}: what was chosen must be written there, it cannot ({error.strerror})") from None
    return path


def _forget(folder: Path, say: Callable[[str], None]) -> None:
    path = machine_file(folder)
    if path is None:
        say("Nothing was chosen for this machine.")
        return
    try:
        path.unlink()
    except OSError as error:
        raise SettingsError(f"{path}: must be taken away, it cannot be ({error.strerror})") from None
    say(f"Taken away: {path}")


# --------------------------------------------------------------------------------------------------------------- print
def _print_choice(result: Mapping[str, Any], console: Console) -> None:
    console.print(result["summary"], style="bold", highlight=False, soft_wrap=True)
    table = Table("network", "picture", "frames a second")
    for row in result["tried"]:
        table.add_row(Path(row["network"]).stem, f"{row['width']} x {row['height']}", f"{row['worked_hz']:.1f}")
    console.print(table)
    console.print(f"Remembered in {result['file']}", highlight=False, soft_wrap=True)


def _print(result: Mapping[str, Any], console: Console) -> None:
    console.print(result["summary"], style="bold", highlight=False, soft_wrap=True)
    last, in_time, fast = result["flat_out"][-1], result["live"], result["live_60"]
    for line in (
        f"{result['flat_out_hz']:.1f} frames a second flat out, bare loop {result['bare_hz']:.1f}:"
        f" {result['ratio']:.2f} times the bare loop.",
        _camera_line(CAMERA_HZ, in_time),
        _camera_line(_FAST_HZ, fast),
        f"Start to the first tracked frame: {in_time['first_tracked_s'] or float('nan'):.1f} s (warm).",
        f"Work on a frame without the network: {last['early_ms']:.1f} ms in the first quarter of the clip,"
        f" {last['late_ms']:.1f} ms in the last.",
    ):
        console.print(line, highlight=False, soft_wrap=True)
    table = Table("", "median ms", "95 %", "99 %", "n")

    def add(name: str, ms: Mapping[str, float]) -> None:
        table.add_row(name, f"{ms['p50']:.1f}", f"{ms['p95']:.1f}", f"{ms['p99']:.1f}", f"{ms['n']:.0f}")

    for title, run in (("flat out", last), ("live", in_time), ("live, 60 a second", fast)):
        table.add_section()
        table.add_row(
            f"[bold]{title}[/]: {run['frames']} frames, {run['dropped']} dropped, {run['reps']} reps,"
            f" {run['processors']:.2f} processors busy, {run['peak_memory_mb']:.0f} MB"
        )
        for name, ms in run["stages_ms"].items():
            add(name, ms)
    table.add_section()
    for name, key in (("asked for a tone to sound", "tone_ms"), ("rep end to sound, live", "rep_end_to_sound_ms")):
        if result[key] is not None:
            add(name, result[key])
    console.print(table)


def _camera_line(rate_hz: float, run: Mapping[str, Any]) -> str:
    """What became of a camera's frames: those that come while a picture is looked at give way to the newest."""
    missed = run["given"] - run["frames"]
    return (
        f"Camera of {rate_hz:.0f} frames a second: {run['frames']} of {run['given']} worked through,"
        f" {run['rate_hz']:.1f} a second; {missed} gave way to a newer one, {run['dropped']} of them counted as"
        " dropped."
    )
