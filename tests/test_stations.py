"""A coach's file of a station, and what each player at it gets."""

from __future__ import annotations

from pathlib import Path

import pytest

from rimward.live import roster
from rimward.live.assets import config_names
from rimward.live.coaching import load_drill, load_station
from rimward.live.cues import Plan
from rimward.live.drills import Drill
from rimward.live.errors import SettingsError, UsageError
from rimward.live.stations import StationPlayer, read_station

GOOD = """\
name = "Station 2"
drill = "free_throws"
minutes = 3

[[players]]
name = "Ada"
hand = "left"
stature_m = 1.62
reps = 20

[[players]]
name = "Ben"
makes = 10

[[players]]
name = "Cleo"
"""


def test_a_station_as_a_coach_writes_it():
    station = read_station(GOOD, "s.toml")
    assert (station.name, station.drill, station.minutes) == ("Station 2", "free_throws", 3.0)
    assert station.players == (
        StationPlayer("Ada", "left", 1.62, reps=20),
        StationPlayer("Ben", makes=10),
        StationPlayer("Cleo"),
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "Station 2"', "", r"^s\.toml: name must be printable text of 1 to 60 characters, got nothing"),
        ("minutes = 3", "minutes = 0", r"^s\.toml, line 3: minutes must be a number between 0.25 and 120, got 0"),
        ("minutes = 3", "minuts = 3", r"^s\.toml, line 3: minuts is no key of a station, did you mean minutes\?"),
        ("minutes = 3", "minutes = true", r"^s\.toml, line 3: minutes must be a number"),
        ('hand = "left"', 'hand = "both"', r"^s\.toml, line 7: players\.1\.hand must be \"left\" or \"right\""),
        ("stature_m = 1.62", "stature_m = 162", r"^s\.toml, line 8: players\.1\.stature_m must be a number between 1"),
        ("reps = 20", "reps = 0", r"^s\.toml, line 9: players\.1\.reps must be a whole number between 1 and 10000"),
        ("makes = 10", "makes = 1\nreps = 2", r"^s\.toml, line 13: players\.2\.makes must not stand beside reps"),
        ('name = "Cleo"', 'name = "ADA"', r"^s\.toml, line 16: players\.3\.name .* than that of player 1: ADA"),
        ('name = "Cleo"', "", r"^s\.toml, line 15: players\.3\.name must be printable text"),
        ('drill = "free_throws"', "drill = 1", r"^s\.toml, line 2: drill must be printable text"),
        ("minutes = 3", "minutes = ", r"^s\.toml: must be valid TOML"),
        ("minutes = 3", "minutes = 0.2", r"minutes must be a number between 0\.25 and 120, got 0\.2"),
        ("minutes = 3", "minutes = 121", r"minutes must be a number between 0\.25 and 120, got 121"),
        ("minutes = 3", "x = 3", r"x is no key of a station, known here: name, drill, minutes, players"),
        ("stature_m = 1.62", "stature_m = 0.9", r"stature_m must be a number between 1 and 2\.4, got 0\.9"),
        ("stature_m = 1.62", "stature_m = 2.5", r"stature_m must be a number between 1 and 2\.4, got 2\.5"),
        ("reps = 20", "reps = 10001", r"reps must be a whole number between 1 and 10000, got 10001"),
        ("reps = 20", "reps = 2.0", r"reps must be a whole number between 1 and 10000, got 2\.0"),
        ("reps = 20", "reps = true", r"reps must be a whole number between 1 and 10000, got True"),
        ('name = "Cleo"', 'name = "Cl\\u001beo"', r"players\.3\.name must be printable text"),
        ('name = "Cleo"', f'name = "{"C" * 81}"', r"players\.3\.name must be printable text of 1 to 80 characters"),
        ('drill = "free_throws"', f'drill = "{"d" * 301}"', r"of 1 to 300 characters, got 'd{36}\.\.\.$"),
    ],
)
def test_what_is_wrong_is_told_with_line_and_key(old, new, said):
    assert GOOD.count(old) == 1
    with pytest.raises(SettingsError, match=said) as error:
        read_station(GOOD.replace(old, new), "s.toml")
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("old", "new"),
    [("minutes = 3", f"minutes = {end}") for end in (0.25, 120)]
    + [("stature_m = 1.62", f"stature_m = {end}") for end in (1.0, 2.4)]
    + [("reps = 20", f"reps = {end}") for end in (1, 10_000)]
    + [('name = "Cleo"', f'name = "{name}"') for name in ("C" * roster.LONGEST_NAME, "می\u200cخواهم", "👩\u200d👧")]
    + [('drill = "free_throws"', f'drill = "{"d" * 300}"')],
)
def test_the_ends_of_what_may_be_are_allowed(old, new):
    assert GOOD.count(old) == 1
    assert len(read_station(GOOD.replace(old, new), "s.toml").players) == 3


