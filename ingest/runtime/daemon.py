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
from typing import Final

import structlog

from dashboards.services import CaughtMail, News
from ingest.clock import Clock, SystemClock
from ingest.errors import LumberroomError, StorageError
from ingest.notices.alive import SignOfLife
from ingest.runtime import job, wallwatch
from ingest.runtime.forwarding import Forwarding, not_wired
from ingest.runtime.intake import Intake
from ingest.runtime.loopwatch import LoopWatch
from ingest.runtime.newsboard import NewsBoard
from ingest.runtime.notifying import Notifying
from ingest.runtime.page_task import AppFactory, Ready, RunningPage
from ingest.runtime.services import DaemonServices, Figures, Parts, no_mails
from ingest.runtime.supervisor import Supervisor
from ingest.runtime.systemd import Systemd, alive
from ingest.runtime.tasks import end, every, finish, keep
from ingest.runtime.upkeep import Upkeep
from ingest.runtime.wallwatch import WallWatch
from ingest.runtime.wiring import AliveWiring, Wiring
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.api import UnitOfWork
from ingest.store.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch
from ingest.watch.ruling import judge_rules

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

_log = structlog.get_logger("lumberroom")


class Daemon:
    """One site's daemon.

    wiring: what to run.  clock: the machine's own unless given.  app_factory: makes the web application, called in a
    thread after the adapters have started (importing it takes its time); None serves no page.  demo_speed, mails: for
    the demonstration.
    """

    def __init__(
        self,
        wiring: Wiring,
        *,
        clock: Clock | None = None,
        app_factory: AppFactory | None = None,
        demo_speed: float | None = None,
        mails: Callable[[], Sequence[CaughtMail]] = no_mails,
    ) -> None:
        self.wiring = wiring
        self.clock: Clock = clock or SystemClock()
        self.services: DaemonServices | None = None  # while it runs
        self.address = ""  # of the page, while it runs
        self._app_factory = app_factory
        self._demo_speed = demo_speed
        self._mails = mails
        self._stopping = asyncio.Event()
        self._systemd = Systemd()
        self._site = wiring.site
        self._news = NewsBoard()
        self._notifying = Notifying(wiring, self.clock)
        self._forwarding = Forwarding(wiring.central, self.clock, lambda: self._site) if wiring.central else None
        self._watch = Watch()
        self._went_round_s = self.clock.monotonic_s()
        self._tasks: list[asyncio.Task[None]] = []
        self._upkeep: Upkeep | None = None
        self._round_s = time.monotonic()  # when a round was last finished; real, as the machine is what is watched

    def stop(self) -> None:
        """Ask the daemon to stop; `run` returns within `STOP_LIMIT_S`. For the event loop's thread."""
        self._stopping.set()

    async def run(self, ready: Ready | None = None) -> None:
        """Run until `stop`.

        Raises StorageError (data directory or store cannot be used, or another daemon has it) and, for the page's
        address, TransientError or SettingsError: before anything is running.
        """
        store = await asyncio.to_thread(self._open_store)
        try:
            await self._settle_job(store)
            with self._listener() as listener:
                await self._run_on(store, listener, ready)
        finally:
            await asyncio.to_thread(store.close)
            _log.info("stopped")

    def _open_store(self) -> SqliteStore:
        directory = self.wiring.data_directory
        try:
            directory.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StorageError(
                f"the data directory cannot be made ({error.strerror})",
                where=str(directory),
                mend="Name another one under [data], or make it and give it to the user that runs lumberroom.",
            ) from error
        return SqliteStore.open(directory / FILE_NAME)

    async def _settle_job(self, store: SqliteStore) -> None:
        merged = await asyncio.to_thread(job.seed, store, self.wiring.site, now_ms=self.clock.now_ms())
        self._site = merged.site
        if merged.added:
            _log.info("the wiring file added to the job", added=list(merged.added))
        if merged.differing:
            _log.warning(
                "the job differs from the wiring file, and the job holds. To take the file's: lumberroom site apply",
                differing=list(merged.differing),
                file=str(self.wiring.path or ""),
            )

    def _listener(self) -> contextlib.AbstractContextManager[socket.socket | None]:
        if self._app_factory is None:
            return contextlib.nullcontext()
        from ingest.runtime.page_address import address, bind

        listener = bind(self.wiring.page)
        self.address = address(listener)
        return listener

    async def _run_on(self, store: SqliteStore, listener: socket.socket | None, ready: Ready | None) -> None:
        self._round_s = time.monotonic()
        intake = Intake(store, self.clock, lambda: self._site, self._judge, self._publish)
        intake.start()
        supervisor = Supervisor(self.wiring.adapters, self.clock, intake.deliver, store=intake.deliver_durably)
        adapters = asyncio.create_task(supervisor.run(), name="supervisor")
        page: RunningPage | None = None
        try:
            figures: dict[str, Figures] = {}
            self.services = self._make_services(store, intake, supervisor, figures)
            await self._start_parts(store, intake, figures)
            if listener is not None and self._app_factory is not None:
                page = await RunningPage.started(self._app_factory, self.services, listener)
            self._say_ready(ready)
            await self._stopping.wait()
        finally:
            _log.info("stopping")
            self._systemd.tell("STOPPING=1")
            await self._stop(adapters, page, intake)

    def _make_services(
        self,
        store: SqliteStore,
        intake: Intake,
        supervisor: Supervisor,
        figures: dict[str, Figures],
    ) -> DaemonServices:
        parts = Parts(
            wiring=self.wiring,
            clock=self.clock,
            store=store,
            site=lambda: self._site,
            intake=intake,
            supervisor=supervisor,
            news=self._news,
            round_age_s=lambda: time.monotonic() - self._round_s,
            figures=figures,
            store_faults=lambda: self._upkeep.faults if self._upkeep else (),
            forwarding=self._forwarding.status if self._forwarding else None,
            demo_speed=self._demo_speed,
            mails=self._mails,
        )
        return DaemonServices(parts)

    async def _start_parts(self, store: SqliteStore, intake: Intake, figures: dict[str, Figures]) -> None:
        """Start what can come a moment later than the adapters."""
        self._upkeep = upkeep = await asyncio.to_thread(Upkeep, store, self._site.time_zone)
        upkeep.start()
        wall, loop = WallWatch(self.clock, upkeep.wake), LoopWatch()
        figures |= {"clock": wall.as_figures, "upkeep": upkeep.as_figures, "mail": self._notifying.as_figures}
        figures["central"] = self._forwarding.as_figures if self._forwarding else not_wired
        figures["loop"] = loop.as_figures
        self._keep("loop watch", loop.run)
        self._tasks.append(asyncio.create_task(self._systemd.watch(lambda: self._is_alive(intake)), name="systemd"))
        self._keep("rounds", lambda: every(ROUND_EVERY_S, self.clock, lambda: self._round(store, intake)))
        if self.wiring.alive is not None:
            self._give_signs_of_life(self.wiring.alive, figures)
        self._keep("rules", lambda: every(RULES_EVERY_S, self.clock, lambda: self._judge_rules(store, intake)))
        self._keep("wall clock", lambda: every(wallwatch.LOOK_EVERY_S, self.clock, wall.look))
        self._keep("notices", lambda: self._notifying.run(store))
        if (forwarding := self._forwarding) is not None:
            self._keep("forwarding", lambda: forwarding.run(store))

    def _is_alive(self, intake: Intake) -> bool:
        age_s = time.monotonic() - self._round_s
        return alive(waited_s=intake.waited_s(), round_age_s=age_s, store_error=intake.health.store_error)

    def _keep(self, name: str, work: Callable[[], Awaitable[None]]) -> None:
        self._tasks.append(asyncio.create_task(keep(name, work, self.clock), name=name))

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

        def judge() -> list[Incident]:
            with store.transaction() as work:
                incidents = judge_rules(work, self._site, now_ms=now_ms)
                self._notifying.enqueue(work, incidents, self._site, now_ms)
                return incidents

        await intake.write(judge)

    def _say_ready(self, ready: Ready | None) -> None:
        _log.info("running", page=self.address, adapters=len(self.wiring.adapters), rooms=len(self._site.rooms))
        self._systemd.tell("READY=1")
        if ready is not None:
            ready(self.address)

    async def _stop(self, adapters: asyncio.Task[None], page: RunningPage | None, intake: Intake) -> None:
        await end([adapters], _ADAPTERS_LIMIT_S)
        self._news.close()
        if page is not None:
            await finish(page.stop(), _PAGE_LIMIT_S, _note)
        await end(self._tasks, _PARTS_LIMIT_S)
        if self._upkeep is not None:
            self._upkeep.stop()
        if not await finish(intake.close(), _INTAKE_LIMIT_S, _note):
            _log.error("what was waiting to be stored could not be stored in time", limit_s=_INTAKE_LIMIT_S)


def _note(error: BaseException) -> None:
    if isinstance(error, LumberroomError):
        _log.error("stopping a part failed", error=str(error))
    else:
        _log.error("stopping a part failed", exc_info=error)
