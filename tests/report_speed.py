"""How long `rimward report` takes after a long time of practice: the whole command in a process of its own.

python tests/report_speed.py [REPS [SESSIONS]]
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from practised import Day, practise
from program import environment

from rimward.live.settings import load_settings

RUNS = 3


def main(reps: int = 10_000, sessions: int = 200) -> int:
    days = [Day(reps // sessions, 2.0, {"knee_min_deg": (118.0, 4.0)}, made=0.6) for _ in range(sessions)]
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        practise(data, "Noor Example", days, load_settings().check_bands()).close()
        print(f"{reps} reps in {sessions} sessions, {(data / 'rimward.db').stat().st_size / 1e6:.1f} MB")
        for what, span in (("the last week", 7), ("all of it", 10_000)):
            for _ in range(RUNS):
                page = data / "page.html"
                command = [sys.executable, "-m", "rimward.live", "report", "Noor Example", "--force"]
                before, began_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
                subprocess.run(
                    [*command, "--days", str(span), "--out", str(page)],
                    cwd=data,
                    env=environment(data),
                    check=True,
                    stderr=subprocess.DEVNULL,
                )
                after, took_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter() - began_s
                cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
                print(f"{what}: {took_s:.2f} s, of which processor {cpu_s:.2f} s; {page.stat().st_size / 1e3:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
