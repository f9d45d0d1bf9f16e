"""Digests: how all rooms stand, each morning or each week, and what a month was like, told once each.

When one is due stands in the calendar of the site; that it was written stands in the store, in the transaction that
puts it into the outbox. Where the computer was off at that time it is written at the next start, or left out when that
is more than `LATEST_MS` late, and the next one says so.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

from ingest.notices.hours import at_ms, last_due, last_month_due
from ingest.notices.letters.room_account import room_facts
from ingest.notices.outbox import reader_facts
from ingest.notices.recipients import Recipient
from ingest.site.incidents import NoticeKind
from ingest.site.places import Site
from ingest.store.api import RecordReader, StoreReader, UnitOfWork
from ingest.watch.window.plan import as_of

HOUR_MS: Final = 3_600_000
LATEST_MS: Final = 12 * HOUR_MS
"""A digest later than this is left out: it would be news of yesterday."""


class Due(NamedTuple):
    """A digest that is to be written, or left out.

    day: on which it was due, site time, ISO 8601.  due_ms: when.  from_ms, to_ms: what it tells of (UTC ms).
    """

    recipient: Recipient
    kind: NoticeKind
    day: str
    due_ms: int
    from_ms: int
    to_ms: int


def calendar(recipients: Sequence[Recipient], zone_name: str, now_ms: int) -> Iterator[Due]:
    """Give each recipient's newest digest that was due until now, written already or not."""
    for one in recipients:
        if one.digest != "none":
            yield _digest_due(one, zone_name, now_ms)
        if one.monthly:
            day, due_ms = last_month_due(now_ms, zone_name, one.digest_minute)
            before = (day - dt.timedelta(days=1)).replace(day=1)
            span = at_ms(before, 0, zone_name), at_ms(day, 0, zone_name)
            yield Due(one, NoticeKind.MONTH, day.isoformat(), due_ms, *span)


def _digest_due(one: Recipient, zone_name: str, now_ms: int) -> Due:
    weekday = one.digest_day if one.digest == "weekly" else None
    day, due_ms = last_due(now_ms, zone_name, one.digest_minute, weekday=weekday)
    before = day - dt.timedelta(days=7 if one.digest == "weekly" else 1)
    return Due(one, NoticeKind.DIGEST, day.isoformat(), due_ms, at_ms(before, one.digest_minute, zone_name), due_ms)


def pending(read: RecordReader, recipients: Sequence[Recipient], zone_name: str, now_ms: int) -> list[Due]:
    """Give what was due until now and was neither written nor left out."""
    return [
        due
        for due in calendar(recipients, zone_name, now_ms)
        if read.digest_noted(*due.recipient.key, due.kind, due.day) is None
    ]


def gather(read: StoreReader, site: Site, due: Due, now_ms: int) -> dict[str, Any] | None:
    """Gather the facts of a digest, outside any transaction: it may take its time. None where it comes too late."""
    recipient = due.recipient
    if now_ms - due.due_ms > LATEST_MS:
        return None
    then = as_of(site, due.to_ms)
    rooms = [room for room in then.rooms if recipient.minds(room.id)]
    month = due.kind is NoticeKind.MONTH
    facts = [room_facts(read, then, room, due.from_ms, due.to_ms, whole=month, units=recipient.units) for room in rooms]
    order = {"out_of_range": 0, "leaving_range": 1, "recovering": 1, "unknown": 2}
    return reader_facts(recipient) | {
        "site": site.name,
        "time_zone": site.time_zone,
        "from_ms": due.from_ms,
        "to_ms": due.to_ms,
        "rhythm": "monthly" if month else recipient.digest,
        "rooms": facts if month else sorted(facts, key=lambda one: order.get(one["state"], 3)),
        "record": list(read.record_head()),
    }


def put(work: UnitOfWork, due: Due, facts: dict[str, Any] | None, now_ms: int) -> int | None:
    """Put a gathered digest into the outbox, or note that it was left out; give its number.

    Once per recipient and day: where it was noted meanwhile, nothing is done.
    """
    key = due.recipient.key
    if work.telling.digest(*key, due.kind, due.day) is not None:
        return None
    before = work.telling.newest_digest(*key, due.kind)
    # The first one of all covers time before anybody asked for it; it is told only where it is due from now on.
    first = before is None and now_ms - due.due_ms > HOUR_MS
    is_sent = facts is not None and not first
    work.telling.note_digest(*key, due.kind, due.day, was_sent=is_sent or first)
    if facts is None or first:
        return None
    missed = before[0] if before is not None and not before[1] else None
    return work.add_notice(
        incident=f"{due.kind.value}.{due.day}",
        kind=due.kind,
        channel=due.recipient.channel,
        recipient=due.recipient.address,
        facts=facts | {"missed": missed, "day": due.day},
        created_ms=now_ms,
    )
