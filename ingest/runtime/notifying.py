"""Notices, as the wiring has them: who is told, by which channel, and the postman that delivers."""

from __future__ import annotations

import asyncio

from ingest.clock import Clock
from ingest.runtime.wiring import Wiring
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.store.api import Store, UnitOfWork


class Notifying:
    """Puts notices into the outbox, and delivers them where a way to do so is wired."""

    def __init__(self, wiring: Wiring, clock: Clock) -> None:
        self._mail = wiring.mail
        self._clock = clock

    def enqueue(self, work: UnitOfWork, incidents: list[Incident], site: Site, now_ms: int) -> None:
        """Put a notice for every recipient into the outbox, in the unit of work of the incidents."""

    async def run(self, store: Store) -> None:
        """Deliver what is due, until cancelled."""
        await asyncio.Event().wait()

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health."""
        if self._mail is None:
            return {"wired": False}
        return {"wired": True, "recipients": len(self._mail.recipients), "trouble": self._mail.trouble}
