"""A virtual X server (Debian, Ubuntu: apt install xvfb), for windows that are opened for real."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def x_server(*more: str, screen: str = "1280x800x24") -> Iterator[str | None]:
    """Gives the display's name, or None where there is no server or it does not start; `more` are its options."""
    server = shutil.which("Xvfb")
    if server is None:
        yield None
        return
    reading, writing = os.pipe()
    command = [server, "-displayfd", str(writing), "-screen", "0", screen, "-nolisten", "tcp", *more]
    process = subprocess.Popen(command, pass_fds=(writing,), stderr=subprocess.DEVNULL)
    os.close(writing)
    with os.fdopen(reading) as pipe:
        number = pipe.readline().strip()
    try:
        yield f":{number}" if number else None
    finally:
        process.terminate()
        process.wait(10)
