"""Derived copies on the engine that a later reading has overtaken: read back, and replaced under a higher revision.

What is derived for a humidity reading may change after it went out: a temperature comes late, or something is amended.
Sent again under the same tags, an engine may keep the older value; under the count of amendments, a late reading would
not show. So such copies are read back, and where the one that a reader would take is not what the store says now, what
it says goes out once more, one revision above all that are there.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from ingest.central.engine import Engine, Wanted
from ingest.central.points import MEASUREMENT, Point
from ingest.central.read_back import TOLERANCE, runs


class Instant(NamedTuple):
    """A humidity reading for which something is derived."""

    sensor: str
    at_ms: int


def changed_again(derived: Iterable[Point], measured: Iterable[Point]) -> frozenset[Instant]:
    """Give the instants of which a derived copy may have gone out before.

    derived: what goes out now.  measured: the readings that it goes out beside.
    """
    new = {Instant(point.sensor, point.at_ms) for point in measured if point.quantity == "rh_percent"}
    told = ((Instant(point.sensor, point.at_ms), point.revision) for point in derived)
    return frozenset(instant for instant, revision in told if revision or instant not in new)


def as_humidity(instants: Iterable[Instant]) -> list[Point]:
    """Give instants as points of humidity, for which `deriving.derived_points` derives as things stand now."""
    return [Point(sensor, "rh_percent", at_ms, 0.0) for sensor, at_ms in instants]


def overtaken(engine: Engine, site: str, now: Sequence[Point]) -> list[Point]:
    """Give the points whose newest copy on the engine is another value, with a revision above all that are there.

    now: what is derived as things stand now.  Raises EngineError. Blocks.
    """
    found: list[Point] = []
    fields = tuple(sorted({point.quantity for point in now}))
    for run in runs(now):
        wanted = Wanted(MEASUREMENT, fields, {"site": site})
        there: dict[tuple[str, str, int], dict[int, list[float]]] = {}
        for one in engine.samples(wanted, run[0].at_ms, run[-1].at_ms + 1):
            sensor, revision = one.tags.get("sensor", ""), int(one.tags.get("revision", 0))
            for at_ms, value in zip(one.at_ms.tolist(), one.value.tolist(), strict=True):
                there.setdefault((sensor, one.field, at_ms), {}).setdefault(revision, []).append(value)
        found += [point for point in (_raised(point, there) for point in run) if point is not None]
    return found


def _raised(point: Point, there: dict[tuple[str, str, int], dict[int, list[float]]]) -> Point | None:
    copies = there.get((point.sensor, point.quantity, point.at_ms), {})
    if not copies:
        return point
    highest = max(copies)
    same = all(math.isclose(point.value, one, rel_tol=TOLERANCE, abs_tol=TOLERANCE) for one in copies[highest])
    return None if same else point._replace(revision=max(highest + 1, point.revision))
