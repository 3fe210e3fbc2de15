"""What becomes of reps: each goes to disk, ear and output when it is counted; what keys, arms and the ring say of it
follows it there.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from rimward.calibration.record import Calibration

from .entrants import Kept, Part
from .errors import StoreError
from .gestures import Gesture
from .json_lines import answer_line, discard_line, rep_line, restore_line, result_line
from .outputs import Lines, Sounds
from .pipeline import Pipeline, Step
from .ports import FrameSource
from .records import Feedback, Result, Tone, View
from .relay import Relay, TurnNews
from .store import Store
from .trace import Trace
from .traces import note_film, save_trace
from .viewpoint import commonest, viewpoint
from .words import Words, prompt


class Scorer:
    """Keeps the reps of everybody who takes part. Its methods are called between the work on two frames."""

    def __init__(
        self,
        parts: Sequence[Part],
        relay: Callable[[], Relay],
        store: Store,
        words: Words,
        sounds: Sounds,
        lines: Lines,
        say: Callable[[str], None],
        look_at_disk: Callable[[], None],
        source: FrameSource,
        clip: Path | None = None,
        calibration: Calibration | None = None,
    ) -> None:
        """`relay` gives the one that judges by then; `look_at_disk` is called after each rep that was to be saved.

        With a `clip` reps can be looked at in it later. A `calibration` says from where the camera looks.
        """
        self._parts, self._relay, self._store, self._words = parts, relay, store, words
        self._sounds, self._lines, self._say, self._look_at_disk = sounds, lines, say, look_at_disk
        self._source, self._clip, self._calibration = source, clip, calibration
        self._traces = None if store.engine is None else store.folder
        """The data folder, or None when nothing but reps can be kept."""
        self.last_told: View | None = None
        """The view with which the last rep was told, for the end; None when it was taken out."""

    @property
    def _part(self) -> Part:
        return self._parts[self._relay().now]

    @property
    def _pipeline(self) -> Pipeline:
        return self._relay().pipeline

    # ---- what frames bring

    def heed(self, step: Step) -> None:
        """Do what a frame's rep, ring, arms and the station ask for."""
        self._count(step)
        if step.set_up is not None:
            self._say(step.set_up.line)
            if step.set_up.measured:
                self._sounds.confirm(step.view.t_s)
        if step.result is not None:
            self._keep_result(*step.result)
            if step.result[1] == "made":
                self._sounds.confirm(step.view.t_s, Tone.MADE)
        if step.gesture is Gesture.MADE:
            self.note_result("made")
        elif step.gesture is Gesture.GOOD:
            self.call_good()
        elif step.gesture is Gesture.DISCARD:
            self.discard()
        elif step.gesture is Gesture.PAUSE:  # the pipeline has obeyed
            self._sounds.confirm(step.view.t_s)
        if step.news == TurnNews.FITS:
            self.note_doubts()
        if step.news == TurnNews.OVER or step.gesture is Gesture.NEXT:
            self._end_turn()
            self.note_doubts()  # this is no answer to the question: the reps stay
            self._begin_next()
        elif step.news == TurnNews.WHO:
            name = self._relay().name
            self._sounds.play(Feedback(step.view.t_s, Tone.CONFIRM, prompt=prompt(self._words, "who", player=name)))
            self._say(f"The body does not fit {name}: say who shoots (keys Y, N).")

    def _count(self, step: Step) -> None:
        if step.rep is None or step.feedback is None:
            return
        part, rep = self._part, step.rep
        self.last_told = step.view
        part.reps.append(rep)
        part.recorder.submit(rep, step.feedback)
        part.recorder.then(self._look_at_disk)
        if step.trace is not None:
            self._keep_trace(rep.index, step.trace)
            self._note_view(step.trace)
        if step.called_good:
            self._keep_good(rep.index)
        self._lines.json(part, rep_line(rep))
        self._lines.terminal(part, rep.index, "" if step.feedback.spoken is None else f": {step.feedback.spoken}")

    def _keep_trace(self, index: int, trace: Trace) -> None:
        """For a later look, after the rep is saved and its feedback under way."""
        folder, clip = self._traces, self._clip
        if folder is None:
            return
        if clip is not None:
            trace = replace(trace, film=clip.name, counted=getattr(self._source, "counted", False))

        kept = self._part.kept

        def save() -> None:
            try:
                save_trace(folder, kept.writer.id, index, trace)
                if clip is not None:
                    note_film(folder, kept.writer.id, clip)
            except StoreError as error:
                self._traces = None  # said once: the reps themselves are safe elsewhere
                self._say(f"No rep of this session can be looked at later: {error}")

        self._part.recorder.then(save)

    def _note_view(self, trace: Trace) -> None:
        """The session's view is that of most of its reps: it may change, since players move about."""
        if self._calibration is None:
            return
        kept, views = self._part.kept, self._part.views
        before = commonest(views)
        views.append(viewpoint(self._calibration, trace))
        view = commonest(views)
        if view is not None and view != before:
            self._part.recorder.then(lambda: kept.writer.seen_from(view))

    # ---- what keys and arms say of a rep

    def note_result(self, result: Result) -> None:
        """The last shot went in, or not; of one whose ball is in the air the rep brings it along."""
        index = self._pipeline.judge_last(result)
        if index is None:
            return
        if self._part.has(index):
            self._keep_result(index, result)
        self._sounds.confirm(0.0, Tone.MADE if result == "made" else Tone.CONFIRM)

    def _keep_result(self, index: int, result: Result) -> None:
        part = self._part
        part.reps = [replace(rep, result=result) if rep.index == index else rep for rep in part.reps]
        part.recorder.then(lambda: part.kept.writer.update_rep_result(index, result))
        self._lines.json(part, result_line(index, result))
        self._lines.terminal(part, index, f": {result}")

    def call_good(self) -> None:
        """A coach calls the last shot good; of one whose ball is in the air the rep brings it along."""
        index = self._pipeline.call_last_good()
        if index is None:
            return
        if self._part.has(index):
            self._keep_good(index)
            self._lines.terminal(self._part, index, ": good")
        self._sounds.confirm()

    def _keep_good(self, index: int) -> None:
        kept = self._part.kept

        def keep() -> None:
            self._store.add_note(kept.writer.id, rep_index=index, kind="good")

        self._part.recorder.then(keep)

    def tell(self) -> None:
        """Somebody asks about the last rep."""
        told = self._pipeline.tell_last()
        if told is None:
            return
        part, answer = self._part, told.spoken or ""
        part.reps[-1] = last = replace(part.reps[-1], answer=answer)
        part.recorder.then(lambda: part.kept.writer.note_answer(last.index, answer))
        self._lines.json(part, answer_line(last.index, answer))
        self._sounds.play(told)

    def discard(self) -> None:
        """The last rep was none."""
        index = self._pipeline.discard_last()
        if index is None:
            return
        part = self._part
        self.last_told = None
        part.taken.update((rep.index, rep) for rep in part.reps if rep.index == index)
        part.reps = [rep for rep in part.reps if rep.index != index]
        part.recorder.then(lambda: part.kept.writer.discard_rep(index))
        self._lines.json(part, discard_line(index))
        self._lines.terminal(part, index, " was taken out")
        self._sounds.confirm()

    def restore(self) -> None:
        """The rep that was taken out last is one after all."""
        index = self._pipeline.put_back_last()
        if index is None:
            return
        part = self._part
        if (rep := part.taken.pop(index, None)) is not None:
            insort(part.reps, rep, key=lambda rep: rep.index)
        part.recorder.then(lambda: part.kept.writer.restore_rep(index))
        self._lines.json(part, restore_line(index))
        self._lines.terminal(part, index, " counts again")
        self._sounds.confirm()

    # ---- whose turn it is at a station

    def next(self) -> None:
        """The next player's turn. Reps that were asked about are not this player's."""
        self._end_turn()
        relay, part = self._relay(), self._part
        for index in sorted(relay.doubted, reverse=True):
            if part.reps and part.reps[-1].index == index:
                self._say(f"Rep {index} is not {relay.name}'s and is taken out.")
                self.discard()
        self._begin_next()

    def _end_turn(self) -> None:
        """A shot in its follow-through still counts; while it is asked who shoots it is in doubt as those before it."""
        relay = self._relay()
        last = relay.leave()
        if last is None:
            return
        self.heed(replace(last, news=None))
        if last.rep is not None and relay.asks:
            relay.doubted.append(last.rep.index)

    def _begin_next(self) -> None:
        name = self._relay().begin_next()
        self._sounds.play(Feedback(0.0, Tone.CONFIRM, prompt=prompt(self._words, "turn", player=name)))
        if self._lines.in_terminal:
            self._say(f"Next: {name}")

    def same_player(self) -> None:
        """It is the player of this turn, where that was asked."""
        if self._relay().same_player():
            self._sounds.confirm()

    def note_doubts(self) -> None:
        """Nobody answered who shot these reps: they stay with the player of the turn, and the history says so."""
        relay, part = self._relay(), self._part
        words = f"The body did not fit {relay.name}"
        for index in relay.doubted:
            part.recorder.then(partial(self._note, part.kept, index, words))
        relay.doubted = []

    def _note(self, kept: Kept, index: int, words: str) -> None:
        """On the recorder's thread, where alone the session's id is known."""
        self._store.add_note(kept.writer.id, words, rep_index=index)
