"""The hold tone starts when the ball is up and slows, and ends when it leaves or goes down."""

from __future__ import annotations

import pytest

from rimward.live.hold_aid import LONGEST_S, HoldAid
from rimward.live.records import Phase


def sounding(*phases: Phase) -> list[bool]:
    aid = HoldAid()
    return [aid.update(k / 30, phase) for k, phase in enumerate(phases)]


def test_it_sounds_from_set_through_the_push_to_release() -> None:
    on = sounding(Phase.DIP, Phase.RISE, Phase.SET, Phase.SET, Phase.RISE, Phase.RELEASE, Phase.FOLLOW_THROUGH)
    assert on == [False, False, True, True, True, False, False]


@pytest.mark.parametrize("end", [Phase.HOLDING, Phase.DIP, Phase.WAITING, Phase.LANDED, Phase.RELEASE])
def test_a_ball_that_goes_down_or_leaves_ends_it_at_once(end: Phase) -> None:
    assert sounding(Phase.RISE, Phase.SET, end) == [False, True, False]


def test_a_ball_that_was_never_lifted_is_not_hummed_at() -> None:
    """Caught high, or held high since before anybody looked."""
    assert sounding(Phase.WAITING, Phase.HOLDING, Phase.SET, Phase.SET) == [False] * 4
    assert sounding(Phase.SET, Phase.SET) == [False] * 2


def test_a_rest_with_the_ball_overhead_is_not_hummed_at_for_ever() -> None:
    aid = HoldAid()
    aid.update(0.0, Phase.RISE)
    assert aid.update(0.1, Phase.SET)
    assert aid.update(0.1 + LONGEST_S, Phase.SET)
    assert not aid.update(0.2 + LONGEST_S, Phase.SET)
