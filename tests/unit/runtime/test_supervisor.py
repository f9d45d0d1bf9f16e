"""Supervised adapters: what fails is tried again, what cannot work is left alone, nobody harms another."""

from __future__ import annotations

import asyncio
import itertools
import random
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from typing import Any, ClassVar

import pytest
from structlog.testing import capture_logs

from adapters.contract import (
    Adapter,
    AdapterError,
    AdapterHealth,
    LibraryMissingError,
    LostDeviceError,
    ProtocolError,
    Reading,
    RefusedError,
    Rejection,
    Setting,
    SettingsError,
    Stamp,
    TransientError,
    WallClock,
)
from dashboards.services import AdapterStatus
from ingest.clock import Clock, DrivenClock
from ingest.runtime.backoff import BackOff
from ingest.runtime.supervisor import LONGEST_WAIT_S, STOP_LIMIT_S, SupervisedAdapter, Supervisor
from ingest.settings.wiring import AdapterWiring

Script = Callable[["Scripted"], AsyncIterator[Sequence[Reading]]]


class Scripted:
    """An adapter that does what a test's generator says; a new one is made for every run."""

    SETTINGS: ClassVar[tuple[Setting, ...]] = ()
    SUMMARY: ClassVar[str] = "what a test says"

    def __init__(self, settings: Mapping[str, Any], clock: WallClock, script: Script | None = None) -> None:
        self.health = AdapterHealth()
        self.clock = clock
        self._script = script

    def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Follow the script."""
        assert self._script is not None
        return self._script(self)

    def describe(self) -> str:
        """Say what it is."""
        return "a scripted line"


def reading(at_ms: int = 1) -> Reading:
    """Give some reading."""
    return Reading("s", "temperature_c", 20.0, at_ms, Stamp.ARRIVAL)


class Site:
    """Adapters under supervision on a driven clock, and what they delivered."""

    def __init__(self, **scripts: Script) -> None:
        self.clock = DrivenClock()
        self.delivered: list[tuple[str, int]] = []
        wirings = [AdapterWiring(name, "scripted") for name in scripts]

        def make(wiring: AdapterWiring, clock: Clock) -> Adapter:
            return Scripted({}, clock, scripts[wiring.name])

        self.supervisor = Supervisor(wirings, self.clock, self._take, maker=make)

    async def _take(self, batch: Sequence[Reading], source: str) -> None:
        self.delivered.append((source, len(batch)))

    def status(self, name: str) -> AdapterStatus:
        """Give how one adapter fares."""
        return next(a for a in self.supervisor.adapters if a.wiring.name == name).status({})


async def idle(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
    """Give one reading and then wait for ever."""
    yield [reading()]
    await asyncio.Event().wait()


def failing(error: Exception) -> Script:
    """Give a script that fails at once."""

    async def fail(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        if adapter:
            raise error
        yield []

    return fail


async def running(site: Site) -> asyncio.Task[None]:
    """Start the supervisor and let it settle."""
    task = asyncio.create_task(site.supervisor.run())
    await site.clock.advance(0)
    return task


async def stopped(task: asyncio.Task[None]) -> None:
    """Stop the supervisor."""
    task.cancel()
    await asyncio.wait({task}, timeout=STOP_LIMIT_S + 2)
    assert task.done()


HOW = {"where": "/dev/ttyUSB0", "mend": "Plug it in."}


@pytest.mark.parametrize(
    "error",
    [
        TransientError("it hiccuped", **HOW),
        LostDeviceError("the device is gone", **HOW),
        ProtocolError("this is another protocol", **HOW),
        RefusedError("permission denied", **HOW),
    ],
    ids=lambda error: error.reason.value,
)
async def test_what_may_get_well_is_tried_again(error: AdapterError) -> None:
    """Transient, lost, protocol and refused errors are tried again, and the page has the sentence meanwhile."""
    site = Site(a=failing(error))
    task = await running(site)
    assert site.status("a").state == "waiting"
    assert site.status("a").error == str(error)
    await site.clock.advance(400)
    longest_s = LONGEST_WAIT_S[error.reason]
    assert 400 / longest_s - 1 <= site.status("a").restarts <= 400 / (longest_s / 2) + 5
    await stopped(task)


async def test_a_device_that_returns_is_taken_up_within_ten_seconds() -> None:
    """However long it was away: no two attempts at a lost device are more than four seconds apart."""
    attempts_s: list[float] = []

    async def away(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        attempts_s.append(site.clock.monotonic_s())
        if adapter:
            raise LostDeviceError("gone", **HOW)
        yield []

    site = Site(a=away)
    task = await running(site)
    await site.clock.advance(7200)
    gaps = [b - a for a, b in itertools.pairwise(attempts_s)]
    assert len(gaps) > 1400
    assert max(gaps) <= 4.0
    await stopped(task)


async def test_settings_with_which_it_has_worked_are_not_given_up() -> None:
    """What an adapter needs may be missing for a while (a program on a stick): one that has worked is tried again."""
    runs = 0

    async def once_there(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        nonlocal runs
        runs += 1
        if 1 < runs < 9:
            raise SettingsError("there is no such program", **HOW)
        yield [reading()]
        if runs == 1:
            raise TransientError("it ended", **HOW)
        await asyncio.Event().wait()

    site = Site(a=once_there)
    task = await running(site)
    await site.clock.advance(240)
    assert (runs, site.status("a").state, site.status("a").error) == (9, "running", "")
    await stopped(task)


class Keeping(Scripted):
    """An adapter whose sender keeps what is not stored."""

    def __init__(self, script: Script) -> None:
        super().__init__({}, DrivenClock(), script)
        self.told = 0

    def stored(self) -> None:
        """Count."""
        self.told += 1


@pytest.mark.parametrize("stops_meanwhile", [False, True])
async def test_an_adapter_that_keeps_is_told_when_its_readings_are_durable(stops_meanwhile: bool) -> None:
    """Not before, and it is asked for no more until then; also when the daemon is asked to stop in between."""
    made = Keeping(idle)
    durable, begun = asyncio.Event(), asyncio.Event()

    async def store(batch: Sequence[Reading], source: str) -> None:
        begun.set()
        await durable.wait()

    async def never(batch: Sequence[Reading], source: str) -> None:
        raise AssertionError("its readings must not be handed over without waiting")

    wiring = AdapterWiring("a", "scripted")
    supervised = SupervisedAdapter(wiring, made.clock, never, store=store, maker=lambda wiring, clock: made)  # type: ignore[arg-type]
    task = asyncio.create_task(supervised.run())
    await begun.wait()
    await asyncio.sleep(0.01)
    assert made.told == 0
    if stops_meanwhile:
        task.cancel()
        await asyncio.sleep(0.01)
    durable.set()
    await asyncio.sleep(0.01)
    assert made.told == 1
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert made.told == 1


async def test_what_could_not_be_stored_before_a_stop_is_not_acknowledged() -> None:
    """The sender keeps it, and sends it again after the next start."""
    made = Keeping(idle)
    begun = asyncio.Event()

    async def store(batch: Sequence[Reading], source: str) -> None:
        begun.set()
        await asyncio.Event().wait()

    supervised = SupervisedAdapter(
        AdapterWiring("a", "scripted"),
        made.clock,
        store,
        maker=lambda wiring, clock: made,  # type: ignore[arg-type]
    )
    task = asyncio.create_task(supervised.run())
    await begun.wait()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert made.told == 0


@pytest.mark.parametrize("error", [SettingsError("no such port", **HOW), LibraryMissingError("no library", **HOW)])
async def test_what_cannot_work_is_left_alone(error: AdapterError) -> None:
    """Wrong settings and a missing library stop an adapter until somebody restarts the daemon."""
    site = Site(a=failing(error))
    task = await running(site)
    await site.clock.advance(3600)
    assert (site.status("a").state, site.status("a").restarts) == ("stopped", 0)
    assert site.status("a").error == str(error)
    await stopped(task)


async def test_a_bug_in_one_adapter_never_touches_another() -> None:
    """One adapter crashes again and again while the other goes on delivering, every second of an hour."""

    async def steady(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        while True:
            yield [reading()]
            await adapter.clock.sleep(1.0)

    site = Site(bad=failing(ZeroDivisionError("division by zero")), good=steady)
    task = await running(site)
    await site.clock.advance(3600)
    assert site.status("good").readings >= 3600
    assert site.status("good").restarts == 0
    assert site.status("bad").restarts > 50
    assert "a bug in the adapter (ZeroDivisionError: division by zero)" in site.status("bad").error
    await stopped(task)


async def test_an_end_is_final() -> None:
    """A file that was played to its end is not played again."""

    async def two(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        yield [reading(1), reading(2)]

    site = Site(a=two)
    task = await running(site)
    await site.clock.advance(600)
    assert site.status("a").state == "finished"
    assert site.delivered == [("a", 2)]
    await stopped(task)


async def test_what_sensors_say_of_themselves_is_handed_on() -> None:
    """Lines by sensor and quantity, in order, as long as the adapter has them."""

    async def talkative(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        adapter.health.stated = {("s", "rh_percent"): "renewed every 60 s", ("a", "rh_percent"): "mean of 5 s"}
        yield [reading()]
        await asyncio.Event().wait()

    site = Site(a=talkative)
    assert site.status("a").stated == ()
    task = await running(site)
    assert site.status("a").stated == ("a, rh_percent: mean of 5 s", "s, rh_percent: renewed every 60 s")
    await stopped(task)


async def test_the_error_is_gone_once_it_is_heard_again() -> None:
    """After a replug the page no longer says that the device is lost; what was rejected before still counts."""
    runs = []

    async def replugged(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        runs.append(adapter)
        adapter.health.reject(Rejection("checksum wrong", "x"))
        if len(runs) == 1:
            raise LostDeviceError("the device is gone", **HOW)
        yield [reading()]
        await asyncio.Event().wait()

    site = Site(a=replugged)
    task = await running(site)
    assert "the device is gone" in site.status("a").error
    await site.clock.advance(2)
    status = site.status("a")
    assert (status.state, status.error, status.restarts, status.readings) == ("running", "", 1, 1)
    assert status.rejected == {"checksum wrong": 2}
    assert status.last_rejected.startswith("checksum wrong")
    assert status.last_heard_ms is not None
    await stopped(task)


async def test_an_adapter_that_comes_and_goes_all_day_does_not_fill_the_log() -> None:
    """Lost after each reading, every few seconds for five hours: once an hour it is said, and once that it is back."""

    async def flapping(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        yield [reading()]
        raise LostDeviceError("the device is gone", **HOW)

    site = Site(a=flapping)
    with capture_logs() as lines:
        task = await running(site)
        await site.clock.advance(5 * 3600 - 60)
        await stopped(task)
    assert site.status("a").restarts > 4000
    said = [line["event"] for line in lines]
    assert said == ["the adapter stopped", "the adapter is heard again"] * 5


def test_waits_double_to_a_minute_and_are_spread() -> None:
    """1, 2, 4 ... 60 s, each somewhere in its upper half, never below 1 s; after a healthy while from 1 s again."""
    back_off = BackOff(random.Random(7))
    waits = [back_off.next_s() for _ in range(12)]
    steps = [1, 2, 4, 8, 16, 32, 60, 60, 60, 60, 60, 60]
    assert all(max(1.0, step / 2) <= wait <= step for wait, step in zip(waits, steps, strict=True))
    assert len(set(waits[6:])) == 6
    back_off.went_well()
    assert back_off.next_s() == 1.0


def test_a_wait_goes_no_further_than_its_own_kind_of_failure_lets_it() -> None:
    """A hundred short waits do not make the next, of another kind, a long one at once."""
    back_off = BackOff(random.Random(7))
    assert max(back_off.next_s(5.0) for _ in range(100)) <= 5.0
    assert back_off.next_s(30.0) <= 5.0
    assert 5.0 <= back_off.next_s(30.0) <= 10.0


async def test_only_a_healthy_minute_makes_the_waits_short_again() -> None:
    """An adapter that fails after 59 s of readings waits longer each time; one that lasted a minute does not."""
    lasts_s = [59.0]
    starts_s: list[float] = []

    async def lasting(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        starts_s.append(site.clock.monotonic_s())
        yield [reading()]
        await adapter.clock.sleep(lasts_s[0])
        raise LostDeviceError("gone", **HOW)

    site = Site(a=lasting)
    task = await running(site)
    await site.clock.advance(900)
    gaps = [b - a - 59.0 for a, b in itertools.pairwise(starts_s)]
    assert gaps[-1] >= 2.0
    lasts_s[0] = 61.0
    await site.clock.advance(400)
    starts_s.clear()
    await site.clock.advance(400)
    gaps = [b - a - 61.0 for a, b in itertools.pairwise(starts_s)]
    assert gaps
    assert max(gaps) <= 1.0
    await stopped(task)


async def test_a_hung_close_does_not_hold_up_the_stop() -> None:
    """An adapter that clings to its transport is left behind within the stated time; the other is closed properly."""
    closed = []

    async def clinging(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        try:
            yield [reading()]
            await asyncio.Event().wait()
        finally:
            for _ in range(100):
                try:
                    await asyncio.sleep(30)
                except asyncio.CancelledError:
                    if give_up.is_set():
                        raise

    async def polite(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
        try:
            yield [reading()]
            await asyncio.Event().wait()
        finally:
            closed.append("polite")

    give_up = asyncio.Event()
    site = Site(clinging=clinging, polite=polite)
    task = await running(site)
    before = asyncio.get_running_loop().time()
    await stopped(task)
    assert asyncio.get_running_loop().time() - before < STOP_LIMIT_S + 1
    assert closed == ["polite"]
    assert site.supervisor.left_behind == 1
    give_up.set()
    left = [t for t in asyncio.all_tasks() if t.get_name() == "adapter clinging"]
    for one in left:
        one.cancel()
    await asyncio.wait(left, timeout=5)


async def test_adapters_that_cannot_be_made_are_reported_like_any_other() -> None:
    """A kind that does not exist stops that adapter alone, with the registry's own sentence."""
    clock = DrivenClock()

    async def take(batch: Sequence[Reading], source: str) -> None: ...

    adapter = SupervisedAdapter(AdapterWiring("a", "no_such_kind"), clock, take)
    await adapter.run()
    assert adapter.status({}).state == "stopped"
    assert "there is no adapter kind 'no_such_kind'" in adapter.status({}).error


