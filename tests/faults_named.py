"""Are faults named, and only faults? The whole program on rendered shots whose form is known.

    python -m tests.studio.fault_shots --out DIR                  # with the studio's Python
    python -m tests.faults_named --clips DIR [--results DIR] [PART-OF-A-NAME ...]

Each clip runs through `rimward practice --clip --json --headless --calibration`, the camera calibrated from the clip's
points file, the hand left to the program. Its findings are held against those of the truth: the same checks and bands
on the exact values. A fault is *named* when both say the same way out, *wrong* when the program names one that the
truth does not have. What the view cannot give is no finding, and `unsure` says nothing to the player; both are counted.
In sessions, clips of several shots with the same fault, what counts is the rep after which it is named first.
Results are kept in --results, so a second run only counts again.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from rimward.calibration.marks import calibrate_marks
from rimward.calibration.points import read_points
from rimward.calibration.storage import save_calibration
from rimward.live import places
from rimward.live.checks import BY_NAME, judge
from rimward.live.pose_model import model_path
from rimward.live.records import Events, Measurement, Rep
from rimward.live.settings import load_settings

from .studio.faults import FAULTY, SESSION, SIDES, SOUND

OUT = ("below", "above")
EXACT = 1e-6
SAME_SHOT_S = 0.5
LIMIT_S = 600
"""For broken code; nothing here comes near it."""


@dataclass(frozen=True)
class Seen:
    """A shot of a clip, what is true of it and what the program said."""

    name: str
    number: int
    """Of the shot in its clip, from 1."""
    script: str
    view: str
    condition: str
    true: dict[str, str]
    """Verdict by check."""
    said: dict[str, str] | None
    """None: the shot was not counted."""
    right_hand: bool
    null: dict[str, str]
    """Reason by measurement."""


def true_rep(sheet: dict[str, Any], k: int = 0) -> Rep:
    """The exact values of shot `k` of a clip, as a rep."""
    shot, hand = sheet["shots"][k], sheet["hand"]
    events = shot["events_s"]
    values = {name: value for name, value in shot["measurements"].items() if value is not None}
    if (lead := _guide_lead_s(sheet, k)) is not None:
        values["guide_foot_lead_s"] = lead
        if shot["requested"]["footwork"] == "step_back":
            values["step_back_lead_s"] = lead
    return Rep(
        index=k + 1,
        hand=hand,
        events=Events(
            pickup_s=None,
            dip_s=events["t_dip"],
            knee_min_s=events["t_gather"],
            set_s=events["t_set"],
            release_s=events["t_release"],
            apex_s=events["t_apex"],
            landing_s=events["t_landing"],
        ),
        motion=shot.get("motion"),
        release_phase=shot.get("release_phase"),
        measurements={name: Measurement(value, EXACT, "lifted") for name, value in values.items()},
    )


def _guide_lead_s(sheet: dict[str, Any], k: int) -> float | None:
    """By how much the guide-side foot landed first in the step into the shot, from the feet's own contacts."""
    gather = sheet["shots"][k]["events_s"]["t_gather"]
    since = sheet["shots"][k]["events_s"]["t_begin"] if k else 0.0
    last = {one["foot"]: one["on_s"] for one in sheet["foot_contacts"] if since < one["on_s"] <= gather}
    if len(last) < 2:
        return None
    lead = last["right"] - last["left"]
    return float(lead if sheet["hand"] == "right" else -lead)


