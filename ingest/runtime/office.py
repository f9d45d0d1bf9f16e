"""The office: a dashboard for all sites from the central engine alone, and a watch over who is not heard.

A site that has lost power or network cannot mail for itself; the office must. Its own small store holds what it must
remember itself: which sites there are, who is silent, mail to be sent.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Awaitable, Callable
from typing import Final

import structlog

from dashboards.services import News
from ingest.central.dialects import engine_of
from ingest.central.engine import OwnThread
from ingest.central.series import CentralSeries
from ingest.clock import Clock, SystemClock
from ingest.notices.letters.compose_site import compose_site
from ingest.runtime.machine.systemd import Systemd
from ingest.runtime.newsboard import NewsBoard
from ingest.runtime.notifying import Notifying
from ingest.runtime.office_services import OfficeReader, OfficeServices
from ingest.runtime.office_watch import OfficeWatch
from ingest.runtime.page_address import address, bind
from ingest.runtime.page_task import AppFactory, Ready, RunningPage
from ingest.runtime.storeopening import open_store
from ingest.runtime.tasks import end, every, finish, keep
from ingest.settings.office import OfficeWiring
from ingest.site.places import Site
from ingest.store.sqlite_store import SqliteStore

LOOK_EVERY_S: Final = 30.0
"""How often the engine is asked what the sites say; they say it every minute."""

LOOK_LIMIT_S: Final = 600.0
"""So long a look may take, with the wait after one that failed: longer than every question of it may hang, far from for
ever. Beyond it systemd is not told any more that the office is alive."""

_PAGE_LIMIT_S: Final = 2.3
_PARTS_LIMIT_S: Final = 0.8

_log = structlog.get_logger("lumberroom.office")


class Office:
    """One office.  wiring: what to run.  clock: the machine's own unless given.  app_factory: makes the web pages."""

    def __init__(self, wiring: OfficeWiring, *, clock: Clock | None = None, app_factory: AppFactory) -> None:
        self.wiring = wiring
        self.clock: Clock = clock or SystemClock()
        self.address = ""
        self.services: OfficeServices | None = None  # while it runs
        self._app_factory = app_factory
        self._stopping = asyncio.Event()
        self._systemd = Systemd()
        self._news = NewsBoard()
        self._notifying = Notifying(wiring, self.clock, composer=compose_site)
        self._looked_s = 0.0  # when a look came to an end, well or not (monotonic)
        self._tasks: list[asyncio.Task[None]] = []

    def stop(self) -> None:
        """Ask the office to stop. For the event loop's thread."""
        self._stopping.set()

    async def run(self, ready: Ready | None = None) -> None:
        """Run until `stop`. Raises StorageError, and TransientError or SettingsError for the page's address."""
        store = await asyncio.to_thread(open_store, self.wiring.data_directory)
        try:
            with bind(self.wiring.page) as listener:
                self.address = address(listener)
                await self._run_on(store, listener, ready)
        finally:
            await asyncio.to_thread(store.close)
            _log.info("stopped")

    async def _run_on(self, store: SqliteStore, listener: socket.socket, ready: Ready | None) -> None:
        wiring, clock = self.wiring, self.clock
        engine = engine_of(wiring.central)
        own = Site(wiring.name, wiring.time_zone)
        watch = await asyncio.to_thread(
            OfficeWatch, store, engine, clock, self._notifying, own, wiring.offline_after_s, forget=wiring.forget
        )

        def elevation_m(site_id: str) -> float:
            told = watch.told.get(site_id)
            return told.site.elevation_m if told else 0.0

        reader = OfficeReader(CentralSeries(engine, clock, elevation_m), store.read, watch, wiring)
        self.services = OfficeServices(wiring, clock, reader, watch, self._news, store)
        thread = OwnThread("central engine")
        page: RunningPage | None = None
        try:
            self._keep("listening", lambda: every(LOOK_EVERY_S, clock, lambda: self._look(thread, watch)))
            self._keep("notices", lambda: self._notifying.run(store))
            page = await RunningPage.started(self._app_factory, self.services, listener)
            self._looked_s = clock.monotonic_s()
            self._tasks.append(asyncio.create_task(self._systemd.watch(self._is_alive), name="systemd"))
            self._systemd.tell("READY=1")
            _log.info("running", page=self.address, engine=wiring.central.for_reading)
            if ready is not None:
                ready(self.address)
            await self._stopping.wait()
            self._systemd.tell("STOPPING=1")
        finally:
            thread.close()
            await self._stop(page)

    async def _look(self, thread: OwnThread, watch: OfficeWatch) -> None:
        try:
            incidents = await thread.run(watch.look)
        finally:
            self._looked_s = self.clock.monotonic_s()
        if incidents:
            self._notifying.wake()
        assert self.services is not None
        rooms = tuple(room.id for room in self.services.site().rooms)
        self._news.publish(News(self.clock.now_ms(), rooms, tuple(incidents)))

    def _is_alive(self) -> bool:
        return self.clock.monotonic_s() - self._looked_s <= LOOK_LIMIT_S

    def _keep(self, name: str, work: Callable[[], Awaitable[None]]) -> None:
        self._tasks.append(asyncio.create_task(keep(name, work, self.clock), name=name))

    async def _stop(self, page: RunningPage | None) -> None:
        self._news.close()
        if page is not None:
            await finish(page.stop(), _PAGE_LIMIT_S, lambda error: _log.error("stopping failed", error=str(error)))
        await end(self._tasks, _PARTS_LIMIT_S)
