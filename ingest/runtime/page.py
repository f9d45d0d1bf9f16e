"""The page's server: uvicorn inside the daemon, on a socket that we bound ourselves, leaving the signals alone."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Generator, Mapping
from typing import Any, Final

import uvicorn

GRACE_S: Final = 2
"""How long requests that are under way may take when the daemon stops."""


class _QuietServer(uvicorn.Server):
    """A server that leaves SIGTERM and SIGINT to the daemon."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        """Capture none."""
        yield


class PageServer:
    """Serves one application on one socket.  options: further ones of uvicorn's."""

    def __init__(self, app: Any, options: Mapping[str, Any] | None = None) -> None:
        self._server = _QuietServer(
            uvicorn.Config(
                app,
                log_config=None,
                access_log=False,
                lifespan="off",
                ws="none",
                server_header=False,
                proxy_headers=False,  # nobody is believed who says on whose behalf he asks
                timeout_graceful_shutdown=GRACE_S,
                **(options or {}),
            )
        )

    async def serve(self, listener: socket.socket) -> None:
        """Serve until `stop`."""
        await self._server.serve(sockets=[listener])

    def stop(self) -> None:
        """Ask the server to stop: no new requests, those under way get `GRACE_S` seconds."""
        self._server.should_exit = True
