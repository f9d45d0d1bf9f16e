"""Series by key, measured or derived alike, with the context that coverage needs.

Every function takes a view, one snapshot, so that all that makes up one answer belongs together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from math import isfinite
from typing import Final, NamedTuple

import numpy as np

from ingest.physics.derived import DERIVED, derive_all
from ingest.site.series import Buckets, Int64s, Sample, Series, SeriesKey, Span
from ingest.store.series import bucketing, coverage, pairing, rows, summing, thinned
from ingest.store.series.context import around, complete, derived, instants_of
from ingest.store.series.rows import EMPTY
from ingest.store.series.view import View

Pressure = Callable[[], float]
"""Gives the site's air pressure (kPa), where it is wanted at all."""

# How far back the newest derived sample is looked for, from the newest instant at which there can be one: nearly always
# the first stretch has it, and a sensor whose humidity and temperature never meet must not cost a scan of its life.
_LATEST_STRETCHES_MS: Final = (900_000, 86_400_000, 32 * 86_400_000)


def read(view: View, key: SeriesKey, from_ms: int, to_ms: int, pressure: Pressure) -> Series:
    """Give the samples with from_ms <= instant < to_ms, in order of time; none where the series is unknown."""
    stored = instants_of(view, key)
    if stored is None:
        return EMPTY
    return complete(view, key, rows.between(view, stored.id, from_ms, to_ms), pressure)


def buckets(view: View, key: SeriesKey, edges_ms: Int64s, pressure: Pressure) -> Buckets:
    """Give the buckets between consecutive edges. Raises ValueError when the edges do not rise strictly.

    Where the edges and the state of the rollups allow it they are put together from rollups, else from the readings.
    """
    edges_ms = np.asarray(edges_ms, dtype=np.int64)
    bucketing.check_edges(edges_ms)
    summed = summing.buckets(view, key, edges_ms, pressure)
    if summed is not None:
        return summed
    samples = around(view, key, int(edges_ms[0]), int(edges_ms[-1]), pressure)
    return bucketing.bucket(samples, coverage.vouched_ms(samples.at_ms), edges_ms)


def gaps(view: View, key: SeriesKey, from_ms: int, to_ms: int, pressure: Pressure) -> list[Span]:
    """Give the stretches for which no reading vouches.

    Where readings went by a rule, a cell of the rollup for a part of which a reading vouched is no gap.
    """
    if from_ms >= to_ms:
        return []
    at_ms = around(view, key, from_ms, to_ms, pressure).at_ms
    found = coverage.gaps(at_ms, coverage.vouched_ms(at_ms), from_ms, to_ms)
    return thinned.without_kept(view, key, found) if found else found


def latest(view: View, keys: Iterable[SeriesKey], pressure: Pressure) -> dict[SeriesKey, Sample]:
    """Give the newest sample of each series; those without one are left out."""
    wanted = list(keys)
    if not any(key.quantity in DERIVED for key in wanted):
        return rows.latest(view, wanted)
    found = rows.latest(view, (key for key in wanted if key.quantity not in DERIVED))
    of_sensor: dict[str, list[str]] = {}
    for key in dict.fromkeys(wanted):
        if key.quantity in DERIVED:
            of_sensor.setdefault(key.sensor, []).append(key.quantity)
    found |= _derived_at_hand(view, of_sensor, pressure)
    for sensor, names in of_sensor.items():
        left = [name for name in names if SeriesKey(sensor, name) not in found]
        if left:
            found |= _latest_derived(view, sensor, left, pressure)
    return found


def _derived_at_hand(view: View, of_sensor: Mapping[str, Sequence[str]], pressure: Pressure) -> dict[SeriesKey, Sample]:
    """Give the newest derived samples that follow from the newest measured ones alone, as most do.

    The temperature that belongs to the newest RH reading is the newest one, unless that is later or too old; so with
    the pressure. All sensors that are asked for the same quantities are computed in one go.
    """
    together: dict[tuple[str, ...], list[tuple[str, _Air]]] = {}
    for sensor, names in of_sensor.items():
        at_hand = _air_at_hand(view, sensor, pressure)
        if at_hand is not None:
            together.setdefault(tuple(names), []).append((sensor, at_hand))
    found: dict[SeriesKey, Sample] = {}
    for quantities, those in together.items():
        columns = zip(*(one[1:] for _, one in those), strict=True)
        for name, values in derive_all(*(np.array(column) for column in columns), names=quantities).items():
            for (sensor, one), value in zip(those, values.tolist(), strict=True):
                if isfinite(value):
                    found[SeriesKey(sensor, name)] = Sample(one.at_ms, value)
    return found


class _Air(NamedTuple):
    at_ms: int
    temperature_c: float
    rh_percent: float
    pressure_kpa: float


def _air_at_hand(view: View, sensor: str, pressure: Pressure) -> _Air | None:
    """Give a sensor's newest RH reading with what belongs to it, where the newest readings tell; see `pairing`."""
    humidity, temperature, own = (
        rows.find(view, SeriesKey(sensor, name)) for name in ("rh_percent", "temperature_c", "pressure_kpa")
    )
    if humidity is None or temperature is None:
        return None
    if not 0 <= humidity.last_ms - temperature.last_ms <= pairing.TEMPERATURE_AGE_MS:
        return None
    if own is None:
        return _Air(humidity.last_ms, temperature.last_value, humidity.last_value, pressure())
    if not 0 <= humidity.last_ms - own.last_ms <= pairing.PRESSURE_AGE_MS:
        return None
    return _Air(humidity.last_ms, temperature.last_value, humidity.last_value, own.last_value)


def _latest_derived(view: View, sensor: str, quantities: Sequence[str], pressure: Pressure) -> dict[SeriesKey, Sample]:
    """Give a sensor's newest derived samples, looked for in the newest 32 days in which there can be any."""
    humidity, temperature = (rows.find(view, SeriesKey(sensor, name)) for name in ("rh_percent", "temperature_c"))
    found: dict[SeriesKey, Sample] = {}
    if humidity is None or temperature is None:
        return found
    end_ms = min(humidity.last_ms, temperature.last_ms + pairing.TEMPERATURE_AGE_MS) + 1
    wanted = list(quantities)
    for stretch_ms in _LATEST_STRETCHES_MS:
        samples = rows.between(view, humidity.id, end_ms - stretch_ms, end_ms)
        for name, series in derived(view, sensor, wanted, samples, pressure).items():
            if len(series):
                found[SeriesKey(sensor, name)] = Sample(int(series.at_ms[-1]), float(series.value[-1]))
        wanted = [name for name in wanted if SeriesKey(sensor, name) not in found]
        if not wanted:
            break
    return found
