"""Every transport at once into the real daemon's intake and store: nothing is lost, nothing lags, memory is flat.

Five hundred Bluetooth sensors broadcasting once a second, thirty-two Modbus slaves on one bus, and three thousand MQTT
messages a second, for ten minutes. LUMBERROOM_SOAK_S shortens it; the bars stay.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import os
import shutil
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from adapters.contract import Reading
from ingest.clock import SystemClock
from ingest.runtime.intake import Intake
from ingest.runtime.loopwatch import LoopWatch
from ingest.runtime.supervisor import Supervisor
from ingest.runtime.wiring import AdapterWiring
from ingest.site.places import Room, Sensor, Site
from ingest.store.sqlite_store import SqliteStore

pytestmark = pytest.mark.soak

SECONDS = float(os.environ.get("LUMBERROOM_SOAK_S", "600"))
BROADCASTING, SLAVES, MESSAGES_PER_S, MQTT_SENSORS = 500, 32, 3_000, 300
LAG_LIMIT_S = 1.0
GROWTH_LIMIT_BYTES = 60_000_000

HELPERS = Path(__file__).parents[1] / "unit" / "adapters"


def _helper(name: str) -> Any:
    spec = importlib.util.spec_from_file_location(name, HELPERS / f"{name}.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@contextlib.contextmanager
def private_bus(folder: Path) -> Iterator[str]:
    """A message bus in place of the system's."""
    address = f"unix:path={folder}/bus"
    program = shutil.which("dbus-daemon")
    assert program
    daemon = subprocess.Popen(
        [program, "--session", "--nofork", "--nopidfile", "--print-address=1", f"--address={address}"],
        stdout=subprocess.PIPE,
    )
    assert daemon.stdout
    daemon.stdout.readline()
    os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = address
    yield address
    daemon.kill()
    daemon.communicate()
    del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]


def address_of(number: int) -> str:
    """Give the address of a broadcasting sensor."""
    return f"A4:C1:38:00:{number >> 8:02X}:{number & 255:02X}"


