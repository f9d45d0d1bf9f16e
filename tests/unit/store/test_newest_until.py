"""A reading dated ahead, by a clock that was wrong for a while, never stands for now."""

from __future__ import annotations

from pathlib import Path

from adapters.contract import Reading, Stamp
from ingest.site.series import ReadingBatch, Sample, SeriesKey
from ingest.store.api import newest_until
from ingest.store.sqlite_store import SqliteStore

NOW_MS = 1_795_600_800_000
IN_2040_MS = 2_208_988_800_000
RH, ALONE = SeriesKey("hall-1", "rh_percent"), SeriesKey("hall-2", "rh_percent")


def test_the_newest_reading_of_now_stands_though_one_is_of_the_future(tmp_path: Path) -> None:
    """Ten seconds of a clock in 2040 left 61 %; now is 80 %. A sensor that has the future alone has no now."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        readings = [
            Reading("hall-1", "rh_percent", 80.0, NOW_MS - 60_000, Stamp.SENSOR),
            Reading("hall-1", "rh_percent", 61.0, IN_2040_MS, Stamp.ARRIVAL),
            Reading("hall-2", "rh_percent", 61.0, IN_2040_MS, Stamp.ARRIVAL),
        ]
        with store.transaction() as work:
            work.append(ReadingBatch.of(readings), heard_ms=NOW_MS)
        assert store.read.latest([RH])[RH].value == 61.0
        assert newest_until(store.read, [RH, ALONE], NOW_MS) == {RH: Sample(NOW_MS - 60_000, 80.0)}
