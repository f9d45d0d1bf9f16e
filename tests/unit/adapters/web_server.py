"""A web server for tests that answers as it is told, well or badly."""

from __future__ import annotations

import asyncio
import contextlib
import ssl

JSON_TYPE = "application/json"


class WebServer:
    """Answers every request with `status`, `kind` and `body`; `seen` are the heads of the requests."""

    def __init__(self, body: bytes = b"{}", kind: str = JSON_TYPE) -> None:
        self.status, self.body, self.kind, self.extra = 200, body, kind, ""
        self.dribble_s = 0.0
        self.seen: list[str] = []
        self.port = 0
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()

    async def start(self, tls: ssl.SSLContext | None = None) -> None:
        """Listen, on the same port as before."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port, ssl=tls)
        self.port = self._server.sockets[0].getsockname()[1]

    async def end(self) -> None:
        """Stop, and drop every connection."""
        assert self._server
        self._server.close()
        for writer in list(self._writers):
            writer.transport.abort()
        await asyncio.sleep(0)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                self.seen.append((await reader.readuntil(b"\r\n\r\n")).decode())
                head = f"HTTP/1.1 {self.status} As-Told\r\nContent-Type: {self.kind}\r\n{self.extra}"
                writer.write(f"{head}Content-Length: {len(self.body)}\r\n\r\n".encode())
                for at in range(0, len(self.body), 1 if self.dribble_s else max(1, len(self.body))):
                    writer.write(self.body[at : at + 1] if self.dribble_s else self.body)
                    await writer.drain()
                    await asyncio.sleep(self.dribble_s)
        self._writers.discard(writer)
        writer.close()
