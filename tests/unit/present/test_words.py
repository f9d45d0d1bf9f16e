"""Instants and durations as people read them."""

import datetime as dt

import pytest

from ingest.present.words import ago, duration, instant, instant_near, listed, sentence


def at(*when: int) -> int:
    return int(dt.datetime(*when, tzinfo=dt.UTC).timestamp() * 1000)


def test_the_repeated_hour_is_not_ambiguous() -> None:
    """When clocks go back, the two 02:30 carry different abbreviations (IANA: Berlin, 25 Oct 2026)."""
    assert instant(at(2026, 10, 25, 0, 30), "Europe/Berlin") == "Sun 25 Oct 2026, 02:30 CEST"
    assert instant(at(2026, 10, 25, 1, 30), "Europe/Berlin") == "Sun 25 Oct 2026, 02:30 CET"


def test_zones_without_letters_and_unknown_zones_still_say_which() -> None:
    """A zone without an abbreviation is said by its offset; a name that is no zone is UTC and says so."""
    assert instant(at(2026, 1, 1), "America/Sao_Paulo") == "Wed 31 Dec 2025, 21:00 UTC-03"
    assert instant(at(2026, 1, 1), "Not/A_Zone") == "Thu 1 Jan 2026, 00:00 UTC"


@pytest.mark.parametrize(
    ("when", "said"),
    [
        ((2026, 11, 25, 13, 5), "14:05"),
        ((2026, 11, 24, 22, 30), "yesterday 23:30"),
        ((2026, 11, 23, 13, 5), "Mon 23 Nov, 14:05"),
        ((2026, 10, 1, 12, 0), "Thu 1 Oct, 14:00 CEST"),
        ((2025, 11, 25, 13, 5), "Tue 25 Nov 2025, 14:05"),
    ],
)
def test_near_instants_are_brief_and_far_ones_full(when: tuple[int, ...], said: str) -> None:
    """An instant says as much of its date as is needed today, and its zone where the offset differs."""
    assert instant_near(at(*when), at(2026, 11, 25, 15, 0), "Europe/Berlin") == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0 seconds"), (1, "1 second"), (59.7, "1 minute"), (300, "5 minutes"), (3600, "1 hour"),
        (4800, "1 h 20 min"), (86_399, "1 day"), (86_400 * 3 + 4 * 3600, "3 days 4 h"), (86_400 * 400, "400 days"),
    ],
)  # fmt: skip
def test_durations_have_two_leading_units(seconds: float, said: str) -> None:
    """A duration is said with the two units that matter."""
    assert duration(seconds) == said


def test_small_words() -> None:
    """Lists, sentences and elapsed times read as a person would say them."""
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(["a"]) == "a"
    assert listed([]) == ""
    assert sentence("rH is fine") == "RH is fine."
    assert ago(0, 300_000) == "5 minutes ago"
    assert ago(300_000, 0) == "in 5 minutes"
    assert ago(0, 1000) == "just now"


def test_who_chose_the_twelve_hour_clock_gets_it_in_brief_too() -> None:
    """Today, yesterday and days ago: the time of day is said as it was chosen."""
    now = at(2026, 11, 25, 15, 0)
    assert instant_near(at(2026, 11, 25, 13, 5), now, "UTC", "12h") == "1:05 pm"
    assert instant_near(at(2026, 11, 24, 0, 30), now, "UTC", "12h") == "yesterday 12:30 am"
