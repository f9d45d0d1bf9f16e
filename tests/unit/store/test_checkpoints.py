"""Folding the log back: one at a time, only when due, and with every lock of SQLite's left where it is."""

import contextlib
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from ingest.store.file import checkpoints
from ingest.store.file.checkpoints import DUE_PAGES, Checkpoints
from ingest.store.file.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore

ROOT = Path(__file__).parents[3]

WRITER = """
import sys, time
from pathlib import Path
import numpy as np
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.sqlite_store import SqliteStore
store = SqliteStore.open(Path(sys.argv[1]))
store.keep_settled()
keys = tuple(SeriesKey(f"s{i}", q) for i in range(50) for q in ("temperature_c", "rh_percent"))
which, none = np.arange(100, dtype=np.int32), np.zeros(100, bool)
number = 0
print("ready", flush=True)
while not Path(sys.argv[2]).exists():
    at = np.full(100, 1_780_000_000_000 + number * 60_000)
    with store.transaction() as work:
        work.append(ReadingBatch(keys, which, at, np.full(100, 20.0 + number % 7), none), heard_ms=int(at[0]))
    number += 1
    print(number, store.keeper_trouble, flush=True)
    time.sleep(0.02)
store.close()
"""


def locks(path: Path) -> list[tuple[str, ...]]:
    """The kernel's list of locks on a store's files, without its own numbering."""
    inodes = {Path(f"{path}{end}").stat().st_ino: end for end in ("", "-wal", "-shm", ".lock")}
    rows = [line.split() for line in Path("/proc/locks").read_text().splitlines()]
    held = [row for row in rows if "->" not in row and int(row[5].split(":")[2]) in inodes]
    return sorted((inodes[int(row[5].split(":")[2])], *row[1:5], *row[6:]) for row in held)


def pages_waiting(path: Path) -> int:
    """Pages in the log that are not in the file, by SQLite's own word (which folds them back)."""
    with contextlib.closing(sqlite3.connect(path)) as other:
        before = other.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
    return int(before[1])


def test_an_hour_of_the_keeper_leaves_every_lock_where_it_is(store, batch, path) -> None:
    """Looking whether to fold, folding and reading beside an open unit of work: a second program stays locked out."""
    store.keep_settled().stop()  # its work is done here, by hand

    def two_seconds_of_the_keeper() -> None:
        store._fold(store._folder, at=0.0)
        store.read.extents()

    with store.transaction() as work:
        work.append(batch([1, 2], [3.0, 4.0]), heard_ms=0)
        before = locks(path)
        assert any(end == "-shm" and "WRITE" in held for end, *held in before)  # the unit of work's own
        for _ in range(1800):
            thread = threading.Thread(target=two_seconds_of_the_keeper)
            thread.start()
            thread.join()
        assert set(before) <= set(locks(path))
        begin = "import sqlite3, sys; sqlite3.connect(sys.argv[1], timeout=0).execute('BEGIN IMMEDIATE')"
        other = subprocess.run([sys.executable, "-c", begin, path], capture_output=True, text=True, check=False)
        assert "database is locked" in other.stderr
    assert store.read.extents()[0].count == 2


