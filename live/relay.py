"""Several players at one station, one after the other before the same camera: whose turn it is, and the clock. Pure.

Each has a pipeline of his or her own, so that counts, targets, hand and stature never mix. Who is not sure to be the
player of the turn is asked for, never guessed: the body's size must fit (body_size.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from .body_size import SizeWatch
from .pipeline import IDLE, Pipeline, Step
from .records import Phase, Scene, Sighting, SourceTrouble, Standing, View
from .words import Words, text

_BOARD_AFTER_S: Final = 3.0
"""Nobody has held the ball for so long: time for the counts of all."""
_SHOWN_S: Final = 4.0
"""So long the name of the next player stands large."""
_CAUTIONS_S: Final = 10.0
"""So long the cautions stand in a player's first turn, counted while they are seen: some 45 words, read at 270 a minute
(common practice, no source)."""
_LAST_SHOT_S: Final = 5.0
"""So long a player who holds the ball when the time is up may still begin a shot (common practice, no source)."""
_STEP_S: Final = 1.0
"""A longer hole between two frames does not count as practice."""


class TurnNews(StrEnum):
    """What the relay has to say beside the player's own step."""

    OVER = "over"
    """The time is up, and nobody is shooting."""
    WHO = "who"
    """The body does not fit the player of the turn: somebody must say who it is."""
    FITS = "fits"
    """Nobody said it, and the body of the last rep fits again: somebody else was in the picture for a while."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One player's place in the relay."""

    name: str
    pipeline: Pipeline
    stature_m: float | None = None
    goal: int | None = None
    of_makes: bool = False

    def standing(self, now: bool) -> Standing:
        """The row on the board."""
        return Standing(self.name, self.pipeline.count, self.goal, self.pipeline.makes, self.of_makes, now)

    @property
    def done(self) -> bool:
        """Whether the goal is reached; never without one."""
        return self.goal is not None and self.standing(False).towards >= self.goal


