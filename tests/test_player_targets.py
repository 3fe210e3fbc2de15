"""`rimward targets` as a coach uses it."""

from __future__ import annotations

import json
from contextlib import closing

import pytest

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
    assert (shown["knee_bend"]["label"], shown["knee_bend"]["source"]) == ("coach", "deep, set by the coach")
    with closing(open_store(data, pytest.fail)) as store:
        (target,) = store.targets(store.player("Sam").id)
        assert (target.locked, target.author) == (True, "Coach")
    assert lines(capsys, "--free", "knee_min_deg")["knee_bend"]["label"] == "starting point"


def test_an_end_may_stay_open_and_what_is_only_reported_may_get_a_target(data, capsys):
    shown = lines(capsys, "--set", "hold_s=:0.3")
    assert (shown["hold"]["low"], shown["hold"]["high"]) == (None, 0.3)


def test_the_table_names_every_check_and_why(data, capsys):
    assert main(["targets", "Sam"]) == 0
    out = capsys.readouterr().out
    assert "knee_bend" in out
    assert "knee_min_deg" in out
    assert "common" in out
    assert "practice" in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--set", "knee_min_deg"), "--set must be MEASUREMENT=LOW:HIGH"),
        (("--set", "knee_min_deg=100"), "--set must be MEASUREMENT=LOW:HIGH"),
        (("--set", "knee_deg=1:2"), "--set must name a measurement, got 'knee_deg': did you mean"),
        (("--set", "knee_min_deg=a:b"), "--set must have numbers on both sides"),
        (("--set", "knee_min_deg=:"), "--set must have at least one end"),
        (("--set", "knee_min_deg=nan:"), "--set must have at least one end, each between -1000 and 1000"),
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
