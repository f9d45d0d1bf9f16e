"""Weeks, days and hours on a site's calendar, against the zone rules themselves."""

from __future__ import annotations

import datetime as dt
import itertools
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.practice.week_edges import HOUR_MS, days_touching, hour_edges_ms, weeks_touching
from ingest.site.series import Span

ZONES = ["Europe/Berlin", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe", "Asia/Beirut", "UTC"]


def ms(zone: str, *when: int) -> int:
    """Give the instant of a local time."""
    return int(dt.datetime(*when, tzinfo=ZoneInfo(zone)).timestamp() * 1000)


@pytest.mark.parametrize(
    ("zone", "monday", "hours"),
    [
        ("Europe/Berlin", (2026, 3, 23), 167),  # clocks go forward on Sunday 29 March
        ("Europe/Berlin", (2026, 10, 19), 169),  # and back on Sunday 25 October
        ("Europe/Berlin", (2026, 6, 1), 168),
        ("America/New_York", (2026, 3, 2), 167),
        ("Australia/Lord_Howe", (2026, 9, 28), 167.5),  # half an hour, on Sunday 4 October
    ],
)
def test_a_week_is_as_long_as_the_clocks_make_it(zone: str, monday: tuple[int, int, int], hours: float) -> None:
    """A week in which the clocks change has an hour (or half an hour) less or more."""
    begins_ms = ms(zone, *monday)
    (week,) = weeks_touching(begins_ms + 1, begins_ms + 2, zone)
    assert week.from_ms == begins_ms
    assert (week.to_ms - week.from_ms) / HOUR_MS == hours


@given(
    zone=st.sampled_from(ZONES),
    from_ms=st.integers(1_262_304_000_000, 1_893_456_000_000),
    length_ms=st.integers(1, 400 * 86_400_000),
)
def test_weeks_join_cover_and_begin_on_mondays(zone: str, from_ms: int, length_ms: int) -> None:
    """In any zone weeks follow each other, cover the stretch, and begin at the first instant of Monday."""
    weeks = weeks_touching(from_ms, from_ms + length_ms, zone)
    assert all(one.to_ms == other.from_ms for one, other in itertools.pairwise(weeks))
    assert weeks[0].from_ms <= from_ms < weeks[0].to_ms
    assert weeks[-1].from_ms < from_ms + length_ms <= weeks[-1].to_ms
    for week in weeks:
        begins, before = (
            dt.datetime.fromtimestamp(at / 1000, ZoneInfo(zone)) for at in (week.from_ms, week.from_ms - 1)
        )
        assert begins.weekday() == 0
        assert before.weekday() == 6


def test_a_day_whose_midnight_is_skipped_begins_at_its_first_instant() -> None:
    """In Beirut on 28 March 2021 the clocks went from 00:00 to 01:00; that day has 23 hours and begins at 01:00."""
    (day,) = days_touching(ms("Asia/Beirut", 2021, 3, 28, 12), ms("Asia/Beirut", 2021, 3, 28, 13), "Asia/Beirut")
    assert dt.datetime.fromtimestamp(day.from_ms / 1000, ZoneInfo("Asia/Beirut")).hour == 1
    assert day.to_ms - day.from_ms == 23 * HOUR_MS


def test_nothing_asked_is_no_week() -> None:
    """An empty stretch touches no week and no day."""
    assert weeks_touching(5, 5, "UTC") == []
    assert days_touching(5, 4, "UTC") == []


def test_hours_are_counted_from_the_week_and_cut_to_the_stretch() -> None:
    """A half-hour change makes one short hour, and a stretch that begins within an hour begins with its rest."""
    begins_ms = ms("Australia/Lord_Howe", 2026, 9, 28)
    weeks = weeks_touching(begins_ms, begins_ms + 8 * 86_400_000, "Australia/Lord_Howe")
    edges = hour_edges_ms(weeks, begins_ms + HOUR_MS // 4, weeks[1].from_ms + HOUR_MS)
    lengths = np.diff(edges) / HOUR_MS
    assert lengths.tolist() == [0.75, *[1.0] * 166, 0.5, 1.0]
    assert hour_edges_ms([Span(0, HOUR_MS)], 10, 20).tolist() == [10, 20]
