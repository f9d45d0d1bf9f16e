"""The daemon: puts the parts together, starts them in order, and stops them in order within a stated time.

Start: the data directory's lock and the store; the job; the page's address; the intake; the adapters (the first reading
is stored from here on); then what can come a moment later: notices, rounds, calendar, page.

Stop: adapters (nothing more comes in), the page (requests under way are answered), rounds and calendar and notices, the
intake (what is waiting is written), the store. Each step has a limit, all of them together `STOP_LIMIT_S`. What is
stored is safe at every moment, whether or not the daemon stops like this.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections.abc import Awaitable, Callable, Sequence
from typing import Final, Protocol

import structlog

from dashboards.services import CaughtMail, News
from ingest.clock import Clock, SystemClock
from ingest.errors import DiskFullError, LumberroomError
from ingest.notices.alive import SignOfLife
from ingest.runtime import forwarding
from ingest.runtime.assigning import Assigner, entries_of
from ingest.runtime.forwarding import Forwarding, not_wired
from ingest.runtime.intake import Intake
from ingest.runtime.keybook import NOTE_EVERY_S, KeyBook
from ingest.runtime.live_job import LiveJob
from ingest.runtime.machine import arenas, wallwatch
from ingest.runtime.machine.loopwatch import LoopWatch
from ingest.runtime.machine.systemd import Systemd, alive
from ingest.runtime.machine.wallwatch import WallWatch
from ingest.runtime.newsboard import NewsBoard
from ingest.runtime.notifying import Notifying
from ingest.runtime.page_task import AppFactory, Ready, RunningPage
from ingest.runtime.reach import Looking, Surroundings
from ingest.runtime.services import DaemonServices, Figures, Parts, no_mails
from ingest.runtime.station_eye import LOOK_EVERY_S as STATION_EVERY_S
from ingest.runtime.station_eye import StationEye
from ingest.runtime.storeopening import once_there_is_room, open_store
from ingest.runtime.storewatch import LOOK_EVERY_S as STORE_EVERY_S
from ingest.runtime.storewatch import StoreWatch
from ingest.runtime.supervisor import Supervisor
from ingest.runtime.tasks import Failures, end, every, finish, keep
from ingest.runtime.upkeep import Upkeep
from ingest.settings.wiring import AliveWiring, Wiring
from ingest.site.editing import differences
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.api import UnitOfWork
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch
from ingest.watch.stations import StationWatch

STOP_LIMIT_S: Final = 8.0
"""The daemon stops within this (real seconds), whatever its parts do."""

ROUND_EVERY_S: Final = 30.0
"""How often silence is looked for. Each round is a small commit: more often would only wear a memory card out."""

RULES_EVERY_S: Final = 300.0
"""How often the rules beside the window are judged: none of them is a matter of minutes."""

_ADAPTERS_LIMIT_S: Final = 3.2
_PAGE_LIMIT_S: Final = 2.3
_PARTS_LIMIT_S: Final = 0.8
_INTAKE_LIMIT_S: Final = 1.2
_KEYS_LIMIT_S: Final = 0.3

Listeners = tuple[socket.socket | None, socket.socket | None]
"""The page's, and that of devices; None where there is none."""

_log = structlog.get_logger("lumberroom")


class JudgeSite(Protocol):
    """Judges something of a whole site within a unit of work; gives the incidents to be told."""

    def __call__(self, work: UnitOfWork, site: Site, *, now_ms: int) -> list[Incident]: ...


