"""The edges of a place's days, through changes of summer time. Pure."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from ingest.site.series import Int64s


def day_edges_ms(first: date, count: int, zone: str) -> Int64s:
    """Give the count + 1 midnights (UTC ms, int64) that bound so many days of a place.

    Where the clocks skip midnight, the day begins with the first instant that there is (zoneinfo's `fold` rule).
    """
    place = ZoneInfo(zone)
    days = (first + timedelta(days=number) for number in range(count + 1))
    midnights = (datetime(day.year, day.month, day.day, tzinfo=place) for day in days)
    return np.array([round(midnight.timestamp() * 1000) for midnight in midnights], dtype=np.int64)


def clock_edges_ms(from_ms: int, to_ms: int, every_s: int, zone: str) -> Int64s:
    """Give the edges of buckets of a stretch: its ends, and between them round times of the place's clock.

    every_s: 60 to 1800 in steps that divide an hour, whole hours that divide a day, or whole days (a day is 23 or 25
    hours long when the clocks change; several days are counted from a Monday).  Returns int64 (2 or more,), strictly
    rising.  Raises ValueError for another width, or an end that is not after the beginning.
    """
    of_day = every_s % 3600 == 0 and 86400 % every_s == 0
    if not from_ms < to_ms or every_s < 60 or not (3600 % every_s == 0 or of_day or every_s % 86400 == 0):
        raise ValueError("a stretch must end after it begins, and buckets must divide an hour, or be hours or days")
    if every_s < 3600:
        width_ms = every_s * 1000
        inside = np.arange(from_ms // width_ms * width_ms, to_ms, width_ms, dtype=np.int64)
    else:
        inside = _clock_times(from_ms, to_ms, every_s, ZoneInfo(zone))
    inside = inside[(inside > from_ms) & (inside < to_ms)]
    return np.concatenate(([from_ms], inside, [to_ms])).astype(np.int64)


def _clock_times(from_ms: int, to_ms: int, every_s: int, place: ZoneInfo) -> Int64s:
    first, last = (datetime.fromtimestamp(at_ms / 1000, place).date().toordinal() for at_ms in (from_ms, to_ms))
    days = max(1, every_s // 86400)
    start = _MONDAY + (first - _MONDAY) // days * days
    dates = [date.fromordinal(ordinal) for ordinal in range(start, last + 1, days)]
    hours = range(0, 24, every_s // 3600) if every_s < 86400 else (0,)
    instants = [
        datetime(day.year, day.month, day.day, hour, tzinfo=place).timestamp() for day in dates for hour in hours
    ]
    return np.unique(np.array(instants, dtype=np.float64).astype(np.int64) * 1000)


_MONDAY = date(1970, 1, 5).toordinal()
