"""Signed links at work: read without a write, done in the writer's thread; satisfies `dashboards.services.Actions`."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from dashboards.services import ActionView
from ingest.clock import Clock
from ingest.errors import RefusedError
from ingest.notices import link_actions
from ingest.notices.links import Links
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.store.api import Store

Write = Callable[[Callable[[], list[Incident]]], Awaitable[list[Incident]]]
"""Runs a piece of writing between others; the incidents that it gives are told as news."""


class ActionDesk:
    """What signed links can do on one site.

    links: None while they are not ready.  write: how to write.  public_address: where the world reaches the pages.
    """

    def __init__(
        self,
        links: Callable[[], Links | None],
        store: Store,
        site: Callable[[], Site],
        clock: Clock,
        write: Write,
        *,
        public_address: str = "",
    ) -> None:
        self._links = links
        self._store = store
        self._site = site
        self._clock = clock
        self._write = write
        self.public_address = public_address

    def view(self, token: str) -> ActionView:
        """Say what a link would do, doing nothing. Reads the store: not for the event loop. Raises RefusedError."""
        return link_actions.view(self._ready(), self._store.read, self._site(), token, self._clock.now_ms())

    async def do(self, token: str) -> ActionView:
        """Do what a link is for; done twice, it is done once. Raises RefusedError and StorageError."""
        links, now_ms = self._ready(), self._clock.now_ms()

        def write() -> list[Incident]:
            with self._store.transaction() as work:
                handling = link_actions.do(work, links, token, now_ms)
                incident = work.read.incident(handling.incident) if handling else None
                return [] if incident is None else [incident]

        await self._write(write)
        return await asyncio.to_thread(self.view, token)

    def _ready(self) -> Links:
        links = self._links()
        if links is None:
            raise RefusedError(
                "links are not ready yet",
                where="the address",
                mend="Try again in a moment; if it goes on, the log says why.",
            )
        return links
