"""The kit that any adapter must pass, ours or a stranger's: give it a `Specimen`, it raises AssertionError with what is
wrong and why that matters.

Use it from any test runner::

    @pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
    async def test_my_adapter_keeps_the_contract(check):
        await check(Specimen(MyAdapter, {"port": working_port}, absent={"port": "/dev/none"}, clock=my_clock))

The transport that `settings` lead to must be there and delivering while a check runs; the checks open and close it
several times. A check takes some seconds at most.
"""

from __future__ import annotations

import asyncio
import inspect
import os
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from adapters.contract import QUANTITIES, SENSOR_ID, Adapter, AdapterError, AdapterHealth, Reading, Stamp, WallClock
from adapters.registry import check_settings, settings_mistakes

RELEASE_LIMIT_S: Final = 2.0
"""Within this an adapter that is cancelled or closed has let go of its transport."""
STALL_LIMIT_S: Final = 1.0
"""The event loop must never be held up for longer (generous, for a busy machine; a well made adapter needs 0.01 s)."""


@dataclass(frozen=True, slots=True)
class Specimen:
    """An adapter to be examined.

    settings: as in a settings file, leading to a transport that delivers.  absent: settings leading to one that is not
    there; None where there is nothing that could be absent.  first_within_s: how long the first batch may take.
    """

    adapter_class: type[Adapter]
    settings: Mapping[str, Any]
    clock: WallClock
    absent: Mapping[str, Any] | None = None
    first_within_s: float = 5.0

    def make(self, settings: Mapping[str, Any] | None = None) -> Adapter:
        """Make one as the daemon does."""
        chosen = self.settings if settings is None else settings
        return self.adapter_class(check_settings(self.adapter_class, chosen), self.clock)

    async def first(self, batches: AsyncIterator[Sequence[Reading]]) -> Sequence[Reading]:
        """Give the first batch that holds anything."""
        async with asyncio.timeout(self.first_within_s):
            async for batch in batches:
                if batch:
                    return batch
        raise AssertionError("the adapter ended without a single reading, although its transport delivers")


async def check_settings_are_documented(specimen: Specimen) -> None:
    """Every setting has a help text, its default fits its own rules, and no two have one name."""
    settings = specimen.adapter_class.SETTINGS
    names = [setting.name for setting in settings]
    assert len(set(names)) == len(names), f"a setting stands twice in SETTINGS: {names}"
    for setting in settings:
        assert len(setting.help) >= 8, f"{setting.name} needs a help text that somebody can act on"
        assert setting.name.isidentifier(), f"{setting.name} is no plain name"
        assert not (setting.required and setting.default is not None), f"{setting.name} is required and has a default"
        if setting.default is not None:
            mistakes = settings_mistakes(specimen.adapter_class, {**specimen.settings, setting.name: setting.default})
            assert not mistakes, f"the default of {setting.name} breaks its own rules: {mistakes[0]}"
    assert specimen.adapter_class.SUMMARY.strip(), "SUMMARY says in one line what the adapter reads from"
    assert "\n" not in specimen.adapter_class.SUMMARY, "SUMMARY is one line"


async def check_making_opens_nothing(specimen: Specimen) -> None:
    """Made, described, and thrown away, an adapter has opened no file, no thread and no connection."""
    before = _held()
    adapter = specimen.make()
    description = adapter.describe()
    assert isinstance(adapter.health, AdapterHealth), "health must be an AdapterHealth from the start"
    assert description.strip(), "describe() says in a few words what the adapter is connected to"
    assert "\n" not in description, "describe() is one line"
    assert _held() <= before, "making the adapter opened something; open the transport in readings()"


async def check_absent_transport_is_described(specimen: Specimen) -> None:
    """Made for a transport that is not there, it can still be made, described and closed."""
    if specimen.absent is not None:
        assert specimen.make(specimen.absent).describe(), "describe() must work without the transport"


async def check_readings_are_valid(specimen: Specimen) -> None:
    """What it gives are Readings that intake accepts: known quantity, value in range, allowed name, whole ms."""
    batches = specimen.make().readings()
    try:
        for reading in await specimen.first(batches):
            _assert_valid(reading)
    finally:
        await _close(batches)


def _assert_valid(reading: Reading) -> None:
    assert isinstance(reading, Reading), f"{reading!r} is no Reading"
    quantity = QUANTITIES.get(reading.quantity)
    assert quantity is not None, f"{reading.quantity!r} is not in QUANTITIES"
    assert type(reading.value) is float, f"the value {reading.value!r} is no float"
    assert quantity.minimum <= reading.value <= quantity.maximum, f"{reading} lies outside what can be true"
    assert SENSOR_ID.fullmatch(reading.sensor), f"{reading.sensor!r} cannot be a sensor's name"
    assert type(reading.at_ms) is int, f"the instant {reading.at_ms!r} is no int (milliseconds)"
    assert isinstance(reading.stamp, Stamp), f"{reading.stamp!r} is no Stamp"


