"""The pages' addresses; each gathers its context and has it rendered. Handlers are plain functions: they run in
worker threads, so that reading the store never holds up the event loop."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, Response

from dashboards import gather_incidents, gather_lists, gather_room, gather_rooms
from dashboards.access import CAUGHT_MAIL_POLICY
from dashboards.charts_kept import ChartsKept
from dashboards.gather_weeks import WeeksKept
from dashboards.known import known_room
from dashboards.looking_back import look
from dashboards.problems import AnswerError
from dashboards.rendering import STATIC, Pages
from dashboards.services import Services
from dashboards.view import View

UnitsAsked = Annotated[str | None, Query(alias="units")]


def router(services: Services, pages: Pages) -> APIRouter:
    """Give the routes of the pages."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _add_rooms(made, services, pages)
    _add_lists(made, services, pages)
    _add_mails(made, services, pages)
    return made


def _add_rooms(made: APIRouter, services: Services, pages: Pages) -> None:
    kept, charts = WeeksKept(), ChartsKept()

    @made.get("/")
    def overview(request: Request, units: UnitsAsked = None) -> Response:
        return pages.html(gather_rooms.overview(View.of(services, request.url.path, units), charts))

    @made.get("/rooms/{room}")
    def room(
        request: Request,
        room: str,
        *,
        span: str | None = None,
        until: str | None = None,
        day: str | None = None,
        show: Annotated[list[str], Query()] = [],  # noqa: B006
        units: UnitsAsked = None,
    ) -> Response:
        view = View.of(services, request.url.path, units, request.url.query)
        found = known_room(view.site, room)
        shown = look(span, until, day, now_ms=view.now_ms, zone=view.zone)
        return pages.html(gather_room.room_page(view, found, look=shown, show=show, kept=kept, charts=charts))

    @made.get("/favicon.ico")
    def favicon() -> Response:
        return Response((STATIC / "mark.svg").read_bytes(), media_type="image/svg+xml")


def _add_lists(made: APIRouter, services: Services, pages: Pages) -> None:
    @made.get("/incidents")
    def incidents(
        request: Request,
        room: str = "",
        *,
        severity: str = "",
        state: str = "",
        after: str = "",
        units: UnitsAsked = None,
    ) -> Response:
        view = View.of(services, request.url.path, units, request.url.query)
        wanted = gather_incidents.Wanted(
            room=known_room(view.site, room) if room else None,
            at_least=gather_incidents.severity_of(severity),
            only_open=state == "open",
            after=gather_incidents.place_of(after),
        )
        return pages.html(gather_incidents.incidents_page(view, wanted))

    @made.get("/arrivals")
    def arrivals(request: Request, units: UnitsAsked = None) -> Response:
        return pages.html(gather_lists.arrivals_page(View.of(services, request.url.path, units)))


def _add_mails(made: APIRouter, services: Services, pages: Pages) -> None:
    @made.get("/mails")
    def mails(request: Request, units: UnitsAsked = None) -> Response:
        return pages.html(gather_lists.mails_page(_demo_view(request, units)))

    @made.get("/mails/{number}")
    def mail(request: Request, number: int, units: UnitsAsked = None) -> Response:
        return pages.html(gather_lists.mail_page(_demo_view(request, units), number))

    @made.get("/mails/{number}/html")
    def mail_html(request: Request, number: int) -> Response:
        html = gather_lists.caught(_demo_view(request, None), number).html
        if html is None:
            raise AnswerError(404, f"The caught mail number {number} has no HTML part.", where="mails")
        headers = {"Content-Security-Policy": CAUGHT_MAIL_POLICY, "X-Frame-Options": "SAMEORIGIN"}
        return HTMLResponse(html, headers=headers)

    def _demo_view(request: Request, units: str | None) -> View:
        if services.demo_speed is None:
            raise AnswerError(404, "Only a demonstration catches mail; here it is sent.", where=request.url.path)
        return View.of(services, request.url.path, units)
