"""Settings: defaults that hold, the user's file over them, and one clear line for everything that does not fit."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel, ValidationError

from rimward.live import places
from rimward.live.assets import config_text
from rimward.live.errors import SettingsError
from rimward.live.places import settings_file
from rimward.live.records import Band
from rimward.live.settings import BandSection, Settings, data_folder, load_settings

DEFAULT_TEXT = config_text("default.toml")


@pytest.fixture
def write(tmp_path, monkeypatch):
    """Writes the user's settings.toml in the current folder, so that messages show its bare name."""
    monkeypatch.chdir(tmp_path)

    def _write(content: str | bytes) -> Path:
        path = Path("settings.toml")
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write


def refusal(path: Path | None, options=None) -> str:
    with pytest.raises(SettingsError) as caught:
        load_settings(path, options)
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_the_defaults_alone_are_valid():
    settings = load_settings()
    assert settings.player.hand == "auto"
    assert settings.player.stature_m is None
    assert settings.phases.hold_s == 0.20  # definition of two motions in the interface


def test_default_file_and_model_have_exactly_the_same_keys():
    """An optional key (no default that TOML could write) must stand in the file as a comment."""
    table = tomllib.loads(DEFAULT_TEXT)
    assert table.keys() == Settings.model_fields.keys()
    for section, field in Settings.model_fields.items():
        if section == "bands":
            continue
        assert isinstance(field.annotation, type)
        assert issubclass(field.annotation, BaseModel)
        keys = field.annotation.model_fields
        required = {key for key, entry in keys.items() if entry.is_required()}
        assert table[section].keys() == required, section
        in_file = DEFAULT_TEXT.split(f"[{section}]\n")[1].split("\n[")[0]
        for key in keys.keys() - required:
            assert re.search(rf"^# {key} = ", in_file, re.MULTILINE), f"[{section}] lacks the line '# {key} = ...'"


def test_every_default_has_a_comment_or_stands_beside_its_pair():
    """Bands give their reason as `source`; width and height share one comment."""
    for line in DEFAULT_TEXT.split("[bands.", 1)[0].splitlines():
        if re.match(r"\w+ = ", line) and not line.startswith("height"):
            assert "#" in line, line
    assert all(len(band.source) > 20 for band in load_settings().bands.values())


def test_the_users_file_goes_over_the_defaults_key_by_key(write):
    settings = load_settings(write('[player]\nname = "Ada"\n[sound]\nvolume = 1\n'))
    assert (settings.player.name, settings.player.hand) == ("Ada", "auto")
    assert settings.sound.volume == 1.0
    assert settings.camera == load_settings().camera


def test_the_command_line_goes_over_the_users_file(write):
    path = write('[player]\nname = "Ada"\nstature_m = 1.70\n')
    settings = load_settings(path, {"player": {"name": "Bo"}})
    assert (settings.player.name, settings.player.stature_m) == ("Bo", 1.70)
    assert refusal(path, {"player": {"stature_m": 180.0}}) == (
        "command line: player.stature_m must be a number between 1 and 2.4, got 180.0"
    )


def test_settings_cannot_be_changed_afterwards():
    with pytest.raises(ValidationError, match="frozen"):
        load_settings().sound.mute = True


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("[phases]\nhold_s = 7\n", "phases.hold_s must be a number between 0 and 2, got 7"),
        ("[phases]\nhold_speed_mps = 0\n", "phases.hold_speed_mps must be a number above 0 and at most 2, got 0"),
        ('[phases]\nhold_s = "0.2"\n', 'phases.hold_s must be a number between 0 and 2, got "0.2"'),
        ("[sound]\nvolume = nan\n", "sound.volume must be a number between 0 and 1, got NaN"),
        ("[sound]\nvolume = true\n", "sound.volume must be a number between 0 and 1, got true"),
        ("[sound]\nmute = 1\n", "sound.mute must be true or false, got 1"),
        ("[camera]\ndevice = 0.5\n", "camera.device must be a whole number between 0 and 63, got 0.5"),
        ("[player]\nstature_m = 0.2\n", "player.stature_m must be a number between 1 and 2.4, got 0.2"),
        ('[player]\nname = ""\n', 'player.name must be text of 1 to 80 characters, got ""'),
        ('[player]\nhand = "both"\n', 'player.hand must be one of "left", "right", "auto", got "both"'),
        ("[storage]\nfolder = 3\n", "storage.folder must be text in quotes, got 3"),
        ("player = 3\n", "player must be a table ([player]), got 3"),
        ("bands = 3\n", "bands must be a table ([bands]), got 3"),
        ("[bands]\nknee_bend = 90\n", "bands.knee_bend must be a table ([bands.knee_bend]), got 90"),
        ("[bands.knee_bend]\nlow = 150\n",
         "bands.knee_bend: a band's low end must be below its high end, got 150.0 and 140.0"),
        ('[bands.knee_bend]\nsource = ""\n', 'bands.knee_bend.source must be text that is not empty, got ""'),
        ('[bands.knee_bend]\nlow = "x"\n', 'bands.knee_bend.low must be a number, got "x"'),
        ("[phases]\nhold_sec = 1\n", "unknown key phases.hold_sec, did you mean phases.hold_s?"),
        ("[fases]\nhold_s = 1\n", "unknown key fases, did you mean phases?"),
        ('hand = "left"\n', "unknown key hand, did you mean player.hand?"),
        ("[sound]\nzzz = 1\n", "unknown key sound.zzz, known here: volume, mute, speech, voice, rate_wpm, hold_tone"),
        ("[bands.elbow_at_st]\nlow = 1\n", "unknown key bands.elbow_at_st, did you mean bands.elbow_at_set?"),
        ("[bands.knee_bend]\nhigh = 300\n",
         "bands.knee_bend.high must be between 0 and 180 (degrees, a straight limb has 180), got 300"),
        ("[bands.hold]\nlow = 500\n", "bands.hold.low must be between -10 and 10 (seconds), got 500"),
        ("[bands.knee_bend]\nlowest = 1\n", "unknown key bands.knee_bend.lowest, did you mean bands.knee_bend.low?"),
    ],
)  # fmt: skip
def test_each_wrong_value_names_file_key_value_and_what_is_allowed(write, content, message):
    assert refusal(write(content)) == f"settings.toml: {message}"


