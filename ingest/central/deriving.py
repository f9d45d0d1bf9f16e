"""The derived fields that go out beside the measured ones: those of the humidity readings that a change touches.

They are a copy for whoever draws charts on the engine itself; lumberroom's own office derives anew from what was
measured, as a site does. A late temperature changes what is derived for humidity readings after (or just before) it:
those go out again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final, Protocol

import numpy as np

from ingest.central.points import Point
from ingest.physics.derived import DERIVED
from ingest.site.series import Int64s, SeriesKey
from ingest.store.api import SeriesReader
from ingest.store.series.pairing import PRESSURE_AGE_MS, TEMPERATURE_AFTER_MS, TEMPERATURE_AGE_MS

_REACH_MS: Final = {
    "rh_percent": (0, 0),
    "temperature_c": (TEMPERATURE_AFTER_MS, TEMPERATURE_AGE_MS),
    "pressure_kpa": (0, PRESSURE_AGE_MS),
}
"""How far before and after its own instant a changed reading can change what is derived (ms)."""

DIGITS: Final = 6
"""Significant digits of a derived field: finer than any sensor, and a fraction of the engine's disk that the noise in
the last digits would take (see README.md)."""

_RUN_GAP_MS: Final = PRESSURE_AGE_MS


class AmendedReader(SeriesReader, Protocol):
    """Reads series, and how often their readings were amended."""

    def amendments(self, keys: Sequence[SeriesKey], from_ms: int, to_ms: int) -> dict[tuple[SeriesKey, int], int]:
        """Give how often readings were amended, by series and instant."""
        ...


def derived_points(read: AmendedReader, changed: Iterable[Point]) -> list[Point]:
    """Give what is derived, as it stands now, for the humidity readings that these changed readings touch. Blocks."""
    found: list[Point] = []
    for sensor, points in _by_sensor(changed).items():
        for run in _runs(points):
            found += _of_run(read, sensor, run)
    return found


def _by_sensor(changed: Iterable[Point]) -> dict[str, list[Point]]:
    by_sensor: dict[str, list[Point]] = {}
    for point in changed:
        if point.quantity in _REACH_MS:
            by_sensor.setdefault(point.sensor, []).append(point)
    return by_sensor


def _runs(points: list[Point]) -> Iterator[list[Point]]:
    run: list[Point] = []
    for point in sorted(points, key=lambda one: one.at_ms):
        if run and point.at_ms - run[-1].at_ms > _RUN_GAP_MS:
            yield run
            run = []
        run.append(point)
    if run:
        yield run


def _of_run(read: AmendedReader, sensor: str, run: list[Point]) -> list[Point]:
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


def _revisions(read: AmendedReader, sensor: str, humid_ms: Int64s) -> Int64s:
    """Give for each humidity reading how often anything was amended that can go into what is derived for it.

    That only ever rises, and rises with every amendment that counts, so that of several derived copies of one instant
    the one under the highest revision is the newest. Of a reading that came late nothing is noted: where its copy does
    not take the place of the one before it, `overtaking` sends it under a higher revision.
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
