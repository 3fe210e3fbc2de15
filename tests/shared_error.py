"""How much of a measurement's error the reps of one session have in common (the SHARED of live/evidence.py).

    python -m tests.shared_error

The six reps of the bundled clip, through the real network, against their exact truth: the square of the mean error over
the mean square of the errors, for each measurement whose error is not mostly a jump of one rep.
"""

from __future__ import annotations

import numpy as np

from rimward.live import places
from rimward.live.measure import MEASUREMENTS
from rimward.live.pose_model import model_path

from .accuracy import ROOT, studio_cases
from .verdicts import session

LEAST_REPS = 4


def main() -> None:
    model = model_path(places.data_folder())
    (case,) = [case for case in studio_cases(ROOT / "live") if case.path.stem == "demo_clip"]
    for calibrated in (False, True):
        reps = session(case, model, calibrated)
        shares = []
        for name in MEASUREMENTS:
            errors = np.array(
                [
                    measured.value - truth[name]
                    for rep, (_, truth) in zip(reps, case.shots, strict=True)
                    if (measured := rep.measurements[name]).value is not None and truth.get(name) is not None
                ]
            )
            if len(errors) >= LEAST_REPS:
                shares.append(errors.mean() ** 2 / np.mean(errors**2))
                print(
                    f"{name:28s} mean error {errors.mean():+8.3f}  spread {errors.std():7.3f}  shared {shares[-1]:.2f}"
                )
        kind = "with" if calibrated else "without"
        print(f"{kind} a calibration: median shared part {np.median(shares):.2f} of {len(shares)} measurements\n")


if __name__ == "__main__":
    main()
