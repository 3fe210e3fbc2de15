"""`rimward targets` as a coach uses it."""

from __future__ import annotations

import json
import re
from contextlib import closing

import pytest
from practised import Day, practise

from rimward.live.cli import main
from rimward.live.store import open_store


@pytest.fixture
def data(tmp_path, monkeypatch):
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))
    with closing(open_store(tmp_path, pytest.fail)) as store:
        store.add_player("Sam", hand="right")
    return tmp_path


def lines(capsys, *arguments: str) -> dict[str, dict]:
    """What the command prints with --json, by check."""
    assert main(["targets", "Sam", *arguments, "--json"]) == 0
    return {line["check"]: line for line in map(json.loads, capsys.readouterr().out.splitlines())}


def test_what_a_new_player_is_held_against(data, capsys, shipped):
    shown = lines(capsys)
    assert set(shown) == set(shipped.check_bands())
    assert shown["knee_bend"]["label"] == "starting point"


def test_a_coach_sets_names_locks_and_frees_a_target(data, capsys):
    shown = lines(capsys, "--set", "knee_min_deg=100:120", "--name", "deep", "--lock", "--by", "Coach")
    assert (shown["knee_bend"]["low"], shown["knee_bend"]["high"]) == (100.0, 120.0)
    assert (shown["knee_bend"]["label"], shown["knee_bend"]["source"]) == ("coach", "deep, locked, set by Coach")
    with closing(open_store(data, pytest.fail)) as store:
        (target,) = store.targets(store.player("Sam").id)
        assert (target.locked, target.author) == (True, "Coach")
    assert lines(capsys, "--free", "knee_min_deg")["knee_bend"]["label"] == "starting point"


def test_an_end_may_stay_open_and_what_is_only_reported_may_get_a_target(data, capsys):
    shown = lines(capsys, "--set", "hold_s=:0.3")
    assert (shown["hold"]["low"], shown["hold"]["high"]) == (None, 0.3)


def printed(capsys, *arguments: str) -> str:
    assert main(["targets", "Sam", *arguments]) == 0
    return capsys.readouterr().out.replace("\N{NO-BREAK SPACE}", " ")


def row(out: str, name: str) -> str:
    """The table's line that ends with this name, with single spaces."""
    (found,) = [line for line in out.splitlines() if line.rstrip().endswith(name)]
    return " ".join(found.split())


def test_the_table_speaks_words_and_the_units_of_the_screen(data, capsys):
    out = printed(capsys)
    assert row(out, "knee_min_deg") == "knee bend 95 to 140° starting point knee_min_deg"
    assert row(out, "set_point_above_eyes_m") == "set point 0 cm or more common practice set_point_above_eyes_m"
    assert row(out, "follow_through_s") == "follow-through 0.5 s or more common practice follow_through_s"
    assert max(map(len, out.splitlines())) <= 80
    assert "Coaches ask" not in out


def test_where_the_bands_come_from_is_told_when_asked(data, capsys, shipped):
    out = printed(capsys, "--why")
    for band in shipped.check_bands().values():
        assert band.source in out


def test_what_is_held_against_something_else_says_against_what(data, capsys):
    out = printed(capsys)
    assert row(out, "hips_heading_deg") == "hips with the −15 to 15° * common practice hips_heading_deg"
    assert "* hips and shoulders: against the feet" in out
    assert "*" not in row(printed(capsys), "knee_min_deg")


def test_a_change_prints_what_changed_and_nothing_else(data, capsys):
    assert printed(capsys, "--set", "knee_min_deg=100:120", "--name", "deep", "--lock") == (
        "knee bend: 100 to 120° (deep, locked, set by the coach); before: 95 to 140° (starting point)\n"
    )
    assert "coach (knee bend): deep, locked, set by the coach" in printed(capsys)
    assert printed(capsys, "--free", "knee_min_deg") == (
        "knee bend: 95 to 140° (starting point); before: 100 to 120° (deep, locked, set by the coach)\n"
    )


