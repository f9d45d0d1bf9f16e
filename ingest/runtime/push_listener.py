"""The listener for devices on the network: bound early, its connections bounded, slow ones ended.

A stranger who opens connections and says nothing must not keep the daemon from opening its own files: so many
connections are open at most, of one address fewer; and whoever takes too long over the head of a request is let go.
So is, sooner than by the event loop, which waits a minute, whoever does not shake hands. (The body has a limit of its
own, `dashboards.api.push_body`.)
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import ipaddress
import socket
import weakref
from collections.abc import Mapping
from typing import Any, ClassVar, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

from ingest.errors import SettingsError, TransientError
from ingest.settings.wiring import PushWiring

MOST_CONNECTIONS: Final = 128
MOST_OF_ONE_ADDRESS: Final = 16
HEAD_LIMIT_S: Final = 10.0
"""For the whole head of a request, from the connection or from the answer before (real seconds)."""
HANDSHAKE_LIMIT_S: Final = 10.0
"""For the TLS handshake, from the connection (real seconds)."""


class BoundedSocket(socket.socket):
    """A listening socket that closes connections which are too many, before anything is done for them, and those that
    nobody has told it are `greeted` in time. To be used on an event loop."""

    handshake_limit_s: float | None = None

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._open: weakref.WeakSet[socket.socket] = weakref.WeakSet()
        self._awaited: dict[int, asyncio.TimerHandle] = {}  # by descriptor

    def accept(self) -> tuple[socket.socket, Any]:
        """Accept a connection. Raises BlockingIOError when there is none that may stay."""
        connection, address = super().accept()
        if not self._has_room(str(address[0])):
            connection.close()
            raise BlockingIOError(errno.EAGAIN, "too many connections")
        self._open.add(connection)
        if self.handshake_limit_s is not None:
            self.greeted(connection.fileno())  # of one before, that went without a word
            later = asyncio.get_running_loop().call_later
            self._awaited[connection.fileno()] = later(self.handshake_limit_s, self._let_go, weakref.ref(connection))
        return connection, address

    def greeted(self, descriptor: int) -> None:
        """Take note that a connection's handshake is over."""
        if (waiting := self._awaited.pop(descriptor, None)) is not None:
            waiting.cancel()

    def _let_go(self, reference: weakref.ref[socket.socket]) -> None:
        connection = reference()
        if connection is not None and connection.fileno() >= 0:
            self._awaited.pop(connection.fileno(), None)
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)  # whoever waits for it on the loop is told so

    def _has_room(self, host: str) -> bool:
        hosts = [name for one in self._open if (name := _peer(one)) is not None]
        if len(hosts) >= MOST_CONNECTIONS:
            return False
        # A reverse proxy on this computer stands for many.
        return ipaddress.ip_address(host.partition("%")[0]).is_loopback or hosts.count(host) < MOST_OF_ONE_ADDRESS


def _peer(connection: socket.socket) -> str | None:
    """Give whose connection that is, None when it is closed."""
    try:
        return str(connection.getpeername()[0])
    except OSError:
        return None


def bind(push: PushWiring) -> BoundedSocket:
    """Bind the address. Raises TransientError when another program has it, SettingsError when it cannot be used."""
    family = socket.AF_INET6 if ":" in push.host else socket.AF_INET
    listener = BoundedSocket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)  # the protocol: see page_address
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((push.host, push.port))
        listener.listen(64)
    except OSError as error:
        listener.close()
        where = f"[push] {push.host}:{push.port}"
        if error.errno == errno.EADDRINUSE:
            mend = "Stop that one, or choose another port"
            raise TransientError("another program listens there", where=where, mend=mend) from error
        mend = 'Use an address of this computer, or address = "0.0.0.0:8431"'
        raise SettingsError(f"it cannot be listened to ({error.strerror})", where=where, mend=mend) from error
    listener.setblocking(False)
    return listener


class ImpatientProtocol(H11Protocol):
    """uvicorn's HTTP/1.1, which by itself waits for the head of a request as long as it takes."""

    HEAD_LIMIT_S: ClassVar[float] = HEAD_LIMIT_S
    LISTENER: ClassVar[BoundedSocket | None] = None
    _patience: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first head; with TLS the handshake is over."""
        if self.LISTENER is not None and (accepted := transport.get_extra_info("socket")) is not None:
            self.LISTENER.greeted(accepted.fileno())
        super().connection_made(transport)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no longer."""
        self._wait_no_longer()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came; once a request is being answered its body is under the limit of its receiver."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._wait_no_longer()

    def on_response_complete(self) -> None:
        """Begin to wait for the next head, and for the rest of a body that nobody wanted."""
        super().on_response_complete()
        if self.cycle is None or self.cycle.response_complete:
            self._wait()

    def _wait(self) -> None:
        if self._patience is None and not self.transport.is_closing():
            self._patience = asyncio.get_running_loop().call_later(self.HEAD_LIMIT_S, self.transport.abort)

    def _wait_no_longer(self) -> None:
        if self._patience is not None:
            self._patience.cancel()
            self._patience = None


def server_options(push: PushWiring, listener: BoundedSocket) -> Mapping[str, Any]:
    """Give what uvicorn needs to be told for this listener."""
    options: dict[str, Any] = {"http": type("DeviceProtocol", (ImpatientProtocol,), {"LISTENER": listener})}
    if push.cert_file is not None and push.key_file is not None:
        listener.handshake_limit_s = HANDSHAKE_LIMIT_S
        options |= {"ssl_certfile": str(push.cert_file), "ssl_keyfile": str(push.key_file)}
    return options


def address(push: PushWiring, listener: socket.socket) -> str:
    """Give where devices hand in."""
    host, port = listener.getsockname()[:2]
    scheme = "https" if push.cert_file is not None else "http"
    return f"{scheme}://[{host}]:{port}" if ":" in host else f"{scheme}://{host}:{port}"
