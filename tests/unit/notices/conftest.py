"""A real SMTP server with tempers, a store with a site in it, and notices to deliver."""

from __future__ import annotations

import asyncio
import email
import ssl
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
import trustme
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from ingest.notices.channels.mail import MailSettings
from ingest.notices.outbox import enqueue
from ingest.notices.recipients import Recipient
from ingest.site.actor import WATCH
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.store.sqlite_store import SqliteStore

PASSWORD = "oak and ash"
T0_MS = 1_795_600_800_000  # Wed 25 Nov 2026, 10:00 UTC


@dataclass
class Office:
    """A mail server.  answers: what it says to the next DATAs ("hang" for nothing at all), then it accepts."""

    port: int = 0
    taken: list[EmailMessage] = field(default_factory=list)
    answers: deque[str] = field(default_factory=deque)
    rcpt_answers: deque[str] = field(default_factory=deque)
    connections: int = 0
    server: asyncio.Server | None = None
    make: Callable[[], SMTP] | None = None

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.rcpt_answers and self.rcpt_answers[0] != "ok":
            return self.rcpt_answers.popleft()
        if self.rcpt_answers:
            self.rcpt_answers.popleft()
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        answer = self.answers.popleft() if self.answers else "250 OK"
        if answer == "hang":
            await asyncio.sleep(3600)
        if answer.startswith("250"):
            assert isinstance(envelope.content, bytes)
            message = email.message_from_bytes(envelope.content, policy=default)
            assert isinstance(message, EmailMessage)
            self.taken.append(message)
        return answer

    async def open(self) -> None:
        """Start listening, on the same port as before if there was one."""
        assert self.make is not None
        loop = asyncio.get_running_loop()
        self.server = await loop.create_server(self.make, "127.0.0.1", self.port)
        self.port = self.server.sockets[0].getsockname()[1]

    async def shut(self) -> None:
        """Stop listening."""
        assert self.server is not None
        self.server.close()
        self.server = None


@pytest.fixture(scope="session")
def authority() -> trustme.CA:
    """A certificate authority of our own."""
    return trustme.CA()


@pytest.fixture
def ca_file(authority: trustme.CA, tmp_path: Path) -> Path:
    """Its certificate, as a file."""
    path = tmp_path / "authority.pem"
    authority.cert_pem.write_to_path(str(path))
    return path


@pytest.fixture
async def office(authority: trustme.CA) -> AsyncIterator[Office]:
    """A mail server on loopback: STARTTLS and login required."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost").configure_cert(context)
    held = Office()
    sessions: list[SMTP] = []

    def authenticate(server: SMTP, session: Session, envelope: Envelope, mechanism: str, given: Any) -> AuthResult:
        good = isinstance(given, LoginPassword) and given.login == b"store" and given.password == PASSWORD.encode()
        return AuthResult(success=True) if good else AuthResult(success=False, handled=False)

    def make() -> SMTP:
        held.connections += 1
        session = SMTP(
            held, hostname="localhost", tls_context=context, require_starttls=True, authenticator=authenticate,
            auth_required=True, auth_exclude_mechanism=["LOGIN"], loop=asyncio.get_running_loop(),
        )  # fmt: skip
        sessions.append(session)
        return session

    held.make = make
    await held.open()
    yield held
    if held.server is not None:
        held.server.close()
    for session in sessions:
        # A closed TLS transport cannot be aborted in early releases of Python 3.11.
        if session.transport is not None and not session.transport.is_closing():
            session.transport.abort()
    for session in sessions:
        task = session._handler_coroutine
        if task is not None:
            task.cancel()
    await asyncio.sleep(0.02)


@pytest.fixture
def settings(office: Office, ca_file: Path) -> MailSettings:
    """Settings with which the office takes mail."""
    return MailSettings(
        server="localhost", port=office.port, sender="Timber store <store@example.org>", login="store",
        password=PASSWORD, ca_file=ca_file, timeout_s=2.0,
    )  # fmt: skip


@pytest.fixture
def site() -> Site:
    """An invented site of one room."""
    window = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0))
    room = Room("store", "Plank store", window, holds="oak boards, 20 mm, stickered")
    return Site(
        "Mill Lane (invented)", "Europe/Berlin", rooms=(room,), sensors=(Sensor("a", "store", title="north wall"),)
    )


@pytest.fixture
def incident() -> Incident:
    """An open incident of that room."""
    return Incident(
        "store.window.20261125T103000000Z", "store", "a", IncidentKind.WINDOW, T0_MS, T0_MS + 1_800_000,
        "RH has been above 55 %", None, "rh_percent", 55.0, 61.26, T0_MS + 900_000,
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A store of its own."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as opened:
        yield opened


@pytest.fixture
def post(store: SqliteStore, site: Site) -> Callable[..., list[int]]:
    """Put notices about incidents into the outbox, in one transaction with them."""

    def put(
        *incidents: Incident, to: tuple[str, ...] = ("floor@example.org",), now_ms: int = T0_MS + 1_800_000
    ) -> list[int]:
        with store.transaction() as work:
            for one in incidents:
                work.put_incident(one, at_ms=now_ms, by=WATCH)
            return enqueue(work, incidents, site, [Recipient(address) for address in to], now_ms=now_ms)

    return put
