"""The application for devices on the network: one address, by which readings are handed in with a device's key.

No page, no figure, no list: whoever can reach this learns nothing and can do nothing else.
"""

from __future__ import annotations

from fastapi import APIRouter, FastAPI

from dashboards.api import readings_in
from dashboards.services import Services
from dashboards.shell import problems
from dashboards.shell.access import StrictHeaders


def create_push_app(services: Services) -> FastAPI:
    """Make it. The push token of the settings file is not taken here: it may write every sensor."""
    app = FastAPI(title="lumberroom", version="1", openapi_url=None, docs_url=None, redoc_url=None)
    problems.install(app, None)
    made = APIRouter()
    readings_in.add(made, services, wired=False)
    app.include_router(made)
    app.add_middleware(StrictHeaders)
    return app
