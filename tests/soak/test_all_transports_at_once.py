"""Every transport at once into the real daemon: nothing is lost, nothing lags, and its memory is flat.

Five hundred Bluetooth sensors broadcasting once a second, thirty-two Modbus slaves on one bus asked once a second, and
three thousand MQTT messages a second over TLS, for ten minutes; LUMBERROOM_SOAK_S shortens it, and the bars stay. The
daemon is `lumberroom run` as a process of its own on a settings file (`loud_daemon.py` adds a ruler that does not
grow). The lag runs from the instant in the reading to its commit; what was stored is counted in the file, after the
end. Broadcasts are heard through bleak's own Linux code and a real message bus; the look-alike of the Bluetooth
service, the slaves, the broker and the publisher are other processes.

Memory (resident, of the daemon's process) is looked at every five seconds. It breathes with the rounds of sealing, one
in fifty seconds at this rate (longer on a busy machine), and after five minutes the rules read the rooms' readings for
the first time, which fills the memory of unpacked chunks (24 MB at most); the second half of ten minutes begins there.
Flat means that nothing rises any more in the second half: the median of its last two fifths (two minutes of ten) lies
less than `GROWN_LIMIT_MB` above that of its first two. The line through all of it is shown, and not held: over six
breaths it swings by as much as it would have to be held to. A run of less than four minutes only shows both.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx2
import psutil
import pytest

from ingest.store.sqlite_store import SqliteStore

pytestmark = pytest.mark.soak

SECONDS = float(os.environ.get("LUMBERROOM_SOAK_S", "600"))
BROADCASTING, SLAVES, MESSAGES_PER_S, MQTT_SENSORS, ROOMS = 500, 32, 3_000, 300, 40
LAG_LIMIT_S = 1.0
STALL_LIMIT_S = 0.5
GROWN_LIMIT_MB = 5.0
SHORTEST_FLAT_S = 240.0
HERE = Path(__file__).parent


def free_port() -> int:
    """Give a port of the loopback address that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wiring(broker: Any, page: int, modbus: int) -> str:
    """Write the settings file: all three transports, and their sensors spread over forty rooms with a window each."""
    heard = ", ".join(f'"A4:C1:38:00:{n >> 8:02X}:{n & 255:02X}" = "b{n}"' for n in range(BROADCASTING))
    asked = ",\n".join(
        f'{{ sensor = "s{n}", quantity = "{quantity}", slave = {n}, address = {at}, scale = 0.1 }}'
        for n in range(1, SLAVES + 1)
        for at, quantity in enumerate(("rh_percent", "temperature_c"))
    )
    lines = [
        '[site]\nname = "Soak"\ntime_zone = "UTC"\n[data]\ndirectory = "data"',
        f"[page]\nport = {page}",
        f'[[adapter]]\nname = "broadcasts"\ntype = "bluetooth_broadcasts"\nsensors = {{ {heard} }}',
        f'[[adapter]]\nname = "bus"\ntype = "modbus_tcp"\nhost = "127.0.0.1"\nport = {modbus}',
        f"interval_s = 1.0\nregisters = [\n{asked}\n]",
        f'[[adapter]]\nname = "broker"\ntype = "mqtt_topics"\nbroker = "127.0.0.1"\nport = {broker.port}\ntls = true',
        f'ca_file = "{broker.settings["ca_file"]}"\nlogin = "{broker.settings["login"]}"',
        'password_env = "LUMBERROOM_MQTT_PASSWORD"\ntopics = ["climate/#"]',
    ]
    names = [f"b{n}" for n in range(BROADCASTING)] + [f"s{n}" for n in range(1, SLAVES + 1)]
    names += [f"m{n}" for n in range(MQTT_SENSORS)]
    for room in range(ROOMS):
        lines.append(f'[[room]]\nid = "r{room}"\ntitle = "Room {room}"\n[room.window]\ntemperature_c = [18, 24]')
        lines.append("rh_percent = [35, 55]")
        lines += [f'[[room.sensor]]\nid = "{name}"' for name in names[room::ROOMS]]
    return "\n".join(lines) + "\n"


@contextlib.contextmanager
def running(*command: str, **more: Any) -> Iterator[Any]:
    """Have a program run."""
    with subprocess.Popen(
        [sys.executable, *command], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, **more
    ) as process:
        try:
            yield process
        finally:
            process.kill()


@contextlib.asynccontextmanager
async def daemon(folder: Path, broker: Any, modbus: int) -> AsyncIterator[tuple[Any, str]]:
    """Have the daemon run; gives its process and the page's address."""
    file = folder / "lumberroom.toml"
    file.write_text(wiring(broker, free_port(), modbus))
    environment = os.environ | {"LUMBERROOM_MQTT_PASSWORD": broker.settings["password"]}
    log = folder / "log"
    with (
        log.open("w") as errors,
        running(str(HERE / "loud_daemon.py"), str(file), env=environment, stderr=errors) as process,
    ):
        address = (await asyncio.to_thread(process.stdout.readline)).strip()
        assert address, log.read_text()[-2000:]
        yield process, address.rstrip("/")


async def health_of(address: str) -> Any:
    """Ask a daemon for its health."""
    async with httpx2.AsyncClient(trust_env=False, timeout=30.0) as client:
        return (await client.get(f"{address}/health")).json()


