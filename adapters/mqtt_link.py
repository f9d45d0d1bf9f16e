"""A connection to an MQTT broker that holds a bounded number of messages and acknowledges what was handed over.

aiomqtt's own queue is not used: unbounded it grows without end, bounded it drops messages that were acknowledged. Here
a message of QoS 1 is acknowledged only when its readings are stored, as we are told, or handed over, as we see by the
next one being asked for; the broker keeps it until then. What it sends again after a lost connection is known by its
number.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections import OrderedDict, deque
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import aiomqtt
from paho.mqtt.client import MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from adapters.cancelling import cancellable, in_time
from adapters.contract import AdapterError, LostDeviceError, ProtocolError, RefusedError, SettingsError, TransientError

CALL_LIMIT_S: Final = 10.0
CLOSE_LIMIT_S: Final = 1.0
"""For a good-bye; an adapter must have let go within two seconds."""
HELD_MESSAGES: Final = 10_000
HELD_BYTES: Final = 16_000_000
TAKEN_AT_ONCE: Final = 500
IN_FLIGHT: Final = 500
"""How many messages a broker of MQTT 5 may send before one is acknowledged."""
REMEMBERED: Final = 2_000
MAX_PACKET_BYTES: Final = 1_100_000
"""A pack, its topic and its head; a broker of MQTT 5 is told not to send more."""


class Message(NamedTuple):
    """What came.  retained: it was kept by the broker, and is of unknown age.  repeat: the broker sends it again."""

    topic: str
    payload: bytes
    at_ms: int
    retained: bool
    repeat: bool
    number: int  # the packet's, for acknowledging
    qos: int


@dataclass(frozen=True, slots=True)
class Broker:
    """Where and how to connect.  keep_s: how long the broker keeps messages for us while we are away."""

    host: str
    port: int
    client_id: str
    protocol: aiomqtt.ProtocolVersion
    keepalive_s: int
    keep_s: int
    tls: ssl.SSLContext | None = None
    login: str | None = None
    password: str | None = field(default=None, repr=False)

    def __str__(self) -> str:
        return f"broker {self.host}:{self.port}"


class ClosingSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails, which paho leaves to chance; for `SSLContext.sslsocket_class`."""

    def do_handshake(self, block: bool = False) -> None:
        """Shake hands, or close."""
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def tls_context(settings: Mapping[str, Any]) -> ssl.SSLContext:
    """Make what a connection to a broker needs for TLS, from an adapter's settings. Blocks: it reads certificates.

    Raises SettingsError when these cannot be read.
    """
    try:
        context = ssl.create_default_context(cafile=settings["ca_file"])
        if settings["cert_file"]:
            context.load_cert_chain(settings["cert_file"], settings["key_file"])
    except OSError as error:
        files = [settings[key] for key in ("ca_file", "cert_file", "key_file") if settings[key]]
        raise SettingsError(
            f"the certificates cannot be read ({error})",
            where=", ".join(files),
            mend="Name files in PEM form that may be read",
        ) from error
    context.sslsocket_class = ClosingSocket
    return context


_handed_over: dict[str, OrderedDict[int, int]] = {}
"""Per client id: the numbers of the last messages handed over, with what was in them. It outlives a connection, as the
broker's session does."""


class Inbox:
    """What came and was not asked for yet. When too much waits the oldest is given up, and counted."""

    def __init__(self, now_ms: Callable[[], int]) -> None:
        self.overrun = 0
        self._now_ms = now_ms
        self._messages: deque[Message] = deque()
        self._bytes = 0
        self.changed = asyncio.Event()

    def __len__(self) -> int:
        return len(self._messages)

    def put(self, message: MQTTMessage) -> None:
        """Take a message in."""
        payload = bytes(message.payload)
        topic = message.topic if message.topic.isprintable() else ascii(message.topic)
        self._messages.append(
            Message(topic, payload, self._now_ms(), message.retain, message.dup, message.mid, message.qos)
        )
        self._bytes += len(payload)
        while len(self._messages) > HELD_MESSAGES or self._bytes > HELD_BYTES:
            self._bytes -= len(self._messages.popleft().payload)
            self.overrun += 1
        self.changed.set()

    def take(self) -> list[Message]:
        """Give the oldest messages, as many as are handed over at once."""
        taken = [self._messages.popleft() for _ in range(min(TAKEN_AT_ONCE, len(self._messages)))]
        self._bytes -= sum(len(message.payload) for message in taken)
        return taken


