"""Forwarding as the wiring has it: the forwarder as a part of the daemon that nothing else waits for."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from dashboards.services import ForwardingStatus
from ingest.central.announcements import Stood
from ingest.central.dialects import engine_of
from ingest.central.engine import OwnThread
from ingest.central.forwarder import NAME, NEVER_MS, Forwarder
from ingest.central.progress import ForwarderSettings
from ingest.central.writing import InfluxWriter
from ingest.clock import Clock
from ingest.settings.wiring import CentralWiring
from ingest.site.places import Site
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.standing import standing


class Forwarding:
    """One site's forwarding, started again by the daemon when it fails."""

    def __init__(self, wiring: CentralWiring, clock: Clock, site: Callable[[], Site]) -> None:
        self._wiring = wiring
        self._clock = clock
        self._site = site
        self._core: Forwarder | None = None

    async def run(self, store: SqliteStore) -> None:
        """Forward until cancelled. Raises StorageError when the store cannot be read or written."""
        if self._core is None:
            self._core = self._made(store)
        thread = OwnThread("central forwarder")
        try:
            while True:
                wait_s = await thread.run(self._core.step)
                await self._clock.sleep(max(wait_s, 0.0))
        finally:
            thread.close()

    def _made(self, store: SqliteStore) -> Forwarder:
        wiring = self._wiring

        def stood() -> Mapping[str, Stood]:
            site, now_ms = self._site(), self._clock.now_ms()
            found = (standing(store.read, site, room.id, now_ms=now_ms) for room in site.rooms)
            return {one.room: Stood(one.state, one.since_ms, one.silent) for one in found}

        return Forwarder(
            store,
            self._clock,
            InfluxWriter(wiring.address),
            engine_of(wiring.address) if wiring.read_back else None,
            self._site,
            ForwarderSettings(wiring.site_id, derived=wiring.derived),
            stood=stood,
        )

    def status(self) -> ForwardingStatus:
        """Say how it fares."""
        if self._core is None:
            return ForwardingStatus(self._wiring.address.url)
        core = self._core
        return ForwardingStatus(
            self._wiring.address.url, error=core.trouble, refused=core.refused, **core.lag()._asdict()
        )

    def wanted_from_ms(self) -> int | None:
        """Give the instant from which on the store's past has not reached the engine yet, None where all has.

        What was stored since the engine was wired is kept by the store's own list of changes.
        """
        return self._core.wanted_from_ms if self._core is not None else NEVER_MS

    def as_figures(self) -> Mapping[str, object]:
        """Give JSON-able figures for the health."""
        if self._core is None:
            return {"wired": True}
        return {"engine": self._wiring.address.url, **self._core.as_figures()}


def not_wired() -> Mapping[str, object]:
    """Give the figures of a site without a central engine."""
    return {"wired": False}


def forget(store: SqliteStore) -> bool:
    """Keep no changes for an engine that is wired no longer: sealed batches and thinning would wait for it for ever.

    Wired again, the forwarder finds that changes are gone, and goes through everything anew. Says whether anything was
    kept. Blocks.  Raises StorageError.
    """
    with store.transaction() as work:
        return work.forget_changes(NAME)
