"""Exports: every value is in the files with its unit and meaning, and other programs can read them."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path

import c3d
import numpy as np
import pytest
from practised import Day, practise

from rimward.live import export
from rimward.live.errors import StoreError
from rimward.live.glossary import TERMS
from rimward.live.mocap import evenly, write_c3d
from rimward.live.records import Events
from rimward.live.store import Store
from rimward.live.trace import Space, Trace
from rimward.live.traces import save_trace

NAMES = ("right_elbow", "right_wrist", "ball")


@pytest.fixture
def store(tmp_path) -> Iterator[Store]:
    hidden = {"knee_min_deg": "the knee was outside the picture"}
    practise(tmp_path / "data", '=Ada <b>"Q"</b>', [Day(reps=4, made=0.5, hidden=hidden)], seed=1).close()
    opened = practise(tmp_path / "data", "Émile", [Day(reps=2, after_days=1)], seed=2)
    yield opened
    opened.close()


def written(store: Store, folder: Path, formats=export.FORMATS) -> Path:
    export.export(store, store.players(), store.sessions(), folder, formats)
    return folder


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_every_value_is_in_the_tables(store, tmp_path):
    out = written(store, tmp_path / "out")
    rows = {(row["session"], int(row["rep"])): row for row in table(out / "reps.csv")}
    long = {(row["session"], int(row["rep"]), row["measurement"]): row for row in table(out / "measurements.csv")}
    count = 0
    for session in store.sessions():
        for rep in store.reps(session.start.id):
            row = rows[session.start.id, rep.index]
            assert float(row["release_s"]) == pytest.approx(rep.events.release_s, abs=1e-4)
            assert row["result"] == (rep.result or "")
            said = row["praise"], row["asked"], row["answer"]
            assert said == (rep.praise or "", str(rep.answer is not None).lower(), rep.answer or "")
            for name, measured in rep.measurements.items():
                own = long[session.start.id, rep.index, name]
                count += 1
                if measured.value is None:
                    assert (row[name], own["value"], own["reason"]) == ("", "", measured.reason)
                    continue
                assert float(row[name]) == float(own["value"]) == pytest.approx(measured.value, abs=1e-4)
                assert float(row[f"{name}_sigma"]) == float(own["sigma"]) == pytest.approx(measured.sigma, rel=0.01)
                assert own["basis"] == measured.basis
    assert count == len(long)
    assert len(rows) == 6


def test_json_lines_hold_the_same(store, tmp_path):
    out = written(store, tmp_path / "out")
    lines = [json.loads(line) for line in (out / "history.jsonl").read_text("utf-8").splitlines()]
    kinds = [line["kind"] for line in lines]
    assert (kinds.count("player"), kinds.count("session"), kinds.count("rep")) == (2, 2, 6)
    rep = next(line for line in lines if line["kind"] == "rep")
    assert rep["session"] == store.sessions()[0].start.id
    assert rep["measurements"]["knee_min_deg"] == {"value": None, "reason": "the knee was outside the picture"}


def test_every_column_is_in_the_dictionary(store, tmp_path):
    out = written(store, tmp_path / "out")
    said = {(row["file"], row["column"]): row for row in table(out / "dictionary.csv")}
    for name in ("players", "targets", "sessions", "reps", "measurements", "notes"):
        with (out / f"{name}.csv").open(encoding="utf-8-sig", newline="") as file:
            for column in next(csv.reader(file)):
                assert said[f"{name}.csv", column]["definition"], column
    assert said["reps.csv", "release_speed_mps"]["unit"] == "m/s"
    assert said["reps.csv", "elbow_at_set_deg"]["unit"] == "degrees"
    assert said["reps.csv", "dip_m"]["unit"] == "m"


@pytest.mark.parametrize("name", TERMS)
def test_every_measurement_has_a_unit(name):
    assert export.unit_of(name) in ("degrees", "m/s", "m", "s")


def test_texts_that_a_spreadsheet_would_run_are_marked(store, tmp_path):
    session = store.sessions()[0].start.id
    store.add_note(session, '=HYPERLINK("http://evil")', rep_index=1)
    store.add_note(session, 'two\nlines, with "quotes"')
    out = written(store, tmp_path / "out")
    assert {row["name"] for row in table(out / "players.csv")} == {'\'=Ada <b>"Q"</b>', "Émile"}
    assert [row["text"] for row in table(out / "notes.csv")] == [
        '\'=HYPERLINK("http://evil")',
        'two\nlines, with "quotes"',
    ]


def test_only_what_was_asked_for(store, tmp_path):
    emile = store.player("Émile")
    export.export_player(store, emile, tmp_path / "one")
    assert {row["player"] for row in table(tmp_path / "one" / "reps.csv")} == {"Émile"}
    written(store, tmp_path / "lines", ("jsonl",))
    assert sorted(path.name for path in (tmp_path / "lines").iterdir()) == ["dictionary.csv", "history.jsonl"]


def test_a_folder_with_files_is_left_alone(store, tmp_path):
    (tmp_path / "notes.txt").write_text("dear")
    with pytest.raises(StoreError, match="must be a new or empty folder"):
        written(store, tmp_path)
    with pytest.raises(StoreError, match=r"must lie in a folder that is there, found no .*notes\.txt;"):
        written(store, tmp_path / "notes.txt" / "out")


# ---- the skeleton

EVENTS = Events(None, None, 10.1, 10.5, 10.9, None, None)


def space() -> Space:
    """Points that move evenly, one of them hidden at two instants; times of a camera that now and then misses one."""
    t_s = np.array([10.0, 10.1, 10.2, 10.3, 10.5, 10.6, 10.7, 10.8, 10.9, 11.0])
    points = np.zeros((len(t_s), 3, 3))
    points[:, 0] = [1.0, -4.0, 1.5]
    points[:, 1] = np.stack([t_s - 10, -4.0 + 0 * t_s, 2.0 + (t_s - 10)], axis=1)
    points[:, 2] = points[:, 1] + [0.0, 0.1, 0.2]
    points[6:8, 0] = np.nan
    return Space(t_s, points, np.full_like(points, 0.02), NAMES)


@pytest.mark.filterwarnings("ignore:No analog data")
def test_the_skeleton_as_another_program_reads_it(tmp_path):
    """Read with `c3d`, an implementation of the format that shares nothing with the writer's."""
    path = tmp_path / "shot.c3d"
    write_c3d(path, space(), EVENTS)
    with path.open("rb") as file:
        reader = c3d.Reader(file)
        assert [label.strip() for label in reader.point_labels] == list(NAMES)
        assert reader.point_rate == pytest.approx(10.0)
        assert reader.get("POINT:UNITS").string_value.strip() == "mm"
        named = [label.strip() for label in reader.get("EVENT:LABELS").string_array]
        minutes, seconds = reader.get("EVENT:TIMES").float_array.T
        assert dict(zip(named, seconds, strict=True)) == pytest.approx({"set": 0.5, "release": 0.9, "knee_min": 0.1})
        assert not minutes.any()
        frames = [points for _, points, _ in reader.read_frames()]
    assert len(frames) == 11
    np.testing.assert_allclose(frames[3][1, :3], [300.0, -4000.0, 2300.0], atol=0.1)
    np.testing.assert_allclose(frames[4][1, :3], [400.0, -4000.0, 2400.0], atol=0.1)  # between two that were lifted
    assert frames[3][1, 3] == 0  # by the format: computed
    assert [frame[0, 3] == -1 for frame in frames] == [False] * 7 + [True] * 2 + [False] * 2


