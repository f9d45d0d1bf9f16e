"""What counts as the daemon not doing its job: its store, its pace, its judging, and nothing beyond them."""

from __future__ import annotations

import pytest

from ingest.runtime.fitness import ROUND_LIMIT_S, WAITED_LIMIT_S, failings
from ingest.runtime.intake import IntakeHealth


def test_a_daemon_at_work_has_no_failing() -> None:
    """Up to the limits, and with what went wrong in the past, it can do its job."""
    past = IntakeHealth(stored=5, given_up=3, judging_failures=2)
    assert failings(past, waited_s=WAITED_LIMIT_S, round_age_s=ROUND_LIMIT_S) == []


@pytest.mark.parametrize(
    ("health", "waited_s", "round_age_s", "says"),
    [
        (IntakeHealth(store_error="the disk is full. Make room."), 0.0, 0.0, "cannot be stored: the disk is full."),
        (IntakeHealth(), 90.0, 0.0, "waiting to be stored for 2 minutes"),
        (IntakeHealth(judging_error="KeyError: 'x'"), 0.0, 0.0, "(KeyError: 'x')"),
        (IntakeHealth(), 0.0, 600.0, "For 10 minutes nobody has looked"),
    ],
)
def test_each_failing_is_said_in_a_sentence(
    health: IntakeHealth, waited_s: float, round_age_s: float, says: str
) -> None:
    """A store that cannot be written, an intake that lags, a watch that fails or stands still."""
    (sentence,) = failings(health, waited_s=waited_s, round_age_s=round_age_s)
    assert says in sentence
