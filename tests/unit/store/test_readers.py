"""Any number may read while one writes: other threads, other processes, each call seeing one state."""

import contextlib
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.integrity import check_integrity
from ingest.store.series import rows
from ingest.store.sqlite_store import MOST_IDLE, SqliteStore

ROOT = Path(__file__).parents[3]
KEYS = (SeriesKey("attic", "temperature_c"), SeriesKey("attic", "rh_percent"))
DEW_POINT = SeriesKey("attic", "dew_point_c")

# Reads until it has seen the last unit, and checks that what one call gives belongs together: every unit brings one
# temperature and one humidity for the same new instant, so a consistent state has a dew point at each of them.
READER = """
import sys
import textwrap
from pathlib import Path
from ingest.site.series import SeriesKey
from ingest.store.file.integrity import check_integrity
from ingest.store.series import rows
from ingest.store.sqlite_store import SqliteStore
units, seen, looks = int(sys.argv[2]), 0, 0
with SqliteStore.open(Path(sys.argv[1]), read_only=True) as store:
    print("ready", flush=True)
    while seen < units:
        counts = [extent.count for extent in store.read.extents()]
        assert counts[0] == counts[1], counts
        series = store.read.read(SeriesKey("attic", "dew_point_c"), 0, 2**53)
        assert len(series) >= counts[0] >= seen, (len(series), counts, seen)
        assert series.at_ms.tolist() == [600_000 * n for n in range(len(series))]
        seen, looks = len(series), looks + 1
print(looks)
"""


def pair(number: int) -> ReadingBatch:
    """One temperature and one humidity, ten minutes after those before: none can stand in for another's."""
    at_ms = np.full(2, number * 600_000)
    return ReadingBatch(KEYS, np.arange(2, dtype=np.int32), at_ms, np.array([20.0, 50.0]), np.zeros(2, np.bool_))


def test_other_processes_read_consistent_states_while_one_writes(store, put, path) -> None:
    """Two readers in processes of their own follow three hundred units of work and never see half of one."""
    with store.transaction() as work:
        work.append(pair(0), heard_ms=0)
    units = 300
    command = [sys.executable, "-c", READER, str(path), str(units)]
    with contextlib.ExitStack() as stack:
        readers = [
            stack.enter_context(subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True))
            for _ in range(2)
        ]
        for reader in readers:
            assert reader.stdout is not None
            assert reader.stdout.readline() == "ready\n"
        for number in range(1, units):
            with store.transaction() as work:
                work.append(pair(number), heard_ms=number)
        outputs = [reader.communicate(timeout=60)[0] for reader in readers]
    assert [reader.returncode for reader in readers] == [0, 0]
    assert all(int(output) >= 1 for output in outputs)


def test_threads_read_while_one_writes(store) -> None:
    """Four threads on one reader see pairs only, and connections are lent again instead of piling up."""
    done = threading.Event()
    faults: list[object] = []

    def look() -> None:
        while not done.is_set():
            counts = [extent.count for extent in store.read.extents()]
            held = store.read.buckets(DEW_POINT, np.array([0, 2**50])).count[0]
            if len(set(counts)) > 1 or held < max(counts, default=0):
                faults.append((counts, held))

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for number in range(100):
        with store.transaction() as work:
            work.append(pair(number), heard_ms=number)
    done.set()
    for thread in threads:
        thread.join()
    assert faults == []
    assert 1 <= len(store._idle) <= 4


def test_a_crowd_of_readers_leaves_few_connections_open(store) -> None:
    """Thirty threads read at the same moment: each has a connection of its own, and eight are kept for the next."""
    together = threading.Barrier(30)

    def look() -> None:
        with store._snapshot() as connection:
            together.wait(20)
            assert connection.execute("SELECT count(*) FROM series").fetchone() == (0,)

    threads = [threading.Thread(target=look) for _ in range(30)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(store._idle) == MOST_IDLE
    assert store.read.extents() == []


def test_a_reader_connection_cannot_write(store) -> None:
    """Not even by mistake: the connections for reading refuse every change."""
    with store._snapshot() as connection:
        try:
            connection.execute("DELETE FROM heard")
        except sqlite3.OperationalError as error:
            assert "readonly" in str(error)  # noqa: PT017 - inside the snapshot it would become a StorageError
        else:
            raise AssertionError("it wrote")


def test_closing_does_not_wait_for_a_long_read(store, put, path) -> None:
    """With a reader in the middle of its snapshot the store closes within seconds, and nothing is lost."""
    put([1], [20.0])
    with SqliteStore.open(path, read_only=True) as other, other._snapshot() as connection:
        assert connection.execute("SELECT count(*) FROM reading").fetchone() == (1,)
        put([2], [21.0])
        began_s = time.monotonic()
        store.close()
        assert time.monotonic() - began_s < 3.0
    with SqliteStore.open(path) as again:
        assert again.read.read(KEYS[0], 0, 10).value.tolist() == [20.0, 21.0]


def test_closing_inside_a_unit_of_work_is_our_own_mistake(store) -> None:
    """It would wait for itself for ever: refused instead."""
    with store.transaction() as work:
        work.save_judgement("hall", {})
        with pytest.raises(RuntimeError, match="open in this thread already"):
            store.close()
    assert store.read.judgement("hall") == {}


def test_what_one_call_reads_belongs_to_one_state(store, put) -> None:
    """A commit between two statements of one call is not seen by the second."""
    put([1], [20.0])
    with store._snapshot() as connection:
        assert [extent.count for extent in rows.extents(store._memory.view(connection))] == [1]
        put([2, 3], [21.0, 22.0])
        store.settle()  # seals, and lets go of the batches that this snapshot still sees
        assert [extent.count for extent in rows.extents(store._memory.view(connection))] == [1]
        assert len(rows.between(store._memory.view(connection), 1, 0, 10)) == 1
    assert len(store.read.read(KEYS[0], 0, 10)) == 3


def test_tidying_leaves_everything_readable(store, put, path) -> None:
    """Folding back the log and refreshing statistics changes no answer, also while somebody is reading."""
    put(range(5000), [20.0] * 5000)
    with SqliteStore.open(path, read_only=True) as other, other._snapshot() as connection:
        assert connection.execute("SELECT count(*) FROM reading").fetchone() == (5000,)
        store.tidy()
        put([5000], [21.0])
        assert connection.execute("SELECT count(*) FROM reading").fetchone() == (5000,)
    store.tidy()
    assert store.read.latest([KEYS[0]]) == {KEYS[0]: (5000, 21.0)}
    assert check_integrity(path) == []


@pytest.mark.parametrize("name", ["pyarrow", "pandas", "polars"])
def test_a_library_that_is_not_installed_is_named_with_its_mend(store, path, name) -> None:
    """They are no dependencies: who wants a frame and lacks the library reads what to install."""
    program = f"""
        import sys
        from pathlib import Path
        sys.modules[{name!r}] = None  # as if it were not installed
        from ingest.errors import SettingsError
        from ingest.store import open_for_reading
        with open_for_reading(Path(sys.argv[1])) as readings:
            ask = {{"pyarrow": readings.table, "pandas": readings.frame, "polars": readings.polars}}[{name!r}]
            try:
                ask(["attic"], ["rh_percent"], 0, 1)
            except SettingsError as error:
                print(error)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), str(path)],
        capture_output=True, text=True, check=False, cwd=Path(__file__).parents[3],
    )  # fmt: skip
    assert done.stdout.strip() == (
        f"{name} is not installed. Install it beside lumberroom: python -m pip install {name}"
    ), done.stderr
