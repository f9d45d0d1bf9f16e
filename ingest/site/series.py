"""Time series as columns: what comes in (a batch of readings) and what goes out (series, buckets, coverage)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from adapters.contract import Reading, Stamp

Int64s = NDArray[np.int64]
Floats = NDArray[np.float64]


class SeriesKey(NamedTuple):
    """One quantity of one sensor; the quantity may be measured or derived."""

    sensor: str
    quantity: str


class Sample(NamedTuple):
    """A value at an instant (UTC, ms)."""

    at_ms: int
    value: float


@dataclass(frozen=True, slots=True)
class ReadingBatch:
    """Readings as columns of one length n, made once at intake.

    keys: the distinct series.  key_index: int32 (n,), into `keys`.  at_ms: int64 (n,), UTC.  value: float64 (n,).
    arrival_stamped: bool (n,), True where the instant is that of arrival and not the sensor's own.
    """

    keys: tuple[SeriesKey, ...]
    key_index: NDArray[np.int32]
    at_ms: Int64s
    value: Floats
    arrival_stamped: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.at_ms)

    @staticmethod
    def of(readings: Iterable[Reading]) -> ReadingBatch:
        """Make a batch of single readings, keeping their order."""
        index: dict[SeriesKey, int] = {}
        rows = [
            (index.setdefault(SeriesKey(r.sensor, r.quantity), len(index)), r.at_ms, r.value, r.stamp is Stamp.ARRIVAL)
            for r in readings
        ]
        key_index, at_ms, value, arrival = zip(*rows, strict=True) if rows else ((), (), (), ())
        return ReadingBatch(
            tuple(index),
            np.array(key_index, dtype=np.int32),
            np.array(at_ms, dtype=np.int64),
            np.array(value, dtype=np.float64),
            np.array(arrival, dtype=np.bool_),
        )

    def readings(self) -> Iterator[Reading]:
        """Give the batch back as single readings, in order."""
        stamps = (Stamp.SENSOR, Stamp.ARRIVAL)
        columns = (self.key_index.tolist(), self.at_ms.tolist(), self.value.tolist(), self.arrival_stamped.tolist())
        for key, at_ms, value, arrival in zip(*columns, strict=True):
            yield Reading(self.keys[key].sensor, self.keys[key].quantity, value, at_ms, stamps[arrival])


@dataclass(frozen=True, slots=True)
class Series:
    """Samples in order of time.  at_ms: int64 (n,), strictly rising, UTC.  value: float64 (n,)."""

    at_ms: Int64s
    value: Floats

    def __len__(self) -> int:
        return len(self.at_ms)


@dataclass(frozen=True, slots=True)
class Buckets:
    """What n buckets hold; bucket i spans edges_ms[i] <= instant < edges_ms[i + 1].

    edges_ms: int64 (n + 1,).  count: int64 (n,).  minimum, mean, maximum: float64 (n,), NaN where count is 0: a gap is
    a gap.  coverage: float64 (n,), the share of the bucket's length that readings cover, 0 to 1: each reading
    covers the time until the next one, but for no longer than the series' allowed gap.
    """

    edges_ms: Int64s
    count: Int64s
    minimum: Floats
    mean: Floats
    maximum: Floats
    coverage: Floats

    def __len__(self) -> int:
        return len(self.count)


class Span(NamedTuple):
    """A stretch of time, from_ms <= instant < to_ms, UTC."""

    from_ms: int
    to_ms: int
