"""The rounds of telling: what was held back is told together, the next one is told where nobody answered.

Each is one look inside the caller's unit of work; everything that it goes by stands in the store, so that it makes no
difference whether the computer was off in between.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from ingest.notices.deciding import DAY_MS, Told, why_of
from ingest.notices.outbox import Telling, reader_facts, refreshed, thread_of
from ingest.notices.recipients import RANK, Recipient
from ingest.site.incidents import Incident, Notice, NoticeKind, NoticeState, Severity
from ingest.site.places import Site
from ingest.store.api import RecordReader, UnitOfWork
from ingest.store.record.kinds import HANDLING
from ingest.store.record.outbox import Escalation
from ingest.watch.causes import sharing

LOOK_AGAIN_MS: Final = 300_000
"""When an escalation that concerns nobody as things stand is looked at again: its incident may turn worse."""

MUTES_OF_MS: Final = DAY_MS
"""A quiet that was asked for and ended longer ago than this is over and done with."""


def look_round(work: UnitOfWork, site: Site, recipients: Sequence[Recipient], *, now_ms: int) -> list[int]:
    """Tell what is due now; give the numbers of the notices that were put into the outbox."""
    by_key = {one.key: one for one in recipients}
    numbers = []
    for channel, address in work.telling.whom_something_is_due(now_ms):
        recipient = by_key.get((channel, address), Recipient(address, channel=channel))
        numbers += collect(work, recipient, now_ms=now_ms)
    for escalation in work.telling.escalations(now_ms):
        numbers += _escalate(work, site, by_key, escalation, now_ms)
    return numbers + _after_quiet(work, site, recipients, now_ms)


def collect(work: UnitOfWork, recipient: Recipient, *, now_ms: int) -> list[int]:
    """Tell what is due of what was held back from a recipient: as it stands now, each incident once.

    What they have been told meanwhile, and not otherwise since, is not told again. Gives the new notice's number.
    """
    held = [one for one in work.telling.held(*recipient.key) if one.due_ms <= now_ms]
    items = []
    for incident in dict.fromkeys(one.incident for one in held):
        own = [one for one in held if one.incident == incident]
        facts = _as_it_stands(work, recipient, own)
        if facts is not None:
            items.append(facts)
    number = _put(work, recipient, items, held, now_ms) if items else 0
    work.telling.fold([one.number for one in held], number)
    return [number] if items else []


def _as_it_stands(work: UnitOfWork, recipient: Recipient, held: Sequence[Notice]) -> dict[str, Any] | None:
    """Give the facts of a held-back incident as it stands now; None where the recipient knows them already."""
    newest = held[-1]
    incident = work.read.incident(newest.incident)
    facts = refreshed(newest.facts, incident) | reader_facts(recipient)
    own = work.telling.of_incident(newest.incident, *recipient.key)
    known = Told.of([one for one in own if one.number > held[0].number and one.state is not NoticeState.HELD])
    before = Told.of([one for one in own if one.number < held[0].number])
    kind = _kind_now(held, before, known, facts)
    if kind is None or (kind is NoticeKind.UNANSWERED and _is_in_hand(work, newest.incident)):
        return None
    knew = known or before
    was = {"was_severity": knew.severity.value} if kind is NoticeKind.WORSE and knew is not None else {}
    asked = next((one.facts["told_before"] for one in held if "told_before" in one.facts), ())
    return facts | was | {
        "kind": kind.value,
        "told_before": list(asked),
        "thread": thread_of(work, newest.incident, own[:1]),
        "record": list(work.read.record_head()),
    }  # fmt: skip


def _kind_now(
    held: Sequence[Notice], before: Told | None, known: Told | None, facts: Mapping[str, Any]
) -> NoticeKind | None:
    """Say as what a held-back incident is told as it stands now; None where the recipient knows all of it.

    before: what they knew when it was first held back.  known: what they have been told since.
    """
    is_open = facts["incident"]["closed_ms"] is None
    rank, kinds = RANK[Severity(facts["incident"]["severity"])], {one.kind for one in held}
    if known is not None and known.is_open == is_open and rank <= RANK[known.severity]:
        return None
    if facts["incident"].get("withdrawn_ms") is not None and before is None and known is None:
        return None  # it was never told, and never was
    if not is_open:
        return NoticeKind.CLOSED
    if NoticeKind.STILL in kinds:
        return NoticeKind.STILL
    knew = known or before
    if knew is not None and knew.is_open and knew.openings >= facts["openings"]:
        return NoticeKind.WORSE if rank > RANK[knew.severity] else None
    return NoticeKind.UNANSWERED if NoticeKind.UNANSWERED in kinds else NoticeKind.OPENED


def _is_in_hand(work: UnitOfWork, incident: str) -> bool:
    """Say whether somebody has acknowledgen it or closed it, so that nobody is told for want of an answer."""
    handling = work.read.nouns(HANDLING, [incident]).get(incident)
    return handling is not None and (handling.is_acknowledged or handling.closed_ms is not None)


def _put(
    work: UnitOfWork, recipient: Recipient, items: Sequence[dict[str, Any]], held: Sequence[Notice], now_ms: int
) -> int:
    whys = list(dict.fromkeys(why_of(one).name for one in held))
    common = {"held_since_ms": min(one.created_ms for one in held), "whys": whys, "joins": _joins(work, items)}
    first = items[0]
    number_of_first = min(one.number for one in held)
    if len(items) == 1:
        kind, incident = NoticeKind(first["kind"]), first["incident"]["id"]
        facts = first | common
    else:
        kind, incident = NoticeKind.COLLECTED, f"collected.{number_of_first}"
        shared = {name: first[name] for name in ("site", "time_zone", "units", "clock", "who", "record")}
        ids = [item["incident"]["id"] for item in items]
        thread = _shared_thread(items) or incident
        facts = shared | common | {"items": list(items), "incidents": ids, "thread": thread}
    return work.add_notice(
        incident=incident,
        kind=kind,
        channel=recipient.channel,
        recipient=recipient.address,
        facts=facts,
        created_ms=now_ms,
    )


def _joins(work: UnitOfWork, items: Sequence[Mapping[str, Any]]) -> bool:
    """Say whether another incident of the cause of all of these still goes on."""
    told = {item["incident"]["id"] for item in items}
    incident = work.read.incident(items[0]["incident"]["id"])
    others = [] if incident is None else sharing(work.read, incident)
    return any(one.is_open for one in others if one.id not in told)


def _shared_thread(items: Sequence[Mapping[str, Any]]) -> str | None:
    """Give the thread of the first notice about the one cause of all of these, or None."""
    causes = {item["incident"].get("cause") for item in items}
    threads = {str(item["thread"]) for item in items}
    return threads.pop() if len(threads) == 1 and len(causes) == 1 and causes - {"", None} else None


def _escalate(
    work: UnitOfWork, site: Site, by_key: Mapping[tuple[str, str], Recipient], escalation: Escalation, now_ms: int
) -> list[int]:
    """Tell the next one where nobody has answered; drop it where there is nothing to answer any more."""
    incident = work.read.incident(escalation.incident)
    recipient = by_key.get((escalation.channel, escalation.recipient))
    handling = work.read.nouns(HANDLING, [escalation.incident]).get(escalation.incident)
    in_hand = _is_in_hand(work, escalation.incident)
    if incident is None or not incident.is_open or recipient is None or in_hand:
        work.telling.end_escalation(*escalation[:3])
        return []
    own = work.telling.of_incident(incident.id, *recipient.key)
    if own:
        work.telling.end_escalation(*escalation[:3])
        return []
    if not recipient.wants(incident.room, incident.severity):
        work.telling.put_off_escalation(escalation, now_ms + LOOK_AGAIN_MS)
        return []
    work.telling.end_escalation(*escalation[:3])
    before = _names(by_key, work.telling.told(incident.id))
    telling = Telling(work, incident, site, handling, now_ms)
    is_severe = incident.severity is Severity.SEVERE
    number, _ = telling.add(recipient, NoticeKind.UNANSWERED, own, at_once=is_severe, told_before=before)
    return [number]


def _names(by_key: Mapping[tuple[str, str], Recipient], keys: Sequence[tuple[str, str]]) -> list[str]:
    return [by_key[key].who if key in by_key else key[1] for key in keys]


def _after_quiet(work: UnitOfWork, site: Site, recipients: Sequence[Recipient], now_ms: int) -> list[int]:
    """Tell that an incident is still open, once the quiet that was asked for is over."""
    numbers: list[int] = []
    for incident, until_ms in quiet_over(work.read, now_ms):
        for recipient in recipients:
            own = work.telling.of_incident(incident.id, *recipient.key)
            if not own or max(map(_when_told, own)) >= until_ms:
                continue
            handling = work.read.nouns(HANDLING, [incident.id])[incident.id]
            telling = Telling(work, incident, site, handling, now_ms)
            number, _ = telling.add(recipient, NoticeKind.STILL, own, at_once=False)
            numbers.append(number)
    return numbers


def _when_told(notice: Notice) -> int:
    """Say when a notice went into the outbox, or is to be collected (UTC ms)."""
    return notice.due_ms if notice.state is NoticeState.HELD else notice.created_ms


def quiet_over(read: RecordReader, now_ms: int) -> list[tuple[Incident, int]]:
    """Give open incidents for which a quiet that was asked for ended lately, and when (UTC ms)."""
    open_ones = {one.id: one for one in read.incidents(only_open=True, limit=10_000)}
    found = []
    for handling in read.nouns(HANDLING, list(open_ones)).values():
        until_ms = handling.muted_until_ms
        if handling.closed_ms is None and until_ms is not None and now_ms - MUTES_OF_MS < until_ms <= now_ms:
            found.append((open_ones[handling.incident], until_ms))
    return found
