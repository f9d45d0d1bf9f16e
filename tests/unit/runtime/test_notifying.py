"""Notices and restarts: what had been put off is tried at once when the daemon starts."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import replace
from pathlib import Path

from ingest.clock import DrivenClock
from ingest.runtime.notifying import REFUSED_KEPT_MS, Notifying, due_again
from ingest.runtime.tasks import Failures, keep
from ingest.settings.wiring import MailWiring, Wiring
from ingest.site.incidents import NoticeKind, NoticeState
from ingest.site.places import Site
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


def notifying(site: Site, folder: Path, clock: DrivenClock, **more: object) -> Notifying:
    """What tells one person by mail, at a server that is not there."""
    mail = MailWiring("127.0.0.1", "watch@example.org", ("here@example.org",), port=1, security="none")
    return Notifying(Wiring(site, folder, mail=mail), clock, site=lambda: site, **more)  # type: ignore[arg-type]


def put(store: SqliteStore, recipient: str, at_ms: int = 0) -> None:
    """A notice to somebody."""
    with store.transaction() as work:
        work.add_notice(
            incident="i", kind=NoticeKind.OPENED, channel="mail", recipient=recipient, facts={}, created_ms=at_ms
        )


def test_who_is_struck_from_the_settings_file_is_not_mailed_any_more(store, site, tmp_path, clock) -> None:
    """What waited for them is withdrawn, and says why; what waits for the others stays."""
    put(store, "gone@example.org")
    put(store, "here@example.org")
    put(store, "gone@example.org")
    with store.transaction() as work:  # struck because the server knows no such address
        work.update_notice(replace(work.read.notices()[2], state=NoticeState.REFUSED, last_error="550 no such user"))
    assert notifying(site, tmp_path, clock).withdraw_struck(store) == 2
    gone, here, refused = store.read.notices()
    assert (gone.state, here.state) == (NoticeState.WITHDRAWN, NoticeState.WAITING)
    assert refused.state is NoticeState.WITHDRAWN
    assert "Nobody of that address" in gone.last_error


def test_what_was_refused_for_good_goes_out_again_at_a_start(store, site, tmp_path, clock) -> None:
    """Within a week, for the server may have been mended; what is older stays as it is."""
    for at_ms in (1, REFUSED_KEPT_MS):
        put(store, "here@example.org", at_ms)
    with store.transaction() as work:
        for notice in work.read.notices():
            work.update_notice(replace(notice, state=NoticeState.REFUSED, last_error="550 not now"))
    now_ms = REFUSED_KEPT_MS + 2
    assert notifying(site, tmp_path, clock).send_refused_again(store, now_ms, since_ms=now_ms - REFUSED_KEPT_MS) == 1
    assert [one.state for one in store.read.notices()] == [NoticeState.REFUSED, NoticeState.WAITING]


async def test_a_digest_that_fails_ends_nothing_else(store, site, tmp_path, clock) -> None:
    """The postman goes on beside it; the digest is told as failing, and tried again."""
    failures = Failures(clock)
    told = notifying(site, tmp_path, clock, failures=failures)
    calls = []

    def fail(*_: object) -> list[int]:
        calls.append(1)
        raise ZeroDivisionError

    told.write_digests = fail  # type: ignore[method-assign]
    task = asyncio.create_task(told.run(store))
    async with asyncio.timeout(5):
        while not calls:
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.05)
        postman = told._postman
        for _ in range(5):
            await clock.advance(10.0)
            await asyncio.sleep(0.01)
    assert not task.done()
    assert told._postman is postman
    assert len(calls) > 1
    assert any("(digests)" in sentence for sentence in failures.troubles())
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def test_a_part_that_fails_is_told_until_it_has_run_well(clock) -> None:
    """With its name and its error, from the failure until a minute after it was started again."""
    failures, runs = Failures(clock), []

    async def work() -> None:
        runs.append(1)
        if len(runs) == 1:
            raise ValueError
        await clock.sleep(10_000)

    task = asyncio.create_task(keep("rounds", work, clock, failures))
    async with asyncio.timeout(5):
        while not runs:
            await asyncio.sleep(0)
        await asyncio.sleep(0.01)
        assert failures.troubles() == [
            "A part of lumberroom fails (rounds): a fault, ValueError; the log has the trace. "
            "It is started again by itself."
        ]
        while len(runs) < 2:
            await clock.advance(10.0)
            await asyncio.sleep(0.01)
        await clock.advance(100.0)
    assert failures.troubles() == []
    task.cancel()
