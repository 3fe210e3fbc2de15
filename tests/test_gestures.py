"""Arm signals: what counts as one, that it must be held, and that nothing else in practice is one."""

from __future__ import annotations

import numpy as np
import pytest
from builders import pose_of
from figure import DOWN, LOW, OUT, SIZE, UP, WIDE, figure
from program import CLIPS, data_folder, prepared_model, run, saved

from rimward.live.assets import english
from rimward.live.gestures import Gesture, GestureWatch, signal
from rimward.live.hands_free import HandsFree
from rimward.live.records import Phase, Pose, View
from rimward.live.skeleton import INDEX
from rimward.live.words import text


def told(poses, watch: GestureWatch | None = None, fps: float = 30.0, shooting=lambda t: False, start_s: float = 0.0):
    """(signal, when) of each that was held to its end, and the most progress that was shown."""
    watch = watch or GestureWatch()
    confirmed, most = [], 0.0
    for k, pose in enumerate(poses):
        t_s = start_s + k / fps
        held = watch.update(t_s, pose, SIZE, shooting=shooting(t_s))
        most = max(most, 0.0 if held is None else held.progress)
        if held is not None and held.confirmed:
            confirmed.append((held.gesture, t_s))
    return confirmed, most


def during(seconds: float, pose: Pose | None) -> list[Pose | None]:
    return [pose] * round(seconds * 30)


@pytest.mark.parametrize(
    ("left", "right", "meant"),
    [
        (WIDE, WIDE, Gesture.PAUSE),
        (DOWN, OUT, Gesture.MADE),
        (OUT, DOWN, Gesture.GOOD),
        (OUT, UP, Gesture.DISCARD),
        (UP, OUT, Gesture.DISCARD),
        (OUT, WIDE, Gesture.NEXT),
        (WIDE, OUT, Gesture.NEXT),
    ],
)
def test_each_signal_is_read_with_the_arms_a_little_off(left: float, right: float, meant: Gesture) -> None:
    for off in (-12.0, 0.0, 12.0):
        assert signal(figure(left + off, right + off), SIZE) is meant


@pytest.mark.parametrize(
    "pose",
    [
        pytest.param(LOW, id="arms down"),
        pytest.param(figure(OUT, OUT), id="both arms out: the set-up pose"),
        pytest.param(figure(UP, UP), id="both arms straight up: a stretch, a block"),
        pytest.param(figure(DOWN, UP), id="one arm up: a follow-through"),
        pytest.param(figure(DOWN, 45.0), id="one arm half up: a call for the ball"),
        pytest.param(figure(WIDE, WIDE, straight=0.7), id="bent arms: a celebration, hands on the head"),
        pytest.param(figure(WIDE, WIDE, facing=0.4), id="turned away by two thirds"),
        pytest.param(figure(WIDE, WIDE, facing=-1.0), id="from behind"),
        pytest.param(figure(WIDE, WIDE, x=1270.0), id="half out of the picture"),
    ],
)
def test_what_players_do_otherwise_is_no_signal(pose: Pose) -> None:
    assert signal(pose, SIZE) is None


def shortened(pose: Pose, side: str, share: float) -> Pose:
    """The same arm, turned toward the camera until so much of its length is seen."""
    px = pose.landmarks_px.copy()
    shoulder = px[INDEX[f"{side}_shoulder"]]
    for joint in ("elbow", "wrist"):
        px[INDEX[f"{side}_{joint}"]] = shoulder + share * (px[INDEX[f"{side}_{joint}"]] - shoulder)
    return pose_of(px)


@pytest.mark.parametrize("side", ["left", "right"])
def test_an_arm_that_points_at_the_camera_points_nowhere(side: str) -> None:
    """Handing the ball over, or reaching for the lid: straight, but little of it is seen."""
    made = figure(DOWN, OUT)
    assert signal(shortened(made, side, 0.9), SIZE) is Gesture.MADE
    assert signal(shortened(made, side, 0.4), SIZE) is None


def test_a_body_that_is_not_seen_signals_nothing() -> None:
    assert signal(pose_of(figure(WIDE, WIDE).landmarks_px, 0.2), SIZE) is None


def test_a_signal_counts_once_after_it_was_held() -> None:
    confirmed, most = told(during(0.5, LOW) + during(4.0, figure(WIDE, WIDE)))
    assert confirmed == [(Gesture.PAUSE, pytest.approx(2.0, abs=0.04))]
    assert most == 1.0


def test_a_signal_let_go_early_counts_for_nothing_but_was_shown() -> None:
    confirmed, most = told(during(0.5, LOW) + during(1.3, figure(DOWN, OUT)) + during(1.0, LOW))
    assert confirmed == []
    assert 0.8 < most < 1.0


def test_arms_on_their_way_are_not_shown() -> None:
    _, most = told(during(0.5, LOW) + during(0.2, figure(DOWN, OUT)) + during(0.5, figure(UP, UP)))
    assert most == 0.0


def test_flickering_landmarks_do_not_start_it_anew() -> None:
    """The network loses an arm for a frame or two."""
    poses = during(0.5, LOW) + [None if k % 10 in (3, 4) else figure(OUT, DOWN) for k in range(60)]
    assert [gesture for gesture, _ in told(poses)[0]] == [Gesture.GOOD]


def test_arms_that_wave_are_not_held() -> None:
    poses = during(0.5, LOW) + [figure(55 + 15 * np.sin(k / 3), 55 - 15 * np.sin(k / 3)) for k in range(90)]
    assert told(poses)[0] == []


