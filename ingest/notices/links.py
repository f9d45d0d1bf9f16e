"""Signed links: what somebody may do about an incident straight from a notice, without logging in anywhere.

A link carries what it is for (incident, action, recipient, until when) and an HMAC-SHA256 (RFC 2104) over exactly that,
under a key that stays on this computer. Whoever holds the link may do this one thing until it expires; nobody can make
one, change one or learn another from it. Opening a link does nothing: mail programs and scanners open links by
themselves. The page asks, and the answer is a POST.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import enum
import hashlib
import hmac
import json
import os
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ingest.errors import RefusedError, StorageError
from ingest.present.mail_look import Action

KEY_FILE: Final = "links.key"
KEY_BYTES: Final = 32
VALID_MS: Final = 7 * 24 * 3_600_000
"""For how long a link is good, from the notice on (our choice)."""

PATH: Final = "/action/"
LONGEST_TOKEN: Final = 1000
_DOMAIN: Final = b"lumberroom action 1\n"  # so that a signature over anything else can never pass for one


class LinkKind(enum.Enum):
    """What a link can do: a closed list."""

    ACKNOWLEDGE = "acknowledge"
    MUTE_4_HOURS = "quiet-4h"
    MUTE_24_HOURS = "quiet-24h"
    TRIAL = "trial"  # nothing: for trying whether links arrive


WORDINGS: Final = {
    LinkKind.ACKNOWLEDGE: "Acknowledge",
    LinkKind.MUTE_4_HOURS: "Mute alerts for 4 hours",
    LinkKind.MUTE_24_HOURS: "Mute alerts for 24 hours",
    LinkKind.TRIAL: "Try this link",
}
MUTE_MS: Final = {LinkKind.MUTE_4_HOURS: 4 * 3_600_000, LinkKind.MUTE_24_HOURS: 24 * 3_600_000}
"""For how long an action mutes alerts, counted from when it is done."""

OFFERED: Final = (LinkKind.ACKNOWLEDGE, LinkKind.MUTE_4_HOURS, LinkKind.MUTE_24_HOURS)


@dataclass(frozen=True, slots=True)
class LinkAction:
    """What a link is for.  incident: its id.  who: to whom it was sent.  until_ms: good before this instant (UTC)."""

    incident: str
    kind: LinkKind
    who: str
    until_ms: int


class Links:
    """Makes and reads links.  key: secret.  address: of the pages as the world reaches them, empty for nowhere."""

    def __init__(self, key: bytes, address: str = "") -> None:
        if len(key) < KEY_BYTES:
            raise ValueError(f"a key needs {KEY_BYTES} bytes, not {len(key)}")
        self._key = key
        self.address = address.rstrip("/")

    def sign(self, action: LinkAction) -> str:
        """Give the token of an action: its content and its signature, fit for an address."""
        content = json.dumps([action.incident, action.kind.value, action.who, action.until_ms], separators=(",", ":"))
        return f"{_coded(content.encode())}.{_coded(self._signature(content.encode()))}"

    def read(self, token: str, now_ms: int) -> LinkAction:
        """Give the action of a token.

        Raises RefusedError where we did not sign it, or it has expired; the two are told apart only for our own.
        """
        content = self._checked(token)
        if content is None:
            raise RefusedError(
                "this link is not one of ours, or it was cut short on its way",
                where="the address",
                mend="Open it from the mail again, whole.",
            )
        incident, kind, who, until_ms = json.loads(content)
        if now_ms >= until_ms:
            raise RefusedError(
                "this link has expired",
                where="the address",
                mend="Take the one of a newer mail, or the page on the computer itself.",
            )
        return LinkAction(incident, LinkKind(kind), who, until_ms)

    def actions(self, incident: str, who: str, now_ms: int, kinds: Sequence[LinkKind] = OFFERED) -> tuple[Action, ...]:
        """Give the links to put into a notice that was committed at `now_ms`; none where the pages reach nobody."""
        if not self.address:
            return ()
        actions = [LinkAction(incident, kind, who, now_ms + VALID_MS) for kind in kinds]
        return tuple(Action(WORDINGS[action.kind], f"{self.address}{PATH}{self.sign(action)}") for action in actions)

    def _checked(self, token: str) -> bytes | None:
        content_coded, dot, signature_coded = token.partition(".")
        if not dot or len(token) > LONGEST_TOKEN:
            return None
        content, signature = _decoded(content_coded), _decoded(signature_coded)
        if content is None or signature is None:
            return None
        return content if hmac.compare_digest(signature, self._signature(content)) else None

    def _signature(self, content: bytes) -> bytes:
        return hmac.new(self._key, _DOMAIN + content, hashlib.sha256).digest()


def key_of(directory: Path) -> bytes:
    """Give the key of a data directory, made on the first use, readable by its owner only. Blocks.

    Raises StorageError where it cannot be read or made.
    """
    path = directory / KEY_FILE
    try:
        with contextlib.suppress(FileExistsError):
            _make(path)
        found = path.read_bytes()
        if path.stat().st_mode & 0o077:
            path.chmod(0o600)
    except OSError as error:
        raise StorageError(
            f"the key for links cannot be read or made ({error.strerror})",
            where=str(path),
            mend="Give the file to the user that runs lumberroom, or delete it: a new one is made.",
        ) from error
    if len(found) < KEY_BYTES:
        raise StorageError(
            "the key for links is too short", where=str(path), mend="Delete the file: a new key is made."
        )
    return found


def _make(path: Path) -> None:
    """Write a new key whole, or not at all: half a key after a power cut would make every link a stranger."""
    if path.exists():
        raise FileExistsError(path)
    aside = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(secrets.token_bytes(KEY_BYTES))
            file.flush()
            os.fsync(file.fileno())
        os.link(aside, path)  # fails where another process was quicker
    finally:
        aside.unlink()


def _coded(content: bytes) -> str:
    return base64.urlsafe_b64encode(content).rstrip(b"=").decode()


def _decoded(text: str) -> bytes | None:
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        return None
