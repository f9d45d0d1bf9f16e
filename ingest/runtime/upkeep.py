"""Upkeep of the store: what follows from storing all the time; nightly sealed, tidied, checked, and what was found."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Final

import structlog

from ingest.runtime.periodic import Calendar
from ingest.store.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore

CHECK_LIMIT_S: Final = 3600.0
SETTLE_LIMIT_S: Final = 1800.0
TIDY_LIMIT_S: Final = 300.0

_log = structlog.get_logger("lumberroom.upkeep")


class Upkeep:
    """The calendar with the store's nightly work on it."""

    def __init__(self, store: SqliteStore, time_zone: str) -> None:
        self._store = store
        self.faults: list[str] = []  # what the last check found, a sentence each
        self._calendar = Calendar(time_zone)
        self._calendar.nightly("store settling", self.settle, limit_s=SETTLE_LIMIT_S)
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

    async def tidy(self) -> None:
        """Fold the store's log into its file and refresh what it knows for planning."""
        await asyncio.to_thread(self._store.tidy)

    async def check(self) -> None:
        """Check the store's file and remember what is wrong with it."""
        self.faults = await asyncio.to_thread(check_integrity, self._store.path)
        if self.faults:
            _log.error("the store's file is not sound; keep a copy of it", faults=self.faults[:10])
        else:
            _log.info("the store's file is sound")

    def as_figures(self) -> Mapping[str, object]:
        """Give JSON-able figures for the health."""
        return {
            "jobs": self._calendar.as_figures(),
            "store_faults": list(self.faults),
            "store_damage": self._store.damage,
            "store_keeper_trouble": self._store.keeper_trouble,
        }