def test_two_coaches_see_who_set_what_and_whether_it_is_locked(data, capsys):
    """At a camp several coaches share a player (README, first lines)."""
    printed(capsys, "--set", "knee_min_deg=100:120", "--name", "deep", "--lock", "--by", "Coach K")
    printed(capsys, "--set", "follow_through_s=0.7:", "--by", "Coach L")
    for options in ((), ("--why",)):
        out = printed(capsys, *options)
        assert "coach (knee bend): deep, locked, set by Coach K" in out
        assert "coach (follow-through): Set by Coach L" in out


def test_several_targets_are_set_and_freed_at_one_go(data, capsys):
    said = printed(capsys, "--set", "knee_min_deg=100:120", "--set", "follow_through_s=0.7:", "--lock")
    assert said.startswith("knee bend: 100 to 120° (Locked, set by the coach)")
    assert "follow-through: 0.7 s or more (Locked, set by the coach)" in said
    with closing(open_store(data, pytest.fail)) as store:
        assert all(target.locked for target in store.targets(store.player("Sam").id))
    said = printed(capsys, "--free", "follow_through_s", "--free", "knee_min_deg")
    assert said.count("before: ") == 2


def test_of_several_none_is_set_or_freed_when_one_is_wrong(data, capsys):
    assert main(["targets", "Sam", "--set", "knee_min_deg=100:120", "--set", "hip_min_deg=200:"]) == 2
    printed(capsys, "--set", "knee_min_deg=100:120")
    assert main(["targets", "Sam", "--free", "knee_min_deg", "--free", "hip_min_deg"]) == 2
    assert "hip_min_deg has none: there are knee_min_deg" in capsys.readouterr().err
    with closing(open_store(data, pytest.fail)) as store:
        assert [one.measurement for one in store.targets(store.player("Sam").id)] == ["knee_min_deg"]


def test_ends_may_be_typed_with_a_comma(data, capsys):
    """As a height may: a German keyboard's number pad has one."""
    shown = lines(capsys, "--set", "follow_through_s=0,7:", "--set", "hold_s=0,05:0,3")
    assert (shown["follow_through"]["low"], shown["hold"]["low"], shown["hold"]["high"]) == (0.7, 0.05, 0.3)


def test_a_locked_target_that_is_set_again_stays_locked_and_that_is_said(data, capsys):
    """Whoever corrects a number has not thought of the lock, least of all of another coach's."""
    printed(capsys, "--set", "knee_min_deg=100:120", "--lock", "--by", "Coach K")
    said = printed(capsys, "--set", "knee_min_deg=105:125", "--by", "Coach L")
    assert said == (
        "knee bend: 105 to 125° (Locked, set by Coach L); before: 100 to 120° (Locked, set by Coach K)\n"
        "Deepest knee bend: stays locked; --free knee_min_deg beside --set unlocks it\n"
    )
    said = printed(capsys, "--set", "knee_min_deg=105:125", "--lock", "--by", "Coach L")
    assert "stays locked" not in said
    assert lines(capsys, "--set", "knee_min_deg=100:125")["knee_bend"]["source"] == "Locked, set by the coach"


def test_a_lock_goes_with_the_target_that_is_freed_at_the_same_go(data, capsys):
    printed(capsys, "--set", "knee_min_deg=100:120", "--set", "follow_through_s=0.7:", "--lock")
    said = printed(capsys, "--free", "knee_min_deg", "--set", "knee_min_deg=105:125", "--set", "follow_through_s=0.8:")
    assert "knee bend: 105 to 125° (Set by the coach); before: 100 to 120° (Locked" in said
    assert said.count("stays locked") == 1
    with closing(open_store(data, pytest.fail)) as store:
        locked = {one.measurement: one.locked for one in store.targets(store.player("Sam").id)}
    assert locked == {"knee_min_deg": False, "follow_through_s": True}


def united(data, capsys) -> None:
    """Sam and Samuel, who had targets of their own, turn out to be one person."""
    with closing(open_store(data, pytest.fail)) as store:
        sam, other = store.player("Sam"), store.add_player("Samuel")
        store.set_target(sam.id, "knee_min_deg", 100.0, 120.0, locked=True, author="Coach K")
        store.set_target(other.id, "knee_min_deg", 90.0, 110.0, author="Coach L")
        store.set_target(other.id, "hold_s", 0.1, 0.3)
        store.unite_players(sam.id, other.id)