@pytest.mark.parametrize("number", [1, 24])
def test_name_and_players_are_enough(number):
    listed = "".join(f'[[players]]\nname = "P{k}"\n' for k in range(number))
    station = read_station(f'name = "S"\n{listed}', "s.toml")
    assert (station.drill, station.minutes) == (None, None)
    assert station.players == tuple(StationPlayer(f"P{k}") for k in range(number))


def test_players_are_tables():
    with pytest.raises(SettingsError, match=r"players\.1 must be a table \(\[\[players\]\]\), got 'Ada'"):
        read_station('name = "S"\nplayers = ["Ada"]', "s.toml")


@pytest.mark.parametrize("players", ["", "players = 3", "players = []", 25 * '[[players]]\nname = "A"\n'])
def test_a_station_has_one_to_twenty_four_players(players):
    with pytest.raises(SettingsError, match=r"players must be 1 to 24 tables"):
        read_station(f'name = "S"\n{players}', "s.toml")


def test_a_players_own_goal_goes_before_the_drills():
    drill = Drill({"en": "Free throws"}, reps=25, quiet_reps=5)
    assert StationPlayer("Ada").drill(drill) is drill
    own = StationPlayer("Ada", reps=3).drill(drill)
    assert own is not None
    assert (own.reps, own.makes, own.quiet_reps) == (3, None, 0)
    makes = StationPlayer("Ada", makes=4).drill(drill)
    assert makes is not None
    assert (makes.reps, makes.makes, makes.quiet_reps) == (None, 4, 0)
    other = StationPlayer("Ada", reps=6).drill(Drill({"en": "Makes"}, makes=10))
    assert other is not None
    assert (other.reps, other.makes, other.quiet_reps) == (6, None, 0)
    alone = StationPlayer("Ada", reps=3).drill(None)
    assert alone is not None
    assert alone.shown(1, 0) == ("", "Ada \N{MIDDLE DOT} 1/3")
    assert StationPlayer("Ada").drill(None) is None


@pytest.mark.parametrize("name", config_names("drill_"))
@pytest.mark.parametrize("goal", [1, 3, 5, 10, 20, 500])
def test_a_short_goal_of_ones_own_is_not_all_silence(name, goal, words):
    """The drill's reps without feedback keep their share at most, and are announced."""
    drill = load_drill(name)
    own = StationPlayer("Ada", reps=goal).drill(drill)
    assert own is not None
    plan = own.plan(Plan())
    quiet = [number for number in range(1, goal + 1) if plan.quiet(number)]
    assert len(quiet) <= min(drill.quiet_reps, goal * drill.quiet_reps / (drill.reps or 1))
    assert not plan.withholds(1)
    if quiet:
        assert f"Last {len(quiet)} without my help" in (own.said_after(quiet[0] - 1, 0, words) or "")


def test_one_rep_without_feedback_is_no_set_of_them():
    """A tenth of the drill's thirty would leave one, which shows nothing."""
    own = StationPlayer("Ada", reps=3).drill(load_drill("free_throws"))
    assert own is not None
    assert own.quiet_reps == 0
    drill = Drill({"en": "One"}, reps=4, quiet_reps=1)  # what a coach asks for himself stays
    assert StationPlayer("Ada", reps=4).drill(drill) == drill


def test_ten_free_throws_of_the_drills_thirty_have_three_without_feedback():
    own = StationPlayer("Ada", reps=10).drill(load_drill("free_throws"))
    assert own is not None
    assert own.quiet_reps == 3


def test_a_drill_beside_the_stations_file_is_found(tmp_path):
    """The coach starts the program from anywhere."""
    (tmp_path / "ours.toml").write_text('title = "Ours"')
    (tmp_path / "s.toml").write_text(GOOD.replace("free_throws", "ours.toml"))
    assert load_station(tmp_path / "s.toml").drill == str(tmp_path / "ours.toml")
    (tmp_path / "t.toml").write_text(GOOD)
    assert load_station(tmp_path / "t.toml").drill == "free_throws"


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    with pytest.raises(UsageError, match=r"--station must be a file that can be read, got nowhere\.toml"):
        load_station(Path("nowhere.toml"))
    (tmp_path / "s.toml").write_bytes(b'name = "\xff"')
    with pytest.raises(UsageError, match="a station must be UTF-8 text, found byte 0xff"):
        load_station(tmp_path / "s.toml")


def test_a_drill_that_is_none_is_told_with_the_stations_file_and_line(tmp_path):
    """Nobody gave an option --drill: the place to mend it is the station's file."""
    path = tmp_path / "st.toml"
    path.write_text(GOOD.replace("free_throws", "free_throw"), "utf-8")
    with pytest.raises(SettingsError) as error:
        load_station(path)
    assert str(error.value).startswith(
        f"{path}, line 2: drill must be a file beside this one or one of catch_and_shoot"
    )
    assert str(error.value).endswith("got 'free_throw': did you mean free_throws?")
