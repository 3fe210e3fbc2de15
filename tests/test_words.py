"""The tables of words, and that those of every language say the same things in at most six words."""

from __future__ import annotations

import re
import string
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from program import ROOT

from rimward.live.assets import config_text, english
from rimward.live.cautions import CAUTIONS
from rimward.live.checks import BY_NAME
from rimward.live.errors import SettingsError
from rimward.live.gestures import Gesture
from rimward.live.glossary import TERMS
from rimward.live.records import Mark, Phase, Result, Sight
from rimward.live.screen import KEYS, key_table
from rimward.live.words import (
    FREE,
    LANGUAGES,
    LISTS,
    PROMPTS,
    Words,
    count_of_reps,
    decimals_of,
    prompt,
    read_words,
    text,
)

NAMED_KEYS = ("space", "page_up", "page_down", "backspace", "escape", "full_stop")
"""Keys that bear a word."""


@pytest.fixture(scope="module", params=LANGUAGES)
def table(request) -> Words:
    return read_words(config_text(f"words_{request.param}.toml"), f"words_{request.param}.toml")


def spoken(table: Words) -> list[str]:
    silent = ("prompts", *FREE)
    return [said for (check, kind), texts in table.items() if check not in silent and kind != "name" for said in texts]


def places(texts: tuple[str, ...]) -> set[str]:
    return {field for one in texts for _, field, _, _ in string.Formatter().parse(one) if field}


def test_every_text_is_one_action_in_at_most_six_words(table):
    for said in spoken(table):
        assert 1 <= len(said.split()) <= 6, said
        assert not re.search(r"\b(and|then|und|dann)\b|[;:&!?]", said), said


def test_no_text_is_said_of_two_faults(table):
    texts = [said for (_, kind), texts in table.items() if kind.endswith(("below", "above")) for said in texts]
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
    keys = [{key for key in table if key[0] != "measurements"} for table in tables]
    assert all(one == keys[0] for one in keys)
    for table in tables:
        assert all(places(table[key]) <= places(tables[0][key]) for key in keys[0])
    texts = [set(spoken(table)) for table in tables]
    assert not texts[0] & texts[1]


def test_german_keys_are_called_what_stands_on_a_german_keyboard():
    """DIN 2137 (from memory): Leertaste, Rücktaste, Bild auf, Bild ab."""
    table = read_words(config_text("words_de.toml"), "words_de.toml")
    keys = [key for key, _ in key_table(tuple(KEYS), table)]
    assert {"Leertaste", "G oder Bild auf", "Rücktaste oder Bild ab", "N oder B oder Punkt"} <= set(keys)
    assert not [key for key in keys if re.search("space|page|stop", key, re.IGNORECASE)]


def test_measurements_have_labels_in_every_language():
    for language in LANGUAGES[1:]:  # those of English are in the glossary, with what they mean
        table = read_words(config_text(f"words_{language}.toml"), language)
        assert {kind for check, kind in table if check == "measurements"} == set(TERMS)


def test_the_screen_has_words_for_all_that_it_shows(table):
    """Also for what is looked up by the name of a phase, mark, sign, gesture, result or key."""
    built = (
        *Phase,
        *Mark,
        *(f"sight_{one}" for one in Sight),
        *(f"signal_{one}" for one in Gesture),
        *(f"said_{one}" for one in get_args(Result)),
        *(f"key_{one}" for one in KEYS),
        *(f"arms_{one}" for one in Gesture),
        *(f"name_{one}" for one in NAMED_KEYS),
    )
    source = "".join(path.read_text("utf-8") for path in (ROOT / "live").glob("*.py"))
    named = set(re.findall(r'\btext\([\w.]+, "(\w+)"', source)) | set(re.findall(r'"(view_\w+)"', source))
    assert len(named) > 20
    there = {kind for check, kind in table if check == "screen"}
    assert {*map(str, built), *named} <= there
    left = {kind for kind in there - {*map(str, built), *named} if not kind.startswith("value_")}
    assert not [kind for kind in left if f'"{kind}"' not in source]


def test_the_cautions_of_the_window_are_those_of_the_terminal():
    assert english()["screen", "cautions"] == CAUTIONS


def test_the_screens_words_fill_in_what_they_are_given(table):
    assert "3" in text(table, "said_out", index=3)
    assert text(table, "said_out", index=3) != text(table, "said_out", index=4)
    assert count_of_reps(table, 1) != count_of_reps(table, 2).replace("2", "1")
    assert text({}, "waiting") == ""


def test_numbers_are_written_as_the_language_does():
    """DIN 1333, DIN 5008 (from memory): a comma."""
    english, german = (read_words(config_text(f"words_{language}.toml"), language) for language in ("en", "de"))
    assert decimals_of(english, "0.84 ± 0.05") == "0.84 ± 0.05"
    assert decimals_of(german, "0.84 ± 0.05") == "0,84 ± 0,05"
    assert decimals_of({}, "0.84") == "0.84"


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
        ("[screen]\nwaiting = 3", "mine.toml, line 2: screen.waiting: must be texts in quotes, got 3"),
        ("[screen]\nwaiting = ['a', '']", "must be texts in quotes"),
        ("[screen]\nreps = '{count.real} reps'", "screen.reps: may fill in names only"),
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
