"""Keys of devices, for the daemon: who may hand what in, and when each was used last.

A key is asked of the store each time, so that one that was revoked holds no longer from that moment on. When it was
used is written down every few minutes only: a commit for each push would only wear a memory card out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from dashboards.services import DeviceKeyStatus, DeviceRight
from ingest.clock import Clock
from ingest.site.incidents import Incident
from ingest.store.sqlite_store import SqliteStore

NOTE_EVERY_S: Final = 300.0


class KeyBook:
    """The keys of one store. `right` and `listed` are for any thread."""

    def __init__(self, store: SqliteStore, clock: Clock) -> None:
        self._store = store
        self._clock = clock
        self._used_ms: dict[str, int] = {}  # by name; only of keys that hold, hence bounded
        self._noted_ms: dict[str, int] = {}

    def right(self, key: str) -> DeviceRight | None:
        """Give what a key allows, and remember that it was used; None where no such key holds."""
        known = self._store.read.device_key(key)
        if known is None:
            return None
        self._used_ms[known.name] = self._clock.now_ms()
        return DeviceRight(known.name, known.sensors)

    def listed(self) -> Sequence[DeviceKeyStatus]:
        """Give all keys, those that hold first, each with when it was used last."""
        found = [
            DeviceKeyStatus(one.name, one.sensors, one.made_ms, one.last_used_ms, one.revoked_ms)
            for one in self._store.read.device_keys()
        ]
        return [
            replace(one, last_used_ms=max(self._used_ms.get(one.name, 0), one.last_used_ms or 0) or None)
            if one.revoked_ms is None
            else one
            for one in found
        ]

    def write_down(self) -> list[Incident]:
        """Write down when keys were used last, where that has changed; it changes no incident."""
        fresh = {name: at_ms for name, at_ms in self._used_ms.items() if self._noted_ms.get(name) != at_ms}
        if fresh:
            with self._store.transaction() as work:
                work.note_keys_used(fresh)
            self._noted_ms |= fresh
        return []
