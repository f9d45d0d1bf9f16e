"""The last 24 hours of many sensors' air, kept between looks: a live page asks for them again and again.

What is kept are the ten-minute means up to the last full ten minutes; the newest figures are asked for every time. A
reading that comes late, or corrects one, is in the next answer: the store says whose past was written into. Where a
store cannot (a central engine), a day is asked for anew after half a minute.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from dashboards.visit import Visit
from ingest.site.places import Sensor
from ingest.site.series import Floats, Int64s, Sample, SeriesKey
from ingest.store.api import RewriteReader

DAY_MS: Final = 86_400_000
STEP_MS: Final = 600_000
"""The path of a day is drawn through the means of ten minutes: finer than the pencil is wide."""

AIR: Final = ("temperature_c", "rh_percent")

MOST_SENSORS: Final = 5_000
"""So many sensors' days are kept, about 3 kB each."""

KEPT_FOR_S: Final = 30.0
"""For so long (real seconds) a day is kept of a store that cannot say whether its past was written into."""


class Told(NamedTuple):
    """What a sensor told in the full ten minutes of a day.

    version: differs wherever anything else does.  temperature_c, rh_percent: means, float64 (144,); NaN where nothing
    was heard.  newest_ms: when its newest temperature and RH were, as this was asked for.
    """

    version: int
    temperature_c: Floats
    rh_percent: Floats
    newest_ms: tuple[int | None, ...]


class LastDay(NamedTuple):
    """The last 24 hours of some sensors' air.  at_ms: the middle of each ten minutes, int64 (144,)."""

    at_ms: Int64s
    told: Mapping[str, Told]
    newest: Mapping[SeriesKey, Sample]

    def newest_of(self, sensor: str) -> tuple[Sample, Sample] | None:
        """Give a sensor's newest temperature and RH, where there are both."""
        temperature, humidity = (self.newest.get(SeriesKey(sensor, name)) for name in AIR)
        return None if temperature is None or humidity is None else (temperature, humidity)


class DaysKept:
    """Keeps the days of the sensors that were asked for last. Safe to use from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._versions = itertools.count()
        self._through_ms = 0
        self._mark = 0
        self._asked_s = 0.0
        self._told: dict[str, Told] = {}

    def last_day(self, visit: Visit, sensors: Iterable[Sensor], also: Sequence[SeriesKey] = ()) -> LastDay:
        """Give the last 24 hours of sensors.  also: series of which the newest sample is wanted with it."""
        wanted = [sensor.id for sensor in sensors]
        keys = [SeriesKey(sensor, name) for sensor in wanted for name in AIR]
        # One at a time: who comes meanwhile finds everything there, and nobody puts old above new.
        with self._lock:
            self._drop_what_changed(visit)
            newest = visit.latest([*keys, *also])
            self._complete(visit, wanted, newest)
            told = {sensor: self._told[sensor] for sensor in wanted}
            edges_ms = self._edges_ms()
        return LastDay((edges_ms[:-1] + edges_ms[1:]) // 2, told, newest)

    def _edges_ms(self) -> Int64s:
        return np.arange(self._through_ms - DAY_MS, self._through_ms + 1, STEP_MS, dtype=np.int64)

    def _drop_what_changed(self, visit: Visit) -> None:
        through_ms, read = visit.now_ms // STEP_MS * STEP_MS, visit.services.read
        earliest: Mapping[str, int] | None = None
        if isinstance(read, RewriteReader):
            self._mark, earliest = read.rewritten(self._mark)
        elif 0 <= visit.services.clock.monotonic_s() - self._asked_s < KEPT_FOR_S:
            earliest = {}
        if earliest is None or through_ms != self._through_ms or len(self._told) > MOST_SENSORS:
            self._told.clear()
            self._through_ms, self._asked_s = through_ms, visit.services.clock.monotonic_s()
            return
        for sensor, at_ms in earliest.items():
            if at_ms < through_ms:
                self._told.pop(sensor, None)

    def _complete(self, visit: Visit, wanted: Sequence[str], newest: Mapping[SeriesKey, Sample]) -> None:
        missing = [sensor for sensor in wanted if not self._holds(sensor, newest)]
        if not missing:
            return
        keys = [SeriesKey(sensor, name) for sensor in missing for name in AIR]
        found = visit.services.read.buckets_of(keys, self._edges_ms())
        for sensor in missing:
            means = [found[SeriesKey(sensor, name)].mean.copy() for name in AIR]
            self._told[sensor] = Told(next(self._versions), means[0], means[1], _newest_ms(sensor, newest))

    def _holds(self, sensor: str, newest: Mapping[SeriesKey, Sample]) -> bool:
        """Say whether what is kept of a sensor is all that it told: its readings reached beyond, or none came since."""
        told = self._told.get(sensor)
        if told is None:
            return False
        now_ms = _newest_ms(sensor, newest)
        pairs = zip(told.newest_ms, now_ms, strict=True)
        return all(then == now or (then is not None and then >= self._through_ms) for then, now in pairs)


def _newest_ms(sensor: str, newest: Mapping[SeriesKey, Sample]) -> tuple[int | None, ...]:
    return tuple(found.at_ms if (found := newest.get(SeriesKey(sensor, name))) else None for name in AIR)
