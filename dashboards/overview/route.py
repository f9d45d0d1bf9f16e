"""The overview's address."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from dashboards.overview.gather import overview
from dashboards.room.charts_kept import ChartsKept
from dashboards.shell.page import Declared
from dashboards.shell.rendering import STATIC
from dashboards.visit import Looking


def router() -> APIRouter:
    """Give the routes."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    charts = ChartsKept()

    @made.get("/")
    def page(visit: Looking) -> Response:
        return visit.html(overview(visit, charts))

    @made.get("/favicon.ico")
    def favicon() -> Response:
        return Response((STATIC / "mark.svg").read_bytes(), media_type="image/svg+xml")

    return made


PAGE = Declared("/", "Rooms", router, place=1)
