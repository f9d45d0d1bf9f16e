"""What the practice tests share: a real store, air written into it, and the measured room."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from ingest.site.actor import SETTINGS
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

INDOOR = Path(__file__).parents[2] / "data" / "measured_room" / "indoor.csv"
STANDARD_TIME = dt.timezone(dt.timedelta(hours=2))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A new store in a real file."""
    with SqliteStore.open(tmp_path / FILE_NAME) as opened:
        yield opened


def write(store: SqliteStore, sensor: str, quantity: str, at_ms: object, value: object) -> None:
    """Store one series."""
    instants = np.array(at_ms, dtype=np.int64)
    values = np.broadcast_to(np.array(value, dtype=np.float64), instants.shape).copy()
    index = np.zeros(len(instants), dtype=np.int32)
    stamps = np.zeros(len(instants), dtype=np.bool_)
    with store.transaction() as work:
        work.append(
            ReadingBatch((SeriesKey(sensor, quantity),), index, instants, values, stamps), heard_ms=0, live=False
        )


@pytest.fixture
def tell(store: SqliteStore) -> Callable[..., None]:
    """Store air: tell(at_ms, temperature_c, rh_percent, sensor="a"); single figures hold for every instant."""

    def told(at_ms: object, temperature_c: object, rh_percent: object, *, sensor: str = "a") -> None:
        write(store, sensor, "temperature_c", at_ms, temperature_c)
        write(store, sensor, "rh_percent", at_ms, rh_percent)

    return told


@pytest.fixture
def tell_one(store: SqliteStore) -> Callable[..., None]:
    """Store one series: tell_one(sensor, quantity, at_ms, value)."""

    def told(sensor: str, quantity: str, at_ms: object, value: object) -> None:
        write(store, sensor, quantity, at_ms, value)

    return told


class Winter(NamedTuple):
    """The measured room in a store, and its file as plain lists (instants UTC ms, °C, %)."""

    store: SqliteStore
    site: Site
    at_ms: list[int]
    temperature_c: list[float]
    rh_percent: list[float]


@pytest.fixture(scope="session")
def winter(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Winter]:
    """A real room from December 2020 to May 2021: TRH-tietokanta, CC BY 4.0 (tests/data/measured_room/README.md).

    The window is what is commonly asked for wood flooring (common practice, no source).
    """
    with INDOOR.open(encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    times = [dt.datetime.fromisoformat(time).replace(tzinfo=STANDARD_TIME) for time, _, _ in rows]
    at_ms = [int(time.timestamp()) * 1000 for time in times]
    air = [float(t) for _, t, _ in rows], [float(rh) for _, _, rh in rows]
    window = AcclimationWindow(rh_percent=Bounds(30.0, 50.0), emc_percent=Bounds(6.0, 9.0))
    site = Site("A measured room", "Etc/GMT-2", 0.0, (Room("room", "The room", window),), (Sensor("winter-1", "room"),))
    with SqliteStore.open(tmp_path_factory.mktemp("winter") / FILE_NAME) as opened:
        with opened.transaction() as work:
            work.save_site(site, at_ms=at_ms[0], by=SETTINGS)
        for quantity, values in zip(("temperature_c", "rh_percent"), air, strict=True):
            write(opened, "winter-1", quantity, at_ms, values)
        yield Winter(opened, site, at_ms, *air)
