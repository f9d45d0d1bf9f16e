"""The keeper comes second: it waits between small pieces of its work, and hardly touches the disk beside who stores."""

import contextlib
import sqlite3
import threading
import time

import numpy as np

from ingest.store.file import giving_way, opening
from ingest.store.file.giving_way import GivingWay
from ingest.store.file.integrity import check_integrity

MINUTE = 60_000


def waited_s(gate: GivingWay) -> float:
    """For how long the keeper waits now."""
    began_s = time.monotonic()
    gate.give_way()
    return time.monotonic() - began_s


def test_the_keeper_waits_until_nobody_comes_first() -> None:
    """With nobody there it goes on at once; with two it waits for both; another thread lets it go."""
    gate = GivingWay()
    gate.begin_step()
    assert waited_s(gate) < 0.05
    first, second = gate.coming_first(), gate.coming_first()
    first.__enter__()
    second.__enter__()
    threading.Timer(0.01, first.__exit__, (None, None, None)).start()
    threading.Timer(0.04, second.__exit__, (None, None, None)).start()
    assert 0.03 < waited_s(gate) <= giving_way.MOST_S + 0.05
    assert waited_s(gate) < 0.05


def test_a_step_comes_to_an_end_beside_whom_ever() -> None:
    """One step waits so long in all and not each time, the next one again, and one that is far behind not at all."""
    gate = GivingWay()
    with gate.coming_first():
        gate.begin_step()
        assert waited_s(gate) >= 0.9 * giving_way.MOST_S
        assert waited_s(gate) < 0.5 * giving_way.MOST_S
        gate.begin_step()
        assert waited_s(gate) >= 0.9 * giving_way.MOST_S
        gate.begin_step(is_behind=True)
        assert waited_s(gate) < 0.5 * giving_way.MOST_S


def test_what_waits_in_the_log_is_what_sqlite_says(store, put, path) -> None:
    """Pages in the log that are not folded back, before and after folding, and when the log is begun anew."""
    store.tidy()
    for number in range(3):
        put(np.arange(number * 2000, number * 2000 + 2000), np.arange(2000.0))
        opening.fold_back(path, above_pages=10_000)
        waiting = opening.waiting_pages(path)
        assert waiting > 10
        # The answer of SQLite itself: whether it was held up, pages in the log, how many of them are folded back now.
        with contextlib.closing(sqlite3.connect(path)) as other:
            held_up, in_log, folded = other.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        assert (held_up, in_log, folded) == (0, waiting, waiting)
        assert opening.waiting_pages(path) == 0
    assert check_integrity(path) == []


def test_a_store_that_nobody_has_open_has_nothing_waiting(store, put, path) -> None:
    """Without the log's index there is nothing to fold, and asking makes no file."""
    put([1], [2.0])
    store.close()
    before = sorted(path.parent.iterdir())
    opening.fold_back(path, above_pages=0)
    assert sorted(path.parent.iterdir()) == before


def test_settling_leaves_the_writer_waiting_for_the_disk(store, put) -> None:
    """A step of settling commits without waiting for the disk; whoever stores after it waits again."""
    put(np.arange(100) * MINUTE, np.arange(100.0))
    assert store.settle_step()
    assert store._writer.execute("PRAGMA synchronous").fetchone() == (2,)
    with store._transaction(waits_for_disk=False) as work:
        assert work.view.connection.execute("PRAGMA synchronous").fetchone() == (1,)
    assert store._writer.execute("PRAGMA synchronous").fetchone() == (2,)
