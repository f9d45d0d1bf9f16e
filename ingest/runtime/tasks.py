"""Tasks of the daemon's own: kept going through a bug, ended within a stated time."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Final

import structlog

from ingest.clock import Clock
from ingest.errors import LumberroomError
from ingest.runtime.backoff import BackOff
from ingest.runtime.machine.logs import Repeats, quietly

_log = structlog.get_logger("lumberroom.tasks")


WELL_AFTER_S: Final = 60.0
"""A part that has run for so long since its last failure counts as well again."""


class Failures:
    """Which parts of the daemon failed lately, for its health. Used from the event loop, read from any thread."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._last: dict[str, tuple[float, str]] = {}

    def note(self, part: str, error: str, wait_s: float) -> None:
        """Note what a part died of.  wait_s: after so long it is started again."""
        self._last[part] = (self._clock.monotonic_s() + wait_s + WELL_AFTER_S, error)

    def troubles(self) -> list[str]:
        """Give a sentence for each part that has not run well since it failed."""
        now_s = self._clock.monotonic_s()
        return [
            f"A part of lumberroom fails ({part}): {error}. It is started again by itself."
            for part, (until_s, error) in dict(self._last).items()
            if now_s < until_s
        ]


async def keep(name: str, work: Callable[[], Awaitable[None]], clock: Clock, failures: Failures | None = None) -> None:
    """Run a piece of the daemon until it ends or this task is cancelled; start it again when it fails.

    failures: is told of each failure.
    """
    back_off, repeats = BackOff(), Repeats()
    while True:
        started_s = clock.monotonic_s()
        try:
            await work()
        except Exception as error:  # noqa: BLE001 -- the boundary: a bug in one part must not end the others
            quiet = repeats.due(str(error), clock.monotonic_s())
            known = isinstance(error, LumberroomError)
            if quiet is not None:
                what = {"error": str(error)} if known else {"exc_info": error}
                _log.error("a part of the daemon failed; it is started again", part=name, **quietly(quiet), **what)
            told = f"{error}".rstrip(".") if known else f"a fault, {type(error).__name__}; the log has the trace"
        else:
            return
        if clock.monotonic_s() - started_s > WELL_AFTER_S:
            back_off.went_well()
        wait_s = back_off.next_s()
        if failures is not None:
            failures.note(name, told, wait_s)
        await clock.sleep(wait_s)


async def every(seconds: float, clock: Clock, work: Callable[[], Awaitable[None]]) -> None:
    """Do something at once and then every so many seconds of the clock, measured on its monotonic scale.

    Where one round takes longer than the period, the rounds that it missed are left out.
    """
    due_s = clock.monotonic_s()
    while True:
        await work()
        due_s += seconds
        late_s = clock.monotonic_s() - due_s
        if late_s > 0:
            due_s += (late_s // seconds + 1) * seconds
        await clock.sleep(due_s - clock.monotonic_s())


async def finish(work: Awaitable[Any], limit_s: float, note: Callable[[BaseException], None]) -> bool:
    """Let `work` finish within `limit_s` real seconds, even while this task is being cancelled.

    note: is told the error with which it ended, if any.  Gives False when it did not end in time, and leaves it.
    """
    task = asyncio.ensure_future(work)
    deadline_s = asyncio.get_running_loop().time() + limit_s
    cancelled: asyncio.CancelledError | None = None
    while not task.done() and (left_s := deadline_s - asyncio.get_running_loop().time()) > 0:
        try:
            await asyncio.wait({task}, timeout=left_s)
        except asyncio.CancelledError as error:
            cancelled = error
    if not task.done():
        task.cancel()
    elif not task.cancelled() and (failure := task.exception()) is not None:
        note(failure)
    if cancelled is not None:
        raise cancelled
    return task.done()


async def end(tasks: list[asyncio.Task[None]], limit_s: float) -> int:
    """Cancel tasks and wait for them, `limit_s` real seconds at most; give how many had to be left behind."""
    for task in tasks:
        task.cancel()
    if not tasks:
        return 0
    _, stuck = await asyncio.wait(tasks, timeout=limit_s)
    for task in stuck:
        _log.warning("a task does not end; it is left behind", task=task.get_name(), limit_s=limit_s)
    return len(stuck)
