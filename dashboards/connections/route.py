"""The address of the connections page."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from dashboards.connections.gather import arrivals_page
from dashboards.shell.page import Declared
from dashboards.visit import Looking


def router() -> APIRouter:
    """Give the routes."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @made.get("/arrivals")
    def page(visit: Looking) -> Response:
        return visit.html(arrivals_page(visit))

    return made


PAGE = Declared("/arrivals", "Arrivals", router, place=3)
