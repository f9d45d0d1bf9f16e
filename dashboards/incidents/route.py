"""The address of the incidents page."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from dashboards.incidents.gather import Wanted, incidents_page, place_of, severity_of
from dashboards.services import Services
from dashboards.shell.page import Declared
from dashboards.visit import Looking
from ingest.store.record.kinds import HANDLING


def router() -> APIRouter:
    """Give the routes."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @made.get("/incidents")
    def page(visit: Looking, room: str = "", *, severity: str = "", state: str = "", after: str = "") -> Response:
        wanted = Wanted(
            room=visit.room(room) if room else None,
            at_least=severity_of(severity),
            only_open=state == "open",
            after=place_of(after),
        )
        return visit.html(incidents_page(visit, wanted))

    return made


def _unsettled(services: Services) -> int:
    """Count the incidents that go on and that nobody has closed manually."""
    read = services.read
    going_on = read.incidents(only_open=True)
    closed = [one for one in read.nouns(HANDLING, [one.id for one in going_on]).values() if one.is_closed]
    return len(going_on) - len(closed)


PAGE = Declared("/incidents", "Incidents", router, place=2, count=_unsettled)
