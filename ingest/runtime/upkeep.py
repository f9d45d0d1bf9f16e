"""Upkeep of the store: what follows from storing all the time; nightly sealed, thinned, tidied and checked.

Thinning is done only where the settings file has a rule for it (`[data] keep_readings_days`), and never to what the
central engine has not got yet.
"""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Callable, Mapping
from typing import Final

import structlog

from ingest.clock import Clock, SystemClock
from ingest.runtime.periodic import Calendar
from ingest.store.file import checkpoints
from ingest.store.series.retention import Rule
from ingest.store.sqlite_store import SqliteStore

CHECK_LIMIT_S: Final = 3600.0
CHECK_S: Final = 1800.0
"""So long a night the check of the store goes on, half of it at rest. A whole pass over a hundred sensors' five years
of minutes takes four minutes of a desktop machine (measured 2026-12), some nights of a small one with a memory card."""
SETTLE_LIMIT_S: Final = 1800.0
TIDY_LIMIT_S: Final = 300.0
THIN_LIMIT_S: Final = 3600.0

MUCH_SPARE: Final = 0.3
"""A file of which a larger share holds nothing is shortened; room within that is used again by what comes."""

_REST: Final = 4.0  # after a step, rest so many times as long as it took: who stores and who reads come first

_log = structlog.get_logger("lumberroom.upkeep")


class Upkeep:
    """The calendar with the store's nightly work on it."""

    def __init__(
        self,
        store: SqliteStore,
        time_zone: str,
        *,
        clock: Clock | None = None,
        keep_readings_days: int | None = None,
        wanted_from_ms: Callable[[], int | None] = lambda: None,
    ) -> None:
        """Take the store.

        keep_readings_days: the rule by which readings go; None keeps them for ever.  wanted_from_ms: from which
        instant on readings must stay for a forwarder that goes through the past, or None.
        """
        self._store = store
        self._clock: Clock = clock or SystemClock()
        self._rule = Rule(keep_readings_days) if keep_readings_days is not None else None
        self._wanted_from_ms = wanted_from_ms
        self.thinned_chunks = 0  # since the start
        self._calendar = Calendar(time_zone)
        self._calendar.nightly("store settling", self.settle, limit_s=SETTLE_LIMIT_S)
        if self._rule is not None:
            self._calendar.nightly("store thinning", self.thin, limit_s=THIN_LIMIT_S)
        self._calendar.nightly("store tidying", self.tidy, limit_s=TIDY_LIMIT_S)
        self._calendar.nightly("store check", self.check, limit_s=CHECK_LIMIT_S)

    def start(self) -> None:
        """Begin; needs a running event loop. What follows from storing is done from now on, in a thread of its own."""
        self._store.keep_settled()
        self._calendar.start()

    def wake(self) -> None:
        """Work out anew what is due: after a step of the wall clock."""
        self._calendar.wake()

    def stop(self) -> None:
        """End."""
        self._calendar.stop()

    async def settle(self) -> None:
        """Seal what is staged and make every rollup follow, step by step."""
        while await asyncio.to_thread(self._store.settle_step):
            pass

    async def thin(self) -> None:
        """Let readings go that are older than the rule keeps, in small steps with rests between; then give room back.

        Nothing is let go while the engine has not got it.  What the settling of this night has not reached stays too.
        """
        if self._rule is None:
            return
        rule, before = self._rule, self.thinned_chunks
        now_ms = self._clock.now_ms()

        def step() -> bool:
            gone = self._store.thin(rule, now_ms=now_ms, not_from_ms=self._wanted_from_ms())
            self.thinned_chunks += gone
            return gone > 0

        await _rested(step)
        _log.info("readings were thinned", keep_days=rule.keep_days, chunks=self.thinned_chunks - before)
        if self.thinned_chunks > before:
            await _rested(self._store.give_back_room)

    async def tidy(self) -> None:
        """Fold the store's log into its file, refresh what it knows for planning, and shorten a file that is much too
        long for what it holds, as after a large import. What old digests told goes, too: a year of them is 30 MB."""
        now_ms = self._clock.now_ms()
        await _rested(lambda: self._store.let_go_facts(now_ms=now_ms))
        await asyncio.to_thread(self._store.tidy)
        if await asyncio.to_thread(self._store.spare_share) > MUCH_SPARE:
            await _rested(self._store.give_back_room)

    async def check(self) -> None:
        """Go on with checking the store's file, piece by piece with rests between, for a part of the night.

        A large store's pass goes through several nights; stopped, it goes on where it was.
        """
        until_s = time.monotonic() + CHECK_S
        while time.monotonic() < until_s:
            began_s = time.monotonic()
            checked = await asyncio.to_thread(self._store.check_piece, now_ms=self._clock.now_ms())
            if checked.place is None:
                break
            await asyncio.sleep(time.monotonic() - began_s)
        if self.faults:
            _log.error("the store's file is not sound; keep a copy of it", faults=self.faults[:10])
        else:
            _log.info("no fault was found in the store's file", check=self._store.checked.in_words())

    @property
    def faults(self) -> list[str]:
        """What the nightly check found in its last whole pass and since, a sentence each."""
        return self._store.checked.known

    def troubles(self) -> list[str]:
        """Give what is wrong with the store, a sentence each: what the last check found, what keeps upkeep from it."""
        waits = self._store.keeper_trouble
        found = [one for one in self._store.damage if one not in self.faults]
        return [*self.faults, *found, *([f"The store's upkeep waits: {waits}"] if waits else [])]

    def as_figures(self) -> Mapping[str, object]:
        """Give JSON-able figures for the health."""
        return {
            "jobs": self._calendar.as_figures(),
            "keep_readings_days": self._rule.keep_days if self._rule else None,
            "thinned_chunks": self.thinned_chunks,
            "too_late": [one.in_words() for one in self._store.read.too_late()],
            "store_faults": self.faults,
            "store_check": self._store.checked.in_words(),
            "store_damage": self._store.damage,
            "store_keeper_trouble": self._store.keeper_trouble,
            "sqlite": {"version": sqlite3.sqlite_version, "caution": checkpoints.caution()},
        }


async def _rested(step: Callable[[], bool]) -> None:
    """Take step after step, each in a thread, as long as there is more, with rests between."""
    while True:
        began_s = time.monotonic()
        if not await asyncio.to_thread(step):
            return
        await asyncio.sleep(_REST * (time.monotonic() - began_s))
