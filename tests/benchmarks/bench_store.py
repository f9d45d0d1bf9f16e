"""The store's speed and size beside SQLite rows, DuckDB and Parquet, in one run; ratios count, not absolute figures.

Run it by itself: `python tests/benchmarks/bench_store.py [--days 30] [--sensors 100]`. DuckDB is optional: it
is left out, and named, where it is not installed. A reading is a sensor's temperature and humidity at one instant.
`--growth 10 --days 300` asks the same of a store of so many days and of one that holds ten times as much
(`--folder`: on a disk with room for it, about 3 bytes per reading).
`--live 3000` stores single minutes in turn with SQLite rows while sealing runs.
As a test (`pytest -m benchmark tests/benchmarks/bench_store.py`) it holds the bars that are ratios or sizes.
"""

from __future__ import annotations

import argparse
import importlib.util
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.series import settling
from ingest.store.sqlite_store import SqliteStore

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
END = 1_790_812_800_000  # 2026-10-01T00:00:00Z
QUANTITIES = ("temperature_c", "rh_percent")


class Columns(NamedTuple):
    """Readings by sensor and instant; hundredths as whole numbers."""

    sensor: np.ndarray
    at_ms: np.ndarray
    temperature: np.ndarray
    humidity: np.ndarray


def invented(sensors: int, days: int) -> Columns:
    """Room air as a minute's sensors send it: daily wave, drift, noise, jitter, losses. Fixed seed."""
    rng = np.random.default_rng(20261125)
    count = days * 1440
    parts = []
    for sensor in range(sensors):
        nominal = END - days * DAY + np.arange(count) * MINUTE
        jitter = np.abs(rng.normal(0, 45, count)) + np.where(rng.random(count) < 0.05, rng.exponential(900, count), 0)
        at_ms = nominal + rng.integers(0, 30_000) + np.minimum(jitter, 20_000).astype(np.int64)
        wave = np.sin(2 * np.pi * (nominal % DAY) / DAY)
        drift = np.cumsum(rng.normal(0, 0.03, count))
        drift -= np.linspace(0, drift[-1], count)
        temperature = np.rint(100 * (20.5 + 1.1 * wave + drift + rng.normal(0, 0.02, count)))
        humidity = np.rint(100 * np.clip(46 - 2.6 * wave - 2 * drift + rng.normal(0, 0.06, count), 1, 99))
        kept = rng.random(count) > 0.015
        parts.append((np.full(kept.sum(), sensor), at_ms[kept], temperature[kept], humidity[kept]))
    return Columns(*(np.concatenate(column).astype(np.int64) for column in zip(*parts, strict=True)))


def batch_of(columns: Columns) -> ReadingBatch:
    """Give them as the intake hands them to the store, each sensor's temperatures, then its humidities."""
    keys, parts = [], []
    for sensor in np.unique(columns.sensor).tolist():
        mine = slice(*np.searchsorted(columns.sensor, (sensor, sensor + 1)))
        for quantity, value in zip(QUANTITIES, columns[2:], strict=True):
            parts.append((np.full(mine.stop - mine.start, len(keys)), columns.at_ms[mine], value[mine] / 100.0))
            keys.append(SeriesKey(f"s{sensor:03d}", quantity))
    index, at_ms, value = (np.concatenate(column) for column in zip(*parts, strict=True))
    return ReadingBatch(tuple(keys), index.astype(np.int32), at_ms, value, np.zeros(len(index), np.bool_))