def run(clip: Path, model: Path, results: Path) -> list[dict[str, Any]]:
    """The JSON lines of a clip's reps."""
    kept = results / f"{clip.stem}.json"
    if kept.is_file():
        return json.loads(kept.read_text())  # type: ignore[no-any-return]
    sheet = json.loads(clip.with_suffix(".json").read_text())
    points = read_points(clip.with_name(f"{clip.stem}.points.json"))
    calibration = results / f"{clip.stem}.toml"
    save_calibration(calibration, calibrate_marks(points.marks, points.lens, points.court), overwrite=True)
    stature_m = sheet.get("player", sheet)["stature_m"]
    options = ("practice", "--clip", clip.resolve(), "--json", "--headless", "--calibration", calibration.resolve())
    # of its own, so that the user's database is left alone, and no clip is judged by another one's reps
    with tempfile.TemporaryDirectory() as data:
        model_path(Path(data)).symlink_to(model)
        done = subprocess.run(
            [sys.executable, "-m", "rimward.live", *map(str, options), "--stature-m", str(stature_m)],
            env=os.environ | {"RIMWARD_DATA_DIR": data, "XDG_CONFIG_HOME": data},
            cwd=data,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=LIMIT_S,
            check=False,
        )
    if done.returncode != 0:
        raise RuntimeError(f"{clip.stem}: exit {done.returncode}: {done.stderr.strip()}")
    reps = [line for line in map(json.loads, done.stdout.splitlines()) if line["kind"] == "rep"]
    kept.write_text(json.dumps(reps))
    return reps


def seen(clip: Path, model: Path, results: Path) -> list[Seen]:
    """Run a clip and put truth and findings side by side, shot by shot."""
    settings = load_settings()
    bands, clear = settings.check_bands(), settings.cues.clear_sigmas
    sheet = json.loads(clip.with_suffix(".json").read_text())
    script, view, condition = _parts(clip.stem)
    reps = run(clip, model, results)
    found = []
    for k, shot in enumerate(sheet["shots"]):
        release_s = shot["events_s"]["t_release"]
        # a clip of one shot has no other that its rep could be of
        near = [one for one in reps if len(sheet["shots"]) == 1 or abs(one["t_release_s"] - release_s) < SAME_SHOT_S]
        said = near[0] if near else None
        one = Seen(
            name=clip.stem,
            number=k + 1,
            script=script,
            view=view,
            condition=condition,
            true={one.check: one.verdict for one in judge(true_rep(sheet, k), bands, clear)},
            said=None if said is None else {one["check"]: one["verdict"] for one in said["findings"]},
            right_hand=said is not None and said["hand"] == sheet["hand"],
            null={}
            if said is None
            else {name: one["reason"] for name, one in said["measurements"].items() if one["value"] is None},
        )
        found.append(one)
    return found


def _parts(stem: str) -> tuple[str, str, str]:
    """SCRIPT_VIEW_CONDITION or random_NUMBER_VIEW."""
    first, _, last = stem.rpartition("_")
    if last in SIDES:
        return first, last, "random form"
    script, _, view = first.rpartition("_")
    return script, view, last


def show(found: Sequence[Seen], console: Console) -> None:
    """Made faults by view and condition; sound shots; sessions; and every finding against the truth by check."""
    alone, sessions = ([one for one in found if (one.condition == SESSION) == many] for many in (False, True))
    if alone:
        _show_alone(alone, console)
    if sessions:
        _show_sessions(sessions, console)
    _show_checks([one for one in found if one.said is not None], console)


def _show_alone(found: Sequence[Seen], console: Console) -> None:
    read = [one for one in found if one.said is not None]
    console.print(f"{len(found)} clips, {len(read)} counted, {sum(one.right_hand for one in read)} with the right hand")
    for title, key, rows in (
        ("view", lambda one: one.view, SIDES),
        ("condition", lambda one: one.condition, tuple(dict.fromkeys(one.condition for one in found))),
    ):
        table = Table(title=f"made faults by {title}: named / judged / clips (judged: the view gave a verdict)")
        table.add_column("fault")
        for row in (*rows, "all"):
            table.add_column(row)
        total: dict[str, Counter[str]] = defaultdict(Counter)
        for script, check in FAULTY.items():
            cells = []
            for row in (*rows, "all"):
                here = [one for one in found if one.script == script and row in (key(one), "all")]
                count = Counter(_outcome(one, check) for one in here)
                total[row].update(count)
                cells.append(_cell(count))
            if any(one.script == script for one in found):
                table.add_row(f"{script} ({check})", *cells)
        table.add_row("all", *(_cell(total[row]) for row in (*rows, "all")))
        if total["all"]:
            console.print(table)
    sound = [one for one in read if one.script in SOUND]
    if sound:
        silent = [one for one in sound if not _wrong(one)]
        console.print(f"sound shots without a fault named: {len(silent)}/{len(sound)}")
    clean = [one for one in read if not _wrong(one)]
    console.print(f"all shots without a wrong fault: {len(clean)}/{len(read)}")
    _tell_wrong(read, console)


