"""Contact sheet of a rendered clip: python -m tests.studio.sheet CLIP.mp4 SHEET.png (see --help)."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import cv2
import numpy as np


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(prog="python -m tests.studio.sheet", description=__doc__)
    p.add_argument("clip", type=Path)
    p.add_argument("sheet", type=Path)
    p.add_argument("--shot", type=int, help="only this shot, at its events and the frames round release")
    p.add_argument("--every", type=float, default=0.25, help="seconds between pictures")
    p.add_argument("--joints", action="store_true", help="draw the true joints")
    p.add_argument("--width", type=int, default=400, help="pixels of the strip round the player")
    args = p.parse_args(argv)
    meta, truth = json.loads(args.clip.with_suffix(".json").read_text()), np.load(args.clip.with_suffix(".npz"))
    if args.shot is None:
        times = np.arange(0, meta["duration_s"], args.every)
    else:
        e = meta["shots"][args.shot]["events_s"]
        r = e["t_release"]
        land = e["t_landing"] or r + 0.4
        times = np.array(
            [
                e["t_begin"],
                e["t_dip"] - 0.2,
                e["t_dip"],
                (e["t_dip"] + e["t_set_start"]) / 2,
                e["t_set_start"],
                e["t_set_end"],
                r - 0.1,
                r - 0.067,
                r - 0.033,
                r,
                r + 0.033,
                r + 0.067,
                r + 0.2,
                land,
                land + 0.2,
                r + 1.1,
            ]
        )
    wanted = np.clip(np.round(times * meta["fps"]).astype(int), 0, meta["frames"] - 1)
    names = list(truth["names"])
    hips = truth["joints_px"][:, [names.index("left_hip"), names.index("right_hip")], 0].mean(1)
    capture, pictures = cv2.VideoCapture(str(args.clip)), {}
    for k in range(meta["frames"]):
        ok, picture = capture.read()
        if ok and k in wanted:
            for x, y in truth["joints_px"][k, : names.index("surf_nose")] if args.joints else ():
                cv2.circle(picture, (int(x), int(y)), 3, (0, 255, 0), -1)
            left = int(np.clip(hips[k] - args.width / 2, 0, max(0, meta["width"] - args.width)))
            picture = picture[:, left : left + args.width].copy()
            cv2.putText(picture, f"{k} {k / meta['fps']:.2f}", (8, 26), 0, 0.8, (0, 0, 255), 2)
            pictures[k] = picture
    tiles = [pictures[k] for k in wanted]
    columns = min(len(tiles), max(4, round(np.sqrt(3.2 * len(tiles)))))
    tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % columns)
    rows = [np.hstack(tiles[k : k + columns]) for k in range(0, len(tiles), columns)]
    cv2.imwrite(str(args.sheet), cv2.resize(np.vstack(rows), None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA))
    return 0


if __name__ == "__main__":
    sys.exit(main())
