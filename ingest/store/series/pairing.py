"""Which temperature and pressure belong to a humidity reading, and the derived series that follow. Pure.

A derived series has the instants of the sensor's RH readings. The temperature is that of the sensor's newest reading at
or before the instant, if no older than `TEMPERATURE_AGE_MS`; where there is none, the first one after it within
`TEMPERATURE_AFTER_MS` (sensors that send humidity first and temperature a moment later). The pressure is the sensor's
own as of the instant if no older than `PRESSURE_AGE_MS`, else the site's. These limits are common practice, no source.
Where no temperature belongs to an instant, or the quantity cannot be derived there (NaN), the series has no sample.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final, NamedTuple

import numpy as np

from ingest.physics.derived import derive_all
from ingest.site.series import Floats, Int64s, Series

TEMPERATURE_AGE_MS: Final = 300_000
TEMPERATURE_AFTER_MS: Final = 60_000
PRESSURE_AGE_MS: Final = 3_600_000


def as_of(samples: Series, at_ms: Int64s, *, age_ms: int, after_ms: int = 0) -> Floats:
    """Give the value that holds at each instant, NaN where none does.

    samples: in order of time.  at_ms: int64 (n,).  age_ms: how old a value may be.  after_ms: how much later than the
    instant a value may come where none old enough is there.  Returns float64 (n,).
    """
    values = np.full(len(at_ms), np.nan)
    if len(samples) == 0:
        return values
    if np.array_equal(samples.at_ms, at_ms):
        return samples.value.copy()
    after = np.searchsorted(samples.at_ms, at_ms, side="right")
    before = after - 1
    held = (before >= 0) & (at_ms - samples.at_ms[before] <= age_ms)
    values[held] = samples.value[before[held]]
    if after_ms > 0:
        nearest = np.minimum(after, len(samples) - 1)
        soon = ~held & (after < len(samples)) & (samples.at_ms[nearest] - at_ms <= after_ms)
        values[soon] = samples.value[nearest[soon]]
    return values


class Paired(NamedTuple):
    """RH readings with what belongs to each: columns (n,).  temperature_c, rh_percent, pressure_kpa: NaN: not known."""

    at_ms: Int64s
    temperature_c: Floats
    rh_percent: Floats
    pressure_kpa: Floats


def paired(temperature: Series, humidity: Series, pressure: Series | None, site_pressure_kpa: float) -> Paired:
    """Give the RH readings of one sensor with the temperature and pressure that hold at each.

    temperature (°C), humidity (%), pressure (kPa or None): of that sensor, in order of time; temperature and pressure
    reaching back as far as they may be old.  site_pressure_kpa: where none is measured.
    """
    temperature_c = as_of(temperature, humidity.at_ms, age_ms=TEMPERATURE_AGE_MS, after_ms=TEMPERATURE_AFTER_MS)
    pressure_kpa = np.full(len(humidity), site_pressure_kpa)
    if pressure is not None:
        measured = as_of(pressure, humidity.at_ms, age_ms=PRESSURE_AGE_MS)
        pressure_kpa = np.where(np.isnan(measured), pressure_kpa, measured)
    return Paired(humidity.at_ms, temperature_c, humidity.value, pressure_kpa)


def compute(quantities: Collection[str], of: Paired) -> dict[str, Series]:
    """Give derived series, each without the instants at which it is not known, in the order of `DERIVED`.

    quantities: names in `DERIVED`. What several need is computed once; a series is the same, bit for bit, whichever
    others are computed with it.
    """
    columns = derive_all(of.temperature_c, of.rh_percent, of.pressure_kpa, names=quantities)
    return {quantity: _known(of.at_ms, value) for quantity, value in columns.items()}


def _known(at_ms: Int64s, value: Floats) -> Series:
    unknown = np.isnan(value)
    return Series(at_ms[~unknown], value[~unknown]) if unknown.any() else Series(at_ms, value)


def derive(
    quantity: str, temperature: Series, humidity: Series, pressure: Series | None, site_pressure_kpa: float
) -> Series:
    """Give the derived series of one sensor at the instants of its RH readings (see `paired` and `compute`)."""
    return compute((quantity,), paired(temperature, humidity, pressure, site_pressure_kpa))[quantity]
