"""The room page week by week: what it says and draws, and what it keeps between two looks."""

from __future__ import annotations

import datetime as dt
import re

import pytest

from dashboards.room.context import WeekRow
from dashboards.room.weeks import WeeksKept, weeks_table
from dashboards.shell.looking_back import look
from dashboards.visit import Visit
from ingest.site.series import Span

HOUR_MS = 3_600_000
WEEK_MS = 168 * HOUR_MS
MONDAY_MS = int(dt.datetime(2026, 1, 4, 23, tzinfo=dt.UTC).timestamp() * 1000)  # 5 January, 00:00 in Berlin


def rows(services, room: str, *, kept: WeeksKept | None = None, units: str | None = None, until=None) -> list[WeekRow]:
    """Gather a room's weeks, as its page does."""
    view = Visit.of(services, f"/rooms/{room}", units)
    shown = look(None, until, None, now_ms=view.now_ms, zone=view.zone)
    return list(weeks_table(view, kept or WeeksKept(), view.site.room(room), shown).rows)


def air_of(bench, sensor: str, from_ms: int, to_ms: int, rh_percent: float) -> list:
    """Give half-hourly readings at 20 °C."""
    return [one for at in range(from_ms, to_ms, HOUR_MS // 2) for one in bench.air(sensor, at, 20.0, rh_percent)]


def test_the_page_tells_the_week_so_far(client):
    """State, figures, the strip in words, the conclusion and the caution are in the page itself."""
    text = client.get("/rooms/loft").text
    section = text[text.index('id="weeks"') : text.index('id="incidents-title"')]
    flat = " ".join(re.sub(r"<[^>]+>", " ", section).split()).replace("\u00a0", " ")
    assert "5 Jan not known, week to date" in flat
    assert "Not known: readings cover only 80 % of it, and less than 90 % is too little." in flat
    assert re.search(r"EMC by hour, % RH, % Temperature, °C 5 Jan not known, week to date 8\.\d \d\.\d … ", flat)
    assert "not the EMC of the mean climate" in flat
    assert "not an approval to install" in flat
    assert 'role="img" aria-label="2 days 20 h in, 17 h 10 min not known"' in section
    assert section.count('class="week-strip"') == 1  # there are no readings in the weeks before


def test_the_strip_stands_hour_by_hour(services):
    """From Monday: 13 hours before the first reading, the gap of four hours, and nothing drawn beyond now."""
    (week,) = rows(services, "loft")
    assert week.strip_hours == 168
    assert [(piece.kind, piece.begins, piece.hours) for piece in week.pieces] == [
        ("unknown", 0, 13), ("in_range", 13, 10), ("unknown", 23, 4), ("in_range", 27, 59),
    ]  # fmt: skip


def test_a_room_outside_is_told_with_its_bound(services, bench):
    """Ten hours above 50 % in the week before: a block of ten hours, the bound, the highest value."""
    before_ms = MONDAY_MS - WEEK_MS
    services.write(air_of(bench, "hall-air", before_ms, before_ms + 100 * HOUR_MS, 45.0))
    services.write(air_of(bench, "hall-air", before_ms + 100 * HOUR_MS, before_ms + 110 * HOUR_MS, 56.5))
    services.write(air_of(bench, "hall-air", before_ms + 110 * HOUR_MS, MONDAY_MS, 45.0))
    now, week = rows(services, "hall")
    assert (week.when, week.state, week.key, week.so_far) == ("29 Dec 2025", "out of range", "out_of_range", False)
    assert now.when == "5 Jan"
    assert week.told == "Out of range for 10 hours: RH above 50 % (highest 56.5 %)."
    assert [(piece.kind, piece.hours) for piece in week.pieces] == [
        ("in_range", 100),
        ("out_of_range", 10),
        ("in_range", 58),
    ]
    assert (week.rh.mean, week.rh.range) == ("45.7", "45.0 … 56.5")
    assert week.address.endswith("/rooms/hall?span=7d&until=2026-01-05T00:00#history")
    assert rows(services, "hall", units="us")[1].temperature.mean == "68.0"


def test_eight_weeks_up_to_the_stretch_that_is_looked_at(services, bench):
    """Looking back, the newest week is the one in which the stretch ends, whole; never more than eight."""
    services.write(air_of(bench, "hall-air", MONDAY_MS - 12 * WEEK_MS, MONDAY_MS, 45.0))
    assert [week.when for week in rows(services, "hall")][:2] == ["5 Jan", "29 Dec 2025"]
    past = rows(services, "hall", until="2025-12-18")
    assert [past[0].when, past[0].so_far, past[0].state] == ["15 Dec 2025", False, "in range"]
    assert len(past) == len(rows(services, "hall")) == 8
    at_midnight = rows(services, "hall", until="2025-12-15T00:00")
    assert at_midnight[0].when == "8 Dec 2025"


def test_without_a_window_the_strip_says_what_is_known(services, bench):
    """Nothing is called in or out where there is nothing to judge by."""
    bare = tuple(room if room.id != "hall" else type(room)("hall", "Hall") for room in services.held_site.rooms)
    services.held_site = type(services.held_site)("Bare", "Europe/Berlin", 0.0, bare, services.held_site.sensors)
    (week,) = rows(services, "hall")
    assert {piece.kind for piece in week.pieces} == {"unknown", "known"}
    assert (week.state, week.told) == ("no window", "Not judged: the room has no window.")
    assert week.strip_words == "3 days known, 13 h 20 min not known"


def test_a_room_never_heard_says_so(client):
    """A room without readings has a sentence instead of a table."""
    assert "There are no readings of the room's air in these weeks." in client.get("/rooms/cellar").text.replace(
        "&#39;", "'"
    )


async def test_weeks_that_are_over_are_kept_for_ten_minutes(services, bench):
    """A late reading in a week that is over shows after ten minutes; one in the running week shows at once."""
    before_ms = MONDAY_MS - WEEK_MS
    services.write(air_of(bench, "hall-air", before_ms, MONDAY_MS - 20 * HOUR_MS, 45.0))
    kept = WeeksKept()
    _, week = rows(services, "hall", kept=kept)
    assert week.state == "not known"
    services.write(air_of(bench, "hall-air", MONDAY_MS - 20 * HOUR_MS, MONDAY_MS, 45.0))
    services.write(bench.air("hall-air", bench.now_ms - 60_000, 18.0, 71.0))
    now, week = rows(services, "hall", kept=kept)
    assert week.state == "not known"
    assert now.rh.range.endswith("71.0")
    await services.clock.advance(601)
    assert rows(services, "hall", kept=kept)[1].state == "in range"


def test_weeks_are_kept_apart(services, bench):
    """What is kept for one room, window or stretch is not taken for another's, and it does not grow without end."""
    services.write(air_of(bench, "hall-air", MONDAY_MS - 3 * WEEK_MS, MONDAY_MS, 45.0))
    kept = WeeksKept()
    assert [week.state for week in rows(services, "hall", kept=kept)[1:]] == ["in range"] * 3
    assert len(rows(services, "loft", kept=kept)) == 1
    site = services.held_site
    narrow = tuple(room if room.id != "hall" else type(room)("hall", "Hall") for room in site.rooms)
    services.held_site = type(site)(site.name, site.time_zone, 0.0, narrow, site.sensors)
    assert [week.state for week in rows(services, "hall", kept=kept)[1:]] == ["no window"] * 3


@pytest.mark.parametrize("spans", [1, 8])
def test_kept_and_fresh_weeks_join(services, bench, spans):
    """However many of the weeks are kept, the answer is all of them, in order."""
    services.write(air_of(bench, "hall-air", MONDAY_MS - 10 * WEEK_MS, MONDAY_MS, 45.0))
    kept, view = WeeksKept(), Visit.of(services, "/rooms/hall", None)
    room = view.site.room("hall")
    wanted = [Span(MONDAY_MS - n * WEEK_MS, MONDAY_MS - (n - 1) * WEEK_MS) for n in range(8, 0, -1)]
    # Two in the middle and one at the end are asked for first.
    kept.weeks(view, room, wanted[2:4])
    kept.weeks(view, room, wanted[-1:])
    assert [week.calendar for week in kept.weeks(view, room, wanted[:spans])] == wanted[:spans]