class Relay:
    """Stands for the pipeline of whoever shoots now (loop.Steps). Feed every frame in order of time."""

    def __init__(self, turns: Sequence[Turn], words: Words, station: str = "", turn_s: float | None = None) -> None:
        """Without the name of a `station` there is one player, and nothing but the pipeline."""
        self._turns, self._words = tuple(turns), words
        self._station, self._turn_s = station, turn_s
        self._sizes = SizeWatch({turn.name: turn.stature_m for turn in turns})
        self._moved_s: float | None = None
        self.trouble: SourceTrouble | None = None
        """Why no frames come now."""
        self.frames = [0] * len(self._turns)
        """Of each player."""
        self.cautioned_s = [0.0] * len(self._turns)
        """How long each player has had the cautions on the screen."""
        self.spent_s = [0.0] * len(self._turns)
        self.now = 0
        """Whose turn it is, by place."""
        self.asks = False
        """Waiting for somebody to say who shoots."""
        self.doubted: list[int] = []
        """Reps that were counted while that was not known."""
        self._last_seen: Sighting | None = None
        self._begin()

    def _begin(self) -> None:
        self._left_s = self._turn_s
        self._last_s: float | None = None
        self._since_s: float | None = None
        self._idle_since_s: float | None = None
        self._cautions_s: float | None = None
        self._shot_began = False
        self._sure = self._over = self.asks = False
        self.doubted = []
        self._sizes.begin()

    @property
    def pipeline(self) -> Pipeline:
        """Of the player whose turn it is."""
        return self._turns[self.now].pipeline

    @property
    def name(self) -> str:
        """Of the player whose turn it is."""
        return self._turns[self.now].name

    @property
    def count(self) -> int:
        """Reps of the player whose turn it is."""
        return self.pipeline.count

    @property
    def rows(self) -> tuple[Standing, ...]:
        """What everybody has done."""
        return tuple(turn.standing(k == self.now) for k, turn in enumerate(self._turns))

    @property
    def board(self) -> tuple[Standing, ...]:
        """Everybody's row; empty where there is no station."""
        return self.rows if self._station else ()

    def people_to_ask(self) -> int:
        """As of the pipeline."""
        return self.pipeline.people_to_ask()

    def finish(self) -> Step | None:
        """The frames end."""
        return self.pipeline.finish()

    def step(self, sighting: Sighting) -> Step:
        """The step of the player whose turn it is, with what the station adds."""
        if self._moved_s is not None:
            self.pipeline.camera_moved(self._moved_s)
        self._last_seen, self.trouble = sighting, None
        step = self.pipeline.step(sighting)
        if not self._station:
            return step
        t_s = step.view.t_s
        self._tick(t_s, step.view)
        news = self._who(step, sighting) or self._time_up(step.view)
        return replace(step, view=self._dressed(step.view), news=news)

    def troubled(self, trouble: SourceTrouble) -> View:
        """As of the pipeline: count, name and goal stay where they stand."""
        self.trouble = trouble
        view = self.pipeline.troubled(trouble)
        return replace(view, player=self.name) if self._station else view

    def seen_again(self) -> View | None:
        """The last frame, or the trouble, with what keys have changed since, for while no other comes; None where there
        is none.
        """
        if self.trouble is not None:
            return self.troubled(self.trouble)
        if self._last_seen is None:
            return None
        # a frame that is not later than the last one is only shown
        view = self.pipeline.step(self._last_seen).view
        return self._dressed(view) if self._station else view

    def _tick(self, t_s: float, view: View) -> None:
        if self._since_s is None and not view.trouble:  # who comes next must be there to read it
            self._since_s = t_s
        spent_s = 0.0 if self._last_s is None else min(_STEP_S, max(0.0, t_s - self._last_s))
        self.frames[self.now] += 1
        self.spent_s[self.now] += spent_s
        if self._left_s is not None and not self.pipeline.paused:
            self._left_s -= spent_s
        self._last_s = t_s
        if view.phase not in (Phase.WAITING, Phase.LANDED):
            self._idle_since_s = None
        elif self._idle_since_s is None:
            self._idle_since_s = t_s

    def _who(self, step: Step, sighting: Sighting) -> TurnNews | None:
        """Look at the body while the ball is held, and at each rep; asks once."""
        view = step.view
        if view.phase is Phase.HOLDING and view.pose is not None:
            self._sizes.look(view.t_s, self.pipeline.size_of(view.pose, sighting.frame.size))
        if step.rep is not None and self.asks:
            if self._sizes.fits(self.name):
                self.asks = False
                return TurnNews.FITS
            self.doubted.append(step.rep.index)
        if self.asks or self._sure or not (step.rep is not None or view.phase is Phase.HOLDING):
            return None
        fits = self._sizes.fits(self.name)
        if fits is False:
            self.asks = True
            if step.rep is not None:
                self.doubted.append(step.rep.index)
            return TurnNews.WHO
        if step.rep is not None:
            self._sizes.confirm(self.name)
        return None

    def _time_up(self, view: View) -> TurnNews | None:
        if self._left_s is None or self._left_s > 0 or self._over:
            return None
        # who holds the ball may be about to shoot, but not for ever
        patient = view.phase is Phase.HOLDING and self._left_s > -_LAST_SHOT_S
        if patient or view.phase not in IDLE:
            return None
        self._over = True
        return TurnNews.OVER

    def same_player(self) -> bool:
        """Somebody says that it is the player of this turn; True when that was asked."""
        asked, self.asks = self.asks, False
        if asked:
            self._sure, self.doubted = True, []
            self._sizes.confirm(self.name)
        return asked

    def leave(self) -> Step | None:
        """The turn ends; a shot in its follow-through is read, and belongs to the player who leaves."""
        return self.pipeline.leave()

    def begin_next(self) -> str:
        """The next player's turn begins; gives the name."""
        self.now = (self.now + 1) % len(self._turns)
        self._begin()
        return self.name

    def camera_moved(self, t_s: float) -> None:
        """As of the pipeline, for everybody."""
        self._moved_s = t_s
        for turn in self._turns:
            turn.pipeline.camera_moved(t_s)

    def camera_still_fits(self) -> None:
        """As of the pipeline, for everybody."""
        self._moved_s = None
        for turn in self._turns:
            turn.pipeline.camera_still_fits()

    def _dressed(self, view: View) -> View:
        """The view with the question, or with everybody's counts while nobody shoots."""
        rest = view.clock
        if rest is None and self._left_s is not None and self._turn_s is not None:
            view = replace(view, clock=(max(0, math.ceil(self._left_s)), round(self._turn_s)))
        before_s, self._cautions_s = self._cautions_s, None
        view = replace(view, player=self.name)
        self._shot_began |= view.phase not in IDLE
        if view.trouble or self.pipeline.paused or view.phase not in IDLE:
            return view
        if self.asks:
            return replace(view, prompt=text(self._words, "who", player=self.name), progress=None, scene=Scene.PRACTICE)
        idle = self._idle_since_s is not None and view.t_s - self._idle_since_s >= _BOARD_AFTER_S
        # before advice on the camera: that waits for the first shot, but nobody can tell when it comes. Who shot
        # sooner still reads them, once there is nothing else to see.
        if self.cautioned_s[self.now] < _CAUTIONS_S and not view.prompt and (idle or not self._shot_began):
            self.cautioned_s[self.now] += 0.0 if before_s is None else min(_STEP_S, view.t_s - before_s)
            self._cautions_s = view.t_s
            new = self._name_at_first(view.t_s) == self.name
            return replace(view, scene=Scene.CAUTIONS, prompt=self.name, answers=new)
        if view.scene is Scene.SET_UP and not view.advice[0].good:
            return view
        said = self._name_at_first(view.t_s) or self._next_after_goal()
        if said == self.name and not view.prompt:  # somebody asked for this player
            view = replace(view, answers=True)
        if not (said == self.name or idle or view.scene is Scene.REST):
            return replace(view, prompt=view.prompt or said)
        return replace(view, scene=Scene.STATION, board=self.board, prompt=view.prompt or said)

    def _name_at_first(self, t_s: float) -> str:
        """The name as a turn begins; empty afterwards."""
        return self.name if self._since_s is None or t_s - self._since_s < _SHOWN_S else ""

    def _next_after_goal(self) -> str:
        """How it goes on once the player of the turn has reached the goal; empty before."""
        if not self._turns[self.now].done:
            return ""
        if all(turn.done for turn in self._turns):
            return text(self._words, "goal_last")
        return text(self._words, "goal_next", player=self._turns[(self.now + 1) % len(self._turns)].name)
