"""Incidents for programs: the list, one with all that is on record about it, and the actions."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Query

from dashboards.api.models import (
    HandlingAnswer,
    IncidentAnswer,
    IncidentDetailAnswer,
    IncidentsAnswer,
    JournalAnswer,
    RecordHeadAnswer,
    SentAnswer,
)
from dashboards.api.series_query import iso
from dashboards.incident.gather import known_incident
from dashboards.incident.route import ActionAsked, IncidentId, do_for_program
from dashboards.incidents.gather import Wanted, page_of, place_of, place_text, severity_of
from dashboards.services import Services
from dashboards.shell.known import known_room
from dashboards.visit import Acting, Looking, Visit
from ingest.site.handling import Handling, life
from ingest.site.incidents import Incident
from ingest.store.record.kinds import HANDLING
from ingest.watch import causes
from ingest.watch.journal import journal

MOST_INCIDENTS: Final = 500


def add(made: APIRouter, services: Services) -> None:
    """Add the routes."""

    @made.get("/api/v1/incidents", tags=["incidents"], summary="Incidents, newest first")
    def incidents(
        room: Annotated[str | None, Query(description="of one room only")] = None,
        *,
        open: Annotated[bool, Query(description="only active ones")] = False,  # noqa: A002
        severity: Annotated[str, Query(description="as severe as this or more: slight, serious, severe")] = "",
        limit: Annotated[int, Query(ge=1, le=MOST_INCIDENTS)] = 100,
        after: Annotated[str, Query(description="the `next_after` of the answer before")] = "",
    ) -> IncidentsAnswer:
        wanted = Wanted(
            room=None if room is None else known_room(services.site(), room),
            at_least=severity_of(severity),
            only_open=open,
            after=place_of(after),
        )
        found, behind = page_of(services.read, wanted, limit)
        handlings, now_ms = services.read.nouns(HANDLING, [one.id for one in found]), services.clock.now_ms()
        return IncidentsAnswer(
            incidents=[answer_of(one, handlings.get(one.id), now_ms) for one in found],
            next_after=None if behind is None else place_text(behind),
        )

    @made.get("/api/v1/incidents/{incident}", tags=["incidents"], summary="An incident with all on record about it")
    def incident(visit: Looking, incident: IncidentId) -> IncidentDetailAnswer:
        return _detail(visit, known_incident(visit, incident))

    @made.post(
        "/api/v1/incidents/{incident}/actions",
        tags=["incidents"],
        summary="Acknowledge an incident, mute alerts, close it by hand, take that back, leave a note",
        response_description="Where people stand with it now; it stands in the record",
    )
    async def action(visit: Acting, incident: IncidentId, asked: ActionAsked) -> HandlingAnswer:
        return _handling(await do_for_program(visit, incident, asked))


def answer_of(incident: Incident, handling: Handling | None, now_ms: int) -> IncidentAnswer:
    """Give an incident as programs get it."""
    closed = None if incident.closed_ms is None else iso(incident.closed_ms)
    return IncidentAnswer(
        id=incident.id,
        room=incident.room,
        sensor=incident.sensor,
        kind=incident.kind.value,
        open=incident.is_open,
        life=life(incident, handling, now_ms).value,
        severity=incident.severity.value,
        reason=incident.reason,
        wood=incident.wood,
        began_ms=incident.began_ms,
        began=iso(incident.began_ms),
        opened_ms=incident.opened_ms,
        opened=iso(incident.opened_ms),
        closed_ms=incident.closed_ms,
        closed=closed,
        quantity=incident.quantity,
        bound=incident.bound,
        worst_value=incident.worst_value,
        worst_at_ms=incident.worst_at_ms,
        excess_hours=incident.excess_hours,
        cause=incident.cause,
        revised_ms=incident.revised_ms,
        handling=None if handling is None else _handling(handling),
    )


def _handling(handling: Handling) -> HandlingAnswer:
    return HandlingAnswer(
        acknowledged_ms=handling.acknowledged_ms,
        acknowledged_by=handling.acknowledged_by,
        muted_until_ms=handling.muted_until_ms,
        closed_ms=handling.closed_ms,
        closed_by=handling.closed_by,
        closed_why=handling.closed_why,
        note=handling.note,
    )


def _detail(visit: Visit, found: Incident) -> IncidentDetailAnswer:
    read = visit.services.read
    lines = journal(read.history("incident", found.id), read.history("handling", found.id), visit.site.time_zone)
    number, head = read.record_head()
    return IncidentDetailAnswer(
        incident=answer_of(found, read.nouns(HANDLING, [found.id]).get(found.id), visit.now_ms),
        same_cause=[one.id for one in causes.sharing(read, found)],
        journal=[
            JournalAnswer(
                number=line.number,
                at_ms=line.at_ms,
                at=iso(line.at_ms),
                by=line.by,
                what=line.what,
                note=line.note,
                hash=line.hash,
            )
            for line in lines
        ],
        notices=[
            SentAnswer(
                kind=notice.kind.value,
                channel=notice.channel,
                recipient=notice.recipient,
                state=notice.state.value,
                created_ms=notice.created_ms,
                sent_ms=notice.sent_ms,
                last_error=notice.last_error,
            )
            for notice in read.notices(incident=found.id)
        ],
        record_head=RecordHeadAnswer(number=number, hash=head),
    )