class Ours:
    """The embedded store, through its public interface."""

    name = "lumberroom"

    def __init__(self, folder: Path) -> None:
        self.path = folder / "lumberroom.sqlite3"
        self.store = SqliteStore.open(self.path, pressure_kpa=101.325)

    def prepare(self, columns: Columns) -> ReadingBatch:
        return batch_of(columns)

    def put(self, batch: ReadingBatch) -> None:
        with self.store.transaction() as work:
            work.append(batch, heard_ms=1)

    def settle(self) -> None:
        self.store.settle()
        self.store.tidy()

    def year(self, edges: np.ndarray, quantity: str = "temperature_c") -> np.ndarray:
        return self.store.read.buckets(SeriesKey("s000", quantity), edges).mean

    def latest(self, sensors: int) -> int:
        keys = self.__dict__.setdefault("keys", [SeriesKey(f"s{n:03d}", q) for n in range(sensors) for q in QUANTITIES])
        return len(self.store.read.latest(keys))

    def day(self, sensors: int, edges: np.ndarray) -> np.ndarray:
        keys = [SeriesKey(f"s{n:03d}", q) for n in range(sensors) for q in QUANTITIES]
        return np.array([held.mean for held in self.store.read.buckets_of(keys, edges).values()])


class Rows:
    """SQLite, a row per reading, hundredths as integers, durable."""

    name = "SQLite rows"

    def __init__(self, folder: Path) -> None:
        self.path = folder / "rows.sqlite3"
        self.db = sqlite3.connect(self.path, isolation_level=None)
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "cache_size=-65536"):
            self.db.execute(f"PRAGMA {pragma}")
        self.db.execute("CREATE TABLE r(s INTEGER, ts INTEGER, t INTEGER, h INTEGER, PRIMARY KEY(s, ts)) WITHOUT ROWID")

    def prepare(self, columns: Columns) -> Columns:
        return columns

    def put(self, columns: Columns) -> None:
        for begin in range(0, len(columns.at_ms), 100_000):
            self.db.execute("BEGIN IMMEDIATE")
            rows = zip(*(column[begin : begin + 100_000].tolist() for column in columns), strict=True)
            self.db.executemany("INSERT OR REPLACE INTO r VALUES (?, ?, ?, ?)", rows)
            self.db.execute("COMMIT")

    def settle(self) -> None:
        self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def _means(self, sql: str, values: tuple[int, ...]) -> np.ndarray:
        return np.array(self.db.execute(sql, values).fetchall(), dtype=np.float64)

    def year(self, edges: np.ndarray) -> np.ndarray:
        width = int(edges[1] - edges[0])
        sql = "SELECT (ts - ?) / ? b, avg(t) / 100 FROM r WHERE s = 0 AND ts >= ? AND ts < ? GROUP BY b"
        return self._means(sql, (int(edges[0]), width, int(edges[0]), int(edges[-1])))[:, 1]

    def latest(self, sensors: int) -> int:
        one = "SELECT ts, t, h FROM r WHERE s = ? ORDER BY ts DESC LIMIT 1"
        return sum(len(self.db.execute(one, (sensor,)).fetchall()) for sensor in range(sensors))

    def day(self, sensors: int, edges: np.ndarray) -> np.ndarray:
        sql = (
            "WITH RECURSIVE i(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM i WHERE n < ? - 1) "
            "SELECT i.n, (ts - ?) / ? b, avg(t), avg(h) FROM i JOIN r ON r.s = i.n AND ts >= ? AND ts < ? GROUP BY 1, 2"
        )
        width = int(edges[1] - edges[0])
        return self._means(sql, (sensors, int(edges[0]), width, int(edges[0]), int(edges[-1])))