class _Client(aiomqtt.Client):
    """aiomqtt's client with our inbox in place of its queue, and with acknowledgements when we say so."""

    def __init__(self, inbox: Inbox, **options: Any) -> None:
        self._inbox = inbox  # before anything can come
        super().__init__(**options)
        self._client.manual_ack_set(True)

    def _on_message(self, client: Any, userdata: Any, message: MQTTMessage) -> None:
        self._inbox.put(message)

    def acknowledge(self, message: Message) -> None:
        if message.qos:
            self._client.ack(message.number, message.qos)

    def end_reason(self) -> BaseException | None:
        """Give why the connection ended, or None while it stands."""
        return self._disconnected.exception() if self._disconnected.done() else None

    def when_ended(self, told: Callable[[], None]) -> None:
        self._disconnected.add_done_callback(lambda _: told())

    @property
    def has_ended(self) -> bool:
        return self._disconnected.done()

    async def let_go(self) -> None:
        """Say good-bye where there is somebody to say it to; the socket is closed when this returns."""
        stands = self._connected.done() and not self._connected.cancelled() and self._connected.exception() is None
        if stands and not self._disconnected.done():
            with contextlib.suppress(aiomqtt.MqttError, OSError, TimeoutError):
                await in_time(CLOSE_LIMIT_S, self.__aexit__(None, None, None))
        self._client._sock_close()
        for outcome in (self._connected, self._disconnected):
            if outcome.done() and not outcome.cancelled():
                outcome.exception()  # looked at, so that nobody complains that nobody did
        await self._end_misc()

    async def _end_misc(self) -> None:
        if self._misc_task is not None:
            self._misc_task.cancel()
            await asyncio.gather(self._misc_task, return_exceptions=True)


class Link:
    """An open connection, subscribed."""

    def __init__(self, client: _Client, broker: Broker, inbox: Inbox) -> None:
        self.inbox = inbox
        self._client = client
        self._broker = broker
        self._handed = _handed_over.setdefault(broker.client_id, OrderedDict())
        self._given: list[Message] = []  # and not acknowledged yet
        client.when_ended(inbox.changed.set)

    async def messages(self) -> AsyncGenerator[list[Message], None]:
        """Give what comes, some at a time; what was given is acknowledged when more is asked for, if not before.

        What the broker sends again after we took it is left out. Raises what `_ended` says when the connection ends.
        """
        while True:
            taken = self.inbox.take()
            if not taken:
                self.inbox.changed.clear()
                if self._client.has_ended:
                    raise _ended(self._broker, self._client.end_reason())
                await self.inbox.changed.wait()
                continue
            self._given = taken
            fresh = [message for message in taken if not self._is_known(message)]
            if fresh:
                yield fresh
            self.acknowledge()
            await asyncio.sleep(0)  # a flood leaves the others their turn

    def acknowledge(self) -> None:
        """Acknowledge what was given last: its readings are safe. Once only, however often it is called."""
        given, self._given = self._given, []
        for message in given:
            self._remember(message)
            self._client.acknowledge(message)

    def _is_known(self, message: Message) -> bool:
        return message.repeat and self._handed.get(message.number) == _content(message)

    def _remember(self, message: Message) -> None:
        if message.qos:
            self._handed[message.number] = _content(message)
            self._handed.move_to_end(message.number)
            if len(self._handed) > REMEMBERED:
                self._handed.popitem(last=False)


def _content(message: Message) -> int:
    return hash((message.topic, message.payload))


