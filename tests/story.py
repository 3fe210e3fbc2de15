"""Twelve minutes of two invented players at a station, filmed by the rig and watched by the whole program.

    python -m tests.story --make DIR [--cache DIR]    # with the studio's Python (tests/studio/README.md); an hour
    python -m tests.story DIR [--json]                # with the program's own

The film is put together from the scenes below, most of them twice, in another light. Faults come and go; the players
pause, tell makes with their arms, take a rep out and call the next one; people walk by. It runs through practice at a
station with the real window on a virtual X server, speech and tones into SDL's disk driver. Printed is what a coach
would read, second by second, and then how it compares with what truly happened.
"""

from __future__ import annotations

import argparse
import json
import random
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimward.live.loopback import Loopback
    from rimward.live.records import Rep

CAMERA = (4.5, 30.0, 1.0, 5.5)
"""Half in front on the right: distance in metres, bearing, height, tilt. Both see the screen, and it sees both."""
HFOV_DEG, RATE_HZ, SIZE = 74.0, 30, (960, 540)
PLAYERS = {
    "Ben": ({"build": "man", "stature_m": 1.89, "hand": "right"}, "blue"),
    "Ada": ({"build": "woman", "stature_m": 1.60, "hand": "left"}, "red"),
}
SOUND: dict[str, Any] = {"do": "shot", "hold_s": 0.05, "set_above_eyes_m": 0.17, "follow_through_s": 0.9}
LOW = SOUND | {"set_above_eyes_m": -0.12, "elbow_at_set_deg": 68}
SHORT = SOUND | {"follow_through_s": 0.15}
OUT = SOUND | {"elbow_offset_at_set_m": 0.22, "ball_lateral_at_set_m": 0.13}
MADE = {"do": "signal", "right": "out", "left": "down", "hold_s": 1.9}
GOOD = {"do": "signal", "right": "down", "left": "out", "hold_s": 1.9}
PAUSE = {"do": "signal", "right": "wide", "left": "wide", "hold_s": 1.9}
TAKE_OUT = {"do": "signal", "right": "out", "left": "up", "hold_s": 1.9}
NEXT = {"do": "signal", "right": "out", "left": "wide", "hold_s": 1.9}


@dataclass(frozen=True)
class Scene:
    """What one player does in one go."""

    player: str
    acts: list[dict[str, Any]]
    passers: list[dict[str, Any]] = field(default_factory=list)


def idle(seconds: float) -> dict[str, Any]:
    return {"do": "idle", "s": seconds}


