"""The pages' addresses; each gathers its context and has it rendered."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from dashboards import gather
from dashboards.rendering import STATIC, Pages
from dashboards.services import Services


def router(services: Services, pages: Pages) -> APIRouter:
    """Give the routes of the pages."""
    made = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @made.get("/")
    def overview() -> Response:
        return pages.html(gather.overview(services))

    @made.get("/favicon.ico")
    def favicon() -> Response:
        return Response((STATIC / "mark.svg").read_bytes(), media_type="image/svg+xml")

    return made
