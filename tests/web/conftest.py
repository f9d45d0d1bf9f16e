"""A site on paper, a real store beneath it, real judging, and the application over both."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import uvicorn
from playwright.sync_api import Browser, sync_playwright
from starlette.testclient import TestClient

from adapters.contract import QUANTITIES, Reading, Rejection, Stamp
from dashboards.app import create_app
from dashboards.services import (
    Actions,
    AdapterStatus,
    Assigned,
    Assignment,
    CaughtMail,
    DeviceKeyStatus,
    DeviceRight,
    ForwardingStatus,
    News,
    Reach,
    RoomStanding,
    SiteSetup,
    Submitted,
)
from ingest.clock import DrivenClock
from ingest.errors import LumberroomError, StorageError
from ingest.present.digits import Units
from ingest.runtime.newsboard import NewsBoard
from ingest.site.actor import SETTINGS
from ingest.site.handling import Asked, Handling
from ingest.site.incidents import Incident, IncidentKind, NoticeKind, NoticeState
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.api import Appended, StoreReader
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.handling import carry_out
from ingest.watch.rounds import judge_readings
from ingest.watch.standing import standing

NOW_MS = 1_767_874_800_000  # 2026-01-08T12:20:00Z, 13:20 in Berlin
MINUTE_MS = 60_000
TOKEN = "a-push-token-of-the-tests"
HOSTILE = '<script>alert("x")</script>&"\'</svg>'

SITE = Site(
    name="Bench house (invented)",
    time_zone="Europe/Berlin",
    elevation_m=120.0,
    rooms=(
        Room("loft", "Loft", AcclimationWindow(Bounds(16, 24), Bounds(35, 55), Bounds(6.5, 9.5)), "oak, 20 mm"),
        Room("hall", "Hall", AcclimationWindow(rh_percent=Bounds(30, 50), dwell_s=600, return_dwell_s=600)),
        Room("cellar", "Cellar"),
    ),
    sensors=(
        Sensor("loft-air", "loft", title="On the beam"),
        Sensor("loft-wood", "loft", Place.WOOD, title="In a joist"),
        Sensor("hall-air", "hall"),
    ),
)


@dataclass
class BenchServices:
    """The services of the tests: a real store, the real judging, a clock that the test drives."""

    store: SqliteStore
    held_site: Site = SITE
    clock: DrivenClock = field(default_factory=lambda: DrivenClock(NOW_MS))
    units: Units = Units.SI
    demo_speed: float | None = None
    actions: Actions | None = None
    setup: SiteSetup | None = None
    statuses: list[AdapterStatus] = field(default_factory=list)
    unassigned: dict[str, int] = field(default_factory=dict)
    caught: list[CaughtMail] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    forwards: ForwardingStatus | None = None
    rights: dict[str, DeviceRight] = field(default_factory=dict)
    keys: list[DeviceKeyStatus] = field(default_factory=list)
    looks_around: bool = True
    reach: Reach = field(default_factory=lambda: Reach(False))
    asked: list[tuple[bool, bool]] = field(default_factory=list)
    assignments: list[Assignment] = field(default_factory=list)
    assigned: Assigned = field(default_factory=lambda: Assigned("loft-2", "loft", ("Loft 2 belongs to Loft now.",)))
    refuses: LumberroomError | None = None
    failing: bool = False
    disk_full: bool = False
    board: NewsBoard = field(default_factory=NewsBoard)
    loop: asyncio.AbstractEventLoop | None = None

    @property
    def read(self) -> StoreReader:
        """Give the store's reader."""
        return self.store.read

    def site(self) -> Site:
        """Give the site."""
        return self.held_site if self.setup is None else self.setup.site

    def standing(self, room: str) -> RoomStanding:
        """Say how a room stands, as the watch judged it."""
        found = standing(self.read, self.held_site, room, now_ms=self.clock.now_ms())
        return RoomStanding(found.room, found.state, found.reason, found.since_ms, found.silent)

    def adapters(self) -> Sequence[AdapterStatus]:
        """Give what the test says of the adapters."""
        return self.statuses

    def unassigned_sensors(self) -> Mapping[str, int]:
        """Give what the test says of unassigned sensors."""
        return self.unassigned

    def mails(self) -> Sequence[CaughtMail]:
        """Give the mails that the test put there."""
        return self.caught

    def forwarding(self) -> ForwardingStatus | None:
        """Say what the test says of forwarding."""
        return self.forwards

    def push_token_matches(self, token: str) -> bool:
        """Say whether it is the one token of the tests."""
        return token == TOKEN

    def device_right(self, token: str) -> DeviceRight | None:
        """Give what the test gave out."""
        return self.rights.get(token)

    def device_keys(self) -> Sequence[DeviceKeyStatus]:
        """Give what the test says of keys."""
        return self.keys

    async def within_reach(self, *, renew: bool = True, again: bool = False) -> Reach:
        """Give what the test says is within reach, and note who asked how."""
        self.asked.append((renew, again))
        return self.reach

    async def assign(self, assignment: Assignment) -> Assigned:
        """Note what is wanted; refuse what the test wants refused."""
        self.assignments.append(assignment)
        if self.refuses is not None:
            raise self.refuses
        return self.assigned

    async def submit(self, readings: Sequence[Reading], *, source: str) -> Submitted:
        """Store what belongs to a sensor of the site, judge it, and tell of it."""
        if self.disk_full:
            raise StorageError("the disk is full", where="lumberroom.sqlite3", mend="Make room on the disk.")
        known = [one for one in readings if self.held_site.sensor(one.sensor)]
        unassigned = [number for number, one in enumerate(readings) if not self.held_site.sensor(one.sensor)]
        refused = tuple(Rejection("sensor belongs to no room", "", readings[number].sensor) for number in unassigned)
        appended, incidents = await asyncio.to_thread(self.write, known)
        rooms = {sensor.room for one in known if (sensor := self.held_site.sensor(one.sensor))}
        self.board.publish(News(self.clock.now_ms(), tuple(sorted(rooms)), tuple(incidents)))
        return Submitted(appended, refused, tuple(unassigned))

    def write(self, readings: Sequence[Reading]) -> tuple[Appended, list[Incident]]:
        """Store and judge in one transaction."""
        now_ms = self.clock.now_ms()
        batch = ReadingBatch.of(readings)
        with self.store.transaction() as work:
            appended = work.append(batch, heard_ms=now_ms)
            return appended, judge_readings(work, self.held_site, batch, now_ms=now_ms)

    async def handle(self, asked: Asked) -> Handling:
        """Do what is asked, as the daemon does."""
        if self.disk_full:
            raise StorageError("the disk is full", where="lumberroom.sqlite3", mend="Make room on the disk.")

        def write() -> Handling:
            with self.store.transaction() as work:
                return carry_out(work, asked, now_ms=self.clock.now_ms())

        return await asyncio.to_thread(write)

    def news(self) -> AsyncIterator[News]:
        """Follow the news."""
        return self.board.follow()

    def health(self) -> Mapping[str, object]:
        """Give figures, well unless the test says otherwise."""
        status = "failing" if self.failing else "trouble" if self.troubles else "well"
        return {"status": status, "troubles": self.troubles, "version": "0.1.0"}


