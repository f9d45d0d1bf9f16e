"""A mail server's inside that notes when each incident's mail was accepted. No test."""

from __future__ import annotations

import re
import time

from aiosmtpd.smtp import SMTP, Envelope, Session


class Catcher:
    """accepted_ms: by incident, when its first mail was accepted (UTC)."""

    def __init__(self) -> None:
        self.accepted_ms: dict[str, int] = {}

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        """Take a mail."""
        assert isinstance(envelope.content, bytes)
        found = re.search(rb"(?im)^Message-ID:\s*<(r\d+\.window\.\d{8}T\d{9}Z)\.", envelope.content)
        if found:
            self.accepted_ms.setdefault(found[1].decode(), time.time_ns() // 1_000_000)
        return "250 OK"
