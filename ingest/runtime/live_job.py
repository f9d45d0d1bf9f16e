"""The site setup as it stands, and the one way to change it: while the daemon runs, with history, one after another.

The settings file's [site] and [[room]] sections seed an empty store and nothing later. Where somebody edits them
afterwards, `differing` says so, until `lumberroom site apply` takes them over or the file says again what is in use.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

import structlog

from dashboards.services import News
from ingest.clock import Clock
from ingest.errors import ConflictError, StorageError
from ingest.site.actor import SETTINGS, Actor
from ingest.site.editing import Changed, changes, differences
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.store.api import Store
from ingest.store.record.plain import from_plain

KIND: Final = "site"

Write = Callable[[Callable[[], list[Incident]]], Awaitable[list[Incident]]]
"""Runs a piece of writing between others, in the writer's thread."""

_log = structlog.get_logger("lumberroom.site")


class LiveJob:
    """The site setup of a running daemon.

    Read from any thread; changed on the event loop.  publish: where news goes.  write: how to write; the daemon sets it
    when its writer runs.
    """

    def __init__(self, store: Store, clock: Clock, in_file: Site, publish: Callable[[News], None]) -> None:
        """Begin with what the store has; an empty one is seeded with the settings file's.  Raises StorageError."""
        self._store = store
        self._clock = clock
        self._in_file = in_file
        self._publish = publish
        self._one_by_one = asyncio.Lock()
        stored = store.read.site()
        if stored is None:
            with store.transaction() as work:
                work.save_site(in_file, at_ms=clock.now_ms(), by=SETTINGS)
            stored = in_file
            _log.info("the settings file became the site setup", rooms=len(in_file.rooms))
        self.site = stored
        self.number = store.read.history(KIND, "")[-1].number
        self.write: Write = _nobody_writes
        self._was_in_use = was_in_use(store, in_file)

    @property
    def differing(self) -> tuple[str, ...]:
        """In what an edited settings file contradicts the site setup, in words; nothing where it was not edited.

        A file that says what was in use at some time is not edited: what a page changed since is no contradiction.
        """
        return () if self._was_in_use else tuple(differences(self.site, self._in_file))

    async def change(
        self,
        edit: Callable[[Site], Site],
        *,
        by: Actor,
        based_on: int | None = None,
    ) -> Changed:
        """Change the site setup: one commit, kept with what was before, and told as news.

        edit: gives the wanted site setup of the present one; what it raises is passed on, and nothing changes.
        based_on: the number of the site setup that somebody saw when deciding, None where that does not matter.
        Raises ConflictError where it has changed since, StorageError where it could not be written.
        """
        async with self._one_by_one:
            if based_on is not None and based_on != self.number:
                raise ConflictError(
                    "the site setup was changed meanwhile by somebody else",
                    where="site setup",
                    mend="Look at it as it is now, and change it again.",
                )
            was, wanted, now_ms = self.site, edit(self.site), self._clock.now_ms()
            words = tuple(changes(was, wanted))
            if not words:
                return Changed(was, self.number, ())
            numbers: list[int | None] = []

            def save() -> list[Incident]:
                with self._store.transaction() as work:
                    numbers.append(work.save_site(wanted, at_ms=now_ms, by=by))
                return []

            await self.write(save)
            self.site, self.number = wanted, numbers[-1] or self.number
            self._was_in_use = self._was_in_use or not differences(wanted, self._in_file)
            _log.info("the site setup was changed", by=by.words, changes=list(words))
            touched = {room.id for room in (*was.rooms, *wanted.rooms) if was.room(room.id) != wanted.room(room.id)}
            touched |= {one.room for one in {*was.sensors} ^ {*wanted.sensors}}
            self._publish(News(now_ms, tuple(sorted(touched))))
            return Changed(wanted, self.number, words)


def was_in_use(store: Store, in_file: Site) -> bool:
    """Tell whether the site setup ever was what the settings file says. Reads the store."""
    return any(not differences(from_plain(Site, entry.body), in_file) for entry in store.read.history(KIND, ""))


async def _nobody_writes(_: Callable[[], list[Incident]]) -> list[Incident]:
    raise StorageError("the store is not open for writing yet", mend="Try again in a moment.")
