"""What a small chart over time shows, as data, and the same said in a sentence. Pure."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from ingest.present import words
from ingest.present.chart_axes import Floats, extent
from ingest.present.digits import Units, amount, bounds_words, short
from ingest.site.places import Bounds
from ingest.site.series import Int64s


@dataclass(frozen=True, slots=True)
class TimeLine:
    """What one sensor told: between consecutive edges the lowest, mean and highest value, NaN where nothing was.

    title: what people call the sensor.  low, mean, high: float64 (n,), in the quantity's own unit.
    """

    title: str
    low: Floats
    mean: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class TimePicture:
    """One quantity over a stretch of time.

    edges_ms: int64 (n + 1,), UTC, strictly rising.  lines: of one or more sensors.  bounds: what it should keep, None
    where nothing is asked.  began_ms, ended_ms: of what is told, drawn as marks; None for none.
    """

    quantity: str
    edges_ms: Int64s
    lines: tuple[TimeLine, ...]
    time_zone: str
    bounds: Bounds | None = None
    units: Units = Units.SI
    clock: words.Clock12or24 = "24h"
    began_ms: int | None = None
    ended_ms: int | None = None

    @property
    def from_ms(self) -> int:
        """Where it begins (UTC ms)."""
        return int(self.edges_ms[0])

    @property
    def to_ms(self) -> int:
        """Where it ends (UTC ms)."""
        return int(self.edges_ms[-1])

    def extremes(self) -> tuple[float, float] | None:
        """Give the lowest and the highest value, or None where there are no readings."""
        heard = np.concatenate([np.concatenate((line.low, line.high)) for line in self.lines] or [np.empty(0)])
        heard = heard[np.isfinite(heard)]
        return (float(heard.min()), float(heard.max())) if len(heard) else None


def describe(picture: TimePicture) -> str:
    """Say in a sentence what the chart shows, for whoever cannot see it."""
    until = words.instant(picture.to_ms, picture.time_zone, picture.clock)
    chart = f"Chart, {words.duration_ms(picture.to_ms - picture.from_ms)} up to {until}"
    found = picture.extremes()
    if found is None:
        return f"{chart}: no {short(picture.quantity)} was heard."
    low, high = (amount(picture.quantity, value, picture.units) for value in found)
    said = f"{chart}: {short(picture.quantity)} between {low} and {high}"
    if picture.bounds is not None:
        said += f"; the bounds are {bounds_words(picture.quantity, picture.bounds, picture.units)}"
    return f"{said}."


def values_shown(picture: TimePicture) -> tuple[float, float]:
    """Choose between which values the chart reaches: all that was heard, and the bounds with air around them."""
    wanted = [*(picture.extremes() or ())]
    if picture.bounds is not None:
        wanted += [end for end in (picture.bounds.low, picture.bounds.high) if end is not None]
    span, snap = {"temperature_c": (6.0, 1.0), "emc_percent": (4.0, 0.5)}.get(picture.quantity, (16.0, 2.0))
    humid = picture.quantity.endswith("percent")
    low, high = (0.0, 100.0) if humid else (-1e6, 1e6)
    return extent(wanted or [50.0 if humid else 20.0], least_span=span, snap=snap, low=low, high=high)


def time_ticks(picture: TimePicture) -> list[tuple[int, str]]:
    """Give instants (UTC ms) and words for the time axis: hours of a day, or days."""
    hours = (picture.to_ms - picture.from_ms) / 3_600_000
    return _hour_ticks(picture, hours) if hours <= 60 else _day_ticks(picture, hours / 24)


def _hour_ticks(picture: TimePicture, hours: float) -> list[tuple[int, str]]:
    step = next(step for step in (1, 2, 3, 6, 12) if hours / step <= 7 or step == 12)
    found, seen = [], set()
    at_ms = -(-picture.from_ms // 900_000) * 900_000  # zones lie whole quarters of an hour apart
    while at_ms <= picture.to_ms:
        when = words.local(at_ms, picture.time_zone)
        mark = (when.date(), when.hour)
        if when.minute == 0 and when.hour % step == 0 and mark not in seen:
            seen.add(mark)
            found.append((at_ms, _hour(picture, at_ms, when)))
        at_ms += 900_000
    return found


def _hour(picture: TimePicture, at_ms: int, when: dt.datetime) -> str:
    if when.hour == 0:
        return words.day(at_ms, picture.time_zone).rsplit(" ", 1)[0]
    return words.time_of_day(at_ms, picture.time_zone, picture.clock).replace(":00 ", " ")


def _day_ticks(picture: TimePicture, days: float) -> list[tuple[int, str]]:
    step = next(step for step in (1, 2, 7, 14, 28) if days / step <= 6 or step == 28)
    first = words.local(picture.from_ms, picture.time_zone).date()
    found = []
    for ahead in range(0, int(days) + 2, step):
        when = dt.datetime.combine(first + dt.timedelta(days=ahead), dt.time(), words.zone(picture.time_zone))
        at_ms = int(when.timestamp() * 1000)
        if picture.from_ms <= at_ms <= picture.to_ms:
            found.append((at_ms, words.day(at_ms, picture.time_zone).rsplit(" ", 1)[0]))
    return found
