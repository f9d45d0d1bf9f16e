"""What the demonstration says in the terminal: plain, and in the viewer's own time."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.demo import words
from ingest.demo.forecast import Forecast
from ingest.demo.history import Past


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.2, "1 s"),
        (15.0, "15 s"),
        (60.0, "1 min"),
        (94.0, "1 min 34 s"),
        (495.0, "8 min 15 s"),
        (900.4, "15 min"),
        (3600.0, "1 h"),
        (11_990.0, "3 h 20 min"),
    ],
)
def test_spans_are_said_as_people_say_them(seconds: float, said: str) -> None:
    """Seconds, minutes with seconds while short, hours with minutes."""
    assert words.span(seconds) == said


def test_the_plan_is_in_real_time() -> None:
    """At a speed of 60, an hour of the demonstration's clock is a minute of the viewer's."""
    told = Forecast(trip_ms=900_000, left_ms=2_400_000, mail_ms=6_000_000, reset_ms=29_700_000)
    lines = words.plan(told, 0, 60.0)
    assert [line.split("  ")[1] for line in lines[1:]] == [
        "after 15 s",
        "after 40 s",
        "after 1 min 40 s",
        "after 8 min 15 s",
    ]
    assert "mail" in lines[3]


def test_a_room_that_stays_within_is_not_announced_as_drifting() -> None:
    """Where the forecast finds no excursion, no mail is promised."""
    lines = words.plan(Forecast(900_000, None, None, 29_700_000), 0, 60.0)
    assert not any("incident opens" in line for line in lines)


def test_a_room_that_is_still_out_is_said_to_be() -> None:
    """Started again while the room is outside: no new drift is promised, only the return."""
    lines = words.plan(Forecast(900_000, 120_000, 3_720_000, 29_700_000), 0, 60.0)
    assert "still out" in lines[0]
    assert len(lines) == 2
    assert "closes" in lines[1]


def test_the_opening_says_where_and_how_fast() -> None:
    """The page's address, the folder and its fate, and the pace are all there; all of it is called invented."""
    text = "\n".join(words.opening("http://127.0.0.1:8430/", Path("/somewhere"), True, 60.0))
    for part in ("http://127.0.0.1:8430/", "/somewhere", "kept", "60 times as fast", "invented"):
        assert part in text
    text = "\n".join(words.opening("http://127.0.0.1:8430/", Path("/somewhere"), False, 1.0))
    assert "deleted when you stop" in text
    assert "as it does here" in text


def test_the_past_is_told_in_numbers() -> None:
    """How many readings, and that nothing was written where nothing was missing."""
    assert "302,407 readings" in words.past(Past(302_407, ()), 2.0)
    assert "no incident" in words.past(Past(302_407, ()), 2.0)
    assert "goes on where it stopped" in words.past(Past(0, ()), 0.1)
