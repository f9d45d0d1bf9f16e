"""Mail by SMTP: plain, STARTTLS or TLS, with login; every failure becomes a sentence that says how to mend it.

A failure before the message is handed over (address, certificate, login) closes the way for all mail, and is tried
again until somebody has mended it. An answer about this message is taken by its code (RFC 5321, section 4.2.1): 4xx is
tried again, 5xx is refused for good.
"""

from __future__ import annotations

import asyncio
import re
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from pathlib import Path
from typing import Final, Literal, Protocol

import aiosmtplib

from ingest.notices.channels.channel import Later, Outcome, Refused, Sent
from ingest.notices.letters.compose import Beside, compose
from ingest.notices.letters.story import one_line
from ingest.notices.letters.writing import Writer
from ingest.site.incidents import Notice

Security = Literal["starttls", "tls", "none"]

LOGIN_NEEDED: Final = frozenset({530, 534, 535, 538})
"""Answers that are about who we are and not about the message (RFC 4954, section 6)."""


@dataclass(frozen=True, slots=True)
class MailSettings:
    """How mail goes out.

    security: "starttls" (usual with port 587), "tls" (465) or "none" (a server on the same machine).
    password: already read from the environment or a credential file; never printed.  ca_file: certificates to trust
    instead of the system's.  timeout_s: for each step of the conversation (s).  trouble: why mail cannot go out as
    things are set up (a sentence), or empty.
    """

    server: str
    sender: str
    port: int = 587
    security: Security = "starttls"
    login: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    timeout_s: float = 20.0
    trouble: str = ""

    @property
    def where(self) -> str:
        """The server as people name it."""
        return f"{self.server} port {self.port}"


class Composer(Protocol):
    """Writes the mail of a notice. Raises ValueError where an address cannot stand in a mail."""

    def __call__(self, notice: Notice, *, sender: str, beside: Beside) -> EmailMessage: ...


class MailChannel:
    """Delivers notices as mail; satisfies `channel.Channel`."""

    def __init__(self, settings: MailSettings, writer: Writer | None = None, composer: Composer = compose) -> None:
        """Take the settings.  writer: gives what goes along with a notice.  composer: writes the mail."""
        self.settings = settings
        self._writer = writer or Writer()
        self._compose = composer

    async def send(self, notice: Notice) -> Outcome:
        """Write and deliver the mail of a notice."""
        if self.settings.trouble:
            return Later(self.settings.trouble, way_closed=True)
        try:
            beside = await self._writer.beside(notice)
            message = self._compose(notice, sender=self.settings.sender, beside=beside)
        except ValueError as error:
            return Refused(f"The mail could not be written: {error}. Mend the address in the settings file.")
        return await self.deliver(message)

    async def deliver(self, message: EmailMessage) -> Outcome:
        """Hand a message to the server, in a connection of its own."""
        try:
            client = await self._connected()
        except (aiosmtplib.SMTPException, OSError, ValueError) as error:
            return Later(trouble_sentence(error, self.settings), way_closed=True)
        try:
            await client.send_message(message)
        except (aiosmtplib.SMTPException, OSError) as error:
            return _about_message(error, self.settings)
        except ValueError as error:
            return Refused(f"The mail could not be put on its way: {one_line(str(error))}.")
        finally:
            # A polite QUIT would only cost time: what was accepted is accepted (RFC 5321, section 6.1).
            client.close()
        return Sent()

    async def _connected(self) -> aiosmtplib.SMTP:
        """Connect, secure the connection, log in. Raises what aiosmtplib, ssl and socket raise."""
        settings = self.settings
        context = None if settings.security == "none" else await asyncio.to_thread(_trust, settings.ca_file)
        client = aiosmtplib.SMTP(
            hostname=settings.server,
            port=settings.port,
            timeout=settings.timeout_s,
            use_tls=settings.security == "tls",
            start_tls=False,
            tls_context=context,
            local_hostname=_own_name(),
        )
        try:
            await client.connect()
            if settings.security == "starttls":
                await client.starttls()
            if settings.login is not None:
                await client.login(settings.login, settings.password or "")
        except BaseException:
            client.close()
            raise
        return client


