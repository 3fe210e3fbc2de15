"""The judge of the long session sees what it is there to see. The session itself is no test: it takes an hour."""

from __future__ import annotations

from dataclasses import replace

from story import Heard, Line, Shot, Truth, compare

from rimward.live.records import Cue, Events, Finding, Rep

SHOTS = [Shot("Ben", t_s, t_s - 0.5, t_s + 0.3, True, {}) for t_s in (10.0, 20.0, 30.0)]
LOW = [replace(shot, faults={"set_point_height": "below"}) for shot in SHOTS]


def rep(index: int, release_s: float, cue: str = "") -> Rep:
    events = Events(None, None, None, release_s - 0.3, release_s, None, None)
    found = (Finding("set_point_height", "below", "set_point_above_eyes_m", 3.0),) if cue else ()
    return Rep(index, "right", events, None, None, {}, found, Cue(cue, "set_point_height") if cue else None)


def counted(*cues: str) -> list[tuple[str, Rep, bool]]:
    return [
        ("Ben", rep(k + 1, shot.release_s, cue), False) for k, (shot, cue) in enumerate(zip(SHOTS, cues, strict=True))
    ]


def test_all_well():
    found = compare(Heard(reps=counted("", "Set it higher", "Set it higher")), Truth(40.0, LOW, [], []))
    assert found["reps"] == {"true": 3, "counted": 3, "invented": 0}
    assert found["cues"]["all"] == found["cues"]["of a fault in that shot"] == 2
    assert found["faults three times running"] == {"set_point_height: all": 1, "set_point_height: told": 1}


def test_every_error_is_named():
    reps = [("Ada", rep(1, 10.1, "Set it higher"), False), ("Ben", rep(1, 25.0), False)]
    lines = [Line(12.0, "Ben", 1, "signal", "pause"), Line(35.0, "Ben", 1, "signal", "made")]
    heard = Heard(lines, reps, speech=[(19.8, 21.0, 0.0, 1.0)])
    expected = Truth(40.0, [SHOTS[0], SHOTS[1], replace(SHOTS[2], counts=False)], [(34.0, 36.0, "good")], [])
    found = compare(heard, expected)
    assert found["reps"] == {
        "true": 3,
        "counted": 1,
        "wrong player": 1,
        "missed": 1,
        "rightly not counted": 1,
        "invented": 1,
    }
    assert found["cues"] == {"all": 1, "false": 1, "begun in a shot": 1, "still sounding when one began": 0}
    assert found["signals"] == {"shown": 1, "right": 0, "accidental": 1}
    assert len(found["wrong"]) == 6
