"""One film of several clips."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

import imageio_ffmpeg


def joined(clips: Sequence[tuple[Path, float, float]], rate_hz: int, film: Path) -> None:
    """Write the beginnings of clips, (file, seconds, brightness), one after another, with fresh noise in each."""
    inputs, parts = [], []
    for k, (clip, seconds, brightness) in enumerate(clips):
        inputs += ["-i", str(clip)]
        made = f"trim=0:{seconds},setpts=PTS-STARTPTS,eq=brightness={brightness},noise=alls=4:allf=t"
        parts.append(f"[{k}:v]{made}[v{k}]")
    graph = ";".join([*parts, "".join(f"[v{k}]" for k in range(len(parts))) + f"concat=n={len(parts)}[film]"])
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", *inputs, "-filter_complex", graph]
    encoded = ["-map", "[film]", "-r", str(rate_hz), "-preset", "veryfast", "-crf", "20"]
    subprocess.run([*command, *encoded, str(film)], check=True)
