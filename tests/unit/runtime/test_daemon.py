"""The daemon as a process: it starts, says where the page is, keeps going through faults, and stops in order."""

from __future__ import annotations

import asyncio
import json
import re
import resource
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from adapters.contract import Reading, Stamp
from ingest.clock import FastClock, SystemClock
from ingest.runtime.daemon import STOP_LIMIT_S, Daemon
from ingest.settings.wiring import AdapterWiring, MailWiring, PageWiring, Wiring
from ingest.site.incidents import IncidentKind
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

WIRING = """
[site]
name = "Lakeside"
time_zone = "Europe/Berlin"
[page]
port = 0
[[adapter]]
name = "simulated"
type = "simulated_room"
sensor = "hall-1"
interval_s = 1
[[adapter]]
name = "unplugged"
type = "serial_line"
port = "/dev/there-is-no-such-port"
[[room]]
id = "hall"
[[room.sensor]]
id = "hall-1"
"""

# An adapter as a stranger might write it: it blocks a thread for ever and will not be cancelled.
CLINGING = """
import asyncio, sys, threading
from adapters import registry
from adapters.contract import AdapterHealth
from ingest.cli.main import main

class Clinging:
    SETTINGS = ()
    SUMMARY = "never lets go"
    def __init__(self, settings, clock):
        self.health = AdapterHealth()
    def describe(self):
        return "clinging"
    async def readings(self):
        while True:
            try:
                await asyncio.to_thread(threading.Event().wait)
            except asyncio.CancelledError:
                pass
        yield []

sys.modules["clinging"] = sys.modules["__main__"]
registry.BUILT_INS["clinging"] = "clinging:Clinging"
main()
"""

Start = Callable[..., "Running"]


class Running:
    """A daemon's process."""

    def __init__(self, folder: Path, wiring: str, program: tuple[str, ...] = ("-m", "ingest.cli.main")) -> None:
        (folder / "lumberroom.toml").write_text(wiring, encoding="utf-8")
        self.log_file = folder / f"log-{time.monotonic_ns()}"
        self.started_s = time.monotonic()
        with self.log_file.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, *program, "run", str(folder / "lumberroom.toml"), "--log", "json"], stderr=log
            )

    @property
    def log(self) -> str:
        """Give what it has written so far."""
        return self.log_file.read_text(encoding="utf-8")

    def until(self, pattern: str, seconds: float = 20.0) -> str:
        """Wait until its log matches and give the first group."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if found := re.search(pattern, self.log):
                return found[1] if found.groups() else found[0]
            time.sleep(0.02)
        raise AssertionError(f"{pattern!r} did not come within {seconds} s:\n{self.log}")

    def page(self) -> str:
        """Wait for the page and give its address."""
        return self.until(r"Page: (http://\S+)")

    def ended(self, seconds: float = STOP_LIMIT_S + 3) -> int:
        """Wait for its end and give the exit code."""
        return self.process.wait(seconds)


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Give a function that starts a daemon in this test's folder; whatever still runs at the end is killed."""
    running: list[Running] = []

    def make(wiring: str = WIRING, *program: str) -> Running:
        running.append(Running(tmp_path, wiring, program or ("-m", "ingest.cli.main")))
        return running[-1]

    yield make
    for one in running:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait()


def asked(address: str) -> Any:
    """Get JSON from the page, whatever the status."""
    return asked_with_status(address)[1]


def asked_with_status(address: str) -> tuple[int, Any]:
    """Get the status and the JSON (the health answers 503 while the daemon cannot do its job)."""
    try:
        with urllib.request.urlopen(address, timeout=10) as answer:
            return answer.status, json.loads(answer.read())
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.loads(error.read())


def test_it_runs_through_a_missing_port_and_stops_on_sigterm(start: Start, tmp_path: Path) -> None:
    """One adapter has no port and says so on the page, the other's readings are stored; SIGTERM ends it in order."""
    daemon = start()
    address = daemon.page()
    until(lambda: asked(f"{address}health")["store"]["stored"])
    status, health = asked_with_status(f"{address}health")
    assert (status, health["status"]) == (200, "trouble")  # nobody restarts a daemon over an unplugged sensor
    fares = {adapter["name"]: adapter for adapter in health["adapters"]}
    assert fares["simulated"]["state"] == "running"
    assert fares["unplugged"]["state"] == "waiting"
    assert "/dev/there-is-no-such-port" in fares["unplugged"]["error"]
    before = time.monotonic()
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.ended() == 0
    assert time.monotonic() - before < STOP_LIMIT_S
    events = [json.loads(line)["event"] for line in daemon.log.splitlines() if line.startswith("{")]
    assert events[-3:] == ["asked to stop", "stopping", "stopped"]
    assert "Traceback" not in daemon.log
    with SqliteStore.open(tmp_path / "lumberroom-data" / "lumberroom.sqlite3", read_only=True) as store:
        assert len(store.read.read(SeriesKey("hall-1", "temperature_c"), 0, 1 << 50)) >= 1


