"""Where weeks, days and hours begin on a site's calendar, right across changes of the clocks. Pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from ingest.present import words
from ingest.site.series import Int64s, Span

HOUR_MS: Final = 3_600_000
_ONE_MS: Final = dt.timedelta(milliseconds=1)
_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def weeks_touching(from_ms: int, to_ms: int, zone_name: str) -> list[Span]:
    """Give the weeks that have a part in from_ms <= t < to_ms, in order.

    A week runs from Monday 00:00 to Monday 00:00 on the clocks of the zone (an IANA name; UTC where it is none): 168
    hours, or one more or less when the clocks change in it.  None where from_ms >= to_ms.
    """
    if from_ms >= to_ms:
        return []
    first = words.local(from_ms, zone_name).date()
    monday = first - dt.timedelta(days=first.weekday())
    return list(_spans(monday, 7, to_ms, zone_name))


def days_touching(from_ms: int, to_ms: int, zone_name: str) -> list[Span]:
    """Give the days that have a part in from_ms <= t < to_ms, from midnight to midnight there, in order."""
    if from_ms >= to_ms:
        return []
    return list(_spans(words.local(from_ms, zone_name).date(), 1, to_ms, zone_name))


def hour_edges_ms(spans: Sequence[Span], from_ms: int, to_ms: int) -> Int64s:
    """Give the edges of the hours of these spans, cut to from_ms <= t < to_ms.

    spans: following each other without a gap and covering the stretch, at least one.  Hours are counted from each
    span's beginning, so that a clock change of half an hour makes one short hour and shifts no other week.
    int64 (n + 1,), strictly rising, from `from_ms` to `to_ms`.
    """
    hours = np.concatenate([np.arange(span.from_ms, span.to_ms, HOUR_MS, dtype=np.int64) for span in spans])
    inside = hours[(hours > from_ms) & (hours < to_ms)]
    return np.concatenate(([from_ms], inside, [to_ms])).astype(np.int64)


def _spans(first: dt.date, days: int, to_ms: int, zone_name: str) -> Iterator[Span]:
    begins, begins_ms = first, _midnight_ms(first, zone_name)
    while begins_ms < to_ms:
        begins += dt.timedelta(days=days)
        ends_ms = _midnight_ms(begins, zone_name)
        yield Span(begins_ms, ends_ms)
        begins_ms = ends_ms


def _midnight_ms(day: dt.date, zone_name: str) -> int:
    """Give the first instant of a day (also where the clocks skip midnight, or show it twice)."""
    midnight = dt.datetime.combine(day, dt.time(), tzinfo=words.zone(zone_name))
    return (midnight.astimezone(dt.UTC) - _EPOCH) // _ONE_MS