def trouble_sentence(error: Exception, settings: MailSettings) -> str:
    """Say what keeps all mail from going out, and how to mend it."""
    for cause in _causes(error):
        for kind, wording in _TROUBLES:
            if isinstance(cause, kind):
                return wording.format(
                    where=settings.where, server=settings.server, said=_said(cause), **_names(settings)
                )
    return f"The mail server {settings.where} could not be used: {_said(error)}. Check security and port. {_AGAIN}"


_AGAIN: Final = "It is tried again by itself."
_TROUBLES: Final[tuple[tuple[type[BaseException], str], ...]] = (
    (
        ssl.SSLCertVerificationError,
        "The certificate of {where} is not trusted ({said}). If the server is your own, set ca_file in the settings "
        "to the certificate of its authority; if not, check the server's name.",
    ),
    (
        ssl.SSLError,
        "No secure connection with {where} ({said}). Check port and security in the settings: starttls is usual on "
        "port 587, tls on 465.",
    ),
    (socket.gaierror, "No mail server called {server} is found. Check its name, and this machine's network. " + _AGAIN),
    (
        ConnectionRefusedError,
        "Nothing answers at {where}: the connection is refused. Check server and port in the settings, and whether "
        "the server is running. " + _AGAIN,
    ),
    (
        aiosmtplib.SMTPAuthenticationError,
        "The mail server {where} does not accept the login {login} ({said}). Check login and password; the password "
        "comes from the environment or a credential file, see the settings file.",
    ),
    (
        FileNotFoundError,
        "The certificate file {ca_file} is not there. Check ca_file in the settings file.",
    ),
    (PermissionError, "The certificate file {ca_file} may not be read. Check ca_file and its permissions."),
    (TimeoutError, "The mail server {where} gives no answer. Check server, port and firewall. " + _AGAIN),
)


def _about_message(error: Exception, settings: MailSettings) -> Outcome:
    """Tell what an answer about one message means."""
    code = _code(error)
    said = _said(error)
    if code in LOGIN_NEEDED:
        mend = "Set login and password in the settings file, or check them."
        return Later(f"The mail server {settings.where} wants a login ({said}). {mend}", way_closed=True)
    if code is not None and code >= 500:
        return Refused(f"The mail server {settings.server} refuses this mail for good: {said}.")
    if code is not None:
        return Later(f"The mail server {settings.server} wants to be asked again later: {said}.")
    return Later(f"The connection with {settings.where} broke while the mail was handed over: {said}. {_AGAIN}")


def _code(error: Exception) -> int | None:
    if isinstance(error, aiosmtplib.SMTPRecipientsRefused):
        return max(refusal.code for refusal in error.recipients)
    return error.code if isinstance(error, aiosmtplib.SMTPResponseException) else None


def _said(error: BaseException) -> str:
    if isinstance(error, aiosmtplib.SMTPRecipientsRefused):
        return "; ".join(_said(refusal) for refusal in error.recipients)
    if isinstance(error, aiosmtplib.SMTPResponseException):
        return one_line(f"{error.code} {error.message}").rstrip(".")
    if isinstance(error, ssl.SSLCertVerificationError):
        return one_line(error.verify_message).rstrip(".")
    return one_line(str(error) or type(error).__name__).rstrip(".")


def _causes(error: BaseException) -> Iterator[BaseException]:
    """Give an error's causes, innermost first: the innermost says what really happened."""
    chain: list[BaseException] = []
    found: BaseException | None = error
    while found is not None and found not in chain:
        chain.append(found)
        found = found.__cause__ or (None if found.__suppress_context__ else found.__context__)
    return reversed(chain)


def _names(settings: MailSettings) -> dict[str, object]:
    return {"login": settings.login or "(none)", "ca_file": settings.ca_file}


def _trust(ca_file: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except ssl.SSLError:
        raise ValueError(f"{ca_file} holds no certificate in PEM form; check ca_file in the settings file") from None


def _own_name() -> str:
    # The full name would cost a look-up that can hang for a minute where the network is half up.
    name = socket.gethostname()
    return name if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9.-]{0,62}", name) else "localhost"
