"""The outbox and the watch's saved state."""

import contextlib
from dataclasses import replace

import pytest

from ingest.errors import RefusedError
from ingest.site.incidents import Notice, NoticeKind, NoticeState


def add(work, recipient: str = "anna@example.org", created_ms: int = 100) -> int:
    """Put a notice about incident i-1 into the outbox."""
    return work.add_notice(
        incident="i-1",
        kind=NoticeKind.OPENED,
        channel="mail",
        recipient=recipient,
        facts={"room": "Diele", "worst": 61.5, "seen": [1, None]},
        created_ms=created_ms,
    )


def test_a_notice_comes_back_as_it_was_put(store) -> None:
    """Due at once, waiting, untried, with its facts."""
    with store.transaction() as work:
        number = add(work)
    facts = {"room": "Diele", "worst": 61.5, "seen": [1, None]}
    expected = Notice(number, "i-1", NoticeKind.OPENED, "mail", "anna@example.org", facts, 100, 100)
    assert store.read.notices() == [expected]


def test_how_far_a_notice_has_come_is_written(store) -> None:
    """State, attempts, due time, error and time of sending change; found by state, lowest number first."""
    with store.transaction() as work:
        first, second = add(work), add(work, "ben@example.org")
    one, two = store.read.notices()
    later = replace(one, attempts=2, due_ms=700, last_error="mailbox full")
    sent = replace(two, state=NoticeState.SENT, attempts=1, sent_ms=150)
    with store.transaction() as work:
        work.update_notice(later)
        work.update_notice(sent)
    assert store.read.notices(state=NoticeState.WAITING) == [later]
    assert store.read.notices(state=NoticeState.SENT) == [sent]
    assert [notice.number for notice in store.read.notices(limit=1)] == [first]
    assert first < second


def test_a_number_rolled_back_is_no_notice(store) -> None:
    """A notice whose unit failed is not there, and those that follow still rise."""
    with store.transaction() as work:
        first = add(work)
    with contextlib.suppress(KeyError), store.transaction() as work:
        add(work)
        raise KeyError
    with store.transaction() as work:
        third = add(work)
    assert [notice.number for notice in store.read.notices()] == [first, third]
    assert first < third


def test_a_notice_that_is_not_there_cannot_be_updated(store) -> None:
    """Writing the progress of an unknown notice is refused by its number."""
    with store.transaction() as work:
        add(work)
    (notice,) = store.read.notices()
    with pytest.raises(RefusedError, match="no notice number 77"), store.transaction() as work:
        work.update_notice(replace(notice, number=77))


def test_the_watchs_state_is_kept_by_room(store) -> None:
    """None before, then what was saved last."""
    assert store.read.judgement("hall") is None
    for since_ms in (1, 2):
        with store.transaction() as work:
            work.save_judgement("hall", {"state": "leaving range", "since_ms": since_ms, "why": None})
    assert store.read.judgement("hall") == {"state": "leaving range", "since_ms": 2, "why": None}
    assert store.read.judgement("cellar") is None
