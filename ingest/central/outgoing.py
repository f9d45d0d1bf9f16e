"""What goes out, as points: the store's changes, its past, what is derived beside them, what was set aside. Blocks.

Derived fields are a copy for whoever draws charts on the engine itself; lumberroom's own office derives anew from what
was measured, as a site does. A late temperature changes what is derived for humidity readings after (or just before)
it: those go out again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Final, NamedTuple

import numpy as np
import structlog

from ingest.central.points import Point, runs
from ingest.physics.derived import DERIVED
from ingest.site.series import Int64s, SeriesKey
from ingest.store.api import SeriesExtent, SeriesReader
from ingest.store.reader import SqliteReader
from ingest.store.record.forwarding import SetAside
from ingest.store.series.pairing import PRESSURE_AGE_MS, TEMPERATURE_AFTER_MS, TEMPERATURE_AGE_MS
from ingest.store.series.rows import utc
from ingest.store.sqlite_store import SqliteStore

SHORTEST_MS: Final = 60_000
LONGEST_MS: Final = 86_400_000
MOST_EMPTY: Final = 400
"""How many empty stretches of the past are passed over in one go."""


class Given(NamedTuple):
    """Points, and how far they reach: a change's number, or of the past an instant.  lost: begin anew."""

    points: tuple[Point, ...]
    reached: int
    lost: bool = False


def changed(read: SqliteReader, after: int, newest: int, limit: int) -> Given:
    """Give the points of the changes after a number.  newest: the newest change when it was asked for."""
    found = read.changes(after, limit)
    rows = zip(found.key_index.tolist(), found.at_ms.tolist(), found.value.tolist(), strict=True)
    values = {(found.keys[key], at_ms): value for key, at_ms, value in rows}  # the last one of an instant holds
    points = _with_revisions(read, [Point(key.sensor, key.quantity, at, v) for (key, at), v in values.items()])
    # Where nothing follows (what was noted is deleted since), everything up to the newest is out.
    return Given(tuple(points), found.through if len(found.at_ms) else max(newest, found.through), found.lost)


def past(read: SqliteReader, extents: Sequence[SeriesExtent], from_ms: int, until_ms: int, limit: int) -> Given:
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


def _samples(read: SqliteReader, key: SeriesKey, from_ms: int, to_ms: int) -> Iterable[tuple[int, float]]:
    series = read.read(key, from_ms, to_ms)
    return zip(series.at_ms.tolist(), series.value.tolist(), strict=True)


def _with_revisions(read: SqliteReader, points: list[Point]) -> list[Point]:
    """Give the points with how often each was amended; those that were take the value that stands now."""
    if not points:
        return []
    keys = list({SeriesKey(point.sensor, point.quantity) for point in points})
    first_ms, last_ms = min(point.at_ms for point in points), max(point.at_ms for point in points)
    times = read.amendments(keys, first_ms, last_ms + 1)
    return [_amended(read, point, times) for point in points] if times else points


def _amended(read: SqliteReader, point: Point, times: dict[tuple[SeriesKey, int], int]) -> Point:
    key = SeriesKey(point.sensor, point.quantity)
    revision = times.get((key, point.at_ms), 0)
    if not revision:
        return point
    now = read.read(key, point.at_ms, point.at_ms + 1)
    return point._replace(revision=revision, value=float(now.value[0]) if len(now) else point.value)


NEVER_STORED: Final = "taken again and again and never stored: older than it keeps, or ahead of its clock?"

_log = structlog.get_logger("lumberroom.central")


class Refusing:
    """The readings that are set aside.

    count: how many.  said: which was refused last, and the engine's words.  derived: how many derived values were
    refused, which are not kept.
    """

    def __init__(self, store: SqliteStore, now_ms: Callable[[], int]) -> None:
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


_REACH_MS: Final = {
    "rh_percent": (0, 0),
    "temperature_c": (TEMPERATURE_AFTER_MS, TEMPERATURE_AGE_MS),
    "pressure_kpa": (0, PRESSURE_AGE_MS),
}
"""How far before and after its own instant a changed reading can change what is derived (ms)."""

DIGITS: Final = 6
"""Significant digits of a derived field: finer than any sensor, and a fraction of the engine's disk that the noise in
the last digits would take (see README.md)."""


