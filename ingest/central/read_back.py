"""Whether what was sent is there: read back, instant by instant. A 2xx is no proof of storage.

Measured with a real server: lines that it cannot parse, NaN, and points more than two days ahead are answered with 204
and dropped; what it had acknowledged within the last seconds before a SIGKILL is gone. So a batch counts as delivered
only once it is old enough to be on the engine's disk and every one of its readings was read back with its value.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

from ingest.central.engine import Engine, Wanted
from ingest.central.points import MEASUREMENT, Point

RUN_GAP_MS: Final = 900_000
"""Readings further apart than this are asked for separately, so that one late one does not ask for a whole year."""

TOLERANCE: Final = 1e-9
"""How far, in proportion, a value read back may differ: engines that pack floats as decimals lose the last digits
(measured: up to 9.2e-12)."""


def missing(engine: Engine, site: str, sent: Sequence[Point]) -> list[Point]:
    """Give the points that cannot be read back as they were sent. Raises EngineError. Blocks."""
    lost: list[Point] = []
    fields = tuple(sorted({point.quantity for point in sent}))
    for run in runs(sent):
        wanted = Wanted(MEASUREMENT, fields, {"site": site})
        there: dict[tuple[str, str, int, int], list[float]] = {}
        for one in engine.samples(wanted, run[0].at_ms, run[-1].at_ms + 1):
            sensor, revision = one.tags.get("sensor", ""), int(one.tags.get("revision", 0))
            for at_ms, value in zip(one.at_ms.tolist(), one.value.tolist(), strict=True):
                there.setdefault((sensor, one.field, revision, at_ms), []).append(value)
        lost += [point for point in run if not _is_there(point, there)]
    return lost


def _is_there(point: Point, there: dict[tuple[str, str, int, int], list[float]]) -> bool:
    values = there.get((point.sensor, point.quantity, point.revision, point.at_ms), ())
    return any(math.isclose(point.value, value, rel_tol=TOLERANCE, abs_tol=TOLERANCE) for value in values)


def runs(points: Sequence[Point]) -> Iterator[list[Point]]:
    """Give the points in order of time, cut where `RUN_GAP_MS` or more lies between two."""
    run: list[Point] = []
    for point in sorted(points, key=lambda one: one.at_ms):
        if run and point.at_ms - run[-1].at_ms >= RUN_GAP_MS:
            yield run
            run = []
        run.append(point)
    if run:
        yield run
