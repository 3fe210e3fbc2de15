"""Windows and macOS by contract: the same code with that system's folders and a speech engine made of software.

None of it was run on those systems (README). What they do is from the documentation of platformdirs and pyttsx3.
"""

from __future__ import annotations

import sys
import types
from pathlib import Path, PureWindowsPath

import platformdirs
import platformdirs.windows
import pytest
from platformdirs.macos import MacOS
from platformdirs.windows import Windows
from program import eventually

from rimward.live import places
from rimward.live import settings as settings_module
from rimward.live.records import Cue, Feedback, Tone
from rimward.live.settings import load_settings
from rimward.live.speaker import open_speaker

FOLDERS = {"darwin": MacOS, "win32": Windows}


@pytest.fixture(params=list(FOLDERS))
def system(request, monkeypatch, tmp_path) -> str:
    """Folders as on that system, below a home of its own; no settings and no data folder of this one."""
    name = str(request.param)
    for variable in ("RIMWARD_DATA_DIR", "RIMWARD_SETTINGS"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "AppData" / "Local"))
    monkeypatch.setenv("APPDATA", str(tmp_path / "AppData" / "Roaming"))
    # Windows' own call is not here; the library's other way asks the environment
    monkeypatch.setattr(platformdirs.windows, "get_win_folder", platformdirs.windows.get_win_folder_from_env_vars)
    there = FOLDERS[name]
    for kind in ("user_data_path", "user_config_path"):
        asked = lambda app, appauthor=None, kind=kind: getattr(there(app, appauthor=appauthor), kind)  # noqa: E731
        monkeypatch.setattr(places.platformdirs, kind, asked)
    return name


def test_data_and_settings_lie_where_the_system_wants_them(system, tmp_path):
    wanted = {"darwin": "Library/Application Support/rimward", "win32": "AppData/Local/rimward"}[system]
    data = settings_module.data_folder(load_settings())
    assert PureWindowsPath(data).as_posix().endswith(wanted) or Path(data) == tmp_path / wanted
    file = data / "settings.toml"  # on both systems settings and data share a folder
    file.parent.mkdir(parents=True)
    file.write_text('[player]\nname = "Ada"\n')
    assert load_settings(places.settings_file()).player.name == "Ada"


class Engine:
    """What speaker.py uses of pyttsx3's engine, with the voices of a system that speaks by itself."""

    said: list[str] = []  # noqa: RUF012
    files: list[str] = []  # noqa: RUF012

    def getProperty(self, name: str) -> object:
        assert name == "voices"
        return [types.SimpleNamespace(id="voice.one", name="One", languages=["en"])]

    def setProperty(self, name: str, value: object) -> None:
        assert name in ("voice", "rate", "volume")

    def connect(self, topic: str, callback: object) -> None:
        assert topic == "error"

    def say(self, text: str) -> None:
        Engine.said.append(text)

    def save_to_file(self, text: str, path: str) -> None:
        Engine.files.append(path)

    def runAndWait(self) -> None:
        pass


@pytest.fixture
def engine(monkeypatch) -> type[Engine]:
    package, module = types.ModuleType("pyttsx3"), types.ModuleType("pyttsx3.engine")
    module.Engine = Engine  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "pyttsx3", package)
    monkeypatch.setitem(sys.modules, "pyttsx3.engine", module)
    Engine.said, Engine.files = [], []
    return Engine


@pytest.mark.parametrize("system", ["darwin", "win32"])
@pytest.mark.parametrize("card", [True, False], ids=["sound card", "no sound card"])
def test_there_the_engine_speaks_by_itself_with_and_without_tones(system, card, engine, monkeypatch):
    """Their engines have a way to the loudspeaker of their own: the voice does not hang on the mixer."""
    monkeypatch.setattr("rimward.live.speaker.sys.platform", system)
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy" if card else "no-such-driver")
    notices: list[str] = []
    speaker = open_speaker(notice=notices.append)
    try:
        speaker.play(Feedback(0.0, Tone.COUNT, Cue("Elbow up", "elbow_at_set")))
        assert eventually(lambda: engine.said == ["Elbow up"], 20)
    finally:
        speaker.close()
    assert engine.files == []
    assert [line.partition(":")[0] for line in notices] == ([] if card else ["No tones"])


def test_the_folders_of_this_system_are_those_of_its_library(monkeypatch):
    monkeypatch.delenv("RIMWARD_DATA_DIR", raising=False)
    assert settings_module.data_folder(load_settings()) == platformdirs.user_data_path("rimward", appauthor=False)
