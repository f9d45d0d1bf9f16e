"""The figures that the rules beside the window judge: each a series made of what the store has of a room's sensors.

Every function takes (air, sensor, from_ms, to_ms) and gives samples with from_ms <= instant < to_ms, each made of
readings at or before its instant, so that a year replayed gives what a year lived gave. Where a figure cannot be told,
there is no sample.
"""

from __future__ import annotations

import datetime as dt
import warnings
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.physics.surface import condensation_margin_c
from ingest.present.words import zone
from ingest.site.places import Room, Sensor
from ingest.site.series import Floats, Int64s, Series, SeriesKey
from ingest.store.api import SeriesReader
from ingest.store.series.pairing import as_of
from ingest.watch.window.plan import Plan

HOUR_MS: Final = 3_600_000
AGE_MS: Final = 900_000
"""How old a neighbour's reading may be to be laid beside another (15 minutes; common practice, no source)."""

DAY_MS: Final = 24 * HOUR_MS
_STUCK_REACH_MS: Final = 48 * HOUR_MS


class Air(NamedTuple):
    """What a figure may look at.  air: the room's air sensors.  plan: which window held when."""

    read: SeriesReader
    air: Sequence[Sensor]
    plan: Plan
    room: Room
    time_zone: str


Figure = Callable[[Air, Sensor, int, int], Series]


def instants_of(parts: Sequence[Series]) -> Int64s:
    """Give the instants of several series together, rising, each once."""
    if not parts:
        return np.empty(0, np.int64)
    first = parts[0].at_ms
    if all(np.array_equal(part.at_ms, first) for part in parts[1:]):
        return first  # nearly always: what a sensor measures it sends together
    return np.unique(np.concatenate([part.at_ms for part in parts]))


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
        air.read.read(SeriesKey(sensor.id, name), from_ms - _STUCK_REACH_MS, to_ms)
        for name in ("temperature_c", "rh_percent")
    ]
    at_ms = instants_of(parts)
    told = at_ms[at_ms.searchsorted(from_ms) :]
    if not len(told):
        return Series(told, np.empty(0))
    # What lies further back is not looked at, wherever this look began: so an hour is told alike in whatever parts.
    since_ms = at_ms[at_ms.searchsorted(told - _STUCK_REACH_MS)]
    for part in parts:
        moved = np.diff(part.value, prepend=np.nan) != 0
        if len(part) == len(at_ms):  # measured at each instant, as nearly always: the last move is carried along
            last_ms = np.maximum.accumulate(np.where(moved, part.at_ms, since_ms[0]))
            since_ms = np.maximum(since_ms, last_ms[-len(told) :])
            continue
        moves = part.at_ms[moved]
        last = np.searchsorted(moves, told, side="right") - 1
        if len(moves):
            since_ms = np.maximum(since_ms, np.where(last >= 0, moves[np.maximum(last, 0)], since_ms))
    return Series(told, (told - since_ms) / HOUR_MS)


def apart(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give how far a sensor's RH of six hours lies from the middle of its neighbours', at each full hour (points).

    With one neighbour only, nobody can say which of the two is wrong: both are told apart.
    """
    others = [one for one in air.air if one.id != sensor.id]
    edges = np.arange(_hour_up(from_ms) - 6 * HOUR_MS, to_ms, HOUR_MS)
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
    edges = np.arange(-(-from_ms // DAY_MS) * DAY_MS - 30 * DAY_MS, to_ms, DAY_MS)
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


def days_to_check(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give how many days are left until a sensor is to be checked, at the end of each day (UTC)."""
    edges = np.arange(-(-from_ms // DAY_MS) * DAY_MS, to_ms, DAY_MS)
    checked = dt.datetime.combine(dt.date.fromisoformat(sensor.checked_on), dt.time(), zone(air.time_zone))
    checked_ms = round(checked.timestamp() * 1000)
    due_ms = checked_ms + sensor.check_every_days * DAY_MS
    edges = edges[edges >= checked_ms]
    return Series(edges, (due_ms - edges) / DAY_MS)


def days_overdue(air: Air, sensor: Sensor, from_ms: int, to_ms: int) -> Series:
    """Give for how many days a sensor's check has been due, at the end of each day (UTC); 0 before it is."""
    left = days_to_check(air, sensor, from_ms, to_ms)
    return Series(left.at_ms, np.maximum(-left.value, 0.0))