def _tell_wrong(read: Sequence[Seen], console: Console) -> None:
    for one in read:
        if _wrong(one):
            console.print(f"  {one.name}, shot {one.number}: {', '.join(_wrong(one))}", highlight=False)


def _show_sessions(found: Sequence[Seen], console: Console) -> None:
    """After which rep a made fault is named first; and what is named that is not there."""
    read = [one for one in found if one.said is not None]
    console.print(
        f"sessions: {len(found)} shots, {len(read)} counted, {sum(one.right_hand for one in read)} right hand"
    )
    table = Table(title="made faults in sessions: the rep after which it is named (reps with a value of it / shots)")
    for column in ("fault", *SIDES):
        table.add_column(column)
    for script, check in FAULTY.items():
        cells = []
        for side in SIDES:
            here = [one for one in found if (one.script, one.view) == (script, side)]
            named = [one.number for one in here if _outcome(one, check) == "named"]
            judged = sum(_outcome(one, check) not in ("no value", "not counted") for one in here)
            cells.append(f"{min(named) if named else 'never'} ({judged}/{len(here)})" if here else "")
        table.add_row(f"{script} ({check})", *cells)
    console.print(table)
    for title, scripts in (("sound shots", SOUND), ("shots with a made fault", tuple(FAULTY))):
        here = [one for one in read if one.script in scripts]
        console.print(f"{title} in sessions without a wrong fault: {sum(not _wrong(one) for one in here)}/{len(here)}")
    _tell_wrong(read, console)


def _show_checks(read: Sequence[Seen], console: Console) -> None:
    """Every finding against the truth by check."""
    table = Table(title="every check against the truth, all clips")
    columns = ("check", "true faults", "named", "unsure", "in band", "no value", "sound", "wrong", "unsure", "no value")
    for column in columns:
        table.add_column(column)
    for check in BY_NAME:
        faults = [one for one in read if one.true.get(check) in OUT]
        rest = [one for one in read if one.true.get(check) == "in_band"]
        if not faults and not rest:
            continue
        named = Counter(_outcome(one, check) for one in faults)
        said = Counter(one.said.get(check, "no value") for one in rest if one.said is not None)
        wrong = said["below"] + said["above"]
        counts = (named["named"], named["unsure"], named["in_band"] + named["other way"], named["no value"])
        table.add_row(
            check,
            str(len(faults)),
            *map(str, counts),
            str(len(rest)),
            *map(str, (wrong, said["unsure"], said["no value"])),
        )
    console.print(table)


def _outcome(one: Seen, check: str) -> str:
    if one.said is None:
        return "not counted"
    said, true = one.said.get(check, "no value"), one.true.get(check)
    return "named" if said == true and said in OUT else "other way" if said in OUT else said


def _cell(count: Counter[str]) -> str:
    clips = sum(count.values())
    judged = clips - count["no value"] - count["not counted"]
    return f"{count['named']} / {judged} / {clips}" if clips else ""


def _wrong(one: Seen) -> list[str]:
    """Checks that name a fault which the truth does not have."""
    said = one.said or {}
    return [
        f"{check} {verdict}" for check, verdict in said.items() if verdict in OUT and one.true.get(check) != verdict
    ]


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults_named", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="only clips whose name holds one of these")
    parser.add_argument("--clips", type=Path, required=True, nargs="+", help="folders of tests.studio's clips")
    parser.add_argument("--results", type=Path, default=Path(tempfile.gettempdir()) / "rimward-faults")
    given = parser.parse_args(arguments)
    given.results.mkdir(parents=True, exist_ok=True)
    found = []
    model = model_path(places.data_folder())
    for clip in sorted(path for one in given.clips for path in one.glob("*.mp4")):
        sheet = clip.with_suffix(".json")
        if not sheet.is_file() or (given.names and not any(part in clip.stem for part in given.names)):
            continue
        found += seen(clip, model, given.results)
        print(f"{clip.stem}: {found[-1].said}", flush=True)
    show(found, Console(width=150))


if __name__ == "__main__":
    main()
