"""The sign of life: asked for while the watch goes round, against a real HTTP server."""

from __future__ import annotations

import asyncio

from ingest.clock import DrivenClock
from ingest.notices.alive import SignOfLife


class Elsewhere:
    """A server that counts who asks.  answer: its status line."""

    def __init__(self, answer: str = "204 No Content") -> None:
        self.answer = answer
        self.asked: list[str] = []
        self.server: asyncio.Server | None = None

    async def open(self) -> str:
        """Start listening; give the address."""
        self.server = await asyncio.start_server(self._take, "127.0.0.1", 0)
        return f"http://127.0.0.1:{self.server.sockets[0].getsockname()[1]}/site/secret?x=1"

    def close(self) -> None:
        """Stop listening."""
        assert self.server is not None
        self.server.close()

    async def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r\n\r\n")
        self.asked.append(head.split(b"\r\n")[0].decode())
        writer.write(f"HTTP/1.1 {self.answer}\r\nConnection: close\r\nContent-Length: 0\r\n\r\n".encode())
        await writer.drain()
        writer.close()


async def test_a_sign_is_given_while_the_watch_goes_round() -> None:
    """The address is asked for as it stands, and the figures say when; a watch that stands still gives none."""
    elsewhere, clock, well = Elsewhere(), DrivenClock(), [True]
    sign = SignOfLife(await elsewhere.open(), clock, lambda: well[0])
    await sign.give()
    assert elsewhere.asked == ["GET /site/secret?x=1 HTTP/1.1"]
    assert sign.as_figures() == {"last_ms": clock.now_ms(), "trouble": ""}
    well[0] = False
    await sign.give()
    assert len(elsewhere.asked) == 1
    assert "does not go round" in str(sign.as_figures()["trouble"])
    elsewhere.close()


async def test_what_keeps_it_back_is_told_without_the_secret() -> None:
    """A server that refuses or is not there is told by its name alone."""
    elsewhere = Elsewhere("404 Not Found")
    sign = SignOfLife(await elsewhere.open(), DrivenClock(), lambda: True)
    await sign.give()
    assert "rejected by 127.0.0.1 with 404" in str(sign.as_figures()["trouble"])
    elsewhere.close()
    gone = SignOfLife("http://127.0.0.1:1/secret", DrivenClock(), lambda: True)
    await gone.give()
    assert "does not reach 127.0.0.1" in str(gone.as_figures()["trouble"])
    assert "secret" not in str(gone.as_figures())
