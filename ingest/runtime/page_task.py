"""The page's server as a task of the daemon or the office: its application made and its socket served."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import structlog

from dashboards.services import Services

if TYPE_CHECKING:
    from ingest.runtime.page import PageServer

_log = structlog.get_logger("lumberroom")

AppFactory = Callable[[Services], Any]
"""Makes the web application (an ASGI app) over the services."""

Ready = Callable[[str], None]
"""Told the page's address once everything runs."""


class RunningPage:
    """The page's server and its task."""

    def __init__(self, server: PageServer, serving: asyncio.Task[None]) -> None:
        self._server = server
        self._serving = serving

    @classmethod
    async def started(
        cls,
        factory: AppFactory,
        services: Services,
        listener: socket.socket,
        options: Mapping[str, Any] | None = None,
    ) -> RunningPage:
        """Make the application and serve it. What it needs is imported here: it takes its time.

        options: further ones for the server.
        """
        server = await asyncio.to_thread(_make_server, factory, services, options)
        serving = asyncio.create_task(server.serve(listener), name="page")
        serving.add_done_callback(_page_ended)
        return cls(server, serving)

    async def stop(self) -> None:
        """Stop serving, after the requests under way."""
        self._server.stop()
        await self._serving


def _make_server(factory: AppFactory, services: Services, options: Mapping[str, Any] | None) -> PageServer:
    from ingest.runtime.page import PageServer

    return PageServer(factory(services), options)


def _page_ended(serving: asyncio.Task[None]) -> None:
    if not serving.cancelled() and (error := serving.exception()) is not None:
        _log.error("the page's server failed; the rest keeps running", exc_info=error)
