"""The end of a practice: waits for the disk, and shows what the session came to."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from .entrants import Part
from .outcome import what_changed
from .recorder import Recorder
from .records import Scene, View
from .relay import Relay
from .screen import Window
from .words import Words, count_of_reps, text

END_SHOWN_S = 60.0
"""So long the last screen stays without a key."""
_DISK_S = 5.0
"""How long the end waits for the disk, before it is asked whether to wait longer."""
_LOOK_S, _DAY_S = 0.2, 86_400.0


def wait_for_disk(
    recorders: Sequence[Recorder], window: Window | None, stop: threading.Event, say: Callable[[str], None]
) -> list[bool]:
    """For each player whether all is on disk. Where the disk hangs the person says when to end without it, by a key or
    a signal, which sets `stop`.
    """
    saved = [one.close(_DISK_S) for one in recorders]
    if all(saved):
        return saved
    reps = [rep.index for one in recorders for rep in one.waiting]
    named = f"rep {', '.join(map(str, reps))} wait{'s' * (len(reps) == 1)} in memory" if reps else "reps are saved"
    line = f"The disk does not answer: {named}. Free it, or end without it by any key (no window: Ctrl-C)"
    say(line)
    stop.clear()  # a signal sets it again
    over = threading.Event()

    def watch() -> None:
        while not (stop.is_set() or all(one.close(_LOOK_S) for one in recorders)):
            pass
        over.set()

    threading.Thread(target=watch, name="disk", daemon=True).start()
    if window is not None:
        window.stay(View(0.0, None, count=len(reps), status=line, trouble=True), over, _DAY_S)
    else:
        while not over.wait(0.2):
            pass
    stop.set()
    for one in recorders:
        one.give_up()
    return [one.close(0.0) for one in recorders]


def last_view(relay: Relay, parts: Sequence[Part], last_told: View | None, title: str, words: Words) -> View:
    """What the session came to. Of who shot alone also the last rep, as it was told, and what changed."""
    reps = sum(row.reps for row in relay.rows)
    status, trouble = _where_reps_are(reps, parts, words)
    alone = not relay.board
    last = last_told if alone and not trouble else None
    return View(
        0.0,
        None,
        count=reps,
        mark=None if last is None else last.mark,
        prompt="" if last is None else last.cue or "",
        cue=what_changed(parts[relay.now].reps, words) if alone else None,
        status=status,
        trouble=trouble,
        title=title,
        tally=relay.pipeline.tally if alone else "",
        board=relay.board,
        scene=Scene.END,
    )


def _where_reps_are(reps: int, parts: Sequence[Part], words: Words) -> tuple[str, bool]:
    """What became of so many reps, and whether somebody must do something about it."""
    told = count_of_reps(words, reps)
    lost, waiting = sum(part.unsaved for part in parts), sum(part.aside for part in parts)
    if lost:
        return text(words, "end_unsaved", reps=told, lost=lost), True
    if waiting:
        return text(words, "end_aside", reps=told, waiting=waiting), True
    return text(words, "end", reps=told), False
