"""Every transport at once into the real supervisor, intake, watch and store: nothing is lost, nothing lags.

Five hundred Bluetooth sensors broadcasting once a second, thirty-two Modbus slaves on one bus asked once a second, and
three thousand MQTT messages a second over TLS, for ten minutes; LUMBERROOM_SOAK_S shortens it, and the bars stay. The
lag runs from the instant in the reading to its commit. Broadcasts are heard through bleak's own Linux code and a real
message bus; the look-alike of the Bluetooth service, the slaves, the broker and the publisher are other processes.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import time
from collections import defaultdict
from collections.abc import AsyncIterator, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest

from adapters.contract import Reading
from adapters.registry import check_settings, load
from dashboards.services import News
from ingest.clock import SystemClock
from ingest.runtime.intake import Intake
from ingest.runtime.loopwatch import LoopWatch
from ingest.runtime.supervisor import Supervisor
from ingest.runtime.wiring import AdapterWiring
from ingest.site.incidents import Incident
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.api import UnitOfWork
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch

pytestmark = pytest.mark.soak

SECONDS = float(os.environ.get("LUMBERROOM_SOAK_S", "600"))
BROADCASTING, SLAVES, MESSAGES_PER_S, MQTT_SENSORS, ROOMS = 500, 32, 3_000, 300, 40
LAG_LIMIT_S = 1.0
STALL_LIMIT_S = 0.5
GROWTH_LIMIT_BYTES = 60_000_000
HERE = Path(__file__).parent


class Seen:
    """What went into the intake, by source, and how old it was when its commit was done."""

    def __init__(self) -> None:
        self.counts: dict[str, int] = defaultdict(int)
        self.lags_ms: list[np.ndarray[Any, Any]] = []
        self.handed = self.committed = 0  # of the whole run
        self._watch = Watch()
        self._under_way: list[np.ndarray[Any, Any]] = []

    def judge(self, work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
        """Judge as the daemon does, and note the instants that are about to be committed; in the writer's thread."""
        self._under_way.append(batch.at_ms)
        return self._watch.judge_readings(work, site, batch, now_ms=now_ms)

    def publish(self, news: News) -> None:
        """The commit is done."""
        now_ms = time.time_ns() // 1_000_000
        under_way, self._under_way = self._under_way, []
        self.lags_ms += [(now_ms - at_ms).astype(np.int32) for at_ms in under_way]
        self.committed += sum(map(len, under_way))

    def counting(self, deliver: Any) -> Any:
        """Count what is handed on."""

        async def counted(readings: Sequence[Reading], source: str) -> None:
            self.counts[source] += len(readings)
            self.handed += len(readings)
            await deliver(readings, source)

        return counted

    def clear(self) -> None:
        """Begin anew with what is counted by source and with the lags."""
        self.counts.clear()
        self.lags_ms.clear()


def site() -> Site:
    """All their sensors, spread over forty rooms with a window each."""
    names = [f"b{n}" for n in range(BROADCASTING)] + [f"s{n}" for n in range(1, SLAVES + 1)]
    names += [f"m{n}" for n in range(MQTT_SENSORS)]
    window = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0))
    rooms = tuple(Room(f"r{n}", f"Room {n}", window) for n in range(ROOMS))
    return Site("soak", rooms=rooms, sensors=tuple(Sensor(name, f"r{at % ROOMS}") for at, name in enumerate(names)))


def wirings(broker: Any, modbus_port: int) -> list[AdapterWiring]:
    """Wire all three as a wiring file would."""
    sensors = {f"A4:C1:38:00:{n >> 8:02X}:{n & 255:02X}": f"b{n}" for n in range(BROADCASTING)}
    maps = [
        {"sensor": f"s{n}", "quantity": quantity, "slave": n, "address": at, "scale": 0.1}
        for n in range(1, SLAVES + 1)
        for at, quantity in enumerate(("rh_percent", "temperature_c"))
    ]
    given: list[tuple[str, dict[str, Any]]] = [
        ("bluetooth_broadcasts", {"sensors": sensors}),
        ("modbus_tcp", {"host": "127.0.0.1", "port": modbus_port, "registers": maps, "interval_s": 1.0}),
        ("mqtt_topics", broker.settings | {"keepalive_s": 15}),
    ]
    return [AdapterWiring(kind, kind, check_settings(load(kind), settings)) for kind, settings in given]


