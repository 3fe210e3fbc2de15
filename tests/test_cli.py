"""The command line as scripts and people meet it: statuses, one line for what is wrong, JSON for machines, Ctrl-C."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from program import (
    CLIPS,
    ROOT,
    Said,
    data_folder,
    ended,
    environment,
    eventually,
    prepared_model,
    run,
    saved,
    start,
)

from rimward.calibration.storage import load_calibration
from rimward.live import cli, pose_model
from rimward.live.cautions import CAUTIONS

COMMANDS = ("practice", "demo", "calibrate", "setup")
SHORT, LONG = CLIPS / "fps_15.mp4", CLIPS / "not_a_shot.mp4"


@pytest.fixture
def data(tmp_path) -> Path:
    return data_folder(tmp_path / "data", prepared_model())


@pytest.fixture(scope="module")
def practised(tmp_path_factory) -> tuple[Said, Path]:
    """One run on a short clip, read by several tests."""
    data = data_folder(tmp_path_factory.mktemp("practised") / "data", prepared_model())
    said = run("practice", "--clip", SHORT, "--headless", "--json", "--player", "Kim", data=data)
    return said, data


@pytest.fixture
def rimward(monkeypatch, tmp_path, capsys):
    """Runs the command line in this process; the data folder is empty."""
    for name, value in environment(tmp_path / "data").items():
        monkeypatch.setenv(name, value)
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER", "RIMWARD_SETTINGS"):
        monkeypatch.delenv(name, raising=False)

    def called(*words: object) -> Said:
        try:
            status = cli.main([str(word) for word in words])
        except SystemExit as ending:  # argparse ends the program by itself
            status = int(ending.code or 0)
        out, err = capsys.readouterr()
        return Said(status, out, err)

    return called


# ---- help and version


def test_the_version_is_that_of_the_project(rimward):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert rimward("--version") == Said(0, f"rimward {project['version']}\n", "")


def plain(text: str) -> str:
    """Without the line breaks of the help."""
    return " ".join(text.split())


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_an_example_and_the_cautions(rimward, command):
    said = rimward(command, "--help")
    assert said.status == 0
    assert f"Example: rimward {command}" in plain(said.out)
    assert f"\n\n{CAUTIONS[0].split()[0]} " in said.out  # in lines of their own, not at the end of a command
    for caution in CAUTIONS:
        assert caution in plain(said.out)


def test_help_lists_the_commands_and_the_cautions(rimward):
    said = rimward("--help")
    assert said.status == 0
    for command in COMMANDS:
        assert re.search(rf"^ +{command}\b", said.out, re.MULTILINE), command
    assert all(caution in plain(said.out) for caution in CAUTIONS)


def test_the_console_script_and_the_module_are_the_same_program(tmp_path):
    script = shutil.which("rimward", path=str(Path(sys.executable).parent)) or shutil.which("rimward")
    assert script is not None, "install the project: pip install -e ."
    said = subprocess.run([script, "--version"], capture_output=True, text=True, check=True).stdout
    assert said == run("--version", data=tmp_path).out


# ---- what is wrong is said in one line


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        ((), ("COMMAND",)),
        (("practise",), ("practise", "practice", "demo", "setup")),
        (("practice", "--speed", "2"), ("--speed",)),
        (("practice", "--hand", "both"), ("--hand", "both", "left", "right")),
        (("practice", "--stature-m", "tall"), ("--stature-m", "tall", "a number of metres")),
        (("practice", "--device", "front"), ("--device", "front", "int")),
        (("practice", "--clip", "a.mp4", "--device", "0"), ("--device", "--clip")),
        (("practice", "--stature-m", "17.8"), ("player.stature_m", "17.8", "between 1 and 2.4")),
        (("practice", "--stature-m", "nan"), ("player.stature_m", "nan", "between 1 and 2.4")),
        (("practice", "--device", "-1"), ("camera.device", "-1", "between 0 and 63")),
        (("practice", "--player", ""), ("player.name", "1 to 80 characters")),
    ],
)
def test_wrong_options(rimward, words, parts):
    said = rimward(*words)
    assert (said.status, said.out) == (2, "")
    assert said.error.startswith("rimward")
    for part in parts:
        assert part.lower() in said.error.lower()


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("[camera\ndevice = 0", ("valid TOML", "line 1")),
        ("[camera]\ndevise = 1", ("unknown key camera.devise", "did you mean camera.device?")),
        ("[sound]\nvolume = 11", ("sound.volume", "between 0 and 1", "11")),
        ("[sound]\nmute = 'yes'", ("sound.mute", "true or false", '"yes"')),
        ("[bands.courage]\nlow = 1.0", ("unknown key bands.courage",)),
    ],
)
def test_wrong_settings_files(rimward, tmp_path, text, parts):
    path = tmp_path / "mine.toml"
    path.write_text(text)
    for command in (("practice", "--clip", SHORT), ("demo",), ("setup",)):
        said = rimward(*command, "--settings", path)
        assert (said.status, said.out) == (2, "")
        for part in (str(path), *parts):
            assert part in said.error


def test_a_settings_file_that_is_not_there(rimward, tmp_path):
    said = rimward("demo", "--settings", tmp_path / "none.toml")
    assert said.status == 2
    assert "none.toml" in said.error
    assert "No such file" in said.error


def a_text(folder: Path) -> Path:
    path = folder / "notes.mp4"
    path.write_text("no video\n" * 100)
    return path


def an_empty_file(folder: Path) -> Path:
    path = folder / "empty.mp4"
    path.touch()
    return path


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda folder: folder / "missing.mp4", "there is nothing at"),
        (lambda folder: folder, "is a folder"),
        (a_text, "cannot be read as one"),
        (an_empty_file, "is empty"),
    ],
    ids=["missing", "folder", "text", "empty"],
)
def test_what_is_no_clip(rimward, tmp_path, make, words):
    """Found out before anything else, so that nobody waits for a download first."""
    path = make(tmp_path)
    said = rimward("practice", "--clip", path, "--headless", "--json")
    assert (said.status, said.out) == (2, "")
    assert str(path) in said.error
    assert words in said.error


def test_the_decoder_does_not_add_lines_of_its_own(tmp_path):
    """In a process of its own: it takes its log level once, at its first use."""
    said = run("practice", "--clip", a_text(tmp_path), "--headless", data=tmp_path / "data")
    assert (said.status, said.out) == (2, "")
    assert "cannot be read as one" in said.error


def not_a_bundle(folder: Path) -> Path:
    path = folder / "weights.task"
    path.write_bytes(b"0" * 1000)
    return path


@pytest.mark.parametrize(
    ("make", "words"),
    [(lambda folder: folder / "gone.task", "found nothing"), (not_a_bundle, "must be a .task bundle")],
    ids=["missing", "no bundle"],
)
def test_a_wrong_pose_model_of_ones_own(rimward, tmp_path, make, words):
    path = make(tmp_path)
    said = rimward("practice", "--clip", SHORT, "--headless", "--pose-model", path)
    assert (said.status, said.out) == (2, "")
    assert str(path) in said.error
    assert words in said.error
    assert not pose_model.model_path(tmp_path / "data").exists()


def test_no_pose_model_and_no_network(tmp_path):
    """pip is shown an index that is nowhere; what it says ends in one line that names the two ways out."""
    nowhere = {"PIP_INDEX_URL": (tmp_path / "nowhere").as_uri(), "PIP_NO_INDEX": "0", "PIP_RETRIES": "0"}
    hidden = {name: "" for name in os.environ if name.startswith("PIP_") and name not in nowhere}
    said = run("practice", "--clip", SHORT, "--headless", "--json", data=tmp_path / "data", **hidden, **nowhere)
    assert (said.status, said.out) == (2, "")
    downloading, error = said.err.splitlines()
    assert downloading.startswith("Downloading")
    for part in ("pip could not fetch", "connect once", "rimward setup", "--from"):
        assert part in error
    assert list((tmp_path / "data").iterdir()) == []


def test_setup_from_a_wheel_that_is_none(rimward, tmp_path):
    said = rimward("setup", "--from", tmp_path / "none.whl")
    assert (said.status, said.out) == (2, "")
    assert "none.whl" in said.error


@pytest.mark.network
def test_setup_from_what_is_no_wheel_says_so_where_the_model_is_too(data, tmp_path):
    """Who names a file wants that one taken."""
    (tmp_path / "env.sh").write_text("export A=1\n")
    said = run("setup", "--from", tmp_path / "env.sh", data=data)
    assert (said.status, said.out) == (2, "")
    assert "env.sh must be a wheel, this is not one" in said.error
    assert run("setup", data=data).status == 0


@pytest.mark.network
def test_setup_has_nothing_to_do_where_the_model_is(data):
    said = run("setup", data=data)
    assert (said.status, said.out) == (0, "")
    assert all("is ready" in line for line in said.err.splitlines())


# ---- JSON for machines, words for people


@pytest.mark.network
def test_standard_output_carries_only_json_lines(practised):
    said, _ = practised
    assert said.status == 0
    kinds = [line["kind"] for line in said.lines]
    assert kinds == ["rep", "session"]
    assert said.session["reps"] == 1
    assert said.session["frames"] == 49
    assert said.session["dropped"] == 0
    assert said.err == ""


@pytest.mark.network
def test_what_json_says_is_what_was_saved(practised):
    said, data = practised
    ((session, (rep,)),) = saved(data)
    (line,) = said.reps
    assert session.start.player == "Kim"
    assert session.start.source == SHORT.name
    assert session.summary is not None
    assert session.summary.frames == said.session["frames"]
    assert line["t_release_s"] == pytest.approx(rep.events.release_s, abs=1e-4)
    assert line["measurements"].keys() == rep.measurements.keys()
    for name, shown in line["measurements"].items():
        kept = rep.measurements[name]
        assert shown["value"] == (None if kept.value is None else pytest.approx(kept.value, abs=1e-4))


@pytest.mark.network
def test_without_json_people_get_a_table_on_standard_output(data):
    said = run("practice", "--clip", SHORT, "--headless", data=data)
    assert said.status == 0
    assert "Reps" in said.out
    assert "±" in said.out
    assert said.err == "Rep 1\n"


@pytest.mark.network
@pytest.mark.skipif(sys.platform in ("darwin", "win32"), reason="there is always a screen there")
def test_the_demo_on_a_machine_without_a_screen(data):
    """It says so and shows the reps in a table; the whole clip is worked through in test_practice.py."""
    process = start("demo", data=data)
    assert process.stderr is not None
    first = process.stderr.readline()
    assert "No screen here" in first
    second = process.stderr.readline()
    assert second.startswith("Rep 1")
    process.send_signal(signal.SIGINT)
    said = ended(process)
    assert said.status == 130
    assert "Reps" in said.out
    assert len(saved(data)[0][1]) >= 1


@pytest.mark.network
def test_a_reader_that_goes_away_ends_nothing(data):
    """`rimward ... --json | head -n 1`, with a reader that leaves before the first line."""
    process = start("practice", "--clip", SHORT, "--headless", "--json", data=data)
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    err = process.stderr.read()
    assert process.wait() == 0
    assert err.splitlines() == ["Standard output takes no more lines (Broken pipe); the session is saved all the same."]
    ((session, reps),) = saved(data)
    assert session.summary is not None
    assert len(reps) == 1


@pytest.mark.network
def test_readers_of_both_outputs_go_away(data):
    process = start("practice", "--clip", SHORT, "--headless", "--json", data=data)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    process.stderr.close()
    assert process.wait() == 0
    assert len(saved(data)[0][1]) == 1


def test_a_list_may_be_cut_by_its_reader(tmp_path):
    """`rimward sessions | head -n 1`, with a reader that leaves before the first line."""
    process = start("sessions", data=tmp_path)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    assert process.stderr.read() == ""
    assert process.wait() == 0


# ---- Ctrl-C


def loaded(process: subprocess.Popen[str], library: str) -> bool:
    """Whether the process has begun to load a library (Linux)."""
    try:
        return library in Path(f"/proc/{process.pid}/maps").read_text() or process.poll() is not None
    except OSError:
        return True


STARTING_UP = [
    pytest.param("cv2", id="while cv2 loads"),
    pytest.param("/scipy/", id="while SciPy loads"),
    pytest.param("libmediapipe", id="while the network loads"),
]


@pytest.mark.network
@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="/proc shows what is being loaded only on Linux")
@pytest.mark.parametrize("library", STARTING_UP)
def test_ctrl_c_during_start_up(data, library):
    process = start("practice", "--clip", LONG, "--headless", "--json", data=data)
    while not loaded(process, library):
        time.sleep(0.001)
    process.send_signal(signal.SIGINT)
    said = ended(process)
    assert said.status == 130
    assert said.err == ""
    assert [line["kind"] for line in said.lines] in ([], ["session"])


def session_begun(data: Path) -> bool:
    """Only looked at: opening it as the program does could get in its way."""
    path = data / "rimward.db"
    if not path.exists():
        return False
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        try:
            return connection.execute("SELECT count(*) FROM sessions").fetchone()[0] > 0
        except sqlite3.OperationalError:  # no tables yet
            return False


def test_a_clip_stands_for_its_first_picture(tmp_path, rimward):
    """Marks belong to the film that is to be measured: it need not be cut into pictures first."""
    clip = CLIPS / "good_free_throw.mp4"
    camera = json.loads(clip.with_suffix(".json").read_text("utf-8"))["camera"]
    k, r, t = (np.array(camera[name]) for name in ("K", "R", "t"))
    floor = [np.array([x, y, z]) for x in (-2.0, 0.0, 2.0) for y in (-6.0, -4.0) for z in (0.0, 1.5)]
    rays = [(place, k @ (r @ place + t)) for place in floor]
    places = [(place, ray[:2] / ray[2]) for place, ray in rays if ray[2] > 0]
    points = [
        {"world_m": place.tolist(), "px": px.tolist()}
        for place, px in places
        if (px > 0).all() and (px < (camera["width"], camera["height"])).all()
    ]
    file = {"image_size": [camera["width"], camera["height"]], "camera_matrix": k.tolist(), "points": points}
    (tmp_path / "marks.json").write_text(json.dumps(file))
    options = ("--image", clip, "--points", tmp_path / "marks.json", "--out", tmp_path / "hoop.toml")
    assert rimward("calibrate", *options).status == 0
    assert np.allclose(load_calibration(tmp_path / "hoop.toml").t, t, atol=0.02)
    refused = rimward("calibrate", "--image", __file__, *options[2:], "--overwrite")
    assert refused.status == 2
    assert refused.err.count("\n") == 1
    assert "no picture" in refused.err


def test_ctrl_c_while_the_options_are_read(monkeypatch, capsys):
    """Imports take a second: whoever starts the wrong command stops it at once."""

    def stopped(_given: object) -> None:
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(cli, "_parser", stopped)
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        assert cli.main(["bench"]) == 130
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    assert capsys.readouterr() == ("", "")


def test_nobody_reads_what_is_said(monkeypatch):
    """Started with a closed standard output, as some launchers do."""
    monkeypatch.setattr(sys, "stdout", None)
    args = SimpleNamespace(run=lambda _args, _say: 0)
    monkeypatch.setattr(cli, "_parser", lambda _given: SimpleNamespace(parse_args=lambda _: args))
    assert cli.main([]) == 0


@pytest.mark.network
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signals between programs")
@pytest.mark.parametrize(
    ("number", "again_and_again"),
    [(signal.SIGINT, False), (signal.SIGINT, True), (signal.SIGTERM, True)],
    ids=["Ctrl-C", "Ctrl-C again and again", "terminate again and again"],
)
def test_ctrl_c_in_the_session(data, number, again_and_again):
    process = start("practice", "--clip", LONG, "--headless", "--json", data=data)
    assert eventually(lambda: session_begun(data))
    process.send_signal(number)
    while again_and_again and process.poll() is None:
        process.send_signal(number)
        time.sleep(0.01)
    said = ended(process)
    assert said.status == 130
    assert said.err == ""
    ((session, _),) = saved(data)
    assert session.summary is not None
    assert session.summary.frames == said.session["frames"] < 678


@pytest.mark.network
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signals between programs")
def test_a_shot_in_its_follow_through_is_not_lost_to_ctrl_c(data, tmp_path):
    """Stopped right after the first rep of the demo was told: it is in the database and in the last line's count."""
    process = start("demo", "--headless", "--json", data=data)
    assert process.stdout is not None
    first = json.loads(process.stdout.readline())
    process.send_signal(signal.SIGINT)
    said = ended(process)
    assert said.status == 130
    ((session, reps),) = saved(data)
    assert session.summary is not None
    assert [first["index"], *(line["index"] for line in said.reps)] == [rep.index for rep in reps]
    assert said.session["reps"] == len(reps)
