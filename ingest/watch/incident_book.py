"""The one door by which the watch writes incidents: what others have put into one stays in it.

Judging knows what the air did; the cause that an incident shares with others (`ingest.watch.causes`) and what it did to
the wood (`ingest.watch.affected`) are found afterwards and written into it. Whoever judges on holds an older copy, so
here both are taken over from the store. What people do about an incident stands apart (`ingest.watch.handling`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from ingest.site.actor import WATCH
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.store.api import UnitOfWork
from ingest.watch import affected, causes


def write(work: UnitOfWork, site: Site, changed: Iterable[Incident], *, now_ms: int) -> dict[str, Incident]:
    """Write incidents that judging has changed, and what follows from them; give those written, by id, as they stand.

    now_ms: our clock (UTC). Others whose cause follows from the changed ones are written, and given, too.
    """
    touched: dict[str, causes.Touched] = {}
    written: dict[str, Incident] = {}
    sentences = affected.AT_ONCE
    for judged in changed:
        was = work.read.incident(judged.id)
        now = judged if was is None else replace(judged, cause=was.cause, wood=was.wood)
        if affected.is_due(now, was):
            may = sentences > 0 and affected.is_recent(now, now_ms)
            now = replace(now, wood=affected.sentence(work.read, site, now, now_ms=now_ms) if may else "")
            sentences -= bool(now.wood)
        work.put_incident(now, at_ms=now_ms, by=WATCH)
        written[now.id] = now
        touched[now.id] = causes.Touched(was, now)
    for incident in causes.shared(work.read, touched.values()):
        work.put_incident(incident, at_ms=now_ms, by=WATCH)
        written[incident.id] = incident
    return written


def as_written(told: Mapping[str, Incident], written: Mapping[str, Incident]) -> list[Incident]:
    """Give what is to be told as it was written, in order of opening."""
    return sorted((written.get(name, one) for name, one in told.items()), key=lambda incident: incident.opened_ms)