DRIBBLE = {"do": "dribble", "n": 2}
MEANING = {
    ("out", "down"): "made",
    ("down", "out"): "good",
    ("wide", "wide"): "pause",
    ("out", "up"): "discard",
    ("up", "out"): "discard",
    ("out", "wide"): "next",
    ("wide", "out"): "next",
}
"""Of the (right, left) arms, in the words of rimward.live.gestures. The rig mirrors a left-hander, arms and all."""
SCENES = {
    "ben_begins": Scene("Ben", [idle(4), SOUND, DRIBBLE, SOUND, idle(1), SOUND, idle(2)]),
    "ben_low": Scene("Ben", [idle(1), LOW, LOW, DRIBBLE, LOW, SOUND, idle(2)]),
    "ben_made": Scene("Ben", [idle(1), SOUND, MADE, SOUND, idle(1), GOOD, idle(1)]),
    "ben_pauses": Scene(
        "Ben",
        [idle(1), SOUND, PAUSE, idle(2), SOUND, idle(1), PAUSE, idle(1), SOUND, idle(1)],
        [
            {"at_s": 3.0, "side_m": 1.5, "heading_deg": 180, "build": "woman", "stature_m": 1.71, "look": "green"},
            {"at_s": 15.0, "side_m": -1.6, "heading_deg": 0, "build": "man", "stature_m": 1.76, "look": "grey"},
        ],
    ),
    "ben_short": Scene("Ben", [idle(1), SHORT, SHORT, DRIBBLE, SHORT, SOUND, idle(2)]),
    "ben_takes_out": Scene("Ben", [{"do": "pump_fake"}, LOW, TAKE_OUT, SOUND, idle(1), NEXT, idle(1)]),
    "ada_begins": Scene("Ada", [idle(3), SOUND, idle(1), SOUND, DRIBBLE, SOUND, idle(2)]),
    "ada_out": Scene("Ada", [idle(1), OUT, OUT, DRIBBLE, OUT, SOUND, idle(2)]),
    "ada_good": Scene("Ada", [idle(1), SOUND, MADE, {"do": "stretch", "hold_s": 1.5}, SOUND, idle(1), NEXT, idle(1)]),
    "ada_short": Scene("Ada", [idle(1), SHORT, DRIBBLE, SHORT, SHORT, SOUND, idle(2)]),
    "ada_busy": Scene(
        "Ada",
        [idle(2), SOUND, {"do": "rebound"}, idle(1), SOUND, {"do": "catch"}, {"do": "raise_arms"}, idle(1), SOUND],
        [
            {"at_s": 5.0, "side_m": 1.8, "heading_deg": 180, "build": "man", "stature_m": 1.76, "look": "grey"},
            {"at_s": 14.0, "side_m": -1.6, "heading_deg": 0, "build": "woman", "stature_m": 1.71, "look": "green"},
        ],
    ),
    "ben_steady": Scene("Ben", [idle(2), SOUND, idle(1), SOUND, SOUND, DRIBBLE, SOUND, idle(1)]),
    "ada_steady": Scene("Ada", [idle(1), SOUND, SOUND, idle(2), SOUND, DRIBBLE, SOUND, idle(2)]),
    "ada_low": Scene("Ada", [idle(1), LOW, LOW, idle(1), LOW, DRIBBLE, SOUND, SOUND, idle(1)]),
    "ben_mixed": Scene("Ben", [idle(1), SOUND, SHORT, SOUND, DRIBBLE, LOW, SOUND, idle(2)]),
    "ada_rests": Scene("Ada", [idle(6), idle(6)]),
}
TURNS = (
    ("Ben", "ben_begins ben_low ben_made ben_short ben_pauses ben_steady ben_takes_out", "signal"),
    ("Ada", "ada_begins ada_out ada_busy ada_short ada_steady ada_low ada_begins ada_rests", "clock"),
    ("Ben", "ben_mixed ben_short ben_steady ben_low ben_made ben_pauses ben_begins", "key"),
    ("Ada", "ada_steady ada_short ada_busy ada_low ada_out ada_begins ada_good", "signal"),
    ("Ben", "ben_begins ben_steady", "end"),
)
"""Who shoots, in which scenes, and what ends the turn. The rest before the clock is cut to where the clock runs out."""
TURN_S = 177
STATION = f"""name = "Station 1"
drill = "drill.toml"
minutes = {TURN_S / 60}
[[players]]
name = "Ben"
hand = "right"
stature_m = 1.89
reps = 45
[[players]]
name = "Ada"
hand = "left"
stature_m = 1.60
reps = 50
"""
DRILL = """title = { en = "Free throws", de = "Freiwürfe" }
[goal]
reps = 40
[checks]
priority = ["set_point_height", "arm_line", "follow_through"]
[rest]
after_reps = 15
seconds = 15
[feedback]
quiet_reps = 2
"""


def varied(acts: list[dict[str, Any]], name: str) -> list[dict[str, Any]]:
    """No two shots alike: each gets a little of its own, the same whenever it is made."""
    chance = random.Random(name)
    spread = {"hold_s": 0.02, "set_above_eyes_m": 0.015, "follow_through_s": 0.04}
    own = {
        "ready_s": (0.5, 0.15),
        "knee_min_deg": (118, 4),
        "target_side_m": (0, 0.15),
        "hip_sway_forward_m": (0, 0.03),
    }
    out = []
    for act in acts:
        if act["do"] == "shot":
            act = act | {key: act[key] + chance.uniform(-by, by) for key, by in spread.items() if key in act}
            act |= {key: at + chance.uniform(-by, by) for key, (at, by) in own.items()}
        out.append(act)
    return out


