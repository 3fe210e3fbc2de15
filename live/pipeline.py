"""One step of the main job: a frame in, what is seen, shown, measured and said out. Read this first.

The pipeline holds what must be remembered between frames and composes the pure parts; the pose network has looked at
each frame before (sightings.py), everything here is arithmetic on what it saw.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
from copy import deepcopy
from dataclasses import dataclass, replace

import numpy as np

from rimward.calibration.geometry import floor_from_image
from rimward.calibration.record import Calibration
from rimward.calibration.storage import fitted

from . import footwork, hands, measure, measure3d, phases, reps, status
from .arms_out import Answer, SetUp
from .ball import BallTracker
from .ball_edge import Outline, outline
from .body import DEFAULT_STATURE_M, ScaleTracker, in_picture, point, stature_px
from .body_size import Size, size_of
from .coach import Coach, Coaching
from .court_view import CourtView
from .gestures import Gesture, GestureWatch
from .hands_free import HandsFree
from .joints import JointNetwork
from .lifting import Body, LiftedTrack, NotLifted
from .made import RingWatch
from .records import (
    Events,
    Feedback,
    FloatArray,
    Frame,
    Mark,
    Measurement,
    Observation,
    Phase,
    Pose,
    Rep,
    Result,
    Scene,
    Sighting,
    SourceTrouble,
    View,
)
from .results import RingResults
from .settings import Settings
from .shooter import ShooterLock
from .skeleton import FEET, Side, other
from .smoothing import OneEuro
from .targets import Targets
from .trace import Trace, trace_of
from .track import from_observations
from .view_check import ViewCheck
from .words import Words, decimals_of, text

STATURE_SIGMA, STATURE_GUESS_SIGMA = 0.01, 0.08
IDLE = (Phase.WAITING, Phase.HOLDING, Phase.LANDED)
"""Nobody is shooting."""
_GONE = (Phase.RELEASE, Phase.FOLLOW_THROUGH)
"""The ball has left the hands."""
_BEFORE_S = 4.0
"""A rep is read from this long before its release: pick-up, a dribble's last bounce, standing."""
_GAP_S = 1.0
"""A longer hole in time (lid closed, camera unplugged) is not bridged."""
_SHOWN = (
    ("set_point_above_eyes_m", 100, 0),
    ("elbow_at_set_deg", 1, 0),
    ("knee_min_deg", 1, 0),
    ("follow_through_s", 1, 2),
)
"""Measurement, its unit in that of the screen's words, decimals."""


@dataclass(frozen=True, slots=True, eq=False)
class _Moment:
    """What is kept of one frame until its rep is read."""

    seen: Observation
    px_per_m: float | None
    outline: Outline | None
    """The ball's, to a fraction of a pixel; only with a calibration or in a close view."""
    people_asked: int


@dataclass(frozen=True, slots=True)
class _Foretold:
    """What somebody said of a shot while its ball was in the air."""

    result: Result | None = None
    good: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Closed:
    """What became of a shot that is over: a rep with all that belongs to it, or why it is none. Empty: no shot."""

    rep: Rep | None = None
    feedback: Feedback | None = None
    trace: Trace | None = None
    rejected: str | None = None
    called_good: bool = False

    def step(self, view: View) -> Step:
        return Step(view, self.rep, self.feedback, self.trace, self.rejected, self.called_good)


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """What one frame brought."""

    view: View
    rep: Rep | None = None
    feedback: Feedback | None = None
    """Given with every rep, and only then."""
    trace: Trace | None = None
    """Given with every rep: what a later look at it needs."""
    rejected: str | None = None
    """Why a movement that looked like a release was not counted."""
    called_good: bool = False
    """Somebody called the rep good before it was one; a result that was told by then is the rep's own."""
    gesture: Gesture | None = None
    """An arm signal that was held to its end. A pause has been obeyed already; the others are for the session."""
    result: tuple[int, Result] | None = None
    """A rep that was saved before, and what the ring saw since."""
    set_up: Answer | None = None
    """The arms were held out: limb lengths, or why there are none."""
    news: str | None = None
    """At a station: what there is to say of whose turn it is (relay.TurnNews)."""

    @property
    def eventful(self) -> bool:
        """Whether there is anything beside the view."""
        return any(one is not None for one in (self.rep, self.gesture, self.result, self.set_up, self.news))


