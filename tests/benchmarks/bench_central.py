"""Forwarding to a real VictoriaMetrics, and an office over it: readings per second, bytes per point, page times.

Run it with `python tests/benchmarks/bench_central.py [SENSOR_DAYS] [SITES]`; it needs Debian's package
victoria-metrics, started here on loopback. Everything runs on one machine: server, forwarder and office share it.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from starlette.testclient import TestClient

from dashboards.app import create_app
from ingest.central import outgoing
from ingest.central.announcements import Stood, announcement
from ingest.central.dialects import MetricsEngine
from ingest.central.engine import EngineAddress
from ingest.central.forwarder import Forwarder
from ingest.central.points import Point, lines
from ingest.central.progress import ForwarderSettings, Lag
from ingest.central.read_back import missing
from ingest.central.series import CentralSeries
from ingest.central.writing import Accepted, InfluxWriter
from ingest.clock import SystemClock
from ingest.runtime.newsboard import NewsBoard
from ingest.runtime.notifying import Notifying
from ingest.runtime.office_services import OfficeReader, OfficeServices
from ingest.runtime.office_watch import OfficeWatch
from ingest.settings.office import OfficeWiring
from ingest.site.incidents import RoomState
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

DAY_MINUTES = 1440


def free_port() -> int:
    """Give a port that is free at the moment."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@contextmanager
def victoria_metrics(folder: Path, port: int = 0, *, kill: bool = False) -> Iterator[str]:
    """Run a server and give its address.  kill: end it as a power cut of its process would."""
    port = port or free_port()
    program = shutil.which("victoria-metrics")
    assert program, "install Debian's package victoria-metrics"
    options = ["-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", "-loggerLevel=ERROR"]
    server = subprocess.Popen([program, f"-storageDataPath={folder}", f"-httpListenAddr=127.0.0.1:{port}", *options])
    try:
        until(lambda: ask(f"http://127.0.0.1:{port}/health"))
        yield f"http://127.0.0.1:{port}"
    finally:
        (server.kill if kill else server.terminate)()
        server.wait()


def ask(address: str) -> bytes:
    """Get something; nothing where nobody answers."""
    try:
        with urllib.request.urlopen(address, timeout=30) as answer:
            return bytes(answer.read())
    except OSError:
        return b""


def until(look: Callable[[], object], seconds: float = 20) -> None:
    """Wait for something."""
    end = time.monotonic() + seconds
    while not look():
        assert time.monotonic() < end
        time.sleep(0.05)


def air(random: np.random.Generator, minutes: int) -> tuple[np.ndarray, np.ndarray]:
    """Give temperature and RH of a room, slow and noisy, as a sensor with hundredths says them."""
    slow = np.cumsum(random.normal(0, 0.01, (2, minutes)), axis=1)
    day = np.sin(np.arange(minutes) / DAY_MINUTES * 2 * np.pi)
    temperature = 20 + slow[0] + 1.5 * day + random.normal(0, 0.02, minutes)
    humidity = 45 + 3 * slow[1] - 3 * day + random.normal(0, 0.05, minutes)
    return np.round(temperature, 2), np.round(np.clip(humidity, 5, 95), 2)


def fill(store: SqliteStore, sensor_days: int) -> int:
    """Store T and RH of ten sensors each minute, stamped to the ms with jitter; give how many (T and RH are one)."""
    random = np.random.default_rng(3)
    minutes = sensor_days // 10 * DAY_MINUTES
    start_ms = time.time_ns() // 1_000_000 - (minutes + 60) * 60_000
    for number in range(10):
        jitter_ms = np.round(random.normal(0, 150, minutes)).astype(np.int64)
        at_ms = start_ms + np.arange(minutes) * 60_000 + random.integers(0, 9000) + jitter_ms
        for quantity, value in zip(("temperature_c", "rh_percent"), air(random, minutes), strict=True):
            key = (SeriesKey(f"s{number}", quantity),)
            zeros = np.zeros(minutes, dtype=np.int32)
            with store.transaction() as work:
                work.append(ReadingBatch(key, zeros, at_ms, value, zeros.astype(bool)), heard_ms=0, live=False)
    return minutes * 10


def disk_bytes(folder: Path, address: str) -> int:
    """Give what the server keeps, once it has merged."""
    ask(f"{address}/internal/force_flush")
    ask(f"{address}/internal/force_merge")
    last = -1
    for _ in range(40):
        time.sleep(0.5)
        now = sum(f.stat().st_size for f in folder.rglob("*.bin") if f.is_file())
        if now == last:
            return now
        last = now
    return last


