"""Every transport is pulled and restored again and again: it comes back by itself within ten seconds, nothing twice.

The real supervisor with its real waits, the real intake, store and watch; a pty for each serial line, mosquitto, real
pymodbus servers, a real program, a real web server, and bleak against a look-alike of the Bluetooth service on a real
message bus. Each transport is pulled LUMBERROOM_PULLS times (200), at times of its own, so that they overlap in random
order; it stays away between a fifth of a second and twenty seconds, which is past the point where the waits stop
growing (they reach their longest, 4 s, after 7). The time of return runs from the moment at which the device is back to
the commit of a value that it measured afterwards. Polled devices are asked once a second here, so that what is measured
is the return and not the interval.
"""

from __future__ import annotations

import asyncio
import os
import random
import threading
import time
from collections import defaultdict
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest

from adapters.registry import check_settings, load
from dashboards.services import News
from ingest.clock import SystemClock
from ingest.runtime.intake import Intake
from ingest.runtime.supervisor import Supervisor
from ingest.settings.wiring import AdapterWiring
from ingest.site.incidents import Incident
from ingest.site.places import Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.api import UnitOfWork
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch

pytestmark = pytest.mark.soak

PULLS = int(os.environ.get("LUMBERROOM_PULLS", "200"))
SEED = int(os.environ.get("LUMBERROOM_SEED", "1"))
LIMIT_S = 10.0
LOST_FOR_GOOD_S = 60.0
ONLY = os.environ.get("LUMBERROOM_TRANSPORTS", "")  # parts of the names of those to pull, parted by commas; empty = all


