"""A cancellation comes through whatever a library does with it."""

from __future__ import annotations

import asyncio
import contextlib
import time

import pytest

from adapters.cancelling import LET_GO_S, cancellable, in_time


async def test_a_cancellation_that_comes_with_the_result_is_not_lost() -> None:
    """`wait_for` before Python 3.12 gives the result and forgets the cancellation; through this door it does not."""
    for _ in range(3):
        came: asyncio.Future[int] = asyncio.get_running_loop().create_future()

        async def wait(future: asyncio.Future[int] = came) -> int:
            return await asyncio.wait_for(future, 5)

        waiting = asyncio.create_task(cancellable(wait()))
        await asyncio.sleep(0.01)
        came.set_result(1)
        waiting.cancel()
        await asyncio.wait([waiting], timeout=1)
        assert waiting.cancelled()


async def test_what_swallows_a_cancellation_has_a_second_to_end() -> None:
    """Work that will not stop is left behind after its time, and the cancellation goes on its way."""
    stop = asyncio.Event()

    async def stubborn() -> None:
        while not stop.is_set():
            try:
                await asyncio.sleep(0.05)
            except asyncio.CancelledError:
                continue

    waiting = asyncio.create_task(cancellable(stubborn()))
    await asyncio.sleep(0.01)
    began_s = time.monotonic()
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert LET_GO_S * 0.9 < time.monotonic() - began_s < LET_GO_S + 1
    stop.set()
    await asyncio.sleep(0.1)


async def test_results_and_errors_come_through() -> None:
    """Not cancelled, it is as if it were not there."""

    async def fails() -> None:
        raise ValueError("no")

    assert await cancellable(asyncio.sleep(0, 5)) == 5
    with pytest.raises(ValueError, match="no"):
        await cancellable(fails())


async def test_clean_up_that_hangs_is_given_up_also_while_being_cancelled() -> None:
    """What comes after a hanging clean-up still runs in a task that is being cancelled, on every Python."""
    after: list[str] = []

    async def work() -> None:
        try:
            await asyncio.sleep(60)
        finally:
            with contextlib.suppress(TimeoutError):
                await in_time(0.05, asyncio.sleep(60))
            after.append("let go")

    task = asyncio.create_task(work())
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait([task], timeout=5)
    assert task.cancelled()
    assert after == ["let go"]
