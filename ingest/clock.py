"""The one clock, passed in: real, running fast for a demonstration, or driven by a test."""

from __future__ import annotations

import asyncio
import datetime as dt
import heapq
import itertools
import time
from typing import Final, Protocol

EARLIEST_MS: Final = 1_577_836_800_000
"""2020-01-01T00:00Z. A clock before it was never set: computers without a battery begin in 1970, 2000 or when they were
made."""

LATEST_MS: Final = 2_082_758_400_000
"""2036-01-01T00:00Z, ten years after this edition."""


def plainly_wrong(now_ms: int) -> str:
    """Say that a clock cannot be right, in a sentence with what to do; nothing where it can be."""
    if EARLIEST_MS <= now_ms <= LATEST_MS:
        return ""
    said = dt.datetime.fromtimestamp(now_ms / 1000, dt.UTC)
    return (
        f"This computer's clock says {said.day} {said:%b %Y}, which cannot be: what it dates is refused. "
        "Set it, or let it reach a time server."
    )


class Clock(Protocol):
    """Instants in UTC milliseconds, durations on a monotonic scale, and waiting.

    Ask it once at the top of a piece of work and pass `now_ms` down.
    """

    def now_ms(self) -> int:
        """Give the present instant, UTC, integer milliseconds since 1970."""
        ...

    def monotonic_s(self) -> float:
        """Give seconds on a scale that never steps; only differences mean anything."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait that many seconds of this clock."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now_ms(self) -> int:
        """Give the present instant, UTC, integer milliseconds since 1970."""
        return time.time_ns() // 1_000_000

    def monotonic_s(self) -> float:
        """Give the machine's monotonic seconds."""
        return time.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Wait on the event loop."""
        await asyncio.sleep(seconds)


class FastClock:
    """A clock that starts at an instant and runs `speed` times as fast as the machine's (demonstrations, replays)."""

    def __init__(self, start_ms: int, speed: float) -> None:
        """Start at `start_ms` now.  speed: seconds of this clock per real second, > 0.  Raises ValueError if not."""
        if not speed > 0:
            raise ValueError(f"speed must be above 0, not {speed}")
        self.speed = speed
        self._start_ms = start_ms
        self._started_s = time.monotonic()

    def now_ms(self) -> int:
        """Give this clock's present instant, UTC, integer milliseconds since 1970."""
        return self._start_ms + int(self.monotonic_s() * 1000)

    def monotonic_s(self) -> float:
        """Give seconds of this clock since it was made."""
        return (time.monotonic() - self._started_s) * self.speed

    async def sleep(self, seconds: float) -> None:
        """Wait that many seconds of this clock, `speed` times fewer real ones."""
        await asyncio.sleep(seconds / self.speed)


class DrivenClock:
    """A clock that stands still until a test moves it; sleepers wake in order of their due time."""

    def __init__(self, start_ms: int = 1_700_000_000_000) -> None:
        self._now_ms = start_ms
        self._monotonic_s = 0.0
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    def now_ms(self) -> int:
        """Give the instant to which the test has driven this clock."""
        return self._now_ms

    def monotonic_s(self) -> float:
        """Give the seconds that the test has let pass."""
        return self._monotonic_s

    async def sleep(self, seconds: float) -> None:
        """Wait until the test has driven the clock that far."""
        waiter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (self._monotonic_s + seconds, next(self._order), waiter))
        await waiter

    async def advance(self, seconds: float) -> None:
        """Let `seconds` pass, waking every sleeper that falls due on the way and giving it a turn of the loop."""
        end_s = self._monotonic_s + seconds
        await _settle()
        while self._sleepers and self._sleepers[0][0] <= end_s:
            due_s, _, waiter = heapq.heappop(self._sleepers)
            self._move_to(max(due_s, self._monotonic_s))
            if not waiter.done():
                waiter.set_result(None)
            await _settle()
        self._move_to(end_s)

    def step_wall(self, milliseconds: int) -> None:
        """Step the wall clock alone, as a time server or a flat clock battery does."""
        self._now_ms += milliseconds

    def _move_to(self, monotonic_s: float) -> None:
        self._now_ms += round((monotonic_s - self._monotonic_s) * 1000)
        self._monotonic_s = monotonic_s


async def _settle() -> None:
    # A woken task may wake another; a handful of turns lets such chains run out before time moves on.
    for _ in range(10):
        await asyncio.sleep(0)
