"""A log that is damaged in its middle: what SQLite passes over is counted, told, and never forgotten."""

import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from ingest.errors import StorageError
from ingest.store.file import doctor, write_ahead_log
from ingest.store.sqlite_store import SqliteStore


@pytest.fixture
def left(path, batch) -> Path:
    """A store as a crash left it: two hundred commits, of which the log alone knows."""
    crashed = path.with_name("crashed.sqlite3")
    with SqliteStore.open(path) as store:
        for number in range(200):
            with store.transaction() as work:
                work.append(batch([number], [20.0 + number]), heard_ms=number)
        for end in ("", "-wal"):
            shutil.copyfile(f"{path}{end}", f"{crashed}{end}")
    return crashed


def turn_a_bit(log: Path, at: int) -> None:
    """Turn one bit."""
    with log.open("r+b") as file:
        file.seek(at)
        (byte,) = file.read(1)
        file.seek(at)
        file.write(bytes([byte ^ 16]))


def test_a_sound_log_loses_nothing(left) -> None:
    """Its sums, worked out are those that SQLite wrote; what an earlier round left behind it does not count."""
    assert write_ahead_log.loss(left) is None
    log = left.with_name(left.name + "-wal")
    whole = log.read_bytes()
    with log.open("ab") as file:
        file.write(whole[32 : 32 + 5 * (24 + 2048)].replace(whole[16:24], b"otherlog"))
    assert write_ahead_log.loss(left) is None or write_ahead_log.loss(left).commits == 0
    assert write_ahead_log.loss(left.with_name("nothing")) is None


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5])
def test_commits_behind_a_turned_bit_are_counted_told_and_remembered(left, share) -> None:
    """At the start, by the doctor, and by the doctor again when the log has long been written anew."""
    log = left.with_name(left.name + "-wal")
    turn_a_bit(log, 16 if share == 0.0 else int(share * log.stat().st_size))
    lost = write_ahead_log.loss(left)
    assert lost is not None
    assert lost.commits == pytest.approx(200 * (1 - share), abs=4)
    assert any("acknowledged cannot be read" in fault for fault in doctor.examine(left).faults)
    with SqliteStore.open(left) as store:
        kept = store.read.extents()[0].count if store.read.extents() else 0
        assert kept == pytest.approx(200 * share, abs=4)
        assert any(f"at least {lost.commits - 1} commits" in told for told in store.damage)
    assert any("acknowledged cannot be read" in note for note in doctor.examine(left).notes)


def test_a_last_commit_that_is_not_whole_is_no_loss_by_itself(left) -> None:
    """As a power cut leaves it: said in passing, since nobody can tell it from damage to the newest commit."""
    log = left.with_name(left.name + "-wal")
    turn_a_bit(log, log.stat().st_size - 100)
    assert "After a power cut nothing acknowledged is lost" in str(write_ahead_log.loss(left))
    with SqliteStore.open(left) as store:
        assert store.damage == []


def test_a_lost_log_is_not_taken_for_an_older_edition(path) -> None:
    """A file in which nothing stands yet, its log gone, says so; a new store's file stands by itself from the start."""
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
    connection.close()
    with pytest.raises(StorageError, match="its log, which is missing or damaged"):
        SqliteStore.open(path, read_only=True)
    other = path.with_name("other.sqlite3")
    with SqliteStore.open(other):
        shutil.copyfile(other, path)
    with SqliteStore.open(path, read_only=True) as store:
        assert store.read.extents() == []


def test_sums_of_any_bytes_are_sqlites(tmp_path) -> None:
    """Logs of SQLite's own making, with pages of several sizes and random content, and any one bit of theirs turned."""
    chance = random.Random(3)
    for page_size in (512, 2048, 4096, 65536):
        path = tmp_path / f"{page_size}.sqlite3"
        connection = sqlite3.connect(path, isolation_level=None)
        connection.execute(f"PRAGMA page_size = {page_size}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute("CREATE TABLE t (body BLOB)")
        for _ in range(5):
            connection.execute("INSERT INTO t VALUES (randomblob(3000))")
        copy = tmp_path / "copy.sqlite3"
        log = shutil.copyfile(f"{path}-wal", f"{copy}-wal")
        assert write_ahead_log.loss(copy) is None
        turn_a_bit(Path(log), 32 + 24 + chance.randrange(page_size))
        assert write_ahead_log.loss(copy).commits >= 5
        connection.close()
