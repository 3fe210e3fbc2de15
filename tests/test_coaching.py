"""By what a practice is judged: drills and words from files, targets and earlier reps from the store."""

from __future__ import annotations

from contextlib import closing

import pytest
from coaching import a_rep
from program import CLIPS, data_folder, prepared_model, run

from rimward.live.assets import config_names
from rimward.live.cli import main
from rimward.live.coaching import coaching, load_drill, load_targets, load_words, told
from rimward.live.errors import SettingsError, StoreError, UsageError
from rimward.live.records import Band
from rimward.live.settings import load_settings
from rimward.live.store import Store, open_store
from rimward.live.targets import Targets, set_by_coach
from rimward.live.words import read_words


def sam(**sections: dict[str, object]):
    return load_settings(options={"player": {"name": "Sam"}, **sections})


@pytest.fixture
def store(tmp_path):
    with closing(open_store(tmp_path / "data", pytest.fail)) as store:
        yield store


def practised(store: Store, player: str, *knees: float, hand="right") -> str:
    """A saved session; gives its id."""
    writer = store.start_session(player=player, hand=hand, source="x", settings_digest="x", app_version="x")
    for index, knee in enumerate(knees, 1):
        writer.save(a_rep(index, hand, knee_min_deg=(knee, 2.0)))
    writer.close()
    return writer.id


# --------------------------------------------------------------------------------------------------------------- drills
@pytest.mark.parametrize("name", config_names("drill_"))
def test_a_shipped_drill_is_asked_for_by_its_name(name):
    assert load_drill(name).reps


def test_a_drill_of_ones_own_is_asked_for_by_its_file(tmp_path):
    path = tmp_path / "friday drill.toml"
    path.write_bytes(b'\xef\xbb\xbftitle = "Friday \xc3\xa9"')  # as an editor on Windows saves it
    assert load_drill(str(path)).name("en") == "Friday é"


@pytest.mark.parametrize(
    ("content", "error", "message"),
    [
        (None, UsageError, "--drill must be a file or one of catch_and_shoot, form_shooting, "),
        (b"title = 'caf\xe9'", UsageError, "a drill must be UTF-8 text, found byte 0xe9"),
        (b"title = 'x'\n[goal]\nreps = 0", SettingsError, "mine.toml, line 3: goal.reps must be a whole number"),
    ],
)
def test_a_drill_that_cannot_be_is_refused_in_one_line(tmp_path, content, error, message):
    path = tmp_path / "mine.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(error) as refused:
        load_drill(str(path))
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_name_that_no_system_can_open_is_no_crash():
    with pytest.raises(UsageError, match="must be a file or one of"):
        load_drill("a\0b")