def test_it_lives_through_a_disk_that_cannot_be_written(start: Start, tmp_path: Path) -> None:
    """While the file may not grow, readings are held and the page says why; then all of them are stored."""
    daemon = start()
    address = daemon.page()
    until(lambda: asked(f"{address}health")["store"]["stored"])
    log = tmp_path / "lumberroom-data" / "lumberroom.sqlite3-wal"
    unlimited = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (log.stat().st_size, unlimited[1]))
    until(lambda: asked(f"{address}health")["store"]["held"] >= 4)
    status, health = asked_with_status(f"{address}health")
    assert (status, health["status"]) == (503, "failing")
    assert health["troubles"][0] == f"Readings cannot be stored: {health['store']['store_error']}"
    assert next(a for a in health["adapters"] if a["name"] == "simulated")["state"] == "running"
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, unlimited)
    until(lambda: asked(f"{address}health")["store"]["held"] == 0)
    status, health = asked_with_status(f"{address}health")
    assert (status, health["status"]) == (200, "trouble")  # the unplugged one still
    assert (health["store"]["store_error"], health["store"]["given_up"]) == ("", 0)
    assert daemon.process.send_signal(signal.SIGTERM) is None
    assert daemon.ended() == 0
    with SqliteStore.open(tmp_path / "lumberroom-data" / "lumberroom.sqlite3", read_only=True) as store:
        at_ms = store.read.read(SeriesKey("hall-1", "temperature_c"), 0, 1 << 50).at_ms
    assert len(at_ms) >= 4
    assert max(at_ms[1:] - at_ms[:-1]) < 2500  # one reading a second, without a hole


