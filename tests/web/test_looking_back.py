"""Which stretch of the past is meant, from what stands in an address."""

from __future__ import annotations

import html
import json
import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.api.series_query import instant_ms
from dashboards.shell.looking_back import DAY_MS, HOUR_MS, SPANS, Look, around, as_text, day_of, end_of_day, look
from ingest.site.actor import SETTINGS
from ingest.site.places import Bounds

HELSINKI = ZoneInfo("Europe/Helsinki")
NOW_MS = 1_767_874_800_123  # 2026-01-08T12:20:00.123Z
NOON_MS = 1_613_815_200_000  # 2021-02-20T12:00 in Helsinki
MIDNIGHT_MS = NOON_MS + 12 * HOUR_MS
ZONES = ["UTC", "Europe/Helsinki", "America/New_York", "Asia/Kathmandu", "Australia/Lord_Howe"]


@pytest.mark.parametrize(
    ("until", "day", "to_ms"),
    [
        (None, None, NOW_MS),
        ("", None, NOW_MS),
        ("2021-02-20T12:00", None, NOON_MS),
        ("2021-02-20T10:00:00Z", None, NOON_MS),
        (str(NOON_MS + 59_999), None, NOON_MS),  # whole minutes
        ("2021-02-20", None, MIDNIGHT_MS),  # a date means to its end
        ("", "2021-02-20", MIDNIGHT_MS),
        ("2021-02-20T12:00", "2021-02-20", NOON_MS),  # the date field stands as it was
        ("2021-02-20T12:00", "2021-02-19", MIDNIGHT_MS - DAY_MS),  # another day was chosen
        ("2021-02-20T12:00", "", NOW_MS),  # the date was taken out
        ("2199-01-01", None, NOW_MS),  # what is to come ends now
        ("0", None, 30 * DAY_MS),  # nothing lies before 1970
    ],
)
def test_the_end_is_the_one_that_was_asked_for(until, day, to_ms):
    """Instants, dates, the form's day field, nothing at all, and what cannot be."""
    found = look("30d", until, day, now_ms=NOW_MS, zone=HELSINKI)
    assert found == Look("30d", to_ms - 30 * DAY_MS, to_ms, past=to_ms != NOW_MS)


def test_an_unknown_span_is_the_usual_one():
    """What was mistyped shows three days."""
    assert look("2 weeks", None, None, now_ms=NOW_MS, zone=HELSINKI).length_ms == 3 * DAY_MS


def test_going_there_and_back_ends_now():
    """Earlier and later by one length each lead back to within a minute, and never beyond now."""
    first = look("7d", None, None, now_ms=NOW_MS, zone=HELSINKI)
    earlier = first.moved(-first.length_ms, NOW_MS)
    assert earlier.past
    assert earlier.to_ms == NOW_MS // 60_000 * 60_000 - 7 * DAY_MS
    assert NOW_MS - earlier.moved(first.length_ms, NOW_MS).to_ms < 60_000
    assert earlier.moved(2 * first.length_ms, NOW_MS) == first


@given(minute=st.integers(60 * 24, 60_000_000), zone=st.sampled_from(ZONES))
def test_an_end_in_an_address_is_read_back_as_the_same(minute, zone):
    """In any zone, in hours that a clock change repeats too."""
    zoned = ZoneInfo(zone)
    assert instant_ms("until", as_text(minute * 60_000, zoned), zoned) == minute * 60_000


def test_an_end_is_written_as_people_do():
    """Local time without an offset, except where that would be ambiguous: the clocks of Helsinki went back then."""
    assert as_text(NOON_MS, HELSINKI) == "2021-02-20T12:00"
    assert as_text(1_635_643_800_000, HELSINKI) == "2021-10-31T03:30+02:00"


def test_a_midnight_belongs_to_the_day_that_it_ends():
    """A stretch that ends at midnight shows the day before as its last."""
    assert day_of(MIDNIGHT_MS, HELSINKI).isoformat() == "2021-02-20"
    assert end_of_day(MIDNIGHT_MS, HELSINKI) == day_of(NOON_MS, HELSINKI)
    assert end_of_day(NOON_MS, HELSINKI) is None


@given(
    length_ms=st.integers(0, 400 * DAY_MS),
    ago_ms=st.integers(0, 3000 * DAY_MS),
)
def test_what_lasted_is_shown_with_some_time_around_it(length_ms, ago_ms):
    """The stretch around an incident is the shortest that holds all of it, or its beginning where none is that long."""
    ended_ms = NOW_MS - ago_ms
    found = around(ended_ms - length_ms, ended_ms, now_ms=NOW_MS)
    assert found.from_ms <= ended_ms - length_ms
    assert found.to_ms <= NOW_MS
    if length_ms <= SPANS["1y"].length_ms:
        assert found.to_ms >= ended_ms
    shorter = [span.length_ms for span in SPANS.values() if span.length_ms < found.length_ms]
    assert all(span_ms < 1.5 * max(length_ms, HOUR_MS) for span_ms in shorter)


def test_charts_of_the_past_have_the_limits_of_their_time(client, services, bench):
    """A window changed by hand yesterday is not drawn over the air of the day before."""
    site = services.held_site
    hall = site.room("hall")
    changed = replace(hall, window=replace(hall.window, rh_percent=Bounds(20, 33)))
    services.held_site = replace(site, rooms=tuple(changed if room.id == "hall" else room for room in site.rooms))
    with services.store.transaction() as work:
        work.save_site(services.held_site, at_ms=bench.now_ms - 86_400_000, by=SETTINGS)

    def limits(query: str) -> tuple[float, float]:
        text = client.get(f"/rooms/hall?show=rh_percent{query}").text
        plan = json.loads(html.unescape(re.search(r'data-plan="([^"]*)"', text)[1]))
        return plan["quantities"][0]["low"], plan["quantities"][0]["high"]

    assert limits("") == (20.0, 33.0)
    then = hall.window.rh_percent
    assert limits("&span=1d&until=2026-01-06T12:00") == (then.low, then.high)
