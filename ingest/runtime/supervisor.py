"""Adapters as supervised tasks: what fails is tried again, what cannot work is left alone, nobody harms another.

The policy, by the kind of error that an adapter raises (`adapters.contract.Reason`):

=====================  =============================================================================================
settings, library      stopped until the daemon is restarted; someone must mend something first. One that has worked
                       since the start is tried again like a lost device: what it needs was there before
transient, lost        tried again after 1 to 4 s (doubling, with jitter), so that a device that returns is taken up
device                 within ten; a healthy minute starts from 1 s again
protocol, refused      tried again after 1 to 30 s, likewise
anything else          a bug in the adapter: logged with its trace, tried again after 1 to 60 s, likewise
an ordinary end        finished (a replayed file): not started again
silence                after an hour without a reading: started anew, like a transient error
=====================  =============================================================================================

An attempt costs little (a port that is not there, a connection that is refused), and the same failure is logged once an
hour, however often it is tried.

An adapter whose sender keeps what is not stored yet (a broker, a file) has a method `stored`: it is asked for more only
when what it gave is durable, and told so by this method.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from functools import partial
from typing import Final, Protocol

import structlog

from adapters import registry
from adapters.contract import Adapter, AdapterError, Reading, Reason, Rejection, SettingsError, TransientError
from dashboards.services import AdapterStatus
from ingest.clock import Clock
from ingest.runtime.backoff import HEALTHY_S, BackOff
from ingest.runtime.machine.logs import Repeats, quietly
from ingest.runtime.pace import Pace
from ingest.runtime.tasks import end, finish
from ingest.settings.wiring import AdapterWiring

SILENT_S: Final = 3600.0
"""An adapter that gives nothing for so long (real seconds) is started anew: a radio that stops delivering and a call
that never returns raise nothing. Not those that may be silent for good reasons (`MAY_BE_SILENT` of their class)."""

CLOSE_LIMIT_S: Final = 2.0
"""How long an adapter may take to let go of its transport (real seconds)."""

STOP_LIMIT_S: Final = 3.0
"""How long all adapters together may take to stop (real seconds); longer than one close."""

STORED_LIMIT_S: Final = 0.8
"""How long a stop waits for readings under way to become durable, so that their sender is told (real seconds)."""

_STOPPED_BY: Final = frozenset({Reason.SETTINGS, Reason.LIBRARY_MISSING})

LONGEST_WAIT_S: Final[Mapping[Reason, float]] = {
    Reason.TRANSIENT: 4.0,
    Reason.LOST_DEVICE: 4.0,
    Reason.PROTOCOL: 30.0,
    Reason.REFUSED: 30.0,
    Reason.SETTINGS: 4.0,
}
"""The longest step between two attempts (s), by what ended the one before; a bug's is the back-off's own."""

Deliver = Callable[[Sequence[Reading], str], Awaitable[None]]
"""Where readings go: (readings, name of the adapter). Returns when more may come, or when they are durable."""

_log = structlog.get_logger("lumberroom.adapters")


class Maker(Protocol):
    """Makes an adapter of its wiring; raises AdapterError where it cannot."""

    def __call__(self, wiring: AdapterWiring, clock: Clock) -> Adapter: ...


def make(wiring: AdapterWiring, clock: Clock) -> Adapter:
    """Load the adapter's class and make one, its settings checked (they may not have come from a file).

    Raises SettingsError when a setting is wrong or a secret is not there, LibraryMissingError as `registry.load`.
    """
    if wiring.trouble:
        what, _, mend = wiring.trouble.partition(". ")
        raise SettingsError(what, where=wiring.name, mend=mend)
    adapter_class = registry.load(wiring.kind)
    defaults = {setting.name: setting.default for setting in adapter_class.SETTINGS}
    # A filled-in default need not be of the kind that a file would hold (a tuple for a list).
    given = {k: v for k, v in wiring.settings.items() if k not in defaults or v != defaults[k]}
    return adapter_class(registry.check_settings(adapter_class, given), clock)


class SupervisedAdapter:
    """One adapter and how it fares."""

    def __init__(
        self,
        wiring: AdapterWiring,
        clock: Clock,
        deliver: Deliver,
        *,
        store: Deliver | None = None,
        maker: Maker = make,
        back_off: BackOff | None = None,
        silent_s: float = SILENT_S,
    ) -> None:
        """deliver: takes readings and returns at once.  store: returns when they are durable; None = `deliver`."""
        self._store = store or deliver
        self._silent_s = silent_s
        self.wiring = wiring
        self._clock = clock
        self._deliver = deliver
        self._maker = maker
        self._back_off = back_off or BackOff()
        self._longest_wait_s: float | None = None
        self._repeats = Repeats()
        self._adapter: Adapter | None = None
        self._describes = wiring.kind.replace("_", " ")
        self._state = "waiting"
        self._restarts = 0
        self._errors = 0
        self._readings = 0
        self._last_heard_ms: int | None = None
        self._heard_since_s: float | None = None  # of the present run, monotonic
        self._error = ""
        self._is_told = False  # the log has it that the adapter is away
        self._rejected: dict[str, int] = {}  # of adapters that are gone
        self._last_rejection: Rejection | None = None  # likewise
        self._pace = Pace(clock.monotonic_s())
        self._log = _log.bind(adapter=wiring.name, kind=wiring.kind)

    def status(self, refused: Mapping[str, int]) -> AdapterStatus:
        """Say how it fares.  refused: what intake refused of its readings, by reason."""
        return AdapterStatus(
            name=self.wiring.name,
            kind=self.wiring.kind,
            describes=self._describes,
            state=self._state,
            restarts=self._restarts,
            errors=self._errors,
            readings=self._readings,
            rejected=_sum(self._rejected, self._adapter.health.rejected if self._adapter else {}, refused),
            last_heard_ms=self._last_heard_ms,
            error=self._error,
            per_hour=self._pace.per_hour(self._clock.monotonic_s()),
            last_rejected=_rejected_words(
                (self._adapter.health.last_rejection if self._adapter else None) or self._last_rejection
            ),
            stated=tuple(
                f"{sensor}, {quantity}: {said}"
                for (sensor, quantity), said in sorted(self._adapter.health.stated.items() if self._adapter else ())
            ),
        )

    async def run(self) -> None:
        """Run the adapter, again and again, until it is finished, cannot work, or this task is cancelled."""
        while await self._once():
            wait_s = self._back_off.next_s(self._longest_wait_s)
            self._state = "waiting"
            await self._clock.sleep(wait_s)
            self._restarts += 1

    async def _once(self) -> bool:
        """Run it once; say whether to try again."""
        self._heard_since_s = self._longest_wait_s = None
        try:
            await self._pump()
        except AdapterError as error:
            self._failed(str(error), error.reason.value)
            self._longest_wait_s = LONGEST_WAIT_S.get(error.reason)
            if error.reason in _STOPPED_BY and not self._readings:
                self._state = "stopped"
                return False
        except Exception as error:  # noqa: BLE001 -- the boundary: one adapter's bug never touches another
            self._crashed(error)
        else:
            self._state, self._error = "finished", ""
            self._log.info("the adapter has nothing more to give", readings=self._readings)
            return False
        if self._was_healthy():
            self._back_off.went_well()
        return True

    def _was_healthy(self) -> bool:
        since_s = self._heard_since_s
        return since_s is not None and self._clock.monotonic_s() - since_s >= HEALTHY_S

    async def _pump(self) -> None:
        self._retire()
        self._adapter = self._maker(self.wiring, self._clock)
        self._describes = self._adapter.describe()
        batches = self._adapter.readings()
        try:
            self._state = "running"
            await self._deliver_all(batches, self._patience_s())
        finally:
            await self._close(batches)

    def _patience_s(self) -> float | None:
        may_be_silent = getattr(type(self._adapter), "MAY_BE_SILENT", False)
        return None if may_be_silent else self._silent_s

    async def _deliver_all(self, batches: AsyncIterator[Sequence[Reading]], patience_s: float | None) -> None:
        """Hand on what comes; raises TransientError when nothing comes for longer than our patience."""
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(patience_s) as limit:
                async for batch in batches:
                    limit.reschedule(None)  # the store may take its time
                    self._heard(batch)
                    await self._hand_over(batch)
                    limit.reschedule(None if patience_s is None else loop.time() + patience_s)
        except TimeoutError:
            if not limit.expired():
                raise
            raise TransientError(
                f"nothing came for {self._silent_s / 60:g} minutes",
                where=self._describes,
                mend="It is started anew by itself; see whether its sensors are on",
            ) from None

    async def _hand_over(self, batch: Sequence[Reading]) -> None:
        """Hand a batch to the intake; where the adapter asks for it, wait until it is durable and tell the adapter."""
        stored = getattr(self._adapter, "stored", None)
        if stored is None:
            await self._deliver(batch, self.wiring.name)
            return
        storing = asyncio.ensure_future(self._store(batch, self.wiring.name))
        try:
            await asyncio.shield(storing)
        except asyncio.CancelledError:
            # What is stored and not acknowledged would be sent again after the next start, under a new instant.
            await asyncio.wait([storing], timeout=STORED_LIMIT_S)
            if storing.done() and not storing.cancelled() and storing.exception() is None:
                stored()
            storing.cancel()
            raise
        stored()

    def _heard(self, batch: Sequence[Reading]) -> None:
        if not batch:
            return
        if self._is_told:
            self._log.info("the adapter is heard again", was=self._error)
        self._error, self._is_told = "", False
        if self._heard_since_s is None:
            self._heard_since_s = self._clock.monotonic_s()
        self._readings += len(batch)
        self._pace.count(len(batch), self._clock.monotonic_s())
        self._last_heard_ms = self._clock.now_ms()

    def _retire(self) -> None:
        if self._adapter is not None:
            self._rejected = _sum(self._rejected, self._adapter.health.rejected)
            self._last_rejection = self._adapter.health.last_rejection or self._last_rejection
            self._adapter = None

    async def _close(self, batches: AsyncIterator[Sequence[Reading]]) -> None:
        close = getattr(batches, "aclose", None)
        if close is None:
            return
        if not await finish(close(), CLOSE_LIMIT_S, self._note_bad_close):
            self._log.warning("the adapter does not let go of its transport; it is left behind", limit_s=CLOSE_LIMIT_S)

    def _note_bad_close(self, error: BaseException) -> None:
        self._log.warning("closing the adapter failed", error=f"{type(error).__name__}: {error}")

    def _failed(self, sentence: str, reason: str) -> None:
        self._error = sentence
        self._errors += 1
        quiet = self._repeats.due(sentence, self._clock.monotonic_s())
        if quiet is not None:
            self._is_told = True
            self._log.warning("the adapter stopped", error=sentence, reason=reason, **quietly(quiet))

    def _crashed(self, error: Exception) -> None:
        name = f"{type(error).__name__}: {error}"
        self._errors += 1
        self._error = f"a bug in the adapter ({name}). It is tried again; the log has the trace."
        quiet = self._repeats.due(name, self._clock.monotonic_s())
        if quiet is not None:
            self._is_told = True
            self._log.error("the adapter crashed", error=name, **quietly(quiet), exc_info=error)


class Supervisor:
    """All adapters, each in a task of its own."""

    def __init__(
        self,
        wirings: Sequence[AdapterWiring],
        clock: Clock,
        deliver: Deliver,
        *,
        store: Deliver | None = None,
        maker: Maker = make,
    ) -> None:
        self._make_one = partial(SupervisedAdapter, clock=clock, deliver=deliver, store=store, maker=maker)
        self.adapters = [self._make_one(wiring) for wiring in wirings]
        self.left_behind = 0  # tasks that would not end in time
        self._tasks: list[asyncio.Task[None]] | None = None  # while they run

    def add(self, wiring: AdapterWiring) -> None:
        """Take in another adapter, and start it if the others run; they go on meanwhile."""
        adapter = self._make_one(wiring)
        self.adapters = [*self.adapters, adapter]  # another list: threads may be going through the old one
        if self._tasks is not None:
            self._tasks.append(_task_of(adapter))

    async def run(self) -> None:
        """Run every adapter until cancelled; then stop them all within `STOP_LIMIT_S`."""
        self._tasks = tasks = [_task_of(adapter) for adapter in self.adapters]
        try:
            await asyncio.Event().wait()
        finally:
            self._tasks = None
            self.left_behind = await end(tasks, STOP_LIMIT_S)


def _task_of(adapter: SupervisedAdapter) -> asyncio.Task[None]:
    return asyncio.create_task(adapter.run(), name=f"adapter {adapter.wiring.name}")


def _rejected_words(rejection: Rejection | None) -> str:
    if rejection is None:
        return ""
    of = f" (sensor {rejection.sensor})" if rejection.sensor else ""
    return f"{rejection.reason}{of}: {rejection.detail}"


def _sum(*counts: Mapping[str, int]) -> dict[str, int]:
    total: dict[str, int] = {}
    for part in counts:
        for reason, count in part.items():
            total[reason] = total.get(reason, 0) + count
    return total
