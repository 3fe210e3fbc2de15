"""The `--json` lines of practice: one valid JSON object a line, keys in the order of the interface. Pure."""

from __future__ import annotations

import json
import math

from .records import Measurement, Rep, Result
from .session_records import SessionSummary


def with_player(line: str, player: str) -> str:
    """The same line with the name of the player, where several share a practice."""
    return json.dumps({**json.loads(line), "player": player}, allow_nan=False)


def rep_line(rep: Rep, **more: str) -> str:
    """One rep. Times in seconds from the first frame, units in the names of the measurements; `more` goes last."""
    events = rep.events
    return _line(
        {
            "kind": "rep",
            "index": rep.index,
            "hand": rep.hand,
            "t_dip_s": _time(events.dip_s),
            "t_set_s": _time(events.set_s),
            "t_release_s": _time(events.release_s),
            "t_landing_s": _time(events.landing_s),
            "t_pickup_s": _time(events.pickup_s),
            "t_apex_s": _time(events.apex_s),
            "motion": rep.motion,
            "release_phase": rep.release_phase,
            "result": rep.result,
            "measurements": {name: _measurement(value) for name, value in rep.measurements.items()},
            "findings": [
                {"check": finding.check, "verdict": finding.verdict, "measurement": finding.measurement}
                for finding in rep.findings
            ],
            "cue": None if rep.cue is None else {"text": rep.cue.text, "check": rep.cue.check},
            "praise": rep.praise,
            "answer": rep.answer,
            **more,
        }
    )


def result_line(index: int, result: Result) -> str:
    """What became of a rep whose line is out already: the ring, a signal or a key said so later."""
    return _line({"kind": "result", "index": index, "result": result})


def answer_line(index: int, answer: str) -> str:
    """What was said when somebody asked about a rep whose line is out already; empty for a tone alone."""
    return _line({"kind": "answer", "index": index, "answer": answer})


def discard_line(index: int) -> str:
    """A rep whose line is out already was taken out of the count."""
    return _line({"kind": "discard", "index": index})


def restore_line(index: int) -> str:
    """A rep that was taken out counts again."""
    return _line({"kind": "restore", "index": index})


def session_line(reps: int, summary: SessionSummary, **more: str) -> str:
    """The last line: what the session came to; `more` goes last."""
    return _line(
        {
            "kind": "session",
            "reps": reps,
            "frames": summary.frames,
            "dropped": summary.dropped,
            "duration_s": _rounded(summary.duration_s, 3),
            "processing_fps": _rounded(summary.processing_fps, 1),
            "latency_ms": {"p50": _rounded(summary.latency_p50_ms, 1), "p95": _rounded(summary.latency_p95_ms, 1)},
            **more,
        }
    )


def error_line(message: str, **more: str) -> str:
    """A clip that gave nothing, and why."""
    return _line({"kind": "error", "message": message, **more})


def _measurement(measurement: Measurement) -> dict[str, object]:
    if measurement.value is None:
        return {"value": None, "reason": measurement.reason}
    return {
        "value": _rounded(measurement.value, 4),
        "sigma": _significant(measurement.sigma),
        "basis": measurement.basis,
    }


def _time(t_s: float | None) -> float | None:
    return _rounded(t_s, 4)


def _rounded(value: float | None, decimals: int) -> float | None:
    """`value` as a plain float (NumPy's own types are no JSON); adding 0 turns -0.0 into 0.0."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), decimals) + 0.0


def _significant(sigma: float | None) -> float | None:
    """Three digits, so that a small error never reads as none at all."""
    return None if sigma is None else float(f"{sigma:.3g}")


def _line(content: dict[str, object]) -> str:
    return json.dumps(content, allow_nan=False)
