"""A year of weeks from readings every minute, against merely reading those rows: prints seconds and their ratio.

Run it with `python tests/benchmarks/bench_weeks.py`. The store is a real file in a temporary folder, one sensor,
temperature and RH each minute for 365 days; the peer reads both series out of the file with a cursor of the standard
library's sqlite3 and does nothing with them. Both run on the same machine one after the other, several rounds.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from ingest.practice.weeks import week_by_week
from ingest.site.actor import SETTINGS
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

MINUTES = 365 * 1440
FROM_MS = 1_767_225_600_000
WINDOW = AcclimationWindow(Bounds(16.0, 24.0), Bounds(30.0, 50.0), Bounds(6.0, 9.0))
SITE = Site("Bench", "Europe/Berlin", rooms=(Room("room", "Room", WINDOW),), sensors=(Sensor("a", "room"),))
ROUNDS = 3


def fill(path: Path) -> None:
    """Write a year of a room that drifts in and out of range, seeded."""
    random = np.random.default_rng(3)
    at_ms = FROM_MS + np.arange(MINUTES, dtype=np.int64) * 60_000
    temperature_c = 20 + 3 * np.sin(np.arange(MINUTES) / 200) + random.normal(0, 0.1, MINUTES)
    rh_percent = 40 + 12 * np.sin(np.arange(MINUTES) / 30_000) + random.normal(0, 0.5, MINUTES)
    with SqliteStore.open(path) as store, store.transaction() as work:
        work.save_site(SITE, at_ms=FROM_MS, by=SETTINGS)
        for quantity, value in (("temperature_c", temperature_c), ("rh_percent", rh_percent)):
            index, stamps = np.zeros(MINUTES, dtype=np.int32), np.zeros(MINUTES, dtype=np.bool_)
            batch = ReadingBatch((SeriesKey("a", quantity),), index, at_ms, value, stamps)
            work.append(batch, heard_ms=FROM_MS, live=False)


def seconds(work: Callable[[], object]) -> float:
    """Give the best time of several rounds."""
    times = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return min(times)


def main() -> int:
    """Time both, print one JSON line, and fail where a year takes more than four times as long as reading its rows."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / FILE_NAME
        fill(path)
        to_ms = FROM_MS + MINUTES * 60_000
        with SqliteStore.open(path, read_only=True) as store:
            found = len(week_by_week(store.read, SITE, SITE.rooms[0], FROM_MS, to_ms))
            ours_s = seconds(lambda: week_by_week(store.read, SITE, SITE.rooms[0], FROM_MS, to_ms))
        with sqlite3.connect(path) as connection:
            peer_s = seconds(lambda: connection.execute("SELECT at_ms, value FROM reading").fetchall())
    print(json.dumps({"weeks": found, "seconds": ours_s, "rows_only_seconds": peer_s, "ratio": ours_s / peer_s}))
    return 0 if ours_s < 4 * peer_s else 1


if __name__ == "__main__":
    sys.exit(main())
