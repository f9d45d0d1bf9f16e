"""A week's conclusion in words: right, complete, and never a go-ahead."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from ingest.practice.week_words import CAUTION, conclusion, passed_briefly, summary, window_words
from ingest.practice.weeks import Passed, Week, WeekState
from ingest.present.digits import Units
from ingest.site.places import AcclimationWindow, Bounds
from ingest.site.series import Span

HOUR_MS = 3_600_000
CALENDAR = Span(0, 168 * HOUR_MS)
KEPT = Week(CALENDAR, CALENDAR, None, None, None, 168 * HOUR_MS, 0, 0, None, (), "." * 168, WeekState.IN_RANGE)
COLD = Passed("temperature_c", "below", 16.0, 2 * HOUR_MS, 12.5)
DRY = Passed("emc_percent", "below", 6.0, 40 * HOUR_MS, 4.6)
LEFT = replace(
    KEPT,
    within_ms=100 * HOUR_MS,
    outside_ms=41 * HOUR_MS,
    not_known_ms=27 * HOUR_MS,
    longest_outside=Span(0, 30 * HOUR_MS),
    passed=(COLD, DRY),
    state=WeekState.OUT_OF_RANGE,
)
BRIEFLY = replace(
    KEPT,
    within_ms=167 * HOUR_MS,
    outside_ms=HOUR_MS,
    longest_outside=Span(0, HOUR_MS // 3),
    passed=(replace(COLD, lasted_ms=HOUR_MS),),
    state=WeekState.BRIEFLY_OUT,
)
SILENT = replace(KEPT, within_ms=0, not_known_ms=168 * HOUR_MS, state=WeekState.NOT_KNOWN)


@pytest.mark.parametrize(
    ("week", "said"),
    [
        (KEPT, "The air was in range all week."),
        (
            replace(LEFT, not_known_ms=400),
            "Out of range for 1 day 17 h in all, 1 day 6 h at a stretch: temperature below 16 °C (lowest 12.5 °C), "
            "EMC below 6 % (lowest 4.6 %).",
        ),
        (
            replace(KEPT, within_ms=160 * HOUR_MS, not_known_ms=8 * HOUR_MS),
            "The air stayed in range in the 6 days 16 h that readings cover; 8 hours not known.",
        ),
        (
            replace(KEPT, looked_at=Span(0, 24 * HOUR_MS), within_ms=24 * HOUR_MS),
            "The air stayed in range in the 1 day that readings cover. Only a part of the week was looked at.",
        ),
        (
            BRIEFLY,
            "Outside for 1 hour in all, 20 minutes at most at a time: temperature below 16 °C (lowest 12.5 °C).",
        ),
        (
            LEFT,
            "Out of range for 1 day 17 h in all, 1 day 6 h at a stretch: temperature below 16 °C (lowest 12.5 °C), "
            "EMC below 6 % (lowest 4.6 %); 1 day 3 h not known.",
        ),
        (SILENT, "Not known: there are no readings that says how the air stood."),
        (
            replace(SILENT, within_ms=84 * HOUR_MS, not_known_ms=84 * HOUR_MS),
            "Not known: readings cover only 50 % of it, and less than 90 % is too little.",
        ),
        (replace(KEPT, state=WeekState.NO_WINDOW), "Not judged: the room has no window."),
    ],
)
def test_every_state_has_its_sentence(week: Week, said: str) -> None:
    """Each conclusion says what happened, for how long, which bound, and what is not known."""
    assert conclusion(week) == said


def test_a_week_that_is_not_over_is_told_without_its_end() -> None:
    """Where a page says "so far", the sentence does not say again that it is a part."""
    part = replace(KEPT, looked_at=Span(0, 24 * HOUR_MS), within_ms=24 * HOUR_MS)
    assert conclusion(part, so_far=True) == "The air stayed in range in the 1 day that readings cover."


def test_words_follow_the_readers_units() -> None:
    """In US units bounds and figures are in °F."""
    assert "temperature below 60.8 °F (lowest 54.5 °F)" in conclusion(LEFT, Units.US)
    assert passed_briefly(LEFT, Units.US) == "temperature below 60.8 °F, EMC below 6 %"
    assert window_words(AcclimationWindow(Bounds(16, 24), Bounds(None, 50)), Units.US) == (
        "temperature 60.8 to 75.2 °F, RH at most 50 %"
    )
    assert window_words(None) == "no window"


def test_no_wording_is_a_go_ahead() -> None:
    """Nothing that is said calls a floor ready, safe or fit to lay, and the caution defers to whom it must."""
    said = " ".join(conclusion(week) for week in (KEPT, BRIEFLY, LEFT, SILENT))
    assert not re.search(r"\b(ready|safe|fit|fine|good|OK|go ahead|acclimated|lay)\b", said, re.IGNORECASE)
    for whom in (
        "meter",
        "in the wood",
        "instructions",
        "local codes",
        "licensed practice",
        "not an approval to install",
    ):
        assert whom in CAUTION


def test_weeks_are_summed_up() -> None:
    """Each state is counted, one week in the singular, and weeks mostly outside are told apart."""
    assert summary([KEPT]) == "Of 1 week, 1 stayed in range."
    mostly = replace(LEFT, within_ms=HOUR_MS)
    assert summary([LEFT, mostly, BRIEFLY, SILENT, SILENT]) == (
        "Of 5 weeks, 2 went out of range (1 of them out for most of the time that is known), 1 was briefly out of it "
        "and 2 are not known."
    )
    assert summary([]) == ""
