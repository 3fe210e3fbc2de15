"""Names that are paths, terminal commands or HTML: nothing is written outside, nothing steers a terminal or a page."""

from __future__ import annotations

import json
import unicodedata
from pathlib import Path

import pytest
from practised import Day, practise

from rimward.live import cli
from rimward.live.errors import StoreError
from rimward.live.players import file_name
from rimward.live.rep_files import rep_file, session_folder
from rimward.live.store import open_store

HOSTILE = {
    "path": "../../x",
    "absolute": "/etc/x",
    "drive": "C:\\x",
    "escape": "\x1b[2J\x1b]0;owned\x07x",
    "html": '<script>alert("x")</script>',
    "quote": "'; DROP TABLE players; --",
    "formula": '=cmd|"/c x"!A1',
    "newline": "a\nb\r\nc",
    "direction": "\u202egpj.exe",
    "nul": "a\0b",
    "long": "x" * 5000,
}


WHOLE = ("path", "escape", "html", "formula", "direction")
"""Those that go through every command, a third of a second each."""


@pytest.fixture(params=WHOLE)
def named(request, tmp_path, monkeypatch, capsys) -> tuple[str, Path]:
    """A data folder in which somebody with such a name practised, and a working folder beside it."""
    name = HOSTILE[request.param]
    home = tmp_path / "in" / "here"
    home.mkdir(parents=True)
    monkeypatch.chdir(home)
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(home / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(home))
    try:
        store = practise(home / "data", name, [Day(reps=2)], seed=1)
    except cli.RimwardError as error:
        said = str(error)
        assert said.isprintable()
        pytest.skip(f"refused: {said[:60]}")
    (player,) = store.players()
    store.close()
    return player.name, home


def everything_in(folder: Path) -> set[Path]:
    return set(folder.rglob("*"))


@pytest.mark.parametrize(
    "command",
    [
        ["export", "--out", "out"],
        ["report", "{name}"],
        ["report", "{name}", "--out", "page.html"],
        ["sessions"],
        ["show"],
        ["targets", "{name}"],
        ["players"],
        ["players", "remove", "{name}", "--yes"],
        ["backup"],
    ],
    ids=" ".join,
)
def test_nothing_leaves_the_folder_and_nothing_steers(named, command, capsys):
    name, home = named
    outside = everything_in(home.parents[1]) - everything_in(home)
    before = everything_in(home)
    status = cli.main([part.format(name=name) for part in command])
    said = capsys.readouterr()
    assert status in (0, 2)
    assert everything_in(home.parents[1]) - everything_in(home) == outside
    for text in (said.out, said.err):
        assert not {letter for letter in text if unicodedata.category(letter) in ("Cc", "Cf")} - {"\n"}
    for path in everything_in(home) - before:
        assert path.name.isprintable()
        if path.suffix == ".html":
            assert "<script>alert" not in path.read_text("utf-8")
        if path.suffix == ".csv":
            cells = path.read_text("utf-8").replace('"', "").replace("\n", ",").split(",")
            assert not any(cell.startswith("=cmd") for cell in cells)
        if path.suffix == ".jsonl":
            for line in path.read_text("utf-8").splitlines():
                json.loads(line)


@pytest.mark.parametrize("name", HOSTILE.values(), ids=list(HOSTILE))
def test_a_name_as_part_of_a_file_name_is_harmless(name):
    """Neither a path nor a reserved letter of any system, and of a length that every file system takes."""
    made = file_name(name)
    assert 1 <= len(made) <= 40
    assert not set(made) & set('/\\:*?"<>|.\0\n\r\x1b')


@pytest.mark.parametrize("session", ["../../x", "", "x", "a\0b", "/etc", "00000000"])
def test_a_session_that_is_no_uuid_has_no_folder(tmp_path, session):
    with pytest.raises(ValueError, match="badly formed"):
        session_folder(tmp_path, session)


@pytest.mark.parametrize("what", ["../x", "a/b", "A", "", "a\0", "x" * 100])
def test_a_file_of_a_rep_cannot_be_called_anything(tmp_path, what):
    with pytest.raises(ValueError, match="must be called like"):
        rep_file(tmp_path, "00000000-0000-4000-8000-000000000001", 1, what, "jpg")


def test_such_players_are_found_again(tmp_path):
    for k, name in enumerate(("../../x", "<b>x</b>", "'; --")):
        store = practise(tmp_path / str(k), name, [Day(reps=1)], seed=1)
        store.close()
        store = open_store(tmp_path / str(k))
        assert [player.name for player in store.players()] == [name]
        store.close()


def test_an_error_shows_a_name_as_it_is_written_and_nothing_that_steers_the_terminal():
    name = "می\N{ZERO WIDTH NON-JOINER}خواهم"
    assert str(StoreError(f"no player {name}\N{RIGHT-TO-LEFT OVERRIDE}\x1b[2J")) == f"no player {name}\ufffd\ufffd[2J"
