"""The one door by which the watch writes incidents: what others have put into one stays in it.

Judging knows what the air did; the cause that an incident shares with others (`ingest.watch.causes`) and what it did to
the wood (`ingest.watch.affected`) are found afterwards and written into it. Whoever judges on holds an older copy, so
here both are taken over from the store. What people do about an incident stands apart (`ingest.watch.handling`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.store.api import UnitOfWork
from ingest.watch import affected, causes

BY: Final = "watch"


def write(work: UnitOfWork, site: Site, changed: Iterable[Incident], *, now_ms: int) -> dict[str, Incident]:
    """Write incidents that judging has changed, and what follows from them; give those written, by id, as they stand.

    now_ms: our clock (UTC). Others whose cause follows from the changed ones are written, and given, too.
    """
    touched: dict[str, causes.Touched] = {}
    written: dict[str, Incident] = {}
    for incident in changed:
        was = work.read.incident(incident.id)
        if was is not None:
            incident = replace(incident, cause=was.cause, wood=was.wood)
        incident = affected.told(work.read, site, incident, was, now_ms=now_ms)
        work.put_incident(incident, at_ms=now_ms, by=BY)
        written[incident.id] = incident
        touched[incident.id] = causes.Touched(was, incident)
    for incident in causes.shared(work.read, touched.values()):
        work.put_incident(incident, at_ms=now_ms, by=BY)
        written[incident.id] = incident
    return written


def as_written(told: Mapping[str, Incident], written: Mapping[str, Incident]) -> list[Incident]:
    """Give what is to be told as it was written, in order of opening."""
    return sorted((written.get(name, one) for name, one in told.items()), key=lambda incident: incident.opened_ms)
