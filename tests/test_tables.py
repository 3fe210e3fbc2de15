"""Tables and small plots in the terminal: whole words, the screen's units, and no hills where there is only noise."""

from __future__ import annotations

import io
import sys
from contextlib import closing
from dataclasses import replace

import pytest
from coaching import a_rep, missing
from practised import Day, practise

from rimward.live.assets import config_text
from rimward.live.cli import main
from rimward.live.records import Cue
from rimward.live.tables import plot, print_reps, print_table
from rimward.live.words import LANGUAGES, LISTS, read_words


def printed(*reps) -> str:
    out = io.StringIO()
    print_reps(reps, out)
    return out.getvalue()


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_cue_is_broken_within_a_word(monkeypatch, language):
    """In the 80 columns of a terminal that does not say how wide it is."""
    monkeypatch.setenv("COLUMNS", "80")
    words = read_words(config_text(f"words_{language}.toml"), language)
    cues = [(check, text) for (check, kind), texts in words.items() if kind in (*LISTS, "ask") for text in texts]
    value = {
        "set_point_above_eyes_m": (-0.08, 0.03),
        "elbow_at_set_deg": (171.0, 12.0),
        "knee_min_deg": (118.0, 12.0),
        "follow_through_s": (0.94, 0.05),
    }
    reps = [replace(a_rep(**value), index=100 + k, cue=Cue(text, check)) for k, (check, text) in enumerate(cues)]
    shown = printed(*reps)
    assert max(map(len, shown.splitlines())) <= 80
    seen = set(shown.split())
    assert [text for _, text in cues if not set(text.split()) <= seen] == []


NAMES = [
    "Maximilian Alexander Mustermann-Musterfrau",
    "x" * 80,
    "李小龍王大明" * 13,
    "e\u0301\u0323" * 26,
    "👩‍👩‍👧‍👦" * 11,
]


@pytest.mark.parametrize("columns", [20, 40, 60, 80])
def test_a_terminal_may_be_narrow_and_names_long_but_no_number_is_cut(monkeypatch, columns):
    """ "12 to 5" was "12 to 55 cm", and of 1120 reps a player had 112."""
    monkeypatch.setenv("COLUMNS", str(columns))
    out = io.StringIO()
    numbers = ["2026-03-02 17:30", "1120", "12 to 55 cm", "3909fb5d"]
    rows = [(numbers[0], name, *numbers[1:]) for name in NAMES]
    print_table("Sessions", ("began", "~player", ">reps", "band", "id"), rows, out)
    said = out.getvalue()
    for number in numbers:
        assert said.count(number) == len(NAMES)
        said = said.replace(number, "")
    letters = "".join(said.split())
    assert [name for name in NAMES if name.replace(" ", "") not in letters] == []


def test_the_table_of_reps_is_whole_in_a_narrow_terminal(monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    rep = a_rep(knee_min_deg=(118.0, 12.0), follow_through_s=(0.94, 0.05))
    shown = printed(replace(rep, index=1120, cue=Cue("Hold the follow-through", "follow_through")))
    assert all(part in shown for part in ("1120", "118 ± 12", "0.94 ± 0.05"))
    assert "Hold" in shown


def test_values_are_in_the_screens_units_and_as_fine_as_their_errors():
    rep = a_rep(
        set_point_above_eyes_m=(-0.083, 0.031),
        elbow_at_set_deg=(71.4, 7.1),
        knee_min_deg=missing("hidden"),
        follow_through_s=(0.943, 0.05),
    )
    shown = printed(rep)
    assert "eyes, cm" in shown
    (line,) = [line for line in shown.splitlines() if "±" in line and "value" not in line]
    assert " ".join(line.split()[2:]) == "−8 ± 3 71 ± 7 - 0.94 ± 0.05"


def test_what_lies_within_the_error_of_each_other_is_level():
    assert plot([1.0, 1.1, 0.9, 1.2], sys.stdout, error=4.0) == "▅▅▅▅"
    assert plot([85.0, 86.0, 71.0, 87.0], sys.stdout, error=7.0) == "▆▆▄▆", "two errors lower are two marks lower"


def test_what_stands_out_of_the_error_stays_as_high_as_it_was():
    values = [24.0, 23.0, -8.0, 20.0]
    assert plot(values, sys.stdout, error=3.0) == plot(values, sys.stdout) == "██▁█"


def test_a_session_shows_noise_as_noise(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))
    form = {"trunk_lean_at_release_deg": (1.0, 0.01), "knee_min_deg": (118.0, 30.0)}  # errors of 7 degrees
    with closing(practise(tmp_path, "Sam", [Day(6, 0, form)])):
        pass
    assert main(["show", "last"]) == 0
    lines = {line[:20].strip(): line.split() for line in capsys.readouterr().out.splitlines()}
    lean, knee = lines["Lean at the release"], lines["Deepest knee bend"]
    assert lean[-1] == "▅▅▅▅▅▅"
    assert lean[-3] == "1", "one number where both ends read the same"
    assert len(set(knee[-1])) > 3