@contextlib.contextmanager
def running(*command: str) -> Iterator[Any]:
    """Have a program run."""
    import subprocess

    with subprocess.Popen(
        [sys.executable, *command], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            yield process
        finally:
            process.kill()


@contextlib.asynccontextmanager
async def supervised(folder: Path, adapters: list[AdapterWiring], seen: Seen) -> AsyncIterator[tuple[Any, ...]]:
    """Have the daemon's parts at work; gives intake, supervisor and the watch of the loop."""
    at, clock, store, loop = site(), SystemClock(), SqliteStore.open(folder / "lumberroom.sqlite3"), LoopWatch()
    intake = Intake(store, clock, lambda: at, seen.judge, seen.publish)
    intake.start()
    deliver, durably = seen.counting(intake.deliver), seen.counting(intake.deliver_durably)
    supervisor = Supervisor(adapters, clock, deliver, store=durably)
    tasks = [asyncio.create_task(supervisor.run()), asyncio.create_task(loop.run())]
    try:
        yield intake, supervisor, loop
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await intake.close()
        store.close()


@pytest.mark.timeout(0)
async def test_nothing_is_lost_nothing_lags_and_memory_is_flat(
    tmp_path: Path, bus: str, helper: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """All three at their full rate: all is stored, 99 % within a second, and the loop is never held up for long."""
    mosquitto = helper("mosquitto_broker")
    broker, seen = mosquitto.Mosquitto(tmp_path), Seen()
    await broker.start()
    world_command = (str(HERE / "loud_world.py"), str(SECONDS), str(BROADCASTING), str(SLAVES))
    try:
        with running(*world_command) as world:
            port = int(await asyncio.to_thread(world.stdout.readline))
            async with supervised(tmp_path, wirings(broker, port), seen) as (intake, supervisor, loop):
                async with asyncio.timeout(20):
                    while not seen.counts["modbus_tcp"]:
                        await asyncio.sleep(0.05)
                await asyncio.sleep(2)
                await _load(world, broker, mosquitto, seen, loop, intake, supervisor, capsys)
            health = intake.health
            assert seen.handed == seen.committed == health.stored + health.repeated + health.amended
    finally:
        broker.end()


async def _load(
    world: Any, broker: Any, mosquitto: Any, seen: Seen, loop: LoopWatch, intake: Any, supervisor: Any, capsys: Any
) -> None:
    process = psutil.Process()
    seen.clear()
    loop.longest_s = 0.0
    arguments = [broker.port, broker.settings["ca_file"], mosquitto.LOGIN, mosquitto.PASSWORD]
    numbers = [SECONDS, MESSAGES_PER_S, MQTT_SENSORS]
    began_s, cpu_before = time.monotonic(), process.cpu_times()
    with running(str(HERE / "loud_publisher.py"), *map(str, arguments + numbers)) as publisher:
        world.stdin.write("go\n")
        world.stdin.flush()
        await asyncio.sleep(min(60.0, SECONDS / 3))
        warm = process.memory_info().rss
        broadcasts = int(await asyncio.to_thread(world.stdout.readline))
        published = int(await asyncio.to_thread(publisher.stdout.readline))
    took_s, cpu = time.monotonic() - began_s, process.cpu_times()
    await asyncio.sleep(3)
    grown = process.memory_info().rss - warm
    lags_s = np.concatenate(seen.lags_ms) / 1000
    p50, p99 = np.quantile(lags_s, [0.5, 0.99])
    busy = (cpu.user + cpu.system - cpu_before.user - cpu_before.system) / took_s
    with capsys.disabled():
        print(
            f"\n{took_s:.0f} s: broadcasts {broadcasts}, MQTT {published} ({published / took_s:.0f}/s), "
            f"Modbus readings {seen.counts['modbus_tcp']}; lag p50 {p50:.3f} p99 {p99:.3f} worst {lags_s.max():.3f} s; "
            f"longest stall {loop.longest_s:.3f} s; {busy:.0%} of a core; "
            f"{process.memory_info().rss / 1e6:.0f} MB, grown {grown / 1e6:.1f} MB"
        )
    assert seen.counts["mqtt_topics"] == published
    assert seen.counts["bluetooth_broadcasts"] == 2 * broadcasts  # temperature and signal of each
    assert seen.counts["modbus_tcp"] >= 2 * SLAVES * SECONDS * 0.5
    health = intake.health
    assert sum(health.rejected.values()) + health.given_up + health.judging_failures == 0
    assert [one.status({}).errors for one in supervisor.adapters] == [0, 0, 0]
    assert published / took_s >= 0.95 * MESSAGES_PER_S
    assert p99 < LAG_LIMIT_S
    assert loop.longest_s < STALL_LIMIT_S
    assert grown < GROWTH_LIMIT_BYTES