def forward(sensor_days: int, *, derived: bool, digits: int) -> None:
    """Forward a store to a new server and print rates and bytes."""
    outgoing.DIGITS = digits  # type: ignore[misc]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "vm"
        with victoria_metrics(folder) as address, SqliteStore.open(Path(place) / FILE_NAME) as store:
            readings = fill(store, sensor_days)
            engine_address = EngineAddress(address)
            settings = ForwarderSettings("bench", most_unsettled=10**9, derived=derived)
            site = Site("Bench")
            core = Forwarder(store, SystemClock(), InfluxWriter(engine_address), None, lambda: site, settings)
            begun_s = time.perf_counter()
            while core.step() == 0:
                pass
            sent_s = time.perf_counter() - begun_s
            points = core.as_figures()["accepted"]
            assert isinstance(points, int)
            back_s = read_back(store, address, readings)
            size = disk_bytes(folder / "data", address)
            what = f"{11 if derived else 2} fields, {digits} digits"
            print(
                f"{what:22}: {readings:,} readings, {points:,} points; sent {readings / sent_s:,.0f} readings/s"
                f" ({points / sent_s:,.0f} points/s), read back {readings / back_s:,.0f} readings/s;"
                f" {size / points:.2f} bytes a point, {size / readings:.1f} a reading"
            )


def read_back(store: SqliteStore, address: str, readings: int) -> float:
    """Read back what was sent, as the forwarder does, and give how long that took (s)."""
    ask(f"{address}/internal/force_flush")
    sent = [
        Point(extent.key.sensor, extent.key.quantity, at_ms, value)
        for extent in store.read.extents()
        for at_ms, value in zip(
            *(c.tolist() for c in _columns(store, extent.key, extent.first_ms, extent.last_ms)), strict=True
        )
    ]
    sent.sort(key=lambda point: point.at_ms)
    engine = MetricsEngine(EngineAddress(address))
    begun_s = time.perf_counter()
    for begin in range(0, len(sent), 5000):
        assert not missing(engine, "bench", sent[begin : begin + 5000])
    assert len(sent) == 2 * readings
    return time.perf_counter() - begun_s


def _columns(store: SqliteStore, key: SeriesKey, first_ms: int, last_ms: int) -> tuple[np.ndarray, np.ndarray]:
    series = store.read.read(key, first_ms, last_ms + 1)
    return series.at_ms, series.value


def killed(changes: int = 14_400) -> None:
    """Kill a server that took 100,000 values that were not read back yet; print what passes after its return."""
    with tempfile.TemporaryDirectory() as place, SqliteStore.open(Path(place) / FILE_NAME) as store:
        folder, port, clock = Path(place) / "vm", free_port(), SystemClock()
        engine_address = EngineAddress(f"http://127.0.0.1:{port}")
        settings = ForwarderSettings("bench", derived=False, spread=0.0)
        writer, engine = InfluxWriter(engine_address), MetricsEngine(engine_address)
        core = Forwarder(store, clock, writer, engine, lambda: Site("Bench"), settings)
        keys = tuple(SeriesKey(f"s{n}", quantity) for n in range(4) for quantity in ("temperature_c", "rh_percent"))
        index, plain = np.arange(8, dtype=np.int32), np.zeros(8, dtype=bool)
        begin_ms = clock.now_ms() - changes * 5000

        def put(at_ms: int) -> None:
            with store.transaction() as work:
                work.append(ReadingBatch(keys, index, np.full(8, at_ms), np.full(8, 20.5), plain), heard_ms=at_ms)

        with victoria_metrics(folder, port, kill=True):
            core.step()
            for number in range(changes):
                put(begin_ms + number * 5000)
            until(lambda: core.step() > 0)
        newest_ms = clock.now_ms()
        put(newest_ms)
        core.step()
        with victoria_metrics(folder, port) as address:
            asked = f"{address}/api/v1/export?match[]=lumberroom_rh_percent&start={newest_ms / 1000}"
            begun_s, seen_s = time.perf_counter(), 0.0
            while core.lag().behind or not seen_s:
                time.sleep(min(core.step(), 0.2))
                if not seen_s and ask(asked):
                    seen_s = time.perf_counter() - begun_s
            resent, whole_s = core.as_figures()["resent"], time.perf_counter() - begun_s
            print(f"killed: {resent:,} values lost; newest there after {seen_s:.1f} s, all after {whole_s:.1f} s")


