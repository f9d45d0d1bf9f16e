"""Notices published to an MQTT broker: the one JSON form, QoS 1, under a topic of the user's own.

Each site, room and kind has its own topic: `TOPIC/ROOM/KIND` (a collected notice or a digest: `TOPIC/site/KIND`).
Delivered means that the broker has acknowledged it (PUBACK; MQTT 5.0, section 4.3.2). Retained, the newest of each
topic is given to whoever subscribes later.
"""

from __future__ import annotations

import asyncio
import re
import socket
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from ingest.notices.channels.channel import Later, Outcome, Sent
from ingest.notices.letters.story import one_line
from ingest.notices.letters.writing import Writer
from ingest.notices.notice_json import as_bytes
from ingest.site.incidents import Notice

WHOLE_SITE: Final = "site"
"""In place of a room where a notice is about several."""


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """One broker to publish to.

    name: ours, for the page and the outbox.  topic: what the topics begin with.  retain: see above.  tls: encrypted.
    password: already read; never printed.  timeout_s: for each step.  trouble: why it cannot work, or empty.
    """

    name: str
    server: str
    port: int = 1883
    topic: str = "lumberroom/notices"
    retain: bool = False
    tls: bool = False
    login: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    timeout_s: float = 10.0
    trouble: str = ""

    @property
    def where(self) -> str:
        """The broker as people name it."""
        return f"{self.server} port {self.port}"


class _ClosingSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails, which the library leaves to chance."""

    def do_handshake(self, block: bool = False) -> None:
        """Shake hands, or close."""
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


class PublishChannel:
    """Publishes notices; satisfies `channel.Channel`. A notice's recipient is the name of a broker."""

    def __init__(self, brokers: Mapping[str, BrokerSettings], writer: Writer) -> None:
        """Take the brokers by name.  writer: gives what goes along with a notice."""
        self._brokers = dict(brokers)
        self._writer = writer

    async def send(self, notice: Notice) -> Outcome:
        """Publish a notice, in a connection of its own."""
        broker = self._brokers.get(notice.recipient)
        if broker is None:
            return Later(f"No broker called {notice.recipient!r} is set up. Set it up in the settings file.")
        if broker.trouble:
            return Later(broker.trouble)
        body = as_bytes(notice, self._writer.links_beside(notice))
        from aiomqtt import MqttError  # on use: most sites publish nowhere

        try:
            await _publish(broker, topic_of(broker.topic, notice), body)
        except (MqttError, OSError, ValueError) as error:
            return Later(_trouble(broker, error))
        return Sent()


def topic_of(beginning: str, notice: Notice) -> str:
    """Give the topic of a notice; rooms' ids have no character that means something in a topic."""
    room = re.sub(r"[^a-z0-9.-]", "-", str(notice.facts.get("room") or WHOLE_SITE))
    return f"{beginning.rstrip('/')}/{room}/{notice.kind.value}"


async def _publish(broker: BrokerSettings, topic: str, body: bytes) -> None:
    import aiomqtt

    context = None
    if broker.tls:
        file = None if broker.ca_file is None else str(broker.ca_file)
        context = await asyncio.to_thread(ssl.create_default_context, cafile=file)
        context.sslsocket_class = _ClosingSocket
    client = aiomqtt.Client(
        broker.server,
        broker.port,
        username=broker.login,
        password=broker.password,
        tls_context=context,
        timeout=broker.timeout_s,
    )
    async with client:
        await client.publish(topic, body, qos=1, retain=broker.retain, timeout=broker.timeout_s)


def _trouble(broker: BrokerSettings, error: Exception) -> str:
    cause = error.__cause__ or error.__context__ or error
    if isinstance(cause, ssl.SSLCertVerificationError):
        why = one_line(cause.verify_message)
        return f"The certificate of {broker.where} is not trusted ({why}). If the broker is your own, set ca_file."
    if isinstance(cause, socket.gaierror):
        return f"No broker called {broker.server} is found. Check the address under [[publish]] {broker.name}."
    said = one_line(str(error)).rstrip(".") or type(error).__name__
    return f"The broker {broker.where} did not take it ({said}). Check address and login. It is tried again by itself."
