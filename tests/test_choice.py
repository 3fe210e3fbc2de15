"""What is chosen for a machine: a pure choice among measured rows, kept as a layer of the settings."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pytest

from rimward.live import bench, cli
from rimward.live.bench import chosen_words, networks, proven, remember
from rimward.live.bench_runs import Run
from rimward.live.choice import Tried, choose, machine_toml
from rimward.live.errors import SettingsError
from rimward.live.pose_model import model_path
from rimward.live.settings import MACHINE, load_settings, machine_file

BYTES = {"pose_lite": 6, "pose_full": 9, "pose_heavy": 30}
DAY = "2026-03-01"


def tried(network: str, height: int, worked_hz: float) -> Tried:
    width = {720: 1280, 540: 960, 480: 640}[height]
    return Tried(f"/data/{network}.task", BYTES[network], width, height, worked_hz)


def chosen(*rows: Tried) -> tuple[str, int, float, bool]:
    choice = choose(rows)
    return Path(choice.tried.network).stem, choice.tried.height, choice.rate_hz, choice.keeps_up


@pytest.mark.parametrize(
    ("rows", "best"),
    [
        ([("pose_full", 720, 40.0)], ("pose_full", 720, 30.0, True)),
        ([("pose_full", 720, 75.0)], ("pose_full", 720, 60.0, True)),
        # the better network goes before a higher rate and before a larger picture
        ([("pose_full", 720, 90.0), ("pose_heavy", 720, 40.0)], ("pose_heavy", 720, 30.0, True)),
        ([("pose_full", 720, 90.0), ("pose_heavy", 720, 33.0), ("pose_heavy", 480, 36.0)],
         ("pose_heavy", 480, 30.0, True)),
        # the larger picture before a higher rate
        ([("pose_full", 720, 50.0), ("pose_full", 480, 80.0)], ("pose_full", 720, 30.0, True)),
        # without headroom it does not keep up
        ([("pose_full", 720, 31.0), ("pose_full", 540, 35.0)], ("pose_full", 540, 30.0, True)),
        ([("pose_full", 720, 20.0), ("pose_full", 480, 22.0), ("pose_lite", 720, 36.0)],
         ("pose_lite", 720, 30.0, True)),
        # nothing keeps up: the fastest, at the lowest rate
        ([("pose_full", 720, 12.0), ("pose_full", 480, 14.0)], ("pose_full", 480, 30.0, False)),
    ],
)  # fmt: skip
def test_the_best_that_keeps_up_with_headroom(rows, best):
    assert chosen(*(tried(*row) for row in rows)) == best


def test_what_loses_frames_in_real_time_gives_way_to_the_next_best():
    rows = [tried("pose_full", 720, 75.0), tried("pose_full", 540, 80.0)]
    asked = []

    def loses(choice):
        asked.append((choice.tried.height, choice.rate_hz))
        return len(asked) < 3

    assert proven(rows, loses).key == ("/data/pose_full.task", 960, 540, 60.0)
    assert asked == [(720, 60.0), (720, 30.0), (540, 60.0)]


def test_nothing_that_holds_in_real_time_is_the_fastest_and_said():
    choice = proven([tried("pose_full", 720, 40.0), tried("pose_full", 480, 42.0)], lambda choice: True)
    assert (choice.tried.height, choice.keeps_up) == (480, False)
    assert chosen_words(choice).startswith(
        "Nothing keeps up here: remembered is the fastest, pose_full, pictures of 640"
    )


def test_the_line_for_people():
    words = chosen_words(choose([tried("pose_heavy", 720, 40.0)]))
    assert words == "Best for this laptop: pose_heavy, pictures of 1280 x 720, 30 frames a second, with 25 % to spare."


def test_the_file_lies_between_defaults_and_the_users_own(tmp_path):
    machine, user = tmp_path / MACHINE, tmp_path / "settings.toml"
    (own := tmp_path / "own.task").write_bytes(b"network")
    machine.write_text(machine_toml(choose([tried("pose_heavy", 540, 80.0)]), str(own), DAY), "utf-8")
    user.write_text("[camera]\nrate_hz = 30.0\n")
    settings = load_settings(user, {"camera": {"device": 2}}, machine)
    assert (settings.camera.width, settings.camera.height) == (960, 540)  # the machine's
    assert settings.camera.rate_hz == 30.0  # the user's
    assert settings.camera.device == 2  # the command line's
    assert settings.pose.model == str(own)
    assert settings.pose.people == load_settings().pose.people


def test_any_path_survives_the_file():
    odd = 'C:\\bundles\\a "heavy" one\t\x7fü.task'
    written = machine_toml(choose([tried("pose_full", 720, 40.0)]), odd, DAY)
    assert tomllib.loads(written)["pose"]["model"] == odd


def test_the_usual_network_is_not_named_and_another_is(tmp_path):
    usual = model_path(tmp_path)
    row = Tried(str(usual), 9, 1280, 720, 40.0)
    assert remember(choose([row]), tmp_path) == machine_file(tmp_path)
    assert load_settings(machine=machine_file(tmp_path)).pose.model == ""
    (heavy := tmp_path / "pose_heavy.task").write_bytes(b"network")
    remember(choose([Tried(str(heavy), 30, 1280, 720, 40.0)]), tmp_path)
    assert load_settings(machine=machine_file(tmp_path)).pose.model == str(heavy)
    assert sorted(path.name for path in tmp_path.iterdir()) == [MACHINE, heavy.name]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[storage]\nfolder = "/elsewhere"\n', r"may hold \[camera\] and \[pose\] only, found \"storage\"; delete"),
        ("[camera]\nwidth = 1\n", r"camera.width must be a whole number between 160 and 7680, got 1"),
        ("[camera", "must be valid TOML"),
        ('[pose]\nmodel = "gone.task"\n', 'pose.model is gone from "gone.task"; run `rimward bench --choose` again'),
    ],
)
def test_a_file_that_is_not_as_it_was_written_is_named(tmp_path, text, words):
    path = tmp_path / MACHINE
    path.write_text(text)
    with pytest.raises(SettingsError, match=f"{MACHINE}: {words}"):
        load_settings(machine=path)


def test_practice_says_that_it_goes_by_it_and_forgetting_takes_it_away(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path))
    monkeypatch.setenv("RIMWARD_SETTINGS", str(tmp_path / "settings.toml"))
    (tmp_path / "settings.toml").write_text("")
    remember(choose([Tried(str(model_path(tmp_path)), 9, 960, 540, 40.0)]), tmp_path)
    seen = []
    monkeypatch.setattr("rimward.live.practice.practise", lambda settings, options, say: seen.append(settings) or 0)
    assert cli.main(["practice", "--headless"]) == 0
    assert str(tmp_path / MACHINE) in capsys.readouterr().err
    assert cli.main(["bench", "--forget"]) == 0
    assert cli.main(["practice", "--headless"]) == 0
    assert MACHINE not in capsys.readouterr().err.replace(f"Taken away: {tmp_path / MACHINE}", "")
    assert [one.camera.width for one in seen] == [960, 1280]
    assert cli.main(["bench", "--forget"]) == 0
    assert "Nothing was chosen" in capsys.readouterr().err


@pytest.fixture
def trials(tmp_path, monkeypatch):
    """`rimward bench --choose` with a data folder of its own and trials that take no time: (speed by picture height,
    share of a camera's frames lost by its rate)."""
    usual = model_path(tmp_path)
    usual.write_bytes(b"network")
    monkeypatch.setenv("RIMWARD_DATA_DIR", str(tmp_path))
    monkeypatch.setenv("RIMWARD_SETTINGS", str(tmp_path / "settings.toml"))
    (tmp_path / "settings.toml").write_text("")
    monkeypatch.setattr("rimward.live.devices.ready_model", lambda settings, say: usual)
    monkeypatch.setattr("rimward.live.pose_model.check", lambda path: None)
    monkeypatch.setattr(bench, "sized", lambda clip, size, frames, folder: folder / f"{size[1]}.avi")

    def given(speed: dict[str, float], lost: dict[float, float]) -> None:
        def tried(work, job):
            given = 0 if work is bench.flat_out else 300
            frames = 300 if work is bench.flat_out else round(300 * (1 - lost[job.camera_hz]))
            return Run(frames, speed[Path(job.clip).stem], 0, 1.0, 500.0, {}, given=given)

        monkeypatch.setattr(bench, "in_own_process", tried)

    return given


def test_choosing_tries_measures_and_remembers(trials, tmp_path, capsys):
    trials({"720": 70.0, "540": 90.0, "480": 95.0}, {60.0: 0.2, 30.0: 0.01})
    assert cli.main(["bench", "--choose", "--headless", "--json"]) == 0
    said = capsys.readouterr()
    (result,) = [json.loads(line) for line in said.out.splitlines()]
    # at 60 frames a second too many were lost with every size
    assert (result["width"], result["height"], result["rate_hz"], result["keeps_up"]) == (1280, 720, 30.0, True)
    assert [row["worked_hz"] for row in result["tried"]] == [70.0, 90.0, 95.0]
    assert load_settings(machine=tmp_path / MACHINE).camera.rate_hz == 30.0
    assert "go over it" not in said.err
    assert "must be made anew" not in said.err


def test_what_the_user_set_and_pictures_of_another_shape_are_said(trials, tmp_path, capsys):
    trials({"720": 20.0, "540": 24.0, "480": 40.0}, {30.0: 0.0})
    (tmp_path / MACHINE).write_text("[camera")  # a damaged one does not keep from choosing anew
    (tmp_path / "settings.toml").write_text("[camera]\nwidth = 800\nheight = 600\n")
    assert cli.main(["bench", "--choose", "--headless"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("Best for this laptop: pose_full, pictures of 640 x 480, 30 frames a second")
    assert "Your own settings of [camera] go over it." in said.err
    assert "A calibration made with pictures of another shape must be made anew." in said.err


def test_whole_bundles_in_the_data_folder_are_tried_each_once(tmp_path, monkeypatch):
    monkeypatch.setattr("rimward.live.pose_model.check", lambda path: None)
    for name in ("pose_full", "pose_heavy"):
        (tmp_path / f"{name}.task").write_text(name)
    own = shutil.copy(tmp_path / "pose_full.task", tmp_path / "own.bundle")
    found = networks(tmp_path, Path(own))
    assert [path.name for path in found] == ["own.bundle", "pose_full.task", "pose_heavy.task"]
    assert [path.name for path in networks(tmp_path, tmp_path / "pose_full.task")] == [
        "pose_full.task",
        "pose_heavy.task",
    ]
