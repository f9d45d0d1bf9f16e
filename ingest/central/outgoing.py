"""What the store has to give, as points: its changes, and the past from before it noted any. Blocks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Any, Final, NamedTuple, Protocol

from ingest.central.points import Point
from ingest.site.series import SeriesKey
from ingest.store.api import Changes, SeriesExtent, StoreReader
from ingest.store.record.forwarding import SetAside

SHORTEST_MS: Final = 60_000
LONGEST_MS: Final = 86_400_000
MOST_EMPTY: Final = 400
"""How many empty stretches of the past are passed over in one go."""


class ForwardingReader(StoreReader, Protocol):
    """What a forwarder reads of a store."""

    def changes(self, after: int, limit: int) -> Changes:
        """Give what was stored after a change's number, in the order of commit."""
        ...

    def newest_change(self) -> int:
        """Give the number of the newest change."""
        ...

    def amendments(self, keys: Sequence[SeriesKey], from_ms: int, to_ms: int) -> dict[tuple[SeriesKey, int], int]:
        """Give how often readings were amended, by series and instant."""
        ...

    def forwarding(self, name: str) -> dict[str, Any] | None:
        """Give what was saved of how far it has come."""
        ...

    def set_aside(self, limit: int = 200) -> list[SetAside]:
        """Give readings that the engine refused."""
        ...

    def count_aside(self) -> int:
        """Give how many those are."""
        ...


class ForwardingWork(Protocol):
    """What a forwarder writes in a unit of work."""

    @property
    def read(self) -> ForwardingReader:
        """Read within it."""
        ...

    def follow_changes(self, name: str, *, through: int) -> None:
        """Note that all changes up to a number are taken over; those after it are kept."""
        ...

    def save_forwarding(self, name: str, state: Mapping[str, Any]) -> None:
        """Save how far it has come."""
        ...

    def put_aside(self, refused: Sequence[SetAside]) -> None:
        """Keep what was refused."""
        ...

    def take_back(self, accepted: Sequence[SetAside]) -> None:
        """Drop what was accepted after all."""
        ...


class ForwardingStore(Protocol):
    """The store as a forwarder sees it."""

    @property
    def read(self) -> ForwardingReader:
        """Give the reader."""
        ...

    def transaction(self) -> AbstractContextManager[ForwardingWork]:
        """Open a unit of work."""
        ...


class Given(NamedTuple):
    """Points, and how far they reach: a change's number, or of the past an instant.  lost: begin anew."""

    points: tuple[Point, ...]
    reached: int
    lost: bool = False


def changed(read: ForwardingReader, after: int, newest: int, limit: int) -> Given:
    """Give the points of the changes after a number.  newest: the newest change when it was asked for."""
    found = read.changes(after, limit)
    rows = zip(found.key_index.tolist(), found.at_ms.tolist(), found.value.tolist(), strict=True)
    values = {(found.keys[key], at_ms): value for key, at_ms, value in rows}  # the last one of an instant holds
    points = _with_revisions(read, [Point(key.sensor, key.quantity, at, v) for (key, at), v in values.items()])
    # Where nothing follows (what was noted is deleted since), everything up to the newest is out.
    return Given(tuple(points), found.through if len(found.at_ms) else max(newest, found.through), found.lost)


def past(read: ForwardingReader, extents: Sequence[SeriesExtent], from_ms: int, until_ms: int, limit: int) -> Given:
    """Give the points of the next stretch of the past that holds any: about `limit`, whole instants."""
    span_ms = max(1, max((e.last_ms for e in extents), default=0) - min((e.first_ms for e in extents), default=0))
    length_ms = min(max(limit * span_ms // max(1, sum(e.count for e in extents)), SHORTEST_MS), LONGEST_MS)
    for _ in range(MOST_EMPTY):
        to_ms = min(from_ms + length_ms, until_ms)
        points = [
            Point(extent.key.sensor, extent.key.quantity, at_ms, value)
            for extent in extents
            if extent.first_ms < to_ms and extent.last_ms >= from_ms
            for at_ms, value in _samples(read, extent.key, from_ms, to_ms)
        ]
        if points or to_ms >= until_ms:
            return Given(tuple(_with_revisions(read, points)), to_ms)
        from_ms = to_ms
    return Given((), from_ms)


def _samples(read: ForwardingReader, key: SeriesKey, from_ms: int, to_ms: int) -> Iterable[tuple[int, float]]:
    series = read.read(key, from_ms, to_ms)
    return zip(series.at_ms.tolist(), series.value.tolist(), strict=True)


def _with_revisions(read: ForwardingReader, points: list[Point]) -> list[Point]:
    """Give the points with how often each was amended; those that were take the value that stands now."""
    if not points:
        return []
    keys = list({SeriesKey(point.sensor, point.quantity) for point in points})
    first_ms, last_ms = min(point.at_ms for point in points), max(point.at_ms for point in points)
    times = read.amendments(keys, first_ms, last_ms + 1)
    return [_amended(read, point, times) for point in points] if times else points


def _amended(read: ForwardingReader, point: Point, times: dict[tuple[SeriesKey, int], int]) -> Point:
    key = SeriesKey(point.sensor, point.quantity)
    revision = times.get((key, point.at_ms), 0)
    if not revision:
        return point
    now = read.read(key, point.at_ms, point.at_ms + 1)
    return point._replace(revision=revision, value=float(now.value[0]) if len(now) else point.value)
