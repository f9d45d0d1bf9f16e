"""Who may ask, and what every answer carries: loopback only for now, strict headers always.

Until people and roles exist, the pages are for somebody sitting at this computer (or arriving through a tunnel that
ends on it). Three locks hold that: the settings refuse to listen elsewhere, a connection that
nevertheless reached another address is refused, and so is a request whose Host header names another machine. The last
one stops a page on the internet from reading this one through a name that it points at 127.0.0.1 (DNS rebinding).
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

PAGE_POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "font-src 'self'",
        "connect-src 'self'",
        "frame-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
"""What a page of ours may load and run: our own files, nothing inline, nothing evaluated, nobody's frame."""

CAUGHT_MAIL_POLICY: Final = "; ".join(
    (
        "sandbox allow-same-origin",
        "default-src 'none'",
        "style-src 'unsafe-inline'",
        "img-src data:",
        "form-action 'none'",
        "base-uri 'none'",
        "frame-ancestors 'self'",
    )
)
"""For the HTML of a caught mail, shown in a frame: no script, form or plug-in at all, nothing fetched. It keeps its
origin so that the page around it can measure how tall it is."""

STRICT_HEADERS: Final[tuple[tuple[str, str], ...]] = (
    ("Content-Security-Policy", PAGE_POLICY),
    ("X-Content-Type-Options", "nosniff"),
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
    ("Cache-Control", "no-store"),
)
"""What every answer carries."""

PUBLIC: Final = {"/action/": ("GET", "POST"), "/static/": ("GET",)}
"""What is let through under the public name: beginnings of paths, and by which methods."""

_HOST: Final = re.compile(r"(?P<name>\[[0-9a-fA-F:.]+\]|[^:\[\]]+)(?::\d{1,5})?")
_BEARER: Final = re.compile(r"Bearer +(?P<token>[A-Za-z0-9._~+/=-]{1,512})", re.IGNORECASE)


def is_loopback(name: str) -> bool:
    """Say whether a host name or address means this very computer: localhost, 127.0.0.0/8 or ::1."""
    bare = name.strip("[]").rstrip(".").lower()
    if bare == "localhost":
        return True
    try:
        return ipaddress.ip_address(bare).is_loopback
    except ValueError:
        return False


def bearer_token(authorization: str | None) -> str | None:
    """Give the token of an `Authorization: Bearer ...` header (RFC 6750, section 2.1), or None."""
    found = _BEARER.fullmatch(authorization.strip()) if authorization else None
    return found["token"] if found else None


def comes_from_here(headers: Headers) -> bool:
    """Say whether a request that changes something was sent by a page of ours, as its browser says.

    Browsers put that beyond a page's reach (Fetch Metadata, and RFC 6454 section 7.3). One that says neither is no
    browser of these years, and is refused.
    """
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    scheme, mark, host = headers.get("origin", "").partition("://")
    return bool(mark) and scheme in ("http", "https") and host.lower() == headers.get("host", "").lower()


class LoopbackOnly:
    """Lets a request through when it came to a loopback address and names one in its Host header.

    public_address: where a proxy on this computer takes requests for us; under its name nothing is let through but
    what `PUBLIC` lists: the pages of signed links, each of which carries its own proof, and what they are drawn with.
    """

    def __init__(self, app: ASGIApp, public_address: str = "") -> None:
        self.app = app
        self.public_name = (urlsplit(public_address).hostname or "").lower()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or answer 403 (reached from outside) or 421 (a Host that is not this computer)."""
        refusal = _refusal(scope, self.public_name) if scope["type"] == "http" else None
        await (refusal or self.app)(scope, receive, send)


def _refusal(scope: Scope, public_name: str) -> PlainTextResponse | None:
    server = scope.get("server")
    if server and _is_foreign_address(str(server[0])):
        return PlainTextResponse("These pages answer only on this computer's own loopback address.\n", 403)
    headers = Headers(scope=scope)
    host = _HOST.fullmatch(headers.get("host", ""))
    if host is not None and public_name and host["name"].lower() == public_name and _is_public(scope):
        return None
    if host is None or not is_loopback(host["name"]):
        return PlainTextResponse(
            "Ask for http://127.0.0.1 or http://localhost; this host name is not served here.\n", 421
        )
    # A proxy of this computer passes strangers on from a loopback address, often under a name of its own choosing; but
    # proxies say that they are there, and a browser or program here does not.
    if any(name in headers for name in PROXIED):
        return PlainTextResponse(
            "These pages are not served through a proxy. For links in mails see public_address in the settings file.\n",
            403,
        )
    return None


PROXIED: Final = ("forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip")
"""Headers by which proxies say that they pass a request on (RFC 7239, RFC 9110 section 7.6.3, and common practice)."""


def _is_public(scope: Scope) -> bool:
    method, path = scope["method"], str(scope["path"])
    return any(method in methods and path.startswith(beginning) for beginning, methods in PUBLIC.items())


def _is_foreign_address(address: str) -> bool:
    try:
        return not ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False  # a Unix socket, or a name: the Host header decides


class StrictHeaders:
    """Adds the security headers to every answer; one that an answer has set itself is left alone."""

    def __init__(self, app: ASGIApp, headers: Iterable[tuple[str, str]] = STRICT_HEADERS) -> None:
        self.app = app
        self.headers = tuple(headers)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, completing the answer's headers on the way out."""

        async def completed(message: Message) -> None:
            if message["type"] == "http.response.start":
                present = MutableHeaders(scope=message)
                for name, value in self.headers:
                    present.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, completed)
