"""Series by key, measured or derived alike, with the context that coverage needs.

Every function takes a view, one snapshot, so that all that makes up one answer belongs together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import Buckets, Int64s, Sample, Series, SeriesKey, Span
from ingest.store.series import bucketing, coverage, pairing, rows, summing, thinned
from ingest.store.series.context import around, complete, instants_of
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
    for key in wanted:
        sample = _latest_derived(view, key, pressure) if key.quantity in DERIVED else None
        if sample is not None:
            found[key] = sample
    return found


def _latest_derived(view: View, key: SeriesKey, pressure: Pressure) -> Sample | None:
    """Give the newest sample, or None. It is looked for in the newest 32 days in which there can be one."""
    stored, temperature = instants_of(view, key), rows.find(view, SeriesKey(key.sensor, "temperature_c"))
    if stored is None or temperature is None:
        return None
    end_ms = min(stored.last_ms, temperature.last_ms + pairing.TEMPERATURE_AGE_MS) + 1
    for stretch_ms in _LATEST_STRETCHES_MS:
        found = read(view, key, end_ms - stretch_ms, end_ms, pressure)
        if len(found):
            return Sample(int(found.at_ms[-1]), float(found.value[-1]))
    return None