def test_the_same_signal_again_needs_the_arms_down_between() -> None:
    again = during(0.5, LOW) + during(2.0, figure(DOWN, OUT))
    assert [gesture for gesture, _ in told(again + again)[0]] == [Gesture.MADE, Gesture.MADE]
    moved = during(2.0, figure(DOWN, OUT + 18.0))
    assert [gesture for gesture, _ in told(again + moved)[0]] == [Gesture.MADE]


def test_nothing_counts_during_a_shot_nor_before_the_hands_were_low_after_it() -> None:
    """A follow-through that is held for seconds, from the front, with whatever the other arm does."""
    held = during(4.0, figure(OUT, UP))
    assert told(during(0.5, LOW) + held, shooting=lambda t: t < 2.0)[0] == []
    after = during(0.5, LOW) + during(2.0, figure(OUT, UP))
    assert [gesture for gesture, _ in told(held + after, shooting=lambda t: t < 2.0)[0]] == [Gesture.DISCARD]


def test_the_pace_of_the_camera_does_not_matter() -> None:
    for fps in (10.0, 60.0):
        poses = [LOW] * round(0.5 * fps) + [figure(WIDE, WIDE)] * round(2.5 * fps)
        ((gesture, t_s),) = told(poses, fps=fps)[0]
        assert gesture is Gesture.PAUSE
        assert t_s == pytest.approx(2.0, abs=0.15)


# ------------------------------------------------------------------------------------------------- what it does
def answered(hands: HandsFree, pose: Pose, seconds: float, start_s: float, reps: int = 1) -> tuple[list, list[View]]:
    got, views = [], []
    for k in range(round(30 * seconds)):
        t_s = start_s + k / 30
        gesture = hands.update(t_s, pose, SIZE, Phase.WAITING, reps)
        if gesture is not None:
            got.append(gesture)
        views.append(hands.dressed(View(t_s, None)))
    return got, views


def test_while_paused_only_going_on_counts() -> None:
    hands = HandsFree(GestureWatch(), english(), paused=True)
    answered(hands, LOW, 0.5, 0.0)
    got, views = answered(hands, figure(DOWN, OUT), 2.5, 0.5)
    assert got == []
    assert {view.prompt for view in views} == {text(english(), "paused")}
    answered(hands, LOW, 0.5, 3.0)
    got, views = answered(hands, figure(WIDE, WIDE), 2.5, 3.5)
    assert got == [Gesture.PAUSE]
    progress = [view.progress for view in views if view.progress is not None]
    assert progress == sorted(progress)
    assert len(progress) > 30


def test_with_no_rep_there_is_nothing_to_judge_or_take_out() -> None:
    hands = HandsFree(GestureWatch(), english())
    answered(hands, LOW, 0.5, 0.0)
    got, views = answered(hands, figure(DOWN, OUT), 2.5, 0.5, reps=0)
    assert got == []
    assert {view.prompt for view in views} == {""}


def test_the_next_player_comes_at_a_station_only_with_or_without_a_rep() -> None:
    for station, expected in ((True, [Gesture.NEXT]), (False, [])):
        hands = HandsFree(GestureWatch(), english(), station=station)
        answered(hands, LOW, 0.5, 0.0)
        got, views = answered(hands, figure(OUT, WIDE), 2.5, 0.5, reps=0)
        assert got == expected
        assert any(view.progress is not None for view in views) is station


def test_arms_of_who_left_say_nothing_when_the_player_comes_back() -> None:
    hands = HandsFree(GestureWatch(), english(), station=True)
    answered(hands, LOW, 0.5, 0.0)
    hands.leave()
    got, _ = answered(hands, figure(OUT, WIDE), 2.5, 60.0)
    assert got == []


def test_signals_can_be_switched_off() -> None:
    hands = HandsFree(None, english())
    assert answered(hands, figure(WIDE, WIDE), 3.0, 0.0)[0] == []


def test_an_answer_is_shown_for_a_moment_in_a_trouble_too() -> None:
    hands = HandsFree(None, english())
    hands.say(1.0, "Rep 3 taken out")
    assert hands.dressed(View(1.5, None)).prompt == "Rep 3 taken out"
    assert hands.dressed(View(1.5, None, trouble=True)).prompt == "Rep 3 taken out"
    assert hands.dressed(View(9.0, None)).prompt == ""
    hands.paused = True
    assert hands.dressed(View(10.0, None, trouble=True)).prompt == ""  # a trouble goes before what stays


# ------------------------------------------------------------------------------------------- on a rendered clip
@pytest.mark.network
def test_the_rendered_player_works_the_program_with_the_arms(tmp_path) -> None:
    """Reference: the script of the clip. A free throw, then made, pause, go on, take out; a stretch and arms out at
    the end are no signals. Through the whole program.
    """
    data = data_folder(tmp_path / "data", prepared_model())
    said = run("practice", "--clip", CLIPS / "signals.mp4", "--headless", "--json", data=data)
    assert said.status == 0
    assert said.err == ""
    assert [line["kind"] for line in said.lines] == ["rep", "result", "discard", "session"]
    assert said.lines[1] == {"kind": "result", "index": 1, "result": "made"}
    assert said.lines[2] == {"kind": "discard", "index": 1}
    assert said.session["reps"] == 0
    ((_, reps),) = saved(data)
    assert reps == []
