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
