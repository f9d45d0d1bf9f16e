"""What an office keeps of long stretches, asked for by many threads at once."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator

import numpy as np
import pytest

from ingest.central.kept_cells import DAY_MS, MOST_CELLS, KeptCells
from ingest.clock import DrivenClock
from ingest.site.series import Buckets, Int64s, SeriesKey

EDGES_MS = np.arange(300 * DAY_MS, 330 * DAY_MS + 1, 3_600_000, dtype=np.int64)


@pytest.fixture
def often_switched() -> Iterator[None]:
    """Let threads take turns a thousand times as often as they usually do."""
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(5e-6)
    yield
    sys.setswitchinterval(before_s)


@pytest.mark.usefixtures("often_switched")
def test_many_threads_ask_while_old_series_are_let_go() -> None:
    """Six threads ask for more series than are kept, as pages of an office do: each gets its buckets, none an error,
    and no more is kept than may be."""

    def counted(key: SeriesKey, from_ms: int, to_ms: int) -> Int64s:
        return np.ones((to_ms - from_ms) // DAY_MS, dtype=np.int64)

    def made(key: SeriesKey, edges_ms: Int64s) -> Buckets:
        ones = np.ones(len(edges_ms) - 1)
        return Buckets(edges_ms, ones.astype(np.int64), ones, ones, ones, ones)

    cells = KeptCells(counted, made, lambda key: 0.0, DrivenClock(400 * DAY_MS))
    went_wrong: list[Exception] = []

    def ask(thread: int) -> None:
        for number in range(400):
            try:
                found = cells.buckets(SeriesKey(f"s{thread}-{number}", "temperature_c"), EDGES_MS)
                assert found is not None
                assert found.count.sum() == len(EDGES_MS) - 1
            except Exception as error:  # noqa: BLE001 -- shown below
                went_wrong.append(error)

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert went_wrong == []
    kept = sum(len(days) * (DAY_MS // width) for (_, width), days in cells._kept.items())
    assert 0.9 * MOST_CELLS < kept == cells._held <= MOST_CELLS