class Duck:
    """DuckDB, hundredths as small integers."""

    name = "DuckDB"

    def __init__(self, folder: Path) -> None:
        import duckdb

        self.path = folder / "a.duckdb"
        self.db = duckdb.connect(str(self.path), config={"threads": 2})
        self.db.execute("CREATE TABLE r(s SMALLINT, ts BIGINT, t SMALLINT, h SMALLINT)")

    def prepare(self, columns: Columns) -> Any:
        import pyarrow as pa

        small = [columns.sensor.astype(np.int16), columns.at_ms, *(c.astype(np.int16) for c in columns[2:])]
        return pa.table(dict(zip(("s", "ts", "t", "h"), small, strict=True)))

    def put(self, table: Any) -> None:
        self.db.register("b", table)
        self.db.execute("INSERT INTO r SELECT * FROM b")

    def settle(self) -> None:
        self.db.execute("CHECKPOINT")

    def year(self, edges: np.ndarray) -> np.ndarray:
        low, high, width = int(edges[0]), int(edges[-1]), int(edges[1] - edges[0])
        which = f"FROM r WHERE s = 0 AND ts >= {low} AND ts < {high} GROUP BY b ORDER BY b"
        sql = f"SELECT (ts - {low}) // {width} b, min(t), avg(t) / 100 m, max(t) {which}"
        return self.db.execute(sql).fetchnumpy()["m"]

    def latest(self, sensors: int) -> int:
        return len(self.db.execute("SELECT s, max(ts), arg_max(t, ts), arg_max(h, ts) FROM r GROUP BY s").fetchall())

    def day(self, sensors: int, edges: np.ndarray) -> np.ndarray:
        low, high, width = int(edges[0]), int(edges[-1]), int(edges[1] - edges[0])
        which = f"FROM r WHERE ts >= {low} AND ts < {high} GROUP BY 1, 2"
        sql = f"SELECT s, (ts - {low}) // {width} b, avg(t) t, avg(h) h {which}"
        return self.db.execute(sql).fetchnumpy()["t"]


class Archive:
    """Parquet, Zstandard, delta-encoded, written once."""

    name = "Parquet"

    def __init__(self, folder: Path) -> None:
        self.path = folder / "a.parquet"

    def prepare(self, columns: Columns) -> Any:
        return Duck.prepare(self, columns)  # type: ignore[arg-type]

    def put(self, table: Any) -> None:
        import pyarrow.parquet as pq

        encoding = dict.fromkeys(("ts", "t", "h"), "DELTA_BINARY_PACKED")
        pq.write_table(table, self.path, compression="zstd", use_dictionary=["s"], column_encoding=encoding)

    def settle(self) -> None:
        """Nothing follows."""


class Result(NamedTuple):
    """What one engine took."""

    readings_per_s: float
    bytes_per_reading: float
    times_ms: dict[str, float]


def median_ms(work: Callable[[], object], times: int) -> float:
    """Give the median time of doing it, after one warm-up."""
    work()
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        taken.append((time.perf_counter() - began) * 1e3)
    return statistics.median(taken)


def measure(engine: Any, columns: Columns, sensors: int) -> Result:
    """Store all, settle, ask."""
    prepared = engine.prepare(columns)
    began = time.perf_counter()
    engine.put(prepared)
    stored_s = time.perf_counter() - began
    del prepared
    began = time.perf_counter()
    engine.settle()
    times = {"settling, s": time.perf_counter() - began}
    size = engine.path.stat().st_size / len(columns.at_ms)
    if hasattr(engine, "day"):
        first = int(columns.at_ms.min()) // (9 * HOUR) * 9 * HOUR
        aligned = np.arange(first, END, 9 * HOUR)
        times["a sensor in 9 h buckets"] = median_ms(lambda: engine.year(aligned), 9)
        times["the same, edges anywhere"] = median_ms(lambda: engine.year(aligned + 1_234_567), 9)
        times["latest of all"] = median_ms(lambda: engine.latest(sensors), 15)
        times["a day in 5 min means"] = median_ms(
            lambda: engine.day(sensors, np.arange(END - DAY, END + 1, 300_000)), 9
        )
        if isinstance(engine, Ours):
            thirds = np.arange(first, END, 8 * HOUR)
            times["a derived series in 8 h buckets"] = median_ms(lambda: engine.year(thirds, "emc_percent"), 9)
        live = [engine.prepare(minute(sensors, number)) for number in range(400)]
        taken = sorted(median_of_one(engine.put, batch) for batch in live)
        times["batch p50"], times["batch p99"] = taken[200], taken[396]
    return Result(len(columns.at_ms) / stored_s, size, times)