def given(health: Any) -> dict[str, int]:
    """Give how many readings each adapter has given."""
    return {one["name"]: one["readings"] for one in health["adapters"]}


def counted(folder: Path) -> dict[str, int]:
    """Count the readings in the store's file, by the first letter of their sensors."""
    counts = {"b": 0, "s": 0, "m": 0}
    with contextlib.closing(SqliteStore.open(folder / "data" / "lumberroom.sqlite3", read_only=True)) as store:
        for extent in store.read.extents():
            counts[extent.key.sensor[0]] += extent.count
    return counts


@pytest.mark.timeout(0)
async def test_nothing_is_lost_nothing_lags_and_memory_is_flat(
    tmp_path: Path, bus: str, helper: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """All three at their full rate: all is stored, 99 % within a second, and neither the loop nor memory gives way."""
    mosquitto = helper("mosquitto_broker")
    broker = mosquitto.Mosquitto(tmp_path)
    await broker.start()
    try:
        with running(str(HERE / "loud_world.py"), str(SECONDS), str(BROADCASTING), str(SLAVES)) as world:
            port = int(await asyncio.to_thread(world.stdout.readline))
            async with daemon(tmp_path, broker, port) as (process, address):
                async with asyncio.timeout(20):
                    while not given(await health_of(address))["bus"]:
                        await asyncio.sleep(0.2)
                await asyncio.sleep(2)
                memory = helper("loud_memory").Memory(process.pid)
                looking = asyncio.create_task(memory.look_on())
                publisher = [broker.port, broker.settings["ca_file"], mosquitto.LOGIN, mosquitto.PASSWORD]
                load = await _load(world, publisher, psutil.Process(process.pid))
                assert not looking.done(), looking.exception()
                looking.cancel()
                load["health"] = await health_of(address)
                process.send_signal(signal.SIGTERM)
                load |= json.loads(await asyncio.to_thread(process.stdout.read))
    finally:
        broker.end()
    with capsys.disabled():
        print(_told(load, memory))
    _hold(load, counted(tmp_path))
    if SECONDS >= SHORTEST_FLAT_S:
        assert memory.grown_mb() < GROWN_LIMIT_MB


async def _load(world: Any, publisher: list[Any], process: psutil.Process) -> dict[str, Any]:
    """Let them all loose; give how many there were of each, and what the daemon's process took for it."""
    arguments = [*publisher, SECONDS, MESSAGES_PER_S, MQTT_SENSORS]
    began_s, before = time.monotonic(), process.cpu_times()
    with running(str(HERE / "loud_publisher.py"), *map(str, arguments)) as publishing:
        world.stdin.write("go\n")
        world.stdin.flush()
        broadcasts = int(await asyncio.to_thread(world.stdout.readline))
        published = int(await asyncio.to_thread(publishing.stdout.readline))
    took_s, after = time.monotonic() - began_s, process.cpu_times()
    await asyncio.sleep(3)
    busy = (after.user + after.system - before.user - before.system) / took_s
    return {"broadcasts": broadcasts, "published": published, "took_s": took_s, "busy": busy}


def _told(load: dict[str, Any], memory: Any) -> str:
    lag, took_s, health = load["lag_s"], load["took_s"], load["health"]
    return (
        f"\n{took_s:.0f} s: broadcasts {load['broadcasts']}, MQTT {load['published']} "
        f"({load['published'] / took_s:.0f}/s), Modbus readings {given(health)['bus']}; "
        f"lag p50 {lag['p50']:.3f} p99 {lag['p99']:.3f} worst {lag['worst']:.3f} s; "
        f"longest stall {health['loop']['longest_stall_s']:.3f} s; {load['busy']:.0%} of a core; "
        f"load of the machine {os.getloadavg()[0]:.1f}\nmemory (MB): {memory.shown()}\n"
        f"second half: its last two fifths {memory.grown_mb():+.1f} MB against its first, "
        f"trend {memory.slope_mb_an_hour():+.0f} MB an hour"
    )


def _hold(load: dict[str, Any], stored: dict[str, int]) -> None:
    """Hold what was handed on, taken in and stored against what was sent."""
    health, published, broadcasts = load["health"], load["published"], load["broadcasts"]
    store, adapters = health["store"], given(health)
    assert adapters["broker"] == published
    assert adapters["broadcasts"] == 2 * broadcasts  # temperature and signal of each
    assert adapters["bus"] >= 2 * SLAVES * SECONDS * 0.5
    assert [(one["errors"], one["rejected"]) for one in health["adapters"]] == [(0, {})] * 3
    assert (store["rejected"], store["given_up"], store["held"], store["judging_failures"]) == ({}, 0, 0, 0)
    twice = store["repeated"] + store["amended"]
    assert published + 2 * broadcasts - twice <= stored["m"] + stored["b"] <= published + 2 * broadcasts
    assert load["measured"] >= published + 2 * broadcasts
    assert published / load["took_s"] >= 0.95 * MESSAGES_PER_S
    assert load["lag_s"]["p99"] < LAG_LIMIT_S
    assert health["loop"]["longest_stall_s"] < STALL_LIMIT_S
