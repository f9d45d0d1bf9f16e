"""What tests of the runtime share: a real store in a folder, a driven clock, a site, readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from adapters.contract import Reading, Stamp
from ingest.clock import DrivenClock
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.store.sqlite_store import SqliteStore

NOW_MS = 1_790_000_000_000  # 2026-09-21


@pytest.fixture
def clock() -> DrivenClock:
    """A clock that stands in September 2026."""
    return DrivenClock(NOW_MS)


@pytest.fixture
def site() -> Site:
    """One room with a window and two sensors."""
    window = AcclimationWindow(rh_percent=Bounds(35, 55), dwell_s=600, return_dwell_s=600)
    sensors = (Sensor("hall-1", "hall"), Sensor("hall-2", "hall"))
    return Site("Lakeside", "Europe/Berlin", 100.0, (Room("hall", "Hall", window),), sensors)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A real store in a file."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as opened:
        yield opened


@pytest.fixture
def reading() -> Callable[..., Reading]:
    """Give a function that makes a reading of hall-1 now; any part may be said otherwise."""

    def make(value: float = 45.0, quantity: str = "rh_percent", sensor: str = "hall-1", at_ms: int = NOW_MS) -> Reading:
        return Reading(sensor, quantity, value, at_ms, Stamp.SENSOR)

    return make
