"""The page's address: bound by ourselves, early, so that a busy port is a sentence before anything runs."""

from __future__ import annotations

import errno
import socket
from typing import Final

from ingest.errors import SettingsError, TransientError
from ingest.settings.wiring import PageWiring

UNTAKEN_MS: Final = 60_000


def bind(page: PageWiring) -> socket.socket:
    """Bind the page's address.

    Raises TransientError when another program has the port, SettingsError when the address cannot be used.
    """
    family = socket.AF_INET6 if ":" in page.listen else socket.AF_INET
    # The protocol is said outright because asyncio sets TCP_NODELAY only where it is: without, every answer on a
    # connection that is kept waits 40 ms for the other side's acknowledgement.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # What accepts from it inherits this: a phone that was put to sleep in the middle of the live events takes no
        # byte and sends no end. Its connection goes when nothing that we sent was taken for so long.
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNTAKEN_MS)
        listener.bind((page.listen, page.port))
        listener.listen(128)
    except OSError as error:
        listener.close()
        raise _not_bound(page, error) from error
    listener.setblocking(False)
    return listener


def _not_bound(page: PageWiring, error: OSError) -> TransientError | SettingsError:
    if error.errno == errno.EADDRINUSE:
        return TransientError(
            f"another program already listens on port {page.port}",
            where=page.listen,
            mend=f"Stop that one, or choose another port, such as {page.port + 1}.",
        )
    if error.errno == errno.EACCES:
        return SettingsError(
            f"this user may not listen on port {page.port}", where=page.listen, mend="Use a port above 1023."
        )
    return SettingsError(
        f"the page cannot listen on port {page.port} ({error.strerror})",
        where=page.listen,
        mend='Use listen = "127.0.0.1" under [page].',
    )


def address(listener: socket.socket) -> str:
    """Give the address to type into a browser."""
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
