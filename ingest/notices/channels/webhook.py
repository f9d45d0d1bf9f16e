"""Notices as web hooks: a signed JSON body posted to an address of the user's own.

The body is the one JSON form of notices (`ingest.notices.notice_json`). Each request carries three headers:
`Lumberroom-Notice`, the notice's number, the same when it is sent again, so that a receiver can tell;
`Lumberroom-Sent`, our clock in seconds; `Lumberroom-Signature`, "sha256=" and the hexadecimal HMAC-SHA256 (RFC 2104),
under the shared secret, of the text of `Lumberroom-Sent`, a full stop, and the body. A receiver checks the signature in
constant time and refuses what was sent more than some minutes ago. Redirections are not followed: what is signed for
one address is for no other.
"""

from __future__ import annotations

import hashlib
import hmac
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from ingest.notices.channels.channel import Later, Outcome, Refused, Sent
from ingest.notices.channels.web import NoAnswerError, NoSuchServerError, NotTrustedError, answer
from ingest.notices.letters.story import one_line
from ingest.notices.letters.writing import Writer
from ingest.notices.notice_json import as_bytes
from ingest.site.incidents import Notice

REFUSED_FOR_GOOD: Final = frozenset({400, 405, 410, 413, 415, 422})
"""Answers by which the other side says that it will never take this notice; every other failure is tried again."""


@dataclass(frozen=True, slots=True)
class WebhookSettings:
    """One address to post to.

    name: ours, for the page and the outbox.  address: http or https.  secret: for the signature, never printed.
    ca_file: certificates to trust instead of the system's.  timeout_s: for the whole exchange (s).
    trouble: why it cannot work as set up, or empty.
    """

    name: str
    address: str
    secret: str = field(default="", repr=False)
    ca_file: Path | None = None
    timeout_s: float = 15.0
    trouble: str = ""


class WebhookChannel:
    """Posts notices; satisfies `channel.Channel`. A notice's recipient is the name of an address."""

    def __init__(self, hooks: Mapping[str, WebhookSettings], writer: Writer) -> None:
        """Take the hooks by name.  writer: gives what goes along with a notice."""
        self.hooks = dict(hooks)
        self._writer = writer

    async def send(self, notice: Notice) -> Outcome:
        """Sign and post a notice."""
        hook = self.hooks.get(notice.recipient)
        if hook is None:
            return Later(f"No web hook called {notice.recipient!r} is set up. Set it up in the settings file.")
        if hook.trouble:
            return Later(hook.trouble)
        body = as_bytes(notice, self._writer.links_beside(notice))
        try:
            status, said = await answer(
                "POST",
                hook.address,
                timeout_s=hook.timeout_s,
                body=body,
                headers=headers_of(notice, body, hook.secret),
                ca_file=hook.ca_file,
            )
        except NoAnswerError as error:
            return Later(_trouble(hook, error))
        return _outcome(hook, status, said)


def headers_of(notice: Notice, body: bytes, secret: str, sent_s: int | None = None) -> dict[str, str]:
    """Give the headers of a request, its signature among them.  sent_s: seconds since 1970, now unless given."""
    sent = str(int(time.time()) if sent_s is None else sent_s)
    return {
        "Content-Type": "application/json; charset=utf-8",
        "User-Agent": "lumberroom",
        "Lumberroom-Notice": str(notice.number),
        "Lumberroom-Sent": sent,
        "Lumberroom-Signature": f"sha256={signature(secret, sent, body)}",
    }


def signature(secret: str, sent: str, body: bytes) -> str:
    """Give the hexadecimal HMAC-SHA256 of a request.  sent: the text of its `Lumberroom-Sent`."""
    return hmac.new(secret.encode(), sent.encode() + b"." + body, hashlib.sha256).hexdigest()


def _outcome(hook: WebhookSettings, status: int, said: str) -> Outcome:
    told = one_line(f"{status} {said}").strip().rstrip(".")
    if 200 <= status < 300:
        return Sent()
    if status in REFUSED_FOR_GOOD:
        return Refused(f"The web hook {hook.name} refuses this notice for good: {told}.")
    if 300 <= status < 400:
        return Later(
            f"The web hook {hook.name} answers from another address ({told}). Give that one in the settings file."
        )
    if status in (401, 403, 404):
        return Later(
            f"The web hook {hook.name} answers {told}. Check its address and secret. It is tried again by itself."
        )
    return Later(f"The web hook {hook.name} could not take it just now: {told}. It is tried again by itself.")


def _trouble(hook: WebhookSettings, error: NoAnswerError) -> str:
    host = urlsplit(hook.address).netloc.rpartition("@")[2]
    if isinstance(error, NotTrustedError):
        return f"The certificate of {host} is not trusted ({error}). If the server is your own, set ca_file."
    if isinstance(error, NoSuchServerError):
        return f"No server called {host} is found. Check the address of the web hook {hook.name}."
    return f"The web hook {hook.name} does not reach {host} ({error}). It is tried again by itself."
