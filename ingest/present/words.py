"""How instants, durations and states are said to people. Pure: the zone and the present are passed in.

Instants are UTC milliseconds and said in the site's zone, with the zone's own abbreviation, so that the hour that a
clock change repeats is not ambiguous. The clock is the 24-hour one unless somebody likes the other better, months are
written out: no date here can be read in two ways.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Final, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingest.site.incidents import RoomState

STATE_WORDS: Final[Mapping[RoomState, str]] = {
    RoomState.IN_RANGE: "in range",
    RoomState.LEAVING_RANGE: "leaving range",
    RoomState.OUT_OF_RANGE: "out of range",
    RoomState.RECOVERING: "recovering",
    RoomState.UNKNOWN: "not known",
}
"""A room's state in a word or three, for headings and labels."""

Clock12or24 = Literal["24h", "12h"]
"""How the time of day is said."""

_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def zone(name: str) -> dt.tzinfo:
    """Give the time zone of an IANA name; UTC where there is no such zone (the settings check says so, not we)."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return dt.UTC


def local(at_ms: int, zone_name: str) -> dt.datetime:
    """Give an instant as a zoned date and time."""
    return (_EPOCH + dt.timedelta(milliseconds=at_ms)).astimezone(zone(zone_name))


def day(at_ms: int, zone_name: str) -> str:
    """Say a date: "Wed 25 Nov 2026"."""
    when = local(at_ms, zone_name)
    return f"{_DAYS[when.weekday()]} {when.day} {_MONTHS[when.month - 1]} {when.year}"


def time_of_day(at_ms: int, zone_name: str, clock: Clock12or24 = "24h") -> str:
    """Say a time without its date: "14:05", or "2:05 pm"."""
    when = local(at_ms, zone_name)
    if clock == "12h":
        return f"{when.hour % 12 or 12}:{when.minute:02} {'am' if when.hour < 12 else 'pm'}"
    return f"{when:%H:%M}"


def instant(at_ms: int, zone_name: str, clock: Clock12or24 = "24h") -> str:
    """Say an instant in full: "Wed 25 Nov 2026, 14:05 CET"."""
    return f"{day(at_ms, zone_name)}, {time_of_day(at_ms, zone_name, clock)} {_abbreviation(local(at_ms, zone_name))}"


def instant_near(at_ms: int, now_ms: int, zone_name: str, how: Clock12or24 = "24h") -> str:
    """Say an instant as briefly as is clear: "14:05", "yesterday 14:05", "Mon 23 Nov, 14:05", the year if another."""
    when, now = local(at_ms, zone_name), local(now_ms, zone_name)
    days = (now.date() - when.date()).days
    clock = time_of_day(at_ms, zone_name, how)
    if when.utcoffset() != now.utcoffset():
        clock = f"{clock} {_abbreviation(when)}"
    if days == 0:
        return clock
    if days == 1:
        return f"yesterday {clock}"
    year = f" {when.year}" if when.year != now.year else ""
    return f"{_DAYS[when.weekday()]} {when.day} {_MONTHS[when.month - 1]}{year}, {clock}"


def duration(seconds: float) -> str:
    """Say a length of time with its two leading units: "40 seconds", "5 minutes", "1 h 20 min", "3 days 4 h"."""
    if round(abs(seconds)) < 60:
        return _counted(round(abs(seconds)), "second")
    minutes = round(abs(seconds) / 60)
    if minutes < 60:
        return _counted(minutes, "minute")
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else _counted(hours, "hour")
    days, hours = divmod(round(abs(seconds) / 3600), 24)
    return f"{_counted(days, 'day')} {hours} h" if hours else _counted(days, "day")


def duration_ms(milliseconds: int) -> str:
    """Say a length of time given in milliseconds."""
    return duration(milliseconds / 1000)


def ago(at_ms: int, now_ms: int) -> str:
    """Say how long ago: "just now", "5 minutes ago"; "in 3 minutes" where a clock runs ahead."""
    elapsed_s = (now_ms - at_ms) / 1000
    if abs(elapsed_s) < 5:
        return "just now"
    return f"{duration(elapsed_s)} ago" if elapsed_s > 0 else f"in {duration(elapsed_s)}"


def listed(things: Sequence[str]) -> str:
    """Say a list: "a", "a and b", "a, b and c"."""
    if len(things) < 2:
        return "".join(things)
    return f"{', '.join(things[:-1])} and {things[-1]}"


def sentence(text: str) -> str:
    """Make a clause a sentence: a capital first (unless it starts with a symbol) and a full stop."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _abbreviation(when: dt.datetime) -> str:
    name = when.tzname() or "UTC"
    # Some zones have no letters of their own in the IANA data and give "+03" instead.
    return f"UTC{name}" if name[0] in "+-" else name