async def check_close_releases_the_transport(specimen: Specimen) -> None:
    """Closed in the middle (`aclose`), it lets go within two seconds and can be opened again at once."""
    before = _held()
    for _ in range(3):
        batches = specimen.make().readings()
        await specimen.first(batches)
        await _close(batches)
        await _assert_released(before)


async def check_cancelling_releases_the_transport(specimen: Specimen) -> None:
    """Cancelled while it waits, it ends as cancelled within two seconds and holds nothing."""
    before = _held()
    for wait_s in (0.0, 0.05):
        running = asyncio.create_task(_run(specimen.make()))
        await asyncio.sleep(wait_s)
        began_s = time.monotonic()
        running.cancel()
        await asyncio.wait([running], timeout=RELEASE_LIMIT_S)
        assert running.done(), f"{time.monotonic() - began_s:.1f} s after being cancelled it still ran"
        assert running.cancelled() or running.exception() is None, (
            "a cancelled adapter must let the cancellation through"
        )
        await _assert_released(before)


async def check_absent_transport_is_a_typed_error(specimen: Specimen) -> None:
    """A transport that is not there is an AdapterError with what, where and how to mend it, and nothing stays open."""
    if specimen.absent is None:
        return
    before = _held()
    async with asyncio.timeout(specimen.first_within_s):
        (ended,) = await asyncio.gather(_run(specimen.make(specimen.absent)), return_exceptions=True)
    assert ended is not None, "without its transport the adapter ended as if all were well; raise an AdapterError"
    assert isinstance(ended, AdapterError), f"without its transport it raised {ended!r}; raise an AdapterError"
    for part in ("what", "where", "mend"):
        assert getattr(ended, part), f"the error must say {part}: {ended!r}"
    await _assert_released(before)


async def check_works_after_a_failure(specimen: Specimen) -> None:
    """After failing for want of its transport, a new adapter with good settings works: nothing bad is remembered."""
    if specimen.absent is not None:
        await check_absent_transport_is_a_typed_error(specimen)
    await check_readings_are_valid(specimen)


async def check_event_loop_is_not_blocked(specimen: Specimen) -> None:
    """While it opens, reads and closes, the event loop goes on turning."""
    worst_s = 0.0

    async def beat() -> None:
        nonlocal worst_s
        while True:
            began_s = time.monotonic()
            await asyncio.sleep(0.005)
            worst_s = max(worst_s, time.monotonic() - began_s)

    beating = asyncio.create_task(beat())
    await asyncio.sleep(0.02)  # it must be beating before there is anything to be held up by
    await check_readings_are_valid(specimen)
    await asyncio.sleep(0.02)  # and it must have the chance to notice
    beating.cancel()
    assert worst_s < STALL_LIMIT_S, f"the event loop stood still for {worst_s:.2f} s; move blocking work to a thread"


Check = Callable[[Specimen], Awaitable[None]]

CHECKS: Final[tuple[Check, ...]] = (
    check_settings_are_documented,
    check_making_opens_nothing,
    check_absent_transport_is_described,
    check_readings_are_valid,
    check_close_releases_the_transport,
    check_cancelling_releases_the_transport,
    check_absent_transport_is_a_typed_error,
    check_works_after_a_failure,
    check_event_loop_is_not_blocked,
)


async def _run(adapter: Adapter) -> None:
    batches = adapter.readings()
    try:
        async for _ in batches:
            pass
    finally:
        await _close(batches)


async def _close(batches: AsyncIterator[Sequence[Reading]]) -> None:
    assert inspect.isasyncgen(batches) or hasattr(batches, "aclose"), "readings() must give something with aclose()"
    async with asyncio.timeout(RELEASE_LIMIT_S):
        await batches.aclose()


def _held() -> tuple[int, int]:
    """Count what the process holds: open files (where the system lets us look) and threads other than the pool's."""
    folder = Path("/proc/self/fd")
    files = len(os.listdir(folder)) if folder.exists() else 0  # noqa: PTH208 -- one system call, no paths made
    return files, sum(not thread.name.startswith("asyncio_") for thread in threading.enumerate())


async def _assert_released(before: tuple[int, int]) -> None:
    deadline_s = time.monotonic() + RELEASE_LIMIT_S
    while any(now > then for now, then in zip(_held(), before, strict=True)):
        assert time.monotonic() < deadline_s, f"(files, threads) were {before} before and are {_held()} after it let go"
        await asyncio.sleep(0.01)
