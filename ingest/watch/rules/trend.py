"""Where the air is heading: a straight line through the last three hours, and when it leaves the window. Pure.

A straight line goes through twelve means of a quarter of an hour each; its slope is taken as small as it may be with
90 % confidence, so that noise heads nowhere. Outside the window there is nothing to tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.places import Bounds, Sensor
from ingest.site.series import Floats, Int64s, Series, SeriesKey
from ingest.watch.rules.figures import HOUR_MS, Air, instants_of
from ingest.watch.window.plan import bound_names, stretches

NEVER_HOURS: Final = 99.0
"""The hours to leave a window of air that does not head out of it."""

_BINS: Final = 12
_BIN_MS: Final = 900_000
_SURE: Final = 1.372  # Student's t, 10 degrees of freedom, 90 % one-sided (any table of it)
_HEAD_EVERY_MS: Final = 600_000
_FEW: Final = 9
_HOURS_AGO: Final = -(np.arange(_BINS) + 0.5) * _BIN_MS / HOUR_MS


def hours_to_leave(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give in how many hours the trend leaves the window, at the sooner of its quantities (h), every ten minutes."""
    begin_ms = from_ms // _HEAD_EVERY_MS * _HEAD_EVERY_MS
    read = {
        name: air.read.read(SeriesKey(sensor.id, name), begin_ms - _BINS * _BIN_MS, to_ms)
        for name in bound_names(air.plan)
    }
    instants = instants_of(list(read.values()))
    instants = _thinned(instants[instants >= begin_ms])
    instants = instants[instants >= from_ms]
    lines = _lines(read, instants)
    hours = np.full(len(instants), np.nan)
    for held, first, end in stretches(air.plan, instants):
        for name, bounds in ({} if held.window is None else held.window.bounds()).items():
            part = _leaving(lines[name].part(first, end), bounds)
            hours[first:end] = np.fmin(hours[first:end], part)
    known = np.isfinite(hours)
    return Series(instants[known], hours[known])


def _thinned(at_ms: Int64s) -> Int64s:
    """Keep the first instant of every ten minutes."""
    return at_ms[np.flatnonzero(np.diff(at_ms // _HEAD_EVERY_MS, prepend=-1))]


class _Lines(NamedTuple):
    """Straight lines, one an instant, (n,).  slope (per hour), its standard error, value now; NaN: too few means."""

    slope: Floats
    spread: Floats
    now: Floats

    def part(self, first: int, end: int) -> _Lines:
        return _Lines(self.slope[first:end], self.spread[first:end], self.now[first:end])


def _lines(read: Mapping[str, Series], instants: Int64s) -> dict[str, _Lines]:
    """Lay a line through the means of quarters of an hour before each instant, by quantity."""
    ends = instants[:, None] - np.arange(_BINS, -1, -1) * _BIN_MS
    found: dict[str, _Lines] = {}
    at_ms: Int64s = np.empty(0, np.int64)
    places: Int64s = np.empty((0, _BINS + 1), np.int64)
    for name, samples in read.items():
        if not len(samples) or not len(instants):
            found[name] = _Lines(*np.full((3, len(instants)), np.nan))
            continue
        if not np.array_equal(samples.at_ms, at_ms):  # seldom but for the first: what is sent together is found once
            at_ms, places = samples.at_ms, samples.at_ms.searchsorted(ends.ravel(), side="right").reshape(ends.shape)
        found[name] = _line(*_means(samples.value, places))
    return found


def _line(mean: Floats, there: NDArray[np.bool_]) -> _Lines:
    """Lay a line through means, newest first (n, 12), where those are there that have readings."""
    count = there.sum(axis=1)
    few = count < _FEW
    count = np.where(few, 3, count)
    x = np.where(there, _HOURS_AGO, 0.0)
    mean_x, mean_y = x.sum(axis=1) / count, mean.sum(axis=1) / count
    centred = np.where(there, x - mean_x[:, None], 0.0)
    spread_x = np.where(few, 1.0, (centred * centred).sum(axis=1))
    slope = (centred * mean).sum(axis=1) / spread_x
    now = mean_y - slope * mean_x
    left = np.where(there, mean - (now[:, None] + slope[:, None] * x), 0.0)
    spread = np.sqrt((left * left).sum(axis=1) / (count - 2) / spread_x)
    return _Lines(*(np.where(few, np.nan, one) for one in (slope, spread, now)))


def _means(value: Floats, places: Int64s) -> tuple[Floats, NDArray[np.bool_]]:
    """Give the means of the quarters of an hour before each instant, newest first (n, 12), 0 where there is none.

    places: in the values, of the ends of those quarters, oldest first (n, 13).
    """
    # Summed stretch by stretch, and not by differences of a running sum: the same readings give the same bits always.
    total = np.add.reduceat(np.append(value, 0.0), places.ravel()).reshape(places.shape)[:, :-1]
    count = np.diff(places, axis=1)
    there = count > 0
    return np.where(there, total / np.maximum(count, 1), 0.0)[:, ::-1], there[:, ::-1]


def _leaving(lines: _Lines, bounds: Bounds) -> Floats:
    """Give in how many hours each line passes a bound; 0 where it has."""
    low = -np.inf if bounds.low is None else bounds.low
    high = np.inf if bounds.high is None else bounds.high
    slope = np.sign(lines.slope) * np.maximum(np.abs(lines.slope) - _SURE * lines.spread, 0.0)
    way = np.where(slope > 0, high, low) - lines.now
    with np.errstate(divide="ignore", invalid="ignore"):
        hours = np.where(slope == 0, NEVER_HOURS, np.minimum(way / slope, NEVER_HOURS))
    hours = np.where((lines.now < low) | (lines.now > high), 0.0, hours)
    return np.where(np.isnan(lines.now), np.nan, hours)
