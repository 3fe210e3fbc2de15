"""The tables of words, and that those of every language say the same things in at most six words."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimward.live.assets import config_text
from rimward.live.checks import BY_NAME
from rimward.live.errors import SettingsError
from rimward.live.words import LANGUAGES, LISTS, PROMPTS, Words, prompt, read_words


@pytest.fixture(scope="module", params=LANGUAGES)
def table(request) -> Words:
    return read_words(config_text(f"words_{request.param}.toml"), f"words_{request.param}.toml")


def spoken(table: Words) -> list[str]:
    return [text for (check, kind), texts in table.items() if check != "prompts" and kind != "name" for text in texts]


def test_every_text_is_one_action_in_at_most_six_words(table):
    for text in spoken(table):
        assert 1 <= len(text.split()) <= 6, text
        assert not re.search(r"\b(and|then|und|dann)\b|[;:&!?]", text), text


def test_no_text_is_said_of_two_faults(table):
    texts = [text for (_, kind), texts in table.items() if kind.endswith(("below", "above")) for text in texts]
    assert len(set(texts)) == len(texts)


def test_every_fault_can_be_told_by_effect_and_by_body_in_more_than_one_way(table):
    for check, kind in list(table):
        if kind in ("below", "above"):
            assert len(table[check, kind]) >= 2
            assert len(table[check, f"internal_{kind}"]) >= 2


def test_every_check_has_a_name_praise_and_the_way_to_the_coach(table):
    checks = {check for check, kind in table if kind in LISTS}
    assert checks == set(BY_NAME)
    for check in checks:
        assert all(table[check, kind] for kind in ("name", "praise", "ask"))


def test_all_languages_say_the_same_things():
    tables = [read_words(config_text(f"words_{language}.toml"), language) for language in LANGUAGES]
    assert all(set(table) == set(tables[0]) for table in tables)
    texts = [set(spoken(table)) for table in tables]
    assert not texts[0] & texts[1]


def test_prompts_are_filled_in(table):
    assert {kind for check, kind in table if check == "prompts"} == set(PROMPTS)
    assert "60" in prompt(table, "rest", seconds=60)
    assert "left corner" in prompt(table, "spot", spot="left corner")
    assert prompt({}, "rest", seconds=60) == ""


def test_a_word_table_is_read():
    table = read_words('[knee_bend]\nabove = ["Bend more"]\nask = "Ask"\n[prompts]\nrest_over = "Go"', "mine.toml")
    assert table == {
        ("knee_bend", "above"): ("Bend more",),
        ("knee_bend", "ask"): ("Ask",),
        ("prompts", "rest_over"): ("Go",),
    }


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[knee_bend", "mine.toml: must be valid TOML"),
        ("knee_bend = 3", "mine.toml, line 1: knee_bend must be a table"),
        ("[knee_bend]\nunsure = ['x']", "mine.toml, line 2: knee_bend.unsure: must be one of below, above"),
        ("[knee_bend]\nabove = 'x'", "mine.toml, line 2: knee_bend.above: must be a list of texts, got 'x'"),
        ("[knee_bend]\nabove = []", "must be a list of texts"),
        ("[knee_bend]\nabove = ['x', 3]", "must be a list of texts"),
        ("[knee_bend]\nask = ['x']", "knee_bend.ask: must be one text in quotes"),
        ("[knee_bend]\nabove = ['one two three four five six seven']", "knee_bend.above: a cue must have one to six"),
        ("[knee_bend]\nabove = ['']", "a cue must have one to six words"),
        ('[knee_bend]\nabove = ["a\\u001b[2J"]', "must be printable text"),
        ("[prompts]\nrest = 'Rest {minutes}'", "mine.toml, line 2: prompts.rest: may fill in {seconds}"),
        ("[prompts]\nrest = 'Rest {seconds'", "prompts.rest: "),
        ("[prompts]\nrest_over = '{0}'", "may fill in nothing"),
        ("[prompts]\nrest = 'Rest {seconds.real}'", "may fill in {seconds}"),
        ("[prompts]\nrest = 3", "must be one text in quotes, got 3"),
        ("[prompts]\nhello = 'x'", "must be one of rest"),
    ],
)
def test_a_wrong_word_table_is_refused_in_one_line(text, message):
    with pytest.raises(SettingsError) as refused:
        read_words(text, "mine.toml")
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


@given(st.text(st.sampled_from("[]={}'\"\n.#abelow rest\\01é"), max_size=60))
def test_whatever_the_text_only_our_own_error_comes_out(text):
    refusals = []
    try:
        read_words(text, "mine.toml")
    except SettingsError as error:
        refusals.append(str(error))
    assert all(refusal.startswith("mine.toml") and "\n" not in refusal for refusal in refusals)
