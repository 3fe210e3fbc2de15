"""What is said after a rep: one cue, the most important clear fault, never the same words twice in a row."""

from __future__ import annotations

import itertools

import pytest

from rimward.live.checks import CHECKS
from rimward.live.cues import mark, read_words, respond
from rimward.live.errors import SettingsError
from rimward.live.records import Cue, Finding, Mark, Tone

WORDS = {
    ("knee_bend", "above"): ("Bend the knees more", "Load the legs deeper"),
    ("follow_through", "below"): ("Hold the follow-through",),
}
LOW_HAND = Finding("follow_through", "below", "follow_through_s", 3.0)
STIFF_KNEE = Finding("knee_bend", "above", "knee_min_deg", 2.5)
GOOD = Finding("set_point_height", "in_band", "set_point_above_eyes_m")
DOUBT = Finding("knee_bend", "unsure", "knee_min_deg", 1.0)


def test_silence_with_a_neutral_tone_when_all_is_in_band():
    """Bandwidth feedback: silence is the reward (Cruz et al. 2018, Motricidade 14(2-3))."""
    feedback = respond(1.0, [GOOD], [], WORDS)
    assert (feedback.tone, feedback.cue, feedback.t_s) == (Tone.COUNT, None, 1.0)
    assert respond(1.0, [], [], WORDS).cue is None


def test_unsure_says_nothing():
    assert respond(1.0, [DOUBT, GOOD], [], WORDS).cue is None


def test_only_the_first_clear_fault_is_said():
    feedback = respond(1.0, [DOUBT, STIFF_KNEE, LOW_HAND], [], WORDS)
    assert feedback.cue == Cue("Bend the knees more", "knee_bend")
    assert feedback.tone is Tone.HIGH


def test_the_tone_tells_the_direction():
    assert respond(1.0, [LOW_HAND], [], WORDS).tone is Tone.LOW


def test_a_fault_without_words_is_passed_over():
    wordless = Finding("trunk_lean", "above", "trunk_lean_at_release_deg", 9.0)
    assert respond(1.0, [wordless, LOW_HAND], [], WORDS).cue == Cue("Hold the follow-through", "follow_through")


def test_words_rotate_and_another_cue_between_does_not_disturb():
    said: list[Cue] = []
    for finding in (STIFF_KNEE, LOW_HAND, STIFF_KNEE, STIFF_KNEE):
        said.append(respond(1.0, [finding], said, WORDS).cue)
    knees = [cue.text for cue in said if cue.check == "knee_bend"]
    assert knees == ["Bend the knees more", "Load the legs deeper", "Bend the knees more"]


def test_words_of_an_earlier_table_do_not_confuse_the_rotation():
    earlier = [Cue("Something of yesterday", "knee_bend")]
    assert respond(1.0, [STIFF_KNEE], earlier, WORDS).cue.text == "Bend the knees more"


def test_shipped_words_never_repeat_in_a_row(words):
    for check, verdict in words:
        said: list[Cue] = []
        for _ in range(2 * len(words[check, verdict]) + 1):
            said.append(respond(1.0, [Finding(check, verdict, "x", 9.0)], said, words).cue)
        assert all(a.text != b.text for a, b in itertools.pairwise(said))
        assert {cue.text for cue in said} == set(words[check, verdict])


def test_shipped_words_are_short_single_and_of_known_checks(words):
    texts = [text for texts in words.values() for text in texts]
    assert len(set(texts)) == len(texts)
    assert max(len(text.split()) for text in texts) <= 6
    assert {check for check, _ in words} <= {check.name for check in CHECKS}
    assert all(len(texts) >= 2 for texts in words.values())


@pytest.mark.parametrize(
    ("findings", "expected"),
    [
        ([], None),
        ([GOOD], Mark.IN_BAND),
        ([GOOD, DOUBT], Mark.UNSURE),
        ([GOOD, DOUBT, LOW_HAND], Mark.OUT_OF_BAND),
        ([STIFF_KNEE], Mark.OUT_OF_BAND),
    ],
)
def test_the_sign_on_screen(findings, expected):
    assert mark(findings) is expected


def test_a_word_table_is_read():
    table = read_words('[knee_bend]\nabove = ["Bend more"]\n', "mine.toml")
    assert table == {("knee_bend", "above"): ("Bend more",)}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[knee_bend", "mine.toml: must be valid TOML"),
        ("[knee_bend]\nunsure = ['x']", "mine.toml: knee_bend.unsure must be a list of texts under below or above"),
        ("[knee_bend]\nabove = 'x'", "must be a list of texts"),
        ("[knee_bend]\nabove = []", "must be a list of texts"),
        ("[knee_bend]\nabove = ['one two three four five six seven']", "knee_bend.above: a cue must have one to six"),
        ("[knee_bend]\nabove = ['']", "a cue must have one to six words"),
    ],
)
def test_a_wrong_word_table_is_refused_in_one_line(text, message):
    with pytest.raises(SettingsError) as refused:
        read_words(text, "mine.toml")
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)
