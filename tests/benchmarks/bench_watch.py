"""What judging costs: live, per reading, with 1,000 sensors at 1 Hz; and a year of minutes judged again, per room.

Run it with `python tests/benchmarks/bench_watch.py`. Processor time of this process, so that a busy machine says the
same. Live judging is timed apart from storing, in the same unit of work, on the real store.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from adapters.contract import Reading, Stamp
from ingest.physics.wood import emc_percent
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch
from ingest.watch.rules.ruling import judge_rules
from ingest.watch.window.folding import judge_series
from ingest.watch.window.judge import Rule, SensorState
from ingest.watch.window.verdicts import Samples

T0_MS = 1_795_600_800_000
YEAR_MINUTES = 525_600
WINDOW = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0), Bounds(6.0, 11.0))


def live(spread_percent: float, seconds: int = 60) -> str:
    """Judge 1,000 sensors in 100 rooms, temperature and RH each second; RH of normal spread about 45 %."""
    rooms = tuple(Room(f"r{n}", f"Room {n}", WINDOW) for n in range(100))
    site = Site("Bench", rooms=rooms, sensors=tuple(Sensor(f"s{n}", f"r{n % 100}") for n in range(1000)))
    random, taken = np.random.default_rng(3), []
    with tempfile.TemporaryDirectory() as folder, SqliteStore.open(Path(folder) / "bench.sqlite3") as store:
        watch = Watch()
        for second in range(seconds):
            at_ms = T0_MS + second * 1000
            readings = []
            for number, value in enumerate(random.normal(45.0, spread_percent, 1000).clip(1, 99).tolist()):
                readings.append(Reading(f"s{number}", "temperature_c", 21.0, at_ms, Stamp.SENSOR))
                readings.append(Reading(f"s{number}", "rh_percent", value, at_ms, Stamp.SENSOR))
            batch = ReadingBatch.of(readings)
            with store.transaction() as work:
                work.append(batch, heard_ms=at_ms)
                begun_s = time.process_time()
                watch.judge_readings(work, site, batch, now_ms=at_ms)
                taken.append((time.process_time() - begun_s) / len(batch) * 1e6)
    median, mean = statistics.median(taken), statistics.mean(taken)
    return f"median {median:.1f} us, mean {mean:.1f} us, worst second {max(taken[1:]):.1f} us, first {taken[0]:.1f} us"


def a_year() -> Samples:
    """A heated room through a year, minute by minute, with noise that hugs the bounds for weeks."""
    random, days = np.random.default_rng(1), np.arange(YEAR_MINUTES) / 1440
    swing = np.sin(days * 2 * np.pi / 365)
    temperature_c = 20 + 2 * swing + np.sin(days * 2 * np.pi) + random.normal(0, 0.1, YEAR_MINUTES)
    rh_percent = 45 + 15 * swing + 5 * np.sin(days * 0.6 * np.pi) + random.normal(0, 0.5, YEAR_MINUTES)
    emc = np.asarray(emc_percent(temperature_c, rh_percent))
    at_ms = np.arange(YEAR_MINUTES) * 60_000 + T0_MS
    return Samples(at_ms, {"temperature_c": temperature_c, "rh_percent": rh_percent, "emc_percent": emc})


def rejudged(rounds: int = 5) -> str:
    """Judge that year again from its samples."""
    samples, rule, taken, changes = a_year(), Rule.of(WINDOW, 1800.0), [], []
    for _ in range(rounds):
        begun_s = time.process_time()
        _, changes = judge_series(SensorState(), samples, rule)
        taken.append(time.process_time() - begun_s)
    openings = sum(change.after.active and not change.before.active for change in changes)
    return f"{min(taken):.3f} to {max(taken):.3f} s a room ({openings} incidents); 100 rooms {100 * min(taken):.0f} s"


def rules_of_a_year() -> str:
    """Judge a year of minutes of one sensor by all rules beside the window that are on by default, from the store."""
    samples = a_year()
    site = Site("Bench", rooms=(Room("r", "Room", WINDOW),), sensors=(Sensor("s", "r"),))
    keys = tuple(SeriesKey("s", name) for name in ("temperature_c", "rh_percent"))
    count = len(samples)
    batch = ReadingBatch(
        keys,
        np.repeat(np.arange(2, dtype=np.int32), count),
        np.tile(samples.at_ms, 2),
        np.concatenate([samples.values[key.quantity].round(2) for key in keys]),
        np.zeros(2 * count, dtype=np.bool_),
    )
    end_ms = int(samples.at_ms[-1])
    with tempfile.TemporaryDirectory() as folder, SqliteStore.open(Path(folder) / "bench.sqlite3") as store:
        with store.transaction() as work:
            work.append(batch, heard_ms=end_ms, live=False)
        begun_s = time.process_time()
        with store.transaction() as work:
            judge_rules(work, site, now_ms=end_ms)
        taken_s = time.process_time() - begun_s
        found = len(store.read.incidents(limit=100_000))
    return f"{taken_s:.2f} s a room ({found} incidents, with the store); 100 rooms {100 * taken_s:.0f} s"


def rounds(rooms: int = 100, hours: int = 3) -> str:
    """A round of the rules every five minutes over rooms with two sensors each that speak every minute."""
    site = Site(
        "Bench",
        rooms=tuple(Room(f"r{n}", f"Room {n}", WINDOW) for n in range(rooms)),
        sensors=tuple(Sensor(f"s{n}", f"r{n % rooms}") for n in range(2 * rooms)),
    )
    random, taken, watch = np.random.default_rng(5), [], Watch()
    with tempfile.TemporaryDirectory() as folder, SqliteStore.open(Path(folder) / "bench.sqlite3") as store:
        for minute in range(hours * 60):
            at_ms = T0_MS + minute * 60_000
            readings = []
            for number, value in enumerate(random.normal(45.0, 1.0, 2 * rooms).round(2).tolist()):
                readings.append(Reading(f"s{number}", "temperature_c", 21.0, at_ms, Stamp.SENSOR))
                readings.append(Reading(f"s{number}", "rh_percent", value, at_ms, Stamp.SENSOR))
            batch = ReadingBatch.of(readings)
            with store.transaction() as work:
                work.append(batch, heard_ms=at_ms)
                watch.judge_readings(work, site, batch, now_ms=at_ms)
            if minute % 5 == 0:
                begun_s = time.process_time()
                with store.transaction() as work:
                    watch.judge_rules(work, site, now_ms=at_ms)
                taken.append(time.process_time() - begun_s)
    return f"median {statistics.median(taken[6:]):.3f} s, worst {max(taken[6:]):.3f} s"


if __name__ == "__main__":
    print(f"live judging per reading, RH calm:      {live(2.0)}")
    print(f"live judging per reading, RH unsettled: {live(8.0)}")
    print(f"a year of minutes judged again:         {rejudged()}")
    print(f"a year by the rules beside the window:  {rules_of_a_year()}")
    print(f"a round of those rules, 100 rooms:      {rounds()}")
