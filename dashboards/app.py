"""The application: what is mounted where. It sees `Services` and nothing behind it."""

from __future__ import annotations

from typing import Final

from fastapi import FastAPI

from dashboards import api, deeds, live, metrics, openapi, pages, problems, reach_pages, signed_links
from dashboards.access import LoopbackOnly, StrictHeaders
from dashboards.rendering import STATIC, KeptFiles, Pages
from dashboards.services import Services

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
    rendered = Pages()
    problems.install(app, rendered)
    app.include_router(api.router(services))
    app.include_router(live.router(services))
    app.include_router(metrics.router(services))
    app.include_router(pages.router(services, rendered))
    app.include_router(reach_pages.router(services, rendered))
    app.include_router(deeds.page_routes(services, rendered))
    app.include_router(signed_links.router(services, rendered))
    openapi.complete(app)
    app.mount("/static", KeptFiles(directory=STATIC), name="static")
    app.add_middleware(LoopbackOnly, public_address=services.deeds.public_address if services.deeds else "")
    app.add_middleware(StrictHeaders)
    return app
