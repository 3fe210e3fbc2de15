"""Makes v1.db, v2.db: python tests/databases/make_old.py 2 (in a checkout with its history).

The program of that commit below, the last whose databases had that version, writes it: two players, three sessions, a
session without an end, a discarded rep, results said afterwards. The files stay as they are; later programs must read
them.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

COMMITS = {"1": "929712c", "2": "9b851ef"}
ROOT = Path(__file__).resolve().parents[2]
SAVER = """
import shutil, sqlite3, sys
from pathlib import Path
from rimward.live.records import Cue, Events, Finding, Measurement, Rep
from rimward.live.session_records import SessionSummary
from rimward.live.store import open_store

def rep(index, **more):
    at = 10.0 * index
    events = Events(at - 1.5, at - 1.1, at - 0.9, at - 0.3, at, at + 0.1, None)
    return Rep(index, "right", events, "one_motion", "rising",
        {"elbow_at_set_deg": Measurement(70.0 + index, 4.0, "image"),
         "hold_s": Measurement(0.1 * index, 0.06, "timing"),
         "entry_angle_deg": Measurement.missing("the entry angle needs the camera's place: calibrate")},
        (Finding("elbow_at_set", "in_band", "elbow_at_set_deg"),
         Finding("follow_through", "below", "follow_through_s", 2.5)),
        Cue("Hold the follow-through", "follow_through") if index == 2 else None, **more)

store = open_store(Path(sys.argv[1]))
for player, count, end in (("Ada Quill", 4, True), ("Émile Vaux", 3, True), ("Ada Quill", 2, False)):
    writer = store.start_session(player=player, hand="right", source="camera 0", settings_digest="0123456789abcdef",
                                 app_version="0.1.0")
    for index in range(1, count + 1):
        writer.save(rep(index))
    writer.update_rep_result(1, "made")
    if count == 4:
        writer.discard_rep(3)
    writer.close(SessionSummary(300 * count, 2, 10.0 * count, 31.0, 30.0, 55.0) if end else None)
store.close()
with sqlite3.connect(sys.argv[1] + "/rimward.db") as raw:
    raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    raw.execute("PRAGMA journal_mode = DELETE")
shutil.copyfile(sys.argv[1] + "/rimward.db", sys.argv[2])
"""


def main(version: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        package = Path(name) / "rimward"
        asked = ["git", "archive", COMMITS[version], "live", "calibration", "config", "sounds"]
        archive = subprocess.run(asked, cwd=ROOT, check=True, capture_output=True).stdout
        with tarfile.open(fileobj=io.BytesIO(archive)) as tar:
            tar.extractall(package, filter="data")
        target = Path(__file__).with_name(f"v{version}.db")
        # isolated from an installed rimward: the old one comes first
        code = (
            f"import sys; sys.path.insert(0, {name!r}); sys.argv = ['', {name + '/data'!r}, {str(target)!r}]\n{SAVER}"
        )
        subprocess.run([sys.executable, "-S", "-c", _without_this_checkout() + code], check=True, cwd=name)


def _without_this_checkout() -> str:
    """The interpreter's packages, but not the editable install that would shadow the old program."""
    places = [place for place in sys.path if place and "site-packages" in place]
    return f"import sys; sys.path += {places!r}\n"


if __name__ == "__main__":
    main(sys.argv[1])
