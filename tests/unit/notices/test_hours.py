"""Hours, quiet hours and digest times: calendar logic on the site's clocks, clock changes included."""

from __future__ import annotations

import datetime as dt

import pytest

from ingest.notices.hours import (
    at_ms,
    free_from_ms,
    last_due,
    last_month_due,
    read_day,
    read_hours,
    read_time,
)

ZONE = "Europe/Berlin"


def ms(text: str) -> int:
    """Give an instant written with its offset."""
    return round(dt.datetime.fromisoformat(text).timestamp() * 1000)


@pytest.mark.parametrize(
    "text", ["", "mon-fri", "07:00", "mon 7:00-8:00", "xyz 07:00-08:00", "08:00-08:00", "25:00-26:00"]
)
def test_what_does_not_read_as_hours_says_so(text: str) -> None:
    """Each wrong text is an error that quotes it or a part of it."""
    with pytest.raises(ValueError, match='"'):
        read_hours(text)


def test_days_and_times_are_read() -> None:
    """Ranges may run over the end of the week, lists are lists, without days it is every day."""
    assert read_hours("fri-mon 07:00-17:00").days == frozenset({4, 5, 6, 0})
    assert read_hours("mon,wed 07:00-17:00").days == frozenset({0, 2})
    assert read_hours("22:00-06:00").days == frozenset(range(7))
    assert (read_time("06:30"), read_time("24:00"), read_day("Sunday")) == (390, 1440, 6)


@pytest.mark.parametrize(
    ("now", "free"),
    [
        ("2026-11-25T10:00+01:00", "2026-11-25T10:00+01:00"),  # in the middle of the day: at once
        ("2026-11-25T23:00+01:00", "2026-11-26T06:00+01:00"),  # before midnight: the next morning
        ("2026-11-26T05:59+01:00", "2026-11-26T06:00+01:00"),  # after midnight: this morning
        ("2026-11-26T06:00+01:00", "2026-11-26T06:00+01:00"),  # the end itself is free
        ("2026-10-24T23:30+02:00", "2026-10-25T06:00+01:00"),  # the night that is an hour longer
        ("2027-03-27T23:30+01:00", "2027-03-28T06:00+02:00"),  # the night that is an hour shorter
    ],
)
def test_quiet_hours_end_when_the_clock_on_the_wall_says_so(now: str, free: str) -> None:
    """Quiet from 22:00 to 06:00 ends at 06:00 of the site, also where the clocks change in between."""
    assert free_from_ms(ms(now), ZONE, hours=(), quiet=(read_hours("22:00-06:00"),)) == ms(free)


def test_hours_on_duty_leave_out_the_weekend() -> None:
    """Friday evening waits for Monday morning; quiet hours that reach into duty put it off further."""
    duty = (read_hours("mon-fri 07:00-17:00"),)
    friday = ms("2026-11-27T18:00+01:00")
    assert free_from_ms(friday, ZONE, hours=duty, quiet=()) == ms("2026-11-30T07:00+01:00")
    quiet = (read_hours("22:00-08:00"),)
    assert free_from_ms(friday, ZONE, hours=duty, quiet=quiet) == ms("2026-11-30T08:00+01:00")


def test_hours_that_leave_no_room_hold_nothing_back_for_ever() -> None:
    """Hours and quiet hours that cover each other wholly hold nothing back: better told than never."""
    now = ms("2026-11-25T10:00+01:00")
    assert free_from_ms(now, ZONE, hours=(read_hours("22:00-23:00"),), quiet=(read_hours("21:00-24:00"),)) == now


def test_a_digest_is_due_once_a_day_whatever_the_clocks_do() -> None:
    """A time of day that is skipped counts once, one that comes twice counts the first time."""
    skipped = at_ms(dt.date(2027, 3, 28), read_time("02:30"), ZONE)
    assert skipped == ms("2027-03-28T03:30+02:00")
    twice = at_ms(dt.date(2026, 10, 25), read_time("02:30"), ZONE)
    assert twice == ms("2026-10-25T02:30+02:00")
    assert last_due(ms("2026-10-25T02:30+01:00"), ZONE, read_time("02:30")) == (dt.date(2026, 10, 25), twice)


def test_the_newest_due_day_is_found() -> None:
    """Before today's time it is yesterday's; a weekly one is that of its day; a month's is that of its first."""
    early, late = ms("2026-11-25T06:00+01:00"), ms("2026-11-25T07:00+01:00")
    assert last_due(early, ZONE, 390)[0] == dt.date(2026, 11, 24)
    assert last_due(late, ZONE, 390)[0] == dt.date(2026, 11, 25)
    assert last_due(late, ZONE, 390, weekday=0)[0] == dt.date(2026, 11, 23)
    assert last_due(early, ZONE, 390, weekday=2)[0] == dt.date(2026, 11, 18)
    assert last_month_due(late, ZONE, 390)[0] == dt.date(2026, 11, 1)
    assert last_month_due(ms("2026-11-01T06:00+01:00"), ZONE, 390)[0] == dt.date(2026, 10, 1)