def derived_points(read: SqliteReader, changed: Iterable[Point]) -> list[Point]:
    """Give what is derived, as it stands now, for the humidity readings that these changed readings touch. Blocks."""
    found: list[Point] = []
    for sensor, points in _by_sensor(changed).items():
        for run in runs(points, PRESSURE_AGE_MS):
            found += _of_run(read, sensor, run)
    return found


def _by_sensor(changed: Iterable[Point]) -> dict[str, list[Point]]:
    by_sensor: dict[str, list[Point]] = {}
    for point in changed:
        if point.quantity in _REACH_MS:
            by_sensor.setdefault(point.sensor, []).append(point)
    return by_sensor


def _of_run(read: SqliteReader, sensor: str, run: list[Point]) -> list[Point]:
    from_ms = min(point.at_ms - _REACH_MS[point.quantity][0] for point in run)
    to_ms = max(point.at_ms + _REACH_MS[point.quantity][1] for point in run) + 1
    humid_ms = read.read(SeriesKey(sensor, "rh_percent"), from_ms, to_ms).at_ms
    touched = humid_ms[_touched(read, sensor, run, humid_ms)] if len(humid_ms) else humid_ms
    if len(touched) == 0:
        return []
    revisions = _revisions(read, sensor, touched)
    found = []
    for name in DERIVED:
        series = read.read(SeriesKey(sensor, name), int(touched[0]), int(touched[-1]) + 1)
        wanted = np.isin(series.at_ms, touched)
        columns = (series.at_ms[wanted].tolist(), series.value[wanted].tolist())
        found += [
            Point(sensor, name, at, float(f"{value:.{DIGITS}g}"), revision)
            for at, value, revision in zip(*columns, revisions[np.isin(touched, series.at_ms)].tolist(), strict=True)
        ]
    return found


def _revisions(read: SqliteReader, sensor: str, humid_ms: Int64s) -> Int64s:
    """Give for each humidity reading how often anything was amended that can go into what is derived for it.

    That only ever rises, and rises with every amendment that counts, so that of several derived copies of one instant
    the one under the highest revision is the newest. Of a reading that came late nothing is noted: where its copy does
    not take the place of the one before it, `read_back` sends it under a higher revision.
    """
    keys = [SeriesKey(sensor, name) for name in _REACH_MS]
    reach_ms = max(age_ms for _, age_ms in _REACH_MS.values())
    amended = read.amendments(keys, int(humid_ms[0]) - reach_ms, int(humid_ms[-1]) + TEMPERATURE_AFTER_MS + 1)
    total = np.zeros(len(humid_ms), dtype=np.int64)
    for (key, at_ms), times in amended.items():
        after_ms, age_ms = _REACH_MS[key.quantity]
        total[(humid_ms >= at_ms - after_ms) & (humid_ms <= at_ms + age_ms)] += times
    return total


def _touched(read: SeriesReader, sensor: str, run: list[Point], humid_ms: Int64s) -> np.ndarray:
    changed = {
        name: np.array([point.at_ms for point in run if point.quantity == name], dtype=np.int64) for name in _REACH_MS
    }
    touched = np.isin(humid_ms, changed["rh_percent"])
    for name, after_ms in (("temperature_c", TEMPERATURE_AFTER_MS), ("pressure_kpa", 0)):
        if len(changed[name]):
            age_ms = _REACH_MS[name][1]
            first_ms, last_ms = int(humid_ms[0]) - age_ms, int(humid_ms[-1]) + after_ms + 1
            instants = read.read(SeriesKey(sensor, name), first_ms, last_ms).at_ms
            touched |= np.isin(_held(instants, humid_ms, age_ms, after_ms), changed[name])
    return touched


def _held(instants: Int64s, at_ms: Int64s, age_ms: int, after_ms: int) -> Int64s:
    """Give the instant of the reading that holds at each instant (see `ingest.store.series.pairing`), -1 for none."""
    if len(instants) == 0:
        return np.full(len(at_ms), -1, dtype=np.int64)
    after = np.searchsorted(instants, at_ms, side="right")
    before = instants[np.maximum(after - 1, 0)]
    held = np.where((after > 0) & (at_ms - before <= age_ms), before, -1)
    following = instants[np.minimum(after, len(instants) - 1)]
    soon = (held < 0) & (after < len(instants)) & (following - at_ms <= after_ms)
    return np.where(soon, following, held)