def beside_a_running_writer(path: Path, times: int) -> None:
    """Open, read, try to write and add keys from here, so many times, while another process stores all the time."""
    from ingest.errors import StorageError
    from ingest.store.file.opening import beside_the_writer
    from ingest.store.record import device_keys

    stop = path.with_name("stop")
    with subprocess.Popen([sys.executable, "-c", WRITER, path, stop], cwd=ROOT, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"ready\n"
        told: list[bytes] = []
        reading = threading.Thread(target=lambda: told.extend(writer.stdout))  # type: ignore[arg-type]
        reading.start()
        for number in range(times):
            with SqliteStore.open(path, read_only=True) as beside:
                counts = {one.count for one in beside.read.extents()}
                assert len(counts) <= 1  # whole commits only
            with pytest.raises(StorageError, match="another lumberroom"):
                SqliteStore.open(path)
            if number % 20 == 0:
                key = device_keys.DeviceKey(f"probe-{number}", ("s*",), 1, "somebody")
                with beside_the_writer(path) as connection:
                    device_keys.add(connection, device_keys.new_key(), key)
            assert writer.poll() is None
        stop.touch()
        reading.join()
    assert writer.returncode == 0
    acknowledged, _, trouble = told[-1].decode().strip().partition(" ")
    assert trouble == ""
    with SqliteStore.open(path, read_only=True) as after:
        assert {one.count for one in after.read.extents()} == {int(acknowledged)}
        assert len(after.read.device_keys()) == (times + 19) // 20
    assert check_integrity(path) == []


def test_a_second_program_beside_the_writer_harms_nothing(path) -> None:
    """Opened, read and refused for writing a hundred times beside a busy writer: nothing acknowledged is lost."""
    beside_a_running_writer(path, 100)


@pytest.mark.soak
def test_a_second_program_beside_the_writer_two_thousand_times(path) -> None:
    """The same for long."""
    beside_a_running_writer(path, 2_000)


def test_the_log_is_folded_back_when_enough_waits_in_it(store, put, path) -> None:
    """A writer alone keeps the log near what makes folding due, whatever a commit writes."""
    for number in range(300):
        put(np.arange(number * 200, number * 200 + 200), np.arange(200.0) + number)
    assert pages_waiting(path) < 3 * DUE_PAGES
    assert path.with_name(path.name + "-wal").stat().st_size < 3 * DUE_PAGES * 2048


def test_what_waits_is_estimated_from_what_sqlite_told(path) -> None:
    """The estimate follows the pages that a changed row really costs, and is nothing just after folding."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as writer:
        writer.execute("PRAGMA journal_mode = WAL")
        writer.execute("PRAGMA wal_autocheckpoint = 0")
        writer.execute("CREATE TABLE t (body BLOB)")
        kept = Checkpoints(writer)
        for _ in range(12):
            writer.execute("BEGIN")
            writer.executemany("INSERT INTO t VALUES (zeroblob(16000))", [()] * 100)  # four pages of 4 KiB a row
            writer.execute("COMMIT")
            guessed = kept.due() * DUE_PAGES
            assert kept.fold(writer, at=0.0)
            assert kept.due() == 0.0
        assert guessed == pytest.approx(400, rel=0.2)
        assert not kept.fold(writer)  # nothing is due


def test_checkpoints_are_made_one_at_a_time(path) -> None:
    """While somebody folds, another one leaves it, and one who must waits for the end."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None, check_same_thread=False)) as writer:
        writer.execute("PRAGMA journal_mode = WAL")
        writer.execute("CREATE TABLE t (a)")
        kept = Checkpoints(writer)
        kept._pages_a_row = 100.0
        writer.executemany("INSERT INTO t VALUES (?)", [(n,) for n in range(1000)])
        with kept._one_at_a_time:
            assert kept.due() > 1
            assert not kept.fold(writer)
            waits = threading.Thread(target=kept.fold, args=(writer,), kwargs={"at": 0.0})
            waits.start()
            waits.join(0.1)
            assert waits.is_alive()
        waits.join()


def test_no_connection_of_ours_folds_by_itself(store, path) -> None:
    """Neither the writer nor a reader nor the keeper's own: their threshold is off."""
    store.keep_settled()
    for connection in (store._writer, store._folder, store._borrow()):
        assert connection.execute("PRAGMA wal_autocheckpoint").fetchone() == (0,)


@pytest.mark.parametrize(
    ("version", "has_it"),
    [((3, 40, 1), True), ((3, 44, 6), False), ((3, 46, 1), True), ((3, 50, 6), True), ((3, 50, 7), False),
     ((3, 51, 2), True), ((3, 51, 3), False), ((3, 53, 0), False)],
)  # fmt: skip
def test_the_version_of_sqlite_is_known_by_its_fault(version, has_it) -> None:
    """The versions that SQLite's release notes name as having the WAL-reset fault, and no others, carry a caution."""
    assert bool(checkpoints.caution(version)) is has_it
