"""The application: what is mounted where. It sees `Services` and nothing behind it."""

from __future__ import annotations

from typing import Final

from fastapi import FastAPI

from dashboards.api import live, metrics, openapi, rooms
from dashboards.services import Services
from dashboards.shell import problems
from dashboards.shell.access import LoopbackOnly, StrictHeaders
from dashboards.shell.page import declared
from dashboards.shell.rendering import STATIC, KeptFiles, Pages

DESCRIPTION: Final = (
    "Read rooms, their current figures, their history and their incidents; hand readings in. Times are UTC, "
    "milliseconds since 1970, and ISO 8601 text beside them. A missing figure is null, never zero."
)


def create_app(services: Services) -> FastAPI:
    """Make the web application over these services.

    It keeps no state of its own, sets one cookie (the name of whoever did something about an incident), opens no file
    but its own static ones, and asks `services.clock` for the time. Serve it on a loopback address: what reaches
    another one is refused.
    """
    app = FastAPI(
        title="lumberroom",
        version="1",
        description=DESCRIPTION,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
    )
    app.state.services, app.state.pages = services, Pages()
    problems.install(app, app.state.pages)
    app.include_router(rooms.router(services))
    app.include_router(live.router(services))
    app.include_router(metrics.router(services))
    for page in declared():
        app.include_router(page.router())
    openapi.complete(app)
    app.mount("/static", KeptFiles(directory=STATIC), name="static")
    app.add_middleware(LoopbackOnly, public_address=services.actions.public_address if services.actions else "")
    app.add_middleware(StrictHeaders)
    return app