@pytest.mark.parametrize(
    ("option", "message"),
    [
        (("--drill", "freethrows"), "--drill must be a file or one of catch_and_shoot"),
        (
            ("--focus", "knee_min_deg"),
            '"knee_min_deg" is no check, but a measurement, did you mean knee_bend, which looks',
        ),
        (("--focus", "knee"), '"knee" is no check, did you mean knee_bend or knee_line?'),
        (("--focus", "knee_bent"), 'cues.focus: "knee_bent" is no check, did you mean knee_bend?'),
    ],
)
def test_a_wrong_option_ends_the_program_at_once(option, message, capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path))
    assert main(["practice", "--clip", str(CLIPS / "fps_15.mp4"), "--headless", *option]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert message in line


# -------------------------------------------------------------------------------------------------------------- targets
def test_a_new_player_begins_with_the_shipped_bands(store, words):
    said: list[str] = []
    chosen = coaching(sam(), words, store, None, False, said.append)
    assert chosen.targets.bands() == sam().check_bands()
    assert said == []


def test_earlier_reps_become_the_band_and_that_is_said(store, words):
    practised(store, "Sam", *[118.0] * 12)
    practised(store, "Somebody else", *[100.0] * 30)
    practised(store, "SAM ", *[120.0] * 12)  # the same name
    said: list[str] = []
    chosen = coaching(sam(), words, store, None, False, said.append)
    band = chosen.targets.bands()["knee_bend"]
    assert (band.label, band.low, band.high) == ("own", pytest.approx(115.0), pytest.approx(123.0))
    assert said == ["Target: knee bend 115 to 123°: The middle and the spread of the player's last 24 reps"]
    never = load_targets(sam(targets={"after_reps": 0}), store, said.append)
    assert never.bands()["knee_bend"].label == "starting point"


def test_reps_of_the_other_hand_are_another_matter(store):
    practised(store, "Sam", *[118.0] * 24)
    practised(store, "Sam", *[100.0] * 30, hand="left")
    left = load_settings(options={"player": {"name": "Sam", "hand": "left"}})
    for settings, middle in ((sam(), 100.0), (left, 100.0), (_right_handed(), 118.0)):
        band = load_targets(settings, store, pytest.fail).bands()["knee_bend"]
        assert band.low < middle < band.high < middle + 10


def _right_handed():
    return load_settings(options={"player": {"name": "Sam", "hand": "right"}})


def test_reps_that_a_coach_marked_good_are_the_target_wherever_they_lie(store):
    session = practised(store, "Sam", *[150.0] * 6)
    for index in range(1, 6):
        store.add_note(session, rep_index=index, kind="good", author="coach")
    store.add_note(session, "watch the left foot", rep_index=6, kind="note")
    targets = load_targets(sam(), store, pytest.fail)
    assert [rep.index for rep in targets.good] == [1, 2, 3, 4, 5]
    assert targets.bands()["knee_bend"].low == pytest.approx(146.0)


def test_the_coachs_target_is_the_players_whatever_the_reps_say(store, words):
    practised(store, "Sam", *[118.0] * 30)
    player = store.player("Sam")
    store.set_target(player.id, "knee_min_deg", 95.0, 105.0, name="deep", locked=True, author="coach")
    said: list[str] = []
    targets = coaching(sam(), words, store, None, False, said.append).targets
    assert targets.bands()["knee_min_deg"].high == 105.0
    assert said == ["Target: knee bend 95 to 105°: deep, locked, set by coach"]


def test_what_differs_from_the_shipped_bands_is_told_in_the_units_of_the_screen(shipped):
    reps = [a_rep(elbow_at_set_deg=(80.0, 2.0), follow_through_s=(1.2, 0.05)) for _ in range(30)]
    good = [a_rep(set_point_above_eyes_m=(0.1, 0.02)) for _ in range(5)]
    coach = [
        set_by_coach("knee_min_deg", None, 120.0, name="", locked=True, author=""),
        set_by_coach("hold_s", 0.1, 0.3, name="short", locked=False, author="Coach K"),
    ]
    targets = Targets(shipped.check_bands(), coach, reps, good, 20, 5)
    assert [line.replace("\N{NO-BREAK SPACE}", " ") for line in told(targets, targets.bands())] == [
        "Target: knee bend up to 120°: Locked, set by the coach",
        "Target: set point 6 cm or more: The middle and the spread of 5 reps that the coach called good",
        "Target: elbow at set 76 to 84°: The middle and the spread of the player's last 30 reps",
        "Target: follow-through 1.1 s or more: The middle and the spread of the player's last 30 reps",
        "Target: hold at set 0.1 to 0.3 s: short, set by Coach K",
    ]


def test_what_a_coach_is_called_steers_no_terminal(store, words):
    store.set_target(store.add_player("Sam").id, "hold_s", 0.1, 0.3, name="a\x1b[2J", author="b\nc")
    said: list[str] = []
    coaching(sam(), words, store, None, False, said.append)
    (line,) = said
    assert line.endswith("s: a\\x1b[2J, set by b\\x0ac")


def test_a_band_of_a_settings_file_says_itself_where_it_comes_from(shipped):
    mine = Band(70.0, 90.0, "own", "settings.toml")
    targets = Targets(shipped.check_bands())
    assert told(targets, {"elbow_at_set": mine}) == ["Target: elbow at set 70 to 90°: settings.toml"]


def test_a_database_that_cannot_be_read_does_not_keep_anybody_from_practising(store, monkeypatch):
    def broken(*_args):
        raise StoreError("the disk is gone")

    monkeypatch.setattr(store, "players", broken)
    said: list[str] = []
    assert load_targets(sam(), store, said.append).bands() == sam().check_bands()
    assert said == ["Earlier reps and targets are left out: the disk is gone"]


# ------------------------------------------------------------------------------------------------------ focus and words
def test_a_focus_that_this_camera_cannot_see_is_said_before_the_first_shot(store, words):
    settings = sam(cues={"focus": "arm_line"})
    said: list[str] = []
    chosen = coaching(settings, words, store, None, False, said.append)
    assert chosen.plan.focus == "arm_line"
    assert len(said) == 1
    assert "arm_line needs the camera's place" in said[0]
    coaching(settings, words, store, None, True, pytest.fail)


def test_a_focus_without_a_band_is_said_before_the_first_shot(store, words):
    said: list[str] = []
    coaching(sam(cues={"focus": "hold"}), words, store, None, False, said.append)
    assert said == ["hold has no band and is only reported; rimward targets sets one for hold_s."]
    hop = load_drill("catch_and_shoot")
    coaching(sam(cues={"focus": "step_rhythm"}), words, store, hop, False, pytest.fail)


def test_the_language_that_is_set_is_spoken():
    german = load_words(sam(screen={"language": "de"}))
    assert german["follow_through", "below"][0] == "Halt den Wurf oben"
    assert german != load_words(sam())


@pytest.mark.network
def test_a_practice_with_drill_focus_language_and_a_coachs_target(tmp_path):
    """Through the whole program: the coach wants deeper knees than any, in German, and nothing else is spoken of."""
    data = data_folder(tmp_path / "data", prepared_model())
    with closing(open_store(data, pytest.fail)) as store:
        player = store.add_player("Sam")
        store.set_target(player.id, "knee_min_deg", 60.0, 70.0, name="tief", locked=True, author="coach")
    settings = tmp_path / "de.toml"
    settings.write_text('[screen]\nlanguage = "de"\n', "utf-8")
    clip = CLIPS / "fps_15.mp4"
    options = ("--settings", settings, "--player", "Sam", "--drill", "free_throws", "--focus", "knee_bend")
    said = run("practice", "--clip", clip, "--headless", "--json", *options, data=data)
    assert said.status == 0
    assert said.error == "Target: knee bend 60 to 70°: tief, locked, set by coach"
    (rep,) = said.reps
    german = read_words((CLIPS.parents[1] / "config" / "words_de.toml").read_text("utf-8"), "words_de.toml")
    assert rep["cue"] == {"text": german["knee_bend", "above"][0], "check": "knee_bend"}
    with closing(open_store(data, pytest.fail)) as store:
        (session,) = store.sessions("Sam")
        assert session.start.drill == "free_throws"
