"""Waiting for libraries that may swallow a cancellation."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Coroutine
from typing import Any, Final, TypeVar

LET_GO_S: Final = 1.0
"""How long what was waited for may take to end; an adapter must have let go within two seconds."""

T = TypeVar("T")


async def cancellable(work: Coroutine[Any, Any, T]) -> T:
    """Await `work` so that a cancellation always comes through.

    A library that waits with `asyncio.wait_for` loses one that comes together with the result before Python 3.12 (the
    daemon would go on as if nobody had asked it to stop). Here the work is cancelled, has ended or had a second to
    end, and then the cancellation goes on its way.
    """
    task = asyncio.ensure_future(work)
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        task.cancel()
        await asyncio.wait([task], timeout=LET_GO_S)
        if task.done() and not task.cancelled():
            task.exception()  # looked at, so that nobody complains that nobody did
        raise


async def in_time(limit_s: float, work: Awaitable[T]) -> T:
    """Await clean-up `work` for so long at most (seconds).  Raises TimeoutError, and what `work` raises.

    Clean-up runs in a task that is being cancelled, where `asyncio.timeout` lets the cancellation through in place of
    its TimeoutError before Python 3.11.3, and what comes after it is skipped.
    """
    task = asyncio.ensure_future(work)
    try:
        await asyncio.wait([task], timeout=limit_s)
        if not task.done():
            raise TimeoutError
        return task.result()
    finally:
        task.cancel()