def air(sensor: str, at_ms: int, temperature_c: float, rh_percent: float) -> list[Reading]:
    """Give one reading of the air."""
    return [
        Reading(sensor, "temperature_c", temperature_c, at_ms, Stamp.SENSOR),
        Reading(sensor, "rh_percent", rh_percent, at_ms, Stamp.SENSOR),
    ]


def history() -> list[Reading]:
    """Give three days of five-minute readings up to now, with a gap of four hours in the loft's first day."""
    readings: list[Reading] = []
    for step in range(3 * 288, -1, -1):
        at_ms = NOW_MS - step * 5 * MINUTE_MS
        swing = float(np.sin(step / 46))
        if not 700 <= step < 748:
            readings += air("loft-air", at_ms, 20.0 + swing, 45.0 - 4 * swing)
        readings += air("hall-air", at_ms, 18.0 + 0.5 * swing, 42.0 + 3 * swing)
        if step % 12 == 0:
            readings.append(Reading("loft-wood", "wood_mc_percent", 8.4 + 0.1 * swing, at_ms, Stamp.SENSOR))
    return readings


@pytest.fixture
def services(tmp_path: Path) -> Iterator[BenchServices]:
    """Services over a store that holds the site and three days of it."""
    store = SqliteStore.open(tmp_path / "lumberroom.sqlite3")
    made = BenchServices(store)
    with store.transaction() as work:
        work.save_site(SITE, at_ms=NOW_MS, by=SETTINGS)
    made.write(history())
    yield made
    store.close()


@pytest.fixture
def client(services: BenchServices) -> Iterator[TestClient]:
    """The application, driven in this process."""
    with TestClient(create_app(services), base_url="http://127.0.0.1:8430") as made:
        yield made