def test_several_wrong_values_are_said_in_one_line(write):
    message = refusal(write("[sound]\nvolume = 2\nmute = 3\nrate_wpm = 4\nspeech = 5\n[camera]\ndevice = -1\n"))
    assert message.count("settings.toml: ") == 3
    assert message.endswith("; and 2 more")


def test_a_long_value_is_cut(write):
    assert len(refusal(write(f'[player]\nname = "{"x" * 500}"\n'))) < 160


def test_wrong_syntax_names_line_and_column(write):
    message = refusal(write('[player]\nname = "Ada"\nhand left\n'))
    assert message.startswith("settings.toml: must be valid TOML, found: ")
    assert "line 3, column 6" in message


def test_a_file_that_breaks_off_names_its_last_line(write):
    assert "line 2, end of the file" in refusal(write("[player]\nname ="))


def test_a_file_in_another_encoding_names_the_byte_and_its_line(write):
    message = refusal(write('[player]\nname = "René"\n'.encode("latin-1")))
    assert message == "settings.toml: must be UTF-8 text, found byte 0xe9 in line 2; save it as UTF-8"


def test_a_byte_order_mark_is_no_trouble(write):
    assert load_settings(write(b'\xef\xbb\xbf[player]\nname = "Ada"\n')).player.name == "Ada"


def test_a_missing_file_and_a_folder_are_refused(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert refusal(Path("none.toml")).startswith("none.toml: the settings file cannot be read (")
    assert refusal(Path()).startswith(".: the settings file cannot be read (")


def test_bands_become_the_records_that_checks_judge_by():
    band = load_settings().check_bands()["elbow_at_set"]
    assert isinstance(band, Band)
    assert (band.low, band.high, band.label) == (65.0, 110.0, "starting point")


def test_a_band_that_the_user_moved_is_called_the_users_own(write):
    """A shipped source must not be claimed for numbers that it does not give."""
    path = write("[bands.elbow_at_set]\nlow = 60\n[bands.knee_bend]\nlow = 100\nlabel = 'coach'\nsource = 'Friday'\n")
    bands = load_settings(path).check_bands()
    assert bands["elbow_at_set"] == Band(60.0, 110.0, "own", "settings.toml")
    assert bands["knee_bend"] == Band(100.0, 140.0, "coach", "Friday")
    assert bands["trunk_lean"] == load_settings().check_bands()["trunk_lean"]


def test_a_band_without_ends_is_refused():
    with pytest.raises(ValidationError, match="needs a low or a high end"):
        BandSection(label="own", source="somebody")


def test_the_digest_tells_settings_apart(write):
    assert load_settings().digest() == load_settings(write("")).digest()
    assert load_settings().digest() != load_settings(write("[sound]\nmute = true\n")).digest()
    assert re.fullmatch(r"[0-9a-f]{16}", load_settings().digest())


def test_the_settings_file_is_the_given_one_then_the_environments_then_the_usual_place(tmp_path, monkeypatch):
    monkeypatch.setattr(places.platformdirs, "user_config_path", lambda *_, **__: tmp_path)
    monkeypatch.delenv("RIMWARD_SETTINGS", raising=False)
    assert settings_file() is None
    usual = tmp_path / "settings.toml"
    usual.write_text("")
    assert settings_file() == usual
    monkeypatch.setenv("RIMWARD_SETTINGS", "/other.toml")
    assert settings_file() == Path("/other.toml")
    assert settings_file(Path("given.toml")) == Path("given.toml")


def test_the_data_folder_is_the_environments_then_the_settings_then_the_usual_place(monkeypatch):
    monkeypatch.delenv("RIMWARD_DATA_DIR", raising=False)
    assert "rimward" in data_folder(load_settings()).parts
    chosen = load_settings(options={"storage": {"folder": "~/shots"}})
    assert data_folder(chosen) == Path("~/shots").expanduser()
    monkeypatch.setenv("RIMWARD_DATA_DIR", "/elsewhere")
    assert data_folder(chosen) == Path("/elsewhere")
