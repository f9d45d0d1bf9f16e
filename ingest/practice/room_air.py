"""The air of a room over a stretch of time: what each of its air sensors told, as held values, and its spread."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.practice.held import Held, held, known_ms_between, mean_between, values_between
from ingest.site.places import JUDGED_QUANTITIES, Place, Room, Site
from ingest.site.series import Floats, Int64s, SeriesKey
from ingest.store.api import SeriesReader

ENOUGH_OF_AN_HOUR: Final = 0.5
"""The share of an hour that a sensor's readings must cover, or it has no mean (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class RoomAir:
    """What a room's air sensors told of from_ms <= t < to_ms.

    series: per quantity of `JUDGED_QUANTITIES`, one entry a sensor, in the order of the site.
    """

    from_ms: int
    to_ms: int
    series: Mapping[str, tuple[Held, ...]]


@dataclass(frozen=True, slots=True)
class Spread:
    """A quantity over a stretch: mean over the time that is known, lowest and highest value, in its own unit.

    With several sensors the mean is theirs, each weighing by the time it tells of; the extremes are those of any.
    coverage: the share of the stretch that readings of any sensor cover, 0 to 1.
    """

    mean: float
    minimum: float
    maximum: float
    coverage: float


@dataclass(frozen=True, slots=True)
class HourlyEmc:
    """The hourly EMC over a stretch [% MC].

    mean: the mean of the hourly values, which is not the EMC of the mean climate, because EMC rises ever more steeply
    with RH.  lowest, highest: hourly value of any sensor.  hours: how many there were; an hour without enough readings
    (`ENOUGH_OF_AN_HOUR`) has none.
    """

    mean: float
    lowest: float
    highest: float
    hours: int


def room_air(reader: SeriesReader, site: Site, room: Room, from_ms: int, to_ms: int) -> RoomAir:
    """Read what the room's air sensors told of from_ms <= t < to_ms (from_ms < to_ms)."""
    sensors = site.sensors_of(room.id, Place.AIR)
    series = {
        name: tuple(held(reader, SeriesKey(sensor.id, name), from_ms, to_ms) for sensor in sensors)
        for name in JUDGED_QUANTITIES
    }
    return RoomAir(from_ms, to_ms, series)


def spreads(series: tuple[Held, ...], coverage: Floats, edges_ms: Int64s) -> list[Spread | None]:
    """Give the spread of one quantity between consecutive edges, None where nothing is known of it.

    edges_ms: int64 (m + 1,), strictly rising.  coverage: float64 (m,), of the quantity.
    """
    known_ms = np.array([known_ms_between(one, edges_ms) for one in series]).reshape(-1, len(coverage))
    means = np.array([mean_between(one, edges_ms) for one in series]).reshape(known_ms.shape)
    return [
        _spread(series, known_ms[:, part], means[:, part], float(coverage[part]), edges_ms[part : part + 2])
        for part in range(len(coverage))
    ]


def _spread(
    series: tuple[Held, ...], known_ms: Floats, means: Floats, coverage: float, ends_ms: Int64s
) -> Spread | None:
    told = np.flatnonzero(known_ms > 0)
    if not len(told):
        return None
    values = np.concatenate([values_between(series[index], *ends_ms.tolist()) for index in told])
    mean = float(np.average(means[told], weights=known_ms[told]))
    return Spread(mean, float(values.min()), float(values.max()), coverage)


def hourly_by_sensor(air: RoomAir, edges_ms: Int64s) -> Floats:
    """Give the mean EMC of each sensor in each hour.

    edges_ms: int64 (h + 1,), of the hours.  Returns float64 (s, h), NaN where too little of the hour is known.
    """
    found = np.full((len(air.series["emc_percent"]), len(edges_ms) - 1), np.nan)
    for row, series in zip(found, air.series["emc_percent"], strict=True):
        enough = known_ms_between(series, edges_ms) >= ENOUGH_OF_AN_HOUR * np.diff(edges_ms)
        row[enough] = mean_between(series, edges_ms)[enough]
    return found


def hourly_emc(by_sensor: Floats) -> HourlyEmc | None:
    """Sum up hourly values (float64 (s, h), NaN where there is none): in each hour the mean of the sensors counts."""
    there = np.isfinite(by_sensor)
    sensors = there.sum(axis=0)
    hours = sensors > 0
    if not hours.any():
        return None
    of_room = np.where(there, by_sensor, 0.0).sum(axis=0)[hours] / sensors[hours]
    known = by_sensor[there]
    return HourlyEmc(float(of_room.mean()), float(known.min()), float(known.max()), int(hours.sum()))
