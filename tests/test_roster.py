"""Who is meant by a name or the first letters of an id; never a guess."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from rimward.live.errors import StoreError
from rimward.live.roster import Player, clean_name, find, name_key, show_name, similar

SINCE = datetime(2026, 3, 1, tzinfo=UTC)
ADA = Player("3f2a91c0-0000", "Ada Quill", SINCE, hand="left", sessions=1)
NAMESAKE = Player("3f2a77de-0000", "ada  quill", SINCE, sessions=3)
BO = Player("b0b0b0b0-0000", "Bo", SINCE)
BEE = Player("ada00000-0000", "Bee", SINCE)


@pytest.mark.parametrize("asked", ["Bo", " bo ", "ＢＯ", "b0b0", "B0B0B0B0-0000"])
def test_a_player_is_found_by_the_name_however_written_or_four_letters_of_the_id(asked):
    assert find([ADA, BO], asked) is BO


@pytest.mark.parametrize("asked", ["b0b", "0b0b", "b0b0b0b0-0000-1"])
def test_too_few_letters_others_than_the_first_or_more_than_the_id_has_find_nobody(asked):
    with pytest.raises(StoreError, match=f"there is no player {asked}"):
        find([ADA, BO], asked)


def test_a_name_goes_before_an_id_that_begins_so():
    ada = Player("77777777-0000", "Ada0", SINCE)
    assert find([BEE, ada], "ada0") is ada
    assert find([BEE, BO], "ada0") is BEE


@pytest.mark.parametrize("asked", ["Ada Quill", "3f2a"])
def test_of_several_each_is_named_by_letters_that_tell_them_apart(asked):
    """After databases of two laptops were united, for instance."""
    with pytest.raises(StoreError) as refused:
        find([ADA, BO, NAMESAKE], asked)
    assert str(refused.value) == (
        f"2 players are called {asked}: 3f2a91c0 (left-handed, 1 session), 3f2a77de (3 sessions); "
        "name one by these letters"
    )
    assert find([ADA, BO, NAMESAKE], "3f2a91c0") is ADA


def test_names_that_could_be_meant_are_told_nearest_first_but_the_name_itself():
    everybody = [Player(f"{k}0000000", name, SINCE) for k, name in enumerate(("Samuel", "Samuela", "Sam", "Bo"))]
    assert similar(everybody, "Samuell") == ["Samuel", "Samuela"]
    assert similar(everybody, "samuel") == ["Samuela", "Sam"]
    assert similar(everybody, "Zoe") == []
    with pytest.raises(StoreError, match=r"there is no player Samuell; did you mean Samuel or Samuela\?"):
        find(everybody, "Samuell")
    with pytest.raises(StoreError, match="there is no player Zoe; rimward players lists who is known"):
        find(everybody, "Zoe")


@pytest.mark.parametrize("asked", ["", "  ", "\t"])
def test_a_name_that_is_empty_is_told_as_one(asked):
    with pytest.raises(
        StoreError, match="a player must be named, got an empty name; rimward players lists who is known"
    ):
        find([ADA, BO], asked)


@pytest.mark.parametrize("name", ["A", "x" * 80])
def test_a_name_may_be_one_letter_or_eighty(name):
    assert clean_name(name) == name


def test_joiners_are_part_of_a_name_and_are_shown():
    """Persian writes "I want" with a zero-width non-joiner (Unicode, chapter 23)."""
    want = "می\u200cخواهم"
    assert clean_name(want) == want
    assert show_name(want) == want
    assert name_key(want) != name_key("میخواهم")
    assert show_name("a\u202eb\x1b") == "a\\x202eb\\x1b"
