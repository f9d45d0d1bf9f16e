"""What a question about a series means: instants, spans and bucket edges, from text that anybody may have typed."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final

import numpy as np

from dashboards.shell.problems import AnswerError
from ingest.site.series import Int64s

DAY_MS: Final = 86_400_000
LEAST_POINTS: Final = 1
MOST_POINTS: Final = 5000
USUAL_POINTS: Final = 500

# Years 1970 to 2200: whatever a site may hold, and nothing that overflows a calendar.
_EARLIEST_MS: Final = 0
_LATEST_MS: Final = 7_258_118_400_000

_EPOCH_MS: Final = re.compile(r"-?\d{1,15}")
# An unescaped "+" in an address arrives as a space.
_LOST_PLUS: Final = re.compile(r"(?<=\d) (?=\d\d:?\d\d$)")

_WIDTHS_S: Final = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200)
_WIDTHS_DAYS: Final = (1, 2, 7, 14, 28, 91, 182, 364, 3640)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time that was asked for, from_ms <= instant < to_ms (UTC), in at most `points` buckets."""

    from_ms: int
    to_ms: int
    points: int


def stretch(from_: str | None, to: str | None, points: int, *, now_ms: int, zone: tzinfo) -> Stretch:
    """Read what was asked for.  Without an end it ends now; without a beginning it is the 24 hours before its end.

    Raises AnswerError (400) that names the parameter and says how to mend it.
    """
    if not LEAST_POINTS <= points <= MOST_POINTS:
        raise AnswerError(
            400,
            f"points={points} is not within {LEAST_POINTS} to {MOST_POINTS}.",
            where="points",
            mend=f"Ask for {LEAST_POINTS} to {MOST_POINTS} buckets; without it you get at most {USUAL_POINTS}.",
        )
    to_ms = now_ms if to is None else instant_ms("to", to, zone)
    from_ms = to_ms - DAY_MS if from_ is None else instant_ms("from", from_, zone)
    if not from_ms < to_ms:
        raise AnswerError(
            400,
            "The stretch ends before it begins.",
            where="from, to",
            mend="Give a `from` that lies before `to` (and before now, where `to` is left out).",
        )
    return Stretch(from_ms, to_ms, points)


def instant_ms(name: str, text: str, zone: tzinfo) -> int:
    """Read an instant: ISO 8601 (in the site's zone where it names none) or milliseconds since 1970.

    Raises AnswerError (400).
    """
    text = text.strip()
    at_ms = int(text) if _EPOCH_MS.fullmatch(text) else _from_iso(_LOST_PLUS.sub("+", text), zone)
    if at_ms is None or not _EARLIEST_MS <= at_ms <= _LATEST_MS:
        what = "is not an instant" if at_ms is None else "lies outside the years 1970 to 2199"
        raise AnswerError(
            400,
            f"{name}={text[:60]!r} {what}.",
            where=name,
            mend="Write 2026-01-31T14:05:00Z, 2026-01-31T14:05+01:00, 2026-01-31, or milliseconds since 1970.",
        )
    return at_ms


def _from_iso(text: str, zone: tzinfo) -> int | None:
    try:
        when = datetime.fromisoformat(text)
        when = when if when.tzinfo else when.replace(tzinfo=zone)
        return math.floor(when.timestamp() * 1000)
    except (ValueError, OverflowError):
        return None


def edges_ms(asked: Stretch, zone: tzinfo) -> Int64s:
    """Give the edges of at most `asked.points` buckets: the stretch's own ends, and between them round times.

    From an hour upwards round means round on the site's clock: a day runs from midnight to midnight there, and is 23
    or 25 hours long when the clocks change. int64 (2 or more,), strictly rising.
    """
    for width_s in _widths_s(asked):
        inside = _round_times(asked, width_s, zone)
        inside = inside[(inside > asked.from_ms) & (inside < asked.to_ms)]
        if len(inside) < asked.points:
            return np.concatenate(([asked.from_ms], inside, [asked.to_ms])).astype(np.int64)
    return np.array([asked.from_ms, asked.to_ms], dtype=np.int64)


def _widths_s(asked: Stretch) -> list[int]:
    """Give the widths that may do, narrowest first: cut at round times, and where clocks change, there is one more."""
    # A day may have 25 hours: five such days are still five buckets of a day.
    least_s = (asked.to_ms - asked.from_ms) / 1000 / asked.points * 24 / 25
    return [width for width in (*_WIDTHS_S, *(days * 86400 for days in _WIDTHS_DAYS)) if width >= least_s]


def _round_times(asked: Stretch, width_s: int, zone: tzinfo) -> Int64s:
    """Give the round times of a width (s), strictly rising, about where the stretch lies."""
    if width_s < 3600:
        width_ms = width_s * 1000
        return np.arange(asked.from_ms // width_ms * width_ms, asked.to_ms, width_ms, dtype=np.int64)
    first = datetime.fromtimestamp(asked.from_ms / 1000, UTC).astimezone(zone).date()
    last = datetime.fromtimestamp(asked.to_ms / 1000, UTC).astimezone(zone).date()
    days = _every(first, last, max(1, width_s // 86400))
    hours = range(0, 24, width_s // 3600) if width_s < 86400 else (0,)
    return np.unique(_local_times([(day, hour) for day in days for hour in hours], zone))


def _every(first: date, last: date, days: int) -> list[date]:
    # Counted from a Monday, so that seven days are a week of the calendar.
    monday = date(1970, 1, 5).toordinal()
    start = monday + (first.toordinal() - monday) // days * days
    return [date.fromordinal(ordinal) for ordinal in range(start, last.toordinal() + 1, days)]


def _local_times(times: list[tuple[date, int]], zone: tzinfo) -> Int64s:
    at_s = [datetime.combine(day, time(hour), tzinfo=zone).timestamp() for day, hour in times]
    return np.array(at_s, dtype=np.float64).astype(np.int64) * 1000


def iso(at_ms: int) -> str:
    """Write an instant as ISO 8601 text in UTC: "2026-01-31T14:05:00Z", with milliseconds where there are any."""
    when = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)
    return when.isoformat(timespec="milliseconds" if at_ms % 1000 else "seconds").replace("+00:00", "Z")
