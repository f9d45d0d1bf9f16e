"""Web hooks against a real HTTP server: what is posted, how it is signed, what becomes of each answer."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import hmac
import json
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import trustme

from ingest.clock import SystemClock
from ingest.notices.channels.channel import Later, Refused, Sent
from ingest.notices.channels.webhook import WebhookChannel, WebhookSettings
from ingest.notices.letters.writing import Writer
from ingest.notices.outbox import enqueue
from ingest.notices.postman import Postman
from ingest.notices.recipients import Recipient
from ingest.site.actor import WATCH
from ingest.site.incidents import NoticeState

SECRET = "walnut and cherry"
T0_MS = 1_795_600_800_000


@dataclass
class Receiver:
    """An HTTP server that notes what is posted.  answers: the next statuses, then 204."""

    address: str = ""
    answers: list[int] = field(default_factory=list)
    taken: list[tuple[dict[str, str], bytes]] = field(default_factory=list)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """A receiver on loopback."""
    held = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            held.taken.append((dict(self.headers), body))
            status = held.answers.pop(0) if held.answers else 204
            self.send_response(status)
            if 300 <= status < 400:
                self.send_header("Location", "http://127.0.0.1:1/elsewhere")
            self.end_headers()

        def log_message(self, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    held.address = f"http://127.0.0.1:{server.server_port}/hooks/wood?site=1"
    yield held
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def noticed(store, site, incident) -> Callable[[], object]:
    """Put a notice for the hook "office" into the outbox, and give it back."""

    def put() -> object:
        with store.transaction() as work:
            work.put_incident(incident, at_ms=T0_MS, by=WATCH)
            enqueue(work, [incident], site, [Recipient("office", channel="webhook")], now_ms=T0_MS)
        return store.read.notices()[-1]

    return put


def channel(receiver: Receiver, page_address: str = "", **more) -> WebhookChannel:
    """Give a channel to the receiver."""
    settings = WebhookSettings("office", receiver.address, SECRET, timeout_s=2.0, **more)
    return WebhookChannel({"office": settings}, Writer(page_address))


async def test_a_notice_is_posted_signed_and_says_all(receiver, noticed) -> None:
    """The body says what the mail says, in fields and in words; the signature is the HMAC of RFC 2104 over it."""
    assert await channel(receiver, page_address="http://store.example:8430/").send(noticed()) == Sent()
    [(headers, body)] = receiver.taken
    said = json.loads(body)
    assert (said["room"], said["kind"], said["incident"]["worst_value"]) == ("store", "opened", 61.26)
    assert said["subject"] == "Plank store too damp: RH 61.3 %, limit 55 %"
    assert said["link"] == "http://store.example:8430/rooms/store"
    assert "What to check first" in said["text"]
    assert headers["Lumberroom-Notice"] == str(said["notice"])
    mine = hmac.new(SECRET.encode(), headers["Lumberroom-Sent"].encode() + b"." + body, hashlib.sha256).hexdigest()
    assert headers["Lumberroom-Signature"] == f"sha256={mine}"


@pytest.mark.parametrize(
    ("status", "kind", "word"),
    [
        (200, Sent, ""),
        (302, Later, "another address"),
        (403, Later, "Check its address and secret"),
        (410, Refused, "for good"),
        (422, Refused, "for good"),
        (429, Later, "tried again"),
        (503, Later, "tried again"),
    ],
)
async def test_each_answer_has_its_meaning(receiver, noticed, status: int, kind: type, word: str) -> None:
    """Taken, later or never, by the status; a redirection is not followed."""
    receiver.answers = [status]
    outcome = await channel(receiver).send(noticed())
    assert isinstance(outcome, kind)
    assert word in getattr(outcome, "reason", "")
    assert len(receiver.taken) == 1


async def test_troubles_on_the_way_are_told_with_their_mend(receiver, noticed, authority: trustme.CA) -> None:
    """Nobody there, no such name, an untrusted certificate, no such hook: put off, and the sentence says why."""
    notice = noticed()

    async def reason(address: str) -> str:
        hook = WebhookSettings("office", address, SECRET, timeout_s=2.0)
        outcome = await WebhookChannel({"office": hook}, Writer()).send(notice)
        assert isinstance(outcome, Later)
        assert SECRET not in outcome.reason
        return outcome.reason

    assert "does not reach 127.0.0.1:1" in await reason("http://127.0.0.1:1/")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    server = await asyncio.start_server(lambda reader, writer: writer.close(), "127.0.0.1", 0, ssl=context)
    port = server.sockets[0].getsockname()[1]
    assert "is not trusted" in await reason(f"https://127.0.0.1:{port}/")
    server.close()
    assert isinstance(await WebhookChannel({}, Writer()).send(notice), Later)


async def test_a_certificate_of_ones_own_is_trusted_when_named(noticed, authority: trustme.CA, ca_file: Path) -> None:
    """With ca_file set, the notice goes over TLS."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("127.0.0.1").configure_cert(context)

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(take, "127.0.0.1", 0, ssl=context)
    port = server.sockets[0].getsockname()[1]
    hook = WebhookSettings("office", f"https://127.0.0.1:{port}/", SECRET, ca_file=ca_file, timeout_s=2.0)
    assert await WebhookChannel({"office": hook}, Writer()).send(noticed()) == Sent()
    server.close()


async def test_the_postman_tries_a_hook_again_until_it_has_taken(receiver, noticed, store) -> None:
    """A receiver that is down at first gets its notice once, with the number that lets it tell a repetition."""
    receiver.answers = [503]
    noticed()
    postman = Postman(store, SystemClock(), {"webhook": channel(receiver)})
    running = asyncio.create_task(postman.run())
    while not receiver.taken:
        await asyncio.sleep(0.01)
    while not store.read.notices()[0].attempts:
        await asyncio.sleep(0.01)
    [waiting] = store.read.notices()
    assert (waiting.state, waiting.attempts) == (NoticeState.WAITING, 1)
    assert "503" in waiting.last_error
    running.cancel()
    await asyncio.wait([running])


async def test_a_receiver_that_drips_is_given_up_within_the_stated_time(noticed) -> None:
    """A byte of the answer every tenth of a second, for ever: given up, and tried again later."""

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        with contextlib.suppress(ConnectionError):
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n")
            while True:
                writer.write(b"x")
                await writer.drain()
                await asyncio.sleep(0.1)
        writer.close()

    server = await asyncio.start_server(drip, "127.0.0.1", 0)
    address = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/"
    settings = WebhookSettings("office", address, SECRET, timeout_s=0.5)
    notice = noticed()
    async with asyncio.timeout(3):
        outcome = await WebhookChannel({"office": settings}, Writer("")).send(notice)
    assert isinstance(outcome, Later)
    assert "no answer within 0.5 s" in outcome.reason
    await asyncio.sleep(0.3)  # the dripping ends when it finds nobody there
    server.close()
    await server.wait_closed()
