"""Instants and bucket edges from what people type."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.api.series_query import MOST_POINTS, Stretch, edges_ms, instant_ms, iso, stretch
from dashboards.shell.problems import AnswerError

BERLIN = ZoneInfo("Europe/Berlin")
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


@pytest.mark.parametrize(
    ("text", "at_ms"),
    [
        ("0", 0),
        ("1767874800000", 1_767_874_800_000),
        ("2026-01-08T12:20:00Z", 1_767_874_800_000),
        ("2026-01-08T13:20:00+01:00", 1_767_874_800_000),
        ("2026-01-08T13:20:00 01:00", 1_767_874_800_000),
        ("2026-01-08 13:20", 1_767_874_800_000),
        ("2026-01-08", 1_767_826_800_000),
        ("2026-07-01", 1_782_856_800_000),
        ("20260108T122000Z", 1_767_874_800_000),
        ("2026-01-08T12:20:00.250Z", 1_767_874_800_250),
    ],
)
def test_instants_are_read_in_every_usual_form(text, at_ms):
    """ISO 8601 with and without zone (the site's then), dates (its midnight), and epoch milliseconds."""
    assert instant_ms("from", text, BERLIN) == at_ms


@given(st.text(max_size=40))
def test_any_text_is_an_instant_or_a_sentence(text):
    """Whatever is typed gives an instant within reason or a 400 that names the parameter."""
    try:
        outcome: object = 0 <= instant_ms("from", text, BERLIN) <= 7_258_118_400_000
    except AnswerError as refused:
        outcome = (refused.status, refused.where)
    assert outcome in (True, (400, "from"))


def test_without_anything_it_is_the_last_24_hours():
    """A question without a stretch means the day up to now."""
    assert stretch(None, None, 100, now_ms=10 * DAY_MS, zone=BERLIN) == Stretch(9 * DAY_MS, 10 * DAY_MS, 100)


@given(
    from_ms=st.integers(0, 4_000_000_000_000),
    length_ms=st.integers(1, 40 * 365 * DAY_MS),
    points=st.integers(1, MOST_POINTS),
    zone=st.sampled_from(["UTC", "Europe/Berlin", "America/New_York", "Asia/Kathmandu", "Australia/Lord_Howe"]),
)
def test_edges_cover_the_stretch_exactly_and_keep_the_limit(from_ms, length_ms, points, zone):
    """In any zone, edges rise strictly from beginning to end and make no more buckets than were asked for."""
    edges = edges_ms(Stretch(from_ms, from_ms + length_ms, points), ZoneInfo(zone))
    assert (edges[0], edges[-1]) == (from_ms, from_ms + length_ms)
    assert np.all(np.diff(edges) > 0)
    assert len(edges) - 1 <= points


def test_days_run_from_midnight_to_midnight_across_the_change_of_clocks():
    """On 29 March 2026 the clocks in Berlin go forward: that day has 23 hours."""
    first = instant_ms("from", "2026-03-27", BERLIN)
    last = instant_ms("to", "2026-04-01", BERLIN)
    edges = edges_ms(Stretch(first, last, 6), BERLIN)
    assert (np.diff(edges) / HOUR_MS).tolist() == [24, 24, 23, 24, 24]


def test_hours_are_round_on_the_clock_of_the_site():
    """Stretches of six hours begin at midnight there, in a zone that is 5 h 45 min ahead too."""
    kathmandu = ZoneInfo("Asia/Kathmandu")
    first = instant_ms("from", "2026-01-08T03:00", kathmandu)
    edges = edges_ms(Stretch(first, first + DAY_MS, 5), kathmandu)
    assert edges[1] == instant_ms("from", "2026-01-08T06:00", kathmandu)


@pytest.mark.parametrize(
    ("at_ms", "text"), [(0, "1970-01-01T00:00:00Z"), (1_767_874_800_250, "2026-01-08T12:20:00.250Z")]
)
def test_iso_text_goes_both_ways(at_ms, text):
    """What is written is read back as the same instant."""
    assert iso(at_ms) == text
    assert instant_ms("from", text, BERLIN) == at_ms