class Arrivals:
    """What is durable of each transport, as the newest value that it said; stands where the judge and the news are."""

    def __init__(self) -> None:
        self.newest: dict[str, int] = defaultdict(int)
        self._written: dict[str, int] = {}
        self._watch = Watch()
        self._changed = asyncio.Event()

    def judge(self, work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
        """Judge as the daemon does, and note what is about to be committed; in the writer's thread."""
        said = np.rint(batch.value * 1000).astype(int) - 30_000
        for at, key in enumerate(batch.keys):
            if key.quantity == "pressure_kpa":
                self._written[key.sensor] = int(said[batch.key_index == at].max())
        return self._watch.judge_readings(work, site, batch, now_ms=now_ms)

    def publish(self, news: News) -> None:
        """The commit is done."""
        for sensor, said in list(self._written.items()):
            self.newest[sensor] = max(self.newest[sensor], said)
        self._changed.set()

    async def beyond(self, sensor: str, said: int) -> None:
        """Wait until a value is durable that was said after so many."""
        while self.newest[sensor] <= said:
            self._changed.clear()
            await self._changed.wait()


class Puller:
    """Pulls one transport again and again."""

    def __init__(self, transport: Any, arrivals: Arrivals, chance: random.Random) -> None:
        self.transport = transport
        self.took_s: dict[str, list[float]] = defaultdict(list)
        self.lock = asyncio.Lock()
        self.now = ""
        self._arrivals = arrivals
        self._chance = chance

    async def pull_on(self, times: int, sibling: asyncio.Lock | None) -> None:
        """Pull and restore so many times.  sibling: held where a pull concerns another transport as well."""
        for _ in range(times):
            way, (pull, restore) = self._chance.choice(list(self.transport.ways().items()))
            if way == "service killed" and sibling:
                async with self.lock, sibling:
                    await self._once(way, pull, restore)
            else:
                async with self.lock:
                    await self._once(way, pull, restore)
            await asyncio.sleep(self._chance.uniform(0.1, 1.5))

    async def _once(self, way: str, pull: Any, restore: Any) -> None:
        away_s = self._away_s()
        self.now = f"{self.transport.kind}: {way}, away for {away_s:.1f} s, after {sum(map(len, self.took_s.values()))}"
        await pull()
        await asyncio.sleep(away_s)
        await restore()
        began_s, said = time.monotonic(), self.transport.said
        async with asyncio.timeout(LOST_FOR_GOOD_S):
            await self._arrivals.beyond(self.transport.kind, said)
        self.took_s[way].append(time.monotonic() - began_s)

    def _away_s(self) -> float:
        short, long, very_long = self._chance.uniform(0.2, 3), self._chance.uniform(3, 10), self._chance.uniform(15, 20)
        return self._chance.choices([short, long, very_long], [5, 4, 1])[0]


async def beat_on(transport: Any) -> None:
    """Let a transport say what it has to say."""
    while True:
        await transport.beat()
        await asyncio.sleep(0.2)


@asynccontextmanager
async def field(folder: Path, bus: str, helper: Any) -> AsyncIterator[list[Any]]:
    """Have all transports in place."""
    wired, radio = helper("pullable"), helper("pullable_radio")
    air = radio.Air(bus, helper("bluez_lookalike"))
    await air.start()
    kinds = (wired.Serial, wired.Rtu, wired.Tcp, wired.Http, wired.Child, wired.Files, wired.Mqtt)
    transports = [kind(folder, helper) for kind in kinds] + [radio.Broadcasts(air), radio.Sensing(air)]
    for transport in transports:
        await transport.start()
    beating = [asyncio.create_task(beat_on(transport)) for transport in transports]
    try:
        yield transports
        assert not any(task.done() for task in beating), "a transport fell silent by a fault of the test"
    finally:
        for task in beating:
            task.cancel()
        await asyncio.gather(*beating, return_exceptions=True)
        for transport in transports:
            await transport.end()
        await air.end()


@pytest.mark.timeout(0)
async def test_each_transport_comes_back_by_itself_and_says_nothing_twice(
    tmp_path: Path, bus: str, helper: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Within ten seconds of its return, every time, and no value of any of them stands in the store twice."""
    async with field(tmp_path, bus, helper) as transports:
        kinds = [transport.kind for transport in transports]
        site = Site("soak", rooms=(Room("r", "r"),), sensors=tuple(Sensor(kind, "r") for kind in kinds))
        store, clock, arrivals = SqliteStore.open(tmp_path / "lumberroom.sqlite3"), SystemClock(), Arrivals()
        intake = Intake(store, clock, lambda: site, arrivals.judge, arrivals.publish)
        intake.start()
        wirings = [AdapterWiring(t.kind, t.kind, check_settings(load(t.kind), t.settings)) for t in transports]
        supervisor = Supervisor(wirings, clock, intake.deliver, store=intake.deliver_durably)
        running = asyncio.create_task(supervisor.run())
        async with asyncio.timeout(30):
            await asyncio.gather(*(arrivals.beyond(kind, 0) for kind in kinds))
        before = _held()
        pullers = [Puller(t, arrivals, random.Random(f"{SEED} {t.kind}")) for t in transports]
        sibling = next(p.lock for p in pullers if p.transport.kind == "bluetooth_sensing")
        chosen = [p for p in pullers if any(part in p.transport.kind for part in ONLY.split(","))]
        try:
            await asyncio.gather(*(puller.pull_on(PULLS, sibling) for puller in chosen))
        except TimeoutError:
            _show(chosen, supervisor, before, _held())
            pytest.fail(f"did not come back within {LOST_FOR_GOOD_S:g} s, one of: {[p.now for p in chosen]}")
        after = _held()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await intake.close()
    with capsys.disabled():
        _show(chosen, supervisor, before, after)
    values = {kind: store.read.read(SeriesKey(kind, "pressure_kpa"), 0, 2**52).value.round(3) for kind in kinds}
    twice = {kind: len(found) - len(np.unique(found)) for kind, found in values.items()}
    store.close()
    late = {p.transport.kind: max(max(took) for took in p.took_s.values()) for p in chosen}
    assert max(late.values()) < LIMIT_S, late
    assert not any(twice.values()), twice
    assert intake.health.given_up == 0
    assert after["files"] <= before["files"] + 15
    assert after["threads"] <= before["threads"] + 10
    assert after["memory_mb"] <= before["memory_mb"] + 40


def _held() -> dict[str, float]:
    process = psutil.Process()
    memory_mb = process.memory_info().rss / 1e6
    return {"files": process.num_fds(), "threads": threading.active_count(), "memory_mb": round(memory_mb, 1)}


def _show(pullers: list[Puller], supervisor: Supervisor, before: dict[str, float], after: dict[str, float]) -> None:
    restarts = {one.wiring.kind: one.status({}) for one in supervisor.adapters}
    print(f"\n{'transport':22}{'pulled by':24}{'times':>6}{'p50 s':>8}{'p99 s':>8}{'max s':>8}")
    for puller in pullers:
        for way, took in sorted(puller.took_s.items()):
            p50, p99 = np.quantile(took, [0.5, 0.99])
            print(f"{puller.transport.kind:22}{way:24}{len(took):6}{p50:8.2f}{p99:8.2f}{max(took):8.2f}")
    for kind, status in restarts.items():
        print(f"{kind:22}{status.restarts} restarts, {status.errors} errors, {status.readings} readings")
    print(f"held before {before}, after {after}")