def make_scenes(folder: Path, cache: Path | None) -> None:
    """Render what is not there yet."""
    from .studio.camera import Placement
    from .studio.render import CACHE, Picture, render
    from .studio.session import Player, Script, compile_script

    for name, scene in SCENES.items():
        stem = folder / name
        if stem.with_suffix(".json").is_file():
            continue
        body, look = PLAYERS[scene.player]
        script = Script(name, varied(scene.acts, name), player=Player(**body), look=look, passers=scene.passers)
        distance, bearing, height, tilt = CAMERA
        place = Placement(distance, bearing if body["hand"] == "right" else -bearing, height, tilt)
        picture = Picture(place, *SIZE, fps=RATE_HZ, hfov_deg=HFOV_DEG, samples=0, noise=0.0)
        meta = render(script, compile_script(script, cache or CACHE), picture, stem)
        print(f"{name}: {meta['duration_s']:.1f} s; {'; '.join(meta['notes']) or 'as asked'}", flush=True)


@dataclass(frozen=True)
class Shot:
    """One shot as it was."""

    player: str
    release_s: float
    gather_s: float
    over_s: float
    counts: bool
    """Not while paused. One that is taken out afterwards counts at first."""
    faults: dict[str, str]
    """Check and end of the band."""

    @property
    def name(self) -> str:
        return f"{self.player}'s shot at {self.release_s:.1f} s"


@dataclass(frozen=True)
class Truth:
    """What happens in the film."""

    seconds: float
    shots: list[Shot]
    signals: list[tuple[float, float, str]]
    """From when to when the arms are up, and what for."""
    turns: list[tuple[float, str, str]]
    """When each turn ends, whose it is, and by what."""


def pieces(folder: Path) -> Iterator[tuple[int, str, float]]:
    """Every scene of the film in order: place of its turn, name, seconds."""
    for place, (_, scenes, _) in enumerate(TURNS):
        spent = 0.0
        for name in scenes.split():
            seconds = json.loads((folder / f"{name}.json").read_text())["frames"] / RATE_HZ
            if name.endswith("_rests"):
                seconds = round(TURN_S + 1.0 - spent)
            spent += seconds
            yield place, name, seconds


def assemble(folder: Path) -> Path:
    """One film of all scenes; who comes again comes in another light."""
    from .studio.film import joined

    clips, seen = [], Counter()
    for _, name, seconds in pieces(folder):
        clips.append((folder / f"{name}.mp4", seconds, (0.0, -0.06, 0.05)[seen[name]]))
        seen[name] += 1
    film = folder / "film.mp4"
    joined(clips, RATE_HZ, film)
    return film


def truth(folder: Path) -> Truth:
    """What happens in the film, from the files beside its scenes."""
    from rimward.live.checks import judge
    from rimward.live.settings import load_settings

    from .accuracy import Case
    from .verdicts import NAMED, true_rep, true_steps

    bands = load_settings().check_bands()
    at, paused = 0.0, False
    shots: list[Shot] = []
    signals: list[tuple[float, float, str]] = []
    turns: list[tuple[float, str, str]] = []
    found = list(pieces(folder))
    for k, (place, name, seconds) in enumerate(found):
        player, _, ends = TURNS[place]
        sheet = json.loads((folder / f"{name}.json").read_text())
        case = Case(folder / f"{name}.mp4", "diag", sheet["hand"], sheet["player"]["stature_m"], None, ())  # type: ignore[arg-type]
        acts = [act for act in sheet["script_text"]["acts"] if act["do"] == "signal"]
        begun = [act["t_begin_s"] for act in sheet["others"] if act["act"] == "signal"]
        ended = [act["t_end_s"] for act in sheet["others"] if act["act"] == "signal"]
        shown = [
            (at + begin, at + end, MEANING[(act["right"], act["left"])[:: 1 if sheet["hand"] == "right" else -1]])
            for act, begin, end in zip(acts, begun, ended, strict=True)
        ]
        happened: list[tuple[float, Any]] = [(begin, meant) for begin, _, meant in shown]
        happened += [(at + shot["events_s"]["t_release"], shot) for shot in sheet["shots"]]
        for t_s, what in sorted(happened, key=lambda one: one[0]):
            if what == "pause":
                paused = not paused
            elif isinstance(what, dict):
                events = what["events_s"]
                known = what["measurements"] | true_steps(case, events["t_release"])
                faults = {one.check: one.verdict for one in judge(true_rep(case, known), bands, 0.0)}
                faults = {check: verdict for check, verdict in faults.items() if verdict in NAMED}
                over_s = max(events["t_landing"] or 0.0, events["t_release"] + 0.2)
                shots.append(Shot(player, t_s, at + events["t_gather"], at + over_s, not paused, faults))
        signals += shown
        at += seconds
        if k + 1 == len(found) or found[k + 1][0] != place:
            turns.append((at, player, ends))
    return Truth(at, shots, signals, turns)


