"""The mail catcher: a real SMTP server on this computer alone, which keeps what the daemon sends for the page to show.

Nothing is passed on to anybody. Caught mail is kept in a file beside the store, so that a second run still shows it.
"""

from __future__ import annotations

import asyncio
import base64
import json
from collections import deque
from collections.abc import Callable
from dataclasses import asdict
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default as mail_policy
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from aiosmtpd.smtp import SMTP, Envelope, Session

from dashboards.services import CaughtMail
from ingest.clock import Clock

FILE_NAME: Final = "caught-mail.jsonl"
KEPT: Final = 200
LARGEST_BYTES: Final = 2_000_000


class MailCatcher:
    """An SMTP server on a free loopback port: `async with MailCatcher(...) as catcher: catcher.port`."""

    def __init__(self, directory: Path, clock: Clock, told: Callable[[CaughtMail], None] | None = None) -> None:
        """Keep mail in `directory`, which must exist, stamped by `clock`.  told: called with each caught mail."""
        self._told = told
        self._path = directory / FILE_NAME
        self._clock = clock
        self._caught: deque[CaughtMail] = deque(_read(self._path), maxlen=KEPT)
        self._server: asyncio.Server | None = None
        self.port = 0

    def mails(self) -> tuple[CaughtMail, ...]:
        """Give what was caught, oldest first, the last `KEPT` of them."""
        return tuple(self._caught)

    async def __aenter__(self) -> MailCatcher:
        loop = asyncio.get_running_loop()

        def protocol() -> asyncio.Protocol:
            made: asyncio.Protocol = SMTP(
                self, hostname="localhost", ident="lumberroom demonstration", data_size_limit=LARGEST_BYTES, loop=loop
            )
            return made

        self._server = await loop.create_server(protocol, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802 (aiosmtpd's name)
        """Keep one mail; called by the SMTP server, whose client learns by the answer that it was taken."""
        content = envelope.content if isinstance(envelope.content, bytes) else str(envelope.content).encode()
        number = self._caught[-1].number + 1 if self._caught else 1
        mail = _opened(content, number, self._clock.now_ms(), envelope)
        await asyncio.to_thread(_append, self._path, mail)
        self._caught.append(mail)
        if self._told is not None:
            self._told(mail)
        return "250 caught; nobody else gets it"


def _opened(content: bytes, number: int, at_ms: int, envelope: Envelope) -> CaughtMail:
    message = message_from_bytes(content, policy=mail_policy)
    assert isinstance(message, EmailMessage)
    return CaughtMail(
        number=number,
        at_ms=at_ms,
        sender=str(envelope.mail_from or ""),
        recipient=", ".join(str(address) for address in envelope.rcpt_tos),
        subject=str(message["subject"] or ""),
        text=_part(message, "plain") or "",
        html=_with_pictures(message, _part(message, "html")),
    )


def _with_pictures(message: EmailMessage, html: str | None) -> str | None:
    """Put a mail's inline pictures into its HTML, which is shown by itself."""
    if html is None:
        return None
    for part in message.walk():
        cid = str(part["Content-ID"] or "").strip("<> ")
        if cid and part.get_content_type() == "image/png":
            coded = base64.b64encode(part.get_payload(decode=True) or b"").decode()  # type: ignore[arg-type]
            html = html.replace(f"cid:{cid}", f"data:image/png;base64,{coded}")
    return html


def _part(message: EmailMessage, kind: str) -> str | None:
    part = message.get_body(preferencelist=(kind,))
    return None if part is None else str(part.get_content()).replace("\r\n", "\n")


def _append(path: Path, mail: CaughtMail) -> None:
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps(asdict(mail), ensure_ascii=False) + "\n")


def _read(path: Path) -> list[CaughtMail]:
    """Give the mail of earlier runs; a line that a power cut left half written is passed over."""
    if not path.exists():
        return []
    mails = []
    for line in path.read_text(encoding="utf-8").splitlines()[-KEPT:]:
        try:
            fields: dict[str, Any] = json.loads(line)
            mails.append(CaughtMail(**fields))
        except (ValueError, TypeError):
            continue
    return mails
