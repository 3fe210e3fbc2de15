"""Hostile files into every reader: only the program's own errors may come out, each one line.

    python -m tests.fuzz [--cases 10000] [READER ...]

Three kinds of input: any bytes, a valid file with bytes knocked about, and a valid file whose values were exchanged for
nasty ones (other types, huge numbers, NaN, very long and control characters, deep nesting).
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from rimward.calibration.points import read_points
from rimward.calibration.storage import load_calibration, load_lens, save_calibration
from rimward.live.assets import config_text
from rimward.live.errors import RimwardError
from rimward.live.settings import load_settings
from rimward.live.words import read_words

NASTY = (
    "0", "-1", "1e999", "nan", "inf", "-0.0", "99999999999999999999999", "true", '""', "[]", "[[]]", "{}", "[1, 2]",
    '"' + "x" * 5000 + '"', '"\\u0000"', '"\\u001b[2J"', '"<script>"', '"../../etc"', "null", "1979-05-27", "'", '"""',
    "[" * 200 + "]" * 200, "0x7f", "1_000", "\x00", "\ufeff", "\u2028",
)  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """Something that reads a file a person may hand to the program."""

    name: str
    valid: Callable[[], bytes]
    read: Callable[[Path], object]
    suffix: str = ".toml"


def _points() -> bytes:
    points = [
        {"feature": "board_top_left", "px": [612.5, 101.0]},
        {"feature": "board_top_right", "px": [912.5, 101.0]},
        {"feature": "board_bottom_left", "px": [612.5, 301.0]},
        {"world_m": [0.0, -4.191, 0.0], "px": [701.0, 655.2]},
    ]
    return json.dumps({"image_size": [1280, 720], "court": "us", "hfov_deg": 70.0, "points": points}, indent=1).encode()


def _calibration() -> bytes:
    from rimward.calibration.record import Calibration

    made = Calibration(
        camera_matrix=np.array([[900.0, 0.0, 640.0], [0.0, 900.0, 360.0], [0.0, 0.0, 1.0]]),
        distortion=np.zeros(5),
        image_size=(1280, 720),
        R=np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]),
        t=np.array([0.0, 1.2, 8.0]),
        rms_px=0.5,
        covariance=np.eye(7) * 1e-4,
        sigma_position_m=0.02,
        sigma_direction_deg=0.1,
        method="marks",
        lens="known",
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "court.toml"
        save_calibration(path, made)
        return path.read_bytes()


def _words(path: Path) -> object:
    return read_words(path.read_bytes().decode("utf-8", "replace"), path.name)


READERS: tuple[Reader, ...] = (
    Reader("points", _points, read_points, ".json"),
    Reader("settings", lambda: config_text("default.toml").encode(), load_settings),
    Reader("calibration", _calibration, load_calibration),
    Reader("lens", _calibration, load_lens),
    Reader("words", lambda: config_text("words_en.toml").encode(), _words),
)


def damaged(valid: bytes, rng: random.Random) -> bytes:
    """A file a person might have: cut, doubled, with lines exchanged, with bytes knocked about."""
    content = bytearray(valid)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(content) + 1)
        match rng.randrange(5):
            case 0:
                content = content[:at]
            case 1:
                content[at:at] = rng.randbytes(rng.randint(1, 8))
            case 2:
                del content[at : at + rng.randint(1, 40)]
            case 3:
                content[at:at] = content[at : at + 200]
            case _:
                if content:
                    content[rng.randrange(len(content))] = rng.randrange(256)
    return bytes(content)


def exchanged(valid: bytes, rng: random.Random) -> bytes:
    """A file of the right shape with nasty values."""
    lines = valid.decode().splitlines()
    places = [k for k, line in enumerate(lines) if ("=" in line or ":" in line) and not line.lstrip().startswith("#")]
    for k in rng.sample(places, min(len(places), rng.randint(1, 3))):
        mark = "=" if "=" in lines[k] else ":"
        key, _, _ = lines[k].partition(mark)
        tail = "," if mark == ":" and lines[k].rstrip().endswith(",") else ""
        lines[k] = f"{key}{mark} {rng.choice(NASTY)}{tail}"
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def fuzz(reader: Reader, cases: int, base: int = 0) -> Counter[str]:
    """Feed it; returns how often it read and how often it refused. What else comes out is raised with its input."""
    outcomes: Counter[str] = Counter()
    valid = reader.valid()
    kinds = st.one_of(
        st.binary(max_size=300),
        st.randoms(use_true_random=False).map(lambda rng: damaged(valid, rng)),
        st.randoms(use_true_random=False).map(lambda rng: exchanged(valid, rng)),
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"given{reader.suffix}"

        @seed(base)
        @settings(
            max_examples=cases,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(kinds)
        def feed(content: bytes) -> None:
            path.write_bytes(content)
            try:
                reader.read(path)
                outcomes["read"] += 1
            except RimwardError as error:
                said = str(error)
                assert said, "an error must say something"
                assert "\n" not in said, f"one line: {said!r}"
                assert said.isprintable(), f"no control characters on a terminal: {said!r}"
                assert len(said) <= 600, f"one line, not a page: {len(said)} characters"
                outcomes["refused"] += 1

        feed()
    return outcomes


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("readers", nargs="*", metavar="READER", help="only these")
    parser.add_argument("--cases", type=int, default=10_000)
    args = parser.parse_args(argv)
    for reader in READERS:
        if args.readers and reader.name not in args.readers:
            continue
        began_s = time.monotonic()
        outcomes = fuzz(reader, args.cases)
        spent_s = time.monotonic() - began_s
        print(
            f"{reader.name:12} {outcomes['read']:6} read  {outcomes['refused']:6} refused  {spent_s:6.1f} s", flush=True
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
