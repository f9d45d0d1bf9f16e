"""What the store acknowledged survives: sudden death (SIGKILL), full disks, failures inside a unit of work.

Against a power cut stands `synchronous=FULL`; that it is set is checked in test_schema.py, that a disk keeps its word
cannot be checked here.
"""

import contextlib
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from ingest.errors import StorageError
from ingest.site.actor import SETTINGS
from ingest.site.incidents import Incident, IncidentKind, NoticeKind
from ingest.site.places import Site
from ingest.site.series import SeriesKey
from ingest.store.api import Appended
from ingest.store.file.integrity import check_integrity
from ingest.store.series.retention import Rule
from ingest.store.sqlite_store import SqliteStore

ROOT = Path(__file__).parents[3]
KEY = SeriesKey("attic", "temperature_c")
THINNED = SeriesKey("cellar", "temperature_c")
HOUR = 3_600_000
HALF_DAY = 12 * HOUR
FAR_MS = 1_790_812_800_000
RULE = Rule(keep_days=30)
KILLS = 20

# Appends batches, each with an incident and its notice, and prints a batch's number once its unit of work is left.
# Every third batch is sent again, as a sender does that was never told that the first one arrived. Meanwhile the
# keeper seals, rolls up and deletes all the time, and another thread thins by a rule and gives room back: each batch
# has fifty minutes of the cellar too, half a day after those of the batch before, and they are kept for thirty days.
# What it has of the attic, a reading each millisecond, lies years after all that: the rule never reaches it.
WRITER = """
import sys, threading, time
from pathlib import Path
import numpy as np
from ingest.site.actor import WATCH
from ingest.site.incidents import Incident, IncidentKind, NoticeKind
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file import keeper
from ingest.store.file import keeper
from ingest.store.series.retention import Rule
from ingest.store.series import settling
from ingest.store.sqlite_store import SqliteStore
far_ms = 1_790_812_800_000
keys, number = (SeriesKey("attic", "temperature_c"), SeriesKey("cellar", "temperature_c")), int(sys.argv[2])
keeper.MOST_S = 0.002
settling.SEAL_AT, settling.SEALED_AT_ONCE, keeper._SHORTEST_REST_S, keeper._REST = 120, 60, 0.001, 0.2
store = SqliteStore.open(Path(sys.argv[1]))
store.keep_settled()
def keep_house():
    while True:
        while store.thin(Rule(keep_days=30), now_ms=number * 43_200_000):
            pass
        while store.give_back_room(pages=3):
            pass
        time.sleep(0.002)
threading.Thread(target=keep_house, daemon=True).start()
while True:
    for again in range(2 if number % 3 == 0 else 1):
        each, cellar_ms = np.arange(number * 50, number * 50 + 50), number * 43_200_000 + np.arange(50) * 60_000
        batch = ReadingBatch(keys, np.repeat(np.arange(2, dtype=np.int32), 50), np.append(far_ms + each, cellar_ms),
                             np.append(each * 0.1, number + np.arange(50) / 100), np.zeros(100, np.bool_))
        with store.transaction() as work:
            work.append(batch, heard_ms=number)
            incident = Incident(f"i-{number}", "hall", "attic", IncidentKind.WINDOW, number, number, "")
            work.put_incident(incident, at_ms=number, by=WATCH)
            if not again:
                work.add_notice(incident=incident.id, kind=NoticeKind.OPENED, channel="mail", recipient="anna",
                                facts={}, created_ms=number)
        print(number, flush=True)
        time.sleep(0.002)
    number += 1
"""