def test_of_two_records_of_one_player_the_later_target_holds_and_a_lock_stays(data, capsys):
    united(data, capsys)
    with closing(open_store(data, pytest.fail)) as store:
        found = {one.measurement: (one.low, one.locked) for one in store.targets(store.player("Sam").id)}
    assert found == {"knee_min_deg": (90.0, True), "hold_s": (0.1, False)}
    assert "coach (knee bend): Locked, set by Coach L" in printed(capsys)


def test_a_target_that_is_freed_leaves_none_of_another_record(data, capsys):
    united(data, capsys)
    assert printed(capsys, "--free", "knee_min_deg") == (
        "knee bend: 95 to 140° (starting point); before: 90 to 110° (Locked, set by Coach L)\n"
    )
    printed(capsys, "--set", "hold_s=0.2:0.4")
    assert printed(capsys, "--free", "hold_s").startswith("hold at set: only reported; before: 0.2 to 0.4 s")


def test_a_target_for_what_is_only_reported(data, capsys):
    said = printed(capsys, "--set", "set_to_release_s=:0.3")
    assert said == "set to release: up to 0.3 s (Set by the coach); before: only reported\n"
    said = printed(capsys, "--set", "release_height_m=2:2.2")
    assert said == "Release height: 2 to 2.2 m is saved; no check looks at it, the report does\n"
    assert printed(capsys, "--free", "release_height_m") == "No band changed\n"


def test_a_target_that_the_players_own_reps_go_before_says_so(tmp_path, monkeypatch, capsys, shipped):
    """An unlocked target holds until the player's own reps say more (README, Drills, focus, targets)."""
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))
    form = {"knee_min_deg": (118.347, 3.0)}
    practise(tmp_path, "Sam", [Day(25, 0, form)], shipped.check_bands()).close()
    own = row(printed(capsys), "knee_min_deg")
    assert re.fullmatch(r"knee bend 1\d\d to 1\d\d° own knee_min_deg", own)
    said = printed(capsys, "--set", "knee_min_deg=100:110")
    assert "Deepest knee bend: 100 to 110° is saved, but 1" in said
    assert "last 25 reps) goes before it unless --lock is added\n" in said
    said = printed(capsys, "--set", "knee_min_deg=100:110", "--lock")
    assert said.startswith("knee bend: 100 to 110° (Locked, set by the coach); before: 1")
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--set", "knee_min_deg"), "--set must be MEASUREMENT=LOW:HIGH"),
        (("--set", "knee_min_deg=100"), "--set must be MEASUREMENT=LOW:HIGH"),
        (("--set", "knee_deg=1:2"), "--set must name a measurement, got 'knee_deg': did you mean"),
        (("--set", "knee_min_deg=a:b"), "--set must have numbers on both sides"),
        (("--set", "knee_min_deg=:"), "--set must have at least one end"),
        (
            ("--set", "knee_min_deg=nan:"),
            "must have its ends between 0 and 180 (degrees, a straight limb has 180), got",
        ),
        (("--set", "knee_min_deg=300:500"), "must have its ends between 0 and 180"),
        (("--set", "set_point_above_eyes_m=:10"), "between -4 and 4 (metres, 5 cm are 0.05), got 10; give the ends in"),
        (("--set", "arm_line=-0.02:0.02"), "did you mean arm_offset_at_set_m, which the check arm_line looks at?"),
        (
            ("--set", "knee_min_deg=90:99", "--set", "knee_min_deg=95:"),
            "must name a measurement once, got knee_min_deg 2",
        ),
        (("--set", "knee_min_deg=120:100"), "--set must have its low end below its high end"),
        (("--name", "deep"), "--name, --lock and --by go with --set"),
        (("--free", "knee_min_deg"), "knee_min_deg has none"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(data, capsys, arguments, message):
    assert main(["targets", "Sam", *arguments]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert message in line


def test_an_unknown_player_is_not_made_up(data, capsys):
    assert main(["targets", "Pam"]) == 2
    assert "did you mean Sam?" in capsys.readouterr().err
