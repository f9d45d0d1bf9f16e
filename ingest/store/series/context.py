"""A stretch of a series together with the readings around it that decide over its coverage; measured or derived."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Final

from ingest.physics.derived import DERIVED
from ingest.site.series import Series, SeriesKey
from ingest.store.series import coverage, pairing, rows
from ingest.store.series.rows import EMPTY, StoredSeries
from ingest.store.series.view import View

_MOST: Final = 40 * coverage.CONTEXT
"""Derived series have fewer samples than there are RH readings where temperature is missing: so many are looked at."""


def instants_of(view: View, key: SeriesKey) -> StoredSeries | None:
    """Give the stored series that has this series' instants: itself, or the RH readings it is derived from."""
    if key.quantity in DERIVED:
        return rows.find(view, SeriesKey(key.sensor, "rh_percent"))
    return rows.find(view, key)


def around(view: View, key: SeriesKey, from_ms: int, to_ms: int, pressure: Callable[[], float]) -> Series:
    """Give the samples of a stretch with at least `coverage.CONTEXT` before and after it, as far as there are."""
    stored = instants_of(view, key)
    if stored is None:
        return EMPTY
    inside = rows.between(view, stored.id, from_ms, to_ms)
    limit = coverage.CONTEXT
    while True:
        before = rows.last_before(view, stored.id, from_ms, limit)
        after = rows.first_from(view, stored.id, to_ms, limit)
        samples = complete(view, key, rows.joined(before, inside, after), pressure)
        enough = key.quantity not in DERIVED or limit >= _MOST or _framed(samples, before, after, from_ms, to_ms, limit)
        if enough:
            return samples
        limit *= 4


def _framed(samples: Series, before: Series, after: Series, from_ms: int, to_ms: int, limit: int) -> bool:
    """Say whether the derived samples reach as far beyond the stretch as they must, or as they can."""
    low, high = samples.at_ms.searchsorted((from_ms, to_ms))
    return bool(
        (low >= coverage.CONTEXT or len(before) < limit)
        and (len(samples) - high >= coverage.CONTEXT or len(after) < limit)
    )


def complete(view: View, key: SeriesKey, samples: Series, pressure: Callable[[], float]) -> Series:
    """Give measured samples as they are; for a derived key take them as RH readings and derive."""
    if key.quantity not in DERIVED or len(samples) == 0:
        return samples
    return derived(view, key.sensor, (key.quantity,), samples, pressure).get(key.quantity, EMPTY)


def derived(
    view: View, sensor: str, quantities: Collection[str], humidity: Series, pressure: Callable[[], float]
) -> dict[str, Series]:
    """Derive quantities at a sensor's RH readings; none where there are no readings or no temperature was measured."""
    if len(humidity) == 0:
        return {}
    companions = companions_of(view, sensor, int(humidity.at_ms[0]), int(humidity.at_ms[-1]))
    if companions is None:
        return {}
    return pairing.compute(quantities, pairing.paired(companions[0], humidity, companions[1], pressure()))


def companions_of(view: View, sensor: str, first_ms: int, last_ms: int) -> tuple[Series, Series | None] | None:
    """Give the temperature and pressure that belong to RH readings of a stretch; None where none was measured ever."""

    def companion(quantity: str, age_ms: int, after_ms: int) -> Series | None:
        stored = rows.find(view, SeriesKey(sensor, quantity))
        if stored is None:
            return None
        return rows.between(view, stored.id, first_ms - age_ms, last_ms + after_ms + 1)

    temperature = companion("temperature_c", pairing.TEMPERATURE_AGE_MS, pairing.TEMPERATURE_AFTER_MS)
    if temperature is None:
        return None
    return temperature, companion("pressure_kpa", pairing.PRESSURE_AGE_MS, 0)
