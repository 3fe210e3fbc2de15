"""The compact truth that ships beside a committed clip."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

EVENTS = (
    "t_begin",
    "t_dip",
    "t_gather",
    "t_set",
    "t_takeoff",
    "t_release",
    "t_apex",
    "t_landing",
    "t_wrist_below_eyes",
)
JOINTS = (
    "nose",
    *(f"{side}_{n}" for n in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle") for side in ("left", "right")),
)
INVENTED = "Invented player, rendered from a script; nobody real is shown."


def _rounded(value: object, digits: int) -> object:
    if isinstance(value, dict):
        return {k: _rounded(v, digits) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v, digits) for v in value]
    return round(value, digits) if isinstance(value, float) else value


def compact(meta: dict, arrays: dict[str, np.ndarray] | None, **more: object) -> dict:
    """Reps, other acts, player and camera of a clip.

    `meta` and `arrays` are the full sidecars of render.py. With `arrays`, the pixels of the ball and of the main joints
    are kept for every frame: ball_px (T, 3) x, y, radius; joints_px (T, 13, 2) in the order of `joint_names`.
    """
    out = {
        "about": meta["script_text"].get("about", ""),
        "player": {"note": INVENTED, **meta["player"]},
        "fps": meta["fps"],
        "frames": meta["frames"],
        "duration_s": meta["duration_s"],
        "units": meta["units"],
        "camera": {
            "width": meta["width"],
            "height": meta["height"],
            "K": meta["K"],
            "R": meta["R"],
            "t": meta["t"],
            "placement": meta["placement"],
            "hfov_deg": meta["hfov_deg"],
        },
        "reps": [
            {
                "index": n + 1,
                "hand": meta["hand"],
                "events_s": {k: shot["events_s"][k] for k in EVENTS},
                "motion": shot["motion"],
                "release_phase": shot["release_phase"],
                "result": shot["result"],
                "release": {k: shot["release"][k] for k in ("point_m", "velocity_mps")},
                "measurements": shot["measurements"],
            }
            for n, shot in enumerate(meta["shots"])
        ],
        "others": meta["others"],
        "passers": meta["passers"],
        **more,
    }
    if arrays is not None:
        names = list(arrays["names"])
        ball = np.column_stack([arrays["ball_px"], arrays["ball_radius_px"]])
        out["ball_px"] = np.round(ball, 1).tolist()
        out["joint_names"] = list(JOINTS)
        out["joints_px"] = np.round(arrays["joints_px"][:, [names.index(n) for n in JOINTS]].astype(float), 1).tolist()
        if len(arrays["passer_joints_px"]):
            out["passer_joints_px"] = np.round(arrays["passer_joints_px"].astype(float), 1).tolist()
    return _rounded(out, 6)


def write(path: Path, content: dict) -> None:
    """One line for each top-level key and for each element of its lists: small, and readable in a diff."""
    lines = []
    for key, value in content.items():
        if isinstance(value, list) and value:
            body = ",\n  ".join(json.dumps(v, separators=(", ", ": ")) for v in value)
            lines.append(f' "{key}": [\n  {body}\n ]')
        else:
            lines.append(f' "{key}": {json.dumps(value)}')
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n")
