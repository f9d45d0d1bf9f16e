"""The address of the connections page."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from dashboards.connections.gather import connections_page
from dashboards.shell.page import Declared
from dashboards.visit import Looking


def router() -> APIRouter:
    """Give the routes."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @made.get("/connections")
    def page(visit: Looking) -> Response:
        return visit.html(connections_page(visit))

    return made


PAGE = Declared("/connections", "Connections", router, place=3)