class Pipeline:
    """The state of a practice. Feed every frame in order of time; end with `finish`."""

    def __init__(
        self,
        settings: Settings,
        words: Words,
        title: str = "",
        calibration: Calibration | None = None,
        coaching: Coaching | None = None,
        watched: bool = False,
        photo: bool = True,
        station: bool = False,
        joints: JointNetwork | None = None,
    ) -> None:
        """`calibration` says where the hoop is; it is fitted to the frames' size, or refused, at the first one.

        `coaching` is by what to judge and speak; None: the bands of the settings, everything spoken of. `watched` says
        that somebody looks at the views: advice on where the camera stands is given before the first rep. Without
        `photo` the views ask for the skeleton alone. At a `station` somebody else may be signalled to come next.
        `joints` is what was learned of the pose network's landmarks, for shots in three dimensions.
        """
        self._settings, self._words, self._title = settings, words, title
        self._joints = joints
        self._given_calibration = calibration
        self._calibration: Calibration | None = None
        self._court = CourtView(None, words)
        self._coach = Coach(coaching or Coaching(Targets(settings.check_bands()), words, settings.cues.clear_sigmas))
        self._stature_m = settings.player.stature_m or DEFAULT_STATURE_M
        self._hand: Side | None = None if settings.player.hand == "auto" else settings.player.hand
        self._hand_votes: list[float] = []
        self._index = 0
        self._kept: list[int] = []
        self._taken: list[tuple[int, tuple[str | None, Mark | None, tuple[str, ...]]]] = []
        """Reps that were taken out, and what was shown of them."""
        self._cue: str | None = None
        self._mark: Mark | None = None
        self._lines: tuple[str, ...] = ()
        self._results: dict[int, Result] = {}
        self._foretold: _Foretold | None = None
        self._ring: RingResults | None = None
        self._shot_from_m: FloatArray | None = None
        self._hands = HandsFree(
            GestureWatch(settings.gestures.hold_s) if settings.gestures.on else None, words, station=station
        )
        self._set_up = SetUp(self._stature_m, words)
        self._view_check = ViewCheck(words, calibration is not None) if watched else None
        self._photo = photo
        self._size = (0, 0)
        self._now_s: float | None = None
        """Of the last frame or trouble."""
        self._start_over()

    def _start_over(self) -> None:
        """Forget the players' movement, keep the session: after a hole in time or another picture size."""
        self._lock = ShooterLock(self._settings.pose.people, self._settings.pose.close)
        self._scale = ScaleTracker(self._stature_m, self._settings.pose.close)
        self._ball = BallTracker(self._settings.ball.diameter_m)
        self._screen_filter = OneEuro()
        self._on_screen: tuple[float, Pose | None] | None = None
        self._screen_unit_px: float | None = None
        self._phase = phases.PhaseState()
        self._buffer: deque[_Moment] = deque()
        self._body_s: float | None = None
        self._ball_s: float | None = None

    def renewed(self) -> Pipeline:
        """Another pipeline with the same count and history that shares nothing with this one, for when a step of this
        one does not end. The movement is forgotten, and with it the shot that was being read.
        """
        same = deepcopy(self)
        same._start_over()
        if same._ring is not None:
            same._ring = same._new_ring()
        return same

    def people_to_ask(self) -> int:
        """How many people the network is to look for in the frame to come: 1 or 2. Ask once for each frame."""
        now_s = self._buffer[-1].seen.t_s if self._buffer else 0.0
        return self._lock.people_wanted(now_s, self._shooting)

    def step(self, sighting: Sighting) -> Step:
        """Take in the next frame. One that is not later than the last is only shown."""
        frame = sighting.frame
        self._now_s = frame.t_s
        last = self._buffer[-1].seen if self._buffer else None
        last_s = None if last is None else last.t_s
        if last is not None and frame.t_s <= last.t_s:
            return Step(self._view(frame, last if last.t_s == frame.t_s else None, frame.t_s))
        ended = None
        if last_s is not None and (frame.t_s - last_s > _GAP_S or frame.size != self._size):
            ended = self.finish()
            self._start_over()
        if frame.size != self._size:
            self._fit_calibration(frame.size)
        self._size = frame.size
        moment = self._observe(sighting)
        self._remember(moment)
        observation = moment.seen
        if not self.paused:
            now = phases.signals(observation, moment.px_per_m)
            self._phase = phases.advance(self._phase, now, self._settings.phases)
        closed = self._close_rep(frame.t_s)
        if self.paused:
            self._phase = phases.PhaseState()
        if not self._in_the_air:
            self._forget_foretold()
        result = None if self.paused else self._ask_ring(frame, observation)
        gesture = self._hands.update(frame.t_s, observation.pose, frame.size, self._phase.phase, self.count)
        if gesture is Gesture.PAUSE:
            self.toggle_pause()
        set_up = self._look_for_set_up(observation)
        self._look_at_view(frame, observation)
        view = self._view(frame, observation, frame.t_s)
        if ended is not None:  # nothing can have closed since then
            return replace(ended, view=view, gesture=gesture, result=result or ended.result, set_up=set_up)
        return replace(closed.step(view), gesture=gesture, result=result, set_up=set_up)

    def troubled(self, trouble: SourceTrouble) -> View:
        """No frames come: what stays of the view, the trouble, and what was answered to a key meanwhile."""
        self._now_s = trouble.t_s
        practised, goal = self._coach.shown()
        view = View(
            t_s=trouble.t_s,
            image=None,
            count=self.count,
            cue=self._cue,
            mark=self._mark,
            status=trouble.message,
            trouble=True,
            title=self._titled(practised),
            goal=goal,
            tally=self.tally,
        )
        return replace(view, prompt=text(self._words, "paused")) if self.paused else self._hands.dressed(view)

    def finish(self) -> Step | None:
        """The frames end: a shot in its follow-through is read now. None when there is none."""
        if not self._buffer:
            return None
        self._phase = phases.finish(self._phase)
        now_s = self._buffer[-1].seen.t_s
        closed = self._close_rep(now_s)
        result = self._believed(None if self._ring is None else self._ring.last(now_s))
        view = View(t_s=now_s, image=None, count=self.count, cue=self._cue, mark=self._mark)
        nothing = closed.rep is None and closed.rejected is None and result is None
        return None if nothing else replace(closed.step(view), result=result)

    def leave(self) -> Step | None:
        """This player's turn ends while the frames go on; as `finish`, and what moves is forgotten until the next."""
        last = self.finish()
        self._hands.leave()
        if self._ring is not None:
            self._ring = self._new_ring()
        self._start_over()
        return last

    @property
    def paused(self) -> bool:
        """Whether frames are only shown and watched for the signal to go on."""
        return self._hands.paused

    def toggle_pause(self) -> None:
        """Pause, or go on. A shot in its follow-through still counts; one that has not left the hands does not."""
        self._phase = phases.PhaseState() if self.paused else phases.finish(self._phase)
        self._hands.paused = not self.paused

    @property
    def _in_the_air(self) -> bool:
        """The ball has left the hands, and that shot is not read yet."""
        return self._phase.phase in _GONE or (self.paused and self._phase.closed_release_s is not None)

    def _foretell(self, foretold: _Foretold, words: str) -> int:
        self._foretold = foretold
        self._say(text(self._words, words, index=self.count + 1))
        return self._index + 1

    def _forget_foretold(self) -> None:
        """The ball that somebody spoke of is no rep: what was said of it is dropped, and that is said."""
        if self._foretold is not None:
            self._foretold = None
            self._say(text(self._words, "said_not_counted"))

    def judge_last(self, result: Result) -> int | None:
        """Somebody says what became of the last shot; returns the index of its rep, None when there is none.

        Who sees the ball go in says so at once, while the arm may still be up: once it has left the hand that ball is
        meant. The result then waits for its rep, comes with it (Rep.result), and goes before the ring's. Should the
        throw be none, it is dropped, and the screen says so: given to the rep before, whose result was told or is not
        known, it would be a wrong one that nobody notices; that it is missing can be seen, and one more key mends it.
        """
        if self._in_the_air:
            return self._foretell(replace(self._foretold or _Foretold(), result=result), f"said_{result}")
        if not self._kept:
            return None
        self._note_result(self._kept[-1], result)
        return self._kept[-1]

    def _note_result(self, index: int, result: Result) -> None:
        self._results[index] = result
        self._say(self._coach.result(index, result) or text(self._words, f"said_{result}", index=self._number(index)))

    def _number(self, index: int) -> int:
        """Which rep this is by the count on the screen, which leaves out those that were taken out."""
        return self._kept.index(index) + 1

    def _ask_ring(self, frame: Frame, seen: Observation) -> tuple[int, Result] | None:
        """What the ring has just said of a counted rep."""
        if self._ring is None:
            return None
        return self._believed(self._ring.update(frame, self._phase, seen, self._spot_m(seen.pose)))

    def _believed(self, said: tuple[int, Result] | None) -> tuple[int, Result] | None:
        """Noted, unless the camera was moved, the rep taken out or a person spoke first."""
        if said is None or self._hoop is None or said[0] not in self._kept or said[0] in self._results:
            return None
        self._note_result(*said)
        return said

    def _say(self, words: str) -> None:
        if self._now_s is not None:
            self._hands.say(self._now_s, words)

    def toggle_court(self) -> None:
        """Draw the court's lines over the picture, or stop drawing them."""
        self._court.toggle()

    def camera_moved(self, t_s: float) -> None:
        """The camera no longer stands where it was calibrated: values go without it until `camera_still_fits`."""
        self._court.moved(t_s)

    def camera_still_fits(self) -> None:
        """The person looked at the lines and says that they fit."""
        self._court.confirm()

    def call_last_good(self) -> int | None:
        """A coach calls the last shot good: enough of those become the player's target. Returns the index of its rep,
        None when there is none. While the ball is in the air as with `judge_last` (Step.called_good).
        """
        if self._in_the_air:
            return self._foretell(replace(self._foretold or _Foretold(), good=True), "said_good")
        if not self._kept:
            return None
        self._coach.good(self._kept[-1])
        self._say(text(self._words, "said_good", index=self.count))
        return self._kept[-1]

    def tell_last(self) -> Feedback | None:
        """Somebody asks about the last rep; None when there is none."""
        feedback = self._coach.ask(self._now_s) if self._kept and self._now_s is not None else None
        if feedback is not None and not feedback.withheld:
            self._cue, self._mark = feedback.shown, self._coach.mark()
            self._say(feedback.shown or "")
        return feedback

    def discard_last(self) -> int | None:
        """Take the last rep out of the count; returns its index, None when there is none to take.

        The one that was taken last comes back with `put_back_last`.
        """
        if not self._kept:
            self._say(text(self._words, "said_no_rep"))
            return None
        index = self._kept.pop()
        self._taken.append((index, (self._cue, self._mark, self._lines)))
        self._cue, self._mark, self._lines = None, None, ()
        self._coach.discard(index)
        self._results.pop(index, None)
        self._say(text(self._words, "said_out", index=self.count + 1))
        return index

    def put_back_last(self) -> int | None:
        """Count the rep again that was taken out last, with what was known of it; returns its index, None without."""
        if not self._taken:
            self._say(text(self._words, "said_none_out"))
            return None
        index, shown = self._taken.pop()
        insort(self._kept, index)
        if index == self._kept[-1]:
            self._cue, self._mark, self._lines = shown
        result = self._coach.put_back(index)
        if result is not None:
            self._results[index] = result
        self._say(text(self._words, "said_back", index=self._number(index)))
        return index

    @property
    def count(self) -> int:
        """Reps counted and not discarded."""
        return len(self._kept)

    @property
    def makes(self) -> int | None:
        """Reps that are known to have gone in; None while no result is known."""
        return sum(result == "made" for result in self._results.values()) if self._results else None

    def size_of(self, pose: Pose, picture: tuple[int, int]) -> Size | None:
        """How large this body is; in metres while the camera's place is known."""
        return size_of(pose, picture, self._hoop)

    def _fit_calibration(self, size: tuple[int, int]) -> None:
        """Raises CalibrationError when the calibration is for another shape of picture."""
        if self._given_calibration is not None:
            self._calibration = fitted(self._given_calibration, size)
            self._court = CourtView(self._calibration, self._words)
            self._ring = self._new_ring()

    def _new_ring(self) -> RingResults | None:
        assert self._calibration is not None
        watch = RingWatch(self._calibration, self._settings.ball.diameter_m / 2)
        return RingResults(watch, self._stature_m) if watch.sees_ring else None

    @property
    def _hoop(self) -> Calibration | None:
        """Where the hoop is, as long as that can be relied on."""
        calibration = self._calibration
        return calibration if calibration is not None and calibration.knows_hoop and self._court.trusted else None

    def _look_for_set_up(self, observation: Observation) -> Answer | None:
        if self._hoop is None or self.paused:
            return None
        return self._set_up.look(observation.t_s, observation.pose, self._hoop, self._phase.phase in IDLE)

    def _off_spot_m(self, pose: Pose) -> float | None:
        """How far somebody stands from the spot of the last shot; None where this is not known."""
        spot = None if self._shot_from_m is None or self._hoop is None else self._spot_m(pose)
        return None if spot is None or self._shot_from_m is None else float(np.linalg.norm(spot - self._shot_from_m))

    def _look_at_view(self, frame: Frame, observation: Observation) -> None:
        """While the player waits for the first shot, and not at all afterwards."""
        if self._view_check is None:
            return
        if self.paused or self._phase.phase not in IDLE:
            self._view_check.interrupt()
        else:
            self._view_check.look(frame.t_s, frame.image, observation.pose)

    def _spot_m(self, pose: Pose | None) -> FloatArray | None:
        """(2,) where the shooter stands on the floor, hoop frame."""
        if self._calibration is None or pose is None or not in_picture(pose, self._size, *FEET):
            return None
        feet = np.mean([point(pose, name) for name in FEET], axis=0)
        spot: FloatArray = floor_from_image(self._calibration, feet)[:2]
        return spot

    @property
    def _shooting(self) -> bool:
        return self._phase.phase not in (Phase.WAITING, Phase.LANDED)

    def _observe(self, sighting: Sighting) -> _Moment:
        frame, asked, shooting = sighting.frame, sighting.people_asked, self._shooting
        last_ball = self._buffer[-1].seen.ball if self._buffer else None
        pose = self._lock.choose(frame.t_s, sighting.people, asked, last_ball, self._off_spot_m)
        if self._lock.switched:
            self._change_person()
        px_per_m = self._scale.update(frame.t_s, pose)
        ball = self._ball.update(frame.image, frame.t_s, pose, px_per_m)
        # the outline costs as much as the search; a shot is read from where the ball was in play
        wanted = (shooting and self._court.trusted) or (pose is not None and bool(pose.hands))
        measured = outline(frame.image, ball) if ball is not None and wanted else None
        return _Moment(Observation(frame.index, frame.t_s, pose, ball), px_per_m, measured, asked)

    def _change_person(self) -> None:
        """Another body: its size and movement are its own; what the ball looks like stays known."""
        self._scale = ScaleTracker(self._stature_m, self._settings.pose.close)
        self._screen_unit_px = None
        self._phase = phases.PhaseState()
        self._buffer.clear()

    def _remember(self, moment: _Moment) -> None:
        keep_s = _BEFORE_S + self._settings.phases.follow_through_cap_s + 1.0
        observation = moment.seen
        self._buffer.append(moment)
        while self._buffer[0].seen.t_s < observation.t_s - keep_s:
            self._buffer.popleft()
        if observation.pose is not None:
            self._body_s = observation.t_s
        if observation.ball is not None:
            self._ball_s = observation.t_s

    def _close_rep(self, now_s: float) -> _Closed:
        """Read, measure and judge the shot whose follow-through has just ended, if there is one."""
        release_s = self._phase.closed_release_s
        if release_s is None:
            return _Closed()
        window = [moment for moment in self._buffer if moment.seen.t_s >= release_s - _BEFORE_S]
        px_per_m = float(np.median([moment.px_per_m for moment in window if moment.px_per_m is not None]))
        track = from_observations([moment.seen for moment in window], px_per_m, self._size)
        reading = reps.read(track, release_s, self._hand, self._settings.phases, self._hand_votes)
        if isinstance(reading, reps.NotAShot):
            self._forget_foretold()
            return _Closed(rejected=reading.reason)
        self._hand_votes.append(reading.right_handed)
        self._lock.locked = True
        if self._hoop is not None:
            left = min(window, key=lambda moment: abs(moment.seen.t_s - release_s)).seen.pose
            self._shot_from_m = self._spot_m(left)
        events, measurements, lifted = self._measure(window, reading, px_per_m)
        rise_s = measurements["release_before_apex_s"].value
        if not reading.hand_sure:
            mirrored = reps.read(track, release_s, other(reading.hand), self._settings.phases)
            known = None if isinstance(mirrored, reps.NotAShot) else self._measure(window, mirrored, px_per_m)[1]
            measurements = measure.of_either_hand(measurements, known)
        self._index += 1
        foretold, self._foretold = self._foretold or _Foretold(), None
        self._view_check = None
        rep = Rep(
            index=self._index,
            hand=reading.hand,
            events=replace(events, apex_s=None if rise_s is None else reading.free_s + rise_s),
            motion=reading.motion,
            release_phase=reps.release_phase(rise_s, self._settings.phases),
            measurements=measurements,
            result=foretold.result,
        )
        rep, feedback = self._coach.hear(rep, now_s)
        self._kept.append(self._index)
        if foretold.result is not None:
            self._results[self._index] = foretold.result
        if foretold.good:
            self._coach.good(self._index)
        self._cue, self._mark = feedback.shown, self._coach.mark()
        self._lines = () if feedback.withheld else (*self._coach.unseen(), *_lines(measurements, self._words))
        if feedback.prompt is not None:
            self._say(feedback.prompt)
        said = None if self._ring is None else self._ring.counted(release_s, self._index)
        if said is not None and rep.result is None:
            self._note_result(self._index, said)
            rep = replace(rep, result=said)
        seen = [moment.seen for moment in window]
        trace = trace_of(reading, seen, px_per_m, self._size, lifted)
        return _Closed(rep, feedback, trace, called_good=foretold.good)

    def _measure(
        self, window: list[_Moment], reading: reps.Reading, px_per_m: float
    ) -> tuple[Events, dict[str, Measurement], LiftedTrack | None]:
        """Instants and values of a shot, from space where the hoop is known and space can give them, else from the
        picture; and the shot in space.
        """
        known = self._settings.player.stature_m is not None
        seen, outlines = [moment.seen for moment in window], [moment.outline for moment in window]
        calibration = self._hoop
        floor = None if calibration is None else footwork.floor_places(seen, calibration)
        radius_m = self._settings.ball.diameter_m / 2
        on_ball = hands.on_ball(seen, outlines, reading, px_per_m, max(self._size), self._stature_m, radius_m)
        measurements = measure.measure(measure.shot(reading, self._stature_m, known, floor, on_ball))
        if calibration is None:
            return reading.events, self._without_hoop(measurements), None
        sigma = STATURE_SIGMA if known else STATURE_GUESS_SIGMA
        body = Body(self._stature_m, sigma, radius_m, self._set_up.lengths_m(sigma))
        lifted = measure3d.measure_rep(
            seen,
            outlines,
            reading,
            calibration,
            body,
            smoothed_by_network=float(np.mean([moment.people_asked for moment in window])) < 1.5,
            joints=self._joints,
        )
        if isinstance(lifted, NotLifted):
            return reading.events, measure.without_space(measurements, lifted.reason), None
        shot, in_space = lifted
        return shot.events, measure3d.better(measurements, in_space), shot.lifted

    def _without_hoop(self, measurements: dict[str, Measurement]) -> dict[str, Measurement]:
        """Where a calibration is given that does not tell where the hoop is, the values say so."""
        if self._calibration is None:
            return measurements
        moved = "the camera was moved after the calibration: press K if the court's lines still fit, or calibrate again"
        coarse = "a calibration by a standing player does not tell where the hoop is: use marks or printed pages"
        return measure.without_space(measurements, moved if self._calibration.knows_hoop else coarse)

    def _view(self, frame: Frame, observation: Observation | None, now_s: float) -> View:
        pose = observation.pose if observation is not None else None
        ball = observation.ball if observation is not None else None
        body_missing_s = now_s - self._body_s if self._body_s is not None else np.inf
        ball_missing_s = now_s - self._ball_s if self._ball_s is not None else now_s
        words, trouble = status.status(
            pose,
            ball,
            self._phase.phase,
            frame.size,
            body_missing_s,
            ball_missing_s,
            self._words,
            close=self._settings.pose.close,
        )
        rest = None if trouble else self._coach.rest(now_s)
        words = self._coach.resting(now_s) or words if rest is not None else words
        practised, goal = self._coach.shown()
        view = View(
            t_s=now_s,
            image=frame.image,
            pose=self._for_the_screen(now_s, pose),
            ball=ball,
            phase=self._phase.phase,
            count=self.count,
            cue=self._cue,
            mark=self._mark,
            status=words,
            trouble=trouble,
            title=self._titled(practised),
            goal=goal,
            lines=self._lines,
            tally=self.tally,
            scene=Scene.REST if rest is not None and self._phase.phase in IDLE else Scene.PRACTICE,
            clock=rest,
            photo=self._photo,
        )
        view = self._set_up.dressed(self._hands.dressed(view))
        if self._view_check is not None and not self.paused and self._phase.phase in IDLE:
            view = self._view_check.dressed(view)
        return self._court.dressed(view, self._spot_m(pose) if self._court.shows_lines else None)

    def _titled(self, practised: str) -> str:
        return " \N{MIDDLE DOT} ".join(part for part in (self._title, practised) if part)

    @property
    def tally(self) -> str:
        """Makes of the reps whose result is known; empty while none is."""
        makes = sum(result == "made" for result in self._results.values())
        return text(self._words, "tally", made=makes, known=len(self._results)) if self._results else ""

    def _for_the_screen(self, t_s: float, pose: Pose | None) -> Pose | None:
        """The pose with less tremble; measurements never see it. That of a frame that is shown again is the same."""
        if self._on_screen is None or self._on_screen[0] != t_s:
            self._on_screen = t_s, self._smoothed(t_s, pose)
        return self._on_screen[1]

    def _smoothed(self, t_s: float, pose: Pose | None) -> Pose | None:
        if pose is None:
            self._screen_unit_px = None
            return None
        if self._screen_unit_px is None:
            # taken once: a unit that trembled with each pose would shake the whole body about the picture's corner
            self._screen_unit_px = stature_px(pose) or float(self._size[1])
            self._screen_filter.reset()
        smooth: FloatArray = self._screen_filter(t_s, pose.landmarks_px / self._screen_unit_px) * self._screen_unit_px
        return Pose(smooth, pose.visibility, pose.depth_px)


def _lines(measurements: dict[str, Measurement], words: Words) -> tuple[str, ...]:
    """A few values for the coach who stands near, each with its own error."""
    lines = []
    for name, factor, digits in _SHOWN:
        measured = measurements.get(name)
        if measured is not None and measured.value is not None and measured.sigma is not None:
            value, sigma = measured.value * factor, measured.sigma * factor
            shown = f"{value:.{digits}f} \N{PLUS-MINUS SIGN} {sigma:.{digits}f}"
            lines.append(text(words, f"value_{name}", value=decimals_of(words, shown)))
    return tuple(lines)
