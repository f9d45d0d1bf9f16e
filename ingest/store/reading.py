"""Reading a store from any Python program: NumPy arrays, or tables of pyarrow, pandas or polars (see QUERY.md).

::

    from ingest.store import open_for_reading

    with open_for_reading("/var/lib/lumberroom") as readings:
        readings.series()                                        # every series with extent and count
        at, value = readings.arrays("hall", "emc_percent", "2026-03-01", "2026-04-01")
        days = readings.buckets("hall", "rh_percent", readings.days("2026-03-01", 31, "Europe/Berlin"))
        frame = readings.frame(["hall", "cellar"], ["temperature_c", "rh_percent"], "2026-03-01", "2026-04-01")

Instants may be given as integer milliseconds since 1970 (UTC), as `datetime` with a zone, or as ISO 8601 text, where a
text without a zone is UTC. Measured and derived quantities are asked for alike. Each call sees one state of the store.
"""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.errors import InputError, SettingsError
from ingest.site.series import Buckets, Floats, Int64s, Sample, SeriesKey, Span
from ingest.store.api import SeriesExtent
from ingest.store.days import clock_edges_ms, day_edges_ms
from ingest.store.file import opening
from ingest.store.sqlite_store import SqliteStore

Instant = int | datetime | str


class Readings:
    """A store that is open for looking; make it with `ingest.store.open_for_reading`."""

    def __init__(self, path: Path, pressure_kpa: float | None) -> None:
        """Open the file, or that in a data folder. Raises StorageError."""
        file = path / opening.FILE_NAME if path.is_dir() else path
        self._store = SqliteStore.open(file, pressure_kpa=pressure_kpa, read_only=True)

    def __enter__(self) -> Readings:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._store.close()

    @property
    def damage(self) -> list[str]:
        """What was found damaged while reading, a sentence each; what is damaged is left out of the answers."""
        return self._store.damage

    def series(self) -> list[SeriesExtent]:
        """Give every measured series with its first and last instant and its count."""
        return self._store.read.extents()

    def arrays(self, sensor: str, quantity: str, begin: Instant, end: Instant) -> tuple[NDArray[np.datetime64], Floats]:
        """Give instants (datetime64[ms], UTC) and values (float64) with begin <= instant < end."""
        series = self._store.read.read(SeriesKey(sensor, quantity), to_ms(begin), to_ms(end))
        return series.at_ms.astype("datetime64[ms]"), series.value

    def buckets(self, sensor: str, quantity: str, edges_ms: Int64s) -> Buckets:
        """Give count, minimum, mean, maximum and coverage between edges (int64, ms, strictly rising)."""
        return self._store.read.buckets(SeriesKey(sensor, quantity), np.asarray(edges_ms, dtype=np.int64))

    def latest(self, sensor: str, quantity: str) -> Sample | None:
        """Give the newest sample, or None."""
        key = SeriesKey(sensor, quantity)
        return self._store.read.latest([key]).get(key)

    def gaps(self, sensor: str, quantity: str, begin: Instant, end: Instant) -> list[Span]:
        """Give the stretches for which no reading vouches."""
        return self._store.read.gaps(SeriesKey(sensor, quantity), to_ms(begin), to_ms(end))

    @staticmethod
    def days(first: date | str, count: int, zone: str) -> Int64s:
        """Give the edges of so many days of a place, for `buckets`: 23, 24 or 25 hours apart."""
        return day_edges_ms(date.fromisoformat(first) if isinstance(first, str) else first, count, zone)

    def statistics(self, sensors: Sequence[str], quantities: Sequence[str], edges_ms: Int64s) -> Any:
        """Give a pyarrow.Table with a row per bucket: begin, end (timestamp[ms, UTC]), sensor, quantity, count,
        minimum, mean, maximum, coverage; what an empty bucket does not have is null.
        """
        pa = _library("pyarrow")
        keys = [SeriesKey(sensor, quantity) for sensor in sensors for quantity in quantities]
        edges = np.asarray(edges_ms, dtype=np.int64)
        found = self._store.read.buckets_of(keys, edges)
        size, instants = len(edges) - 1, pa.timestamp("ms", tz="UTC")
        whole = [found[key] for key in keys]
        columns: dict[str, Any] = {
            "begin": pa.array(np.tile(edges[:-1], len(keys))).cast(instants),
            "end": pa.array(np.tile(edges[1:], len(keys))).cast(instants),
            "sensor": pa.array([key.sensor for key in keys for _ in range(size)]).dictionary_encode(),
            "quantity": pa.array([key.quantity for key in keys for _ in range(size)]).dictionary_encode(),
            "count": pa.array(np.concatenate([one.count for one in whole])),
        }
        for name in ("minimum", "mean", "maximum"):
            columns[name] = pa.array(np.concatenate([getattr(one, name) for one in whole]), from_pandas=True)
        columns["coverage"] = pa.array(np.concatenate([one.coverage for one in whole]))
        return pa.table(columns)

    def table(self, sensors: Sequence[str], quantities: Sequence[str], begin: Instant, end: Instant) -> Any:
        """Give a pyarrow.Table with a row per reading: at (timestamp[ms, UTC]), sensor, quantity, value."""
        pa = _library("pyarrow")
        first, last = to_ms(begin), to_ms(end)
        parts = []
        for sensor in sensors:
            for quantity in quantities:
                series = self._store.read.read(SeriesKey(sensor, quantity), first, last)
                names = [pa.array([name]).dictionary_encode() for name in (sensor, quantity)]
                same = pa.array(np.zeros(len(series), np.int32))
                columns = [pa.DictionaryArray.from_arrays(same, name.dictionary) for name in names]
                at = pa.array(series.at_ms).cast(pa.timestamp("ms", tz="UTC"))
                parts.append(
                    pa.table([at, *columns, pa.array(series.value)], names=["at", "sensor", "quantity", "value"])
                )
        return pa.concat_tables(parts).unify_dictionaries() if parts else None

    @staticmethod
    def edges(begin: Instant, end: Instant, every_s: int, zone: str) -> Int64s:
        """Give edges for `buckets` at round times of a place's clock: minutes, hours or days wide (see `days`)."""
        return clock_edges_ms(to_ms(begin), to_ms(end), every_s, zone)

    def polars(self, sensors: Sequence[str], quantities: Sequence[str], begin: Instant, end: Instant) -> Any:
        """Give the same as `table` as a polars.DataFrame (polars must be installed)."""
        polars = _library("polars")
        table = self.table(sensors, quantities, begin, end)
        return None if table is None else polars.from_arrow(table)

    def frame(self, sensors: Sequence[str], quantities: Sequence[str], begin: Instant, end: Instant) -> Any:
        """Give the same as a pandas.DataFrame (pandas must be installed)."""
        _library("pandas")  # which pyarrow takes for it, and misses in words of its own
        table = self.table(sensors, quantities, begin, end)
        return None if table is None else table.to_pandas()


def _library(name: str) -> Any:
    """Give a library that is no dependency of ours. Raises SettingsError where it is not installed."""
    try:
        return importlib.import_module(name)
    except ModuleNotFoundError as error:
        raise SettingsError(
            f"{name} is not installed", mend=f"Install it beside lumberroom: python -m pip install {name}"
        ) from error


def to_ms(instant: Instant) -> int:
    """Give an instant as milliseconds since 1970, UTC. Raises InputError for text that is no instant."""
    if isinstance(instant, int):
        return instant
    if isinstance(instant, str):
        try:
            instant = datetime.fromisoformat(instant)
        except ValueError as error:
            raise InputError(
                f"{instant!r} is no instant", mend="Write it like 2026-03-01 or 2026-03-01T08:30:00+01:00"
            ) from error
    at = instant if instant.tzinfo is not None else instant.replace(tzinfo=UTC)
    return round(at.timestamp() * 1000)
