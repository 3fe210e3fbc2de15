"""The lifted skeleton for other programs: C3D, and the same as text.

C3D (c3d.org, an open format documented there) is what programs for biomechanics read, with units, labels and the
instants of events inside; it is written by the library ezc3d. It wants an even rate, so the shot is interpolated to the
median rate at which it was lifted, and it has no place for the error of a point that was computed. The text has the
instants as they are, and the errors.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .records import Events, FloatArray
from .trace import Space

SKELETON_COLUMNS = ("t_s", "point", "x_m", "y_m", "z_m", "sigma_x_m", "sigma_y_m", "sigma_z_m")
_MM = 1000.0
_AT = 1e-6
"""Share of a step within which two instants are one."""


def write_c3d(path: Path, space: Space, events: Events) -> None:
    """One shot: points in millimetres in the hoop frame; set, release and deepest knee bend as events.

    Times count from the shot's first instant. Raises OSError.
    """
    import ezc3d

    t_s, points = evenly(space)
    count = len(space.names)
    file = ezc3d.c3d()
    file["parameters"]["POINT"]["RATE"]["value"] = [1.0 / (t_s[1] - t_s[0])]
    file["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    file["parameters"]["POINT"]["LABELS"]["value"] = list(space.names)
    file["parameters"]["POINT"]["DESCRIPTIONS"]["value"] = ["lifted from one camera"] * count
    for name, axis in (("X_SCREEN", "+X"), ("Y_SCREEN", "+Z")):
        file.add_parameter("POINT", name, [axis])
    instants = {"set": events.set_s, "release": events.release_s, "knee_min": events.knee_min_s}
    seen = {name: at - t_s[0] for name, at in instants.items() if at is not None and t_s[0] <= at <= t_s[-1]}
    file.add_parameter("EVENT", "USED", [len(seen)])
    if seen:
        file.add_parameter("EVENT", "LABELS", list(seen))
        file.add_parameter("EVENT", "CONTEXTS", ["General"] * len(seen))
        file.add_parameter("EVENT", "TIMES", np.array([[at // 60, at % 60] for at in seen.values()]).T)
    known: NDArray[np.bool_] = np.asarray(np.isfinite(points).all(axis=2))
    data = np.ones((4, count, len(t_s)))
    data[:3] = np.where(known[..., None], points * _MM, 0.0).transpose(2, 1, 0)
    file["data"]["points"] = data
    # by the format 0 is for a point that was computed and not seen by several cameras, -1 for one that is not known
    file["data"]["meta_points"]["residuals"] = np.where(known, 0.0, -1.0).T[None]
    file["data"]["meta_points"]["camera_masks"] = np.zeros((7, count, len(t_s)), dtype=bool)
    file.write(str(path))
    if not path.exists():  # the library says nothing when it cannot write
        raise OSError(f"{path} cannot be written")


def evenly(space: Space) -> tuple[FloatArray, FloatArray]:
    """Instants (T,) at an even rate and points (T, P, 3) there; NaN where one of the two around it is."""
    t_s = space.t_s
    if len(t_s) < 2:
        raise ValueError(f"a shot in space needs two instants or more, got {len(t_s)}")
    step_s = float(np.median(np.diff(t_s)))
    even = t_s[0] + step_s * np.arange(int((t_s[-1] - t_s[0]) / step_s + 1e-6) + 1)
    right = np.clip(np.searchsorted(t_s, even, side="right"), 1, len(t_s) - 1)
    weight = ((even - t_s[right - 1]) / (t_s[right] - t_s[right - 1]))[:, None, None]
    left, right_points = space.points_m[right - 1], space.points_m[right]
    points = (1 - weight) * left + weight * right_points
    # at an instant that was lifted its neighbour does not matter, known or not
    points = np.where(weight < _AT, left, np.where(weight > 1 - _AT, right_points, points))
    return even, points


def write_text(path: Path, space: Space) -> None:
    """One line a point and instant (SKELETON_COLUMNS), hoop frame, the session's clock; points not known left out."""
    with path.open("w", encoding="utf-8", newline="") as file:
        lines = csv.writer(file)
        lines.writerow(SKELETON_COLUMNS)
        for t_s, points, sigma in zip(space.t_s, space.points_m, space.sigma_m, strict=True):
            for name, point, error in zip(space.names, points, sigma, strict=True):
                if np.isfinite(point).all():
                    lines.writerow([f"{t_s:.4f}", name, *(f"{value:.4f}" for value in (*point, *error))])
