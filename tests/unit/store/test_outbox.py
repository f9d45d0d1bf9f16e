"""The outbox and the watch's saved state."""

import contextlib
import hashlib
import json
from dataclasses import replace

import pytest

from ingest.errors import RefusedError
from ingest.site.incidents import Notice, NoticeKind, NoticeState
from ingest.store.file.integrity import check_integrity


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


def test_what_old_digests_told_goes_and_its_hash_stays(store) -> None:
    """A quarter after it was written and sent; one that waits, a younger one and what incidents told stay whole."""
    day, now_ms, facts = 86_400_000, 1_795_600_800_000, {"rooms": [{"id": "hall", "reason": "dry " * 2000}]}
    ages = {"old": (93, "sent"), "young": (91, "sent"), "waits": (200, "waiting"), "refused": (300, "refused")}
    with store.transaction() as work:
        for name, (age, state) in ages.items():
            created_ms = now_ms - age * day
            one = {"incident": name, "channel": "mail", "recipient": "a@example.org", "created_ms": created_ms}
            for kind in (NoticeKind.DIGEST, NoticeKind.OPENED):
                number = work.add_notice(kind=kind, facts=facts, **one)
                if state != "waiting":
                    sent = NoticeState(state)
                    work.update_notice(
                        Notice(number, name, kind, "mail", "a@example.org", facts, created_ms, 0, sent, 1, "", 9)
                    )
    assert store.let_go_facts(now_ms=now_ms)
    assert not store.let_go_facts(now_ms=now_ms)
    told = {(one.incident, one.kind): one.facts for one in store.read.notices(limit=99)}
    text = json.dumps(facts, sort_keys=True, separators=(",", ":"))
    gone = {"sha256": hashlib.sha256(text.encode()).hexdigest()}
    assert {key for key, held in told.items() if held == gone} == {
        ("old", NoticeKind.DIGEST), ("refused", NoticeKind.DIGEST)
    }  # fmt: skip
    assert sum(held == facts for held in told.values()) == 6
    assert check_integrity(store.path) == []
