"""Ctrl-C and termination in a practice: they end it between two pieces of work, never inside one."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any


@contextmanager
def stopped_by_signals(stop: threading.Event) -> Iterator[Callable[[], None]]:
    """Gives what to call when Ctrl-C and termination shall no longer interrupt: from then on they set `stop`, as often
    as they come, and KeyboardInterrupt is raised at the end.

    So neither can strike while a rep is judged or saved, or inside the network's library, which takes it badly. Outside
    the main thread nothing is caught.
    """
    came: list[int] = []
    before: dict[int, Any] = {}

    def note(number: int, _frame: object) -> None:
        came.append(number)
        # a thread, because the interrupted code may hold the lock of `stop` at this very moment
        threading.Thread(target=stop.set, name="signal").start()

    def hold() -> None:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                before[number] = signal.signal(number, note)

    try:
        yield hold
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
    if came:
        raise KeyboardInterrupt