def acknowledged_before_the_kill(path: Path, first: int, after_s: float) -> int:
    """Let a writer run, kill it with SIGKILL after some time, and give the last number that it acknowledged."""
    with subprocess.Popen([sys.executable, "-c", WRITER, path, str(first)], cwd=ROOT, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        last = int(writer.stdout.readline())
        time.sleep(after_s)
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().decode().splitlines(keepends=True)
    numbers = [int(line) for line in rest if line.endswith("\n")]
    return max([last, *numbers])


def test_killed_twenty_times_nothing_acknowledged_is_lost_and_nothing_is_there_twice() -> None:
    """After each SIGKILL at a random instant: sound file, all acknowledged batches whole, the next whole or absent."""
    kill_again_and_again(KILLS, check_each=1)


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_killed_three_hundred_times() -> None:
    """The same for long: storing, sealing, rolling up, deleting, thinning, giving room back are each hit many times."""
    kill_again_and_again(300, check_each=10)


def kill_again_and_again(kills: int, *, check_each: int) -> None:
    """Kill writers on one store; look at everything after each `check_each` kills and at the end."""
    rng = random.Random(20261125)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        acknowledged = -1
        for kill in range(kills):
            acknowledged = acknowledged_before_the_kill(path, acknowledged + 1, rng.uniform(0.0, 0.12))
            if kill % check_each == 0 or kill == kills - 1:
                assert check_integrity(path) == []
            all_is_there(path, acknowledged)
        assert acknowledged > kills
        with SqliteStore.open(path) as store:
            with store.transaction() as work:
                assert work.view.connection.execute("SELECT count(*) FROM chunk").fetchone()[0] > 0
                assert work.view.connection.execute("SELECT count(*) FROM rollup").fetchone()[0] > 0
            assert store.read.read(THINNED, 0, 2**53).at_ms[0] > 0, "those that were killed had thinned"
            store.settle()
            while store.thin(RULE, now_ms=(acknowledged + 1) * HALF_DAY):
                pass
            while store.give_back_room():
                pass
        all_is_there(path, acknowledged)
        assert check_integrity(path) == []


def all_is_there(path: Path, acknowledged: int) -> None:
    """Every acknowledged batch, with its incident and notice, exactly once, and at most the next one besides.

    Of the cellar, what the rule keeps is there, what is gone went from the beginning, and every hour is still counted.
    """
    with SqliteStore.open(path, read_only=True) as store:
        series = store.read.read(KEY, 0, 2**53)
        batches, remainder = divmod(len(series), 50)
        assert remainder == 0
        assert batches in (acknowledged + 1, acknowledged + 2)
        np.testing.assert_array_equal(series.at_ms, FAR_MS + np.arange(len(series)))
        np.testing.assert_array_equal(series.value, np.arange(len(series)) * 0.1)
        incidents = store.read.incidents(limit=10**6)
        assert sorted(i.opened_ms for i in incidents) == list(range(batches))
        assert {n.incident for n in store.read.notices(limit=10**6)} == {f"i-{n}" for n in range(batches)}
        what_the_rule_keeps_is_there(store, batches)


def what_the_rule_keeps_is_there(store: SqliteStore, batches: int) -> None:
    """The newest thirty days to the reading, what is left before them too, and the statistics of all that ever was."""
    number = np.arange(batches).repeat(50)
    at_ms, value = (
        number * HALF_DAY + np.tile(np.arange(50), batches) * 60_000,
        number + np.tile(np.arange(50), batches) / 100,
    )
    left = store.read.read(THINNED, 0, 2**53)
    gone = len(at_ms) - len(left)
    assert gone == 0 or at_ms[gone - 1] < batches * HALF_DAY - RULE.keep_days * 2 * HALF_DAY
    np.testing.assert_array_equal(left.at_ms, at_ms[gone:])
    np.testing.assert_array_equal(left.value, value[gone:])
    hours = store.read.buckets(THINNED, np.arange(0, batches * HALF_DAY + 1, HOUR))
    np.testing.assert_array_equal(hours.count, np.tile([50, *[0] * 11], batches))
    np.testing.assert_array_equal(hours.minimum[::12], np.arange(batches))
    np.testing.assert_array_equal(hours.maximum[::12], np.arange(batches) + 0.49)


def everything(path: Path) -> list[list[tuple[object, ...]]]:
    """Give every row of every table."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY 1")]
        return [connection.execute(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall() for name in names]


def write_some_of_everything(work, batch) -> None:
    """Write to every table there is."""
    work.append(batch([1, 2, 3], [20.0, 99.0, 22.0]), heard_ms=50)
    work.append(batch([1], [5.0], sensor="new"), heard_ms=50)
    work.save_site(Site("other"), at_ms=50, by=SETTINGS)
    work.save_judgement("hall", {"state": "out"})
    work.put_incident(Incident("i", "hall", "attic", IncidentKind.OFFLINE, 1, 2, ""), at_ms=50, by=SETTINGS)
    work.add_notice(incident="i", kind=NoticeKind.OPENED, channel="mail", recipient="a", facts={}, created_ms=50)


def test_a_unit_that_fails_leaves_nothing(store, put, batch, path) -> None:
    """An exception at the end of a unit that wrote everywhere leaves each table as it was, and the next unit works."""
    put([1, 2], [20.0, 21.0])
    before = everything(path)
    with contextlib.suppress(ZeroDivisionError), store.transaction() as work:
        write_some_of_everything(work, batch)
        assert work.read.latest([KEY]) == {KEY: (3, 22.0)}
        raise ZeroDivisionError
    assert everything(path) == before
    with store.transaction() as work:
        write_some_of_everything(work, batch)
    assert everything(path) != before
    assert check_integrity(path) == []


def test_nothing_is_seen_from_outside_before_the_end(store, batch) -> None:
    """What a unit has written is seen inside it at once, and by other readers only after it."""
    with store.transaction() as work:
        work.append(batch([1], [20.0]), heard_ms=1)
        assert len(work.read.read(KEY, 0, 10)) == 1
        assert len(store.read.read(KEY, 0, 10)) == 0
    assert len(store.read.read(KEY, 0, 10)) == 1


def test_a_unit_is_over_when_it_is_over(store, batch) -> None:
    """Writing through a unit that has ended, or opening one inside another, is a plain mistake of ours."""
    with store.transaction() as work:
        with pytest.raises(RuntimeError, match="open in this thread already"), store.transaction():
            pass
        work.save_judgement("hall", {"state": "out"})
    assert store.read.judgement("hall") == {"state": "out"}
    with pytest.raises(RuntimeError, match="this unit of work is over"):
        work.append(batch([1], [20.0]), heard_ms=1)
    with pytest.raises(RuntimeError, match="this unit of work is over"):
        work.read.heard()


def test_units_of_several_threads_come_one_after_another(store, batch, path) -> None:
    """Eight threads writing at once: every batch is there, none mixed with another."""

    def write(sensor: str) -> None:
        for number in range(10):
            with store.transaction() as work:
                work.append(batch([number], [float(number)], sensor=sensor), heard_ms=number)
                work.append(batch([number], [40.0], sensor=sensor, quantity="rh_percent"), heard_ms=number)

    threads = [threading.Thread(target=write, args=(f"s{n}",)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [extent.count for extent in store.read.extents()] == [10] * 16
    assert check_integrity(path) == []


def test_a_full_store_says_so_keeps_what_it_has_and_goes_on(store, put, path) -> None:
    """SQLITE_FULL in earnest, by the page limit: a sentence, nothing of the unit, and storing works again later."""
    put([1], [20.0])
    pages = store._writer.execute("PRAGMA page_count").fetchone()[0]
    store._writer.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StorageError, match=r"the disk is full.*Make room"):
        put(np.arange(10, 10_000), np.zeros(9_990))
    assert store.read.read(KEY, 0, 2**40).at_ms.tolist() == [1]
    store._writer.execute("PRAGMA max_page_count = 1073741823")
    assert put(np.arange(10, 10_000), np.zeros(9_990)) == Appended(9_990, 0, 0)
    assert check_integrity(path) == []


def test_a_full_disk_says_so_keeps_what_it_has_and_goes_on(tmp_path, batch) -> None:
    """The same on a small file system that really runs full: all that was acknowledged is there, then room is made."""
    folder = tmp_path / "card"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(folder)]
    if subprocess.run(command, check=False, capture_output=True).returncode != 0:
        pytest.skip("this machine lets us mount nothing")
    try:
        (folder / "other").write_bytes(bytes(200_000))
        fill_up_and_go_on(folder / "a.sqlite3", folder / "other", batch)
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def fill_up_and_go_on(path: Path, other: Path, batch) -> None:
    """Store until the disk is full, look at what is there, make room, go on."""
    with SqliteStore.open(path) as store:
        stored, refusal = 0, ""
        while not refusal and stored < 10**6:
            try:
                with store.transaction() as work:
                    work.append(batch(np.arange(stored, stored + 100), np.full(100, 20.0)), heard_ms=1)
                stored += 100
            except StorageError as error:
                refusal = str(error)
        assert "the disk is full, so nothing more can be stored. Make room" in refusal
        assert stored > 500
        np.testing.assert_array_equal(store.read.read(KEY, 0, 2**40).at_ms, np.arange(stored))
        other.unlink()
        with store.transaction() as work:
            work.append(batch(np.arange(stored, stored + 100), np.full(100, 20.0)), heard_ms=1)
        np.testing.assert_array_equal(store.read.read(KEY, 0, 2**40).at_ms, np.arange(stored + 100))
    assert check_integrity(path) == []
