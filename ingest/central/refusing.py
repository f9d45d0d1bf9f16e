"""What the engine refuses: kept in the store's file with the engine's words, and tried again now and then."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Final

import structlog

from ingest.central.outgoing import ForwardingStore
from ingest.central.points import Point
from ingest.physics.derived import DERIVED
from ingest.site.series import SeriesKey
from ingest.store.record.forwarding import SetAside
from ingest.store.series.rows import utc

NEVER_STORED: Final = "taken again and again and never stored: older than it keeps, or ahead of its clock?"

_log = structlog.get_logger("lumberroom.central")


class Refusing:
    """The readings that are set aside.

    count: how many.  said: which was refused last, and the engine's words.  derived: how many derived values were
    refused, which are not kept.
    """

    def __init__(self, store: ForwardingStore, now_ms: Callable[[], int]) -> None:
        self._store = store
        self._now_ms = now_ms
        self.count = 0
        self.said = ""
        self.derived = 0

    def load(self) -> None:
        """Count what is there. Raises StorageError."""
        self.count = self._store.read.count_aside()
        newest = self._store.read.set_aside(1) if self.count else []
        self.said = "".join(f"{one.key.quantity} of {one.key.sensor}, {utc(one.at_ms)}: {one.said}" for one in newest)

    def put(self, refused: Sequence[tuple[Point, str]]) -> set[Point]:
        """Keep what was refused, measured readings durably; what is derived is only counted. Gives the points."""
        if not refused:
            return set()
        now_ms = self._now_ms()
        kept = [
            SetAside(SeriesKey(one.sensor, one.quantity), one.at_ms, one.value, one.revision, said, now_ms)
            for one, said in refused
            if one.quantity not in DERIVED
        ]
        with self._store.transaction() as work:
            work.put_aside(kept)
        self.derived += len(refused) - len(kept)
        self.load()
        _log.error("the central engine refuses readings; they are set aside", count=len(kept), said=refused[0][1])
        return {point for point, _ in refused}

    def kept(self, limit: int) -> list[Point]:
        """Give what is set aside, those refused last first."""
        aside = self._store.read.set_aside(limit) if self.count else []
        return [Point(one.key.sensor, one.key.quantity, one.at_ms, one.value, one.revision) for one in aside]

    def take_back(self, arrived: Iterable[Point]) -> None:
        """Drop what has arrived after all."""
        gone = [SetAside(SeriesKey(p.sensor, p.quantity), p.at_ms, p.value, p.revision, "", 0) for p in arrived]
        with self._store.transaction() as work:
            work.take_back(gone)
        self.load()