@dataclass(frozen=True)
class Line:
    """One line of what a coach would read; `t_s` is the film's."""

    t_s: float
    player: str
    count: int
    kind: str
    """rep, signal, station, turn, screen, notice."""
    text: str
    said: str = ""
    """What was to be heard of it."""


@dataclass
class Heard:
    """What the program did."""

    lines: list[Line] = field(default_factory=list)
    reps: list[tuple[str, Rep, bool]] = field(default_factory=list)
    """Of whom, and whether it went without feedback by plan."""
    turns: list[tuple[float, str]] = field(default_factory=list)
    """When the turn went to whom."""
    speech: list[tuple[float, float, float, float]] = field(default_factory=list)
    """From when to when something was spoken, in the film's time and in that of time.perf_counter."""
    tones_s: list[float] = field(default_factory=list)
    """When a tone was asked for, by time.perf_counter."""
    late_s: list[float] = field(default_factory=list)
    """From there to its sound, where it began in silence."""


def watch(folder: Path, film: Path, expected: Truth) -> Heard:
    """Run the film through the program."""
    import time

    import pygame
    import pytest

    from rimward.calibration.storage import save_calibration
    from rimward.live import ending, practice, speaker
    from rimward.live.loopback import loopback
    from rimward.live.pipeline import Step
    from rimward.live.pose_model import model_path
    from rimward.live.settings import data_folder, load_settings
    from rimward.live.speaker import Mixer

    from .accuracy import exact
    from .xvfb import x_server

    heard, now_s = Heard(), 0.0
    presses = [t_s for t_s, _, ends in expected.turns if ends == "key"]

    class WatchedRelay(practice.Relay):
        last: Any = None

        def note(self, step: Step | None) -> Step | None:
            nonlocal now_s
            if step is None:
                return None
            now_s, view = step.view.t_s, step.view

            def line(kind: str, text: str, said: str = "") -> None:
                heard.lines.append(Line(now_s, self.name, self.count, kind, text, said))

            if step.rep is not None and step.feedback is not None:
                tone, words = step.feedback.tone.value, step.feedback.spoken
                heard.reps.append((self.name, step.rep, step.feedback.withheld))
                line("rep", f"rep {step.rep.index}", f"{tone}{': ' + words if words else ''}")
            if step.gesture is not None:
                line("signal", step.gesture.value)
            if step.news is not None:
                told = {"over": "the time is up", "who": f"is this {self.name}?", "fits": "the body fits again"}
                line("station", told[step.news])
            advice = view.advice[0].words if view.advice and view.phase == "waiting" else ""
            shown = view.prompt or (view.status if view.trouble else advice)
            if shown and shown != self.last:
                line("screen", shown)
                self.last = shown
            if presses and now_s >= presses[0]:
                presses.pop(0)
                pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=pygame.K_n, unicode="n"))
            return step

        def step(self, sighting: Any) -> Step:
            step = self.note(super().step(sighting))
            assert step is not None
            return step

        def leave(self) -> Step | None:
            return self.note(super().leave())

        def finish(self) -> Step | None:
            return self.note(super().finish())

        def begin_next(self) -> str:
            name = super().begin_next()
            heard.turns.append((now_s, name))
            heard.lines.append(Line(now_s, name, self.count, "turn", f"{name}'s turn"))
            return name

    class WatchedMixer(Mixer):
        def play_tone(self, tone: Any) -> None:
            asked_s = time.perf_counter()
            heard.tones_s.append(asked_s)
            super().play_tone(tone)

        def play_speech(self, wav: bytes) -> None:
            begun, begun_s = now_s, time.perf_counter()
            super().play_speech(wav)
            heard.speech.append((begun, now_s, begun_s, time.perf_counter()))

    say = lambda text: heard.lines.append(Line(now_s, "", 0, "notice", text))  # noqa: E731
    model = model_path(data_folder(load_settings()))
    with (
        tempfile.TemporaryDirectory() as name,
        x_server(screen="1600x900x24") as display,
        loopback() as sound,
        pytest.MonkeyPatch.context() as patch,
    ):
        data = Path(name)
        assert display is not None, "Xvfb is needed (apt install xvfb)"
        for variable, value in {
            "DISPLAY": display,
            "SDL_VIDEODRIVER": "x11",
            "RIMWARD_DATA_DIR": name,
            "XDG_CONFIG_HOME": name,
        }.items():
            patch.setenv(variable, value)
        patch.setattr(practice, "Relay", WatchedRelay)
        patch.setattr(ending, "END_SHOWN_S", 1.0)
        patch.setattr(speaker, "Mixer", WatchedMixer)
        sheet = json.loads((folder / "ben_begins.json").read_text())
        files = {kind: data / f"{kind}.toml" for kind in ("camera", "drill", "station")}
        save_calibration(files["camera"], exact(sheet, (sheet["width"], sheet["height"])))
        files["drill"].write_text(DRILL, "utf-8")
        files["station"].write_text(STATION, "utf-8")
        options = practice.Options(clip=film, calibration=files["camera"], station=files["station"])
        practice.practise(load_settings(None, {"pose": {"model": str(model)}}), options, say)
        heard.late_s = list(latencies(heard, sound))
    return heard