def until(so: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait until something is so."""
    end = time.monotonic() + seconds
    while not so():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def test_a_second_daemon_on_the_same_data_is_refused(start: Start) -> None:
    """It says who has the data and ends with the code for storage; the first one goes on."""
    first = start()
    address = first.page()
    second = start()
    assert second.ended() == 3
    assert f"another lumberroom (process {first.process.pid}) is writing this store" in second.log
    assert "Traceback" not in second.log
    assert asked(f"{address}health")["version"]


def test_a_busy_port_ends_it_with_a_sentence(start: Start) -> None:
    """Before anything runs, it says that the port is taken and what to do."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        daemon = start(WIRING.replace("port = 0", f"port = {port}"))
        assert daemon.ended() == 5
    assert f"another program already listens on port {port}. Stop that one, or choose another port" in daemon.log
    assert "Traceback" not in daemon.log


@pytest.mark.parametrize(("signals", "within_s"), [(1, STOP_LIMIT_S + 2), (2, 2.0)])
def test_a_part_that_hangs_does_not_keep_it_from_ending(
    start: Start, tmp_path: Path, signals: int, within_s: float
) -> None:
    """With an adapter that never lets go it still ends in the stated time; a second signal ends it at once."""
    script = tmp_path / "clinging.py"
    script.write_text(CLINGING, encoding="utf-8")
    wiring = WIRING.partition("[[adapter]]")[0] + '[[adapter]]\nname = "c"\ntype = "clinging"\n'
    daemon = start(wiring, str(script))
    daemon.page()
    before = time.monotonic()
    for _ in range(signals):
        daemon.process.send_signal(signal.SIGINT)
        time.sleep(0.2)
    assert daemon.ended(within_s + 1) == 1
    assert time.monotonic() - before < within_s
    assert "leaving at once" in daemon.log


async def test_the_event_loop_is_not_blocked_under_load(tmp_path: Path) -> None:
    """While thousands of readings a second are checked, stored and judged, no turn of the loop takes long."""
    window = AcclimationWindow(rh_percent=Bounds(35, 55), dwell_s=0)
    sensors = tuple(Sensor(f"s{n}", "hall") for n in range(20))
    site = Site("Busy", "UTC", 0.0, (Room("hall", "Hall", window),), sensors)
    simulated = AdapterWiring("sim", "simulated_room", {"sensor": "s0", "interval_s": 1.0})
    daemon = Daemon(Wiring(site, tmp_path, PageWiring(port=0), adapters=(simulated,)), clock=SystemClock())
    up = asyncio.Event()
    running = asyncio.create_task(daemon.run(lambda address: up.set()))
    await up.wait()
    assert daemon.services is not None
    stalls: list[float] = []
    beating = asyncio.create_task(_beat(stalls))
    stored, base_ms = 0, time.time_ns() // 1_000_000 - 10_000_000
    for pack in range(40):
        readings = [
            Reading(f"s{n % 20}", "rh_percent", 45.0 + n % 30, base_ms + pack * 1000 + n, Stamp.SENSOR)
            for n in range(1000)
        ]
        stored += (await daemon.services.submit(readings, source="test")).appended.stored
    beating.cancel()
    daemon.stop()
    await running
    assert stored == 40_000
    # Generous: this machine may be busy. What is looked for is a commit or a judgement on the loop (tens of ms each).
    assert sorted(stalls)[int(len(stalls) * 0.95)] < 0.05
    assert max(stalls) < 1.0


async def test_a_sensor_that_is_never_heard_is_told_of(tmp_path: Path) -> None:
    """The rounds notice by themselves what does not come, store the incident and put the mail into the outbox."""
    site = Site("Quiet", "UTC", 0.0, (Room("hall", "Hall"),), (Sensor("s0", "hall", offline_after_s=120.0),))
    mail = MailWiring("127.0.0.1", "l@example.org", ("a@example.org",), port=9, security="none")
    clock = FastClock(1_790_000_000_000, speed=300.0)
    daemon = Daemon(Wiring(site, tmp_path, PageWiring(port=0), mail), clock=clock)
    up = asyncio.Event()
    running = asyncio.create_task(daemon.run(lambda address: up.set()))
    await up.wait()
    assert daemon.services is not None
    following = daemon.services.news()
    news = await asyncio.wait_for(anext(following), 10)
    assert [(incident.kind, incident.sensor) for incident in news.incidents] == [(IncidentKind.OFFLINE, "s0")]
    assert [notice.recipient for notice in daemon.services.read.notices()] == ["a@example.org"]
    assert daemon.services.standing("hall").silent == ("s0",)
    daemon.stop()
    assert [late async for late in following] == []  # a follower's stream ends with the daemon
    await running


async def test_nothing_waits_for_an_engine_that_is_wired_no_longer(tmp_path: Path) -> None:
    """With [central] taken out the daemon forgets the forwarder once and says so; sealed batches may go again."""
    site = Site("Lakeside", "UTC", 0.0, (Room("hall", "Hall"),), (Sensor("s0", "hall"),))
    path = tmp_path / FILE_NAME
    with SqliteStore.open(path) as store, store.transaction() as work:
        reading = Reading("s0", "rh_percent", 45.0, 1_790_000_000_000, Stamp.SENSOR)
        work.append(ReadingBatch.of([reading]), heard_ms=reading.at_ms)
        work.follow_changes("central", through=0)
    for has_said in (True, False):
        daemon, up = Daemon(Wiring(site, tmp_path, PageWiring(port=0))), asyncio.Event()
        with capture_logs() as said:
            running = asyncio.create_task(daemon.run(lambda address, up=up: up.set()))
            await up.wait()
            daemon.stop()
            await running
        assert any("[central]" in entry["event"] for entry in said) is has_said
    with SqliteStore.open(path) as store:
        store.settle()
        assert store.read.changes(0, 10).lost


async def _beat(stalls: list[float]) -> None:
    loop = asyncio.get_running_loop()
    while True:
        before = loop.time()
        await asyncio.sleep(0.002)
        stalls.append(loop.time() - before - 0.002)


def test_a_data_directory_that_cannot_be_made_is_a_sentence(start: Start, tmp_path: Path) -> None:
    """A file in the place of the data directory ends the start with what to mend."""
    (tmp_path / "taken").write_text("", encoding="utf-8")
    daemon = start(WIRING.replace("[page]", '[data]\ndirectory = "taken"\n[page]'))
    assert daemon.ended() == 2
    assert "taken is a file, not a directory. Name a directory." in daemon.log
