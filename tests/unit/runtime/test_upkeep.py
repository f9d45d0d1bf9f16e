"""Nightly upkeep: the store's log is folded in, a damaged file is found and said."""

from __future__ import annotations

from collections.abc import Callable

from adapters.contract import Reading
from ingest.runtime.upkeep import Upkeep
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore


async def test_tidying_folds_the_log_into_the_file(store: SqliteStore, reading: Callable[..., Reading]) -> None:
    """After tidying, what was stored stands in the file itself and not only in the log beside it."""
    with store.transaction() as work:
        work.append(ReadingBatch.of(reading(at_ms=1_790_000_000_000 + n) for n in range(2000)), heard_ms=1)
    before = store.path.stat().st_size
    await Upkeep(store, "UTC").tidy()
    assert store.path.stat().st_size > before + 2000 * 8


async def test_a_sound_store_is_found_sound_and_a_damaged_one_is_not(
    store: SqliteStore, reading: Callable[..., Reading]
) -> None:
    """The check says nothing of a sound file, and says what is wrong once bytes in its middle were overwritten."""
    upkeep = Upkeep(store, "UTC")
    with store.transaction() as work:
        work.append(ReadingBatch.of(reading(at_ms=1_790_000_000_000 + n) for n in range(5000)), heard_ms=1)
    await upkeep.tidy()
    await upkeep.check()
    assert upkeep.faults == []
    store.close()
    with store.path.open("r+b") as file:
        file.seek(store.path.stat().st_size // 2)
        file.write(b"\xff" * 4096)
    await upkeep.check()
    assert upkeep.faults != []