def test_a_shot_at_an_even_rate_is_what_it_was_at_its_own_instants():
    t_s, points = evenly(space())
    np.testing.assert_allclose(np.diff(t_s), 0.1)
    np.testing.assert_allclose(points[2, 1], [0.2, -4.0, 2.2])
    with pytest.raises(ValueError, match="two instants or more"):
        evenly(Space(np.array([1.0]), np.zeros((1, 3, 3)), np.ones((1, 3, 3)), NAMES))


def test_lifted_shots_are_exported_and_the_others_are_not(store, tmp_path):
    session = store.sessions()[0].start.id
    flat = Trace(
        (640, 480), 100.0, np.arange(2), np.array([10.0, 10.1]), np.full((2, 33, 2), np.nan), np.zeros((2, 33)),
        np.full((2, 3), np.nan),
    )  # fmt: skip
    save_trace(store.folder, session, 1, flat)
    lifted = Trace(
        flat.size, flat.px_per_m, flat.frames, flat.t_s, flat.landmarks_px, flat.trust, flat.ball_px, space()
    )
    save_trace(store.folder, session, 2, lifted)
    out = written(store, tmp_path / "out")
    assert sorted(path.name for path in (out / "skeletons").iterdir()) == [
        f"{session}_0002.c3d",
        f"{session}_0002.csv",
    ]
    rows = table(out / "skeletons" / f"{session}_0002.csv")
    assert len(rows) == 3 * 10 - 2
    assert rows[1]["point"] == "right_wrist"
    assert float(rows[1]["z_m"]) == pytest.approx(2.0, abs=0.001)
