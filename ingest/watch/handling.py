"""What people do about an incident: taking it in hand, asking for quiet, closing it, taking that back.

Each deed is written into the record in the caller's transaction. It changes what is told, never what is judged.
"""

from __future__ import annotations

from dataclasses import replace

from ingest.errors import RefusedError
from ingest.site.handling import Handling
from ingest.store.api import UnitOfWork


def handling_of(work: UnitOfWork, incident: str) -> Handling:
    """Give where people stand with an incident; one that nobody touched has a fresh one."""
    return work.read.handlings([incident]).get(incident, Handling(incident))


def acknowledge(work: UnitOfWork, incident: str, *, by: str, note: str = "", now_ms: int) -> Handling:
    """Note that somebody has taken an incident in hand; the first one to do so stays named.

    by: who, as they call themselves.  now_ms: our clock, UTC.  Raises RefusedError for an incident that is not there.
    """
    _must_be_there(work, incident)
    before = handling_of(work, incident)
    after = replace(
        before,
        acknowledged_ms=now_ms if before.acknowledged_ms is None else before.acknowledged_ms,
        acknowledged_by=before.acknowledged_by or by,
        note=note or before.note,
    )
    work.put_handling(after, at_ms=now_ms, by=by)
    return after


def snooze(work: UnitOfWork, incident: str, *, until_ms: int, by: str, note: str = "", now_ms: int) -> Handling:
    """Ask for no further notices of an incident before an instant (UTC ms), which also takes it in hand.

    Raises RefusedError for an incident that is not there, and for an instant that is past.
    """
    if until_ms <= now_ms:
        raise RefusedError("the instant until which to be quiet is past", where=incident, mend="Give a later one.")
    after = replace(acknowledge(work, incident, by=by, note=note, now_ms=now_ms), snoozed_until_ms=until_ms)
    work.put_handling(after, at_ms=now_ms, by=by)
    return after


def _must_be_there(work: UnitOfWork, incident: str) -> None:
    if work.read.incident(incident) is None:
        raise RefusedError("there is no such incident", where=incident)
