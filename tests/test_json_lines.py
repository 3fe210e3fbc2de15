"""The lines of `--json`: always valid JSON, keys in the order that the interface fixes."""

from __future__ import annotations

import json

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.json_lines import answer_line, rep_line, session_line
from rimward.live.records import Cue, Events, Finding, Measurement, Rep
from rimward.live.session_records import SessionSummary


def a_rep(**changes) -> Rep:
    content = {
        "index": 1,
        "hand": "right",
        "events": Events(
            pickup_s=1.5, dip_s=2.13, knee_min_s=2.2, set_s=3.1, release_s=3.43, apex_s=3.5, landing_s=None
        ),
        "motion": "one_motion",
        "release_phase": "rising",
        "measurements": {
            "elbow_at_set_deg": Measurement(75.2, 4.0, "lifted"),
            "arm_offset_at_set_m": Measurement.missing("not observable from the side"),
        },
        "findings": (Finding("set_point_height", "in_band", "set_point_above_eyes_m"),),
        "cue": Cue("Hold the follow-through", "follow_through"),
    }
    return Rep(**(content | changes))


def strictly(line: str):
    """Python's reader takes NaN and Infinity, which are no JSON (RFC 8259)."""

    def refuse(constant: str):
        raise AssertionError(f"{constant} is no JSON")

    assert "\n" not in line
    return json.loads(line, parse_constant=refuse)


def test_what_was_said_on_request():
    assert strictly(answer_line(3, "Höher fertig")) == {"kind": "answer", "index": 3, "answer": "Höher fertig"}


def test_a_rep_reads_as_in_the_interface():
    read = strictly(rep_line(a_rep()))
    extra = {"t_pickup_s": read.pop("t_pickup_s"), "t_apex_s": read.pop("t_apex_s")}
    assert extra == {"t_pickup_s": 1.5, "t_apex_s": 3.5}
    assert (read.pop("praise"), read.pop("answer")) == (None, None)
    # the example of the interface, keys in its order
    assert json.dumps(read) == json.dumps(
        {
            "kind": "rep",
            "index": 1,
            "hand": "right",
            "t_dip_s": 2.13,
            "t_set_s": 3.10,
            "t_release_s": 3.43,
            "t_landing_s": None,
            "motion": "one_motion",
            "release_phase": "rising",
            "result": None,
            "measurements": {
                "elbow_at_set_deg": {"value": 75.2, "sigma": 4.0, "basis": "lifted"},
                "arm_offset_at_set_m": {"value": None, "reason": "not observable from the side"},
            },
            "findings": [{"check": "set_point_height", "verdict": "in_band", "measurement": "set_point_above_eyes_m"}],
            "cue": {"text": "Hold the follow-through", "check": "follow_through"},
        }
    )


def test_a_silent_rep_has_a_null_cue():
    assert strictly(rep_line(a_rep(cue=None, result="made")))["cue"] is None


def test_a_session_reads_as_in_the_interface():
    line = session_line(6, SessionSummary(930, 0, 31.0, 41.3, 38.0, 55.0))
    assert line == (
        '{"kind": "session", "reps": 6, "frames": 930, "dropped": 0, "duration_s": 31.0, '
        '"processing_fps": 41.3, "latency_ms": {"p50": 38.0, "p95": 55.0}}'
    )


def test_a_session_without_frames_says_null_where_nothing_was_measured():
    read = strictly(session_line(0, SessionSummary(0, 0, 0.0)))
    assert read["processing_fps"] is None
    assert read["latency_ms"] == {"p50": None, "p95": None}


def test_numbers_are_rounded_but_a_small_error_never_reads_as_none():
    read = strictly(rep_line(a_rep(measurements={"dip_m": Measurement(-0.00001, 0.00001234567, "ball")})))
    assert read["measurements"]["dip_m"] == {"value": 0.0, "sigma": 1.23e-05, "basis": "ball"}
    assert str(read["measurements"]["dip_m"]["value"]) == "0.0"  # not "-0.0"


def test_numpy_numbers_and_other_alphabets_pass():
    measured = Measurement(np.float32(1.5), np.float64(0.25), "timing")
    line = rep_line(a_rep(measurements={"hold_s": measured}, cue=Cue("Локоть под мяч", "elbow")))
    assert line.isascii()  # a console with any encoding can print it
    read = strictly(line)
    assert read["measurements"]["hold_s"]["value"] == 1.5
    assert read["cue"]["text"] == "Локоть под мяч"


finite = st.floats(allow_nan=False, allow_infinity=False)


@given(value=finite, sigma=st.floats(min_value=1e-300, max_value=1e300), t_s=finite, reason=st.text(min_size=1))
def test_every_rep_gives_valid_json(value, sigma, t_s, reason):
    events = Events(None, t_s, None, 0.0, 1.0, None, t_s)
    measurements = {"a": Measurement(value, sigma, "image"), reason: Measurement.missing(reason)}
    read = strictly(rep_line(a_rep(events=events, measurements=measurements)))
    assert read["measurements"]["a"]["sigma"] > 0
    assert abs(read["t_dip_s"] - t_s) <= 1e-4


@given(
    st.builds(SessionSummary, st.integers(0), st.integers(0), finite, st.none() | finite, finite, st.none() | finite)
)
def test_every_session_gives_valid_json(summary):
    assert strictly(session_line(0, summary))["kind"] == "session"