def minute(sensors: int, number: int) -> Columns:
    """One reading of each sensor."""
    rng = np.random.default_rng(number)
    at_ms = END + number * MINUTE + rng.integers(0, 30_000, sensors)
    return Columns(np.arange(sensors), at_ms, rng.integers(2000, 2100, sensors), rng.integers(4000, 5000, sensors))


def median_of_one(work: Callable[[Any], object], what: Any) -> float:
    """Time one call, ms."""
    began = time.perf_counter()
    work(what)
    return (time.perf_counter() - began) * 1e3


def engines() -> Iterator[type]:
    """Give those that are installed."""
    yield from (Ours, Rows)
    if importlib.util.find_spec("duckdb") is not None:
        yield Duck
    yield Archive


def compare(sensors: int, days: int) -> dict[str, Result]:
    """Measure all in one run."""
    columns = invented(sensors, days)
    results = {}
    for engine in engines():
        with tempfile.TemporaryDirectory() as folder:
            results[engine.name] = measure(engine(Path(folder)), columns, sensors)
    return results


def report(results: dict[str, Result]) -> None:
    """Print what was measured."""
    for name, result in results.items():
        print(f"{name}: {result.readings_per_s / 1e6:.2f} M readings/s, {result.bytes_per_reading:.2f} bytes each")
        for what, taken in result.times_ms.items():
            print(f"    {what}: {taken:.3f}")
    if "DuckDB" not in results:
        print("DuckDB is not installed and was left out")


@pytest.mark.benchmark
@pytest.mark.timeout(600)
def test_the_store_beside_its_peers() -> None:
    """Size and the ratios to SQLite rows, and to DuckDB where it is installed, hold in one run."""
    results = compare(100, 30)
    report(results)
    ours, rows = results["lumberroom"], results["SQLite rows"]
    assert ours.bytes_per_reading <= 4.0
    assert ours.readings_per_s > 5 * rows.readings_per_s
    assert ours.times_ms["a day in 5 min means"] < rows.times_ms["a day in 5 min means"]
    assert ours.times_ms["batch p50"] < 1.3 * rows.times_ms["batch p50"]
    if "DuckDB" in results:
        duck = results["DuckDB"]
        assert ours.readings_per_s > 0.5 * duck.readings_per_s
        for what in ("a sensor in 9 h buckets", "a day in 5 min means", "latest of all"):
            assert ours.times_ms[what] < duck.times_ms[what], what


def live(sensors: int, days: int, batches: int) -> dict[str, list[float]]:
    """Store a minute of all sensors again and again, in turn with SQLite rows, while sealing runs all the time.

    Sealing begins at a tenth of its usual amount, so that it is at work for most of the run. Gives sorted times (ms).
    """
    columns = invented(sensors, days)
    usual, settling.SEAL_AT = settling.SEAL_AT, settling.SEAL_AT // 10
    with tempfile.TemporaryDirectory() as one_folder, tempfile.TemporaryDirectory() as other_folder:
        engines = Ours(Path(one_folder)), Rows(Path(other_folder))
        for engine in engines:
            engine.put(engine.prepare(columns))
            engine.settle()
        keeper = engines[0].store.keep_settled()
        begun, taken = keeper.steps, {engine.name: [] for engine in engines}
        for number in range(batches):
            for engine in engines:
                taken[engine.name].append(median_of_one(engine.put, engine.prepare(minute(sensors, number))))
        print(f"{keeper.steps - begun} steps of the keeper meanwhile")
        engines[0].store.close()
    settling.SEAL_AT = usual
    return {name: sorted(times[20:]) for name, times in taken.items()}


SLICE_DAYS = 50


