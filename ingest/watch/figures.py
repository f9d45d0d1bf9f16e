"""The figures that the rules beside the window judge: each a series made of what the store has of a room's sensors.

Every function takes (air, sensor, from_ms, to_ms) and gives samples with from_ms <= instant < to_ms, each made of
readings at or before its instant, so that a year replayed gives what a year lived gave. Where a figure cannot be told,
there is no sample.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.physics.surface import condensation_margin_c
from ingest.site.places import AcclimationWindow, Sensor
from ingest.site.series import Floats, Int64s, Series, SeriesKey
from ingest.store.api import SeriesReader
from ingest.store.series.pairing import as_of

HOUR_MS: Final = 3_600_000
AGE_MS: Final = 900_000
"""How old a neighbour's reading may be to be laid beside another (15 minutes; common practice, no source)."""

NEVER_HOURS: Final = 99.0
"""The hours to leave a window of air that does not head out of it."""

_BINS: Final = 12
_BIN_MS: Final = 900_000
_SURE: Final = 1.372  # Student's t, 10 degrees of freedom, 90 % one-sided (any table of it)
_HEAD_EVERY_MS: Final = 600_000
_FEW: Final = 9


class Air(NamedTuple):
    """What a figure may look at.  air: the room's air sensors.  window: the one that holds."""

    read: SeriesReader
    air: Sequence[Sensor]
    window: AcclimationWindow | None


Figure = Callable[[Air, Sensor, int, int], Series]


