"""The commands doctor and backup, as a person runs them."""

import sqlite3

import numpy as np
import pytest
from click.testing import CliRunner

from ingest.cli.main import main
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file import checkpoints
from ingest.store.file.opening import FILE_NAME
from ingest.store.series.retention import Rule
from ingest.store.sqlite_store import SqliteStore

KEY = SeriesKey("attic", "temperature_c")


@pytest.fixture
def data(tmp_path):
    """A data folder with a small store, sealed and rolled up."""
    folder = tmp_path / "data"
    folder.mkdir()
    at_ms = np.arange(5000, dtype=np.int64) * 60_000
    batch = ReadingBatch((KEY,), np.zeros(5000, np.int32), at_ms, np.full(5000, 20.25), np.zeros(5000, np.bool_))
    with SqliteStore.open(folder / FILE_NAME) as store:
        with store.transaction() as work:
            work.append(batch, heard_ms=1)
        store.settle()
    return folder


def run(*arguments: object) -> tuple[int, str]:
    """Run the command and give its exit code and all that it printed."""
    done = CliRunner().invoke(main, [str(argument) for argument in arguments])
    return done.exit_code, done.output


def test_a_sound_store_is_said_to_be_sound(data) -> None:
    """By folder and by file, exit code 0."""
    for named in (data, data / FILE_NAME):
        code, said = run("doctor", named)
        assert (code, said.splitlines()[-1]) == (0, "The store is sound.")
        assert ("can lose what was committed" in said) is bool(checkpoints.caution())


def test_damage_is_named_and_mended_on_request(data) -> None:
    """Looking says what and where and leaves exit code 3; mending says what was done; then the store is sound."""
    with sqlite3.connect(data / FILE_NAME) as connection:
        connection.execute("DELETE FROM rollup")
    connection.close()
    code, said = run("doctor", data)
    assert code == 3
    assert "cells of temperature_c are missing or wrong" in said
    assert "--mend" in said
    code, said = run("doctor", data, "--mend")
    assert code == 0
    assert "mended: rollups of attic" in said
    assert said.endswith("The store is sound again.\n")
    assert run("doctor", data)[0] == 0


def test_mending_a_store_that_is_being_written_is_refused(data) -> None:
    """The daemon must be stopped first; looking is allowed."""
    with SqliteStore.open(data / FILE_NAME) as store:
        assert run("doctor", data)[0] == 0
        with store.transaction() as work:
            work.view.connection.execute("DELETE FROM rollup")
        code, said = run("doctor", data, "--mend")
    assert code == 3
    assert "is writing this store" in said


def test_a_backup_holds_the_whole_store(data, tmp_path) -> None:
    """While the store is open for writing; an existing file is not overwritten; no store is a sentence."""
    target = tmp_path / "copy.sqlite3"
    with SqliteStore.open(data / FILE_NAME):
        code, said = run("backup", data, target)
    assert (code, said) == (0, f"{target} holds the whole store, and is sound.\n")
    with SqliteStore.open(target, read_only=True) as copy:
        assert len(copy.read.read(KEY, 0, 2**53)) == 5000
    code, said = run("backup", data, target)
    assert code == 3
    assert "there is a file already" in said
    code, said = run("backup", tmp_path, tmp_path / "other.sqlite3")
    assert code == 3
    assert "there is no store here" in said


def test_what_went_by_a_rule_is_a_note_and_no_damage(data) -> None:
    """Thinned readings, and one that came after, are told beside "sound", with exit code 0."""
    with SqliteStore.open(data / FILE_NAME) as store:
        while store.thin(Rule(keep_days=30), now_ms=200 * 86_400_000):
            pass
        late = ReadingBatch((KEY,), np.zeros(1, np.int32), np.array([60_000]), np.array([1.0]), np.zeros(1, np.bool_))
        with store.transaction() as work:
            work.append(late, heard_ms=1)
    code, said = run("doctor", data)
    assert code == 0
    assert "note: 5000 measured values up to 1970-01-05T00:00Z went by keep_readings_days; statistics stay." in said
    assert "note: 1 readings of attic from 1970-01-01T00:01Z to 1970-01-01T00:01Z came after" in said
    assert said.endswith("The store is sound.\n")


def test_a_backup_is_gone_back_to(data, tmp_path) -> None:
    """Backed up, written on, destroyed, restored: what was then is there, and what there was is kept beside it."""
    copy, path = tmp_path / "copy.sqlite3", data / FILE_NAME
    assert run("backup", data, copy)[0] == 0
    with SqliteStore.open(path) as store, store.transaction() as work:
        later = ReadingBatch((KEY,), np.zeros(1, np.int32), np.array([10**12]), np.array([1.0]), np.zeros(1, np.bool_))
        work.append(later, heard_ms=1)
    code, said = run("restore", copy, data)
    assert code == 0, said
    assert said.startswith(f"{path} is what {copy} was.\n")
    with SqliteStore.open(path, read_only=True) as store:
        assert store.read.extents()[0].count == 5000
    (kept,) = [one for one in data.iterdir() if ".before-" in one.name]
    assert str(kept) in said
    with SqliteStore.open(kept, read_only=True) as store:
        assert store.read.extents()[0].count == 5001
    assert run("doctor", data)[0] == 0
    assert copy.exists()
    path.unlink()
    kept.unlink()
    assert run("restore", copy, data) == (0, f"{path} is what {copy} was.\n")


def test_what_is_no_sound_copy_is_not_gone_back_to(data, tmp_path) -> None:
    """A damaged copy, no copy, the store itself, a running daemon: a sentence each, and the store stays as it is."""
    copy, path = tmp_path / "copy.sqlite3", data / FILE_NAME
    assert run("backup", data, copy)[0] == 0
    with SqliteStore.open(path):
        code, said = run("restore", copy, data)
        assert code == 3
        assert "is writing this store" in said
    before = path.read_bytes()
    with sqlite3.connect(copy) as connection:
        connection.execute("DELETE FROM rollup")
    connection.close()
    for bad, words in ((copy.read_bytes(), "not sound"), (b"", "is empty"), (b"x" * 5000, "not a lumberroom store")):
        copy.write_bytes(bad)
        code, said = run("restore", copy, data)
        assert code == 3
        assert words in said
    log = copy.with_name(copy.name + "-wal")
    log.write_bytes(b"x")
    code, said = run("restore", copy, data)
    log.unlink()
    assert code == 3
    assert "Make one file of both first: lumberroom backup" in said
    code, said = run("restore", path, data)
    assert code == 3
    assert "the store itself" in said
    assert path.read_bytes() == before
    assert [one.name for one in data.iterdir() if "before" in one.name or "unfinished" in one.name] == []


def test_pages_that_hold_nothing_are_not_copied(data, tmp_path) -> None:
    """A store that once held more: its copy is as small as what it holds."""
    path = data / FILE_NAME
    with sqlite3.connect(path) as connection:
        # A table of ours that held much for a while.
        connection.execute("CREATE TABLE big (body BLOB)")
        connection.execute("INSERT INTO big VALUES (randomblob(3000000))")
        connection.commit()
        connection.execute("DROP TABLE big")
    connection.close()
    assert path.stat().st_size > 3_000_000
    assert run("backup", data, tmp_path / "copy.sqlite3")[0] == 0
    assert (tmp_path / "copy.sqlite3").stat().st_size < 300_000
