"""When somebody wants to be told: hours on duty, quiet hours, the day and time of a digest. Pure calendar logic.

All of it is on the clocks of the site, summer time included: a time of day that the clocks skip counts from the moment
that they are past it, one that they show twice counts the first time.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from ingest.present.words import local, zone

DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
LOOK_AHEAD_DAYS: Final = 9
"""However hours lie, one of them begins within so many days."""

_TIME: Final = re.compile(r"([01]\d|2[0-3]):([0-5]\d)|24:00")
_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True)
class Hours:
    """A stretch of the day on some days of the week.

    days: 0 is Monday.  begins, ends: minutes after midnight; where it ends at or before it begins, it ends next day.
    """

    days: frozenset[int]
    begins: int
    ends: int

    def spans(self, around_ms: int, zone_name: str) -> Iterator[tuple[int, int]]:
        """Give the stretches (UTC ms) from the day before an instant to `LOOK_AHEAD_DAYS` after it, in order."""
        first = local(around_ms, zone_name).date() - dt.timedelta(days=1)
        for ahead in range(LOOK_AHEAD_DAYS + 2):
            day = first + dt.timedelta(days=ahead)
            if day.weekday() in self.days:
                until = day if self.ends > self.begins else day + dt.timedelta(days=1)
                yield at_ms(day, self.begins, zone_name), at_ms(until, self.ends, zone_name)


def read_hours(text: str) -> Hours:
    """Read "mon-fri 07:00-17:00", "sat 08:00-12:00" or "22:00-06:00" (every day).

    Raises ValueError, a clause without a full stop, where it is none of these.
    """
    found = re.fullmatch(r"(?:([a-z,\-]+) )?(\S{5})-(\S{5})", text.strip().lower())
    if found is None:
        raise ValueError(f'"{text}" does not read like "mon-fri 07:00-17:00"')
    begins, ends = read_time(found[2]), read_time(found[3])
    if begins == ends:
        raise ValueError(f'"{text}" ends when it begins')
    days = frozenset(range(7)) if found[1] is None else frozenset(_days(found[1]))
    return Hours(days, begins, ends)


def read_time(text: str) -> int:
    """Read "07:30" as minutes after midnight. Raises ValueError, a clause without a full stop."""
    if not _TIME.fullmatch(text):
        raise ValueError(f'"{text}" is not a time of day such as "07:30"')
    hours, minutes = text.split(":")
    return int(hours) * 60 + int(minutes)


def read_day(text: str) -> int:
    """Read a day of the week by its first three letters: "mon" is 0. Raises ValueError, a clause."""
    name = text.strip().lower()[:3]
    if name not in DAYS:
        raise ValueError(f'"{text}" is not a day of the week such as "mon"')
    return DAYS.index(name)


def _days(text: str) -> Iterator[int]:
    for part in text.split(","):
        first, dash, last = part.partition("-")
        begins = read_day(first)
        ends = read_day(last) if dash else begins
        yield from ((begins + step) % 7 for step in range((ends - begins) % 7 + 1))


def at_ms(day: dt.date, minutes: int, zone_name: str) -> int:
    """Give the instant (UTC ms) of a time of day, minutes after midnight, on a day of the zone's calendar."""
    if minutes >= 24 * 60:
        day, minutes = day + dt.timedelta(days=1), minutes - 24 * 60
    naive = dt.datetime.combine(day, dt.time(minutes // 60, minutes % 60), tzinfo=zone(zone_name))
    return (naive.astimezone(dt.UTC) - _EPOCH) // dt.timedelta(milliseconds=1)


def free_from_ms(now_ms: int, zone_name: str, *, hours: tuple[Hours, ...], quiet: tuple[Hours, ...]) -> int:
    """Give the first instant from `now_ms` on that lies within hours (none: always) and in no quiet hours."""
    on_duty = [span for one in hours for span in one.spans(now_ms, zone_name)]
    silent = [span for one in quiet for span in one.spans(now_ms, zone_name)]

    def is_free(instant_ms: int) -> bool:
        within = not hours or any(begins <= instant_ms < ends for begins, ends in on_duty)
        return within and not any(begins <= instant_ms < ends for begins, ends in silent)

    candidates = sorted({now_ms, *(begins for begins, _ in on_duty), *(ends for _, ends in silent)})
    return next((one for one in candidates if one >= now_ms and is_free(one)), now_ms)


def last_due(now_ms: int, zone_name: str, minutes: int, *, weekday: int | None = None) -> tuple[dt.date, int]:
    """Give the newest day on which a digest was due until `now_ms`, and the instant (UTC ms).

    minutes: after midnight.  weekday: 0 is Monday; None: every day.
    """
    today = local(now_ms, zone_name).date()
    for back in range(9):
        day = today - dt.timedelta(days=back)
        due_ms = at_ms(day, minutes, zone_name)
        if due_ms <= now_ms and weekday in (None, day.weekday()):
            return day, due_ms
    raise AssertionError("one of nine days is that day of the week")


def last_month_due(now_ms: int, zone_name: str, minutes: int) -> tuple[dt.date, int]:
    """Give the newest first of a month at that time of day until `now_ms`, and the instant (UTC ms)."""
    first = local(now_ms, zone_name).date().replace(day=1)
    due_ms = at_ms(first, minutes, zone_name)
    if due_ms <= now_ms:
        return first, due_ms
    first = (first - dt.timedelta(days=1)).replace(day=1)
    return first, at_ms(first, minutes, zone_name)