def slab_rh(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give RH in the slab (%)."""
    return air.read.read(SeriesKey(sensor.id, "slab_rh_percent"), from_ms, to_ms)


def battery(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give what is left of the battery (%)."""
    return air.read.read(SeriesKey(sensor.id, "battery_percent"), from_ms, to_ms)


def rh_change(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give by how much RH differs from an hour before (points)."""
    return _change(air, SeriesKey(sensor.id, "rh_percent"), from_ms, to_ms)


def grains_change(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give by how much the humidity ratio differs from an hour before (gr/lb)."""
    return _change(air, SeriesKey(sensor.id, "grains_per_pound"), from_ms, to_ms)


def _change(air: Air, key: SeriesKey, from_ms: int, to_ms: int) -> Series:
    samples = air.read.read(key, from_ms - HOUR_MS - AGE_MS, to_ms)
    before = as_of(samples, samples.at_ms - HOUR_MS, age_ms=AGE_MS)
    return _since(samples.at_ms, samples.value - before, from_ms)


def _since(at_ms: Int64s, value: Floats, from_ms: int) -> Series:
    told = (at_ms >= from_ms) & np.isfinite(value)
    return Series(at_ms[told], value[told])


def condensation_margin(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give by how much a surface or slab is warmer than the dew point of the room's dampest air (K)."""
    parts = [
        air.read.read(SeriesKey(sensor.id, name), from_ms, to_ms)
        for name in ("surface_temperature_c", "slab_temperature_c")
    ]
    surface = max(parts, key=len)
    margins = [np.full(len(surface), np.inf)]
    for one in air.air:
        temperature_c, rh_percent = (
            as_of(air.read.read(SeriesKey(one.id, name), from_ms - AGE_MS, to_ms), surface.at_ms, age_ms=AGE_MS)
            for name in ("temperature_c", "rh_percent")
        )
        margin = np.asarray(condensation_margin_c(temperature_c, rh_percent, surface.value), dtype=np.float64)
        margins.append(np.where(np.isnan(margin), np.inf, margin))
    return _since(surface.at_ms, np.min(margins, axis=0), from_ms)


def depression(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give how many grains per pound less the air leaving a dehumidifier holds than the room's (gr/lb)."""
    leaving = air.read.read(SeriesKey(sensor.id, "grains_per_pound"), from_ms, to_ms)
    held = [
        as_of(
            air.read.read(SeriesKey(one.id, "grains_per_pound"), from_ms - AGE_MS, to_ms), leaving.at_ms, age_ms=AGE_MS
        )
        for one in air.air
    ]
    if not held:
        return Series(leaving.at_ms[:0], leaving.value[:0])
    return _since(leaving.at_ms, _mean(np.array(held)) - leaving.value, from_ms)


def hours_unchanged(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give for how long neither temperature nor RH of a sensor has moved at all, as far as two days back (h)."""
    parts = [
        air.read.read(SeriesKey(sensor.id, name), from_ms - 48 * HOUR_MS, to_ms)
        for name in ("temperature_c", "rh_percent")
    ]
    at_ms = np.unique(np.concatenate([part.at_ms for part in parts]))
    if not len(at_ms):
        return Series(at_ms, np.empty(0))
    moved_ms = np.full(len(at_ms), at_ms[0])
    for part in parts:
        moves = part.at_ms[np.flatnonzero(np.diff(part.value, prepend=np.nan) != 0)]
        last = np.searchsorted(moves, at_ms, side="right") - 1
        if len(moves):
            moved_ms = np.maximum(moved_ms, np.where(last >= 0, moves[np.maximum(last, 0)], at_ms[0]))
    return _since(at_ms, (at_ms - moved_ms) / HOUR_MS, from_ms)


def apart(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give how far a sensor's RH of six hours lies from the middle of its neighbours', at each full hour (points).

    With one neighbour only, nobody can say which of the two is wrong: both are told apart.
    """
    others = [one for one in air.air if one.id != sensor.id]
    edges = np.arange(_hour_up(from_ms) - 6 * HOUR_MS, to_ms + 1, HOUR_MS)
    if not others or len(edges) < 7:
        return Series(np.empty(0, np.int64), np.empty(0))
    own, *rest = (_six_hours(air, one, edges) for one in (sensor, *others))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # hours at which no neighbour has a mean
        middle = np.nanmedian(np.array(rest), axis=0)
    # At its end an hour is known.
    return _since(edges[6:], own - middle, from_ms)


def _six_hours(air: Air, sensor: Sensor, edges: Int64s) -> Floats:
    means = air.read.buckets(SeriesKey(sensor.id, "rh_percent"), edges).mean
    return np.convolve(means, np.full(6, 1 / 6), mode="valid")


def _hour_up(at_ms: int) -> int:
    return -(-at_ms // HOUR_MS) * HOUR_MS


def month_rh(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give the mean RH of the last 30 days, at the end of each day (UTC) and at a mean of 5 to 40 °C (%).

    A month of which fewer than 24 days have readings says nothing.
    """
    day_ms = 24 * HOUR_MS
    edges = np.arange(-(-from_ms // day_ms) * day_ms - 30 * day_ms, to_ms + 1, day_ms)
    if len(edges) < 31:
        return Series(np.empty(0, np.int64), np.empty(0))
    means = {}
    for name in ("temperature_c", "rh_percent"):
        days = np.lib.stride_tricks.sliding_window_view(air.read.buckets(SeriesKey(sensor.id, name), edges).mean, 30)
        heard = np.count_nonzero(np.isfinite(days), axis=1)
        means[name] = np.where(heard >= 24, _mean(days.T), np.nan)
    mild = (means["temperature_c"] >= 5.0) & (means["temperature_c"] <= 40.0)
    return _since(edges[30:], np.where(mild, means["rh_percent"], np.nan), from_ms)


def _mean(rows: Floats) -> Floats:
    """Give the mean down the columns of what is there; NaN where nothing is."""
    there = np.isfinite(rows)
    count = np.count_nonzero(there, axis=0)
    total = np.where(there, rows, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def hours_to_leave(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give in how many hours the trend of the last three leaves the window, at the sooner of its quantities (h).

    A straight line through twelve means of a quarter of an hour each; the slope is taken as small as it may be with
    90 % confidence, so that noise heads nowhere. Outside the window there is nothing to tell.
    """
    bounds = {} if air.window is None else air.window.bounds()
    lists = {name: air.read.read(SeriesKey(sensor.id, name), from_ms - _BINS * _BIN_MS, to_ms) for name in bounds}
    instants = np.unique(np.concatenate([one.at_ms for one in lists.values()])) if lists else np.empty(0, np.int64)
    instants = _thinned(instants[instants >= from_ms])
    hours = np.full(len(instants), NEVER_HOURS)
    known = np.zeros(len(instants), dtype=np.bool_)
    for place, at_ms in enumerate(instants.tolist()):
        for name, bound in bounds.items():
            found = _leaving(lists[name], at_ms, bound.low, bound.high)
            if found is not None:
                hours[place], known[place] = min(hours[place], found), True
    return _since(instants, np.where(known, hours, np.nan), from_ms)


def _thinned(at_ms: Int64s) -> Int64s:
    """Keep the first instant of every ten minutes."""
    if not len(at_ms):
        return at_ms
    _, first = np.unique(at_ms // _HEAD_EVERY_MS, return_index=True)
    return at_ms[first]


def _leaving(samples: Series, at_ms: int, low: float | None, high: float | None) -> float | None:
    first, end = samples.at_ms.searchsorted([at_ms - _BINS * _BIN_MS + 1, at_ms + 1])
    age = (at_ms - samples.at_ms[first:end]) // _BIN_MS
    count = np.bincount(age, minlength=_BINS)
    total = np.bincount(age, weights=samples.value[first:end], minlength=_BINS)
    there = np.flatnonzero(count)
    if len(there) < _FEW:
        return None
    mean = total[there] / count[there]
    hours_ago = -(there + 0.5) * _BIN_MS / HOUR_MS
    (slope, now), spread = _line(hours_ago, mean)
    if (low is not None and now < low) or (high is not None and now > high):
        return 0.0
    slope = np.sign(slope) * max(abs(slope) - _SURE * spread, 0.0)
    way = None if slope == 0 else (high if slope > 0 else low)
    return NEVER_HOURS if way is None else float(min((way - now) / slope, NEVER_HOURS))


def _line(x: Floats, y: Floats) -> tuple[tuple[float, float], float]:
    """Give slope, value at x = 0, and the slope's standard error, of the straight line through points."""
    centred = x - x.mean()
    spread_x = float(centred @ centred)
    slope = float(centred @ y) / spread_x
    at_zero = float(y.mean()) - slope * float(x.mean())
    left = y - (at_zero + slope * x)
    return (slope, at_zero), float(np.sqrt(left @ left / (len(x) - 2) / spread_x))
