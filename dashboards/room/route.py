"""The address of a room's page."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse, Response

from dashboards.room.charts_kept import ChartsKept
from dashboards.room.gather import room_page
from dashboards.room.weeks import WeeksKept
from dashboards.shell.looking_back import look
from dashboards.shell.page import Declared
from dashboards.visit import Looking


def router() -> APIRouter:
    """Give the routes."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    weeks, charts = WeeksKept(), ChartsKept()

    @made.get("/rooms/{room}")
    def page(
        visit: Looking,
        room: str,
        *,
        span: str | None = None,
        until: str | None = None,
        day: str | None = None,
        show: Annotated[list[str], Query()] = [],  # noqa: B006
    ) -> Response:
        shown = look(span, until, day, now_ms=visit.now_ms, zone=visit.zone)
        return visit.html(room_page(visit, visit.room(room), look=shown, show=show, kept=weeks, charts=charts))

    return made


PAGE = Declared("/rooms/{room}", "Room", router)
