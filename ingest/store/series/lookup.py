"""Series by key, measured or derived alike: the stored rows fetched with the context that coverage needs.

Every function takes a connection inside one read transaction, so that the rows of one answer belong together.
"""

from __future__ import annotations

import sqlite3
from typing import Final

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import Buckets, Int64s, Sample, Series, SeriesKey, Span
from ingest.store.series import bucketing, coverage, pairing, rows
from ingest.store.series.rows import EMPTY, StoredSeries

# How far back the newest derived sample is looked for, from the newest instant at which there can be one: nearly always
# the first stretch has it, and a sensor whose humidity and temperature never meet must not cost a scan of its life.
_LATEST_STRETCHES_MS: Final = (900_000, 86_400_000, 32 * 86_400_000)


def read(
    connection: sqlite3.Connection, key: SeriesKey, from_ms: int, to_ms: int, *, site_pressure_kpa: float
) -> Series:
    """Give the samples with from_ms <= instant < to_ms, in order of time; none where the series is unknown."""
    stored = _instants_of(connection, key)
    if stored is None:
        return EMPTY
    return _complete(connection, key, rows.between(connection, stored.id, from_ms, to_ms), site_pressure_kpa)


def buckets(connection: sqlite3.Connection, key: SeriesKey, edges_ms: Int64s, *, site_pressure_kpa: float) -> Buckets:
    """Give the buckets between consecutive edges. Raises ValueError when the edges do not rise strictly."""
    edges_ms = np.asarray(edges_ms, dtype=np.int64)
    bucketing.check_edges(edges_ms)
    samples = _with_context(connection, key, int(edges_ms[0]), int(edges_ms[-1]), site_pressure_kpa)
    return bucketing.bucket(samples, coverage.vouched_ms(samples.at_ms), edges_ms)


def gaps(
    connection: sqlite3.Connection, key: SeriesKey, from_ms: int, to_ms: int, *, site_pressure_kpa: float
) -> list[Span]:
    """Give the stretches for which no reading vouches."""
    if from_ms >= to_ms:
        return []
    at_ms = _with_context(connection, key, from_ms, to_ms, site_pressure_kpa).at_ms
    return coverage.gaps(at_ms, coverage.vouched_ms(at_ms), from_ms, to_ms)


def latest(connection: sqlite3.Connection, key: SeriesKey, *, site_pressure_kpa: float) -> Sample | None:
    """Give the newest sample, or None. A derived series is looked through for its newest 32 days."""
    stored = _instants_of(connection, key)
    if stored is None:
        return None
    if key.quantity not in DERIVED:
        return Sample(stored.last_ms, stored.last_value)
    temperature = rows.find(connection, SeriesKey(key.sensor, "temperature_c"))
    if temperature is None:
        return None
    end_ms = min(stored.last_ms, temperature.last_ms + pairing.TEMPERATURE_AGE_MS) + 1
    for stretch_ms in _LATEST_STRETCHES_MS:
        found = read(connection, key, end_ms - stretch_ms, end_ms, site_pressure_kpa=site_pressure_kpa)
        if len(found):
            return Sample(int(found.at_ms[-1]), float(found.value[-1]))
    return None


def _instants_of(connection: sqlite3.Connection, key: SeriesKey) -> StoredSeries | None:
    """Give the stored series that has this series' instants: itself, or the RH readings it is derived from."""
    if key.quantity in DERIVED:
        return rows.find(connection, SeriesKey(key.sensor, "rh_percent"))
    return rows.find(connection, key)


def _with_context(
    connection: sqlite3.Connection, key: SeriesKey, from_ms: int, to_ms: int, site_pressure_kpa: float
) -> Series:
    stored = _instants_of(connection, key)
    if stored is None:
        return EMPTY
    samples = rows.joined(
        rows.last_before(connection, stored.id, from_ms, coverage.CONTEXT),
        rows.between(connection, stored.id, from_ms, to_ms),
        rows.first_from(connection, stored.id, to_ms, coverage.CONTEXT),
    )
    return _complete(connection, key, samples, site_pressure_kpa)


def _complete(connection: sqlite3.Connection, key: SeriesKey, samples: Series, site_pressure_kpa: float) -> Series:
    """Give measured samples as they are; for a derived key take them as RH readings and derive."""
    if key.quantity not in DERIVED or len(samples) == 0:
        return samples
    first_ms, last_ms = int(samples.at_ms[0]), int(samples.at_ms[-1])

    def companion(quantity: str, age_ms: int, after_ms: int) -> Series | None:
        stored = rows.find(connection, SeriesKey(key.sensor, quantity))
        if stored is None:
            return None
        return rows.between(connection, stored.id, first_ms - age_ms, last_ms + after_ms + 1)

    temperature = companion("temperature_c", pairing.TEMPERATURE_AGE_MS, pairing.TEMPERATURE_AFTER_MS)
    pressure = companion("pressure_kpa", pairing.PRESSURE_AGE_MS, 0)
    if temperature is None:
        return EMPTY
    return pairing.derive(key.quantity, temperature, samples, pressure, site_pressure_kpa)