def fill(engine: Ours, sensors: int, days: int) -> tuple[int, float, float]:
    """Import so many days up to `END`, a few weeks at a time; give readings, seconds storing, and seconds settling."""
    readings, stored_s, settled_s = 0, 0.0, 0.0
    piece = invented(sensors, min(days, SLICE_DAYS))  # the same weeks again and again, each at its own time
    for later in reversed(range(0, days, SLICE_DAYS)):
        length = min(SLICE_DAYS, days - later)
        kept = piece.at_ms >= END - length * DAY
        shifted = Columns(*(column[kept] for column in piece))
        batch = engine.prepare(shifted._replace(at_ms=shifted.at_ms - later * DAY))
        began = time.perf_counter()
        engine.put(batch)
        stored_s += time.perf_counter() - began
        began = time.perf_counter()
        engine.store.settle()
        settled_s += time.perf_counter() - began
        readings += len(shifted.at_ms)
    engine.store.tidy()
    return readings, stored_s, settled_s


def questions(engine: Ours, sensors: int, days: int) -> dict[str, Callable[[], object]]:
    """What is asked of a small and of a large store: W3 aligned to rollups, derived too, and anywhere; W4; W5."""
    days = min(days, 365)
    year = np.arange(END - days * DAY, END, max(1, days * 24 // 1000) * HOUR)
    thirds = np.arange(END - days * DAY, END, 8 * HOUR)
    return {
        "W3 aligned": lambda: engine.year(year),
        "W3 derived": lambda: engine.year(thirds, "emc_percent"),
        "W3 anywhere": lambda: engine.year(year + 1_234_567),
        "W4": lambda: engine.latest(sensors),
        "W5": lambda: engine.day(sensors, np.arange(END - DAY, END + 1, 300_000)),
    }


def growth(sensors: int, days: int, times: int, folder: str | None) -> dict[str, tuple[float, float]]:
    """Ask a store and one that holds `times` as much the same questions in turn; give the median times (ms) of both."""
    with (
        tempfile.TemporaryDirectory(dir=folder) as small_folder,
        tempfile.TemporaryDirectory(dir=folder) as large_folder,
    ):
        engines = Ours(Path(small_folder)), Ours(Path(large_folder))
        for engine, held_days in zip(engines, (days, days * times), strict=True):
            readings, stored_s, settled_s = fill(engine, sensors, held_days)
            size = engine.path.stat().st_size / readings
            paces = f"{readings / stored_s / 1e6:.1f} M/s stored, {readings / settled_s / 1e6:.2f} M/s settled"
            print(f"{readings / 1e6:.0f} M readings: {paces}, {size:.2f} bytes each", flush=True)
        small, large = (questions(engine, sensors, days) for engine in engines)
        taken: dict[str, tuple[list[float], list[float]]] = {what: ([], []) for what in small}
        for _ in range(4):
            for what, (of_small, of_large) in taken.items():
                of_small.append(median_ms(small[what], 9))
                of_large.append(median_ms(large[what], 9))
        for engine in engines:
            engine.store.close()
    return {what: (min(of_small), min(of_large)) for what, (of_small, of_large) in taken.items()}


@pytest.mark.benchmark
@pytest.mark.timeout(600)
def test_answers_take_no_longer_from_a_store_ten_times_as_large() -> None:
    """The growth bar, at a size that a run can afford; the full one is `--growth 10 --days 300`."""
    for what, (small, large) in growth(20, 60, 10, None).items():
        assert large <= 1.5 * small + 0.05, what


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sensors", type=int, default=100)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--growth", type=int, default=0, metavar="TIMES")
    parser.add_argument("--folder")
    parser.add_argument("--live", type=int, default=0, metavar="BATCHES")
    given = parser.parse_args()
    if given.live:
        for name, times in live(given.sensors, given.days, given.live).items():
            p50, p99 = times[len(times) // 2], times[len(times) * 99 // 100]
            print(f"{name}: p50 {p50:.3f} ms, p99 {p99:.3f} ms ({p99 / p50:.1f} x)")
        raise SystemExit
    if given.growth:
        for what, (small, large) in growth(given.sensors, given.days, given.growth, given.folder).items():
            print(f"    {what}: {small:.3f} ms, {large:.3f} ms ({large / small:.2f} x)")
    else:
        report(compare(given.sensors, given.days))