async def broadcast(bluez: Any, until_s: float) -> int:
    """Let every sensor broadcast once a second; give how many broadcasts there were."""
    sent, begun_s = 0, time.monotonic()
    while time.monotonic() < until_s:
        for number in range(BROADCASTING):
            value = (sent // BROADCASTING) % 2000
            packet = bytes([0x40, 0x00, (sent // BROADCASTING) & 255, 0x02]) + value.to_bytes(2, "little", signed=True)
            bluez.advertise(address_of(number), packet)
            sent += 1
            if number % 10 == 9:
                due_s = begun_s + sent / BROADCASTING
                await asyncio.sleep(max(0.001, due_s - time.monotonic()))
    return sent


PUBLISHER = """
import asyncio, sys, time
import aiomqtt
async def main(port, ca, seconds, rate, sensors):
    tls = aiomqtt.TLSParameters(ca_certs=ca)
    async with aiomqtt.Client("127.0.0.1", port, username="lumberroom", password="correct horse battery",
                              tls_params=tls, max_inflight_messages=500) as client:
        sent, begun = 0, time.monotonic()
        while time.monotonic() - begun < seconds:
            pending = []
            for _ in range(100):
                at_ms = time.time_ns() // 1_000_000
                body = '[{"n":"m%d/humidity","u":"%%RH","v":%.1f,"t":%.3f}]' % (sent % sensors, sent % 100, at_ms / 1000)
                pending.append(client.publish("climate/m", body, qos=1))
                sent += 1
            await asyncio.gather(*pending)
            await asyncio.sleep(max(0, begun + sent / rate - time.monotonic()))
        print(sent)
asyncio.run(main(int(sys.argv[1]), sys.argv[2], float(sys.argv[3]), float(sys.argv[4]), int(sys.argv[5])))
"""


class Seen:
    """What was handed to the intake, and how long after it was measured."""

    def __init__(self, intake: Intake) -> None:
        self.counts: dict[str, int] = defaultdict(int)
        self.lags_s: list[float] = []
        self._intake = intake

    async def deliver(self, readings: Sequence[Reading], source: str) -> None:
        """Hand on, and count."""
        now_ms = time.time_ns() // 1_000_000
        self.counts[source] += len(readings)
        if len(self.lags_s) < 4_000_000:
            self.lags_s += [(now_ms - reading.at_ms) / 1000 for reading in readings]
        await self._intake.deliver(readings, source)


async def test_nothing_is_lost_nothing_lags_and_memory_is_flat(tmp_path: Path) -> None:
    """All three at their full rate into one intake and one store."""
    lookalike = _helper("bluez_lookalike")
    broker = _helper("mosquitto_broker").Mosquitto(tmp_path)
    await broker.start()
    with private_bus(tmp_path) as bus:
        bluez = lookalike.BluezLookalike()
        await bluez.start(bus)
        bluez.add_radio()
        registers = DataType.REGISTERS
        bus_of_slaves = [
            SimDevice(n, [SimData(0, values=[400 + n, 210], datatype=registers)]) for n in range(1, SLAVES + 1)
        ]
        server = ModbusTcpServer(bus_of_slaves, address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        assert server.transport
        try:
            await _run(tmp_path, bluez, broker, server.transport.sockets[0].getsockname()[1])
        finally:
            await server.shutdown()
            bluez.end()
            broker.end()


def _wirings(broker: Any, modbus_port: int) -> list[AdapterWiring]:
    from adapters.registry import check_settings, load

    sensors = {address_of(number): f"b{number}" for number in range(BROADCASTING)}
    maps = [
        {"sensor": f"s{n}", "quantity": quantity, "slave": n, "address": at, "scale": 0.1}
        for n in range(1, SLAVES + 1)
        for at, quantity in enumerate(("rh_percent", "temperature_c"))
    ]
    given: list[tuple[str, dict[str, Any]]] = [
        ("bluetooth_broadcasts", {"sensors": sensors}),
        ("modbus_tcp", {"host": "127.0.0.1", "port": modbus_port, "registers": maps, "interval_s": 1.0}),
        ("mqtt_topics", broker.settings),
    ]
    return [AdapterWiring(kind, kind, check_settings(load(kind), settings)) for kind, settings in given]


async def _run(folder: Path, bluez: Any, broker: Any, modbus_port: int) -> None:
    names = [f"b{n}" for n in range(BROADCASTING)] + [f"s{n}" for n in range(1, SLAVES + 1)]
    names += [f"m{n}" for n in range(MQTT_SENSORS)]
    site = Site("soak", rooms=(Room("r", "r"),), sensors=tuple(Sensor(name, "r") for name in names))
    store = SqliteStore.open(folder / "lumberroom.sqlite3")
    clock = SystemClock()
    intake = Intake(store, clock, lambda: site, lambda work, site, batch, now_ms: [], lambda news: None)
    intake.start()
    seen, loop_watch = Seen(intake), LoopWatch()
    supervisor = Supervisor(_wirings(broker, modbus_port), clock, seen.deliver)
    tasks = [asyncio.create_task(supervisor.run()), asyncio.create_task(loop_watch.run())]
    await lookalike_ready(bluez, seen)
    memory = psutil.Process().memory_info
    until_s = time.monotonic() + SECONDS
    arguments = [str(broker.port), broker.settings["ca_file"], str(SECONDS), str(MESSAGES_PER_S), str(MQTT_SENSORS)]
    publishing = await asyncio.create_subprocess_exec(
        sys.executable, "-c", PUBLISHER, *arguments, stdout=asyncio.subprocess.PIPE
    )
    talking = asyncio.create_task(broadcast(bluez, until_s))
    await asyncio.sleep(min(60.0, SECONDS / 3))
    warm = memory().rss
    broadcasts = await talking
    published = int((await publishing.communicate())[0])
    await asyncio.sleep(3)
    grown = memory().rss - warm
    statuses = {one.wiring.kind: one.status({}) for one in supervisor.adapters}
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    await intake.close()
    lags = np.array(seen.lags_s)
    print(
        f"{SECONDS:.0f} s: broadcasts {broadcasts}, mqtt {published} ({published / SECONDS:.0f}/s), "
        f"modbus {seen.counts['modbus_tcp']}, lag p50 {np.quantile(lags, 0.5):.3f} p99 {np.quantile(lags, 0.99):.3f} s, "
        f"loop stall {loop_watch.longest_s:.3f} s, memory grown {grown / 1e6:.1f} MB, stored {intake.health.stored}"
    )
    store.close()
    assert seen.counts["mqtt_topics"] == published
    assert seen.counts["bluetooth_broadcasts"] >= 2 * broadcasts - 4 * BROADCASTING  # temperature and signal of each
    assert seen.counts["modbus_tcp"] >= 2 * SLAVES * SECONDS * 0.5
    assert sum(intake.health.rejected.values()) == 0
    assert intake.health.given_up == 0
    assert intake.health.stored + intake.health.repeated + intake.health.amended == sum(seen.counts.values())
    assert all(status.errors == 0 for status in statuses.values()), statuses
    assert np.quantile(lags, 0.99) < LAG_LIMIT_S
    assert grown < GROWTH_LIMIT_BYTES


async def lookalike_ready(bluez: Any, seen: Seen) -> None:
    """Wait until every transport is up."""
    async with asyncio.timeout(20):
        while not (bluez.sessions and seen.counts["modbus_tcp"]):
            await asyncio.sleep(0.05)
    await asyncio.sleep(1)
    seen.counts.clear()
    seen.lags_s.clear()