@contextlib.asynccontextmanager
async def connected(broker: Broker, topic_filters: Sequence[str], now_ms: Callable[[], int]) -> AsyncIterator[Link]:
    """Be connected and subscribed for as long as the block lasts.

    Raises LostDeviceError, RefusedError, TransientError or ProtocolError when that cannot be.
    """
    inbox = Inbox(now_ms)
    client = _Client(inbox, **_options(broker))
    entering = asyncio.ensure_future(client.__aenter__())
    try:
        # Shielded: the connecting happens in a thread, which would open the socket behind our back.
        await asyncio.shield(entering)
        await _subscribe(client, broker, topic_filters)
        yield Link(client, broker, inbox)
    except aiomqtt.MqttError as error:
        raise _explained(broker, error) from error
    finally:
        if not entering.done():
            await asyncio.wait([entering], timeout=CLOSE_LIMIT_S)
        entering.cancel()
        await asyncio.gather(entering, return_exceptions=True)
        await client.let_go()


def _options(broker: Broker) -> dict[str, Any]:
    options: dict[str, Any] = {
        "hostname": broker.host,
        "port": broker.port,
        "username": broker.login,
        "password": broker.password,
        "identifier": broker.client_id,
        "protocol": broker.protocol,
        "keepalive": broker.keepalive_s,
        "timeout": CALL_LIMIT_S,
        "tls_context": broker.tls,
    }
    if broker.protocol is not aiomqtt.ProtocolVersion.V5:
        return options | {"clean_session": False}
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = broker.keep_s
    properties.ReceiveMaximum = IN_FLIGHT
    properties.MaximumPacketSize = MAX_PACKET_BYTES
    return options | {"clean_start": False, "properties": properties}


async def _subscribe(client: _Client, broker: Broker, topic_filters: Sequence[str]) -> None:
    answers = await cancellable(client.subscribe([(topic_filter, 1) for topic_filter in topic_filters]))
    refused = [topic_filter for topic_filter, answer in zip(topic_filters, answers, strict=False) if _refuses(answer)]
    if refused:
        raise RefusedError(
            f"it does not let us subscribe to {', '.join(refused)}",
            where=str(broker),
            mend="Let the login of lumberroom read these topics (the broker's access list)",
        )


def _refuses(answer: object) -> bool:
    code = answer.value if isinstance(answer, ReasonCode) else answer
    return isinstance(code, int) and code >= 0x80


_LOGIN_CODES: Final = frozenset({134, 135, 138, 140})
_CERTIFICATE: Final = ("certificate", "CERTIFICATE", "SSL", "TLS", "ssl")
_BROKEN_OFF: Final = ("UNEXPECTED_EOF", "EOF occurred", "reset by peer")
"""In the texts of a handshake that was broken off: by a broker that is stopping, or a cable; no bad certificate."""
_TAKEN_OVER: Final = 142


def _explained(broker: Broker, error: aiomqtt.MqttError) -> AdapterError:
    """Turn what went wrong into what a person can do about it."""
    where = str(broker)
    code = error.rc.value if isinstance(error, aiomqtt.MqttCodeError) and isinstance(error.rc, ReasonCode) else None
    if code in _LOGIN_CODES:
        return RefusedError(
            f"it refuses the login ({error})", where=where, mend="Check login, password_env or password_file"
        )
    if code == 132:
        return ProtocolError("it does not speak this version of MQTT", where=where, mend='Set version = "3.1.1"')
    is_broken_off = any(word in str(error) for word in _BROKEN_OFF)
    if not is_broken_off and any(word in str(error) for word in _CERTIFICATE):
        mend = "Name the certificate of its authority with ca_file, and the host as the certificate has it"
        return RefusedError(f"its certificate or its TLS is not to be trusted ({error})", where=where, mend=mend)
    if code is not None or "timed out" in str(error):
        mend = "It is tried again by itself; see whether the port is one with TLS (tls = true) or without"
        return TransientError(f"it does not take us ({error})", where=where, mend=mend)
    return LostDeviceError(
        f"it cannot be reached ({error})", where=where, mend="See that it runs, and that host and port are right"
    )


def _ended(broker: Broker, reason: BaseException | None) -> AdapterError:
    code = getattr(getattr(reason, "rc", None), "value", None)
    if code == _TAKEN_OVER:
        return RefusedError(
            f"another client took our place, by the same client_id {broker.client_id!r}",
            where=str(broker),
            mend="Give each lumberroom a client_id of its own",
        )
    return LostDeviceError(
        f"the connection was lost ({reason or 'closed'})", where=str(broker), mend="It is taken up again by itself"
    )
