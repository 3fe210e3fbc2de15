"""How fast `rimward review` is against the bare pose network: python tests/review_speed.py [CLIP] [--jobs N].

Bare: mediapipe's PoseLandmarker alone as it comes, with the model as `rimward setup` made it, one person, one process,
RGB pictures that are decoded already in, its own records of landmarks out. Review: everything that the
command does, from the start of its processes to the last outcome. The share of (cores x bare) is given on the clock and
by processor time; on a machine that does other work as well only the second says something.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from pathlib import Path

import cv2
import mediapipe
from mediapipe.tasks.python import BaseOptions, vision

from rimward.live.assets import demo_clip
from rimward.live.batch import ReadClip, Work, cores, read_clips
from rimward.live.clip import open_clip
from rimward.live.pose_model import model_path
from rimward.live.records import Frame
from rimward.live.settings import data_folder, load_settings


def processor_s(who: int) -> float:
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def bare(clip: Path, model: Path) -> tuple[int, float, float]:
    """Frames, seconds on the clock, seconds of the processor."""
    pictures = [
        (mediapipe.Image(mediapipe.ImageFormat.SRGB, cv2.cvtColor(frame.image, cv2.COLOR_BGR2RGB)), frame.t_s)
        for frame in open_clip(clip)
        if isinstance(frame, Frame)
    ]
    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_buffer=model.read_bytes()), running_mode=vision.RunningMode.VIDEO
    )
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        landmarker.detect_for_video(pictures[0][0], 0)
        began_s, used_s = time.perf_counter(), processor_s(resource.RUSAGE_SELF)
        for picture, t_s in pictures:
            landmarker.detect_for_video(picture, 1 + round(t_s * 1000))
        return len(pictures), time.perf_counter() - began_s, processor_s(resource.RUSAGE_SELF) - used_s


def reviewed(clips: list[Path], work: Work, jobs: int) -> tuple[int, float, float]:
    began_s, used_s = time.perf_counter(), processor_s(resource.RUSAGE_CHILDREN)
    frames = 0
    for outcome in read_clips(clips, work, {}, jobs, lambda path, done, claimed: None):
        assert isinstance(outcome, ReadClip), outcome
        frames += outcome.summary.frames
    return frames, time.perf_counter() - began_s, processor_s(resource.RUSAGE_CHILDREN) - used_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clip", type=Path, nargs="?", help="default: the bundled clip")
    parser.add_argument("--jobs", type=int, default=cores())
    parser.add_argument("--clips", type=int, help="copies of the clip; default: one for each job")
    options = parser.parse_args()
    settings = load_settings()
    model = model_path(data_folder(settings))
    with demo_clip() as demo, tempfile.TemporaryDirectory() as folder:
        clip = options.clip or demo
        copies = []
        for k in range(options.clips or options.jobs):
            copies.append(Path(folder) / f"{k}{clip.suffix}")
            copies[-1].write_bytes(clip.read_bytes())
        before = bare(clip, model)
        done = reviewed(copies, Work(settings, model), options.jobs)
        after = bare(clip, model)
    frames, took_s, used_s = (a + b for a, b in zip(before, after, strict=True))
    bare_hz, review_hz = frames / took_s, done[0] / done[1]
    print(f"bare network   {bare_hz:6.1f} frames/s   {1000 * used_s / frames:5.1f} ms of processor a frame")
    print(f"review         {review_hz:6.1f} frames/s   {1000 * done[2] / done[0]:5.1f} ms of processor a frame")
    print(f"{options.jobs} jobs, {len(copies)} clips of {frames // 2} frames, load {os.getloadavg()[0]:.1f}")
    print(f"share of {options.jobs} x bare: on the clock {review_hz / options.jobs / bare_hz:.2f},", end=" ")
    print(f"by processor time {used_s / frames / (done[2] / done[0]):.2f}")


if __name__ == "__main__":
    main()
