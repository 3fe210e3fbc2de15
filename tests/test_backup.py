"""Backups: whole or not there, checked, put back, and nothing but their own files is ever taken out of one."""

from __future__ import annotations

import json
import os
import sqlite3
import stat
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from practised import Day, practise

from rimward.live import backup, rep_files
from rimward.live.errors import StoreError
from rimward.live.merge import merge
from rimward.live.restore import restore
from rimward.live.store import Store, open_store


@pytest.fixture
def store(tmp_path) -> Iterator[Store]:
    opened = practise(tmp_path / "data", "Ada", [Day(reps=5), Day(reps=3, after_days=1)])
    file = media(opened)
    file.parent.mkdir(parents=True)
    file.write_bytes(b"a picture")
    yield opened
    opened.close()


def media(store: Store) -> Path:
    return rep_files.rep_file(store.folder, store.sessions()[0].start.id, 1, "release", "jpg")


def everything(store: Store) -> list[object]:
    return [(session, store.reps(session.start.id)) for session in store.sessions()]


def test_what_is_put_back_is_what_was_there(store, tmp_path):
    before = everything(store)
    contents = backup.make(store, tmp_path / "a backup.zip")
    assert (contents.players, contents.sessions, contents.reps, len(contents.sums)) == (1, 2, 8, 2)
    assert stat.S_IMODE((tmp_path / "a backup.zip").stat().st_mode) == 0o600 or os.name != "posix"
    store.remove_player(store.player("Ada").id, everywhere=False)
    store.add_player("Bo")
    put_back, kept = restore(store, tmp_path / "a backup.zip")
    assert put_back.sums == contents.sums
    assert everything(store) == before
    assert media(store).read_bytes() == b"a picture"
    assert [player.name for player in store.players()] == ["Ada"]
    restore(store, kept)  # and what was there before that is not lost either
    assert [player.name for player in store.players()] == ["Bo"]
    assert not (store.folder / "media").exists()


def test_a_backup_is_a_plain_archive_with_a_plain_database(store, tmp_path):
    backup.make(store, tmp_path / "b.zip")
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        assert archive.testzip() is None
        archive.extract("rimward.db", tmp_path / "out")
        assert json.loads(archive.read("manifest.json"))["reps"] == 8
    with closing(sqlite3.connect(tmp_path / "out" / "rimward.db")) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert raw.execute("SELECT count(*) FROM reps").fetchone() == (8,)


def test_a_backup_can_be_merged(store, tmp_path):
    backup.make(store, tmp_path / "b.zip")
    other = open_store(tmp_path / "other")
    assert merge(other, tmp_path / "b.zip", print).reps == 8
    assert media(store).name in [path.name for path in rep_files.files_of(other.folder, media(store).parent.name)]
    other.close()


def test_nothing_is_overwritten(store, tmp_path):
    (tmp_path / "b.zip").write_text("something dear")
    with pytest.raises(StoreError, match="is there already; name a new file"):
        backup.make(store, tmp_path / "b.zip")
    assert (tmp_path / "b.zip").read_text() == "something dear"


def test_a_practice_beside_it_is_no_trouble(store, tmp_path):
    practice = open_store(store.folder)
    writer = practice.start_session(player="Ada", hand="auto", source="c", settings_digest="", app_version="")
    rep = store.reps(store.sessions()[0].start.id)[0]
    backup.make(store, tmp_path / "b.zip")
    writer.save(rep)
    restore(store, tmp_path / "b.zip")
    writer.save(store.reps(store.sessions()[0].start.id)[1])  # its session begins anew in the restored database
    assert len(practice.reps(writer.id)) >= 1
    practice.close()


def test_a_restore_waits_for_nobody_for_ever_and_leaves_all_as_it_was(store, tmp_path):
    backup.make(store, tmp_path / "b.zip")
    store.add_player("Bo")
    media(store).write_bytes(b"another picture")
    before = everything(store)
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="is held by another program; what was there is kept as"):
            restore(store, tmp_path / "b.zip")
    assert everything(store) == before
    assert [player.name for player in store.players()] == ["Ada", "Bo"]
    assert media(store).read_bytes() == b"another picture"


