"""Notices and restarts: what had been put off is tried at once when the daemon starts."""

from __future__ import annotations

from dataclasses import replace

from ingest.runtime.notifying import due_again
from ingest.site.incidents import NoticeKind, NoticeState
from ingest.store.sqlite_store import SqliteStore


def test_what_had_been_put_off_is_due_at_the_start(store: SqliteStore) -> None:
    """A mail put off for an hour because of a wrong password goes out when the daemon starts with the right one."""
    with store.transaction() as work:
        for number in range(3):
            work.add_notice(
                incident=f"i{number}",
                kind=NoticeKind.OPENED,
                channel="mail",
                recipient="a@example.org",
                facts={},
                created_ms=1_000,
            )
        first, second, third = work.read.notices()
        work.update_notice(replace(first, due_ms=3_600_000, attempts=7, last_error="wrong password"))
        work.update_notice(replace(second, state=NoticeState.SENT, sent_ms=2_000))
    assert due_again(store, 5_000) == 1
    after = store.read.notices()
    assert [notice.due_ms for notice in after] == [5_000, second.due_ms, third.due_ms]
    assert (after[0].attempts, after[0].last_error) == (7, "wrong password")
    assert due_again(store, 5_000) == 0