@pytest.fixture
def bench() -> Any:
    """What the tests need by name: the site, the token, the hostile text, makers of readings and of incidents."""

    class Bench:
        site, token, hostile, now_ms, minute_ms = SITE, TOKEN, HOSTILE, NOW_MS, MINUTE_MS
        quantities = QUANTITIES

        air = staticmethod(air)

        @staticmethod
        def key(sensor: str, quantity: str = "rh_percent") -> SeriesKey:
            """Name a series."""
            return SeriesKey(sensor, quantity)

        @staticmethod
        def incident(number: int, *, is_open: bool, room: str = "hall", reason: str = "RH above 50 %") -> Incident:
            """Make an incident that began `number` hours ago."""
            began_ms = NOW_MS - number * 60 * MINUTE_MS
            return Incident(
                id=f"i{number}",
                room=room,
                sensor="hall-air",
                kind=IncidentKind.WINDOW,
                began_ms=began_ms,
                opened_ms=began_ms + 10 * MINUTE_MS,
                reason=reason,
                closed_ms=None if is_open else began_ms + 30 * MINUTE_MS,
                quantity="rh_percent",
                bound=50.0,
                worst_value=57.5,
                worst_at_ms=began_ms + 20 * MINUTE_MS,
            )

        @staticmethod
        def put(services: BenchServices, *incidents: Incident) -> None:
            """Write incidents into the store."""
            with services.store.transaction() as work:
                for one in incidents:
                    work.put_incident(one, at_ms=NOW_MS, by=SETTINGS)

        @staticmethod
        def refuse_notice(services: BenchServices, incident: Incident, error: str) -> None:
            """Put a notice into the outbox that the other side refused for good."""
            with services.store.transaction() as work:
                work.add_notice(
                    incident=incident.id,
                    kind=NoticeKind.OPENED,
                    channel="mail",
                    recipient="keeper@example.org",
                    facts={},
                    created_ms=NOW_MS,
                )
                notice = work.read.notices()[-1]
                work.update_notice(replace(notice, state=NoticeState.REFUSED, attempts=1, last_error=error))

        @staticmethod
        def hostile_site() -> Site:
            """Give the site with hostile text wherever a person may write."""
            rooms = tuple(replace(room, title=HOSTILE, holds=HOSTILE) for room in SITE.rooms)
            sensors = tuple(replace(sensor, title=HOSTILE) for sensor in SITE.sensors)
            return replace(SITE, name=HOSTILE, rooms=rooms, sensors=sensors)

        @staticmethod
        def mail(number: int, *, subject: str = "Hall is out of range", html: str | None = None) -> CaughtMail:
            """Make a caught mail."""
            text = "The hall has been above 50 %."
            return CaughtMail(number, NOW_MS, "watch@example.org", "keeper@example.org", subject, text, html)

    return Bench


@dataclass
class Served:
    """An application served on a real port, with its services and the server's loop."""

    address: str
    services: BenchServices
    server: uvicorn.Server
    loop: asyncio.AbstractEventLoop

    def submit(self, readings: Sequence[Reading]) -> Submitted:
        """Hand readings in, as an adapter would, and wait until they are stored."""
        return asyncio.run_coroutine_threadsafe(self.services.submit(readings, source="tests"), self.loop).result(10)


@contextlib.contextmanager
def served_app(services: BenchServices, port: int = 0) -> Iterator[Served]:
    """Serve on a loopback port (0: a free one), in a thread with a loop of its own, until the block ends."""
    listening = socket.create_server(("127.0.0.1", port))
    config = uvicorn.Config(create_app(services), log_level="warning", timeout_graceful_shutdown=2)
    server = uvicorn.Server(config)
    loops: list[asyncio.AbstractEventLoop] = []
    ready = threading.Event()

    async def main() -> None:
        loops.append(asyncio.get_running_loop())
        ready.set()
        await server.serve(sockets=[listening])

    thread = threading.Thread(target=lambda: asyncio.run(main()))
    thread.start()
    ready.wait(10)
    try:
        yield Served(f"http://127.0.0.1:{listening.getsockname()[1]}", services, server, loops[0])
    finally:
        loops[0].call_soon_threadsafe(services.board.close)
        server.should_exit = True
        thread.join(15)
        listening.close()


@pytest.fixture
def served(services: BenchServices) -> Iterator[Served]:
    """The application on a real port."""
    with served_app(services) as running:
        yield running


@pytest.fixture
def serve() -> Callable[..., contextlib.AbstractContextManager[Served]]:
    """Serve again after a stop."""
    return served_app


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests of this file."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="session")
def contrast() -> str:
    """The script that finds text of too little contrast: see contrast.js."""
    return Path(__file__).with_name("contrast.js").read_text(encoding="utf-8")