def test_a_restore_that_cannot_move_the_files_of_the_reps_leaves_the_database_as_it_was(store, tmp_path, monkeypatch):
    backup.make(store, tmp_path / "b.zip")
    store.add_player("Bo")

    def refused(self, target):
        raise PermissionError(13, "Permission denied", str(self))

    with monkeypatch.context() as broken:
        broken.setattr(Path, "rename", refused)
        with pytest.raises(StoreError, match=r"media cannot be used \(Permission denied\)"):
            restore(store, tmp_path / "b.zip")
    assert [player.name for player in store.players()] == ["Ada", "Bo"]
    assert media(store).exists()


def test_the_way_back_is_shown_when_the_database_is_damaged(store):
    path = backup.new_name(store)
    backup.make(store, path)
    store.close()
    store.path.write_bytes(b"no database at all" * 100)
    said: list[str] = []
    again = open_store(store.folder, said.append)
    assert again.sessions() == []
    assert f"rimward restore {path} brings back the last backup" in said[0]
    restore(again, path)
    assert len(again.sessions()) == 2
    again.close()


# ---- what is no backup


def not_an_archive(path: Path) -> None:
    path.write_text("no archive\n" * 100)


def another_archive(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("holiday.txt", "sun")


def cut_off(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-200])


def one_bit_wrong(path: Path) -> None:
    """In the middle of the packed database."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x10
    path.write_bytes(content)


def rewritten(change):
    def make(path: Path) -> None:
        with zipfile.ZipFile(path) as archive:
            files = {name: archive.read(name) for name in archive.namelist()}
        manifest = json.loads(files.pop("manifest.json"))
        change(manifest, files)
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("manifest.json", json.dumps(manifest))
            for name, content in files.items():
                archive.writestr(name, content)

    return make


def names_another_folder(manifest, files):
    files["../../evil.jpg"] = b"evil"
    manifest["sha256"]["../../evil.jpg"] = "0" * 64


def names_another_file(manifest, files):
    session = next(name for name in files if name.startswith("media/")).split("/")[1]
    files[f"media/{session}/run_me.sh"] = b"evil"
    manifest["sha256"][f"media/{session}/run_me.sh"] = "0" * 64


def holds_another_file(manifest, files):
    """Not in the list: it is left alone."""
    files["../../evil.jpg"] = b"evil"


def lacks_its_database(manifest, files):
    del files["rimward.db"]


def is_newer(manifest, files):
    manifest["version"] = 2


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda path: path.unlink(), "cannot be used|No such file"),
        (not_an_archive, "must be a backup that rimward made"),
        (another_archive, "must be a backup that rimward made"),
        (cut_off, "must be a backup that rimward made"),
        (one_bit_wrong, "is damaged|must be a backup"),
        (rewritten(names_another_folder), "names files that no backup holds"),
        (rewritten(names_another_file), "names files that no backup holds"),
        (rewritten(lacks_its_database), "must be a backup that rimward made"),
        (rewritten(is_newer), "was made by a newer program"),
    ],
)
def test_what_is_not_whole_is_refused_before_anything_is_touched(store, tmp_path, spoil, words):
    path = tmp_path / "b.zip"
    backup.make(store, path)
    spoil(path)
    before, files = everything(store), sorted(tmp_path.rglob("*.jpg"))
    with pytest.raises(StoreError, match=words):
        restore(store, path)
    assert everything(store) == before
    assert sorted(tmp_path.rglob("*.jpg")) == files
    assert not list(tmp_path.rglob("evil*"))
    assert not list(store.folder.glob("restore-*"))


def test_only_what_the_list_names_is_taken_out(store, tmp_path):
    path = tmp_path / "b.zip"
    backup.make(store, path)
    rewritten(holds_another_file)(path)
    restore(store, path)
    assert not list(tmp_path.rglob("evil*"))


def test_a_backup_that_cannot_be_written_leaves_none(store, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match="no backup was made"):
        backup.make(store, tmp_path / "file" / "b.zip")
    assert (tmp_path / "file").read_text() == "in the way"