def office(sites: int) -> None:
    """Fill a server with a day of many sites and print what an office's look and pages take."""
    random = np.random.default_rng(5)
    with tempfile.TemporaryDirectory() as place, victoria_metrics(Path(place) / "vm") as address:
        writer, clock = InfluxWriter(EngineAddress(address, timeout_s=60)), SystemClock()
        now_ms = clock.now_ms()
        for number in range(sites):
            site_id, window = f"site-{number:04d}", AcclimationWindow(rh_percent=Bounds(35, 55))
            rooms = tuple(Room(f"room-{r}", f"Room {r}", window) for r in range(2))
            site = Site(f"Site {number}", rooms=rooms, sensors=tuple(Sensor(f"s{r}", f"room-{r}") for r in range(2)))
            points = [
                Point(f"s{r}", quantity, now_ms - (DAY_MINUTES - minute) * 60_000, value)
                for r in range(2)
                for quantity, column in zip(("temperature_c", "rh_percent"), air(random, DAY_MINUTES), strict=True)
                for minute, value in enumerate(column.tolist())
            ]
            stood = {room.id: Stood(RoomState.IN_RANGE, now_ms) for room in rooms}
            said = announcement(site_id, site, stood, Lag(0, 0.0, 0), open_incidents=0, at_ms=now_ms)
            made = [*said, *lines(points, site=site_id, rooms={"s0": "room-0", "s1": "room-1"})]
            assert isinstance(writer.write(made), Accepted)
        ask(f"{address}/internal/force_flush")
        measure_office(EngineAddress(address), Path(place), sites)


def year(days: int = 365) -> None:
    """Fill a server with a sensor's year of minutes, and print what its buckets of half a day take, first and later."""
    random = np.random.default_rng(6)
    with tempfile.TemporaryDirectory() as place, victoria_metrics(Path(place) / "vm") as address:
        writer, clock = InfluxWriter(EngineAddress(address, timeout_s=60)), SystemClock()
        begin_ms = (clock.now_ms() // 86_400_000 - days) * 86_400_000
        for day in range(days):
            points = [
                Point("s0", quantity, begin_ms + (day * DAY_MINUTES + minute) * 60_000, value)
                for quantity, column in zip(("temperature_c", "rh_percent"), air(random, DAY_MINUTES), strict=True)
                for minute, value in enumerate(column.tolist())
            ]
            assert isinstance(writer.write(lines(points, site="site", rooms={"s0": "room"})), Accepted)
        ask(f"{address}/internal/force_flush")
        edges = begin_ms + np.arange(0, days * 86_400_000 + 1, 43_200_000)
        central = CentralSeries(MetricsEngine(EngineAddress(address)), clock)
        for turn in ("first", "second", "third"):
            central._air.clear()
            for quantity in ("temperature_c", "rh_percent", "emc_percent"):
                before, begun_s, cpu_s = central.samples_read, time.perf_counter(), time.process_time()
                assert central.buckets(SeriesKey("site/s0", quantity), edges).count.sum() == days * DAY_MINUTES
                took_s, used_s = time.perf_counter() - begun_s, time.process_time() - cpu_s
                read = central.samples_read - before
                print(f"{turn} look at {days} days of {quantity}: {took_s:.3f} s, {used_s:.3f} s CPU, {read} samples")


def measure_office(address: EngineAddress, place: Path, sites: int) -> None:
    """Time an office's look and its pages: the first, and the middle of four more, for which much is kept."""
    clock, engine = SystemClock(), MetricsEngine(address)
    wiring = OfficeWiring("Head office", "UTC", address, place)
    with SqliteStore.open(place / FILE_NAME) as store:
        own = Site(wiring.name, wiring.time_zone)
        watch = OfficeWatch(store, engine, clock, Notifying(wiring, clock), own, 1200.0)
        reader = OfficeReader(CentralSeries(engine, clock), store.read, watch, wiring)
        services = OfficeServices(wiring, clock, reader, watch, NewsBoard(), store)
        client = TestClient(create_app(services), base_url="http://127.0.0.1")
        timed: dict[str, Callable[[], object]] = {
            "look at all sites": watch.look,
            "overview": lambda: client.get("/").raise_for_status(),
            "a room's page": lambda: client.get("/rooms/site-0000.room-0?span=1d").raise_for_status(),
            "rooms as JSON": lambda: client.get("/api/v1/rooms").raise_for_status(),
        }
        watch.look()
        assert len(watch.told) == sites
        for name, work in timed.items():
            took = []
            for _ in range(5):
                begun_s = time.perf_counter()
                assert work() is not None
                took.append(time.perf_counter() - begun_s)
            first_ms, then_ms = took[0] * 1000, np.median(took[1:]) * 1000
            print(f"office of {sites} sites, {2 * sites} rooms: {name}: {first_ms:,.0f} ms, then {then_ms:,.0f} ms")


def main(sensor_days: int = 300, sites: int = 100) -> None:
    """Measure and print."""
    print(json.dumps({"sensor_days": sensor_days, "sites": sites}))
    for derived, digits in ((False, 6), (True, 6), (True, 17)):
        forward(sensor_days, derived=derived, digits=digits)
    killed()
    office(sites)
    year()


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:3]))
