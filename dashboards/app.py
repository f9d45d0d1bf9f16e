"""The application: what is mounted where. It sees `Services` and nothing behind it."""

from __future__ import annotations

from typing import Final

from fastapi import FastAPI, Request
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response

from dashboards.api import live, metrics, openapi, rooms
from dashboards.services import Services
from dashboards.shell import problems
from dashboards.shell.access import LoopbackOnly, StrictHeaders
from dashboards.shell.page import declared
from dashboards.shell.problems import AnswerError
from dashboards.shell.rendering import Pages, file_answer

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

    @app.get("/static/{name:path}", include_in_schema=False)
    async def static(request: Request, name: str) -> Response:
        answer = file_answer(name, by_digest=bool(request.query_params.get("v")))
        if answer is None:
            raise AnswerError(404, "There is nothing at this address.", where=request.url.path)
        return answer

    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
    app.add_middleware(LoopbackOnly, public_address=services.actions.public_address if services.actions else "")
    app.add_middleware(StrictHeaders)
    return app
