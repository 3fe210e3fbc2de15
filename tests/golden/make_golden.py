"""Writes the golden files: what is read of a few stories, instant by instant.

    PYTHONPATH=tests python tests/golden/make_golden.py

They hold no truth (that is in the stories' own scripts and in the clips) but guard against change that nobody meant.
When a change was meant, run this again and look at the difference before it is committed.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from builders import (
    Act,
    Form,
    View,
    chest_pass,
    dribble,
    fetch,
    film,
    overhead_pass,
    phases_of,
    play,
    pump_fake,
    rebound,
    reps_of,
    shot,
    shots_in,
    spin,
    stand,
    stretch,
)

from rimward.live.reps import NotAShot
from rimward.live.settings import Phases, load_settings

FOLDER = Path(__file__).parent
STORIES: dict[str, tuple[list[Act], Form, View]] = {
    "three_shots": (reps_of([Form(), Form(hold_s=0.3), Form(set_above_eyes_m=-0.1)]), Form(), View()),
    "jump_shot_off_the_dribble": (
        [stand(1), dribble(3), shot(Form(jump_m=0.3)), stand(1, ball=False)],
        Form(),
        View(15),
    ),
    "left_hander_from_the_front": (reps_of([Form(hand="left")]), Form(hand="left"), View(90)),
    "no_shot_at_all": (
        [stand(1), dribble(), pump_fake(), spin(), overhead_pass(), stand(0.5, ball=False), stretch(), rebound()]
        + [stand(0.5), chest_pass(), stand(0.5, ball=False)],
        Form(),
        View(),
    ),
    "fake_then_shot": ([stand(1), pump_fake(), shot(), stand(0.5, ball=False), fetch(), stand(0.5)], Form(), View(30)),
}


def told(name: str, settings: Phases) -> dict[str, object]:
    """Phases as they go by, and what is read of every movement that looked like a release."""
    acts, form, view = STORIES[name]
    seen = film(play(acts, form), view)
    begun, _ = phases_of(seen, settings, view)
    shots: list[dict[str, object]] = []
    for reading in shots_in(seen, settings, view):
        if isinstance(reading, NotAShot):
            shots.append({"rejected": reading.reason})
        else:
            events = {k: None if v is None else round(v, 3) for k, v in asdict(reading.events).items()}
            shots.append({"hand": reading.hand, "motion": reading.motion} | events)
    return {"phases": [[round(t, 3), phase.value] for t, phase in begun], "shots": shots}


def main() -> None:
    settings = load_settings().phases
    for name in STORIES:
        text = json.dumps(told(name, settings), indent=1)
        (FOLDER / f"{name}.json").write_text(text + "\n")


if __name__ == "__main__":
    main()
