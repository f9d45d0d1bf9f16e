"""The interface for programs: rooms, latest, series, incidents, health."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.responses import JSONResponse

from dashboards.services import Services


def router(services: Services) -> APIRouter:
    """Give the routes of the JSON interface."""
    made = APIRouter()

    @made.get("/health", tags=["health"], summary="Whether the daemon is well")
    def health() -> JSONResponse:
        found: dict[str, Any] = dict(services.health())
        return JSONResponse(found, 200 if found.get("status", "ok") == "ok" else 503)

    return made