async def test_what_intake_refused_counts_with_the_adapters_own_rejections() -> None:
    """The page shows one count per reason, whoever refused."""
    site = Site(a=idle)
    task = await running(site)
    assert site.supervisor.adapters[0].status({"value out of range": 3}).rejected == {"value out of range": 3}
    await stopped(task)


class Folder(Scripted):
    """An adapter for which silence is nothing unusual."""

    MAY_BE_SILENT: ClassVar[bool] = True


async def hangs(adapter: Scripted) -> AsyncIterator[Sequence[Reading]]:
    """Give one reading, then wait for something that never comes, and raise nothing."""
    yield [reading()]
    await asyncio.Event().wait()


@pytest.mark.parametrize(("made", "restarts"), [(Scripted, 2), (Folder, 0)])
async def test_an_adapter_that_hangs_without_a_word_is_started_anew(made: type[Scripted], restarts: int) -> None:
    """Silence for longer than our patience counts as a failure that is told; not where silence is usual."""
    clock = DrivenClock()
    delivered: list[Sequence[Reading]] = []

    async def take(batch: Sequence[Reading], source: str) -> None:
        delivered.append(batch)

    adapter = SupervisedAdapter(
        AdapterWiring("a", "scripted"), clock, take, maker=lambda wiring, clock: made({}, clock, hangs), silent_s=0.06
    )
    running = asyncio.create_task(adapter.run())
    for _ in range(12):
        await asyncio.sleep(0.05)
        await clock.advance(5)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    status = adapter.status({})
    assert min(status.restarts, 2) == restarts
    assert status.errors >= restarts
    assert len(delivered) >= 1 + restarts


async def test_a_slow_store_is_not_taken_for_a_silent_adapter() -> None:
    """While readings wait to be stored nobody loses patience with the adapter."""
    clock = DrivenClock()

    async def take(batch: Sequence[Reading], source: str) -> None:
        await asyncio.sleep(0.3)

    adapter = SupervisedAdapter(
        AdapterWiring("a", "scripted"), clock, take, maker=lambda wiring, clock: Scripted({}, clock, idle), silent_s=0.1
    )
    running = asyncio.create_task(adapter.run())
    await asyncio.sleep(0.25)
    assert adapter.status({}).errors == 0
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
