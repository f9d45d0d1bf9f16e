"""What the store's tests share: a real file, and batches made in one line."""

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

Batch = Callable[..., ReadingBatch]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a store's file may be made."""
    return tmp_path / FILE_NAME


@pytest.fixture
def store(path: Path) -> Iterator[SqliteStore]:
    """A new store in a real file."""
    with SqliteStore.open(path) as opened:
        yield opened


@pytest.fixture
def batch() -> Batch:
    """Make a batch of one series: batch([at_ms ...], [value ...], sensor=..., quantity=...)."""

    def make(
        at_ms: object, value: object, *, sensor: str = "attic", quantity: str = "temperature_c", arrival: bool = False
    ) -> ReadingBatch:
        instants = np.array(at_ms, dtype=np.int64)
        return ReadingBatch(
            (SeriesKey(sensor, quantity),),
            np.zeros(len(instants), dtype=np.int32),
            instants,
            np.array(value, dtype=np.float64),
            np.full(len(instants), arrival),
        )

    return make


@pytest.fixture
def put(store: SqliteStore, batch: Batch) -> Callable[..., object]:
    """Store a batch of one series in a unit of work of its own and say what became of it."""

    def store_it(at_ms: object, value: object, *, heard_ms: int = 0, live: bool = True, **series: str) -> object:
        with store.transaction() as work:
            return work.append(batch(at_ms, value, **series), heard_ms=heard_ms, live=live)

    return store_it