def latencies(heard: Heard, sound: Loopback) -> Iterator[float]:
    """From asking for a tone to its sound, of those that began in silence."""
    before_s = 0.0
    for asked_s in heard.tones_s:
        loud = any(begun_s < asked_s < ended_s + 0.3 for *_, begun_s, ended_s in heard.speech)
        heard_s = None if loud or asked_s - before_s < 1.0 else sound.first_loud_s(asked_s, 0.5)
        before_s = asked_s
        if heard_s is not None:
            yield heard_s - asked_s


def compare(heard: Heard, expected: Truth) -> dict[str, Any]:
    """What was right and what was not."""
    wrong: list[str] = []
    pairs, found = matched(heard, expected, wrong)
    late = sorted(1000 * one for one in heard.late_s)
    return {
        "reps": found,
        "cues": cues(pairs, wrong) | in_shots(heard, expected),
        "faults": faults(pairs, wrong),
        "faults three times running": in_a_row(pairs),
        "signals": signals(heard, expected, wrong),
        "turns_s": [round(a - b, 1) for (a, _), (b, *_) in zip(heard.turns, expected.turns, strict=False)],
        "tones": len(late),
        "tone_ms": {f"p{q}": round(late[min(len(late) - 1, len(late) * q // 100)]) for q in (50, 95)} if late else {},
        "wrong": wrong,
    }


Pairs = list[tuple[Shot, "Rep", bool]]
"""Each shot that was counted, its rep, and whether that went without feedback by plan."""


def matched(heard: Heard, expected: Truth, wrong: list[str]) -> tuple[Pairs, dict[str, int]]:
    """Reps and shots whose releases are near each other, and how many have none."""
    left, pairs, found = list(heard.reps), list[tuple[Shot, "Rep", bool]](), Counter(true=len(expected.shots))
    for shot in expected.shots:
        near = next((one for one in left if abs(one[1].events.release_s - shot.release_s) < 0.4), None)
        if near is None:
            found["missed" if shot.counts else "rightly not counted"] += 1
            wrong += [f"{shot.name} was not counted"] if shot.counts else []
            continue
        left.remove(near)
        player, rep, quiet = near
        pairs.append((shot, rep, quiet))
        found["counted"] += 1
        if not shot.counts:
            found["counted while paused"] += 1
            wrong.append(f"{shot.name} was counted while paused")
        if player != shot.player:
            found["wrong player"] += 1
            wrong.append(f"{shot.name} went to {player}")
    found["invented"] = len(left)
    wrong += [f"invented: {player}'s rep {rep.index} at {rep.events.release_s:.1f} s" for player, rep, _ in left]
    return pairs, dict(found)


def verdict(rep: Rep, check: str) -> str | None:
    return next((one.verdict for one in rep.findings if one.check == check), None)


def cues(pairs: Pairs, wrong: list[str]) -> dict[str, int]:
    """Whether each cue named a fault that was there: in that shot, or in most of the player's last five."""
    found = Counter()
    for k, (shot, rep, _) in enumerate(pairs):
        if rep.cue is None:
            continue
        check, said = rep.cue.check, verdict(rep, rep.cue.check)
        recent = [one for one, *_ in pairs[: k + 1] if one.player == shot.player][-5:]
        found["all"] += 1
        if shot.faults.get(check) == said:
            found["of a fault in that shot"] += 1
            continue
        lately = sum(one.faults.get(check) == said for one in recent) >= 3
        found["of a fault in most of the last shots" if lately else "false"] += 1
        wrong.append(f"{shot.name}: cue {rep.cue.text!r} ({check} {said}), true {shot.faults or 'sound'}")
    return dict(found)


def in_shots(heard: Heard, expected: Truth) -> dict[str, int]:
    """Speech between a gather and its landing."""
    shots = [(shot.gather_s, shot.over_s) for shot in expected.shots]
    spoken = [(begun, ended) for begun, ended, *_ in heard.speech]
    return {
        "begun in a shot": sum(a < begun < b for begun, _ in spoken for a, b in shots),
        "still sounding when one began": sum(begun < a < ended for begun, ended in spoken for a, _ in shots),
    }


def faults(pairs: Pairs, wrong: list[str]) -> dict[str, int]:
    """What became of each true fault of each shot."""
    found = Counter()
    for shot, rep, quiet in pairs:
        for check, end in shot.faults.items():
            said = verdict(rep, check)
            kinds = {end: "seen and not spoken of", "unsure": "unsure", None: "no value"}
            told = rep.cue is not None and rep.cue.check == check
            kind = "without feedback by plan" if quiet else "told" if told else kinds.get(said, "missed")
            found.update(("all", kind))
            wrong += [f"{shot.name}: {check} {end} was {said}"] if kind in ("missed", "no value") else []
    return dict(found)


def in_a_row(pairs: Pairs) -> dict[str, int]:
    """Faults in three or more shots of a player one after the other, and whether they were told at all."""
    found = Counter()
    for player in PLAYERS:
        mine = [(shot, rep) for shot, rep, _ in pairs if shot.player == player]
        for check in {check for shot, _ in mine for check in shot.faults}:
            told, run = False, 0
            for shot, rep in [*mine, (None, None)]:
                if shot is not None and check in shot.faults:
                    run, told = run + 1, told or (rep.cue is not None and rep.cue.check == check)
                    continue
                if run >= 3:
                    found.update((f"{check}: all", f"{check}: told") if told else (f"{check}: all",))
                told, run = False, 0
    return dict(sorted(found.items()))


def signals(heard: Heard, expected: Truth, wrong: list[str]) -> dict[str, int]:
    """Whether each signal that was shown was understood, once, and nothing else was."""
    left = [(line.t_s, line.text) for line in heard.lines if line.kind == "signal"]
    right = 0
    for begin, end, meant in expected.signals:
        mine = [one for one in left if begin < one[0] < end + 0.5]
        left = [one for one in left if one not in mine]
        right += [text for _, text in mine] == [meant]
        if [text for _, text in mine] != [meant]:
            wrong.append(f"signal {meant} at {begin:.1f} s: told {[text for _, text in mine]}")
    wrong += [f"accidental signal {text} at {t_s:.1f} s" for t_s, text in left]
    return {"shown": len(expected.signals), "right": right, "accidental": len(left)}


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.story", description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, metavar="DIR")
    parser.add_argument("--make", action="store_true", help="render the scenes that are not there and join them")
    parser.add_argument("--cache", type=Path, help="where the bodies are kept, else $STUDIO_CACHE")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args(arguments)
    if given.make:
        make_scenes(given.folder, given.cache)
        print(assemble(given.folder))
        return
    expected = truth(given.folder)
    heard = watch(given.folder, given.folder / "film.mp4", expected)
    result = compare(heard, expected)
    if given.json:
        print(json.dumps(result | {"log": [asdict(line) for line in heard.lines]}))
        return
    for line in sorted(heard.lines, key=lambda one: one.t_s):
        minutes, seconds = divmod(line.t_s, 60)
        print(
            f"{minutes:2.0f}:{seconds:04.1f}  {line.player:4} {line.count:3}  {line.kind:8} {line.text:34} {line.said}"
        )
    for key, value in result.items():
        if key == "wrong":
            print("\n".join(["", *value]))
        else:
            print(
                f"{key}: "
                + (", ".join(f"{name} {n}" for name, n in value.items()) if isinstance(value, dict) else f"{value}")
            )


if __name__ == "__main__":
    main()