class Daemon:
    """One site's daemon.

    wiring: what to run.  clock: the machine's own unless given.  app_factory: makes the web application, called in a
    thread after the adapters have started (importing it takes its time); None serves no page.  push_factory: the same
    for the listener of devices, if the wiring has one.  demo_speed, mails: for the demonstration.
    """

    def __init__(
        self,
        wiring: Wiring,
        *,
        clock: Clock | None = None,
        app_factory: AppFactory | None = None,
        push_factory: AppFactory | None = None,
        demo_speed: float | None = None,
        mails: Callable[[], Sequence[CaughtMail]] = no_mails,
    ) -> None:
        self.wiring = wiring
        self.clock: Clock = clock or SystemClock()
        self.services: DaemonServices | None = None  # while it runs
        self.address = ""  # of the page, while it runs
        self.push_address = ""  # where devices hand in, while it runs; empty where they may not
        self._app_factory = app_factory
        self._push_factory = push_factory
        self._demo_speed = demo_speed
        self._mails = mails
        self._stopping = asyncio.Event()
        self._systemd = Systemd()
        self._live: LiveJob | None = None  # from when the store is open
        self._news = NewsBoard()
        self._failures = Failures(self.clock)
        self._notifying = Notifying(wiring, self.clock, site=lambda: self._site, failures=self._failures)
        self._forwarding = Forwarding(wiring.central, self.clock, lambda: self._site) if wiring.central else None
        self._store_watch = StoreWatch(lambda: self._site, self.clock, self._notifying)
        self._watch = Watch()
        self._station = StationWatch()
        self._went_round_s = self.clock.monotonic_s()
        self._tasks: list[asyncio.Task[None]] = []
        self._upkeep: Upkeep | None = None
        self._looking: Looking | None = None
        self._round_s = time.monotonic()  # when a round was last finished; real, as the machine is what is watched

    def stop(self) -> None:
        """Ask the daemon to stop; `run` returns within `STOP_LIMIT_S`. For the event loop's thread."""
        self._stopping.set()

    async def run(self, ready: Ready | None = None) -> None:
        """Run until `stop`.

        A full disk is waited for.  Raises StorageError (data directory or store cannot be used, or another daemon has
        it) and, for the page's address, TransientError or SettingsError: before anything is running.
        """
        store = await self._opened()
        try:
            with self._listener() as listener, self._push_listener() as push_listener:
                await self._run_on(store, (listener, push_listener), ready)
        finally:
            await asyncio.to_thread(store.close)
            _log.info("stopped")

    async def _opened(self) -> SqliteStore:
        """Open the store and settle the job in it; on a full disk say so by mail and wait for room."""

        async def begin() -> SqliteStore:
            store = await asyncio.to_thread(open_store, self.wiring.data_directory)
            try:
                await self._settle_job(store)
            except BaseException:
                await asyncio.to_thread(store.close)
                raise
            return store

        async def tell(error: DiskFullError | None) -> None:
            self._store_watch.intake.store_error = str(error) if error is not None else ""
            await self._store_watch.look()

        return await once_there_is_room(begin, self._systemd, self._stopping, tell)

    async def _settle_job(self, store: SqliteStore) -> None:
        live = await asyncio.to_thread(LiveJob, store, self.clock, self.wiring.site, self._publish)
        self._live = live
        if self.wiring.central is None and await asyncio.to_thread(forwarding.forget, store):
            _log.info("[central] is no longer in the settings file: nothing is kept for a central engine any more")
        if found := differences(live.site, self.wiring.site):
            _log.warning(
                "the settings file differs from the site setup, which holds. To take the file's: lumberroom site apply",
                differing=found,
                file=str(self.wiring.path or ""),
            )

    @property
    def _site(self) -> Site:
        return self._live.site if self._live is not None else self.wiring.site

    def _listener(self) -> contextlib.AbstractContextManager[socket.socket | None]:
        if self._app_factory is None:
            return contextlib.nullcontext()
        from ingest.runtime.page_address import address, bind

        listener = bind(self.wiring.page)
        self.address = address(listener)
        return listener

    def _push_listener(self) -> contextlib.AbstractContextManager[socket.socket | None]:
        push = self.wiring.push
        if push is None or self._push_factory is None:
            return contextlib.nullcontext()
        from ingest.runtime import push_listener

        listener = push_listener.bind(push)
        self.push_address = push_listener.address(push, listener)
        return listener

    async def _serve(self, listeners: Listeners, services: DaemonServices, pages: list[RunningPage]) -> None:
        """Serve the page, and the listener of devices, those that there are."""
        page, push = listeners
        if page is not None and self._app_factory is not None:
            pages.append(await RunningPage.started(self._app_factory, services, page))
        if push is not None and self._push_factory is not None and self.wiring.push is not None:
            from ingest.runtime.push_listener import BoundedSocket, server_options

            assert isinstance(push, BoundedSocket)
            options = server_options(self.wiring.push, push)
            pages.append(await RunningPage.started(self._push_factory, services, push, options))

    async def _run_on(self, store: SqliteStore, listeners: Listeners, ready: Ready | None) -> None:
        self._round_s = time.monotonic()
        intake = Intake(
            store, self.clock, lambda: self._site, self._judge, self._publish, gather_s=self.wiring.gather_s
        )
        intake.start()
        assert self._live is not None
        self._live.write = intake.write
        supervisor = Supervisor(self.wiring.adapters, self.clock, intake.deliver, store=intake.deliver_durably)
        adapters = asyncio.create_task(supervisor.run(), name="supervisor")
        keys = KeyBook(store, self.clock)
        pages: list[RunningPage] = []
        try:
            figures: dict[str, Figures] = {}
            self.services = self._make_services(store, intake, supervisor, keys, figures)
            await self._start_parts(store, intake, figures)
            self._keep("keys", lambda: every(NOTE_EVERY_S, self.clock, lambda: _write_down(intake, keys)))
            await self._serve(listeners, self.services, pages)
            self._say_ready(ready)
            await self._stopping.wait()
        finally:
            _log.info("stopping")
            self._systemd.tell("STOPPING=1")
            await self._stop(adapters, pages, intake, keys)

    def _make_services(
        self,
        store: SqliteStore,
        intake: Intake,
        supervisor: Supervisor,
        keys: KeyBook,
        figures: dict[str, Figures],
    ) -> DaemonServices:
        around = Surroundings(
            adapters=lambda: [adapter.wiring for adapter in supervisor.adapters],
            entries=lambda: entries_of(self.wiring.path),
            unassigned=intake.unassigned,
            site=lambda: self._site,
            clock=self.clock,
        )
        looking = self._looking = Looking(around)
        assert self._live is not None
        parts = Parts(
            wiring=self.wiring,
            clock=self.clock,
            store=store,
            live=self._live,
            intake=intake,
            keys=keys,
            supervisor=supervisor,
            looking=looking,
            assigner=Assigner(self.wiring.path, self.clock, self._live, (intake, supervisor, looking)),
            news=self._news,
            round_age_s=lambda: time.monotonic() - self._round_s,
            figures=figures,
            store_faults=lambda: [*self._failures.troubles(), *(self._upkeep.troubles() if self._upkeep else ())],
            forwarding=self._forwarding.status if self._forwarding else None,
            demo_speed=self._demo_speed,
            mails=self._mails,
            actions=self._notifying.desk(store, intake.write, lambda: self._site),
        )
        return DaemonServices(parts)

    def _make_upkeep(self, store: SqliteStore) -> Upkeep:
        return Upkeep(
            store,
            self._site.time_zone,
            clock=self.clock,
            keep_readings_days=self.wiring.keep_readings_days,
            wanted_from_ms=self._forwarding.wanted_from_ms if self._forwarding else lambda: None,
        )

    async def _start_parts(self, store: SqliteStore, intake: Intake, figures: dict[str, Figures]) -> None:
        """Start what can come a moment later than the adapters."""
        self._upkeep = upkeep = await asyncio.to_thread(self._make_upkeep, store)
        upkeep.start()
        wall, loop = WallWatch(self.clock, upkeep.wake), LoopWatch()
        figures |= {"clock": wall.as_figures, "upkeep": upkeep.as_figures, "mail": self._notifying.as_figures}
        figures["central"] = self._forwarding.as_figures if self._forwarding else not_wired
        figures["loop"] = loop.as_figures
        self._keep("loop watch", loop.run)
        self._watch_store(store, intake, figures)
        self._tasks.append(asyncio.create_task(self._systemd.watch(lambda: self._is_alive(intake)), name="systemd"))
        self._keep("rounds", lambda: every(ROUND_EVERY_S, self.clock, lambda: self._round(store, intake)))
        if self.wiring.alive is not None:
            self._give_signs_of_life(self.wiring.alive, figures)
        self._keep("rules", lambda: every(RULES_EVERY_S, self.clock, lambda: self._judge_rules(store, intake)))
        eye = self._station_eye(store)
        self._keep(
            "station", lambda: every(STATION_EVERY_S, self.clock, lambda: self._judge_station(store, intake, eye))
        )
        self._keep("wall clock", lambda: every(wallwatch.LOOK_EVERY_S, self.clock, wall.look))
        self._keep("notices", lambda: self._notifying.run(store))
        if (forwards := self._forwarding) is not None:
            self._keep("forwarding", lambda: forwards.run(store))

    def _watch_store(self, store: SqliteStore, intake: Intake, figures: dict[str, Figures]) -> None:
        watch = self._store_watch
        watch.follow(intake.health, lambda: store.keeper_trouble)
        figures["store_watch"] = watch.as_figures
        self._keep("store watch", lambda: every(STORE_EVERY_S, self.clock, watch.look))
        self._keep("memory", arenas.keep_small)

    def _is_alive(self, intake: Intake) -> bool:
        age_s = time.monotonic() - self._round_s
        return alive(waited_s=intake.waited_s(), round_age_s=age_s, store_error=intake.health.store_error)

    def _keep(self, name: str, work: Callable[[], Awaitable[None]]) -> None:
        self._tasks.append(asyncio.create_task(keep(name, work, self.clock, self._failures), name=name))

    def _judge(self, work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
        incidents = self._watch.judge_readings(work, site, batch, now_ms=now_ms)
        self._notifying.enqueue(work, incidents, site, now_ms)
        return incidents

    def _publish(self, news: News) -> None:
        self._news.publish(news)
        if news.incidents:
            self._notifying.wake()

    async def _round(self, store: SqliteStore, intake: Intake) -> None:
        now_ms = self.clock.now_ms()

        def look() -> list[Incident]:
            with store.transaction() as work:
                incidents = self._watch.judge_silence(work, self._site, now_ms=now_ms)
                self._notifying.enqueue(work, incidents, self._site, now_ms)
                return incidents

        await intake.write(look)
        self._went_round_s = self.clock.monotonic_s()
        self._round_s = time.monotonic()

    def _give_signs_of_life(self, alive: AliveWiring, figures: dict[str, Figures]) -> None:
        sign = SignOfLife(alive.address, self.clock, self._goes_round)
        figures["alive"] = sign.as_figures
        self._keep("sign of life", lambda: every(alive.every_s, self.clock, sign.give))

    def _goes_round(self) -> bool:
        """Tell whether the watch went round lately: its last round was written to the store."""
        return self.clock.monotonic_s() - self._went_round_s < 3 * ROUND_EVERY_S

    async def _judge_rules(self, store: SqliteStore, intake: Intake) -> None:
        now_ms = self.clock.now_ms()

        # Each in a unit of work of its own, so that a fault in one does not take the other along.
        for judge in (self._watch.judge_rules, self._watch.judge_unjudged):

            def write(judge: JudgeSite = judge) -> list[Incident]:
                with store.transaction() as work:
                    incidents = judge(work, self._site, now_ms=now_ms)
                    self._notifying.enqueue(work, incidents, self._site, now_ms)
                    return incidents

            await intake.write(write)

    def _station_eye(self, store: SqliteStore) -> StationEye:
        assert self.services is not None
        services = self.services
        status = self._forwarding.status if self._forwarding else None
        return StationEye(self.clock, self.wiring.data_directory, services.adapters, status, store.read.heard)

    async def _judge_station(self, store: SqliteStore, intake: Intake, eye: StationEye) -> None:
        facts, now_ms = await eye.look(), self.clock.now_ms()

        def judge() -> list[Incident]:
            with store.transaction() as work:
                incidents = self._station.judge(work, self._site, facts, now_ms=now_ms)
                self._notifying.enqueue(work, incidents, self._site, now_ms)
                return incidents

        await intake.write(judge)

    def _say_ready(self, ready: Ready | None) -> None:
        _log.info("running", page=self.address, adapters=len(self.wiring.adapters), rooms=len(self._site.rooms))
        self._systemd.tell("READY=1")
        if ready is not None:
            ready(self.address)

    async def _stop(
        self, adapters: asyncio.Task[None], pages: Sequence[RunningPage], intake: Intake, keys: KeyBook
    ) -> None:
        began_s = time.monotonic()
        # What the mail server is just taking may be taken to its end, beside the rest of the stopping.
        draining = asyncio.create_task(self._notifying.drain())
        looking = [asyncio.create_task(self._looking.pause())] if self._looking else []
        await end([adapters], _ADAPTERS_LIMIT_S)
        await asyncio.wait(looking, timeout=0.1) if looking else None
        self._news.close()
        if pages:
            await finish(asyncio.gather(*(page.stop() for page in pages)), _PAGE_LIMIT_S, _note)
        left_s = _ADAPTERS_LIMIT_S + _PAGE_LIMIT_S - (time.monotonic() - began_s)
        await finish(draining, max(0.0, left_s), _note)
        await end(self._tasks, _PARTS_LIMIT_S)
        if self._upkeep is not None:
            self._upkeep.stop()
        await finish(_write_down(intake, keys), _KEYS_LIMIT_S, _note)
        if not await finish(intake.close(), _INTAKE_LIMIT_S, _note):
            _log.error("what was waiting to be stored could not be stored in time", limit_s=_INTAKE_LIMIT_S)


async def _write_down(intake: Intake, keys: KeyBook) -> None:
    await intake.write(keys.write_down)


def _note(error: BaseException) -> None:
    if isinstance(error, LumberroomError):
        _log.error("stopping a part failed", error=str(error))
    else:
        _log.error("stopping a part failed", exc_info=error)
