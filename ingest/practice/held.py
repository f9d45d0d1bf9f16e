"""What readings tell of a stretch of time: each value holds from its reading for as long as that reading vouches.

The store's rule decides for how long that is (`ingest.store.series.coverage`); beyond it nothing is known. From held
values follow means over time (and not over readings, of which a sensor may send more when something happens), and for
each bound when it was passed. Pure but for the reader.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.site.places import Bounds
from ingest.site.series import Floats, Int64s, Series, SeriesKey
from ingest.store.api import SeriesReader
from ingest.store.series import coverage

Codes = NDArray[np.int8]
Flags = NDArray[np.bool_]

UNKNOWN: Final = np.int8(-1)
INSIDE: Final = np.int8(0)
BELOW: Final = np.int8(1)
ABOVE: Final = np.int8(2)

_SIDE_MARGINS_MS: Final = (21_600_000, 345_600_000, 10_368_000_000)  # 6 hours, 4 days, 120 days


@dataclass(frozen=True, slots=True)
class Held:
    """One series over a stretch: value[i] holds for at_ms[i] <= t < until_ms[i].

    at_ms, until_ms: int64 (n,), at_ms[i] < until_ms[i] <= at_ms[i + 1], all within the stretch.  value: float64 (n,).
    A value that holds when the stretch begins has the beginning of the stretch as its instant.
    """

    at_ms: Int64s
    until_ms: Int64s
    value: Floats


@dataclass(frozen=True, slots=True)
class Steps:
    """A step function: code[i] from at_ms[i] on.  at_ms: int64 (n,), strictly rising, n >= 1.  code: int8 (n,)."""

    at_ms: Int64s
    code: Codes

    def at(self, instants_ms: Int64s) -> Codes:
        """Give the code at each of these instants (int64 (m,), none before the first step)."""
        found: Codes = self.code[np.searchsorted(self.at_ms, instants_ms, side="right") - 1]
        return found


def held(reader: SeriesReader, key: SeriesKey, from_ms: int, to_ms: int) -> Held:
    """Read what a series tells of from_ms <= t < to_ms (from_ms < to_ms).

    For how long a reading vouches depends on the readings around it, so some before and after are looked at; the
    answer agrees with `SeriesReader.gaps` wherever there are ten of them within 120 days of either end.
    """
    before = _beside(reader, key, from_ms, -1)
    inside = reader.read(key, from_ms, to_ms)
    after = _beside(reader, key, to_ms, 1)
    at_ms = np.concatenate([before.at_ms, inside.at_ms, after.at_ms])
    value = np.concatenate([before.value, inside.value, after.value])
    until_ms = np.minimum(at_ms + coverage.vouched_ms(at_ms), to_ms)
    at_ms = np.maximum(at_ms, from_ms)
    some = at_ms < until_ms
    return Held(at_ms[some], until_ms[some], value[some])


def _beside(reader: SeriesReader, key: SeriesKey, at_ms: int, way: int) -> Series:
    """Give the readings before (way -1) or after (way 1) an instant: as many as vouching asks for, as far as may be."""
    found = Series(np.empty(0, np.int64), np.empty(0, np.float64))
    for margin_ms in _SIDE_MARGINS_MS:
        ends_ms = sorted((at_ms, at_ms + way * margin_ms))
        found = reader.read(key, *ends_ms)
        if len(found) >= coverage.CONTEXT:
            break
    return found


def known_ms_between(series: Held, edges_ms: Int64s) -> Floats:
    """Give for how long a value holds between consecutive edges.

    edges_ms: int64 (m + 1,), strictly rising.  Returns float64 (m,), whole milliseconds.
    """
    return np.diff(_cumulated(series, np.ones(len(series.at_ms)), edges_ms))


def mean_between(series: Held, edges_ms: Int64s) -> Floats:
    """Give the mean over the time that a value holds, between consecutive edges; NaN where none does.

    edges_ms: int64 (m + 1,), strictly rising.  Returns float64 (m,). A value that never changes is its own mean.
    """
    known_ms = known_ms_between(series, edges_ms)
    means = np.full(len(known_ms), np.nan)
    if len(series.value):
        # Counted from the first value, the sums stay small and keep their digits.
        base = series.value[0]
        total = np.diff(_cumulated(series, series.value - base, edges_ms))
        np.divide(total, known_ms, out=means, where=known_ms > 0)
        means += base
    return means


def _cumulated(series: Held, weight: Floats, edges_ms: Int64s) -> Floats:
    """Give the integral of a weight over held time (ms), from the beginning up to each edge."""
    if not len(series.at_ms):
        return np.zeros(len(edges_ms))
    length_ms = series.until_ms - series.at_ms
    whole = np.concatenate(([0.0], np.cumsum(weight * length_ms)))
    index = np.searchsorted(series.at_ms, edges_ms, side="right") - 1
    into_ms = np.minimum(edges_ms - series.at_ms[index], length_ms[index])
    return np.where(index < 0, 0.0, whole[index] + weight[index] * into_ms)


def values_between(series: Held, from_ms: int, to_ms: int) -> Floats:
    """Give the values that hold at some time in from_ms <= t < to_ms."""
    first = np.searchsorted(series.until_ms, from_ms, side="right")
    last = np.searchsorted(series.at_ms, to_ms, side="left")
    return series.value[int(first) : int(last)]


def judged_steps(series: Held, bounds: Bounds | None, from_ms: int) -> Steps:
    """Judge a series by bounds (None: every value is inside), from `from_ms` on; unknown where no value holds."""
    code = np.full(len(series.value), INSIDE)
    if bounds is not None and bounds.low is not None:
        code[series.value < bounds.low] = BELOW
    if bounds is not None and bounds.high is not None:
        code[series.value > bounds.high] = ABOVE
    # Where a value ceases to hold before the next one comes, a step to "unknown" is put in.
    ends = np.ones(len(code), dtype=np.bool_)
    ends[:-1] = series.until_ms[:-1] < series.at_ms[1:]
    at_ms = np.concatenate(([from_ms], series.at_ms, series.until_ms[ends]))
    codes = np.concatenate(([UNKNOWN], code, np.full(int(ends.sum()), UNKNOWN)))
    order = np.argsort(at_ms, kind="stable")
    return _plain(Steps(at_ms[order], codes[order]))


def _plain(steps: Steps) -> Steps:
    """Take away steps that change nothing, and all but the last of those at one instant."""
    last = np.append(steps.at_ms[1:] != steps.at_ms[:-1], True)
    at_ms, code = steps.at_ms[last], steps.code[last]
    changes = np.append(True, code[1:] != code[:-1])
    return Steps(at_ms[changes], code[changes])
