"""A log that was lost or cut while nobody looked: what had been acknowledged is known beside the file, and missed."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from ingest.cli.main import main
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file import doctor, newest
from ingest.store.file.copying import restore
from ingest.store.sqlite_store import SqliteStore

T0 = 1_795_600_800_000
MINUTE = 60_000
PARTS = ("", "-wal", newest.NOTE)


def copied(path: Path, name: str) -> Path:
    """The files as a crash leaves them at this moment."""
    crashed = path.with_name(name)
    for end in PARTS:
        shutil.copyfile(f"{path}{end}", f"{crashed}{end}")
    return crashed


def stored(store: SqliteStore, batch, numbers: range) -> None:
    for number in numbers:
        with store.transaction() as work:
            work.append(batch([number], [20.0]), heard_ms=T0 + number * MINUTE)


@pytest.fixture
def crashed(path, batch) -> Path:
    """A daemon that was killed: fifty changes are in the file, fifty more in its log alone."""
    with SqliteStore.open(path) as store:
        store.keep_settled().stop()  # its steps are taken here, by hand
        stored(store, batch, range(50))
        store.tidy()
        stored(store, batch, range(50, 100))
        store._noted_s = -newest.EVERY_S  # a minute later
        store._keep()
        return copied(path, "crashed.sqlite3")


@pytest.mark.parametrize("is_cut", [False, True])
def test_changes_of_a_lost_or_cut_log_are_missed_until_that_is_acknowledged(crashed, is_cut) -> None:
    """Read-only, at every start and by the doctor: which changes, and of about when; by `--acknowledge` it is over."""
    log = crashed.with_name(crashed.name + "-wal")
    if is_cut:  # behind a whole commit, where a log that is as it should be may end as well
        with log.open("r+b") as file:
            file.truncate(32 + (log.stat().st_size // (24 + 2048) // 2) * (24 + 2048))
    else:
        log.unlink()
    with SqliteStore.open(crashed, read_only=True) as store:
        there = store.read.newest_change()
        (told,) = store.damage
    assert 50 <= there < 100
    assert f"changes {there + 1} to 100, of about 2026-11-25T" in told
    assert "are missing: the log beside the store was lost or cut" in told
    assert told in doctor.examine(crashed).faults
    for _ in range(2):
        with SqliteStore.open(crashed) as store:
            assert len([one for one in store.damage if told in one]) == 1
    assert any(told in note for note in doctor.examine(crashed).notes)
    said = CliRunner().invoke(main, ["doctor", str(crashed), "--acknowledge"])
    assert (said.exit_code, "acknowledged: 1 found" in said.output) == (0, True)
    with SqliteStore.open(crashed) as store:
        assert store.damage == []
    assert any("acknowledged earlier" in note for note in doctor.examine(crashed).notes)


def test_mending_notes_what_is_missing_and_says_so_once(crashed) -> None:
    """`doctor --mend` cannot bring it back: it is lost, kept as known, and the file is sound."""
    crashed.with_name(crashed.name + "-wal").unlink()
    findings = doctor.mend(crashed)
    assert findings.has_lost
    assert findings.left == ()
    assert any("changes 51 to 100" in note for note in doctor.examine(crashed).notes)


def test_a_whole_log_is_missed_by_nobody(crashed, path) -> None:
    """Neither after a crash nor after an orderly stop."""
    for one in (crashed, path):
        assert doctor.examine(one).faults == ()
        with SqliteStore.open(one) as store:
            assert store.damage == []
            assert store.read.newest_change() == 100


def test_entries_of_the_record_and_imports_are_missed_too(path, batch) -> None:
    """What brings no batch with a number: an entry of the record, readings that went straight into chunks."""
    with SqliteStore.open(path) as store:
        stored(store, batch, range(2))
        store.tidy()
        with store.transaction() as work:
            work.append(
                ReadingBatch(
                    (SeriesKey("hall", "rh_percent"),), np.zeros(30_000, np.int32), T0 + np.arange(30_000) * 1000,
                    np.full(30_000, 50.0), np.zeros(30_000, bool),
                ), heard_ms=T0, live=False,
            )  # fmt: skip
        with store._snapshot() as connection:
            store._write_note(connection)
        lost = copied(path, "lost.sqlite3")
    lost.with_name(lost.name + "-wal").unlink()
    assert any("readings that were imported" in fault for fault in doctor.examine(lost).faults)


def test_idle_nothing_is_written(path, batch) -> None:
    """Minutes with nothing new leave the note as it is; only its owner may read it."""
    with SqliteStore.open(path) as store:
        store.keep_settled()
        stored(store, batch, range(3))
        store._noted_s = -newest.EVERY_S
        while (noted := newest.noted(path)) is None or noted.change < 3:
            time.sleep(0.05)
        store.keep_settled().stop()
        note = path.with_name(path.name + newest.NOTE)
        before = note.stat()
        assert before.st_mode & 0o777 == 0o600
        for _ in range(3):
            store._noted_s = -newest.EVERY_S
            with store.transaction() as work:  # a commit that acknowledges no change
                work.save_judgement("hall", {"state": "in"})
            store._keep()
        assert note.stat().st_mtime_ns == before.st_mtime_ns
    assert note.stat().st_mtime_ns == before.st_mtime_ns
    with SqliteStore.open(path):
        assert note.stat().st_mtime_ns == before.st_mtime_ns


def test_an_older_copy_or_a_new_store_in_its_place_lacks_nothing(path, batch, tmp_path) -> None:
    """Who goes back to a backup, or begins anew, knows it: nothing is said to be missing."""
    copy = tmp_path / "copy.sqlite3"
    with SqliteStore.open(path) as store:
        stored(store, batch, range(3))
        store.backup(copy)
        stored(store, batch, range(3, 9))
    restore(copy, path, stamp="x")
    with SqliteStore.open(path) as store:
        assert store.damage == []
        assert store.read.newest_change() == 3
    path.unlink()
    with SqliteStore.open(path) as store:
        assert store.damage == []


def test_a_note_that_is_half_written_says_the_rest_or_nothing(path, batch) -> None:
    """Two slots by turns, each with its check: a turned bit costs at most the newer one, and tells nothing wrong."""
    with SqliteStore.open(path) as store:
        for number in range(2):
            stored(store, batch, range(number, number + 1))
            with store._snapshot() as connection:
                store._write_note(connection)
    note = path.with_name(path.name + newest.NOTE)
    whole = note.read_bytes()
    assert newest.noted(path).change == 2
    for at in range(len(whole)):
        note.write_bytes(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
        assert newest.noted(path).change in (1, 2)
    note.write_bytes(whole[:100])
    assert newest.noted(path) is None or newest.noted(path).change in (1, 2)
    note.write_bytes(b"\xff" * 512)
    assert newest.noted(path) is None
