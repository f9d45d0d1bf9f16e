"""What a batch brings of each air sensor: its samples in order of time, made of the batch itself. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.places import JUDGED_QUANTITIES, Place, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.watch.window.judge import Sample
from ingest.watch.window.verdicts import Samples

_ROWS: Final = {"temperature_c": 0, "rh_percent": 1}
"""The measured quantities from which everything that a window bounds is had, and their place in a row."""

STANDARD_PRESSURE_KPA: Final = 101.325  # EMC does not depend on it


class Arrived(NamedTuple):
    """What a batch holds of one air sensor: rows of (temperature, RH, EMC), None if not there, by instant, rising."""

    sensor: Sensor
    rows: dict[int, list[float | None]]

    @property
    def first_ms(self) -> int:
        """The earliest instant."""
        return next(iter(self.rows))

    @property
    def is_paired(self) -> bool:
        """Whether temperature and RH came together every time, so that the EMC needs no other reading."""
        return all(row[0] is not None and row[1] is not None for row in self.rows.values())

    def until(self, last_ms: int) -> Arrived:
        """Give what lies at or before an instant."""
        if next(reversed(self.rows)) <= last_ms:
            return self
        return Arrived(self.sensor, {at_ms: row for at_ms, row in self.rows.items() if at_ms <= last_ms})

    def samples(self, names: Iterable[str]) -> list[Sample]:
        """Give the samples of those quantities; instants at which none of them was measured are left out."""
        wanted = [name in names for name in JUDGED_QUANTITIES]
        samples = []
        for at_ms, row in self.rows.items():
            values = [value if want else None for value, want in zip(row, wanted, strict=True)]
            if any(value is not None for value in values):
                samples.append(Sample(at_ms, *values))
        return samples

    def columns(self, names: Iterable[str]) -> Samples:
        """Give the same as columns."""
        samples = self.samples(names)
        values = {
            name: np.array([getattr(one, name) for one in samples], dtype=np.float64) for name in JUDGED_QUANTITIES
        }
        at_ms = np.array([one.at_ms for one in samples], dtype=np.int64)
        return Samples(at_ms, {name: column for name, column in values.items() if name in names})


def air_sensors(site: Site) -> dict[str, Sensor]:
    """Give the sensors that are judged, by id."""
    return {sensor.id: sensor for sensor in site.sensors if sensor.place is Place.AIR}


def arrivals(batch: ReadingBatch, air: Mapping[str, Sensor]) -> dict[str, list[Arrived]]:
    """Sort a batch's readings by room and sensor; what is not judged is left out."""
    places = [(air.get(key.sensor), _ROWS.get(key.quantity, -1)) for key in batch.keys]
    rows: dict[str, dict[int, list[float | None]]] = {}
    for index, at_ms, value in zip(batch.key_index.tolist(), batch.at_ms.tolist(), batch.value.tolist(), strict=True):
        sensor, column = places[index]
        if sensor is None or column < 0:
            continue
        of_sensor = rows.setdefault(sensor.id, {})
        row = of_sensor.get(at_ms)
        if row is None:
            row = of_sensor[at_ms] = [None, None, None]
        row[column] = value
    rooms: dict[str, list[Arrived]] = {}
    for name, of_sensor in rows.items():
        in_order = of_sensor if len(of_sensor) == 1 else dict(sorted(of_sensor.items()))
        rooms.setdefault(air[name].room, []).append(Arrived(air[name], in_order))
    return rooms


def add_emc(arrived: Iterable[Arrived]) -> None:
    """Derive the EMC wherever temperature and RH came together, for all sensors in one go."""
    rows = [row for one in arrived for row in one.rows.values() if row[0] is not None and row[1] is not None]
    if not rows:
        return
    temperature_c, rh_percent = (np.array([row[place] for row in rows], dtype=np.float64) for place in (0, 1))
    pressure_kpa = np.full(len(rows), STANDARD_PRESSURE_KPA)
    emc_percent = np.asarray(DERIVED["emc_percent"].compute(temperature_c, rh_percent, pressure_kpa))
    for row, emc in zip(rows, emc_percent.tolist(), strict=True):
        row[2] = None if math.isnan(emc) else emc
